"""Reliability and symmetry statistics, each with its formula's source."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np

from landing_analysis.tables import FloatArray

Z_95 = 1.96
Z_90 = 1.645


def sem_from_icc(sd: float, icc: float) -> float:
    """Return the standard error of measurement, SD sqrt(1 - ICC), in the unit of ``sd``.

    References
    ----------
    Weir JP. J Strength Cond Res 2005;19(1):231-240 (formula from memory, sure).
    """
    return sd * math.sqrt(1.0 - icc)


def minimal_detectable_change(sem: float, z: float = Z_95) -> float:
    """Return the smallest change between two measurements that their errors do not explain.

    z sqrt(2) SEM. With z = 1.64, as Reid 2007 used, 3.04 % gives 7.05 %; with the
    exact 1.645 it gives 7.07 %.

    References
    ----------
    Weir 2005, as above. Reid A et al. Phys Ther 2007;87(3):337-349.
    """
    return z * math.sqrt(2.0) * sem


class Agreement(NamedTuple):
    """Mean and standard deviation of paired differences, with the limits of agreement."""

    mean: float
    sd: float
    lower: float
    upper: float


def limits_of_agreement(first: FloatArray, second: FloatArray, z: float = Z_95) -> Agreement:
    """Return mean +- z SD of the differences ``first`` minus ``second``.

    Parameters
    ----------
    first, second : (n,) paired values in one unit

    References
    ----------
    Bland JM, Altman DG. Lancet 1986;i:307-310.
    """
    difference = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    return Agreement(mean, sd, mean - z * sd, mean + z * sd)


class Icc(NamedTuple):
    """The six intraclass correlation coefficients of Shrout & Fleiss, and the error's SD."""

    icc_1_1: float
    icc_2_1: float
    icc_3_1: float
    icc_1_k: float
    icc_2_k: float
    icc_3_k: float
    sem: float


def intraclass_correlations(ratings: FloatArray) -> Icc:
    """Return the six forms from a table of targets by judges (or visits).

    Parameters
    ----------
    ratings : (n targets, k judges), no missing values

    Returns
    -------
    Icc
        ``sem`` is the root of the residual mean square: systematic differences
        between judges are left out of it, as in the forms (3, .).

    References
    ----------
    Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428, through R documentation.
    """
    table = np.asarray(ratings, dtype=float)
    n, k = table.shape
    grand = table.mean()
    targets, judges = table.mean(axis=1), table.mean(axis=0)
    between = k * float(((targets - grand) ** 2).sum()) / (n - 1)
    within = float(((table - targets[:, None]) ** 2).sum()) / (n * (k - 1))
    of_judges = n * float(((judges - grand) ** 2).sum()) / (k - 1)
    residual = table - targets[:, None] - judges[None, :] + grand
    error = float((residual**2).sum()) / ((n - 1) * (k - 1))
    return Icc(
        (between - within) / (between + (k - 1) * within),
        (between - error) / (between + (k - 1) * error + k * (of_judges - error) / n),
        (between - error) / (between + (k - 1) * error),
        (between - within) / between,
        (between - error) / (between + (of_judges - error) / n),
        (between - error) / between,
        math.sqrt(error),
    )


def limb_symmetry_index_pct(involved: float, uninvolved: float) -> float:
    """Return involved over uninvolved, per cent.

    Only for quantities with a true zero. Gokeler A et al. Knee Surg Sports
    Traumatol Arthrosc 2017;25:192-199.
    """
    return 100.0 * involved / uninvolved


def symmetry_index_pct(a: float, b: float) -> float:
    """Return (a - b) over the mean of both, per cent. Robinson 1987 (memory, sure)."""
    return 100.0 * (a - b) / (0.5 * (a + b))


def symmetry_angle_pct(left: float, right: float) -> float:
    """Return (45 deg - atan(left / right)) / 90 deg, per cent. Zifchock 2008 (memory, sure)."""
    return 100.0 * (45.0 - math.degrees(math.atan2(left, right))) / 90.0


def wilson_interval(successes: int, trials: int, z: float = Z_95) -> tuple[float, float]:
    """Return the Wilson score interval of a share, 0..1."""
    share = successes / trials
    centre = share + z**2 / (2 * trials)
    reach = z * math.sqrt(share * (1 - share) / trials + z**2 / (4 * trials**2))
    scale = 1 + z**2 / trials
    return (centre - reach) / scale, (centre + reach) / scale


def weighted_mean(*measured: tuple[float, float]) -> tuple[float, float]:
    """Return the mean of (value, standard uncertainty) pairs weighted by their uncertainties.

    With its own standard uncertainty, that of independent values. JCGM 100:2008
    (memory, sure).
    """
    weights = np.array([sd for _, sd in measured]) ** -2.0
    mean = float(np.average([value for value, _ in measured], weights=weights))
    return mean, float(weights.sum() ** -0.5)


def combine(*sds: float) -> float:
    """Return the root of the sum of squares of independent standard uncertainties.

    JCGM 100:2008 (memory, sure).
    """
    return math.hypot(*sds)


class Repeats(NamedTuple):
    """Standard error of measurement from repeats, and how many repeats it rests on.

    ``degrees`` counts the repeats beyond the first of each group.
    """

    sem: float
    groups: int
    values: int
    degrees: int


def sem_from_repeats(groups: Iterable[Sequence[float]]) -> Repeats | None:
    """Return the root of the mean square within groups of repeated measurements.

    Parameters
    ----------
    groups : values of one thing measured again and again, in one unit; groups of one
        value tell nothing and are left out

    Returns
    -------
    Repeats, or None when nothing was repeated

    References
    ----------
    The MSW of Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428; SEM as its root: Weir
    2005, as above.
    """
    repeated = [np.asarray(group, dtype=float) for group in groups if len(group) > 1]
    if not repeated:
        return None
    degrees = sum(len(group) - 1 for group in repeated)
    squares = sum(float(((group - group.mean()) ** 2).sum()) for group in repeated)
    return Repeats(
        math.sqrt(squares / degrees), len(repeated), sum(map(len, repeated)), degrees
    )  # fmt: skip
