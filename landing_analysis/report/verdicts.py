"""Analysis -> how its values fell out against their limits, in words; computes no measure.

A verdict asks for one side of the interval only.
"""

from __future__ import annotations

from dataclasses import dataclass

from landing_analysis.definitions import DEFINITIONS, FRONTAL_VIEWS, is_fppa
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.judging import COVERAGE, TITLES, edges_of, favoured_limb, limb_words
from landing_analysis.findings.several import by_exercise
from landing_analysis.findings.tally import (
    WORST_FIRST,
    Key,
    RepCount,
    Tally,
    count_reps,
    judged_value,
    landings_that_count,
)
from landing_analysis.report.numbers import sentence
from landing_analysis.report.roles import with_roles
from landing_analysis.tables import (
    OUTSIDE,
    PROBABLY_OUTSIDE,
    Analysis,
    Exercise,
    Finding,
    Verdict,
)

SYMBOLS: dict[Verdict, str] = {
    "above": "▲", "probably above": "△", "below": "▼", "probably below": "▽",
    "cannot tell": "?", "probably within": "○", "within": "●",
}  # fmt: skip
_SAME_RANK: dict[Verdict, Verdict] = {"below": "above", "probably below": "probably above"}
Sets = tuple[Analysis, ...]
"""What a clip holds of each exercise, see `several.by_exercise`."""

_MOST_COUNTS = 3  # of findings in the first line (choice)


@dataclass(frozen=True)
class Gauge:
    """A value's 95 % interval and the limit's edges on one axis, per cent of its width."""

    low: float
    middle: float
    high: float
    limits: tuple[float, ...]


@dataclass(frozen=True)
class Headline:
    """One finding of a set; ``landings`` counts it out over its reps, empty without any.

    ``judged`` is the exercise and the value.
    """

    verdict: Verdict
    landings: str
    judged: tuple[Exercise | None, *Key]
    title: str
    limb: str
    text: str
    source: str
    gauge: Gauge


def headlines(sets: Sets) -> tuple[list[Headline], list[Headline]]:
    """Return the findings of all sets of a clip that need a look, and the rest.

    Outside a limit stands before probably outside, and both before undecided. Undecided signs
    of favouring are left to the sentence of `favouring_words`. Where a clip holds several
    exercises, each finding names its own.
    """
    of_sets = [(f, one) for one in sets for f in one.findings if f.rep is None]
    ordered = sorted(of_sets, key=lambda found: severity(found[0].verdict))
    first = [_headline(f, one, sets) for f, one in ordered if _needs_a_look(f)]
    rest = [_headline(f, one, sets) for f, one in ordered if not _needs_a_look(f)]
    return first, rest


def sets_of(analysis: Analysis) -> Sets:
    """Return the set of each exercise of a clip, in the words of a page."""
    return tuple(map(with_roles, by_exercise(analysis)))


def of_exercise(one: Analysis, sets: Sets, words: str) -> str:
    """Put the exercise before what is said of its set, where a clip holds several."""
    if len(sets) == 1 or one.decided.exercise is None:
        return words
    return f"{EXERCISES[one.decided.exercise].title} – {words[0].lower()}{words[1:]}"


def severity(verdict: Verdict) -> int:
    """Put the worse first, above and below alike."""
    return WORST_FIRST.index(_SAME_RANK.get(verdict, verdict))


def _needs_a_look(finding: Finding) -> bool:
    undecided = finding.verdict == "cannot tell" and finding.name != "limb_offloading"
    return undecided or finding.verdict in OUTSIDE | PROBABLY_OUTSIDE


def _headline(finding: Finding, analysis: Analysis, sets: Sets) -> Headline:
    return Headline(
        verdict=finding.verdict,
        landings=landings_words(_count_of(finding, analysis)),
        judged=(analysis.decided.exercise, *judged_value(finding)),
        title=of_exercise(analysis, sets, TITLES.get(finding.name, finding.name)),
        limb=limb_words(finding.limb, analysis.decided.surgical_side),
        text=sentence(finding.text),
        source=finding.source,
        gauge=_gauge(finding, analysis),
    )


def _counts(analysis: Analysis) -> tuple[RepCount, ...]:
    return count_reps(analysis.findings, landings_that_count(analysis.measures))


def _count_of(finding: Finding, analysis: Analysis) -> RepCount | None:
    about = finding.name, finding.measure, finding.limb
    counts = _counts(analysis)
    return next((one for one in counts if (one.name, one.measure, one.limb) == about), None)


def landings_words(count: RepCount | None) -> str:
    """Say in how many landings a limit was passed, surely and probably, and could not be told."""
    if count is None:
        return ""
    words = f"in {count.outside} of {count.reps} landing{'' if count.reps == 1 else 's'}"
    if count.probably_outside:
        words += f", probably in {count.probably_outside}"
    return words + (f", cannot tell in {count.cannot_tell}" if count.cannot_tell else "")


def first_lines(sets: Sets) -> list[str]:
    """Return `first_line` of the set, or of that of each exercise where a clip holds several."""
    lines = ((one, first_line(one)) for one in sets)
    return [of_exercise(one, sets, line) for one, line in lines if line]


