"""Measures -> Findings: each value against a cited limit, in words graded by their probability."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal, NamedTuple

from landing_analysis.definitions import (
    DEFINITIONS,
    is_fppa,
    printed_decimals,
    printed_unit,
    printed_value,
)
from landing_analysis.maths.statistics import Z_95
from landing_analysis.tables import (
    LIMBS,
    OUTSIDE,
    PROBABLY_OUTSIDE,
    Exercise,
    Finding,
    FootStrike,
    Limb,
    Limit,
    Measure,
    Measures,
    SetSummary,
    Verdict,
    other_limb,
)

COVERAGE = Z_95  # standard uncertainties in a 95 % interval (JCGM 100:2008; memory, sure)

TITLES = {
    "knee_inward": "Knee inward",
    "knee_outward": "Knee outward",
    "knees_together": "Knees together",
    "target_flexion": "Off the target flexion",
    "stiff_landing": "Stiff landing",
    "long_ground_contact": "Long ground contact",
    "heel_first_landing": "Heel-first landing",
    "limb_offloading": "Favouring a limb",
    "side_difference": "Side difference",
}
"""Every finding that a limit may belong to, and its heading in the report."""

_NONE: Mapping[int, Exercise] = MappingProxyType({})

SIGNED_MEASURES = ("pelvis_shift", "trunk_lean", "inter_limb_delay")
"""Whole-body measures whose sign points to a limb: positive to the left one."""


@dataclass(frozen=True)
class _Value:
    """What is judged: of one rep, or of the set when ``rep`` is None."""

    measure: str
    limb: Limb | None
    rep: int | None
    value: float
    sd: float
    frames: tuple[int, ...] = ()


class Odds(NamedTuple):
    """With what probability the true value lies below, within and above a limit; sums to 1."""

    below: float
    within: float
    above: float

    @property
    def outside(self) -> float:
        """The probability that the limit is passed."""
        return self.below + self.above


def odds(value: float, sd: float, limit: Limit) -> Odds:
    """Say how likely the true value lies on which side of a limit's edges.

    Parameters
    ----------
    value, sd : in the limit's unit; the error is taken as normal
    limit : upper, lower or band
    """
    low, high = edges(limit)
    below = 0.0 if low is None else _normal_share(low - value, sd)
    above = 0.0 if high is None else _normal_share(value - high, sd)
    return Odds(below, max(0.0, 1.0 - below - above), above)


def _normal_share(distance: float, sd: float) -> float:
    """Return the share of a normal distribution below a distance from its middle."""
    if sd == 0.0:
        return 0.5 * (1 + (distance > 0) - (distance < 0))
    return 0.5 * math.erfc(-distance / (sd * math.sqrt(2.0)))


def verdict(value: float, sd: float, limit: Limit) -> Verdict:
    """Hold a value with its standard uncertainty against a limit.

    Parameters
    ----------
    value, sd : in the limit's unit
    limit : upper, lower or band

    Returns
    -------
    ``above``, ``below`` or ``within`` with a probability of ``limit.surely_pct`` and more, the
    same with ``probably`` from ``limit.probably_pct`` on, else ``cannot tell``
    """
    found = odds(value, sd, limit)
    sides: dict[Verdict, float] = {
        "above": found.above, "below": found.below, "within": found.within
    }  # fmt: skip
    likeliest = max(sides, key=sides.__getitem__)
    if sides[likeliest] >= limit.surely_pct / 100:
        return likeliest
    return _PROBABLY[likeliest] if sides[likeliest] >= limit.probably_pct / 100 else "cannot tell"


_PROBABLY: dict[Verdict, Verdict] = {
    "above": "probably above", "below": "probably below", "within": "probably within"
}  # fmt: skip


def edges(limit: Limit) -> tuple[float | None, float | None]:
    """Return the lower and the upper edge of a limit, None where it has none.

    One edge for a limb symmetry index gives the other: 80 % is 125 % the other way round.
    """
    other = 100.0**2 / limit.value if _is_side(limit) and limit.value else None
    if limit.kind == "upper":
        return other, limit.value
    if limit.kind == "lower":
        return limit.value, other
    width = limit.half_width or 0.0
    return limit.value - width, limit.value + width


def judge_measures(
    measures: Measures,
    limits: tuple[Limit, ...],
    exercise: Exercise | None,
    of_reps: Mapping[int, Exercise] = _NONE,
) -> tuple[Finding, ...]:
    """Judge the mean of the set and every rep against every limit of its exercise.

    Parameters
    ----------
    measures : Measures
    limits : from the limits file
    exercise : that the set is of
    of_reps : the exercise of each rep by its number, where that may be another than the set's

    Returns
    -------
    tuple of Finding
        For each limit the set first (``rep`` None), then rep by rep. The finding
        ``side_difference`` judges limb symmetry indices and has no reps. Sentences name
        limbs left and right; which one is the surgical one a page says, by `with_roles`.
    """
    found: list[Finding] = []
    for limit in limits:
        values = _side_values(measures, limit) if _is_side(limit) else _values(measures, limit)
        found += [
            _finding(value, limit)
            for value in values
            if limit.is_for(exercise if value.rep is None else of_reps.get(value.rep, exercise))
        ]
    return tuple(found)


def _is_side(limit: Limit) -> bool:
    return limit.finding == "side_difference"


def _values(measures: Measures, limit: Limit) -> list[_Value]:
    sets = [_of_set(s) for s in measures.summaries if s.name == limit.measure]
    reps = [
        _Value(row.name, row.limb, row.rep, row.value, row.sd, row.frames)
        for row in measures.measures
        if row.name == limit.measure and row.value is not None and row.sd is not None
    ]
    return sets + reps


def _of_set(summary: SetSummary) -> _Value:
    return _Value(summary.name, summary.limb, None, summary.mean, summary.mean_sd)


def _side_values(measures: Measures, limit: Limit) -> list[_Value]:
    return [
        _Value(side.name, side.limb, None, side.value, side.sd)
        for side in measures.comparisons
        if side.name == limit.measure and side.kind == "lsi"
    ]


def foot_strike(row: Measure) -> FootStrike | None:
    """Name the foot strike that a toe to heel interval shows; None for any other row.

    ``toe-first`` and ``heel-first`` only where the interval's 95 % interval leaves 0 out.
    """
    if row.name != "toe_to_heel_interval" or row.value is None or row.sd is None:
        return None
    if abs(row.value) <= COVERAGE * row.sd:
        return "flat or too close to tell"
    return "toe-first" if row.value > 0 else "heel-first"


def limb_words(limb: Limb | None, surgical_side: Limb | None = None) -> str:
    """Name a limb as the clinician does: surgical or non-surgical where the side is known."""
    if limb is None:
        return ""
    if surgical_side is None:
        return f"{limb} limb"
    role = "surgical" if limb == surgical_side else "non-surgical"
    return f"{role} ({limb}) limb"


def in_roles(text: str, surgical_side: Limb | None) -> str:
    """Let a finding's sentence say which of the limbs it names is the surgical one.

    Parameters
    ----------
    text : as `judge_measures` makes and the record keeps it, with limbs named left and right
    surgical_side : as it is known when a page is made
    """
    for limb in LIMBS:
        text = text.replace(limb_words(limb), limb_words(limb, surgical_side))
    return text


def with_roles(finding: Finding, limits: Iterable[Limit], surgical_side: Limb | None) -> Finding:
    """Return a finding as a page gives it: the surgical limb named, and set against the other.

    Parameters
    ----------
    finding : as `judge_measures` makes and the record keeps it
    limits : that it was judged by
    surgical_side : as it is known when a page is made

    Notes
    -----
    What is kept compares the left limb with the right one. Where the right one is the surgical
    limb, index and limit are turned round; the probability, and so the verdict, stay what they
    were.
    """
    if surgical_side is None:
        return finding
    turned = finding
    if finding.name == "side_difference" and finding.limb != surgical_side and finding.value:
        limit = next((one for one in limits if _judged_by(finding, one)), None)
        turned = finding if limit is None else _turned(finding, limit)
    return replace(turned, text=in_roles(turned.text, surgical_side))


def _judged_by(finding: Finding, limit: Limit) -> bool:
    same = (limit.finding, limit.measure) == (finding.name, finding.measure)
    return same and any(edge and math.isclose(edge, finding.limit) for edge in edges(limit))


def edges_of(finding: Finding, limit: Limit) -> tuple[float, ...]:
    """Return the edges of a finding's limit, turned round where `with_roles` turned the finding."""
    known = [edge for edge in edges(limit) if edge is not None]
    if not _is_side(limit) or _judged_by(finding, limit):
        return tuple(known)
    return tuple(100.0**2 / edge for edge in reversed(known) if edge)


