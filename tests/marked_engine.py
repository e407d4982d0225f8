"""A tiny clip whose pictures say which frame they are, and an engine that knows who is in each.

The engine answers with the invented patient of `stick_patient`, a tenth as large.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from stick_patient import jump_plan, make_motion

from landing_analysis.landmarks import pose, unfinished
from landing_analysis.landmarks.engine import Answer, Question
from landing_analysis.landmarks.workers import Places
from landing_analysis.progress import Progress
from landing_analysis.tables import LIMBS, Clip, Frame, Seen
from landing_analysis.video.clips import write_clip

_SCALE = 0.1
_WIDTH, _HEIGHT = 72, 128
_LEVELS = 12


def marked_clip(path: Path, reps: int = 2, seed: int = 0) -> int:
    """Write the clip of a set; return its number of frames."""
    path.parent.mkdir(parents=True, exist_ok=True)
    landmarks = make_motion(jump_plan(reps), "front", LIMBS)[0]
    with write_clip(path, _WIDTH, _HEIGHT) as writer:
        for k, t_s in enumerate(landmarks.t_s):
            picture = np.full((_HEIGHT, _WIDTH, 3), 128, np.uint8)
            picture[-8:] = seed % 250
            for digit in range(3):
                level = 10 + 20 * (k // _LEVELS**digit % _LEVELS)
                picture[32 * digit : 32 * digit + 32] = level
            writer.write(picture, float(t_s))
    return len(landmarks.t_s)


def _frame_of(rgb: np.ndarray) -> int:
    levels = [float(rgb[32 * digit + 16, 36].mean()) for digit in range(3)]
    return sum(round((level - 10) / 20) * _LEVELS**digit for digit, level in enumerate(levels))


def answers(reps: int = 2) -> Callable[[np.ndarray], np.ndarray]:
    """Return what sees the patient of `marked_clip` in a picture of it."""
    landmarks = make_motion(jump_plan(reps), "front", LIMBS)[0]
    values = np.concatenate(
        [_SCALE * landmarks.xy_px, landmarks.visibility[..., None], landmarks.world_m], axis=2
    )
    return lambda rgb: values[None, _frame_of(rgb)]


def windows_of(people: np.ndarray, question: Question) -> np.ndarray:
    """Return the windows of an answer: around the hips of everybody, NaN where one was given."""
    windows = np.full((len(people), 4), np.nan)
    if question.window_px is None:
        windows[:, :2] = people[:, 23:25, :2].mean(axis=1)
        windows[:, 2:] = 100.0, 0.0
    return windows


class _Engines:
    """Looks into the places of pictures in this process."""

    def __init__(self, places: Places, look: Callable[[np.ndarray], np.ndarray]) -> None:
        self._places, self._look = places, look

    def look(self, question: Question) -> Future:
        answer: Future = Future()
        people = self._look(self._places.picture(question.place))
        answer.set_result(Answer(people, windows_of(people, question)))
        return answer


def stand_in(look: Callable[[np.ndarray], np.ndarray]) -> Callable:
    """Return what takes the place of `pose.engines`."""

    @contextmanager
    def engines(workers: int, bundle: bytes, max_people: int, places: Places) -> Iterator[_Engines]:
        yield _Engines(places, look)

    return engines


def stand_in_by_time(see: Callable[[Clip, Frame], Seen], asked: list[str] | None = None):
    """Return what takes the place of `pose.started`; ``asked`` lists the clips looked at."""

    @contextmanager
    def started(clip: Clip, *_: object) -> Iterator[SimpleNamespace]:
        if asked is not None:
            asked.append(clip.file)

        def look_for_people(frames: Iterable[Frame], progress: Progress, **_how: object):
            for frame in frames:
                progress.advance(1)
                yield see(clip, frame)

        yield SimpleNamespace(look_for_people=look_for_people)

    return started


def main() -> None:
    """Run the command line with this engine; the environment says how slow it is, in seconds."""
    from landing_analysis.commands.main import main as command

    see, pause_s = answers(), float(os.environ.get("MARKED_ENGINE_S", "0"))

    def look(rgb: np.ndarray) -> np.ndarray:
        time.sleep(pause_s)
        return see(rgb)

    pose.engines = stand_in(look)  # type: ignore[assignment]
    unfinished._EVERY_S = 0.05
    command(sys.argv[1:])


if __name__ == "__main__":
    main()
