"""Notes on quality say what was found and what it costs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stick_patient import make_analysis, without_reps
from told import told

from landing_analysis.findings.quality import damage_notes, judge_clip, quality_panel, repeats_note
from landing_analysis.settings import ClockSettings, QualitySettings
from landing_analysis.tables import Note
from landing_analysis.wording import note_words


def _notes(analysis) -> dict[str, tuple[str, str]]:
    found = judge_clip(
        analysis.clip,
        analysis.tracks,
        analysis.view,
        analysis.reps,
        analysis.decided.time_base,
        QualitySettings(),
        ClockSettings(),
    )
    return {note.check: (note.state, note_words(note)) for note in found}


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
    slower = replace(analysis, tracks=replace(analysis.tracks, rate_hz=fps))
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
    assert _notes(replace(analysis, tracks=tracks))["feet in view"][0] == "limited"


def test_few_reps_are_told_and_none_is_not():
    assert "1 used rep;" in _notes(make_analysis(reps=1))["count of reps"][1]
    assert "count of reps" not in _notes(without_reps(make_analysis()))
    analysis = make_analysis()
    first, *others = analysis.reps.reps
    rebounds = (first, *(replace(rep, rebound=True) for rep in others))
    few = replace(analysis, reps=replace(analysis.reps, reps=rebounds))
    assert "1 used rep;" in _notes(few)["count of reps"][1]


@pytest.mark.parametrize(("fps", "told"), [(30.0, True), (49.0, True), (60.0, False)])
def test_a_slow_rate_says_which_measures_it_cannot_carry(fps, told):
    analysis = make_analysis()
    text = _notes(replace(analysis, tracks=replace(analysis.tracks, rate_hz=fps)))["frame rate"][1]
    for words in ("which foot lands first", "toe to heel", "difference in time between the limbs"):
        assert (words in text) == told


def test_frames_that_only_come_late_are_no_gap():
    analysis = make_analysis()
    t_s = analysis.clip.t_s.copy()
    t_s[50:300:20] += 0.012  # each makes up for it by the next frame
    state, text = _notes(replace(analysis, clip=replace(analysis.clip, t_s=t_s)))["clock"]
    assert state == "good"
    assert "4.7 to 28.7 ms" in text


def test_damage_is_told_by_its_stretches():
    promised_s = np.arange(10) / 10
    (note,) = damage_notes(promised_s, np.delete(promised_s, [2, 3, 7]))
    assert note.state == "poor"
    assert "3 of 10 pictures are left out, from 0.20 to 0.30 s; 0.70 to 0.70 s" in note_words(note)
    assert damage_notes(promised_s, promised_s) == ()


def test_repeated_frames_are_counted_with_the_rate_that_is_left():
    note = repeats_note(np.arange(60) / 60, np.arange(60) % 2 == 1)
    assert "30 of 60 frames" in note_words(note)
    assert "30 new pictures/s" in note_words(note)


def test_the_panel_has_a_line_for_each_check_and_the_worst_first():
    said = (
        Note("view", "good", (told("Square on."),)),
        Note("damage", "poor", (told("A hole."),)),
        Note("feet in view", "limited", (told("Unclear."),)),
        Note("feet in view", "good", (told("Inside."),)),
        Note("frame rate", "good", (told("60 frames/s."),)),
        Note("feet in view", "poor", (told("Cut off."),)),
    )
    panel = quality_panel(said, fall_seen=True)
    assert [note.check for note in panel] == [
        "frame rate", "time base", "view", "roll", "distance", "light",
        "feet in view", "feet in view", "other people", "damage",
    ]  # fmt: skip
    assert [note_words(note) for note in panel if note.check == "feet in view"] == [
        "Cut off.",
        "Unclear.",
    ]
    assert {note.check: note.state for note in panel}["light"] == "limited"


def test_the_panel_does_not_say_that_free_fall_was_seen_where_nobody_flew():
    for fall_seen in (True, False):
        (line,) = [n for n in quality_panel((), fall_seen=fall_seen) if n.check == "time base"]
        assert ("Bodies fall as they do in real time" in note_words(line)) == fall_seen
