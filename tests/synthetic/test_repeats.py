"""Frames that show the last picture again are found, and nothing else is taken for one."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.testing import assert_allclose

from landing_analysis.clock.repeats import change_between, find_repeats, watch_changes
from landing_analysis.settings import RepeatSettings
from landing_analysis.tables import Frame
from landing_analysis.video.clips import read_clip, read_frames

SIZE = (180, 320)
STILL_BEFORE, MOVING = 20, 60


def picture(number: int, grain: float) -> np.ndarray:
    """Return a dark bar that stands still, then runs to and fro, on a grainy ground."""
    rgb = np.random.default_rng(number).normal(120, grain, (*SIZE[::-1], 3))
    phase = max(0, number - STILL_BEFORE) / 12
    left = 75 + 45 * np.sin(phase)
    x = np.arange(SIZE[0])
    covered = np.clip(x + 1 - left, 0, 1) * np.clip(left + 25 - x, 0, 1)  # soft edges
    rgb[100:220] -= 90 * covered[:, None]
    return np.clip(rgb, 0, 255).astype(np.uint8)


def write(path: Path, numbers: list[int], grain: float, fps: int = 60) -> Path:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=fps)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.options = {"crf": "23", "preset": "veryfast"}
        for shown, number in enumerate(numbers):
            frame = av.VideoFrame.from_ndarray(picture(number, grain), format="rgb24")
            frame.pts, frame.time_base = shown, Fraction(1, fps)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def repeats_in(path: Path) -> tuple[np.ndarray, np.ndarray]:
    changes: list[float] = []
    for _ in watch_changes(read_frames(path), changes, RepeatSettings()):
        pass
    t_s = read_clip(path).t_s
    return find_repeats(t_s, np.array(changes), RepeatSettings()), t_s


ONCE = list(range(STILL_BEFORE + MOVING))


@pytest.mark.parametrize("grain", [0.0, 3.0])
@pytest.mark.parametrize("times", [2, 4])
def test_a_clip_filled_up_throughout_is_left_with_its_own_rate(tmp_path, grain, times):
    path = write(tmp_path / "filled.mp4", [n for n in ONCE for _ in range(times)], grain)
    repeats, t_s = repeats_in(path)
    first_moving = times * (STILL_BEFORE + 3)
    truth = np.arange(len(t_s)) % times != 0
    wrong = repeats[first_moving:-times] != truth[first_moving:-times]
    assert wrong.mean() < 0.05  # the bar turns round now and then: hardly any motion
    kept_s = np.diff(t_s[~repeats])
    assert_allclose(np.median(kept_s), times / 60, rtol=1e-3)
    assert np.median(kept_s[: STILL_BEFORE - 2]) == pytest.approx(times / 60, rel=1e-3)


@pytest.mark.parametrize("grain", [0.0, 3.0])
def test_single_repeats_in_motion_are_found_one_by_one(tmp_path, grain):
    doubled = [24, 49, 57]
    numbers = sorted(ONCE + doubled)
    repeats, _ = repeats_in(write(tmp_path / "few.mp4", numbers, grain))
    assert list(np.flatnonzero(repeats)) == [n + 1 + k for k, n in enumerate(doubled)]


@pytest.mark.parametrize("grain", [0.0, 3.0])
def test_a_clip_without_repeats_keeps_every_frame_even_where_nothing_moves(tmp_path, grain):
    repeats, _ = repeats_in(write(tmp_path / "once.mp4", ONCE, grain))
    assert not repeats.any()


def test_a_slow_drift_is_no_repeat():
    t_s = np.arange(60) / 60
    assert not find_repeats(t_s, np.full(60, 0.3), RepeatSettings()).any()
    assert not find_repeats(t_s, np.tile([6.0, 0.4, 0.4], 20), RepeatSettings()).any()


def test_the_change_is_that_of_the_block_that_changes_most():
    before = np.full((160, 80), 100, np.uint8)
    after = before.copy()
    after[8:16, 8:16] = 140  # one block of 8 samples, by 40 levels
    assert change_between(before, after, RepeatSettings()) == 40.0
    assert change_between(before, before, RepeatSettings()) == 0.0
    assert change_between(before[:4, :4], after[:4, :4], RepeatSettings()) == 0.0


def test_every_frame_is_passed_on(tmp_path):
    frames = [Frame(k, k / 30, picture(k, 0.0)) for k in range(3)]
    changes: list[float] = []
    assert list(watch_changes(frames, changes, RepeatSettings())) == frames
    assert len(changes) == 3
    assert changes[0] == np.inf
