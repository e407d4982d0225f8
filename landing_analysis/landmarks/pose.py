"""Frames -> Poses with one pinned model, spread over worker processes.

The engine runs in single-picture mode: it remembers nothing between frames, so any
worker may take any frame and the result is the same.
"""

from __future__ import annotations

import hashlib
import pickle
import subprocess
import sys
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from queue import SimpleQueue
from typing import BinaryIO, Self, cast

import numpy as np

from landing_analysis.errors import ModelError, TableError
from landing_analysis.landmarks.engine import VALUES, Order, Refusal
from landing_analysis.progress import NO_PROGRESS, Progress
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import N_LANDMARKS, Clip, FloatArray, Frame, Picture, Poses

_BUNDLED = "pose_full.task"
_AHEAD = 3  # frames under way per worker, so that none idles; 6 MB each at 1080p

_START = (
    "import sys; sys.path[:] = {path!r}; from landing_analysis.landmarks.engine import main; main()"
)


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
    bundle = files("landing_analysis") / "data" / _BUNDLED if path is None else Path(path)
    try:
        data = bundle.read_bytes()
    except OSError as error:
        raise ModelError(f"The pose model {bundle} cannot be read; check its name.") from error
    model = Model(bundle.name, hashlib.sha256(data).hexdigest(), data)
    if path is None and model.sha256 != _pinned_sha256():
        raise ModelError("The pose model in the package was altered; install the package again.")
    return model


def _pinned_sha256() -> str:
    listed = (files("landing_analysis") / "data" / "models.txt").read_text(encoding="utf-8")
    return dict(line.split() for line in listed.splitlines())[_BUNDLED]


def find_poses(
    frames: Iterable[Frame],
    clip: Clip,
    settings: PoseSettings,
    model: Model | None = None,
    progress: Progress = NO_PROGRESS,
) -> Poses:
    """Look for people in every frame.

    Parameters
    ----------
    frames : of the clip, in order
    clip : its facts
    settings : PoseSettings
    model : from `load_model`, None for the package's own
    progress : told of every frame

    Returns
    -------
    Poses
        With the times of the frames that were read, and as many slots as people
        were seen at once, at least one.

    Raises
    ------
    ModelError
        When the engine cannot start, refuses the model, or stops.
    TableError
        When a frame is not a picture of the clip's size.
    """
    model = model or load_model()
    times_s: list[float] = []
    found: list[FloatArray] = []
    waiting: deque[Future[FloatArray]] = deque()

    def take() -> None:
        found.append(waiting.popleft().result())
        progress.advance(1)

    try:
        with _workers(settings.workers, Order(model.data, settings.max_people)) as look:
            for frame in frames:
                times_s.append(frame.t_s)
                waiting.append(look(_checked(frame, clip)))
                if len(waiting) >= _AHEAD * settings.workers:
                    take()
            while waiting:
                take()
    finally:
        progress.close()
    values = _in_slots(found)
    return Poses(
        t_s=np.array(times_s),
        xy_px=values[..., 0:2],
        visibility=np.nan_to_num(values[..., 2]),
        world_m=values[..., 3:6],
        width_px=clip.width_px,
        height_px=clip.height_px,
        model_name=model.name,
        model_sha256=model.sha256,
    )


def _checked(frame: Frame, clip: Clip) -> Picture:
    """Return the picture, contiguous, since the engine ignores strides without a word."""
    expected = (clip.height_px, clip.width_px, 3)
    if frame.rgb.dtype != np.uint8 or frame.rgb.shape != expected:
        raise TableError(
            f"Frame {frame.number} is {frame.rgb.dtype} {frame.rgb.shape}; "
            f"expected uint8 {expected}."
        )
    return np.ascontiguousarray(frame.rgb)


def _in_slots(found: list[FloatArray]) -> FloatArray:
    """Return (n_frames, n_slots, 33, 6), NaN where a slot is empty."""
    n_slots = max((len(people) for people in found), default=1)
    values = np.full((len(found), max(n_slots, 1), N_LANDMARKS, VALUES), np.nan)
    for frame, people in enumerate(found):
        values[frame, : len(people)] = people
    return values


@contextmanager
def _workers(count: int, order: Order) -> Iterator[Callable[[Picture], Future[FloatArray]]]:
    """Start engine processes; yields the way to hand a picture to whichever is free."""
    free: SimpleQueue[_Worker] = SimpleQueue()

    def look(rgb: Picture) -> FloatArray:
        worker = free.get()
        try:
            return worker.look(rgb)
        finally:
            free.put(worker)

    with ExitStack() as stack:
        pool = ThreadPoolExecutor(count)
        stack.callback(pool.shutdown, cancel_futures=True)
        for _ in range(count):
            free.put(stack.enter_context(_Worker(order)))
        yield lambda rgb: pool.submit(look, rgb)


class _Worker:
    """The near end of one engine process, which dies with the ``with`` block."""

    def __init__(self, order: Order) -> None:
        self._order: Order | None = order
        # Native code speaks here; what it said is told only when the process ends by itself.
        self._remarks = tempfile.TemporaryFile()  # noqa: SIM115
        self._process = subprocess.Popen(
            [sys.executable, "-c", _START.format(path=sys.path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._remarks,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout, self._remarks):
            with suppress(OSError):
                cast(BinaryIO, pipe).close()

    def look(self, rgb: Picture) -> FloatArray:
        """Return what the engine sees in one picture, (people, 33, 6)."""
        if self._order is not None:
            self._ask(self._order)
            self._order = None
        return cast(FloatArray, self._ask(rgb))

    def _ask(self, what: Order | Picture) -> object:
        requests = cast(BinaryIO, self._process.stdin)
        answers = cast(BinaryIO, self._process.stdout)
        try:
            pickle.dump(what, requests, protocol=5)
            requests.flush()
            answer = pickle.load(answers)
        except (OSError, EOFError) as error:
            raise self._death() from error
        if isinstance(answer, Refusal):
            raise ModelError(answer.sentence)
        return answer

    def _death(self) -> ModelError:
        code = self._process.wait()
        self._remarks.seek(0)
        remarks = self._remarks.read().decode(errors="replace").strip()
        error = ModelError(
            f"The pose engine ended by itself (exit code {code}), perhaps for want of memory; "
            "close other programs and analyse the clip again."
        )
        error.add_note(remarks)
        return error
