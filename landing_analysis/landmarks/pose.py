"""Frames -> Poses with one pinned model, spread over worker processes."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import closing, contextmanager
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from landing_analysis.errors import ModelError, TableError
from landing_analysis.landmarks.engine import Answer, Question
from landing_analysis.landmarks.mirroring import turned_back
from landing_analysis.landmarks.network_answers import VALUES
from landing_analysis.landmarks.windows import InWindow, Relaid
from landing_analysis.landmarks.workers import Engines, Places, engines
from landing_analysis.progress import NO_PROGRESS, Progress
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import (
    N_LANDMARKS,
    Clip,
    FloatArray,
    Frame,
    IntArray,
    Picture,
    Poses,
    Seen,
)

_BUNDLED = "pose_full.task"


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
    with closing(progress), started(clip, settings, model) as engine:
        seen = list(engine.look_for_people(frames, progress))
    return poses_of(seen, [one.number for one in seen], [one.t_s for one in seen], clip, model)


@contextmanager
def started(clip: Clip, settings: PoseSettings, model: Model) -> Iterator[PoseEngine]:
    """Start the engine's processes for the pictures of one clip; parameters as of `find_poses`."""
    shape = (settings.ahead * settings.workers, clip.height_px, clip.width_px, 3)
    with (
        Places(shape) as places,
        engines(settings.workers, model.data, settings.max_people, places) as workers,
    ):
        yield PoseEngine(workers, places, clip)


class _Asked(NamedTuple):
    """A frame whose picture lies in a place while it is looked at."""

    number: int
    t_s: float
    place: int
    answer: Future[Answer]


class PoseEngine:
    """Looks at the pictures of one clip; made by `started`."""

    def __init__(self, workers: Engines, places: Places, clip: Clip) -> None:
        self._workers, self._places, self._clip = workers, places, clip

    def look_for_people(
        self,
        frames: Iterable[Frame | InWindow | None],
        progress: Progress = NO_PROGRESS,
        *,
        mirrored: bool = False,
        relaid: Mapping[int, Relaid] = MappingProxyType({}),
    ) -> Iterator[Seen]:
        """Yield what is seen frame by frame, in the order of the frames, as soon as it is known.

        Parameters
        ----------
        frames : of the clip, for everybody or for one person in a window; None to wait for the
            earliest answer that is still due
        progress : told of every frame
        mirrored : look at the mirrored pictures, and turn back what is seen there
        relaid : by a frame's number, how the detector's windows are laid anew there

        Raises
        ------
        ModelError, TableError
            As `find_poses`.
        """
        asked: deque[_Asked] = deque()

        def take() -> Seen:
            progress.advance(1)
            earliest = asked.popleft()
            people, windows_px = earliest.answer.result()
            self._places.free.append(earliest.place)
            if mirrored:
                people = turned_back(people, self._clip.width_px)
                return Seen(earliest.number, earliest.t_s, people)
            return Seen(earliest.number, earliest.t_s, people, windows_px)

        for wanted in frames:
            if wanted is None:
                yield take()
                continue
            frame, window_px = wanted if isinstance(wanted, InWindow) else (wanted, None)
            rgb = _checked(frame, self._clip)
            if not self._places.free:
                yield take()
            place = self._places.keep(rgb[:, ::-1] if mirrored else rgb)
            answer = self._workers.look(Question(place, window_px, relaid.get(frame.number)))
            asked.append(_Asked(frame.number, frame.t_s, place, answer))
        while asked:
            yield take()


def poses_of(
    seen: Sequence[Seen], numbers: Sequence[int], t_s: Sequence[float], clip: Clip, model: Model
) -> Poses:
    """Put what was seen into one table.

    Parameters
    ----------
    seen : from `PoseEngine.look_for_people`, in order
    numbers, t_s : of all frames, those that were not looked at as well
    clip : its facts
    model : that looked

    Returns
    -------
    Poses
        Where nobody looked, and one person is alone before and after, that person is
        interpolated.
    """
    looked = np.searchsorted(numbers, [one.number for one in seen])
    values = _in_slots(seen, looked, len(numbers))
    times_s = np.array(t_s, dtype=float)
    alone = np.array([len(one.people) == 1 for one in seen], dtype=bool)
    for before in np.flatnonzero((np.diff(looked) > 1) & alone[:-1] & alone[1:]):
        first, last = looked[before], looked[before + 1]
        share = (times_s[first + 1 : last] - times_s[first]) / (times_s[last] - times_s[first])
        ends = values[first, 0], values[last, 0]
        values[first + 1 : last, 0] = ends[0] + share[:, None, None] * (ends[1] - ends[0])
    at_look = np.zeros(len(numbers), dtype=bool)
    at_look[looked] = True
    return Poses(
        t_s=times_s,
        xy_px=values[..., 0:2],
        visibility=np.nan_to_num(values[..., 2]),
        world_m=values[..., 3:6],
        width_px=clip.width_px,
        height_px=clip.height_px,
        model_name=model.name,
        model_sha256=model.sha256,
        looked=None if at_look.all() else at_look,
    )


def _checked(frame: Frame, clip: Clip) -> Picture:
    """Return the picture when it is of the clip's size."""
    expected = (clip.height_px, clip.width_px, 3)
    if frame.rgb.dtype != np.uint8 or frame.rgb.shape != expected:
        raise TableError(
            f"Frame {frame.number} is {frame.rgb.dtype} {frame.rgb.shape}; "
            f"expected uint8 {expected}."
        )
    return frame.rgb


def _in_slots(seen: Sequence[Seen], frames: IntArray, n_frames: int) -> FloatArray:
    """Return (n_frames, n_slots, 33, 6), NaN where a slot is empty or nobody looked."""
    n_slots = max((len(one.people) for one in seen), default=1)
    values = np.full((n_frames, max(n_slots, 1), N_LANDMARKS, VALUES), np.nan)
    for frame, one in zip(frames, seen, strict=True):
        values[frame, : len(one.people)] = one.people
    return values
