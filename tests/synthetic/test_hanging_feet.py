"""A foot that hangs while the other hops is told from one that lands, at every rate and side.

Invented motion with a pose model's noise (tests/drawn_hops.py), the truth is exact.
"""

from __future__ import annotations

import pytest
from drawn_hops import POSTURES, seen, seen_hops
from numpy.testing import assert_allclose
from synthetic_patients.matrix import MATRIX, play_entry

from landing_analysis.contacts.events import find_contacts
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.reps.grouping import group_reps
from landing_analysis.settings import Settings
from landing_analysis.tables import LIMBS, Contacts, Landmarks, Limb, Reps
from landing_analysis.tracks.cleaning import clean_tracks

SETTINGS = Settings()
RATES_HZ = (30.0, 60.0, 120.0, 240.0)


def _found(landmarks: Landmarks, near_limb: Limb) -> tuple[Contacts, Reps]:
    tracks = clean_tracks(landmarks, SETTINGS.tracks)
    visibilities = foot_visibility_of(f"{near_limb}_side", near_limb)  # type: ignore[arg-type]
    contacts = find_contacts(tracks, SETTINGS.contacts, visibilities)
    return contacts, group_reps(contacts, tracks, SETTINGS.reps)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("near", [True, False], ids=["near leg hops", "far leg hops"])
@pytest.mark.parametrize("posture", POSTURES)
def test_a_hanging_foot_never_lands_and_every_hop_counts(posture, near, rate_hz):
    for patient in ("P-01", "P-02"):
        landmarks, hopping, near_limb, landings_s = seen_hops(posture, near, rate_hz, patient)
        contacts, reps = _found(landmarks, near_limb)
        assert [c.limb for c in contacts.contacts] == [hopping] * len(landings_s)
        assert [rep.limbs for rep in reps.reps if rep.used] == [(hopping,)] * len(landings_s)
        read_s = [c.initial_contact.t_s for c in contacts.contacts]
        # A far foot's landing is told by the body, and claimed with 24 ms at the least.
        assert_allclose(read_s, landings_s, atol=(0.02 if near else 0.024) + 0.5 / rate_hz)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("near_limb", LIMBS)
@pytest.mark.parametrize(
    "name", ["slim_woman_jumps_side", "heavy_man_low_jumps_side", "heavy_man_jumps_side_deep"]
)
def test_both_feet_of_every_jump_land(name, near_limb, rate_hz):
    """The far foot of a side view is not taken for one that hangs."""
    entry = MATRIX[name]
    landmarks = seen(entry, play_entry(entry), near_limb, rate_hz, seed=1)
    contacts, _ = _found(landmarks, near_limb)
    assert len(contacts.flights) >= 3
    assert all(set(flight.landing_limbs) == set(LIMBS) for flight in contacts.flights)
