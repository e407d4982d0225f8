"""A straight line through values of unequal uncertainty that also scatter by more than it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import stdtrit

from landing_analysis.maths.statistics import TWO_SIDED_95
from landing_analysis.tables import FloatArray

_COEFFICIENTS = 2  # definition: of a straight line


@dataclass(frozen=True)
class FittedLine:
    """A line fitted to values, with what is known of it.

    Attributes
    ----------
    intercept, slope : at x = 0, and per unit of x
    slope_sd : standard error of the slope
    between_sd : scatter of the values about the line beyond their own uncertainty
    degrees : of freedom, the values less two
    """

    intercept: float
    slope: float
    slope_sd: float
    between_sd: float
    degrees: int
    covariance: FloatArray = field(repr=False)

    @property
    def reach(self) -> float:
        """How many standard errors a 95 % interval reaches to either side."""
        return float(stdtrit(self.degrees, TWO_SIDED_95))

    def at(self, x: float) -> tuple[float, float]:
        """Return the line's height at x and the half-width of its 95 % band."""
        row = np.array([1.0, x])
        return self.intercept + self.slope * x, self.reach * math.sqrt(row @ self.covariance @ row)


def fit_line(x: Sequence[float], y: Sequence[float], sds: Sequence[float]) -> FittedLine:
    """Fit a random-effects line: weighted least squares, the scatter beyond ``sds`` estimated.

    Parameters
    ----------
    x, y : at least three values, not all at one x
    sds : standard uncertainty of each y, above 0; what all of them share is to be left out

    Returns
    -------
    FittedLine

    Raises
    ------
    ValueError
        For fewer than three values or when all lie at one x.

    Notes
    -----
    Each value weighs 1 / (sd^2 + between_sd^2); ``between_sd`` by restricted maximum
    likelihood. Standard errors are those of Knapp and Hartung, by the scatter that is seen,
    with Student's t: uncertainties that are claimed too large or too small by one factor
    change nothing, and few values are not believed too much.

    References
    ----------
    Knapp G, Hartung J. Stat Med 2003;22:2693-2710 (memory, sure).
    """
    at, values = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if len(at) <= _COEFFICIENTS or np.ptp(at) == 0:
        raise ValueError("A line needs three values or more that do not all lie at one x.")
    design = np.column_stack([np.ones_like(at), at])
    own = np.square(np.asarray(sds, dtype=float))

    def misfit(between_sd: float) -> float:
        return _restricted_misfit(design, values, own + between_sd**2)

    widest = float(np.ptp(values)) or 1.0
    fine = 1e-8  # definition: where the search ends, far below any uncertainty
    found = minimize_scalar(misfit, bounds=(0.0, widest), method="bounded", options={"xatol": fine})
    between_sd = 0.0 if misfit(0.0) <= found.fun else float(found.x)
    coefficients, unscaled, squares = _weighted_fit(design, values, own + between_sd**2)
    degrees = len(at) - _COEFFICIENTS
    covariance: FloatArray = np.multiply(unscaled, squares / degrees)
    return FittedLine(
        intercept=float(coefficients[0]),
        slope=float(coefficients[1]),
        slope_sd=float(math.sqrt(covariance[1, 1])),
        between_sd=between_sd,
        degrees=degrees,
        covariance=covariance,
    )


def _weighted_fit(
    design: FloatArray, values: FloatArray, variances: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """Return the coefficients, their covariance and the weighted sum of squared residuals."""
    weighted = design / variances[:, None]
    covariance = np.asarray(np.linalg.inv(design.T @ weighted), dtype=np.float64)
    coefficients: FloatArray = covariance @ (weighted.T @ values)
    residuals = values - design @ coefficients
    return coefficients, covariance, float(np.sum(residuals**2 / variances))


def _restricted_misfit(design: FloatArray, values: FloatArray, variances: FloatArray) -> float:
    """Return twice the negative restricted log-likelihood, without its constant."""
    _, covariance, squares = _weighted_fit(design, values, variances)
    return float(np.log(variances).sum() - np.linalg.slogdet(covariance)[1] + squares)
