"""The standing rungs of the ladder on drawn patients: every step found, named and cut into bouts.

The motion is written down in closed form (tests/ladder_patient.py); nobody was measured.
Settings were chosen on the bodies `TUNE`; these tests look at `HOLD`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from jumper import STATURE_M, drop_set, jump_set
from ladder_patient import HOLD, Body, Style, Truth, shifting, stepping, style_of
from stick_patient import make_squats

from landing_analysis.contacts.events import find_contacts, match_events
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.contacts.shifts import find_shifts
from landing_analysis.exercises import EXERCISES
from landing_analysis.exercises.entry import AtLeast
from landing_analysis.landmarks.view import estimate_view
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.reps.grouping import group_reps, group_shifts
from landing_analysis.reps.recognising import recognise
from landing_analysis.reps.signs import segment_tilts_deg, swing_of
from landing_analysis.settings import Settings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    Contacts,
    Limb,
    Measures,
    Reps,
    Tracks,
    View,
)
from landing_analysis.tracks.cleaning import clean_tracks

SETTINGS = Settings()
NEAR: dict[View, Limb | None] = {"front": None, "left_side": "left"}
STEPPED = ("jog_in_place", "high_knees", "heel_kicks")


def analysed(
    styles: list[tuple[Style, int]], view: View, seed: int, rate_hz: float = 60.0
) -> tuple[Truth, Contacts, Reps, Measures]:
    body = HOLD[seed % 2]
    landmarks, truth = stepping(styles, view, body, rate_hz, 1.0 + 0.3 * (seed % 4), seed)
    tracks = clean_tracks(landmarks, SETTINGS.tracks, body.stature_m)
    contacts = find_contacts(tracks, SETTINGS.contacts, foot_visibility_of(view, NEAR[view]))
    seen = estimate_view(landmarks, SETTINGS.view, view)
    reps = group_reps(contacts, tracks, SETTINGS.reps)
    reps = recognise(reps, tracks, seen, SETTINGS.signs)
    return truth, contacts, reps, measure_reps(reps, tracks, seen, SETTINGS)


def errors_s(true: dict[Limb, list[float]], read: dict[Limb, list[float]]) -> list[float]:
    return [
        read[limb][b] - true[limb][a]
        for limb in LIMBS
        for a, b in match_events(np.array(true[limb]), np.array(read[limb]), window_s=0.08)
    ]


@pytest.mark.parametrize("rate_hz", [60.0, 120.0])
@pytest.mark.parametrize("view", NEAR)
@pytest.mark.parametrize("exercise", STEPPED)
def test_every_quick_step_is_found_named_and_timed(exercise, view, rate_hz):
    landing_s, toe_off_s, right_count, named = [], [], 0, 0
    sets = range(4)
    for seed in sets:
        style = style_of(exercise, np.random.default_rng(seed + 100))
        truth, contacts, reps, _ = analysed([(style, 17)], view, seed, rate_hz)
        landed = {
            k: [c.initial_contact.t_s for c in contacts.contacts if c.limb == k] for k in LIMBS
        }
        left = {
            k: [c.toe_off.t_s for c in contacts.contacts if c.limb == k and c.toe_off]
            for k in LIMBS
        }
        found_s = errors_s(truth.landings_s, landed)
        assert len(found_s) == sum(map(len, landed.values())), "a foot landed that did not"
        landing_s += found_s
        toe_off_s += errors_s(truth.toe_offs_s, left)
        right_count += len(reps.reps) == 17
        (bout,) = reps.bouts
        named += bout.exercise == exercise
        assert bout.exercise == exercise or bout.confidence < SETTINGS.signs.sure_share
    assert len(landing_s) >= 0.99 * 17 * len(sets)
    assert right_count == named == len(sets)
    assert np.median(np.abs(landing_s)) < 0.015
    assert np.median(np.abs(toe_off_s)) < 0.015


@pytest.mark.parametrize(
    ("view", "rate_hz", "noise_px"),
    [("front", 30.0, 3.0), ("front", 240.0, 1.0), ("left_side", 60.0, 3.0),
     ("left_side", 120.0, 2.0)],
)  # fmt: skip
def test_at_other_rates_bodies_and_noise_no_wrong_exercise_is_stated_as_certain(
    view, rate_hz, noise_px
):
    true = found = right = 0
    for seed, exercise in enumerate(STEPPED):
        rng = np.random.default_rng(seed + 900)
        body = Body(rng.uniform(0.36, 0.48), rng.uniform(0.44, 0.56), rng.uniform(300, 560))
        style = style_of(exercise, rng)
        landmarks, truth = stepping([(style, 15)], view, body, rate_hz, noise_px, seed)
        tracks = clean_tracks(landmarks, SETTINGS.tracks, body.stature_m)
        contacts = find_contacts(tracks, SETTINGS.contacts, foot_visibility_of(view, NEAR[view]))
        seen = estimate_view(landmarks, SETTINGS.view, view)
        reps = recognise(group_reps(contacts, tracks, SETTINGS.reps), tracks, seen, SETTINGS.signs)
        landed = {
            k: [c.initial_contact.t_s for c in contacts.contacts if c.limb == k] for k in LIMBS
        }
        found += len(errors_s(truth.landings_s, landed))
        true += 15
        sure = [b.exercise for b in reps.bouts if b.confidence >= SETTINGS.signs.sure_share]
        assert set(sure) <= {exercise}
        right += {bout.exercise for bout in reps.bouts} == {exercise}
    assert found >= 0.99 * true
    assert right == len(STEPPED)


def test_exercises_in_a_row_are_cut_into_bouts_that_never_pool():
    for seed in range(2):
        rng = np.random.default_rng(seed + 200)
        row = ("jog_in_place", "high_knees", "heel_kicks", "jog_in_place")
        styles = [(style_of(code, rng), int(rng.integers(14, 20))) for code in row]
        truth, _, reps, measures = analysed(styles, "front", seed)
        assert [bout.exercise for bout in reps.bouts] == list(row)
        landed = {rep.number: rep.flight.landing.t_s for rep in reps.reps}
        for bout, true in zip(reps.bouts, truth.bouts, strict=True):
            assert abs(landed[bout.reps[0]] - true.start_s) < 0.3
            assert abs(landed[bout.reps[-1]] - true.end_s) < 0.3
        own = {rep.number for rep in reps.reps if rep.exercise == reps.exercise}
        assert {row.rep for row in measures.measures if row.of_set} <= own


def _tops_unseen(tracks: Tracks, reps: Reps, numbers: list[int]) -> Tracks:
    """Blank the far end of what is lifted to a rep's landing while it is nearly highest."""
    xy_px = tracks.xy_px.copy()
    for number in numbers:
        rep = reps.reps[number]
        limb = rep.limbs[0]
        inside = swing_of(limb, rep, tracks, SETTINGS.signs)
        tilts = segment_tilts_deg(tracks, limb, SETTINGS.signs)
        for part, tilt in zip(("knee", "ankle"), tilts, strict=True):
            top_deg = np.nanmax(tilt[inside])
            high = np.flatnonzero(tilt[inside] > 0.93 * top_deg) + inside.start
            if top_deg > 60.0:
                xy_px[high, LANDMARK[f"{limb}_{part}"]] = np.nan
    return replace(tracks, xy_px=xy_px)