_OTHER_WAY: dict[Verdict, Verdict] = {
    "above": "below", "below": "above",
    "probably above": "probably below", "probably below": "probably above",
}  # fmt: skip


def _turned(finding: Finding, limit: Limit) -> Finding:
    """Turn a limb symmetry index round: 80 % is 125 % the other way."""
    low, high = (100.0**2 / edge for edge in reversed(edges(limit)) if edge)  # a side has both
    limb = None if finding.limb is None else other_limb(finding.limb)
    share = 100.0**2 / finding.value
    value = _Value(finding.measure, limb, None, share, finding.sd * share / finding.value)
    around = replace(limit, kind="band", value=(low + high) / 2, half_width=(high - low) / 2)
    judged = _OTHER_WAY.get(finding.verdict, finding.verdict)
    return replace(
        finding,
        limb=limb,
        value=value.value,
        sd=value.sd,
        limit=100.0**2 / finding.limit,
        verdict=judged,
        text=_sentence(value, around, judged, finding.probability),
    )


def toward_words(value: float, measure: str) -> str:
    """Say which limb a signed whole-body measure points to; empty for the others.

    A body carried toward one limb, or one foot that lands first, is read as that
    limb being used more: motion, not force.
    """
    if measure not in SIGNED_MEASURES:
        return ""
    limb: Limb = "left" if value > 0 else "right"
    words = limb_words(limb)
    if measure == "inter_limb_delay":
        return f"the {words} lands first"
    return f"the trunk and pelvis are shifted toward the {words}"


