"""Legs that pass each other quickly, from the side: kept apart, put right where exchanged.

The motion is written down in closed form (tests/ladder_patient.py); nobody was measured.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ladder_figures import figure
from ladder_patient import HOLD, stepping, style_of

from landing_analysis.settings import Settings
from landing_analysis.tables import LANDMARK
from landing_analysis.tracks.cleaning import clean_tracks, leg_length_px, repair_swaps

SETTINGS = Settings().tracks
PARTS = ("hip", "knee", "ankle", "heel", "toe")
LEFT, RIGHT = ([LANDMARK[f"{limb}_{part}"] for part in PARTS] for limb in ("left", "right"))
STEPPED = ("jog_in_place", "high_knees", "heel_kicks")


def stepped(exercise: str, seed: int, rate_hz: float = 60.0):
    style = style_of(exercise, np.random.default_rng(seed + 700))
    landmarks, _ = stepping([(style, 13)], "left_side", HOLD[seed % 2], rate_hz, 1.5, seed)
    return landmarks


@pytest.mark.parametrize("rate_hz", [60.0, 120.0])
@pytest.mark.parametrize("exercise", STEPPED)
def test_legs_that_pass_each_other_are_not_exchanged(exercise, rate_hz):
    for seed in range(2):
        landmarks = stepped(exercise, seed, rate_hz)
        _, swapped = repair_swaps(landmarks.t_s, landmarks.xy_px, SETTINGS)
        assert not swapped.any()


@pytest.mark.parametrize("exercise", STEPPED)
def test_legs_that_were_exchanged_for_a_moment_are_exchanged_back(exercise):
    wrong, exchanged = 0, 0
    for seed in range(3):
        landmarks, rng = stepped(exercise, seed), np.random.default_rng(seed)
        t_s, xy_px = landmarks.t_s, landmarks.xy_px.copy()
        confused = np.zeros(len(t_s), dtype=bool)
        for start_s in rng.uniform(1.5, t_s[-1] - 1.5, 4):
            confused |= (t_s > start_s) & (t_s < start_s + rng.uniform(0.05, 0.2))
        xy_px[np.ix_(confused, LEFT)] = landmarks.xy_px[np.ix_(confused, RIGHT)]
        xy_px[np.ix_(confused, RIGHT)] = landmarks.xy_px[np.ix_(confused, LEFT)]
        _, swapped = repair_swaps(t_s, xy_px, SETTINGS)
        wrong, exchanged = wrong + int((swapped != confused).sum()), exchanged + confused.sum()
    assert wrong < 0.1 * exchanged


@pytest.mark.parametrize("rate_hz", [30.0, 60.0, 120.0, 240.0])
@pytest.mark.parametrize("exercise", STEPPED)
def test_legs_that_are_exchanged_whenever_one_is_lifted_are_exchanged_back(exercise, rate_hz):
    ankles = [LANDMARK["left_ankle"], LANDMARK["right_ankle"]]
    for seed in range(2):
        landmarks = stepped(exercise, seed, rate_hz)
        left, right = np.moveaxis(landmarks.xy_px[:, ankles], 1, 0)
        apart = 0.15 * leg_length_px(landmarks.xy_px)
        lifted = left[:, 1] < right[:, 1] - apart
        xy_px = landmarks.xy_px.copy()
        xy_px[np.ix_(lifted, LEFT)] = landmarks.xy_px[np.ix_(lifted, RIGHT)]
        xy_px[np.ix_(lifted, RIGHT)] = landmarks.xy_px[np.ix_(lifted, LEFT)]
        _, swapped = repair_swaps(landmarks.t_s, xy_px, SETTINGS)
        told = np.abs(left - right).max(axis=1) > apart
        assert lifted.sum() > 0.1 * len(lifted)
        assert not (swapped != lifted)[told].any()


@pytest.mark.parametrize("share", [0.4, 0.5])
@pytest.mark.parametrize("body", ["heavy_man", "tall_woman"])
def test_legs_that_melt_into_one_while_a_foot_stands_come_out_of_it_as_they_went_in(body, share):
    landmarks, truth = figure(f"{body}_alternating_jumps_side")
    t_s, xy_px = landmarks.t_s, landmarks.xy_px.copy()
    melted = np.zeros(len(t_s), dtype=bool)
    for contact in truth["contacts"][1:-2]:
        middle_s = 0.5 * (contact["initial_contact_s"] + contact["toe_off_s"])
        first = int(np.searchsorted(t_s, middle_s))
        for frame, toward in enumerate((share, 1.0 - share, share), start=first):
            melted[frame], seen = True, landmarks.xy_px[frame]
            xy_px[frame, LEFT] += toward * (seen[RIGHT] - seen[LEFT])
            xy_px[frame, RIGHT] += toward * (seen[LEFT] - seen[RIGHT])
    _, swapped = repair_swaps(t_s, xy_px, SETTINGS)
    assert melted.sum() >= 3 * 5
    assert not swapped[~melted].any()


@pytest.mark.parametrize("exercise", STEPPED)
def test_a_misread_leg_is_blanked_and_the_top_of_a_quick_swing_is_not(exercise):
    legs, found, misread, blanked = [*LEFT[1:], *RIGHT[1:]], 0, 0, 0
    for seed in range(2):
        landmarks, rng = stepped(exercise, seed), np.random.default_rng(seed)
        xy_px = landmarks.xy_px.copy()
        wrong = np.zeros(xy_px.shape[:2], dtype=bool)
        for _ in range(12):
            frame, landmark = int(rng.integers(90, len(xy_px) - 60)), int(rng.choice(legs))
            wrong[frame : frame + int(rng.integers(1, 4)), landmark] = True
        xy_px[wrong, 0] += rng.choice([-1, 1]) * rng.uniform(0.12, 0.3) * leg_length_px(xy_px)
        tracks = clean_tracks(replace(landmarks, xy_px=xy_px), SETTINGS)
        gone = (tracks.filled | ~np.isfinite(tracks.raw_px[..., 0]))[:, legs]
        found += int((gone & wrong[:, legs]).sum())
        blanked += int((gone & ~wrong[:, legs]).sum())
        misread += int(wrong.sum())
    assert found >= 0.8 * misread
    assert blanked < misread  # a running median alone blanks ten times as many in kicks
