"""What cannot be seen has no value but a reason, and never a warning or a zero."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from posed_patient import (
    LANDING_S,
    LOWEST_S,
    TOE_OFF_S,
    Pose,
    contact,
    exact_settings,
    one_rep,
    one_set,
    seen,
    tracks_of,
    view_of,
)

from landing_analysis.measures.measuring import measure_reps
from landing_analysis.tables import LANDMARK, LIMBS, Event, Measures, Reps, Tracks
from landing_analysis.wording import words_of


def _tracks(turn_deg: float = 90.0, rate_hz: float = 60.0) -> Tracks:
    return tracks_of(seen(Pose(), turn_deg, noise_px=0.5, rate_hz=rate_hz))


def _without(tracks: Tracks, name: str, start_s: float, stop_s: float) -> Tracks:
    """Return tracks in which one landmark was not seen for a while."""
    gone = (tracks.t_s > start_s) & (tracks.t_s < stop_s)
    raw, smooth = tracks.raw_px.copy(), tracks.xy_px.copy()
    raw[gone, LANDMARK[name]] = smooth[gone, LANDMARK[name]] = np.nan
    return replace(tracks, raw_px=raw, xy_px=smooth)


def _measure(tracks: Tracks, view="right_side", rep=None, yaw_deg: float = 0.0) -> Measures:
    reps = rep if isinstance(rep, Reps) else one_set(rep or one_rep())
    return measure_reps(reps, tracks, view_of(view, yaw_deg), exact_settings())


def _row(measures: Measures, name: str, limb=None):
    (row,) = [m for m in measures.measures if (m.name, m.limb) == (name, limb)]
    return row


@pytest.mark.parametrize(
    ("view", "turn_deg", "landmark", "at_s", "name", "words"),
    [
        ("right_side", 90.0, "right_knee", LANDING_S, "knee_flexion_initial_contact", "contact"),
        ("right_side", 90.0, "right_ankle", LOWEST_S, "knee_flexion_peak", "during the landing"),
        ("front", 0.0, "right_hip", LOWEST_S, "fppa_peak_flexion", "at the lowest point"),
        ("front", 0.0, "right_toe", LOWEST_S, "knee_over_toes_offset", "at the lowest point"),
    ],
)
def test_the_reason_names_the_landmark_and_the_moment(view, turn_deg, landmark, at_s, name, words):
    reach_s = 0.1 if name != "knee_flexion_peak" else 0.4
    tracks = _without(_tracks(turn_deg), landmark, at_s - reach_s, at_s + reach_s)
    row = _row(_measure(tracks, view), name, "right")
    assert row.value is None
    assert row.sd is None
    assert row.reason is not None
    assert f"the {landmark.replace('_', ' ')} was not seen clearly" in words_of(row.reason)
    assert words in words_of(row.reason)


def test_what_else_can_be_seen_is_still_measured():
    tracks = _without(_tracks(), "right_knee", LANDING_S - 0.1, LANDING_S + 0.1)
    found = _measure(tracks)
    assert _row(found, "knee_flexion_excursion", "right").value is None
    assert _row(found, "knee_flexion_peak", "right").value is not None
    assert _row(found, "contact_time", "right").value is not None


def test_two_missing_landmarks_are_both_named():
    tracks = _without(_tracks(0.0), "left_knee", 0.0, 9.0)
    tracks = _without(tracks, "left_hip", 0.0, 9.0)
    row = _row(_measure(tracks, "front"), "fppa_peak_flexion", "left")
    assert "the left hip and left knee were not seen clearly" in words_of(row.reason)


def test_nobody_in_view_leaves_only_times():
    tracks = _tracks(0.0)
    blank = np.full_like(tracks.raw_px, np.nan)
    found = _measure(replace(tracks, raw_px=blank, xy_px=blank), "front")
    measured = {row.name for row in found.measures if row.value is not None}
    assert measured == {
        "contact_time",
        "flight_time",
        "jump_height",
        "time_to_peak_flexion",
        "reactive_strength_index",
        "inter_limb_delay",
    }


def test_samples_bridged_across_a_gap_are_not_measured():
    tracks = _tracks()
    gap = (tracks.t_s > LANDING_S - 0.04) & (tracks.t_s < LANDING_S - 0.005)
    filled = tracks.filled.copy()
    filled[gap, LANDMARK["right_knee"]] = True
    raw = tracks.raw_px.copy()
    raw[gap, LANDMARK["right_knee"]] += 300.0  # what a wrong bridge might hold
    found = _measure(replace(tracks, raw_px=raw, filled=filled))
    whole = _row(_measure(tracks), "knee_flexion_initial_contact", "right")
    row = _row(found, "knee_flexion_initial_contact", "right")
    assert not set(np.flatnonzero(gap)) & set(row.frames)
    assert abs(row.value - whole.value) < 3 * whole.sd
    noise = [next(p.sd for p in r.parts if p.name == "landmark noise") for r in (row, whole)]
    assert noise[0] > noise[1]


def test_noise_that_is_not_known_leaves_no_value():
    tracks = _tracks()
    found = _measure(replace(tracks, noise_px=np.full_like(tracks.noise_px, np.nan)))
    row = _row(found, "knee_flexion_peak", "right")
    assert row.value is None
    assert "not seen clearly" in words_of(row.reason)


def test_a_turn_that_could_not_be_seen_still_allows_a_side_view_given_by_the_clinician():
    found = _measure(_tracks(), yaw_deg=float("nan"))
    assert _row(found, "knee_flexion_peak", "right").value == pytest.approx(60.0, abs=2.0)


def test_a_refused_rep_has_no_rows():
    refused = replace(one_rep(), used=False, reason="the clip ends in the air")
    found = _measure(_tracks(), rep=Reps("jump", None, (refused,)))
    assert found == Measures(())


def test_a_held_landing_has_no_contact_time_but_its_angles():
    found = _measure(_tracks(), rep=one_rep(held=True))
    row = _row(found, "contact_time", "right")
    assert (
        words_of(row.reason) == "held landing: the foot stayed on the ground until the clip ended"
    )
    assert "no flight follows" in words_of(_row(found, "reactive_strength_index").reason)
    assert _row(found, "knee_flexion_peak", "right").value is not None


def test_a_landing_held_before_the_next_take_off_has_no_contact_time():
    late = Event(TOE_OFF_S + 1.5, 0.01)
    rep = one_rep()
    rep = replace(
        rep,
        contacts=tuple(replace(c, toe_off=late) for c in rep.contacts),
        next_flight=replace(rep.next_flight, take_off=late, landing=Event(late.t_s + 0.3, 0.01)),
    )
    found = _measure(_tracks(), rep=rep)
    assert "held for 1.8 s" in words_of(_row(found, "contact_time", "right").reason)
    assert "held for 1.8 s" in words_of(_row(found, "reactive_strength_index").reason)


def test_a_next_flight_cut_off_by_the_clip_gives_no_index():
    rep = one_rep()
    rep = replace(rep, next_flight=replace(rep.next_flight, landing=None))
    row = _row(_measure(_tracks(), rep=rep), "reactive_strength_index")
    assert "cut off by the clip" in words_of(row.reason)


def test_a_foot_that_was_not_seen_to_land_has_no_values():
    rep = replace(one_rep(), contacts=(contact("right"),))
    found = _measure(_tracks(0.0), "front", rep)
    assert "the landing of the left foot was not seen" in words_of(
        _row(found, "contact_time", "left").reason
    )
    assert "both feet" in words_of(_row(found, "inter_limb_delay").reason)


def test_a_lowest_point_that_was_not_seen_gives_a_reason():
    found = _measure(_tracks(0.0), "front", replace(one_rep(), peak_flexion_s=None))
    for name, limb in (("fppa_peak_flexion", "left"), ("pelvis_shift", None)):
        assert "the lowest point of the pelvis was not seen" in words_of(
            _row(found, name, limb).reason
        )


def test_toes_and_heel_must_both_be_seen_to_come_down():
    rep = one_rep()
    rep = replace(rep, contacts=tuple(replace(c, heel_contact=None) for c in rep.contacts))
    row = _row(_measure(_tracks(), rep=rep), "toe_to_heel_interval", "right")
    assert "toes and heel were not both seen" in words_of(row.reason)


@pytest.mark.parametrize(
    ("view", "name", "limb", "words"),
    [
        ("front", "knee_flexion_peak", "left", "a front view; it needs a side view of this limb"),
        ("oblique", "fppa_peak_flexion", "left", "an oblique view; it needs a front or back view"),
        ("left_side", "pelvis_shift", None, "a left side view; it needs a front or back view"),
        ("back", "trunk_flexion", None, "a back view; it needs a side view"),
        ("left_side", "knee_flexion_peak", "right", "the right limb is behind the other"),
        ("right_side", "toe_to_heel_interval", "left", "film that side"),
    ],
)
def test_a_view_that_cannot_show_it_says_which_view_can(view, name, limb, words):
    row = _row(_measure(_tracks(), view), name, limb)
    assert row.value is None
    assert words in words_of(row.reason)


@pytest.mark.parametrize("rate_hz", [30.0, 120.0, 240.0])
def test_other_frame_rates_are_measured_alike(rate_hz):
    found = _measure(_tracks(rate_hz=rate_hz))
    assert _row(found, "knee_flexion_peak", "right").value == pytest.approx(60.0, abs=3.0)
    assert _row(found, "knee_flexion_initial_contact", "right").value == pytest.approx(20.0, abs=3)


def test_the_clips_ends_are_no_obstacle():
    # The clip ends 20 ms after the lowest point: nothing is read beyond it.
    tracks = _tracks(0.0)
    keep = tracks.t_s < LOWEST_S + 0.02
    short = replace(
        tracks,
        **{
            name: getattr(tracks, name)[keep]
            for name in ("t_s", "raw_px", "xy_px", "visibility", "filled", "swapped")
        },
    )
    found = _measure(short, "front", one_rep(held=True))
    for limb in LIMBS:
        row = _row(found, "fppa_peak_flexion", limb)
        assert row.value is not None
        assert max(row.frames) < keep.sum()
