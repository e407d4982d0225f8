"""What was seen of a patient until a week's end -> whether somebody should look first, and why.

A triage orders the week's work. It says nothing about a patient's health: no reason to look
first is not a reason to go on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.tables import Limb, Task, Verdict
from landing_analysis.trend.changes import VisitMean, has_grown

Kind = Literal["new finding", "side difference grown", "quality too poor to read", "first visit"]
KINDS: tuple[Kind, ...] = (
    "new finding", "side difference grown", "quality too poor to read", "first visit",
)  # fmt: skip
FIRST_VISIT: Kind = "first visit"
"""What lies outside a limit where nothing was judged before: to be known, no news."""


@dataclass(frozen=True)
class SetFinding:
    """One set held against one limit; ``text`` is the sentence of the clip's report."""

    task: Task | None
    name: str
    measure: str
    limb: Limb | None
    verdict: Verdict
    text: str

    @property
    def about(self) -> tuple[Task | None, str, str, Limb | None]:
        """What was held against what, whatever came out."""
        return self.task, self.name, self.measure, self.limb


@dataclass(frozen=True)
class VisitFacts:
    """What one visit showed.

    ``unread`` holds a sentence for each clip whose numbers are missing or too poor.
    """

    day: date
    findings: tuple[SetFinding, ...]
    unread: tuple[str, ...]


@dataclass(frozen=True)
class Reason:
    """One reason to look first."""

    kind: Kind
    text: str


def reasons_to_look(
    visits: Sequence[VisitFacts], sides: Sequence[VisitMean], first_day: date
) -> tuple[Reason, ...]:
    """Return why somebody should look at a patient's visits of one week first.

    Parameters
    ----------
    visits : of one patient until the end of the week, by day
    sides : limb against limb of the same visits, from `trend.side_means`
    first_day : of the week

    Returns
    -------
    tuple of Reason
        In the order of `KINDS`, each text once; empty when there is none. Those of
        `FIRST_VISIT` alone are no reason to look at somebody before others.
    """
    reasons: dict[Reason, None] = {}
    for number, visit in enumerate(visits):
        if visit.day >= first_day:
            earlier = visits[:number]
            found = (*_new_findings(visit, earlier), *_grown(visit.day, sides), *_unread(visit))
            reasons.update(dict.fromkeys(found))
    return tuple(sorted(reasons, key=lambda reason: KINDS.index(reason.kind)))


def _new_findings(visit: VisitFacts, earlier: Sequence[VisitFacts]) -> list[Reason]:
    """Find what lies outside a limit now and did not when it was last judged, each once."""
    first = not any(before.findings for before in earlier)
    kind: Kind = FIRST_VISIT if first else "new finding"
    reasons: dict[object, Reason] = {}
    for finding in visit.findings:
        if finding.verdict not in ("above", "below"):
            continue
        before = _last_verdicts(finding, earlier)
        if finding.verdict in before:
            continue
        when = "" if before or first else " Not judged at any earlier visit."
        text = f"{_task_words(finding.task)}{finding.text}{when}"
        reasons.setdefault((finding.about, finding.verdict), Reason(kind, text))
    return list(reasons.values())


def _task_words(task: Task | None) -> str:
    return f"{task.capitalize()}s: " if task else ""


def _last_verdicts(finding: SetFinding, earlier: Sequence[VisitFacts]) -> set[Verdict]:
    for visit in reversed(earlier):
        found = {f.verdict for f in visit.findings if f.about == finding.about}
        if found:
            return found
    return set()


def _grown(day: date, sides: Sequence[VisitMean]) -> list[Reason]:
    """Compare each side comparison of a day with the last one before it."""
    reasons = []
    for later in (side for side in sides if side.day == day):
        before = [
            side for side in sides
            if side.day < day and (side.task, side.name, side.family)
            == (later.task, later.name, later.family)
        ]  # fmt: skip
        if before and has_grown(before[-1], later):
            reasons.append(Reason("side difference grown", _growth(before[-1], later)))
    return reasons


def _growth(earlier: VisitMean, later: VisitMean) -> str:
    definition = DEFINITIONS[later.name]
    if definition.compare == "lsi":
        what, digits, unit = "limb symmetry index", 0, "%"
    else:
        what, digits, unit = "side difference", definition.decimals, definition.unit
    subject = f"{_task_words(later.task)}{definition.label}, {later.family} view"
    return (
        f"{subject}: {what} {later.value:.{digits}f} {unit} after {earlier.value:.{digits}f} "
        f"{unit} on {earlier.day}, more than the uncertainty of both."
    )


def _unread(visit: VisitFacts) -> list[Reason]:
    return [Reason("quality too poor to read", text) for text in visit.unread]
