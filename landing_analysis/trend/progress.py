"""All visits of a patient -> the best and the latest reading of each exercise's leading measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from landing_analysis.tables import LIMBS, Exercise, Limb
from landing_analysis.trend.changes import VisitMean, best_family

LEADING = ("fppa_peak_flexion", "knee_flexion_peak", "contact_time")
"""Measures that can lead an exercise, the first that it has in most limbs."""
AIM_WORDS = (
    "Best: FPPA nearest to 0, peak knee flexion nearest to the taught target, contact time "
    "shortest."
)


@dataclass(frozen=True)
class Readings:
    """One limb's readings of one measure, seen in one way from one side."""

    limb: Limb
    best: VisitMean
    latest: VisitMean


def leading_readings(
    visits: Sequence[VisitMean], exercise: Exercise, target_deg: float
) -> tuple[str, tuple[Readings, ...]] | None:
    """Return the leading measure of an exercise, and the readings of each limb that has any.

    Parameters
    ----------
    visits : of one patient, by day
    exercise : its code
    target_deg : peak knee flexion that is taught

    Returns
    -------
    tuple or None
        None where no measure of `LEADING` was read. Readings that cannot be set against each
        other are not mixed: all are of sets done as the latest were, seen from one side.
    """
    own = [one for one in visits if one.exercise == exercise and one.limb and one.name in LEADING]
    if not own:
        return None
    alike = [one for one in own if one.way == own[-1].way]
    found = {name: _of_limbs(alike, exercise, name, target_deg) for name in LEADING}
    name = max(LEADING, key=lambda one: len(found[one]))
    return name, found[name]


def _of_limbs(
    visits: Sequence[VisitMean], exercise: Exercise, name: str, target_deg: float
) -> tuple[Readings, ...]:
    way = visits[-1].way
    family = best_family(visits, exercise, name, way)
    readings = []
    for limb in LIMBS:
        own = [v for v in visits if (v.name, v.limb, v.family) == (name, limb, family)]
        if own:
            aim = {"knee_flexion_peak": target_deg}.get(name, 0.0)
            best = min(own, key=lambda one: abs(one.value - aim))
            readings.append(Readings(limb, best, own[-1]))
    return tuple(readings)
