"""Analysis -> the first page: what one sheet of paper holds of a set; computes no measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from landing_analysis.definitions import DEFINITIONS, FRONTAL_VIEWS, SIDE_VIEWS, printed_unit
from landing_analysis.findings.tally import unjudged
from landing_analysis.report.parts import (
    Headline,
    favouring_words,
    headlines,
    value_words,
)
from landing_analysis.report.pictures import KeyPicture
from landing_analysis.tables import LIMBS, Analysis, Limb, Measure
from landing_analysis.wording import words_of

MOST_LINES = 5


@dataclass(frozen=True)
class SheetLine:
    """One finding in words, under the badge that says how it fell out."""

    badge: str
    symbol: str
    title: str
    text: str


@dataclass(frozen=True)
class Shot:
    """The deepest moment of one rep that stands for a limb."""

    limb: Limb
    which: str
    value: str
    picture: KeyPicture


def shown_findings(analysis: Analysis) -> tuple[list[Headline], list[Headline]]:
    """Return the findings that the first page has room for, and the rest."""
    taken = sum(line is not None for line in (_missing_line(analysis), _favouring(analysis)))
    first, rest = headlines(analysis)
    return first[: MOST_LINES - taken], first[MOST_LINES - taken :] + rest


def closing_lines(analysis: Analysis) -> list[SheetLine]:
    """Return what follows the findings: what has no value, and where favouring points."""
    return [line for line in (_missing_line(analysis), _favouring(analysis)) if line is not None]


def _missing_line(analysis: Analysis) -> SheetLine | None:
    """Name what has a limit and no value in any rep, with the reason given most often."""
    missing = unjudged(
        analysis.measures, analysis.limits, analysis.decided, analysis.view.near_limb
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


def key_measure(analysis: Analysis) -> str:
    """Return the measure that the pictures and the plot of the first page are about."""
    view = analysis.decided.view
    wanted = (
        "fppa_peak_flexion" if view in FRONTAL_VIEWS else
        "knee_flexion_peak" if view in SIDE_VIEWS else "contact_time"
    )  # fmt: skip
    has_values = any(
        row.name == wanted and row.value is not None for row in analysis.measures.measures
    )
    return wanted if has_values else "contact_time"


def shots(analysis: Analysis, pictures: tuple[KeyPicture, ...]) -> list[Shot]:
    """Choose the pictures of each limb: its typical rep and its worst one.

    Typical is the rep nearest to the median. Worst there is only where training has a
    direction: FPPA farthest from 0, peak flexion farthest from the target. Of a side view only
    the limb near to the camera is shown.
    """
    name, near = key_measure(analysis), analysis.view.near_limb
    deepest = {p.rep: p for p in pictures if p.moment == "peak flexion"}
    found = []
    for limb in LIMBS if near is None else (near,):
        rows = [row for row in _with_value(analysis, name, limb) if row.rep in deepest]
        if not rows:  # a leg without its angle is shown all the same
            rows = [r for r in _with_value(analysis, "contact_time", limb) if r.rep in deepest]
        if not rows:
            continue
        median = float(np.median([row.value for row in rows if row.value is not None]))
        typical = min(rows, key=lambda row: abs((row.value or 0.0) - median))
        found.append(_shot("typical", typical, limb, deepest))
        worst = _worst(analysis, rows)
        if worst is not None and worst.rep != typical.rep:
            found.append(_shot("worst", worst, limb, deepest))
    return found


def shot_words(found: list[Shot], analysis: Analysis) -> str:
    """Say what typical and worst mean under the pictures."""
    words = "Typical: nearest to the median."
    if not any(shot.which.startswith("worst") for shot in found):
        return words
    if key_measure(analysis) == "fppa_peak_flexion":
        return f"{words} Worst: FPPA farthest from 0."
    target_deg = analysis.decided.target_flexion_deg
    return f"{words} Worst: peak flexion farthest from the target of {target_deg:g} deg."


def _worst(analysis: Analysis, rows: list[Measure]) -> Measure | None:
    """Return the row of the worst rep, None where no direction is better."""
    name = rows[0].name
    aim = {"knee_flexion_peak": analysis.decided.target_flexion_deg}.get(name, 0.0)
    if name not in ("fppa_peak_flexion", "knee_flexion_peak"):
        return None
    return max(rows, key=lambda row: abs((row.value or 0.0) - aim))


def _with_value(analysis: Analysis, name: str, limb: Limb) -> list[Measure]:
    return [
        row
        for row in analysis.measures.measures
        if (row.name, row.limb) == (name, limb) and row.value is not None and row.of_set
    ]


def _shot(which: str, row: Measure, limb: Limb, deepest: dict[int, KeyPicture]) -> Shot:
    value = f"{DEFINITIONS[row.name].label}: {value_words(row.value, row.name)}"
    value = f"{value} {printed_unit(row.name)}"
    return Shot(limb, f"{which}: rep {row.rep}", value, deepest[row.rep])
