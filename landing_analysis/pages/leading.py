"""The day's clips -> what the first sheet of a visit shows: one measure, and the reps for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from landing_analysis.definitions import DEFINITIONS, FRONTAL_VIEWS, SIDE_VIEWS
from landing_analysis.exercises import taught_deg
from landing_analysis.pages.history import History, used_reps
from landing_analysis.record.reading import StoredAnalysis
from landing_analysis.report.sheet import Which, stand_for
from landing_analysis.tables import Exercise, Limb, View, other_limb
from landing_analysis.trend.alike import Way

_NAMES: tuple[tuple[str, tuple[View, ...]], ...] = (
    ("fppa_peak_flexion", FRONTAL_VIEWS),
    ("knee_flexion_peak", SIDE_VIEWS),
    ("contact_time", DEFINITIONS["contact_time"].views),
)
"""What is shown where there is a choice, and the views that are filmed for it."""


@dataclass(frozen=True)
class Shown:
    """One rep that stands for a limb; ``by_hand`` where corrections changed its value."""

    which: Which
    limb: Limb
    analysis: StoredAnalysis
    rep: int
    value: float
    by_hand: bool


@dataclass(frozen=True)
class Leading:
    """The measure that the first sheet is about, and the reps that stand for each limb."""

    exercise: Exercise
    way: Way
    name: str
    target_deg: float | None
    reps: tuple[Shown, ...]


@dataclass(frozen=True)
class _Value:
    analysis: StoredAnalysis
    rep: int
    value: float
    by_hand: bool


def main_exercises(history: History, day: date) -> list[tuple[Exercise, Way]]:
    """Return the exercises of a day, those with most sets first, else in the ladder's order."""

    def used(one: tuple[Exercise, Way]) -> int:
        """Count the sets that have a used rep."""
        return sum(used_reps(of_set)[0] > 0 for of_set in history.sets_of(day, *one))

    return sorted(filter(used, history.exercise_ways), key=used, reverse=True)


def leading(history: History, day: date, main: Sequence[tuple[Exercise, Way]]) -> Leading | None:
    """Choose the first of a day's main exercises with values, and the measure most limbs have.

    Of that measure a limb's typical rep and its worst one are taken from all clips of the day
    that show the exercise in a view that is filmed for it, by the rule of a clip's report.
    """
    for exercise, way in main:
        alike = history.sets_of(day, exercise, way)
        found = [
            {
                limb: values
                for limb in (history.lead_limb, other_limb(history.lead_limb))
                if (values := _values(alike, views, name, limb))
            }
            for name, views in _NAMES
        ]
        most = max(range(len(found)), key=lambda k: len(found[k]))
        if found[most]:
            name = _NAMES[most][0]
            target_deg = taught_deg(exercise, float(alike[0].values["target_flexion_deg"]))
            reps = [
                one
                for limb, values in found[most].items()
                for one in _standing_for(values, limb, name, target_deg)
            ]
            return Leading(exercise, way, name, target_deg, tuple(reps))
    return None


def _values(
    analyses: Sequence[StoredAnalysis], views: tuple[View, ...], name: str, limb: Limb
) -> list[_Value]:
    """Return a limb's value of every landing that counts and is seen in some views."""
    return [
        _Value(analysis, row["rep"], float(row["value"]), bool(row["by_hand"]))
        for analysis in analyses
        if analysis.values["view"] in views
        for row in analysis.tables["measure"]
        if (row["name"], row["limb"]) == (name, limb)
        and row["value"] is not None
        and row["rep"] in analysis.landings_that_count
    ]


def _standing_for(
    values: list[_Value], limb: Limb, name: str, target_deg: float | None
) -> list[Shown]:  # fmt: skip
    chosen = stand_for([one.value for one in values], name, target_deg)
    return [
        Shown(which, limb, one.analysis, one.rep, one.value, one.by_hand)
        for which, one in ((which, values[k]) for which, k in chosen.items())
    ]