def test_bouts_are_cut_where_they_change_though_swings_beside_it_are_not_seen_to_their_tops():
    row = ("jog_in_place", "high_knees", "heel_kicks", "jog_in_place")
    for seed in range(4):
        rng = np.random.default_rng(seed + 700)
        body = HOLD[seed % 2]
        styles = [(style_of(code, rng), 8) for code in row]
        landmarks, truth = stepping(styles, "left_side", body, 60.0, 1.0, seed)
        tracks = clean_tracks(landmarks, SETTINGS.tracks, body.stature_m)
        seen = estimate_view(landmarks, SETTINGS.view, "left_side")
        contacts = find_contacts(tracks, SETTINGS.contacts, foot_visibility_of("left_side", "left"))
        reps = group_reps(contacts, tracks, SETTINGS.reps)
        whole = recognise(reps, tracks, seen, SETTINGS.signs)
        assert [bout.exercise for bout in whole.bouts] == list(row)
        lifted = whole.bouts[1:3]  # of a jog the part that is seen says nothing
        edges = [bout.reps[k] - 1 for bout in lifted for k in (0, -1)]
        cut = recognise(reps, _tops_unseen(tracks, reps, edges), seen, SETTINGS.signs)
        assert [bout.exercise for bout in cut.bouts] == list(row)
        landed = {rep.number: rep.flight.landing.t_s for rep in cut.reps}
        for bout, true in zip(cut.bouts, truth.bouts, strict=True):
            assert abs(landed[bout.reps[0]] - true.start_s) < 0.1


