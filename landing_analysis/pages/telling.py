"""From which size on a visit's numbers tell limbs apart, or a change at the next visit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from landing_analysis.definitions import DEFINITIONS, printed_unit
from landing_analysis.maths.statistics import Z_95
from landing_analysis.pages.history import History
from landing_analysis.pages.words import is_index
from landing_analysis.report.numbers import number, spread_words
from landing_analysis.tables import Exercise
from landing_analysis.trend.alike import Way
from landing_analysis.trend.changes import Followed, Key, MinimalChange, best_family, judge_change
from landing_analysis.trend.visits import VisitMean

NOT_KNOWN = "not known yet"
"""A change for which no minimal detectable change is published or known from own repeats."""


@dataclass(frozen=True)
class Telling:
    """One measure, and in words from which size on its differences are told.

    ``sides`` is that of the limbs, empty where there is none; ``change`` that of one limb, or of
    the whole body, between two visits filmed like this one.
    """

    label: str
    sides: str
    change: str


def tellings(
    history: History,
    day: date,
    exercise: Exercise,
    way: Way,
    names: Iterable[str],
    minimal: Mapping[Key, MinimalChange],
) -> tuple[Telling, ...]:
    """Say what the sets of one exercise of a visit can tell.

    Parameters
    ----------
    history : of the patient
    day : of the visit
    exercise, way : of the sets
    names : measures, in order
    minimal : from the sets of the whole clinic

    Notes
    -----
    Limbs are told apart where 1.96 standard uncertainties of their difference leave out zero (100
    of an index); a change by `judge_change`, between this visit and another one just like it.
    """
    of_day = [v for v in history.visits if (v.day, v.exercise, v.way) == (day, exercise, way)]
    sides = [s for s in history.sides if (s.day, s.exercise, s.way) == (day, exercise, way)]
    found = []
    for name in names:
        family = best_family(of_day, exercise, name, way)
        means = [v for v in of_day if (v.name, v.family) == (name, family)]
        if family is not None:
            side = next((s for s in sides if (s.name, s.family) == (name, family)), None)
            key = Followed(exercise, way, name, family).key
            found.append(
                Telling(DEFINITIONS[name].label, _sides(side), _change(means, minimal.get(key)))
            )
    return tuple(found)


def _sides(side: VisitMean | None) -> str:
    if side is None:
        return ""
    if is_index(side.name):
        return f"{number(Z_95 * side.sd, 0)} %"
    return _size_words(Z_95 * side.sd, side.name)


def _change(means: Iterable[VisitMean], minimal: MinimalChange | None) -> str:
    needed = [judge_change(mean, mean, minimal).needed for mean in means]
    known = [one for one in needed if one is not None]
    name = next(mean.name for mean in means)
    return _size_words(max(known), name) if known else NOT_KNOWN


def _size_words(size: float, name: str) -> str:
    return f"{spread_words(size, name)} {printed_unit(name, share=False)}".rstrip()
