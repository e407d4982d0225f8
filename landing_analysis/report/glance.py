"""Analysis -> the few numbers that the first page gives of a set; computes no measure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from landing_analysis.definitions import printed_unit
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.judging import COVERAGE
from landing_analysis.measures.summaries import (
    compare_sides,
    differ_by_less,
    rows_of_bout,
    summarise_bout,
)
from landing_analysis.reasons import Code, because
from landing_analysis.report.header import is_mixed
from landing_analysis.report.numbers import half_width_words, heading, number, value_words
from landing_analysis.report.rep_tables import measures_by_hand
from landing_analysis.tables import (
    LIMBS,
    Analysis,
    Bout,
    Exercise,
    Limb,
    SetSummary,
    SideComparison,
)
from landing_analysis.wording import words_of

MOST_ROWS = 5  # one sheet of paper holds no more beside findings and pictures (choice)
_COMMON = (
    "contact_time", "knee_flexion_initial_contact", "toe_to_heel_interval", "flight_time",
    "inter_limb_delay",
)  # fmt: skip
"""What is given of any exercise after its own telling measures, where there is room."""


@dataclass(frozen=True)
class Mean:
    """A mean with the half-width of its 95 % interval, and what else is said of it."""

    value: str
    half_width: str
    remark: str


@dataclass(frozen=True)
class GlanceRow:
    """One measure: a mean for each limb, or a single one of the whole body.

    ``sides`` is the limb symmetry index or the difference, or why there is none.
    """

    label: str
    means: tuple[Mean | None, ...]
    sides: str


@dataclass(frozen=True)
class Glance:
    """The table of a set or of one bout; its limbs are the columns, the surgical one first."""

    title: str
    limbs: tuple[Limb, ...]
    rows: tuple[GlanceRow, ...]

    @property
    def compares(self) -> bool:
        """Whether any measure sets the limbs against each other."""
        return any(row.sides for row in self.rows)


def glances(analysis: Analysis) -> list[Glance]:
    """Return the table of the set, or one of each bout where a clip holds several.

    None of a set of several exercises without bouts: they are never averaged.
    """
    measures = analysis.measures
    if len(analysis.reps.bouts) > 1:
        return [_of_bout(bout, analysis) for bout in analysis.reps.bouts]
    exercise = analysis.decided.exercise
    if exercise is None or is_mixed(analysis) or not measures.summaries:
        return []
    used = sum(rep.used and not rep.rebound for rep in analysis.reps.reps)
    sides = {one.name: words_of(one.reason) for one in measures.not_compared}
    sides |= _against_each_other(measures.comparisons)
    return [
        _glance(
            "The set at a glance", exercise, measures.summaries, sides, used,
            analysis.decided.surgical_side, measures_by_hand(analysis),
        )
    ]  # fmt: skip


def telling_measures(exercise: Exercise) -> tuple[str, ...]:
    """Return the measures that say most of an exercise, the most telling first."""
    entry = EXERCISES[exercise]
    return tuple(dict.fromkeys((*entry.leading, *entry.measures, *_COMMON)))


def _of_bout(bout: Bout, analysis: Analysis) -> Glance:
    surgical = analysis.decided.surgical_side
    reps, rows = analysis.reps.reps, analysis.measures.measures
    of_bout = bout, reps, analysis.view.view, rows
    summaries, frame_s = summarise_bout(*of_bout), 1.0 / analysis.tracks.rate_hz
    alike = words_of(because(Code.LESS_THAN_A_FRAME_APART, frame_ms=1000.0 * frame_s))
    sides = {
        item.name: alike if differ_by_less(item.name, summaries, frame_s) else _sides(item)
        for item in compare_sides(rows_of_bout(*of_bout), surgical or LIMBS[0])
    }
    used = sum(rep.used for rep in reps if rep.number in bout.reps)
    return _glance(
        _bout_title(bout, used, analysis), bout.exercise, summaries, sides, used, surgical,
        measures_by_hand(analysis, bout.reps),
    )  # fmt: skip


def _bout_title(bout: Bout, used: int, analysis: Analysis) -> str:
    entry = EXERCISES[bout.exercise]
    words = f"{bout.number}. {entry.title}: {len(bout.reps)} × {entry.rep}"
    if used < len(bout.reps):
        words += f", {used} of them measured"
    if analysis.decided.time_base.doubt is not None:
        return words
    lasted_s = bout.end_s - bout.start_s
    return f"{words}, {number(bout.start_s, 1)} to {number(bout.end_s, 1)} s ({lasted_s:.1f} s)"


def _glance(
    title: str,
    exercise: Exercise,
    summaries: Iterable[SetSummary],
    sides: Mapping[str, str],
    reps: int,
    surgical: Limb | None,
    by_hand: Collection[tuple[str, Limb | None]],
) -> Glance:
    by_name: dict[str, dict[Limb | None, SetSummary]] = {}
    for summary in summaries:
        by_name.setdefault(summary.name, {})[summary.limb] = summary
    shown = [name for name in telling_measures(exercise) if name in by_name][:MOST_ROWS]
    limbs = tuple(
        limb
        for limb in sorted(LIMBS, key=lambda one: one != surgical)
        if any(limb in by_name[name] for name in shown)
    )
    rows = tuple(
        GlanceRow(heading(name), _means(by_name[name], limbs, reps, by_hand), sides.get(name, ""))
        for name in shown
    )
    return Glance(title, limbs, rows)


def _means(
    found: dict[Limb | None, SetSummary],
    limbs: tuple[Limb, ...],
    reps: int,
    by_hand: Collection[tuple[str, Limb | None]],
) -> tuple[Mean | None, ...]:
    if None in found:
        return (_mean(found[None], reps, by_hand),)
    return tuple(_mean(found[limb], reps, by_hand) if limb in found else None for limb in limbs)


def _mean(
    summary: SetSummary, reps: int, by_hand: Collection[tuple[str, Limb | None]]
) -> Mean:  # fmt: skip
    name, behind = summary.name, summary.reps_used
    remarks = [] if behind == reps else [f"{behind} rep{'' if behind == 1 else 's'}"]
    change, sd = summary.fatigue, summary.fatigue_sd
    if change is not None and sd is not None and abs(change) > COVERAGE * sd:
        sign = "+" if change > 0 else ""
        more = f"{sign}{value_words(change, name).lstrip('+')}"
        remarks.append(f"last third {more} ± {half_width_words(sd, name)}")
    if (name, summary.limb) in by_hand:
        remarks.append("✎ set by hand")
    return Mean(
        value_words(summary.mean, name), half_width_words(summary.mean_sd, name), ", ".join(remarks)
    )


def _against_each_other(comparisons: Iterable[SideComparison]) -> dict[str, str]:
    return {item.name: _sides(item) for item in comparisons}


def _sides(item: SideComparison) -> str:
    if item.kind == "lsi":
        return f"{number(item.value, 0)} ± {number(COVERAGE * item.sd, 0)} %"
    half_width = half_width_words(item.sd, item.name)
    unit = printed_unit(item.name, share=False)
    return f"{value_words(item.value, item.name)} ± {half_width} {unit}".rstrip()