def test_kicks_stay_kicks_where_the_hidden_shank_is_seen_less_lifted():
    """As the pose model draws the farther leg of a side view, by a third lower here."""
    style = style_of("heel_kicks", np.random.default_rng(700))
    landmarks, _ = stepping([(style, 12)], "left_side", HOLD[0], 60.0, 1.0, 0)
    seen = estimate_view(landmarks, SETTINGS.view, "left_side")
    tracks = clean_tracks(landmarks, SETTINGS.tracks, HOLD[0].stature_m)
    contacts = find_contacts(tracks, SETTINGS.contacts, foot_visibility_of("left_side", "left"))
    reps = group_reps(contacts, tracks, SETTINGS.reps)
    knee, ankle = (tracks.xy_px[:, LANDMARK[f"right_{part}"]] for part in ("knee", "ankle"))
    shank_px = np.percentile(np.linalg.norm(ankle - knee, axis=1), 90)
    lower_px = tracks.xy_px.copy()
    tilt = np.arctan2(ankle[:, 0] - knee[:, 0], ankle[:, 1] - knee[:, 1]) * 2 / 3
    lower_px[:, LANDMARK["right_ankle"]] = knee + shank_px * np.stack(
        [np.sin(tilt), np.cos(tilt)], axis=1
    )
    told = recognise(reps, replace(tracks, xy_px=lower_px), seen, SETTINGS.signs)
    (bout,) = told.bouts
    assert bout.exercise == "heel_kicks"
    assert bout.confidence >= SETTINGS.signs.sure_share


def test_a_part_of_a_swing_speaks_against_what_it_exceeds_and_for_nothing():
    jogs, kicks = (
        {sign.name: sign for sign in EXERCISES[code].signs}["shank_deg"]
        for code in ("jog_in_place", "heel_kicks")
    )
    steepness = SETTINGS.signs.edge_steepness
    for part_deg in (20.0, 60.0, 95.0, 110.0):
        part = {"shank_deg": AtLeast(part_deg)}
        assert kicks.speaks_for(part, steepness) == pytest.approx(0.5, abs=0.01)
        known = jogs.speaks_for(part, steepness)
        assert known < 0.01 if part_deg > 90.0 else known == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize(("weak", "bouts"), [
    (3, ["heel_kicks"]), (7, ["heel_kicks", "jog_in_place", "heel_kicks"]),
])  # fmt: skip
def test_some_kicks_that_do_not_reach_the_buttock_are_no_bout_of_jogging(weak, bouts):
    kicks = Style("heel_kicks", 0.10, 0.20, 8.0, 122.0)
    low = Style("heel_kicks", 0.10, 0.20, 14.0, 84.0)
    for seed in range(2):
        _, _, reps, _ = analysed([(kicks, 9), (low, weak), (kicks, 9)], "front", seed)
        assert [bout.exercise for bout in reps.bouts] == bouts


@pytest.mark.parametrize("view", NEAR)
def test_thigh_angle_at_the_top_is_within_four_degrees_at_the_median(view):
    errors_deg, claimed_deg = [], []
    for seed in range(3):
        style = style_of("high_knees", np.random.default_rng(seed + 300))
        truth, _, reps, measures = analysed([(style, 13)], view, seed)
        rows = [row for row in measures.measures if row.name == "thigh_angle_peak"]
        for limb in LIMBS:
            by_rep = {row.rep: row for row in rows if row.limb == limb}
            landed = [rep for rep in reps.reps if limb in rep.limbs]
            for rep, true_deg in zip(landed, truth.thigh_deg[limb], strict=True):
                if rep.number in by_rep and by_rep[rep.number].value is not None:
                    errors_deg.append(by_rep[rep.number].value - true_deg)
                    claimed_deg.append(by_rep[rep.number].sd)
    assert len(errors_deg) >= 30
    assert np.median(np.abs(errors_deg)) < 4.0
    assert np.mean(np.abs(errors_deg) < 1.96 * np.array(claimed_deg)) > 0.9


def test_steps_per_minute_are_those_of_the_style():
    style = Style("high_knees", 0.09, 0.21, 85.0, 95.0)
    _, _, _, measures = analysed([(style, 15)], "front", 2)
    rates = [r.value for r in measures.measures if r.name == "step_rate" and r.value is not None]
    np.testing.assert_allclose(np.mean(rates), 60.0 / 0.30, rtol=0.01)


def shifted(view: View, seed: int, slide_m: float) -> tuple[Truth, Contacts, Reps, Measures]:
    body, rng = HOLD[seed % 2], np.random.default_rng(seed)
    loads_s = list(rng.uniform(0.5, 1.1, 12))
    landmarks, truth = shifting(loads_s, view, body, seed=seed, slide_m=slide_m)
    tracks = clean_tracks(landmarks, SETTINGS.tracks, body.stature_m)
    seen = estimate_view(landmarks, SETTINGS.view, view)
    assert not find_contacts(
        tracks, SETTINGS.contacts, foot_visibility_of(view, NEAR[view])
    ).flights
    loads = find_shifts(tracks, seen, SETTINGS.shifts)
    reps = recognise(group_shifts(loads, tracks, SETTINGS.reps), tracks, seen, SETTINGS.signs)
    return truth, loads, reps, measure_reps(reps, tracks, seen, SETTINGS)


