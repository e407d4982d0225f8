"""Analysis -> the first page: what one sheet of paper holds of a set; computes no measure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from landing_analysis.definitions import DEFINITIONS, FRONTAL_VIEWS, SIDE_VIEWS, printed_unit
from landing_analysis.exercises import EXERCISES, taught_deg
from landing_analysis.findings.tally import Tally, unjudged
from landing_analysis.report.numbers import value_words
from landing_analysis.report.pictures import KeyPicture
from landing_analysis.report.verdicts import (
    Headline,
    Sets,
    favouring_words,
    headlines,
    of_exercise,
)
from landing_analysis.tables import LIMBS, Analysis, Limb, Measure, View
from landing_analysis.wording import words_of

MOST_LINES = 5

Which = Literal["typical", "worst"]


@dataclass(frozen=True)
class SheetLine:
    """One finding in words, under the badge that says how it fell out."""

    badge: str
    symbol: str
    title: str
    text: str


@dataclass(frozen=True)
class Shot:
    """The deepest moment of one rep that stands for a limb.

    ``exercise`` names whose landing it is where a clip holds several, else it is empty.
    """

    limb: Limb
    which: str
    value: str
    picture: KeyPicture
    exercise: str = ""


def shown_findings(sets: Sets) -> tuple[list[Headline], list[Headline]]:
    """Return the findings that the first page has room for, and the rest."""
    room = max(MOST_LINES - len(closing_lines(sets)), 1)
    first, rest = headlines(sets)
    return first[:room], first[room:] + rest


def counted_words(counted: Tally, first: list[Headline], rest: list[Headline]) -> str | None:
    """Say where the values that were counted out stand, None where all stand on the first page."""
    if not rest:
        return None
    here = len({row.judged for row in first})
    below = counted.judged - here
    where = f"{here} here and {below}" if below else "all here, their other limits"
    return (
        f"Values judged: {counted.judged}, {where} under “More findings of the set” "
        f"({lines_words(rest)})."
    )


def lines_words(rest: list[Headline]) -> str:
    """Count the findings that the first page has no room for."""
    return f"{len(rest)} line{'' if len(rest) == 1 else 's'}, one for each limit of a value"


def closing_lines(sets: Sets) -> list[SheetLine]:
    """Return what follows the findings: what has no value, and where favouring points.

    What is the same of several exercises is said once.
    """
    lines = [(one, line) for one in sets for line in (_missing_line(one), _favouring(one)) if line]
    said = Counter(line.text for _, line in lines)
    found = {
        line.text: line
        if said[line.text] > 1
        else replace(line, title=of_exercise(one, sets, line.title))
        for one, line in lines
    }
    return list(found.values())


def _missing_line(analysis: Analysis) -> SheetLine | None:
    """Name what has a limit and no value in any rep, with the reason given most often."""
    missing = unjudged(
        analysis.measures,
        analysis.limits,
        analysis.decided.exercise,
        analysis.decided.view,
        analysis.view.near_limb,
    )
    if not missing:
        return None
    reasons = [
        words_of(row.reason)
        for row in analysis.measures.measures
        if (row.name, row.limb) in missing
    ]
    usual = max(dict.fromkeys(reasons), key=reasons.count)
    names: dict[str, list[str]] = {}
    for name, limb in missing:
        names.setdefault(DEFINITIONS[name].label, []).append(limb or "")
    listed = "; ".join(
        f"{label}, {' and '.join(limbs)}" if any(limbs) else label for label, limbs in names.items()
    )
    more = "" if len(set(reasons)) == 1 else " Other reasons stand below."
    return SheetLine("no value", "–", "Not measurable", f"{listed}: {usual}.{more}")


def _favouring(analysis: Analysis) -> SheetLine | None:
    words = favouring_words(analysis)
    return None if words is None else SheetLine("together", "Σ", "Favouring a limb", words)


# --- one picture per limb at its typical and at its worst rep ------------------------------------


def measure_of_view(view: View) -> str:
    """Return the measure that a view is filmed for."""
    if view in FRONTAL_VIEWS:
        return "fppa_peak_flexion"
    return "knee_flexion_peak" if view in SIDE_VIEWS else "contact_time"


def key_measure(analysis: Analysis) -> str:
    """Return the measure that the pictures and the plot of the first page are about."""
    wanted = measure_of_view(analysis.decided.view)
    has_values = any(
        row.name == wanted and row.value is not None for row in analysis.measures.measures
    )
    return wanted if has_values else "contact_time"


def target_of(analysis: Analysis) -> float | None:
    """Return the peak flexion that the exercise is held against, None for one that is not."""
    return taught_deg(analysis.decided.exercise, analysis.decided.target_flexion_deg)


def shots_of(sets: Sets, pictures: tuple[KeyPicture, ...]) -> list[Shot]:
    """Choose the pictures of a clip; where it holds several exercises, the typical rep of each."""
    if len(sets) == 1:
        return shots(sets[0], pictures)
    return [
        replace(shot, exercise=EXERCISES[one.reps.reps[0].exercise].title)
        for one in sets
        for shot in shots(one, pictures)
        if shot.which.startswith("typical")
    ]


def shots(analysis: Analysis, pictures: tuple[KeyPicture, ...]) -> list[Shot]:
    """Choose the pictures of each limb: its typical rep and its worst one.

    Of a side view only the limb near to the camera is shown.
    """
    name, near = key_measure(analysis), analysis.view.near_limb
    target_deg = target_of(analysis)
    deepest = {p.rep: p for p in pictures if p.moment == "peak flexion"}
    found = []
    for limb in LIMBS if near is None else (near,):
        rows = [row for row in _with_value(analysis, name, limb) if row.rep in deepest]
        if not rows:  # a leg without its angle is shown all the same
            rows = [r for r in _with_value(analysis, "contact_time", limb) if r.rep in deepest]
        if not rows:
            continue
        values = [row.value for row in rows if row.value is not None]
        for which, k in stand_for(values, rows[0].name, target_deg).items():
            found.append(_shot(which, rows[k], limb, deepest))
    return found


def stand_for(values: list[float], name: str, target_deg: float | None) -> dict[Which, int]:
    """Choose the reps that stand for a limb.

    Typical is the rep nearest to the median. Worst there is only where training has a
    direction: FPPA farthest from 0, peak flexion farthest from the target.

    Parameters
    ----------
    values : one or more of one measure of one limb
    name : of the measure
    target_deg : peak flexion that is taught, None in an exercise that is not held against it

    Returns
    -------
    dict
        Places in ``values``; no worst one where that is the typical one.
    """
    away = np.abs(np.subtract(values, np.median(values)))
    found: dict[Which, int] = {"typical": int(np.argmin(away))}
    aims = {"fppa_peak_flexion": 0.0, "knee_flexion_peak": target_deg}
    if (aim := aims.get(name)) is not None:
        worst = int(np.argmax(np.abs(np.subtract(values, aim))))
        if worst != found["typical"]:
            found["worst"] = worst
    return found


def shot_words(found: Iterable[str], name: str, target_deg: float | None) -> str:
    """Say what typical and worst mean under the pictures.

    Parameters
    ----------
    found : what is said of each picture, beginning with typical or worst
    name : of the measure
    target_deg : as for `stand_for`
    """
    words = "Typical: nearest to the median."
    if not any(which.startswith("worst") for which in found):
        return words
    if name == "fppa_peak_flexion":
        return f"{words} Worst: FPPA farthest from 0."
    return f"{words} Worst: peak flexion farthest from the target of {target_deg:g} deg."


def _with_value(analysis: Analysis, name: str, limb: Limb) -> list[Measure]:
    return [
        row
        for row in analysis.measures.measures
        if (row.name, row.limb) == (name, limb) and row.value is not None and row.of_set
    ]


def _shot(which: Which, row: Measure, limb: Limb, deepest: dict[int, KeyPicture]) -> Shot:
    words = measured_words(row.name, row.value, by_hand=row.by_hand)
    return Shot(limb, f"{which}: rep {row.rep}", words, deepest[row.rep])


def measured_words(name: str, value: float | None, *, by_hand: bool) -> str:
    """Return a value with its name and unit, marked where a person's corrections changed it."""
    words = f"{DEFINITIONS[name].label}: {value_words(value, name)} {printed_unit(name)}"
    return f"{words} ✎ set by hand" if by_hand else words
