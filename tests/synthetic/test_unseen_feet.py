"""A foot that was seen neither to land nor to hang decides nothing, and has no values."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from jumper import drop_set, jump_set
from posed_patient import view_of

from landing_analysis.contacts.events import find_contacts
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.reasons import Code
from landing_analysis.reps.grouping import group_reps
from landing_analysis.reps.recognising import recognise
from landing_analysis.settings import Settings
from landing_analysis.tables import LIMBS, Contacts, Exercise, Reps, Tracks
from landing_analysis.tracks.cleaning import clean_tracks
from landing_analysis.wording import words_of

SETTINGS = Settings()


@cache
def _jumps() -> tuple[Tracks, Contacts]:
    jumper = jump_set([0.35] * 5, [0.3] * 4, noise_px=1.0)
    tracks = clean_tracks(jumper.landmarks, SETTINGS.tracks)
    return tracks, find_contacts(tracks, SETTINGS.contacts)


def _reps(
    unseen: set[int],
    hung: set[int],
    exercise: Exercise | None = None,
    right_alone: set[int] = frozenset(),
) -> Reps:
    """Return five jumps of which the right foot was not seen, or seen to hang, in some.

    In those of ``right_alone`` it is the left one.
    """
    tracks, contacts = _jumps()
    assert len(contacts.flights) == 5
    flights, landed = [], list(contacts.contacts)
    for index, flight in enumerate(contacts.flights):
        if index in unseen | hung:
            at_s = flight.landing.t_s
            lands, lacks = LIMBS[::-1] if index in right_alone else LIMBS
            landed = [
                c for c in landed if c.limb == lands or abs(c.initial_contact.t_s - at_s) > 0.1
            ]
            missing = (lacks,) if index in unseen else ()
            flight = replace(flight, landing_limbs=(lands,), unseen_limbs=missing)
        flights.append(flight)
    return group_reps(Contacts(tuple(landed), tuple(flights)), tracks, SETTINGS.reps, exercise)


def test_jumps_stay_jumps_where_a_foot_was_not_seen():
    for unseen in ({2}, {0, 1, 2, 3}):
        reps = _reps(unseen, set())
        assert (reps.exercise, reps.limb) == ("jump", None)
        assert all(rep.used and rep.exercise == "jump" and rep.limbs == LIMBS for rep in reps.reps)


def test_a_foot_that_was_seen_to_hang_makes_no_jump():
    reps = _reps(set(), {2})
    assert [rep.used for rep in reps.reps] == [True, True, False, True, True]
    assert reps.reps[2].reason.code == Code.ONE_FOOT_IN_JUMPS


def test_hops_stay_hops_where_the_other_foot_was_not_seen():
    reps = _reps({2, 3}, {0, 1, 4})
    assert (reps.exercise, reps.limb) == ("hop", "left")
    assert all(rep.used and rep.limbs == ("left",) for rep in reps.reps)


def test_a_landing_that_is_surely_on_one_foot_makes_no_hops_of_those_on_the_other():
    # As a deep set of jumps in trousers was read: right alone, left and no other foot seen.
    reps = _reps({1, 2, 3, 4}, {0}, right_alone={0})
    assert [rep.used for rep in reps.reps] == [True] + [False] * 4
    assert {rep.reason.code for rep in reps.reps[1:]} == {Code.OTHER_FOOT_NOT_SEEN}


def test_where_no_rep_tells_the_exercise_is_not_known_unless_it_is_given():
    reps = _reps(set(range(5)), set())
    assert reps.exercise is None
    for rep in reps.reps:
        assert not rep.used
        assert "whether the right foot landed" in words_of(rep.reason)
    for exercise in ("jump", "hop"):
        given = _reps(set(range(5)), set(), exercise)
        assert given.exercise == exercise
        assert all(rep.used for rep in given.reps)


def test_of_jumps_and_hops_mixed_a_rep_that_does_not_tell_is_not_used():
    reps = _reps({4}, {2, 3})
    assert [rep.used for rep in reps.reps] == [True] * 4 + [False]
    assert [rep.exercise for rep in reps.reps[:4]] == ["jump", "jump", "hop", "hop"]
    assert reps.reps[4].reason.code == Code.OTHER_FOOT_NOT_SEEN


def _recognised_without_the_right_foot(tracks: Tracks, found: Contacts) -> Reps:
    left = tuple(contact for contact in found.contacts if contact.limb == "left")
    flights = tuple(
        replace(flight, take_off_limbs=("left",), landing_limbs=("left",), unseen_limbs=("right",))
        for flight in found.flights
    )
    reps = group_reps(Contacts(left, flights), tracks, SETTINGS.reps)
    return recognise(reps, tracks, view_of("left_side"), SETTINGS.signs)


def test_a_landing_off_a_box_is_a_step_down_whether_on_one_foot_or_on_both():
    for boxes_m in ([0.20], [0.30], [0.20, 0.25, 0.30]):
        tracks = clean_tracks(drop_set(boxes_m, None), SETTINGS.tracks)
        found = find_contacts(tracks, SETTINGS.contacts)
        reps = _recognised_without_the_right_foot(tracks, found)
        assert reps.exercise == "step_down"
        assert [(rep.exercise, rep.used) for rep in reps.reps] == [("step_down", True)] * len(
            boxes_m
        )
        assert min(bout.confidence for bout in reps.bouts) >= SETTINGS.signs.sure_share
        rows = measure_reps(reps, tracks, view_of("left_side"), SETTINGS).measures
        assert all(row.value is None for row in rows if row.limb == "right")


def test_on_level_ground_no_step_down_is_made_of_unseen_feet():
    reps = _recognised_without_the_right_foot(*_jumps())
    assert reps.exercise is None
    assert not any(rep.used for rep in reps.reps)


@pytest.mark.parametrize("name", ["contact_time", "inter_limb_delay"])
def test_what_the_unseen_foot_would_show_has_no_value_and_says_why(name):
    tracks, _ = _jumps()
    measures = measure_reps(_reps({2}, set()), tracks, view_of("front"), SETTINGS).measures
    rows = [m for m in measures if m.name == name and m.limb in (None, "right")]
    assert [row.rep for row in rows if row.value is not None and row.rep < 5] == [1, 2, 4]
    assert words_of(rows[2].reason) == "the landing of the right foot was not seen"
    near = next(m for m in measures if m.name == "contact_time" and (m.rep, m.limb) == (3, "left"))
    assert near.value is not None
