"""One-leg hops as the pose model saw drawn ones, from both sides, thinned to slower rates.

Bodies and motions are invented; the table was made by `make_hops.py`. All bodies are for tuning.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from pose_tables import stored_landmarks

from landing_analysis.contacts.events import find_contacts
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.reps.grouping import group_reps
from landing_analysis.settings import Settings
from landing_analysis.tracks.cleaning import clean_tracks

STORE = Path(__file__).with_name("hops.npz")
RATES_HZ = {60: (60, 30), 240: (240, 120, 60, 30)}
with np.load(STORE) as table:
    CLIPS = {
        key.removesuffix(".limb"): int(table[key.replace(".limb", ".rate_hz")])
        for key in table.files
        if key.endswith(".limb")
    }
CASES = [(name, rate) for name, filmed in CLIPS.items() for rate in RATES_HZ[filmed]]
SETTINGS = Settings()


def test_the_table_holds_near_and_far_hops_seen_from_both_sides():
    with np.load(STORE) as table:
        views = {str(table[f"{name}.view"]) for name in CLIPS}
    assert views == {"left_side", "right_side"}
    assert {"near" in name for name in CLIPS} == {True, False}
    assert set(CLIPS.values()) == {60, 240}


@pytest.mark.parametrize(("name", "rate_hz"), CASES)
def test_only_the_hopping_foot_lands(name, rate_hz):
    with np.load(STORE) as table:
        hopping, near = table[f"{name}.limb"][0], str(table[f"{name}.view"]).split("_")[0]
        true_s = table[f"{name}.initial_contact_s"]
    for first in range(0, CLIPS[name] // rate_hz, 2):
        tracks = clean_tracks(stored_landmarks(STORE, name, rate_hz, first), SETTINGS.tracks)
        visibilities = foot_visibility_of(f"{near}_side", near)  # type: ignore[arg-type]
        contacts = find_contacts(tracks, SETTINGS.contacts, visibilities)
        reps = group_reps(contacts, tracks, SETTINGS.reps)
        assert [c.limb for c in contacts.contacts] == [hopping] * len(true_s)
        assert [rep.limbs for rep in reps.reps if rep.used] == [(hopping,)] * len(true_s)
        read_s = [c.initial_contact.t_s for c in contacts.contacts]
        assert_allclose(read_s, true_s, atol=0.015 + 0.5 / rate_hz)
