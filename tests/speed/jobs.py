"""What is timed, each in a process of its own: ``python jobs.py JOB ARGUMENT...``.

Run with the tree under test first on the path, so that an earlier revision does the same; only
what both have is used.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from multiprocessing import get_context
from pathlib import Path
from typing import Any

_ENGINE_FRAMES = 240
_PEOPLE = 3


def decode(clip: str) -> None:
    """Read every frame as a picture, and do nothing with it."""
    from landing_analysis.video.clips import read_clip, read_frames

    path = Path(clip)
    for _ in read_frames(path, read_clip(path)):
        pass


def analyse(*words: str) -> None:
    """Run the command."""
    from landing_analysis.commands.main import main

    main(list(words))


def again(landmarks: str) -> None:
    """Analyse stored landmarks in memory, twice in one process; print the second's seconds."""
    from landing_analysis.library import analyse as in_memory
    from landing_analysis.progress import no_progress

    in_memory(landmarks, start=no_progress)
    started_s = time.perf_counter()
    in_memory(landmarks, start=no_progress)
    _print({"seconds": time.perf_counter() - started_s})


def engine(clip: str, processes: str) -> None:
    """Run the bare pose engine on frames in memory; print the seconds of the slowest process.

    It looks at each picture alone, for up to three people, with the model and engine of its tree.
    """
    context, count = get_context("spawn"), int(processes)
    start = context.Barrier(count)
    with context.Pool(count, _keep, (start,)) as pool:
        shares = [(clip, k, count, sys.path) for k in range(count)]
        _print({"seconds": max(pool.map(_look, shares, chunksize=1)), "frames": _ENGINE_FRAMES})


def _keep(start: Any) -> None:
    global _start  # the way in which a pool's processes get what cannot be sent
    _start = start


def _look(share: tuple[str, int, int, list[str]]) -> float:
    clip, number, count, sys.path[:] = share

    from landing_analysis.landmarks.pose import load_model
    from landing_analysis.video.clips import read_clip, read_frames

    look = _engine_of_tree(load_model().data)
    path, mine = Path(clip), _ENGINE_FRAMES // count
    frames = read_frames(path, read_clip(path))
    pictures = [next(frames).rgb for _ in range(mine * (number + 1))][-mine:]
    _start.wait()
    started_s = time.perf_counter()
    for rgb in pictures:
        look(rgb)
    return time.perf_counter() - started_s


def _engine_of_tree(bundle: bytes) -> Callable[[Any], Any]:
    """Return what looks at a picture; in earlier revisions the engine was another package's."""
    try:
        from landing_analysis.landmarks.networks import Networks
    except ImportError:
        return _earlier_engine(bundle)
    networks = Networks(bundle, _PEOPLE)
    return lambda rgb: networks.bodies(rgb, networks.windows(rgb))


def _earlier_engine(bundle: bytes) -> Callable[[Any], Any]:
    sys.modules["sounddevice"] = None  # type: ignore[assignment]
    import mediapipe as mp
    from mediapipe.tasks.python import BaseOptions, vision

    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_buffer=bundle), num_poses=_PEOPLE
    )
    landmarker = vision.PoseLandmarker.create_from_options(options)
    return lambda rgb: landmarker.detect(mp.Image(image_format=mp.ImageFormat.SRGB, data=rgb))


def stages(clip: str, out: str) -> None:
    """Analyse a clip with every long step timed; print the seconds of each."""
    from landing_analysis import analysing
    from landing_analysis.findings.limits import read_limits
    from landing_analysis.report import page
    from landing_analysis.stages import Options

    begun_s = time.perf_counter()
    spent_s: dict[str, float] = {}
    steps = {
        "reading the file": (analysing, "_facts"),
        "finding the body": (analysing, "_find_or_recall_poses"),
        "measuring": (analysing, "analyse_people"),
        "storing landmarks": (analysing, "write_landmarks"),
        "plots": (page, "draw_plots"),
        "page": (page, "report_html"),
    }
    for name, (module, function) in steps.items():
        setattr(module, function, _timed(getattr(module, function), name, spent_s))
    analysing.analyse_clip(Path(clip), Path(out), Options(limits=read_limits()))
    spent_s["annotated clip, beyond the rest"] = (
        time.perf_counter() - begun_s - sum(spent_s.values())
    )
    _print(spent_s)


def _timed(
    function: Callable[..., Any], name: str, spent_s: dict[str, float]
) -> Callable[..., Any]:
    def timed(*args: Any, **kwargs: Any) -> Any:
        started_s = time.perf_counter()
        try:
            return function(*args, **kwargs)
        finally:
            spent_s[name] = spent_s.get(name, 0.0) + time.perf_counter() - started_s

    return timed


def _print(found: dict[str, float]) -> None:
    sys.stdout.write("\n" + json.dumps(found) + "\n")


if __name__ == "__main__":
    sys.path.pop(0)  # this folder, whose modules are nobody's
    jobs = {job.__name__: job for job in (decode, analyse, again, engine, stages)}
    jobs[sys.argv[1]](*sys.argv[2:])
