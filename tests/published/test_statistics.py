"""Reliability and symmetry statistics against published worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from landing_analysis.maths.kinematics import interval_sd_s
from landing_analysis.maths.statistics import (
    combine,
    intraclass_correlations,
    limb_symmetry_index_pct,
    limits_of_agreement,
    minimal_detectable_change,
    sem_from_icc,
    symmetry_angle_pct,
    symmetry_index_pct,
    wilson_interval,
)
from landing_analysis.measures.summaries import compare_sides, summarise
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


# Bland JM, Altman DG. Lancet 1986;i:307-310, Table 1: peak flow, l/min. Data read.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_limits_of_agreement_of_the_peak_flow_table():
    # Mean -2.1176, SD 38.7651, +-2 SD -79.6479 / 75.4126, +-1.96 SD -78.0973 / 73.8620.
    # Status: derived from the data; the paper rounds to -79.7 / 75.5 (memory, sure).
    found = limits_of_agreement(WRIGHT, MINI)
    np.testing.assert_allclose(found, (-2.1176, 38.7651, -78.0973, 73.8620), atol=5e-5)
    wider = limits_of_agreement(WRIGHT, MINI, z=2.0)
    np.testing.assert_allclose((wider.lower, wider.upper), (-79.6479, 75.4126), atol=5e-5)


def test_six_intraclass_correlations():
    # Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428: six targets, four judges; printed .17
    # .29 .71 .44 .62 .91. Data from memory, sure: they reproduce the printed coefficients.
    ratings = np.array(
        [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    )
    found = intraclass_correlations(ratings)
    np.testing.assert_allclose(found[:6], (0.17, 0.29, 0.71, 0.44, 0.62, 0.91), atol=0.0051)
    assert minimal_detectable_change(found.sem) == pytest.approx(2.7987, abs=5e-5)


def test_standard_error_from_a_correlation():
    # SD sqrt(1 - ICC), Weir 2005 (formula from memory, sure); worked by hand: 5 sqrt(.36) = 3.
    assert sem_from_icc(5.0, 0.64) == pytest.approx(3.0, abs=1e-12)


def test_symmetry_of_worked_values():
    # 250 against 200: LSI 80 %, index 22.22 %, angle -7.045; status: derived from the formulas
    # of Gokeler 2017 (read), Robinson 1987 and Zifchock 2008 (memory, sure).
    assert limb_symmetry_index_pct(200, 250) == pytest.approx(80.0)
    assert symmetry_index_pct(250, 200) == pytest.approx(22.22, abs=PRINTED_TO_2_DIGITS)
    assert symmetry_angle_pct(250, 200) == pytest.approx(-7.045, abs=0.0005)
    assert symmetry_angle_pct(200, 250) == pytest.approx(7.045, abs=0.0005)
    assert symmetry_index_pct(200, 200) == 0.0


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


def test_rectangular_and_frame_parts_add_as_squares():
    # JCGM 100:2008 (memory, sure): width w has w / sqrt(12); two such give w / sqrt(6).
    w = 1 / 60
    assert combine(w / np.sqrt(12), w / np.sqrt(12)) == pytest.approx(w / np.sqrt(6))


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
    for summary in summarise(rows):
        assert 1000 * summary.mean_sd == pytest.approx(mean_ms, abs=0.05)
    (sides,) = compare_sides(rows, "left")
    assert (sides.kind, sides.unit, sides.value) == ("lsi", "%", pytest.approx(100.0))
    # equal limbs: a difference of d is an index off by 100 d / 250 ms
    assert sides.sd * 2.5 == pytest.approx(difference_ms, abs=0.06)
