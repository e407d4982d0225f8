"""Notes on quality say what was found and what it costs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stick_patient import make_analysis, without_reps

from landing_analysis.gravity import FreeFall
from landing_analysis.kinematics import GRAVITY_M_S2
from landing_analysis.quality import judge_clip
from landing_analysis.settings import QualitySettings


def _notes(analysis, free_fall=None) -> dict[str, tuple[str, str]]:
    found = judge_clip(
        analysis.clip, analysis.tracks, analysis.view, analysis.reps, free_fall, QualitySettings()
    )
    return {note.check: (note.state, note.text) for note in found}


def test_a_good_clip_has_only_good_notes():
    assert {state for state, _ in _notes(make_analysis()).values()} == {"good"}


# 30, 60 and 240 frames/s: 13.6, 6.8 and 1.7 ms, interval / sqrt(6); derived, check values T11
@pytest.mark.parametrize(
    ("fps", "state", "words"),
    [
        (30.0, "limited", "14 ms"),
        (60.0, "good", "7 ms"),
        (240.0, "good", "2 ms"),
        (15.0, "poor", ""),
    ],
)
def test_the_frame_rate_says_what_an_interval_is_worth(fps, state, words):
    analysis = make_analysis()
    slower = replace(analysis, clip=replace(analysis.clip, median_fps=fps))
    found = _notes(slower)["frame rate"]
    assert found[0] == state
    assert words in found[1]


def test_a_gap_between_frames_is_named_with_its_place():
    analysis = make_analysis()
    t_s = analysis.clip.t_s.copy()
    t_s[100:] += 0.25
    state, text = _notes(replace(analysis, clip=replace(analysis.clip, t_s=t_s)))["clock"]
    assert state == "limited"
    assert "267 ms" in text
    assert f"{t_s[99]:.2f} s" in text


# Turn of 10 deg at 60 deg of flexion: 2 atan(tan 30 sin 10) = 11.5 deg; derived, check values T9
def test_a_turned_body_is_told_its_false_fppa():
    analysis = make_analysis()
    state, text = _notes(replace(analysis, view=replace(analysis.view, yaw_deg=-10.0)))["view"]
    assert state == "limited"
    assert "up to 11 deg of false FPPA" in text


def test_an_oblique_view_is_poor():
    assert _notes(make_analysis(view="oblique"))["view"][0] == "poor"


def test_lost_legs_and_repaired_swaps_are_counted():
    analysis = make_analysis()
    raw = analysis.tracks.raw_px.copy()
    raw[: len(raw) // 2] = np.nan
    swapped = analysis.tracks.swapped.copy()
    swapped[3:5] = True
    tracks = replace(analysis.tracks, raw_px=raw, swapped=swapped)
    state, text = _notes(replace(analysis, tracks=tracks))["landmarks"]
    assert state == "poor"
    assert "50 %" in text
    assert "exchanged back in 2" in text


def test_hidden_feet_are_told():
    analysis = make_analysis()
    visibility = np.full_like(analysis.tracks.visibility, 0.1)
    tracks = replace(analysis.tracks, visibility=visibility)
    assert _notes(replace(analysis, tracks=tracks))["feet"][0] == "limited"


def test_few_reps_are_told_and_none_is_not():
    assert "1 used rep;" in _notes(make_analysis(reps=1))["count of reps"][1]
    assert "count of reps" not in _notes(without_reps(make_analysis()))


# Played s times slower, free fall looks s squared times weaker; derived, check values T14
@pytest.mark.parametrize(("slower", "noted"), [(1.0, False), (2.0, True), (0.5, True)])
def test_a_clip_that_plays_at_another_speed_is_poor(slower, noted):
    analysis = make_analysis()
    size = analysis.tracks.px_per_m * GRAVITY_M_S2 / slower**2
    free_fall = FreeFall(np.array([0.0, size]), 0.05, 3.0, 8)
    assert ("speed" in _notes(analysis, free_fall)) == noted
