"""Reliability and symmetry statistics against published worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from accuracy.table import wilson_interval

from landing_analysis.maths.kinematics import interval_sd_s
from landing_analysis.maths.statistics import (
    limb_symmetry_index_pct,
    minimal_detectable_change,
)
from landing_analysis.measures.summaries import compare_sides, summarise
from landing_analysis.settings import MeasureSettings
from landing_analysis.tables import Measure, UncertaintyPart

PRINTED_TO_2_DIGITS = 0.005


def test_minimal_detectable_change_of_hop_tests():
    # Reid A et al. Phys Ther 2007;87(3):337-349: SEM 3.04 % and 5.59 % give MDC90 7.05 % and
    # 12.96 %, with z rounded to 1.64. Status: read, reproduced.
    assert minimal_detectable_change(3.04, z=1.64) == pytest.approx(7.05, abs=PRINTED_TO_2_DIGITS)
    assert minimal_detectable_change(5.59, z=1.64) == pytest.approx(12.96, abs=PRINTED_TO_2_DIGITS)


def test_minimal_detectable_change_of_fppa():
    # Munro A, Herrington L, Carolan M. J Sport Rehabil 2012;21(1):7-11: SEM 2.72 deg, smallest
    # detectable difference 7.54 deg. Status: read, reproduced. (Their upper pair does not fit
    # the formula and is not used.)
    assert minimal_detectable_change(2.72) == pytest.approx(7.54, abs=PRINTED_TO_2_DIGITS)


def test_limb_symmetry_index_of_worked_values():
    # 200 against 250: LSI 80 %; status: derived from the formula of Gokeler 2017 (read).
    assert limb_symmetry_index_pct(200, 250) == pytest.approx(80.0)


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    # Wilson score interval, 95 %; status: derived.
    [
        (57, 60, 0.863, 0.983), (58, 60, 0.886, 0.991),
        (19, 20, 0.764, 0.991), (95, 100, 0.888, 0.978),
    ],
)  # fmt: skip
def test_wilson_interval_of_coverage_counts(successes, trials, low, high):
    np.testing.assert_allclose(wilson_interval(successes, trials), (low, high), atol=0.0005)


@pytest.mark.parametrize(
    ("fps", "mean_ms", "difference_ms"),
    # Contact times known to interval / sqrt(6) each: the mean of ten reps, and the difference
    # of two such means. Status: derived.
    [(30, 4.3, 6.1), (60, 2.2, 3.0), (120, 1.1, 1.5), (240, 0.5, 0.8)],
)
def test_ten_reps_show_what_one_cannot(fps, mean_ms, difference_ms):
    sd_s = interval_sd_s(1 / fps)
    parts = (UncertaintyPart("instant of the event", sd_s),)
    rows = tuple(
        Measure(rep, "contact_time", limb, 0.25, "s", sd_s, None, (), parts)
        for rep in range(1, 11)
        for limb in ("left", "right")
    )
    for summary in summarise(rows, MeasureSettings()):
        assert 1000 * summary.mean_sd == pytest.approx(mean_ms, abs=0.05)
    (sides,) = compare_sides(rows, "left")
    assert (sides.kind, sides.unit, sides.value) == ("lsi", "%", pytest.approx(100.0))
    # equal limbs: a difference of d is an index off by 100 d / 250 ms
    assert sides.sd * 2.5 == pytest.approx(difference_ms, abs=0.06)
