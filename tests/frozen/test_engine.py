"""The two networks are read as their publisher's own engine reads them.

engine.npz holds what mediapipe 0.10.32 (Apache License 2.0) saw with the same bundle in frames
of the sample clips; made by make_engine.py.
"""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from landing_analysis.landmarks import network_answers
from landing_analysis.landmarks.networks import Networks
from landing_analysis.landmarks.pose import load_model
from landing_analysis.video.clips import read_frames

FROZEN = np.load(Path(__file__).with_name("engine.npz"))
CLIPS = sorted({key.split()[0] for key in FROZEN})
SAMPLES = Path(__file__).parents[2] / "sample_clips"
ROUNDING_PX = 0.1
"""Other releases of the picture library and of the networks' runtime round otherwise."""
CHOICE_PX = 12.0
"""Of a landmark whose likeliest place changes by that."""


@pytest.fixture(scope="module")
def networks() -> Networks:
    return Networks(load_model().data, 3)


@pytest.fixture(scope="module", params=CLIPS)
def both(request, networks) -> tuple[np.ndarray, np.ndarray]:
    """What the publisher's engine saw, and this one, (frames, 33, 6) each."""
    numbers = sorted(int(key.split()[1]) for key in FROZEN if key.split()[0] == request.param)
    frames = read_frames(SAMPLES / f"{request.param}.mp4", pictures=lambda n: n in numbers)
    theirs, ours = [], []
    for frame in islice(frames, max(numbers) + 1):
        if frame.number not in numbers:
            continue
        people, _ = networks.bodies(frame.rgb, networks.windows(frame.rgb))
        published = FROZEN[f"{request.param} {frame.number}"]
        assert len(people) == len(published) == 1
        theirs.append(published[0])
        ours.append(people[0])
    return np.array(theirs), np.array(ours)


def test_a_body_is_seen_where_the_publishers_engine_sees_it(both):
    theirs, ours = both
    moved_px = np.abs(ours[..., :2] + 0.5 - theirs[..., :2])  # ours count from a pixel's centre
    assert len(ours) > 5
    assert np.quantile(moved_px, 0.99) < ROUNDING_PX
    assert moved_px.max() < CHOICE_PX


def test_a_body_is_as_visible_and_as_large_as_the_publishers_engine_says(both):
    theirs, ours = both
    away = np.abs(ours[..., 2:] - theirs[..., 2:])
    assert np.quantile(away[..., 0], 0.99) < 0.002
    assert np.quantile(away[..., 1:], 0.99) < 0.001  # metres


def test_boxes_of_one_body_make_one_window_and_others_their_own():
    boxes, scores = np.zeros((network_answers.ANCHORS, 12)), np.full(network_answers.ANCHORS, -9.0)
    # Two cells beside one another say the same body with 73 and 50 %, one far away another one.
    for anchor, logit, from_cell_px in ((0, 1.0, 0.0), (2, 0.0, -8.0), (1500, 2.0, 0.0)):
        scores[anchor] = logit
        boxes[anchor] = [from_cell_px, 0, 60, 60, from_cell_px, 0, from_cell_px, -20, 0, 0, 0, 0]
    same = np.column_stack([np.eye(2), np.zeros(2)])
    windows = network_answers.windows_of(boxes, scores, 224, same, 3)
    assert windows.shape == (2, 4)
    np.testing.assert_allclose(windows[:, 2:], [[50, 0], [50, 0]], atol=1e-9)
    np.testing.assert_allclose(windows[1, :2], [4, 4], atol=1e-9)  # the middle of the first cell
    assert len(network_answers.windows_of(boxes, scores, 224, same, 1)) == 1


def test_nobody_likely_is_no_window():
    boxes, scores = np.zeros((network_answers.ANCHORS, 12)), np.full(network_answers.ANCHORS, -9.0)
    same = np.column_stack([np.eye(2), np.zeros(2)])
    assert network_answers.windows_of(boxes, scores, 224, same, 3).shape == (0, 4)
