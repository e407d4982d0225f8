"""A search for the body that is stopped goes on where it was, and ends as if it never had been."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from marked_engine import windows_of
from numpy.testing import assert_array_equal

from landing_analysis import analysing
from landing_analysis.analysing import analyse_clip
from landing_analysis.errors import (
    ClipError,
    ModelError,
    NobodyFoundError,
    OutputError,
    SettingsError,
)
from landing_analysis.files import sha256_of
from landing_analysis.landmarks import pose, unfinished
from landing_analysis.landmarks.engine import Answer, Question
from landing_analysis.landmarks.storage import read_landmarks
from landing_analysis.landmarks.workers import Places
from landing_analysis.settings import PoseSettings
from landing_analysis.stages import Options
from landing_analysis.tables import LANDMARK, Poses, short_clip
from landing_analysis.video.clips import write_clip

FRAMES = 90
STOP_AT = 57
POSE = PoseSettings()
BODY = np.zeros((33, 6))
BODY[[LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]], 1] = -50.0


class Stop(BaseException):
    """Ends a run as a signal would."""


def _clip(path: Path, frames: int = FRAMES, fps: int = 30) -> Path:
    """Write a clip that moves, with several key frames and one picture shown twice."""
    rng = np.random.default_rng(1)
    with write_clip(path, 64, 64) as writer:
        writer._stream.options = {**writer._stream.options, "g": "12"}
        for k in range(frames):
            if k != 40:
                picture = rng.integers(0, 255, (64, 64, 3)).astype(np.uint8)
            writer.write(picture, k / fps)
    return path


class _Engines:
    """Landmarks are a function of the picture."""

    def __init__(self, places: Places, seen: dict[str, int]) -> None:
        self._places, self._seen = places, seen

    def look(self, question: Question) -> Future:
        if self._seen["count"] == self._seen["stop_at"]:
            raise Stop
        self._seen["count"] += 1
        rgb = self._places.picture(question.place).astype(float)
        number = 1 + (rgb[0, 0, 0] > 230)
        people = BODY + 0.01 * np.resize(rgb, (int(number), 33, 6))
        if question.window_px is not None:  # what is seen depends on where one looks
            people[..., :2] += 0.01 * question.window_px[:2]
            self._seen["in_windows"] += 1
        answer: Future = Future()
        answer.set_result(Answer(people, windows_of(people, question)))
        return answer


@pytest.fixture
def engine(monkeypatch) -> Callable[[int], int]:
    """Stand in for the pose engine; call it to stop at one picture of this run."""
    seen = {"count": 0, "stop_at": -1, "in_windows": 0}

    @contextmanager
    def engines(workers: int, bundle: bytes, max_people: int, places: Places) -> Iterator[_Engines]:
        yield _Engines(places, seen)

    def stop_at(picture: int) -> int:
        looked_at = seen["count"]
        seen.update(count=0, stop_at=picture)
        return looked_at

    stop_at.seen = seen
    monkeypatch.setattr(pose, "engines", engines)
    monkeypatch.setattr(unfinished, "_EVERY_S", 0.0)
    monkeypatch.setattr(analysing, "analyse_people", lambda clip, *_: SimpleNamespace(clip=clip))
    monkeypatch.setattr(analysing, "folder_name", lambda _: "report")
    monkeypatch.setattr(analysing, "_write_folder", lambda *_: None)
    return stop_at


def _look(clip: Path, out: Path) -> tuple[np.ndarray, Poses]:
    analyse_clip(clip, out, Options())
    facts, poses = read_landmarks(out / "report" / "landmarks.parquet")
    if facts.median_fps < 100:
        assert facts.frames < FRAMES  # the picture that is shown twice is left out
    return facts.t_s, poses


def _hidden(out: Path) -> list[str]:
    return sorted(item.name for item in out.iterdir() if item.name.startswith("."))


def _unfinished(clip: Path) -> str:
    return f".{short_clip(sha256_of(clip))}.unfinished"


def _assert_same(one: tuple[np.ndarray, Poses], other: tuple[np.ndarray, Poses]) -> None:
    assert_array_equal(one[0], other[0])
    for name in ("xy_px", "visibility", "world_m"):
        assert_array_equal(getattr(one[1], name), getattr(other[1], name))


@pytest.mark.parametrize("fps", [30, 60, 240])
def test_it_goes_on_and_ends_as_if_it_had_never_been_stopped(tmp_path, engine, fps):
    clip = _clip(tmp_path / "clip.mp4", FRAMES * max(1, fps // 60), fps)
    whole = _look(clip, tmp_path / "whole")
    assert (engine.seen["in_windows"] > 0) == (fps > 30)
    for stop in (20, 3, 15):
        engine(stop)
        with pytest.raises(Stop):
            analyse_clip(clip, tmp_path / "out", Options())
        assert _hidden(tmp_path / "out") == [_unfinished(clip)]
    engine(-1)
    _assert_same(_look(clip, tmp_path / "out"), whole)
    assert _hidden(tmp_path / "out") == []


def test_little_is_looked_at_twice(tmp_path, engine):
    clip = _clip(tmp_path / "clip.mp4")
    analyse_clip(clip, tmp_path / "whole", Options())
    looks = engine(2 * FRAMES // 3)
    with pytest.raises(Stop):
        analyse_clip(clip, tmp_path / "out", Options())
    engine(-1)
    analyse_clip(clip, tmp_path / "out", Options())
    under_way = POSE.ahead * POSE.workers
    assert engine(-1) <= looks - 2 * FRAMES // 3 + under_way


@pytest.mark.parametrize("harm", ["flipped", "cut", "gone", "other clip"])
def test_a_damaged_part_and_those_after_it_are_found_anew(tmp_path, engine, harm):
    clip = _clip(tmp_path / "clip.mp4")
    whole = _look(clip, tmp_path / "whole")
    engine(STOP_AT)
    with pytest.raises(Stop):
        analyse_clip(clip, tmp_path / "out", Options())
    parts = sorted((tmp_path / "out" / _unfinished(clip)).iterdir())
    damaged = parts[len(parts) // 2]
    data = bytearray(damaged.read_bytes())
    if harm == "flipped":
        data[-2000] ^= 1
        damaged.write_bytes(data)
    elif harm == "cut":
        damaged.write_bytes(data[: len(data) // 2])
    elif harm == "gone":
        damaged.unlink()
    else:
        other = _clip(tmp_path / "other.mp4", FRAMES - 1)
        engine(STOP_AT)
        with pytest.raises(Stop):
            analyse_clip(other, tmp_path / "out", Options())
        shutil.copy(tmp_path / "out" / _unfinished(other) / damaged.name, damaged)
    engine(-1)
    _assert_same(_look(clip, tmp_path / "out"), whole)
    assert engine(-1) > FRAMES - len(parts)


def test_a_disk_that_fills_up_keeps_what_was_found(tmp_path, engine, monkeypatch):
    clip = _clip(tmp_path / "clip.mp4")
    analyse_clip(clip, tmp_path / "whole", Options())
    looks = engine(-1)
    room = {"parts": 30}
    savez = np.savez

    def full(file: object, **table: np.ndarray) -> None:
        room["parts"] -= 1
        if room["parts"] < 0:
            file.write(b"half")
            raise OSError(28, "No space left on device")
        savez(file, **table)

    monkeypatch.setattr(np, "savez", full)
    with pytest.raises(OutputError, match="No space left on device"):
        analyse_clip(clip, tmp_path / "out", Options())
    parts = tmp_path / "out" / _unfinished(clip)
    assert sorted(path.name for path in parts.iterdir()) == [f"0-{k:05d}.npz" for k in range(30)]
    monkeypatch.setattr(np, "savez", savez)
    engine(-1)
    analyse_clip(clip, tmp_path / "out", Options())
    assert engine(-1) == looks - 30
    assert not parts.exists()


@pytest.mark.parametrize(
    ("error", "kept"),
    [(SettingsError, True), (ModelError, True), (NobodyFoundError, False), (ClipError, False)],
)
def test_only_a_reason_in_the_clip_throws_away_what_was_found(
    tmp_path, engine, monkeypatch, error, kept
):
    def refuse(*_: object) -> None:
        raise error("No.")

    monkeypatch.setattr(analysing, "analyse_people", refuse)
    clip = _clip(tmp_path / "clip.mp4")
    with pytest.raises(error):
        analyse_clip(clip, tmp_path / "out", Options())
    assert _hidden(tmp_path / "out") == ([_unfinished(clip)] if kept else [])
