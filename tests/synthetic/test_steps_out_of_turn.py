"""Quick steps of which the tracks show the other leg: which foot they are given to.

The motion is written down in closed form (tests/ladder_patient.py); nobody was measured. Legs
are exchanged in the finished tracks, as where the pose model's error was not put right.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ladder_patient import HOLD, stepping, style_of

from landing_analysis.contacts.events import find_contacts
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.landmarks.view import estimate_view
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.reasons import Code
from landing_analysis.reps.grouping import group_reps
from landing_analysis.reps.recognising import recognise
from landing_analysis.settings import Settings
from landing_analysis.tables import LANDMARK, LIMBS, Contact, Landmarks, Limb, Tracks
from landing_analysis.tracks.cleaning import clean_tracks

SETTINGS = Settings()
PARTS = ("hip", "knee", "ankle", "heel", "toe")
LEFT, RIGHT = ([LANDMARK[f"{limb}_{part}"] for part in PARTS] for limb in LIMBS)
LEGS, OTHER_LEGS = [*LEFT, *RIGHT], [*RIGHT, *LEFT]
STEPPED = ("jog_in_place", "high_knees", "heel_kicks")
STEP = 6
"""The one of which the tracks show the other leg, counted from 0."""
OTHER: dict[Limb, Limb] = {"left": "right", "right": "left"}


def stepped(
    exercise: str, seed: int, flight_s: float = 0.08, stay_s: float = 0.0
) -> tuple[Landmarks, Tracks, list[tuple[float, Limb]]]:
    """Return 13 steps from the left side, and their true landings in order.

    The patient stays longer by ``stay_s`` on the seventh.
    """
    style = replace(style_of(exercise, np.random.default_rng(seed + 700)), flight_s=flight_s)
    longer = replace(style, contact_s=style.contact_s + stay_s)
    styles = [(style, STEP), (longer, 1), (style, 12 - STEP)]
    body = HOLD[seed % 2]
    landmarks, truth = stepping(styles, "left_side", body, 60.0, 1.5, seed)
    tracks = clean_tracks(landmarks, SETTINGS.tracks, body.stature_m)
    return landmarks, tracks, sorted((s, k) for k in LIMBS for s in truth.landings_s[k])


def with_other_legs(tracks: Tracks, spans_s: list[tuple[float, float]], known: bool) -> Tracks:
    """Exchange the legs in some spans; where ``known``, single frames of each are marked."""
    t_s = tracks.t_s
    xy, raw, filled = tracks.xy_px.copy(), tracks.raw_px.copy(), tracks.filled.copy()
    swapped = np.zeros_like(tracks.swapped)
    for start_s, end_s in spans_s:
        frames = np.flatnonzero((t_s > start_s) & (t_s < end_s))
        for to, of in ((xy, tracks.xy_px), (raw, tracks.raw_px), (filled, tracks.filled)):
            to[np.ix_(frames, LEGS)] = of[np.ix_(frames, OTHER_LEGS)]
        swapped[frames[len(frames) // 2 :][:2]] = known
    return replace(tracks, xy_px=xy, raw_px=raw, filled=filled, swapped=swapped)


def contacts_of(tracks: Tracks) -> tuple[Contact, ...]:
    visibility = foot_visibility_of("left_side", "left")
    return find_contacts(tracks, SETTINGS.contacts, visibility).contacts


def feet_of(contacts: tuple[Contact, ...], landed_s: list[float]) -> list[Limb | None]:
    """Return which foot landed near each instant, None where not exactly one did."""
    near = [[c.limb for c in contacts if abs(c.initial_contact.t_s - s) < 0.08] for s in landed_s]
    return [limbs[0] if len(limbs) == 1 else None for limbs in near]


def span_of(landings: list[tuple[float, Limb]], first: int, stop: int) -> tuple[float, float]:
    """Return from the flight before one step to the one before another."""
    return landings[first][0] - 0.04, landings[stop][0] - 0.04


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("exercise", STEPPED)
def test_a_step_between_two_of_its_foot_is_the_other_foots_where_legs_were_exchanged(
    exercise, seed
):
    _, tracks, landings = stepped(exercise, seed)
    landed_s, true = [s for s, _ in landings][:-1], [k for _, k in landings][:-1]
    for known in (True, False):
        shown = with_other_legs(tracks, [span_of(landings, STEP, STEP + 1)], known)
        contacts = contacts_of(shown)
        hopped = [*true[:STEP], OTHER[true[STEP]], *true[STEP + 1 :]]
        assert feet_of(contacts, landed_s) == (true if known else hopped)
        in_doubt = [c for c in contacts if c.other_leg_seen]
        marked_s = landed_s[STEP : STEP + 2] if known else []
        assert feet_of(tuple(in_doubt), marked_s) == true[STEP : STEP + len(marked_s)]
        assert len(in_doubt) == len(marked_s)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("exercise", STEPPED)
def test_an_ankle_that_rests_tells_that_its_foot_stands_where_nothing_else_is_seen(exercise, seed):
    _, tracks, landings = stepped(exercise, seed)
    landed_s, true = [s for s, _ in landings][:-1], [k for _, k in landings][:-1]
    xy = tracks.xy_px.copy()
    for k in (STEP - 1, STEP + 1):
        start_s, end_s = span_of(landings, k, k + 1)
        stands = (tracks.t_s > start_s) & (tracks.t_s < end_s)
        limb, other = true[k], OTHER[true[k]]
        lost = [LANDMARK[f"{limb}_toe"], *(LANDMARK[f"{other}_{part}"] for part in PARTS[2:])]
        xy[np.ix_(np.flatnonzero(stands), lost)] = np.nan
    shown = replace(tracks, xy_px=xy, raw_px=np.where(np.isnan(xy), np.nan, tracks.raw_px))
    assert feet_of(contacts_of(shown), landed_s) == true


@pytest.mark.parametrize("exercise", STEPPED)
def test_a_double_step_stays_on_its_foot_whatever_was_exchanged(exercise):
    _, tracks, landings = stepped(exercise, 1)
    landed_s, true = [s for s, _ in landings][:-1], [k for _, k in landings][:-1]
    shown = with_other_legs(tracks, [(landings[STEP][0] - 0.04, np.inf)], known=False)
    known = replace(shown, swapped=np.arange(len(tracks.t_s)) % 5 == 0)
    doubled = [*true[:STEP], *(OTHER[limb] for limb in true[STEP:])]
    assert feet_of(contacts_of(known), landed_s) == doubled
    assert not any(contact.other_leg_seen for contact in contacts_of(known))


@pytest.mark.parametrize(("flight_s", "stay_s"), [(0.15, 0.0), (0.08, 0.15)])
@pytest.mark.parametrize("exercise", STEPPED)
def test_hops_among_steps_that_fly_high_or_come_late_stay_on_their_foot(exercise, flight_s, stay_s):
    _, tracks, landings = stepped(exercise, 1, flight_s, stay_s)
    landed_s, true = [s for s, _ in landings][:-1], [k for _, k in landings][:-1]
    shown = with_other_legs(tracks, [span_of(landings, STEP, STEP + 1)], known=True)
    hopped = [*true[:STEP], OTHER[true[STEP]], *true[STEP + 1 :]]
    assert feet_of(contacts_of(shown), landed_s) == hopped


@pytest.mark.parametrize("exercise", STEPPED)
def test_five_steps_on_one_foot_stay_on_it(exercise):
    _, tracks, landings = stepped(exercise, 1)
    landed_s, true = [s for s, _ in landings][:-1], [k for _, k in landings][:-1]
    spans = [span_of(landings, k, k + 1) for k in (STEP - 1, STEP + 1)]
    shown = with_other_legs(tracks, spans, known=True)
    known = replace(shown, swapped=np.arange(len(tracks.t_s)) % 5 == 0)
    hopped = [OTHER[k] if i in (STEP - 1, STEP + 1) else k for i, k in enumerate(true)]
    assert feet_of(contacts_of(known), landed_s) == hopped


@pytest.mark.parametrize("exercise", STEPPED)
def test_of_five_steps_on_one_foot_that_may_be_the_others_none_is_used_or_called_a_hop(exercise):
    landmarks, tracks, landings = stepped(exercise, 1)
    spans = [span_of(landings, k, k + 1) for k in (STEP - 1, STEP + 1)]
    shown = with_other_legs(tracks, spans, known=True)
    known = replace(shown, swapped=np.arange(len(tracks.t_s)) % 5 == 0)
    view = estimate_view(landmarks, SETTINGS.view, "left_side")
    found = find_contacts(known, SETTINGS.contacts, foot_visibility_of("left_side", "left"))
    reps = recognise(group_reps(found, known, SETTINGS.reps), known, view, SETTINGS.signs)
    assert {rep.exercise for rep in reps.reps} == {exercise}
    again = [rep for rep in reps.reps if rep.flight.take_off_limbs == rep.limbs]
    assert len(again) == 4
    assert all(rep.reason.code is Code.LEGS_NOT_TOLD_APART for rep in again)


@pytest.mark.parametrize("exercise", STEPPED)
def test_quick_low_hops_on_one_foot_never_take_turns(exercise):
    _, tracks, landings = stepped(exercise, 0)
    first = landings[0][1]
    turns = [k for k, (_, limb) in enumerate(landings[:-1]) if limb != first]
    hops = with_other_legs(tracks, [span_of(landings, k, k + 1) for k in turns], known=True)
    told_apart = replace(hops, swapped=np.zeros_like(hops.swapped))
    contacts = contacts_of(hops)
    assert contacts
    assert not any(contact.other_leg_seen for contact in contacts)
    assert contacts == contacts_of(told_apart)


def test_of_a_step_with_the_other_leg_times_are_given_and_nothing_of_the_leg():
    landmarks, tracks, landings = stepped("high_knees", 0)
    step = next(k for k in (6, 7) if landings[k][1] == "left")
    shown = with_other_legs(tracks, [span_of(landings, STEP, STEP + 1)], known=True)
    view = estimate_view(landmarks, SETTINGS.view, "left_side")
    found = find_contacts(shown, SETTINGS.contacts, foot_visibility_of("left_side", "left"))
    reps = recognise(group_reps(found, shown, SETTINGS.reps), shown, view, SETTINGS.signs)
    rows = measure_reps(reps, shown, view, SETTINGS).measures
    (rep,) = [
        r for r in reps.reps
        if r.flight.landing and abs(r.flight.landing.t_s - landings[step][0]) < 0.08
    ]  # fmt: skip
    of_rep = {row.name: row for row in rows if row.rep == rep.number and row.limb == "left"}
    assert rep.used
    assert of_rep["contact_time"].value is not None
    for name in ("knee_flexion_peak", "thigh_angle_peak", "heel_height_peak"):
        assert of_rep[name].reason.code is Code.LEG_TAKEN_FOR_OTHER
