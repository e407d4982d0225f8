"""The set: mean, spread, thirds and sides of rows written down by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from told import told

from landing_analysis.measures.summaries import REP_TIMING, TIMING, compare_sides, summarise
from landing_analysis.settings import MeasureSettings
from landing_analysis.tables import (
    LIMBS,
    Limb,
    Measure,
    SetSummary,
    SideComparison,
    UncertaintyPart,
)

UNITS = {"contact_time": "s", "flight_time": "s", "fppa_peak_flexion": "deg"}


def _row(
    rep: int, name: str, limb: Limb | None, value: float | None, own: float, shared: float
) -> Measure:
    unit = UNITS[name]
    if value is None:
        return Measure(rep, name, limb, None, unit, None, told("hidden"))
    parts = (UncertaintyPart("landmark noise", own), UncertaintyPart("pose model offset", shared))
    return Measure(rep, name, limb, value, unit, float(np.hypot(own, shared)), None, (), parts)


def _rows(values, name="fppa_peak_flexion", limb: Limb | None = "left", own=0.5, shared=1.5):
    return tuple(_row(k + 1, name, limb, value, own, shared) for k, value in enumerate(values))


def _only(summaries: tuple[SetSummary, ...]) -> SetSummary:
    assert len(summaries) == 1
    return summaries[0]


def test_mean_spread_and_uncertainty_of_a_set():
    found = _only(summarise(_rows([4.0, 6.0, 11.0]), MeasureSettings()))
    assert (found.reps_used, found.mean, found.unit) == (3, pytest.approx(7.0), "deg")
    assert found.sd == pytest.approx(np.std([4.0, 6.0, 11.0], ddof=1))
    # the spread is larger than the claimed noise, so the spread counts; the offset is shared
    assert found.mean_sd == pytest.approx(np.hypot(found.sd / np.sqrt(3), 1.5))


def test_reps_that_agree_too_well_do_not_beat_the_claimed_noise():
    found = _only(summarise(_rows([5.0, 5.0, 5.0, 5.0]), MeasureSettings()))
    assert found.sd == 0.0
    assert found.mean_sd == pytest.approx(np.hypot(0.5 / 2, 1.5))


def test_one_rep_has_no_spread():
    found = _only(summarise(_rows([5.0]), MeasureSettings()))
    assert found.sd is None
    assert found.mean_sd == pytest.approx(np.hypot(0.5, 1.5))


def test_rows_without_a_value_are_left_out():
    found = _only(summarise(_rows([4.0, None, 6.0]), MeasureSettings()))
    assert (found.reps_used, found.mean) == (2, pytest.approx(5.0))
    assert summarise(_rows([None, None]), MeasureSettings()) == ()


@pytest.mark.parametrize(
    ("name", "values", "best", "worst"),
    [
        ("flight_time", [0.30, 0.35, 0.28], 0.35, 0.28),  # higher is better
        ("fppa_peak_flexion", [-1.0, 4.0, 2.0], -1.0, 4.0),  # nearer zero is better
        ("contact_time", [0.2, 0.3], None, None),  # neither as such
    ],
)
def test_best_and_worst_follow_the_definition(name, values, best, worst):
    found = _only(
        summarise(_rows(values, name, None if name == "flight_time" else "left"), MeasureSettings())
    )
    assert (found.best, found.worst) == (best, worst)


def test_fatigue_is_the_last_third_minus_the_first():
    values = [1.0, 2.0, 2.0, 3.0, 4.0, 6.0, 8.0]
    found = _only(summarise(_rows(values), MeasureSettings()))
    assert found.first_third == pytest.approx(1.5)
    assert found.last_third == pytest.approx(7.0)
    assert found.fatigue == pytest.approx(5.5)
    # what all reps share cancels in a difference of thirds
    assert found.fatigue_sd == pytest.approx(np.std(values, ddof=1))


def test_a_short_set_has_no_thirds():
    found = _only(summarise(_rows([1.0, 2.0, 3.0, 4.0, 5.0]), MeasureSettings()))
    assert (found.first_third, found.last_third, found.fatigue, found.fatigue_sd) == (None,) * 4


def _sides(name: str, left, right, limb: Limb) -> SideComparison:
    rows = _rows(left, name, "left") + _rows(right, name, "right")
    (found,) = compare_sides(rows, limb)
    return found


def test_the_named_limb_stands_over_the_other():
    # 200 against 250: 80 % and 125 % (worked by hand).
    assert _sides("contact_time", [0.25], [0.20], "right").value == pytest.approx(80.0)
    assert _sides("contact_time", [0.25], [0.20], "left").value == pytest.approx(125.0)


def test_limbs_of_which_one_has_a_mean_of_nothing_are_not_set_over_each_other():
    rows = _rows([0.25], "contact_time", "left") + _rows([0.0], "contact_time", "right")
    assert compare_sides(rows, "left") == compare_sides(rows, "right") == ()


def test_angles_are_compared_by_a_difference():
    found = _sides("fppa_peak_flexion", [3.0], [9.0], "right")
    assert (found.kind, found.unit, found.value) == ("difference", "deg", pytest.approx(6.0))


def test_what_both_limbs_share_is_not_in_their_difference():
    parts = tuple(
        UncertaintyPart(f"pose model, {whose}", sd)
        for whose, sd in (("person", 1.2), ("limb", 0.5), ("clip", 1.5), ("posture", 2.0))
    )
    rows = tuple(
        replace(row, parts=parts)
        for limb in ("left", "right")
        for row in _rows([5.0, 5.0, 5.0, 5.0], limb=limb)
    )
    (found,) = compare_sides(rows, "left")
    assert found.sd == pytest.approx(np.sqrt(2 * (0.5**2 + 2.0**2 / 4)))
    mean_sd = np.sqrt(1.2**2 + 0.5**2 + 1.5**2 + 2.0**2 / 4)
    assert summarise(rows, MeasureSettings())[0].mean_sd == pytest.approx(mean_sd)


def _drawn_sides(generator, n: int, limb_s: float, own_s: float, left_out: int = 0):
    """Return a set's contact times: reps differ in both limbs alike, and values by themselves."""
    alike = generator.normal(0.0, limb_s, n)
    left, right = (0.30 + alike + generator.normal(0.0, own_s, n) for _ in LIMBS)
    seen = [None if k < left_out else value for k, value in enumerate(right)]
    return (
        *_rows(left, "contact_time", "left", own=own_s, shared=1e-9),
        *_rows(seen, "contact_time", "right", own=own_s, shared=1e-9),
    )