def first_line(analysis: Analysis) -> str:
    """Say what lay outside a limit in how many landings, the most frequent first.

    What lay outside only probably is named where nothing did for sure; else it is counted.
    """
    counts = _counts(analysis)
    sure = [one for one in counts if one.outside]
    outside = [one for one in counts if one.is_outside]
    if not counts:
        return ""
    if not outside:
        unsure = max(one.cannot_tell for one in counts)
        words = "No value of any landing lies outside a limit, or probably so"
        if not unsure:
            return f"{words}."
        landings = f"{unsure} landing{'' if unsure == 1 else 's'}"
        return f"{words}; it cannot be told in up to {landings} of a limb."
    named = (sure or outside)[:_MOST_COUNTS]
    said = "; ".join(_count_words(one, analysis) for one in named)
    more = len(outside) - len(named)
    return f"{said[0].upper()}{said[1:]}{f'; {more} more below' if more else ''}."


def _count_words(count: RepCount, analysis: Analysis) -> str:
    title = finding_title(count)
    words = f"{title[0].lower()}{title[1:]} {landings_words(count)}"
    limb = limb_words(count.limb, analysis.decided.surgical_side)
    return f"{limb}: {words}" if limb else words


def finding_title(count: RepCount) -> str:
    """Name a finding, with its measure where several make the same one."""
    title = TITLES.get(count.name, count.name)
    if count.name != "limb_offloading":
        return title
    return f"{title}, {DEFINITIONS[count.measure].label.lower()},"


def _gauge(finding: Finding, analysis: Analysis) -> Gauge:
    limit = next(
        (
            limit
            for limit in analysis.limits
            if (limit.finding, limit.measure) == (finding.name, finding.measure)
        ),
        None,
    )
    lines = edges_of(finding, limit) if limit else (finding.limit,)
    reach = COVERAGE * finding.sd
    values = [finding.value - reach, finding.value + reach, *lines]
    low, high = min(values), max(values)
    width = (high - low) or 1.0

    def place(value: float) -> float:
        return round(6 + 88 * (value - low) / width, 1)

    return Gauge(
        place(finding.value - reach),
        place(finding.value),
        place(finding.value + reach),
        tuple(place(line) for line in lines),
    )


def favouring_words(analysis: Analysis) -> str | None:
    """Say where the set's evidence for favouring a limb points; None where none was judged."""
    if not any(f.name == "limb_offloading" and f.rep is None for f in analysis.findings):
        return None
    points_to, certain = favoured_limb(analysis.findings)
    if points_to == "none":
        return (
            "No sign of favouring a limb goes beyond its uncertainty. "
            "This is motion, not force: it does not show that both limbs carry the same load."
        )
    if points_to == "unclear":
        return "The signs of favouring a limb point both ways. They are motion, not force."
    limb = limb_words(points_to, analysis.decided.surgical_side)
    if not certain:
        return (
            f"The signs of favouring point to the {limb}, but not beyond their uncertainty: "
            "look again, film more reps. Motion, not force."
        )
    return f"The signs of favouring point to the {limb} being used more. Motion, not force."


def verdict_key(analysis: Analysis) -> str:
    """Say from which probability on a verdict is given, plainly or as probable."""
    pairs = dict.fromkeys((one.surely_pct, one.probably_pct) for one in analysis.limits)
    if len(pairs) != 1:
        return "Verdicts are given by the probability beside each limit."
    ((surely_pct, probably_pct),) = pairs
    return (
        f"“Above”, “below” and “within” are right with a probability of at least {surely_pct:g} %, "
        f"“probably” with at least {probably_pct:g} %; less is “cannot tell”."
    )


def tally_words(counted: Tally) -> str:
    """Say how the findings of the set fell out: every kind, so that none is passed over."""
    kinds = (
        (counted.outside, "outside a limit"),
        (counted.probably_outside, "probably outside"),
        (counted.cannot_tell, "cannot tell"),
        (counted.probably_within, "probably within"),
        (counted.within, "within"),
        (counted.not_measurable, "not measurable"),
    )
    words = ", ".join(f"{n} {kind}" for n, kind in kinds if n)
    if not words:
        return "No measure of this set has a limit that it could be held against."
    if not counted.few or counted.fewest_reps is None:
        return f"{words}."
    reps = f"{counted.fewest_reps} rep" + ("s" if counted.fewest_reps > 1 else "")
    if counted.few == counted.judged:
        return f"{words}, {reps}: too few for a verdict."
    return f"{words}. {counted.few} of them on {reps}: too few for a verdict."


def shows_fppa(analysis: Analysis) -> bool:
    """Whether the first page may name an FPPA, so that it has to say there what that is."""
    return analysis.decided.view in FRONTAL_VIEWS and names_fppa(analysis)


def names_fppa(analysis: Analysis) -> bool:
    """Whether the page names an FPPA anywhere, if only as not measurable."""
    return any(is_fppa(row.name) for row in analysis.measures.measures)