@pytest.mark.parametrize(("slide_m", "exercise"), [(0.0, "lateral_bound"), (0.35, "slide_board")])
def test_loads_without_flight_are_found_side_by_side(slide_m, exercise):
    for seed in range(3):
        truth, loads, reps, measures = shifted("front", seed, slide_m)
        assert [bout.exercise for bout in reps.bouts] == [exercise]
        read = {k: [c.initial_contact.t_s for c in loads.contacts if c.limb == k] for k in LIMBS}
        assert len(loads.contacts) == 12
        first_s = min(min(starts) for starts in truth.landings_s.values())
        later = {k: [t for t in truth.landings_s[k] if t > first_s] for k in LIMBS}
        found_s = errors_s(later, read)
        assert len(found_s) == 11
        assert np.median(np.abs(found_s)) < 0.030
        flights = [row for row in measures.measures if row.name == "flight_time"]
        assert all(row.value is None for row in flights)
        travel = [r.value for r in measures.measures if r.name == "pelvis_travel" and r.rep > 2]
        leg_m = 2 * HOLD[seed % 2].segment_m
        np.testing.assert_allclose(
            travel, 100 * 2 * (0.85 * 0.22 + slide_m) / leg_m, rtol=0.06
        )  # that much between the outermost places of the drawn pelvis


def test_from_the_side_a_shift_of_weight_is_not_seen_and_nothing_is_invented():
    body = HOLD[0]
    landmarks, _ = shifting([0.7] * 10, "left_side", body)
    tracks = clean_tracks(landmarks, SETTINGS.tracks, body.stature_m)
    seen = estimate_view(landmarks, SETTINGS.view, "left_side")
    assert find_shifts(tracks, seen, SETTINGS.shifts).contacts == ()


def test_standing_and_squatting_shift_no_weight():
    landmarks = make_squats()
    tracks = clean_tracks(landmarks, SETTINGS.tracks, 1.72)
    seen = estimate_view(landmarks, SETTINGS.view, "front")
    assert find_shifts(tracks, seen, SETTINGS.shifts).contacts == ()


def _recognised(landmarks, given=None) -> Reps:
    tracks = clean_tracks(landmarks, SETTINGS.tracks, STATURE_M)
    seen = estimate_view(landmarks, SETTINGS.view, "front")
    contacts = find_contacts(tracks, SETTINGS.contacts)
    reps = group_reps(contacts, tracks, SETTINGS.reps, given)
    return recognise(reps, tracks, seen, SETTINGS.signs, given)


def test_a_landing_off_a_box_is_told_from_its_rebound():
    reps = _recognised(drop_set([0.30], 0.30))
    assert [(rep.exercise, rep.rebound) for rep in reps.reps] == [
        ("drop_jump", False), ("drop_jump", True)
    ]  # fmt: skip


def test_a_rebound_is_told_from_the_landing_off_a_box_also_where_the_exercise_was_given():
    reps = _recognised(drop_set([0.30], 0.30), "drop_jump")
    assert [rep.rebound for rep in reps.reps] == [False, True]
    level = jump_set([0.30, 0.33, 0.28], [0.28, 0.33], noise_px=1.5).landmarks
    assert {rep.rebound for rep in _recognised(level, "drop_jump").reps} == {False}
    assert {rep.rebound for rep in _recognised(level, "tuck_jump").reps} == {False}


def test_a_held_landing_off_a_box_is_a_step_down():
    reps = _recognised(drop_set([0.30, 0.25, 0.30], None))
    assert [rep.exercise for rep in reps.reps] == ["step_down"] * 3


def test_jumps_and_hops_on_level_ground_stay_what_they_are():
    flights_s, contacts_s = [0.30, 0.33, 0.28, 0.36], [0.28, 0.33, 0.25]
    jumps = _recognised(jump_set(flights_s, contacts_s, noise_px=1.5).landmarks)
    assert {rep.exercise for rep in jumps.reps} == {"jump"}
    hops = _recognised(jump_set(flights_s, contacts_s, ("left",), noise_px=1.5).landmarks)
    assert {rep.exercise for rep in hops.reps} == {"hop"}
    assert min(b.confidence for b in (*jumps.bouts, *hops.bouts)) >= SETTINGS.signs.sure_share


def test_an_exercise_that_was_given_is_not_recognised_anew():
    jumper = jump_set([0.3, 0.33, 0.28], [0.28, 0.33], noise_px=1.5)
    tracks = clean_tracks(jumper.landmarks, SETTINGS.tracks, STATURE_M)
    seen = estimate_view(jumper.landmarks, SETTINGS.view, "front")
    contacts = find_contacts(tracks, SETTINGS.contacts)
    given = group_reps(contacts, tracks, SETTINGS.reps, "tuck_jump")
    reps = recognise(given, tracks, seen, SETTINGS.signs, "tuck_jump")
    assert {rep.exercise for rep in reps.reps} == {"tuck_jump"}
    assert [bout.confidence for bout in reps.bouts] == [1.0]