@pytest.mark.parametrize("left_out", [0, 2])
@pytest.mark.parametrize("limb_s", [0.0, 0.010, 0.040])
def test_the_claimed_uncertainty_of_limbs_against_each_other_is_their_scatter(limb_s, left_out):
    generator = np.random.default_rng(5)
    drawn = [
        compare_sides(_drawn_sides(generator, 8, limb_s, 0.012, left_out))[0] for _ in range(400)
    ]
    scatter = np.std([one.value for one in drawn])
    claimed = np.sqrt(np.mean([one.sd**2 for one in drawn]))
    # What is claimed of single values is the least: scatter that is lower by chance counts not.
    assert 0.95 * scatter < claimed < 1.3 * scatter


@pytest.mark.parametrize("n", [2, 3, 8])
@pytest.mark.parametrize("left_out", [0, 1])
def test_what_both_feet_err_by_alike_in_a_rep_is_in_no_difference_of_limbs(n, left_out):
    generator, own_s, alike_s = np.random.default_rng(6), 0.010, 0.020
    drawn = []
    for _ in range(400):
        rows = _drawn_sides(generator, n, alike_s, own_s, left_out)
        parts = (UncertaintyPart(TIMING, own_s), UncertaintyPart(REP_TIMING, alike_s))
        (side,) = compare_sides(tuple(replace(row, parts=parts) for row in rows))
        drawn.append(side)
    scatter = np.std([one.value for one in drawn])
    claimed = np.sqrt(np.mean([one.sd**2 for one in drawn]))
    assert 0.9 * scatter < claimed < 1.4 * scatter  # the claim is the least, scatter by chance less


def test_reps_that_are_longer_for_both_limbs_do_not_blur_their_difference():
    long_and_short = [0.25, 0.40, 0.25, 0.40, 0.25, 0.40]
    rows = [
        row
        for limb, more in (("left", 0.0), ("right", 0.03))
        for row in _rows([t + more for t in long_and_short], "contact_time", limb, own=0.006)
    ]
    (found,) = compare_sides(tuple(replace(row, parts=row.parts[:1]) for row in rows))
    claimed_s = 0.006 * np.sqrt(2 / 6)
    assert found.sd == pytest.approx(100 * claimed_s / 0.355, rel=0.05)


def test_one_limb_alone_is_compared_with_nothing():
    assert compare_sides(_rows([3.0]), "left") == ()


def test_the_uncertainty_of_an_index_is_the_scatter_of_ratios():
    generator = np.random.default_rng(6)
    rows = _rows([0.24], "contact_time", "left", own=0.012, shared=1e-9)
    rows += _rows([0.30], "contact_time", "right", own=0.012, shared=1e-9)
    (found,) = compare_sides(rows, "left")
    left, right = (generator.normal(mean, 0.012, 20000) for mean in (0.24, 0.30))
    np.testing.assert_allclose(found.sd, (100 * left / right).std(), rtol=0.03)
