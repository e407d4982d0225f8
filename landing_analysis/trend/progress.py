"""All visits of a patient -> the best and the latest reading of each exercise's leading measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from landing_analysis.exercises import EXERCISES
from landing_analysis.tables import LIMBS, Exercise, Limb
from landing_analysis.trend.changes import best_family
from landing_analysis.trend.visits import VisitMean

_HIGHEST = ("thigh_angle_peak", "heel_height_peak")
AIM_WORDS = (
    "Best: FPPA nearest to 0, peak knee flexion nearest to the taught target, contact time "
    "shortest, thigh and heel highest (common practice, no source)."
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
        None where none of the exercise's leading measures was read in a limb. Readings that
        cannot be set against each other are not mixed: all are of sets done as the latest
        were, seen from one side.
    """
    names = EXERCISES[exercise].leading
    own = [one for one in visits if one.exercise == exercise and one.limb and one.name in names]
    if not own:
        return None
    alike = [one for one in own if one.way == own[-1].way]
    found = {name: _of_limbs(alike, exercise, name, target_deg) for name in names}
    name = max(names, key=lambda one: len(found[one]))
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
            best = min(own, key=lambda one: _from_aim(one, target_deg))
            readings.append(Readings(limb, best, own[-1]))
    return tuple(readings)


def _from_aim(one: VisitMean, target_deg: float) -> float:
    """Return how far a reading is from what is aimed for; the least is the best."""
    if one.name in _HIGHEST:
        return -one.value
    return abs(one.value - (target_deg if one.name == "knee_flexion_peak" else 0.0))
