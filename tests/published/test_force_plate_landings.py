"""Contacts and knee flexion from markers, as if tracked in a clip, against a laboratory.

Source of the records: `lab_records`.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import product
from typing import NamedTuple

import numpy as np
import pytest
from lab_records import front_view, lab_record, side_view
from told import told

from landing_analysis.contacts.events import find_contacts, match_events
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.maths.statistics import Z_95
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.reps.grouping import group_reps
from landing_analysis.settings import Settings
from landing_analysis.tables import LIMBS, Contact, Limb, View, ViewEstimate
from landing_analysis.tracks.cleaning import clean_tracks

RECORDS = ("DJ1", "DJ2")
NEAR: dict[View, Limb | None] = {"front": None, "left_side": "left", "right_side": "right"}
EVERY = {100: 1, 50: 2, 33: 3}
"""Frames a second, and which of the 100 samples of a second are kept for them."""
NOISES_PX = (0.0, 1.0, 2.0, 3.0)
SEEDS = (1, 2, 3)
FORCE_THRESHOLD_N = 20.0
# Force and markers share one 100 Hz clock: an edge of the force lies anywhere in the
# 10 ms before the first sample beyond the threshold.
GOAL_S = 0.010
COVERED = 0.90  # of 95 % claimed: two jumps of one person, with noise drawn anew
# The toe marker sits on top of the foot, behind its tip, and rises 5 to 10 mm before the force
# is gone: toe-off reads 8 to 15 ms early on average, by view. Rendered toes show 1 to 3 ms late.
TOE_OFF_EARLY_S = 0.016
# Two choices of landmark on one leg differ by up to 7 deg (derived from Winter, Table A.1).
LANDMARK_CHOICE_DEG = 7.0


class Edge(NamedTuple):
    """One edge of the force with what was read there; NaN where it was not seen."""

    limb: Limb
    kind: str
    number: int
    noise_px: float
    error_s: float
    sd_s: float


def _force_edges_s(record, limb: str, kind: str) -> np.ndarray:
    on = (record[f"fz_{limb}"] > FORCE_THRESHOLD_N).astype(int)
    after = np.flatnonzero(np.diff(on) == (1 if kind == "on" else -1)) + 1
    return record["force_t"][after] - 0.005  # the middle of the sample interval it lies in


@cache
def _contacts(name: str, view: View, rate: int, noise_px: float, seed: int) -> tuple[Contact, ...]:
    settings, near = Settings(), NEAR[view]
    project = side_view if near else front_view
    landmarks = project(lab_record(name), noise_px, seed, EVERY[rate])
    tracks = clean_tracks(landmarks, settings.tracks)
    return find_contacts(tracks, settings.contacts, foot_visibility_of(view, near)).contacts


@cache
def _edges(view: View, rate: int) -> tuple[Edge, ...]:
    """Hold what is read in a view, as the program reads it, against both feet's force."""
    found = []
    draws = [(noise, seed) for noise in NOISES_PX for seed in (SEEDS if noise else SEEDS[:1])]
    for name, (noise_px, seed), limb in product(RECORDS, draws, LIMBS):
        own = [c for c in _contacts(name, view, rate, noise_px, seed) if c.limb == limb]
        toe_offs = [c.toe_off for c in own if c.toe_off]
        for kind, events in (("on", [c.initial_contact for c in own]), ("off", toe_offs)):
            true_s = _force_edges_s(lab_record(name), limb, kind)
            matched = dict(match_events(true_s, np.array([e.t_s for e in events]), 0.08))
            for number, at_s in enumerate(true_s):
                event = events[matched[number]] if number in matched else None
                read = (event.t_s - at_s, event.sd_s) if event else (np.nan, np.nan)
                found.append(Edge(limb, kind, number, noise_px, *read))
    return tuple(found)


def _errors_s(view: View, rate: int, kind: str, most_noise_px: float) -> np.ndarray:
    return np.array(
        [e.error_s for e in _edges(view, rate) if e.kind == kind and e.noise_px <= most_noise_px]
    )


@pytest.mark.parametrize("rate", EVERY)
@pytest.mark.parametrize("view", NEAR)
def test_claimed_uncertainty_of_both_feet_covers_the_force(view, rate):
    for limb, kind in product(LIMBS, ("on", "off")):
        seen = [e for e in _edges(view, rate) if (e.limb, e.kind) == (limb, kind)]
        # The records end a tenth of a second after the second landing, which may be missed.
        assert not any(np.isnan(e.error_s) for e in seen if e.number == 0)
        given = [e for e in seen if not np.isnan(e.error_s)]
        covered = np.mean([abs(e.error_s) <= Z_95 * e.sd_s for e in given])
        assert covered >= COVERED, f"{limb} {kind}: {covered:.2f} of {len(given)}"


