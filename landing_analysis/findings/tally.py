"""(Measures, Findings, Limits) -> Tally: the findings of a set counted out, the unsure as well."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from landing_analysis.definitions import DEFINITIONS, SIDE_VIEWS
from landing_analysis.tables import (
    OUTSIDE,
    PROBABLY_OUTSIDE,
    Analysis,
    Exercise,
    Finding,
    Limb,
    Limit,
    Measures,
    Verdict,
    View,
)

FEWEST_REPS_FOR_VERDICT = 3  # two show their spread by one difference only (choice)

WORST_FIRST: tuple[Verdict, ...] = (
    "above", "below", "probably above", "probably below", "cannot tell", "probably within", "within"
)  # fmt: skip
Key = tuple[str, Limb | None, bool]
"""Measure, limb, and whether the limbs are set against each other: what is judged once."""


@dataclass(frozen=True)
class Tally:
    """How many findings of a set fell out how.

    Attributes
    ----------
    outside, probably_outside, cannot_tell, probably_within, within : judged values; one with
        two limits counts once, by the worse
    not_measurable : values that this view could show, that have a limit, and that no rep gave
    fewest_reps : behind the judged value that rests on fewest reps, None where none was judged
    few : judged values that rest on fewer than `FEWEST_REPS_FOR_VERDICT` reps
    """

    outside: int
    probably_outside: int
    cannot_tell: int
    probably_within: int
    within: int
    not_measurable: int
    fewest_reps: int | None
    few: int

    @property
    def judged(self) -> int:
        """How many values were held against a limit."""
        return (
            self.outside + self.probably_outside + self.cannot_tell
            + self.probably_within + self.within
        )  # fmt: skip


def added(tallies: Iterable[Tally]) -> Tally:
    """Count the findings of several sets together."""
    found = list(tallies)
    reps = [one.fewest_reps for one in found if one.fewest_reps is not None]
    return Tally(
        outside=sum(one.outside for one in found),
        probably_outside=sum(one.probably_outside for one in found),
        cannot_tell=sum(one.cannot_tell for one in found),
        probably_within=sum(one.probably_within for one in found),
        within=sum(one.within for one in found),
        not_measurable=sum(one.not_measurable for one in found),
        fewest_reps=min(reps, default=None),
        few=sum(one.few for one in found),
    )


def tally(analysis: Analysis) -> Tally:
    """Count out the findings of the set of one clip."""
    return tally_of_set(
        analysis.measures,
        analysis.findings,
        analysis.limits,
        analysis.decided.exercise,
        analysis.decided.view,
        analysis.view.near_limb,
    )


def tally_of_set(
    measures: Measures,
    findings: Iterable[Finding],
    limits: Iterable[Limit],
    exercise: Exercise | None,
    view: View,
    near_limb: Limb | None,
) -> Tally:
    """Count out the findings of the set by the tables that hold them.

    Parameters
    ----------
    measures, findings, limits, exercise, view : of one clip
    near_limb : of a side view, whose other limb has no angles in any case; else None
    """
    worst = worst_verdicts(
        (judged_value(finding), finding.verdict) for finding in findings if finding.rep is None
    )
    reps = [_reps_behind(measures, key) for key in worst]
    verdicts = list(worst.values())
    return Tally(
        outside=sum(one in OUTSIDE for one in verdicts),
        probably_outside=sum(one in PROBABLY_OUTSIDE for one in verdicts),
        cannot_tell=verdicts.count("cannot tell"),
        probably_within=verdicts.count("probably within"),
        within=verdicts.count("within"),
        not_measurable=len(unjudged(measures, limits, exercise, view, near_limb)),
        fewest_reps=min(reps, default=None),
        few=sum(n < FEWEST_REPS_FOR_VERDICT for n in reps),
    )


def judged_value(finding: Finding) -> Key:
    """Return what a finding judges, the same for every limit of one value."""
    return finding.measure, finding.limb, finding.name == "side_difference"


def worst_verdicts(verdicts: Iterable[tuple[Key, Verdict]]) -> dict[Key, Verdict]:
    """Return one verdict of each value that was judged, the worse where it has two limits."""
    worst: dict[Key, Verdict] = {}
    for key, verdict in verdicts:
        worst[key] = min((verdict, worst.get(key, verdict)), key=WORST_FIRST.index)
    return worst


@dataclass(frozen=True)
class RepCount:
    """In how many landings a value of one limb, or of the whole body, passed one limit."""

    name: str
    measure: str
    limb: Limb | None
    outside: int
    probably_outside: int
    cannot_tell: int
    reps: int

    @property
    def is_outside(self) -> bool:
        """Whether any landing lay outside, if only probably."""
        return self.outside + self.probably_outside > 0


def landings_that_count(measures: Measures) -> frozenset[int]:
    """Return the numbers of the reps that the set's means take in: no rebounds, for one."""
    return frozenset(row.rep for row in measures.measures if row.of_set)


def count_reps(findings: Iterable[Finding], landings: Collection[int]) -> tuple[RepCount, ...]:
    """Count the findings of single reps, limit by limit and limb by limb, most outside first.

    Parameters
    ----------
    findings : of a set and its reps
    landings : numbers of the reps that count
    """
    verdicts: dict[tuple[str, str, Limb | None], list[Verdict]] = {}
    for finding in findings:
        if finding.rep in landings:
            key = finding.name, finding.measure, finding.limb
            verdicts.setdefault(key, []).append(finding.verdict)
    counts = [
        RepCount(
            *key,
            outside=sum(one in OUTSIDE for one in found),
            probably_outside=sum(one in PROBABLY_OUTSIDE for one in found),
            cannot_tell=found.count("cannot tell"),
            reps=len(found),
        )
        for key, found in verdicts.items()
    ]
    return tuple(sorted(counts, key=lambda one: (-one.outside, -one.probably_outside)))


def unjudged(
    measures: Measures,
    limits: Iterable[Limit],
    exercise: Exercise | None,
    view: View,
    near_limb: Limb | None,
) -> tuple[tuple[str, Limb | None], ...]:
    """Return what has a limit and could be seen in this view, and has no value in any rep."""
    named = {
        limit.measure
        for limit in limits
        if limit.finding != "side_difference"
        and limit.is_for(exercise)
        and view in DEFINITIONS[limit.measure].views
    }
    rows = [row for row in measures.measures if row.name in named and row.of_set]
    asked = dict.fromkeys(
        (row.name, row.limb)
        for row in rows
        if DEFINITIONS[row.name].views != SIDE_VIEWS or row.limb in (None, near_limb)
    )
    given = {(row.name, row.limb) for row in rows if row.value is not None}
    return tuple(key for key in asked if key not in given)


def _reps_behind(measures: Measures, key: Key) -> int:
    """Return how many reps a judged value rests on; of a side difference, the fewer."""
    name, limb, side = key
    return min(
        (row.reps_used for row in measures.summaries if row.name == name)
        if side
        else (row.reps_used for row in measures.summaries if (row.name, row.limb) == (name, limb)),
        default=0,
    )
