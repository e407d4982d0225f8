"""The line through visits, against published and reference fits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress, t

from landing_analysis.maths.lines import fit_line

PRINTED_TO_4_DIGITS = 5e-5
ITERATED_TO = 1e-5

# Thirteen trials of a vaccine: cases and others among the vaccinated and not, and the latitude.
# Colditz GA et al. JAMA 1994;271:698-702; data from memory, sure: they reproduce the fit below.
TRIALS = np.array([
    (4, 119, 11, 128, 44), (6, 300, 29, 274, 55), (3, 228, 11, 209, 42),
    (62, 13536, 248, 12619, 52), (33, 5036, 47, 5761, 13), (180, 1361, 372, 1079, 44),
    (8, 2537, 10, 619, 19), (505, 87886, 499, 87892, 13), (29, 7470, 45, 7232, 27),
    (17, 1699, 65, 1600, 42), (186, 50448, 141, 27197, 18), (5, 2493, 3, 2338, 33),
    (27, 16886, 29, 17825, 33),
], dtype=float)  # fmt: skip


def test_the_random_effects_line_agrees_with_a_published_meta_regression():
    # Log risk ratio on latitude, restricted maximum likelihood: intercept 0.2515, slope -0.0291,
    # residual variance between trials 0.0764, iterated to 1e-5. Viechtbauer W. J Stat Softw
    # 2010;36(3), the worked example of its manual (memory, sure).
    cases, others, cases_without, others_without, latitude = TRIALS.T
    treated, control = cases + others, cases_without + others_without
    log_ratio = np.log(cases / treated / (cases_without / control))
    variance = 1 / cases - 1 / treated + 1 / cases_without - 1 / control
    found = fit_line(latitude, log_ratio, np.sqrt(variance))
    np.testing.assert_allclose(
        (found.intercept, found.slope), (0.2515, -0.0291), atol=PRINTED_TO_4_DIGITS
    )
    assert found.between_sd**2 == pytest.approx(0.0764, abs=PRINTED_TO_4_DIGITS + ITERATED_TO)


@pytest.mark.parametrize("sd", [0.01, 1.0, 30.0])
def test_equal_uncertainties_give_the_ordinary_line_whatever_is_claimed(sd):
    # scipy.stats.linregress: slope, its standard error, and Student's interval about the line.
    weeks = np.array([0.0, 1.0, 2.0, 4.0, 5.0, 7.0])
    values = np.array([9.1, 7.9, 8.8, 5.2, 6.0, 3.1])
    plain = linregress(weeks, values)
    found = fit_line(weeks, values, [sd] * len(weeks))
    np.testing.assert_allclose(
        (found.slope, found.slope_sd, found.intercept),
        (plain.slope, plain.stderr, plain.intercept),
        rtol=1e-6,
    )
    height, reach = found.at(0.0)
    assert found.reach == pytest.approx(t.ppf(0.975, len(weeks) - 2))
    assert height == pytest.approx(plain.intercept)
    assert reach == pytest.approx(found.reach * plain.intercept_stderr, rel=1e-6)


def test_unequal_uncertainties_weigh_as_in_a_reference_fit():
    # numpy.polyfit with weights 1 / sd; the values scatter by less than the sds, so nothing is
    # added to them.
    x, sds = np.arange(6.0), np.array([1.0, 3.0, 1.0, 2.0, 5.0, 1.0])
    y = 2.0 - 0.7 * x + 0.01 * np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
    slope, intercept = np.polyfit(x, y, 1, w=1 / sds)
    found = fit_line(x, y, sds)
    assert found.between_sd == 0.0
    np.testing.assert_allclose((found.slope, found.intercept), (slope, intercept), rtol=1e-9)


@pytest.mark.parametrize("x", [[0.0, 1.0], [3.0, 3.0, 3.0]])
def test_too_few_places_are_no_line(x):
    with pytest.raises(ValueError, match="three values or more"):
        fit_line(x, [1.0] * len(x), [1.0] * len(x))
