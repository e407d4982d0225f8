"""Reliability and symmetry statistics, each with its formula's source."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np

Z_95 = 1.96  # definition: of a normal distribution, two-sided
TWO_SIDED_95 = 0.975  # definition: the quantile that a two-sided 95 % interval ends at


def minimal_detectable_change(sem: float, z: float = Z_95) -> float:
    """Return the smallest change between two measurements that their errors do not explain.

    z sqrt(2) SEM. With z = 1.64, as Reid 2007 used, 3.04 % gives 7.05 %; with the
    exact 1.645 it gives 7.07 %.

    References
    ----------
    Weir 2005, as above. Reid A et al. Phys Ther 2007;87(3):337-349.
    """
    return z * math.sqrt(2.0) * sem


def limb_symmetry_index_pct(involved: float, uninvolved: float) -> float:
    """Return involved over uninvolved, per cent.

    Only for quantities with a true zero. Gokeler A et al. Knee Surg Sports
    Traumatol Arthrosc 2017;25:192-199.
    """
    return 100.0 * involved / uninvolved


def weighted_mean(*measured: tuple[float, float]) -> tuple[float, float]:
    """Return the mean of (value, standard uncertainty) pairs weighted by their uncertainties.

    With its own standard uncertainty, that of independent values. JCGM 100:2008
    (memory, sure).
    """
    weights = np.array([sd for _, sd in measured]) ** -2.0
    mean = float(np.average([value for value, _ in measured], weights=weights))
    return mean, float(weights.sum() ** -0.5)


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
