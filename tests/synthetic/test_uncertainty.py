"""Claimed uncertainties against the scatter that invented noise really makes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from posed_patient import (
    IC_SD_S,
    LANDING_S,
    SQUARE_ON_DEG,
    TOE_OFF_S,
    TOE_OFF_SD_S,
    Pose,
    exact_settings,
    one_rep,
    one_set,
    seen,
    tracks_of,
    view_of,
)

from landing_analysis.maths.kinematics import joint_angle_sd_deg
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.measures.readings import value_at, value_at_impact
from landing_analysis.measures.summaries import (
    BOTH_LIMBS_PARTS,
    BOTH_LIMBS_TIMING,
    MODEL_TIMING,
    OWN_PARTS,
    REP_TIMING,
    TIMING,
    with_set,
)
from landing_analysis.settings import MeasureSettings
from landing_analysis.tables import Event, Rep

NOISE_PX = 2.0
DRAWS = 80
# The standard deviation of 80 draws is itself known to 8 %; the noise of the tracks is
# estimated from each clip and the angle's noise taken as white.
SCATTER_TOLERANCE = 0.25
POSE = Pose(inward_m={"left": 0.02, "right": 0.05}, hip_left_m=0.02)


def _drawn(view: str, rate_hz: float = 60.0) -> dict[tuple[str, str | None], np.ndarray]:
    """Value and claimed landmark noise of every measure over noisy copies of one rep."""
    drawn: dict[tuple[str, str | None], list[tuple[float, float]]] = {}
    for seed in range(DRAWS):
        landmarks = seen(POSE, SQUARE_ON_DEG[view], noise_px=NOISE_PX, rate_hz=rate_hz, seed=seed)
        found = measure_reps(
            one_set(one_rep()), tracks_of(landmarks), view_of(view), exact_settings()
        )
        for row in found.measures:
            claimed = {part.name: part.sd for part in row.parts}.get("landmark noise")
            if row.value is not None and claimed is not None:
                drawn.setdefault((row.name, row.limb), []).append((row.value, claimed))
    return {key: np.array(pairs) for key, pairs in drawn.items()}


@pytest.mark.parametrize("view", ["front", "right_side"])
def test_claimed_landmark_noise_is_the_scatter_of_every_measure(view):
    drawn = _drawn(view)
    assert len(drawn) == (11 if view == "front" else 5)
    for key, pairs in drawn.items():
        assert len(pairs) == DRAWS
        scatter, claimed = pairs[:, 0].std(ddof=1), np.sqrt((pairs[:, 1] ** 2).mean())
        # The largest of a noisy signal scatters less than one sample of it: never claimed less.
        low = 1 - SCATTER_TOLERANCE if "most_inward" not in key[0] else 0.5
        assert low < scatter / claimed < 1 + SCATTER_TOLERANCE, (key, scatter, claimed)


def test_noise_of_a_knee_angle_follows_its_first_order_formula():
    hip, knee, ankle = (np.array(p, dtype=float) for p in ((300, 400), (360, 600), (320, 810)))
    noise_px = (2.0, 3.0, 1.0)
    generator = np.random.default_rng(4)
    moved = [
        point + generator.normal(0.0, sd, (20000, 2))
        for point, sd in zip((hip, knee, ankle), noise_px, strict=True)
    ]
    upper, lower = moved[1] - moved[0], moved[2] - moved[1]
    turn = np.arctan2(
        upper[:, 0] * lower[:, 1] - upper[:, 1] * lower[:, 0], (upper * lower).sum(axis=1)
    )
    claimed = joint_angle_sd_deg(hip, knee, ankle, noise_px)
    np.testing.assert_allclose(claimed, np.degrees(turn).std(), rtol=0.02)


@pytest.mark.parametrize(
    "read",
    [
        lambda t, y, at: value_at_impact(t, y, at, MeasureSettings(), float(np.median(np.diff(t)))),
        lambda t, y, at: value_at(t, y, at, 0.06, float(np.median(np.diff(t)))),
    ],
)
def test_the_gain_of_a_reading_is_the_noise_it_lets_through(read):
    t_s = np.arange(0.0, 0.5, 1 / 60)
    generator = np.random.default_rng(2)
    values = [read(t_s, generator.normal(0.0, 1.0, len(t_s)), 0.253).value for _ in range(4000)]
    gain = read(t_s, np.zeros_like(t_s), 0.253).gain
    np.testing.assert_allclose(np.std(values), gain, rtol=0.04)
    assert gain < 1.0


def _moved(rep: Rep, landing_s: float, toe_off_s: float) -> Rep:
    """Return the rep with its events placed a little wrong."""
    landing, toe_off = (
        Event(LANDING_S + landing_s, IC_SD_S),
        Event(TOE_OFF_S + toe_off_s, TOE_OFF_SD_S),
    )
    assert rep.next_flight is not None
    return replace(
        rep,
        flight=replace(rep.flight, landing=landing),
        contacts=tuple(
            replace(contact, initial_contact=landing, toe_off=toe_off) for contact in rep.contacts
        ),
        next_flight=replace(rep.next_flight, take_off=toe_off),
    )


def test_claimed_timing_is_the_scatter_that_misplaced_events_make():
    generator = np.random.default_rng(9)
    tracks = tracks_of(seen(POSE, SQUARE_ON_DEG["right_side"]))
    names = ("contact_time", "reactive_strength_index", "knee_flexion_initial_contact")
    drawn: dict[str, list[tuple[float, float]]] = {name: [] for name in names}
    for _ in range(200):
        rep = _moved(one_rep(), generator.normal(0, IC_SD_S), generator.normal(0, TOE_OFF_SD_S))
        found = measure_reps(one_set(rep), tracks, view_of("right_side"), exact_settings())
        for row in found.measures:
            if row.name in names and row.limb in (None, "right"):
                parts = [p.sd for p in row.parts if p.name in _TIMING]
                assert row.value is not None
                drawn[row.name].append((row.value, float(np.linalg.norm(parts))))
    for name, pairs in drawn.items():
        values, claimed = np.array(pairs).T
        ratio = values.std(ddof=1) / np.sqrt((claimed**2).mean())
        # The next landing stays put here, and the knee is no straight line on both sides.
        assert 0.75 < ratio < 1.25, (name, ratio)


_TIMING = (TIMING, REP_TIMING, MODEL_TIMING, BOTH_LIMBS_TIMING)


def test_the_mean_of_many_reps_keeps_what_they_share():
    tracks = tracks_of(seen(POSE, SQUARE_ON_DEG["right_side"], noise_px=1.0))
    settings = exact_settings()
    for count in (1, 4, 16):
        reps = one_set(*[one_rep()] * count)
        found = with_set(
            measure_reps(reps, tracks, view_of("right_side"), settings), settings.measures
        )
        assert found.summaries
        for summary in found.summaries:
            row = next(
                m for m in found.measures if (m.name, m.limb) == (summary.name, summary.limb)
            )
            shared = np.linalg.norm([p.sd for p in row.parts if p.name not in OWN_PARTS])
            own = np.linalg.norm([p.sd for p in row.parts if p.name in OWN_PARTS])
            np.testing.assert_allclose(
                summary.mean_sd, np.hypot(shared, own / np.sqrt(count)), rtol=1e-6
            )


def test_a_set_of_means_covers_a_bias_that_all_reps_share():
    # Ten landings of one foot, each read 9 ms late: the mean of the set must still cover it.
    late = [_moved(one_rep(), 0.0, 0.009 + 0.002 * (-1) ** k) for k in range(10)]
    tracks = tracks_of(seen(POSE, 0.0))
    found = with_set(
        measure_reps(one_set(*late), tracks, view_of("front"), exact_settings()), MeasureSettings()
    )
    (summary,) = [s for s in found.summaries if (s.name, s.limb) == ("contact_time", "left")]
    assert abs(summary.mean - (TOE_OFF_S - LANDING_S)) < 1.96 * summary.mean_sd


def test_what_both_feet_are_read_late_by_is_in_the_contact_times_and_not_between_the_feet():
    tracks = tracks_of(seen(POSE, 0.0))
    found = measure_reps(one_set(one_rep()), tracks, view_of("front"), exact_settings())
    parts = {
        row.name: {part.name: part.sd for part in row.parts}
        for row in found.measures
        if row.value is not None
    }
    assert BOTH_LIMBS_TIMING in BOTH_LIMBS_PARTS
    assert parts["contact_time"][BOTH_LIMBS_TIMING] > parts["contact_time"][MODEL_TIMING] > 0
    assert parts["contact_time"][REP_TIMING] > 0
    assert not BOTH_LIMBS_PARTS & set(parts["inter_limb_delay"])
    assert parts["inter_limb_delay"][MODEL_TIMING] > 0


def test_a_landing_on_one_foot_keeps_for_itself_what_two_feet_would_share():
    tracks, view = tracks_of(seen(POSE, 0.0)), view_of("front")
    both, hop = one_rep(), replace(one_rep(), contacts=one_rep().contacts[:1], limbs=("left",))
    parts = [
        {part.name: part.sd for part in row.parts}
        for rep in (both, hop)
        for row in measure_reps(one_set(rep), tracks, view, exact_settings()).measures
        if (row.name, row.limb) == ("contact_time", "left")
    ]
    assert REP_TIMING not in parts[1]
    np.testing.assert_allclose(
        parts[1][TIMING], np.hypot(parts[0][TIMING], parts[0][REP_TIMING]), rtol=1e-9
    )
