"""Frames -> Poses with one pinned model; the only place that knows the engine.

The engine runs in single-picture mode: it keeps no state, smooths nothing and lags
by nothing, so frames may go to any worker in any order with the same result. Each
worker is a process of its own, since the engine uses one thread and, after an
error, is only safe to throw away with its process.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from importlib.resources import as_file, files
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from landing_analysis.errors import ModelError
from landing_analysis.progress import NO_PROGRESS, Progress
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import N_LANDMARKS, Clip, FloatArray, Frame, Picture, Poses

_BUNDLED = "pose_full.task"
_VALUES = 6  # x, y, visibility, world x, y, z
_AHEAD = 6  # frames in flight per worker: enough to keep it busy, 17 MB at 720p


@dataclass(frozen=True)
class Model:
    """A pose bundle in memory with its fingerprint."""

    name: str
    sha256: str
    data: bytes


def load_model(path: Path | None = None) -> Model:
    """Load the bundle that comes with the package, or another one.

    Parameters
    ----------
    path : of another bundle, None for the package's own

    Raises
    ------
    ModelError
        When the file cannot be read, or the package's own was altered.
    """
    if path is not None:
        try:
            data = Path(path).read_bytes()
        except OSError as error:
            raise ModelError(f"The model {path} cannot be read; check its name.") from error
        return Model(Path(path).name, hashlib.sha256(data).hexdigest(), data)
    folder = files("landing_analysis") / "data"
    with as_file(folder / _BUNDLED) as bundle, as_file(folder / "models.txt") as listed:
        if not bundle.exists():
            raise ModelError("The pose model is missing from the package; install it again.")
        data = bundle.read_bytes()
        pinned = dict(line.split() for line in listed.read_text("utf-8").splitlines() if line)
    sha256 = hashlib.sha256(data).hexdigest()
    if pinned.get(_BUNDLED) != sha256:
        raise ModelError("The pose model in the package was altered; install the package again.")
    return Model(_BUNDLED, sha256, data)


def find_poses(
    open_frames: Callable[[], Iterable[Frame]],
    clip: Clip,
    settings: PoseSettings,
    model: Model | None = None,
    progress: Progress = NO_PROGRESS,
) -> Poses:
    """Look for people in every frame.

    Parameters
    ----------
    open_frames : called to read the clip from its start; called twice, since some
        frames are looked at first to learn whether more than one person is in view
    clip : its facts
    settings : PoseSettings
    model : from `load_model`, None for the package's own
    progress : told of every frame

    Returns
    -------
    Poses
        With the frame times that were read; one slot when nobody else was seen.

    Raises
    ------
    ModelError
        When the engine refuses the model or stops.
    """
    model = model or load_model()
    try:
        slots = 1
        if settings.max_people > 1 and clip.frames > 0:
            slots = _people_in_view(open_frames(), clip, settings, model)
        t_s, found = _look(open_frames(), slots, settings, model, progress)
    except BrokenProcessPool as error:
        raise ModelError(
            "The pose engine stopped; it may have run out of memory. Close other programs "
            "and analyse the clip again."
        ) from error
    finally:
        progress.close()
    return Poses(
        t_s=t_s,
        xy_px=found[..., 0:2],
        visibility=np.nan_to_num(found[..., 2]),
        world_m=found[..., 3:6],
        width_px=clip.width_px,
        height_px=clip.height_px,
        model_name=model.name,
        model_sha256=model.sha256,
    )


def _people_in_view(
    frames: Iterable[Frame], clip: Clip, settings: PoseSettings, model: Model
) -> int:
    """Return 1 when never more than one person is seen in frames spread over the clip."""
    every = max(1, round(settings.scout_interval_s * clip.median_fps))
    chosen = (frame for frame in frames if frame.number % every == 0)
    _, found = _look(chosen, settings.max_people, settings, model, NO_PROGRESS)
    people = np.isfinite(found[:, :, 0, 0]).sum(axis=1)
    return settings.max_people if (people > 1).any() else 1


def _look(
    frames: Iterable[Frame], slots: int, settings: PoseSettings, model: Model, progress: Progress
) -> tuple[FloatArray, FloatArray]:
    """Return frame times (n,) and what was found (n, slots, 33, 6), in the order of frames."""
    times: list[float] = []
    found: list[FloatArray] = []
    waiting: deque[Future[FloatArray]] = deque()

    def take() -> None:
        found.append(waiting.popleft().result())
        progress.advance(1)

    with ProcessPoolExecutor(
        settings.workers, get_context("spawn"), _start_worker, (model.data, slots)
    ) as pool:
        for frame in frames:
            times.append(frame.t_s)
            waiting.append(pool.submit(_detect, frame.rgb))
            if len(waiting) >= _AHEAD * settings.workers:
                take()
        while waiting:
            take()
    if not found:
        return np.empty(0), np.empty((0, slots, N_LANDMARKS, _VALUES))
    return np.array(times), np.stack(found)


# --- in a worker process --------------------------------------------------------------------

_landmarker: Any = None
_slots = 1
_failure: str | None = None


def _start_worker(data: bytes, slots: int) -> None:
    """Make this process's landmarker; it lives as long as the process.

    A failure is kept for the first call: the pool would swallow it here.
    """
    global _landmarker, _slots, _failure
    # Without this the engine looks for a sound library, with a compiler if there is one.
    sys.modules["sounddevice"] = None  # type: ignore[assignment]
    _slots = slots
    # The engine's native code writes remarks to stderr that no setting stops; what goes wrong
    # comes back as an exception.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    try:
        from mediapipe.tasks.python import BaseOptions, vision

        options = vision.PoseLandmarkerOptions(
            base_options=BaseOptions(model_asset_buffer=data),
            running_mode=vision.RunningMode.IMAGE,
            num_poses=slots,
        )
        _landmarker = vision.PoseLandmarker.create_from_options(options)
    except ImportError as error:
        _failure = (
            f"The pose engine cannot start ({error}). On Debian install its libraries with: "
            "apt-get install libgl1 libglib2.0-0."
        )
    except (RuntimeError, ValueError, OSError) as error:
        reason = str(error).splitlines()[0]
        _failure = f"The pose engine refuses the model ({reason}); name a pose bundle (.task)."


def _detect(rgb: Picture) -> FloatArray:
    """Return (slots, 33, 6): x and y in pixels, visibility, metric x, y, z; NaN where empty."""
    if _failure is not None:
        raise ModelError(_failure)
    import mediapipe as mp

    if rgb.dtype != np.uint8 or rgb.ndim != 3 or rgb.shape[2] != 3:
        raise ModelError(f"A frame of {rgb.dtype} {rgb.shape} is no RGB picture of bytes.")
    image = mp.Image(image_format=mp.ImageFormat.SRGB, data=np.ascontiguousarray(rgb))
    result = _landmarker.detect(image)
    height, width = rgb.shape[:2]
    found = np.full((_slots, N_LANDMARKS, _VALUES), np.nan)
    people = zip(result.pose_landmarks, result.pose_world_landmarks, strict=True)
    for slot, (points, metric) in enumerate(people):
        for i, (point, place) in enumerate(zip(points, metric, strict=True)):
            # The engine's 0 is the outer edge of the first pixel, ours its centre.
            x, y = point.x * width - 0.5, point.y * height - 0.5
            found[slot, i] = x, y, point.visibility, place.x, place.y, place.z
    return found
