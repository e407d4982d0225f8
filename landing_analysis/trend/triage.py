"""What was seen of a patient until a week's end -> whether somebody should look first, and why.

A triage orders the week's work. It says nothing about a patient's health: no reason to look
first is not a reason to go on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal, get_args

from landing_analysis.corrections import BY_HAND_WORDS
from landing_analysis.definitions import (
    DEFINITIONS,
    printed_decimals,
    printed_unit,
    printed_value,
)
from landing_analysis.exercises import EXERCISES
from landing_analysis.tables import OUTSIDE, Exercise, Limb, Verdict
from landing_analysis.trend.alike import ONE_WAY, Way
from landing_analysis.trend.changes import Change, has_grown

Kind = Literal[
    "pain or swelling", "new finding", "side difference grown", "quality too poor to read",
    "first visit",
]  # fmt: skip
KINDS: tuple[Kind, ...] = get_args(Kind)
FIRST_VISIT: Kind = "first visit"
"""What lies outside a limit where nothing was judged before: to be known, no news."""


@dataclass(frozen=True)
class SetFinding:
    """One set held against one limit; ``text`` is the sentence of the clip's report."""

    exercise: Exercise | None
    name: str
    measure: str
    limb: Limb | None
    verdict: Verdict
    text: str
    way: Way = ONE_WAY

    @property
    def about(self) -> tuple[Exercise | None, Way, str, str, Limb | None]:
        """What was held against what, whatever came out."""
        return self.exercise, self.way, self.name, self.measure, self.limb


@dataclass(frozen=True)
class VisitFacts:
    """What one visit showed.

    ``unread`` holds a sentence for each clip whose numbers are missing or too poor, ``warnings``
    what was noted of pain, swelling and distress of the joint.
    """

    day: date
    findings: tuple[SetFinding, ...]
    unread: tuple[str, ...]
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Flag:
    """One reason to look first."""

    kind: Kind
    text: str


def flags_to_look(
    visits: Sequence[VisitFacts], side_changes: Sequence[Change], first_day: date
) -> tuple[Flag, ...]:
    """Return why somebody should look at a patient's visits of one week first.

    Parameters
    ----------
    visits : of one patient until the end of the week, by day
    side_changes : of limb against limb, each from one of the visits to the next that shows
        it, from `changes.changes_in`
    first_day : of the week

    Returns
    -------
    tuple of Flag
        In the order of `KINDS`, each text once; empty when there is none. Those of
        `FIRST_VISIT` alone are no reason to look at somebody before others.
    """
    reasons: dict[Flag, None] = {}
    for number, visit in enumerate(visits):
        if visit.day >= first_day:
            earlier = visits[:number]
            found = (
                *_warned(visit),
                *_new_findings(visit, earlier),
                *_grown(visit.day, side_changes),
                *_unread(visit),
            )
            reasons.update(dict.fromkeys(found))
    return tuple(sorted(reasons, key=lambda reason: KINDS.index(reason.kind)))


def _new_findings(visit: VisitFacts, earlier: Sequence[VisitFacts]) -> list[Flag]:
    """Find what lies outside a limit now and did not when it was last judged, each once."""
    first = not any(before.findings for before in earlier)
    kind: Kind = FIRST_VISIT if first else "new finding"
    reasons: dict[object, Flag] = {}
    for finding in visit.findings:
        if finding.verdict not in OUTSIDE:
            continue
        before = _last_verdicts(finding, earlier)
        if finding.verdict in before:
            continue
        when = "" if before or first else " Not judged at any earlier visit."
        text = f"{_exercise_words(finding.exercise, finding.way)}{finding.text}{when}"
        reasons.setdefault((finding.about, finding.verdict), Flag(kind, text))
    return list(reasons.values())


def _exercise_words(exercise: Exercise | None, way: Way) -> str:
    words = [EXERCISES[exercise].title] if exercise else []
    words += ["from foot to foot"] if way.foot_to_foot else []
    words += [way.rhythm] if way.rhythm else []
    return f"{', '.join(words)}: " if words else ""


def _last_verdicts(finding: SetFinding, earlier: Sequence[VisitFacts]) -> set[Verdict]:
    for visit in reversed(earlier):
        found = {f.verdict for f in visit.findings if f.about == finding.about}
        if found:
            return found
    return set()


def _grown(day: date, side_changes: Sequence[Change]) -> list[Flag]:
    return [
        Flag("side difference grown", _growth(change))
        for change in side_changes if change.later.day == day and has_grown(change)
    ]  # fmt: skip


def _growth(change: Change) -> str:
    name, digits, unit, scale = change.later.name, 0, "%", 1.0
    what = "limb symmetry index"
    if DEFINITIONS[name].compare != "lsi":
        what, digits, unit = "side difference", printed_decimals(name), printed_unit(name)
        scale = printed_value(1.0, name)
    now, then, needed = (
        f"{scale * value:z.{digits}f} {unit}"
        for value in (change.later.value, change.earlier.value, change.needed or 0.0)
    )
    return (
        f"{_exercise_words(change.later.exercise, change.later.way)}{DEFINITIONS[name].label}, "
        f"{change.later.family} view: {what} {now} after {then} on {change.earlier.day}; "
        f"a real change exceeds {needed} ({change.why})."
        f"{f' {BY_HAND_WORDS}' if change.by_hand else ''}"
    )


def _warned(visit: VisitFacts) -> list[Flag]:
    if not visit.warnings:
        return []
    return [Flag("pain or swelling", f"Noted on {visit.day}: {'; '.join(visit.warnings)}.")]


def _unread(visit: VisitFacts) -> list[Flag]:
    return [Flag("quality too poor to read", text) for text in visit.unread]