def _finding(value: _Value, limit: Limit) -> Finding:
    judged = verdict(value.value, value.sd, limit)
    outside = odds(value.value, value.sd, limit).outside
    low, high = edges(limit)
    nearest = min(
        (edge for edge in (low, high) if edge is not None), key=lambda e: abs(value.value - e)
    )
    return Finding(
        name=limit.finding,
        limb=value.limb,
        rep=value.rep,
        verdict=judged,
        value=value.value,
        sd=value.sd,
        limit=nearest,
        unit=limit.unit,
        source=limit.source,
        text=_sentence(value, limit, judged, outside),
        frames=value.frames,
        measure=value.measure,
        probability=outside,
    )


def _sentence(
    value: _Value, limit: Limit, judged: Verdict, probability: float | None
) -> str:  # fmt: skip
    definition = DEFINITIONS[value.measure]
    number, words = _number_words(value, limit)
    who = "the set" if value.rep is None else f"rep {value.rep}"
    limb = limb_words(value.limb)
    subject = f"{definition.label}, {limb}, {who}" if limb else f"{definition.label}, {who}"
    if _is_side(limit):
        other = next(limb_words(item) for item in LIMBS if item != value.limb)
        subject = f"{definition.label}, {limb} as a share of the {other}"
    toward = toward_words(value.value, value.measure)
    outside = judged in OUTSIDE | PROBABLY_OUTSIDE
    pointing = f"; {toward} (motion, not force)" if toward and outside else ""
    chance = "" if probability is None else (
        f"; passed with a probability of {probability_words(probability)}"
    )  # fmt: skip
    return f"{subject}: {number}, {_VERDICT_WORDS[judged]} (limit: {words}{chance}){pointing}."


