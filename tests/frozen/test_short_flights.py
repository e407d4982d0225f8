"""Flights of 0.09 to 0.16 s as the pose model saw them, against truth by construction.

``short_flights.npz``: two of the benchmark's bodies for tuning, from the front and the side at 60
frames a second; made by ``python -m tests.frozen.make_short_flights``.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from pose_tables import stored_landmarks

from landing_analysis.contacts.events import find_contacts, match_events
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.maths.statistics import Z_95
from landing_analysis.settings import Settings
from landing_analysis.tracks.cleaning import clean_tracks

STORE = Path(__file__).with_name("short_flights.npz")
SETTINGS = Settings()
RATE_HZ = 60


class Edges(NamedTuple):
    """Errors and claimed uncertainties, (n, 2) each, seconds; landings are ``on``."""

    on_s: np.ndarray
    off_s: np.ndarray


@cache
def _edges() -> Edges:
    on_s, off_s = [], []
    with np.load(STORE) as table:
        names = [key.removesuffix(".view") for key in table.files if key.endswith(".view")]
        told = {
            name: (str(table[f"{name}.view"]), table[f"{name}.limb"],
                   table[f"{name}.initial_contact_s"], table[f"{name}.toe_off_s"])
            for name in names
        }  # fmt: skip
    for name, (view, limbs, landed_s, left_s) in told.items():
        near = view.split("_")[0] if view.endswith("side") else None
        tracks = clean_tracks(stored_landmarks(STORE, name, RATE_HZ), SETTINGS.tracks)
        visibilities = foot_visibility_of(view, near)
        contacts = find_contacts(tracks, SETTINGS.contacts, visibilities).contacts
        for limb in ("left", "right"):
            own = [contact for contact in contacts if contact.limb == limb]
            true = np.flatnonzero(limbs == limb)
            found_s = np.array([contact.initial_contact.t_s for contact in own])
            for row, column in match_events(landed_s[true], found_s, 0.1):
                contact = own[column]
                on = contact.initial_contact
                on_s.append((on.t_s - landed_s[true[row]], on.sd_s))
                if contact.toe_off and np.isfinite(left_s[true[row]]):
                    off = contact.toe_off
                    off_s.append((off.t_s - left_s[true[row]], off.sd_s))
    return Edges(np.array(on_s), np.array(off_s))


def test_every_landing_of_a_short_flight_is_found():
    with np.load(STORE) as table:
        true = sum(len(table[key]) for key in table.files if key.endswith(".limb"))
    assert len(_edges().on_s) == true


@pytest.mark.parametrize(("edge", "most_rms_s"), [("on_s", 0.010), ("off_s", 0.022)])
def test_edges_of_short_flights_are_read_and_their_claims_cover_them(edge, most_rms_s):
    errors_s, sds_s = getattr(_edges(), edge).T
    assert np.sqrt(np.mean(errors_s**2)) < most_rms_s
    assert np.mean(np.abs(errors_s) <= Z_95 * sds_s) >= 0.9
    assert np.sqrt(np.mean(sds_s**2)) < 2.5 * np.sqrt(np.mean(errors_s**2))  # nor too wide


def test_toe_offs_of_short_flights_are_hardly_early():
    assert -0.012 < _edges().off_s[:, 0].mean() < 0.005
