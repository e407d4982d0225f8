"""Bounds and jogging in place on invented motion: which foot landed, and when.

The motion is written down in closed form (tests/jumper.py); no bound of a person was measured.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from jumper import STATURE_M, Jumper, bound_set
from numpy.testing import assert_allclose
from told import told

from landing_analysis.contacts.events import find_contacts, match_events
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.contacts.flights import (
    leaps_less_sure,
    leaving_from_the_foot_that_landed,
)
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.reasons import Code, because
from landing_analysis.reps.grouping import group_reps
from landing_analysis.settings import Settings
from landing_analysis.tables import (
    LIMBS,
    Contact,
    Contacts,
    Event,
    Flight,
    Limb,
    Reps,
    Tracks,
    View,
    ViewEstimate,
)
from landing_analysis.tracks.cleaning import clean_tracks
from landing_analysis.wording import words_of

SETTINGS = Settings()
FRAME_S = 1 / 60
SEEDS = range(8)
NEAR: dict[View, Limb | None] = {"front": None, "left_side": "left"}


def found(jumper: Jumper, view: View) -> tuple[Tracks, Contacts, Reps]:
    tracks = clean_tracks(jumper.landmarks, SETTINGS.tracks, STATURE_M)
    contacts = find_contacts(tracks, SETTINGS.contacts, foot_visibility_of(view, NEAR[view]))
    return tracks, contacts, group_reps(contacts, tracks, SETTINGS.reps)


def drawn(seed: int, flight_s: tuple[float, float], contact_s: tuple[float, float]) -> Jumper:
    rng = np.random.default_rng(seed)
    return bound_set(
        8,
        rng.uniform(*flight_s),
        rng.uniform(*contact_s),
        first=LIMBS[seed % 2],
        swing_m=rng.uniform(0.10, 0.35),
        noise_px=rng.uniform(1.0, 2.5),
        seed=seed,
    )


@pytest.mark.parametrize("view", NEAR)
@pytest.mark.parametrize(
    ("flight_s", "contact_s", "least_share"),
    [
        ((0.2, 0.35), (0.25, 0.4), 1.0),
        ((0.15, 0.2), (0.2, 0.3), 0.97),
        ((0.09, 0.15), (0.2, 0.3), 0.8),
    ],
    ids=["bounds", "low bounds", "jogging in place"],
)
def test_landings_from_foot_to_foot_are_given_to_the_foot_that_landed(
    view, flight_s, contact_s, least_share
):
    true, seen, errors_s = 0, 0, []
    for seed in SEEDS:
        jumper = drawn(seed, flight_s, contact_s)
        _, contacts, _ = found(jumper, view)
        for limb in LIMBS:
            true_s = np.array(jumper.initial_contact_s[limb])
            read_s = np.array([c.initial_contact.t_s for c in contacts.contacts if c.limb == limb])
            pairs = match_events(true_s, read_s, window_s=0.1)
            assert len(pairs) == len(read_s), "a foot landed that did not"
            true, seen = true + len(true_s), seen + len(pairs)
            errors_s += [read_s[theirs] - true_s[ours] for ours, theirs in pairs]
    assert seen >= least_share * true
    assert_allclose(np.median(errors_s), 0.0, atol=0.5 * FRAME_S)
    assert np.percentile(np.abs(errors_s), 95) < 1.5 * FRAME_S


def test_a_swinging_foot_that_stays_low_lands_no_jump():
    """Held 0.10 to 0.15 m over the floor, a foot passes for a farther one that stands."""
    for view in NEAR:
        _, _, reps = found(bound_set(6, 0.24, 0.3, swing_m=0.11), view)
        assert reps.exercise == "hop"
        assert [rep.limbs for rep in reps.reps] == [("left",), ("right",)] * 3
        assert [rep.is_bound for rep in reps.reps] == [False, *[True] * 5]


def test_a_flight_belongs_to_the_limb_that_left_and_ground_time_to_the_one_that_landed():
    tracks, _, reps = found(bound_set(6, 0.26, 0.3), "front")
    view = ViewEstimate("front", 0.0, 2.0, None, told("given"), np.zeros(len(tracks.t_s)))
    measures = measure_reps(reps, tracks, view, SETTINGS).measures
    limbs = {
        name: [m.limb for m in measures if m.name == name and m.rep > 1]
        for name in ("flight_time", "contact_time", "reactive_strength_index")
    }
    assert limbs["flight_time"] == ["left", "right", "left", "right", "left"]
    assert limbs["contact_time"] == ["right", "left", "right", "left", "right"]
    assert limbs["reactive_strength_index"] == limbs["contact_time"]
    assert [m.limb for m in measures if m.name == "flight_time" and m.rep == 1] == [None]


def _exchanged_at(tracks: Tracks, reps: Reps, *numbers: int) -> Tracks:
    landings_s = [reps.reps[number - 1].flight.landing.t_s for number in numbers]
    return replace(
        tracks, swapped=np.any([np.abs(tracks.t_s - at_s) < 0.05 for at_s in landings_s], axis=0)
    )


def test_where_most_changes_of_the_foot_are_at_exchanged_legs_no_rep_is_measured():
    tracks, contacts, reps = found(bound_set(6, 0.26, 0.3), "left_side")
    assert all(rep.used for rep in reps.reps)
    again = group_reps(contacts, _exchanged_at(tracks, reps, 2, 4, 6), SETTINGS.reps)
    assert not any(rep.used for rep in again.reps)
    assert all("could not be told apart" in words_of(rep.reason) for rep in again.reps)


def test_beside_one_exchange_a_rep_that_lands_in_its_turn_stays_and_one_out_of_turn_does_not():
    tracks, contacts, reps = found(bound_set(8, 0.26, 0.3), "left_side")
    exchanged = _exchanged_at(tracks, reps, 5)
    assert all(rep.used for rep in group_reps(contacts, exchanged, SETTINGS.reps).reps)
    flights, landings = list(contacts.flights), list(contacts.contacts)
    (limb,) = flights[3].landing_limbs
    flights[4] = replace(flights[4], landing_limbs=(limb,))  # a second time on the same foot
    landings[4] = replace(landings[4], limb=limb)
    odd = replace(contacts, flights=tuple(flights), contacts=tuple(landings))
    refused = [rep.number for rep in group_reps(odd, exchanged, SETTINGS.reps).reps if not rep.used]
    assert refused == [5]


def test_legs_exchanged_in_a_set_of_jumps_void_nothing(stick_tracks):
    contacts = find_contacts(stick_tracks, SETTINGS.contacts)
    exchanged = replace(stick_tracks, swapped=np.arange(len(stick_tracks.t_s)) % 7 == 0)
    assert all(rep.used for rep in group_reps(contacts, exchanged, SETTINGS.reps).reps)


def _flight(off_s: float, on_s: float, off: tuple[Limb, ...], on: tuple[Limb, ...], **more):
    return Flight(Event(off_s, 0.01), Event(on_s, 0.01), off, on, **more)


def test_a_flight_leaves_from_the_foot_that_landed_and_not_from_the_one_that_hung():
    first = _flight(0.8, 1.1, LIMBS, ("right",))
    settings = SETTINGS.contacts

    def leaves(before: Flight, off_s: float, off: tuple[Limb, ...]) -> tuple[Limb, ...]:
        flight = _flight(off_s, off_s + 0.3, off, ("left",))
        return leaving_from_the_foot_that_landed([before, flight], settings)[1].take_off_limbs

    assert leaves(first, 1.5, ("left",)) == ("right",)
    assert leaves(first, 1.5, ("right",)) == ("right",)
    assert leaves(first, 1.5, LIMBS) == LIMBS
    assert leaves(first, 2.5, ("left",)) == ("left",)  # time enough to set the other foot down
    unseen = replace(first, unseen_limbs=("left",))
    assert leaves(unseen, 1.5, ("left",)) == ("left",)


def test_a_leap_claims_more_at_both_ends_and_a_hop_does_not():
    leap, hop = (_flight(0.8, 1.1, ("left",), (limb,)) for limb in ("right", "left"))
    sure = Event(0.3, 0.01)
    for flight, most_s in ((leap, 0.015), (hop, 0.01)):
        on = flight.landing_limbs[0]
        held = because(Code.HELD_TO_END)
        contacts = [
            Contact("left", sure, flight.take_off, None, sure),
            Contact(on, flight.landing, None, held, flight.landing),
        ]
        (before, after), (read,) = leaps_less_sure(contacts, [flight], SETTINGS.contacts)
        ends = (read.take_off, read.landing, before.toe_off, after.initial_contact)
        claimed_s = [end.sd_s for end in ends]
        assert len(set(claimed_s)) == 1
        assert (claimed_s[0] > 0.01) == (flight is leap)
        assert claimed_s[0] <= most_s
        assert before.initial_contact == sure
        assert [end.t_s for end in ends] == [0.8, 1.1, 0.8, 1.1]