def probability_words(probability: float) -> str:
    """Return a probability in whole per cent, never as certain.

    Rounded toward even odds: 79.6 % is not yet the 80 % from which a verdict is "probably".
    """
    least = 0.01  # definition: what whole per cent show
    if probability < least:
        return "under 1 %"
    if probability > 1 - least:
        return "over 99 %"
    per_cent = round(100 * probability, 6)  # 100 * 0.57 is not quite 57
    whole = math.floor(per_cent) if probability > 1 - probability else math.ceil(per_cent)
    return f"{whole} %"


def _number_words(value: _Value, limit: Limit) -> tuple[str, str]:
    """Return a value with half of its 95 % interval, and its limit, as they are printed."""
    digits = 0 if limit.unit == "%" else printed_decimals(limit.measure)
    scale = 1.0 if _is_side(limit) else printed_value(1.0, limit.measure)
    name = "%" if _is_side(limit) else printed_unit(limit.measure)
    unit = f" {name}" if name else ""
    sign = "+" if is_fppa(limit.measure) else "-"

    def shown(amount: float) -> str:
        return f"{scale * amount:{sign}z.{digits}f}"

    number = f"{shown(value.value)} ± {scale * COVERAGE * value.sd:.{digits}f}{unit}"
    low, high = edges(limit)
    if low is None:
        return number, f"at most {shown(high or 0.0)}{unit}"
    if high is None:
        return number, f"at least {shown(low)}{unit}"
    return number, f"{shown(low)} to {shown(high)}{unit}"


_VERDICT_WORDS: dict[Verdict, str] = {
    "above": "above the limit",
    "probably above": "probably above the limit",
    "below": "below the limit",
    "probably below": "probably below the limit",
    "within": "within the limit",
    "probably within": "probably within the limit",
    "cannot tell": "cannot tell on which side of the limit",
}


class Favoured(NamedTuple):
    """Where the evidence for favouring a limb points, and whether beyond its uncertainty."""

    limb: Literal["left", "right", "unclear", "none"]
    certain: bool


def favoured_limb(findings: tuple[Finding, ...]) -> Favoured:
    """Say where the set's evidence for favouring points: motion, not force.

    Lines of evidence are pelvis shift, trunk lean, inter-limb contact delay and, where both land
    together, contact time. They are certain where the set surely lies outside its limit; where
    none does, the values that lie outside their limits are taken as they are. Lines that
    disagree make it ``unclear``.
    """
    of_set = [item for item in findings if item.rep is None]
    both_feet = any(item.measure == "inter_limb_delay" for item in of_set)
    certain: set[Limb] = set()
    likely: set[Limb] = set()
    for item in of_set:
        if item.name == "limb_offloading" and item.measure in SIGNED_MEASURES:
            limb: Limb = "left" if item.value > 0 else "right"
            outside = abs(item.value) > abs(item.limit)
        elif item.name == "side_difference" and item.measure == "contact_time" and both_feet:
            difference_pct = item.value - 100.0
            limb = "left" if (item.limb == "left") == (difference_pct > 0) else "right"
            outside = abs(difference_pct) > abs(item.limit - 100.0)
        else:
            continue
        if item.verdict in OUTSIDE:
            certain.add(limb)
        elif outside:
            likely.add(limb)
    votes = certain or likely
    if not votes:
        return Favoured("none", certain=False)
    limb_or_not = next(iter(votes)) if len(votes) == 1 else "unclear"
    return Favoured(limb_or_not, bool(certain))