@pytest.mark.parametrize("rate", EVERY)
def test_landings_seen_from_the_front_agree_with_force(rate):
    first = [e for e in _edges("front", rate) if (e.kind, e.number) == ("on", 0)]
    errors_s = np.array([e.error_s for e in first if e.noise_px <= 2])
    np.testing.assert_allclose(errors_s, 0.0, atol=GOAL_S)


def test_both_landings_are_seen_from_the_front_at_full_rate():
    errors_s = _errors_s("front", 100, "on", most_noise_px=3)
    np.testing.assert_allclose(errors_s, 0.0, atol=1.5 * GOAL_S)


@pytest.mark.xfail(
    strict=True, reason="gap: the near foot of a side view reads 5 to 10 ms late, 17 at worst"
)
def test_every_landing_seen_from_the_side_agrees_with_force():
    sides = [v for v in NEAR if NEAR[v]]
    errors_s = np.concatenate([_errors_s(view, 100, "on", most_noise_px=2) for view in sides])
    np.testing.assert_allclose(errors_s, 0.0, atol=GOAL_S)


@pytest.mark.parametrize("view", NEAR)
@pytest.mark.parametrize("rate", EVERY)
def test_toe_off_is_early_by_no_more_than_the_marker_explains(view, rate):
    mean_s = float(np.mean(_errors_s(view, rate, "off", most_noise_px=2)))
    assert -TOE_OFF_EARLY_S < mean_s <= 0


@pytest.mark.xfail(strict=True, reason="gap: toe-off of marked toes reads 8 to 15 ms early")
@pytest.mark.parametrize("view", NEAR)
def test_toe_off_agrees_with_force(view):
    errors_s = _errors_s(view, 100, "off", most_noise_px=2)
    np.testing.assert_allclose(errors_s, 0.0, atol=GOAL_S)


@pytest.mark.parametrize("rate", EVERY)
def test_the_landing_lead_seen_from_the_front_agrees_with_force(rate):
    covered, errors_s = [], []
    for name, noise_px, seed in product(RECORDS, NOISES_PX, SEEDS):
        first = {
            limb: next(c for c in _contacts(name, "front", rate, noise_px, seed) if c.limb == limb)
            for limb in LIMBS
        }
        left, right = (first[limb].initial_contact for limb in LIMBS)
        true_s = np.subtract(
            *(_force_edges_s(lab_record(name), limb, "on")[0] for limb in reversed(LIMBS))
        )
        errors_s.append(right.t_s - left.t_s - true_s)
        covered.append(abs(errors_s[-1]) <= Z_95 * np.hypot(left.sd_s, right.sd_s))
    assert abs(np.mean(errors_s)) < GOAL_S
    assert np.mean(covered) >= COVERED


def test_body_weight_squats_make_no_flight():
    record = lab_record("squats1")
    settings = Settings()
    tracks = clean_tracks(side_view(record, 2.0), settings.tracks)
    assert find_contacts(tracks, settings.contacts).flights == ()


@pytest.mark.parametrize("name", ["DJ1", "DJ2"])
@pytest.mark.parametrize("limb", LIMBS)
def test_flexion_and_contact_time_of_drop_jumps_lie_in_the_laboratorys_range(name, limb):
    # Joint-model knee flexion of these drop jumps: 17 to 25 deg at contact, 96 to 112 deg at
    # most; on the ground for 560 to 770 ms per limb. Status: derived from the open records.
    settings = Settings()
    exact = replace(settings, knee=replace(settings.knee, low_reading_deg=1e-9))
    tracks = clean_tracks(side_view(lab_record(name), 0.0), exact.tracks)
    reps = group_reps(find_contacts(tracks, exact.contacts), tracks, exact.reps)
    view = ViewEstimate(f"{limb}_side", 0.0, 2.0, limb, told("given"), np.zeros(1))
    found = {
        row.name: row.value
        for row in measure_reps(reps, tracks, view, exact).measures
        if row.rep == 1 and row.limb == limb
    }
    reach = LANDMARK_CHOICE_DEG
    assert 17 - reach < found["knee_flexion_initial_contact"] < 25 + reach
    assert 96 - reach < found["knee_flexion_peak"] < 112 + reach
    assert 0.560 < found["contact_time"] < 0.770
