"""Two-leg jumps seen from the side stay jumps where the far foot is badly seen.

Recorded jumps and hops of a person (`tests/data/ATTRIBUTION.md`) on a drawn body, as the pose
model saw them from the left; the table was made by `make_far_foot.py`. Times are the recording's.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pose_tables import stored_landmarks

from landing_analysis.contacts.events import find_contacts
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.reps.grouping import group_reps
from landing_analysis.settings import Settings
from landing_analysis.tables import LIMBS, Landmarks, Limb, Reps
from landing_analysis.tracks.cleaning import clean_tracks

STORE = Path(__file__).with_name("far_foot.npz")
NAME = "jumps_left_side"
SETTINGS = Settings()
TOGETHER_S = 0.2
SETS_S = {"four jumps": (0.4, 3.95), "seven jumps": (7.25, 12.05)}
HOPS_S = (3.9, 7.3)
CUTS = [(rate, first) for rate in (120, 60, 30) for first in range(120 // rate)]
"""Frames a second, and the first of the stored frames."""


def _true_landings() -> list[tuple[float, set[Limb]]]:
    """Return when each landing began and which feet landed."""
    with np.load(STORE) as table:
        contacts = zip(table[f"{NAME}.initial_contact_s"], table[f"{NAME}.limb"], strict=True)
    landings: list[tuple[float, set[Limb]]] = []
    for at_s, limb in contacts:
        if landings and at_s - landings[-1][0] < TOGETHER_S:
            landings[-1][1].add(limb)
        else:
            landings.append((float(at_s), {limb}))
    return landings


def _reps(rate_hz: int, first: int, from_s: float = 0.0, until_s: float = 99.0) -> Reps:
    stored = stored_landmarks(STORE, NAME, rate_hz, first)
    inside = (stored.t_s >= from_s) & (stored.t_s < until_s)
    landmarks: Landmarks = replace(
        stored,
        **{key: getattr(stored, key)[inside] for key in ("t_s", "xy_px", "visibility", "world_m")},
    )
    tracks = clean_tracks(landmarks, SETTINGS.tracks)
    contacts = find_contacts(tracks, SETTINGS.contacts, foot_visibility_of("left_side", "left"))
    return group_reps(contacts, tracks, SETTINGS.reps)


def _landed(reps: Reps) -> list[tuple[set[Limb], set[Limb]]]:
    """Return for each used rep the feet that landed in truth, and those found to land."""
    truth, pairs = _true_landings(), []
    for rep in reps.reps:
        if rep.used:
            at_s, feet = min(truth, key=lambda landing: abs(landing[0] - rep.flight.landing.t_s))
            assert abs(at_s - rep.flight.landing.t_s) < 0.1
            pairs.append((feet, {contact.limb for contact in rep.contacts}))
    return pairs


@pytest.mark.parametrize(("rate_hz", "first"), CUTS)
@pytest.mark.parametrize("name", SETS_S)
def test_jumps_are_jumps_and_each_counts(name, rate_hz, first):
    from_s, until_s = SETS_S[name]
    reps = _reps(rate_hz, first, from_s, until_s)
    true = [feet for at_s, feet in _true_landings() if from_s < at_s < until_s]
    assert all(feet == set(LIMBS) for feet in true)
    assert reps.exercise == "jump"
    assert [rep.exercise for rep in reps.reps if rep.used] == ["jump"] * len(true)
    for rep in reps.reps:
        assert {c.limb for c in rep.contacts} | set(rep.flight.unseen_limbs) == set(LIMBS)


@pytest.mark.parametrize(("rate_hz", "first"), CUTS)
def test_hops_are_hops_and_the_foot_that_hangs_is_seen_to_hang(rate_hz, first):
    reps = _reps(rate_hz, first, *HOPS_S)
    assert reps.exercise == "hop"
    assert all(rep.flight.unseen_limbs == () for rep in reps.reps if rep.used)
    assert all(feet == found for feet, found in _landed(reps))


@pytest.mark.parametrize(("rate_hz", "first"), CUTS)
def test_of_a_mixed_recording_no_jump_is_a_hop_and_no_hop_a_jump(rate_hz, first):
    reps = _reps(rate_hz, first)
    used = [rep for rep in reps.reps if rep.used]
    true = [len(feet) for feet, _ in _landed(reps)]
    assert [rep.exercise for rep in used] == [{1: "hop", 2: "jump"}[feet] for feet in true]
    assert all(found <= feet for feet, found in _landed(reps))
    assert len(used) >= 12
