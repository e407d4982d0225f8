"""One visit -> plain sentences for the patient's chart: values with their intervals, no more."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.pages.history import History, left_out_words, set_findings, used_reps
from landing_analysis.pages.words import (
    FAMILY_WORDS,
    amount,
    day_words,
    exercise_words,
    is_index,
    limb_role,
    side_amount,
    since_surgery,
)
from landing_analysis.report.glance import telling_measures
from landing_analysis.report.numbers import sentence
from landing_analysis.tables import OUTSIDE, PROBABLY_OUTSIDE, Exercise, other_limb
from landing_analysis.trend.alike import Way
from landing_analysis.trend.changes import best_family
from landing_analysis.trend.visits import VisitMean

_CLOSING = (
    "± is the half-width of the 95 % confidence interval. Two-dimensional angles and times from "
    "one camera; they describe the motion and clear nobody. The report of each clip has all values."
)


def chart_text(
    history: History, day: date, entered: Iterable[str] = (), notes: Iterable[str] = ()
) -> str:
    """Return what can be copied into a chart about one visit: the most telling of its values.

    Parameters
    ----------
    history : of the patient
    day : of the visit
    entered : plan, symptoms and remarks of the session, a line each
    notes : of the clinician, which go in as they are
    """
    patient = history.patient
    lines = [f"{patient.code}, {day_words(day)}, {since_surgery(patient, day)}."]
    if patient.surgical_side:
        lines.append(f"Surgical limb: {patient.surgical_side}.")
    lines += [f"{line[0].upper()}{line[1:].rstrip('.')}." for line in entered]
    for exercise, way in history.exercise_ways:
        lines += _exercise(history, day, exercise, way)
    lines += _by_hand(history, day)
    lines += left_out_words(history, day)
    lines += [f"Note: {note}" for note in notes]
    return "\n".join([*lines, _CLOSING])


def _by_hand(history: History, day: date) -> Iterator[str]:
    """Say which values rest on contacts or landmarks that a person set."""
    for one in history.analyses:
        names = dict.fromkeys(row["name"] for row in one.tables["measure"] if row["by_hand"])
        if one.date == day and names:
            labels = ", ".join(DEFINITIONS[name].label for name in names if name in DEFINITIONS)
            yield (
                f"In set {one.values['set_number']} contacts or landmarks were set by hand, on "
                f"which these rest: {labels}."
            )


def _exercise(history: History, day: date, exercise: Exercise, way: Way) -> Iterator[str]:
    sets = history.sets_of(day, exercise, way)
    if not sets:
        return
    used, counted = (sum(numbers) for numbers in zip(*map(used_reps, sets), strict=True))
    clips = f"{len(sets)} clip" + ("" if len(sets) == 1 else "s")
    yield f"{exercise_words(exercise, way)}: {clips}, {counted} reps, {used} used."
    asked = (day, exercise, way)
    means = [one for one in history.visits if (one.day, one.exercise, one.way) == asked]
    sides = [one for one in history.sides if (one.day, one.exercise, one.way) == asked]
    for name in telling_measures(exercise):
        family = best_family(means, exercise, name, way)
        if family is None:
            continue
        yield _measure(
            history, name, family,
            [mean for mean in means if (mean.name, mean.family) == (name, family)],
            next((s for s in sides if (s.name, s.family) == (name, family)), None),
        )  # fmt: skip
    for one in sets:
        for finding in set_findings(history, one):
            if finding.verdict in OUTSIDE | PROBABLY_OUTSIDE:
                probably = "Probably outside" if finding.verdict in PROBABLY_OUTSIDE else "Outside"
                yield f"{probably} a limit: {sentence(finding.text)}"


def _measure(
    history: History, name: str, family: str, means: list[VisitMean], side: VisitMean | None
) -> str:
    """Return one measure of both limbs, and limb against limb where both are known."""
    ours = history.patient.surgical_side
    of_limbs = [mean for mean in means if mean.limb is not None]
    means = of_limbs or means  # else of reps of which nobody knows from which foot they left
    means.sort(key=lambda mean: mean.limb != history.lead_limb)
    values = []
    for mean in means:
        found = amount(mean)
        unit = f" {found.unit}" if found.unit else ""
        values.append(f"{limb_role(mean.limb, ours)} {found.value} ± {found.half_width}{unit}")
    words = f"{DEFINITIONS[name].label}, {FAMILY_WORDS[family]}: {', '.join(values)}"
    if side is not None and not side.within_a_frame:
        found, other = side_amount(side), limb_role(other_limb(history.lead_limb), ours)
        against = f"{found.value} ± {found.half_width} {found.unit}".rstrip()
        words += f"; LSI {against} of {other}" if is_index(name) else f"; difference {against}"
    return f"{words}."
