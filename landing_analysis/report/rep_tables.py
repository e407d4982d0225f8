"""Analysis -> the tables of reps and of the set, as plain rows; computes no measure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from landing_analysis.definitions import VIEW_WORDS
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.judging import TITLES, foot_strike
from landing_analysis.report.header import is_mixed
from landing_analysis.report.numbers import half_width_words, heading, spread_words, value_words
from landing_analysis.report.verdicts import SYMBOLS
from landing_analysis.tables import (
    LIMBS,
    OUTSIDE,
    PROBABLY_OUTSIDE,
    Analysis,
    Limb,
    Measure,
    Rep,
    SetSummary,
)
from landing_analysis.wording import words_of

_TABLES = (
    ("Time", ("contact_time", "time_to_peak_flexion", "flight_time", "jump_height",
              "reactive_strength_index", "inter_limb_delay", "toe_to_heel_interval")),
    ("Knee flexion and trunk, side view", (
        "knee_flexion_initial_contact", "knee_flexion_peak", "knee_flexion_excursion",
        "knee_flexion_target_difference", "trunk_flexion")),
    ("Knee in the frontal plane", ("fppa_initial_contact", "fppa_peak_flexion",
                                   "fppa_peak_inward", "knee_over_toes_offset")),
    ("Body in the frontal plane", ("knee_ankle_separation_ratio", "pelvis_shift", "trunk_lean")),
)  # fmt: skip


def rep_flags(analysis: Analysis, rep: Rep) -> list[str]:
    """Return what lies outside a limit in one rep, or probably so, in a few words each."""
    limbs: dict[tuple[str, str], list[str]] = {}
    for finding in analysis.findings:
        if finding.rep == rep.number and finding.verdict in OUTSIDE | PROBABLY_OUTSIDE:
            title = TITLES.get(finding.name, finding.name).lower()
            title = f"probably {title}" if finding.verdict in PROBABLY_OUTSIDE else title
            found = limbs.setdefault((SYMBOLS[finding.verdict], title), [])
            if finding.limb and finding.limb not in found:
                found.append(finding.limb)
    return [
        f"{symbol} {title}" + (f", {' and '.join(found)}" if found else "")
        for (symbol, title), found in limbs.items()
    ]


def rep_times(analysis: Analysis, rep: Rep) -> str:
    """Return when a rep landed, by the clip's own clock."""
    landing = rep.flight.landing
    words = "no landing seen"
    if landing is not None:
        shown_s = float(np.interp(landing.t_s, analysis.tracks.t_s, analysis.clip.t_s))
        words = f"lands at {shown_s:.2f} s"
    if rep.view not in (None, analysis.decided.view):
        words += f", seen {VIEW_WORDS[rep.view]}"
    if rep.rebound:
        words += ", rebound"
    return f"{EXERCISES[rep.exercise].rep}, {words}" if is_mixed(analysis) else words


@dataclass(frozen=True)
class Cell:
    """One value of a table: ``note`` is the letter of the reason where there is none.

    ``word`` names what the value means, where a word does. It is ``by_hand`` where a
    person's corrections made it another, ``corrected`` where the pose model's usual error is
    taken off.
    """

    value: str
    half_width: str = ""
    note: str = ""
    word: str = ""
    by_hand: bool = False
    corrected: bool = False


@dataclass(frozen=True)
class Column:
    """One measure of one limb, of the whole body when ``limb`` is None."""

    name: str
    limb: Limb | None


@dataclass(frozen=True)
class Heading:
    """One measure above the columns of its limbs."""

    label: str
    span: int


@dataclass(frozen=True)
class TableRow:
    """One line of a table; a rep that is not used has a reason instead of cells."""

    label: str
    cells: tuple[Cell, ...]
    reason: str | None = None
    total: bool = False


@dataclass(frozen=True)
class RepTable:
    """One table of the report with the reasons behind its empty cells."""

    title: str
    headings: tuple[Heading, ...]
    columns: tuple[Column, ...]
    rows: tuple[TableRow, ...]
    notes: tuple[tuple[str, str], ...]

    @property
    def by_hand(self) -> bool:
        """Whether any value is another than found because something was set by hand."""
        return any(cell.by_hand for row in self.rows for cell in row.cells)

    @property
    def corrected(self) -> bool:
        """Whether the pose model's usual error is taken off any value."""
        return any(cell.corrected for row in self.rows for cell in row.cells)


def rep_tables(analysis: Analysis) -> list[RepTable]:
    """Return the tables of reps; a measure without any value is left to `unmeasured`."""
    tables = [_rep_table(analysis, title, names) for title, names in _TABLES]
    return [table for table in tables if table.columns]


def _rep_table(analysis: Analysis, title: str, names: tuple[str, ...]) -> RepTable:
    by_name = {name: _columns(analysis, name) for name in names}
    headings = tuple(Heading(heading(n), len(found)) for n, found in by_name.items() if found)
    columns = [column for found in by_name.values() for column in found]
    measures = {(row.rep, row.name, row.limb): row for row in analysis.measures.measures}
    letters: dict[str, str] = {}
    rows = []
    for rep in analysis.reps.reps:
        if not rep.used:
            rows.append(TableRow(_rep_label(analysis, rep), (), words_of(rep.reason)))
            continue
        cells = tuple(
            _cell(measures.get((rep.number, column.name, column.limb)), letters)
            for column in columns
        )
        rows.append(TableRow(_rep_label(analysis, rep), cells))
    summaries = [_summary(analysis, column.name, column.limb) for column in columns]
    by_hand = measures_by_hand(analysis)
    means = tuple(
        Cell(
            value_words(s.mean, s.name), half_width_words(s.mean_sd, s.name),
            by_hand=(s.name, s.limb) in by_hand,
        ) if s else Cell("–")
        for s in summaries
    )  # fmt: skip
    spreads = tuple(Cell(spread_words(s.sd, s.name)) if s else Cell("–") for s in summaries)
    rows += [TableRow("Mean", means, total=True), TableRow("SD of reps", spreads, total=True)]
    notes = tuple((letter, reason) for reason, letter in letters.items())
    return RepTable(title, headings, tuple(columns), tuple(rows), notes)


def measures_by_hand(
    analysis: Analysis, reps: Iterable[int] | None = None
) -> frozenset[tuple[str, Limb | None]]:
    """Return measures with their limb of which a person's corrections changed a used rep's value.

    Parameters
    ----------
    analysis : Analysis
    reps : numbers of the reps that count, None for every one
    """
    used = {rep.number for rep in analysis.reps.reps if rep.used}
    counted = used if reps is None else used & set(reps)
    return frozenset(
        (row.name, row.limb)
        for row in analysis.measures.measures
        if row.by_hand and row.rep in counted
    )


def _rep_label(analysis: Analysis, rep: Rep) -> str:
    """Return a rep's number, with its view where that is not the clip's."""
    if rep.view in (None, analysis.decided.view):
        return str(rep.number)
    return f"{rep.number}, {VIEW_WORDS[rep.view]}"


def _columns(analysis: Analysis, name: str) -> list[Column]:
    limbs: tuple[Limb | None, ...] = (*LIMBS, None)
    return [Column(name, limb) for limb in limbs if _summary(analysis, name, limb)]


def _cell(row: Measure | None, letters: dict[str, str]) -> Cell:
    if row is None:
        return Cell("–")
    if row.value is None:
        reason = words_of(row.reason)
        letter = letters.setdefault(reason, chr(ord("a") + len(letters) % 26))
        return Cell("n/m", note=letter, by_hand=row.by_hand)
    word = foot_strike(row) or ""
    return Cell(
        value_words(row.value, row.name), half_width_words(row.sd, row.name), word=word,
        by_hand=row.by_hand, corrected=row.reading is not None,
    )  # fmt: skip


def _summary(analysis: Analysis, name: str, limb: Limb | None) -> SetSummary | None:
    rows = analysis.measures.summaries
    return next((row for row in rows if (row.name, row.limb) == (name, limb)), None)


@dataclass(frozen=True)
class SummaryRow:
    """One measure of one limb over the set, in words."""

    label: str
    limb: str
    reps: int
    mean: str
    half_width: str
    sd: str
    best: str
    worst: str
    first: str
    last: str
    change: str
    by_hand: bool


def summary_rows(analysis: Analysis) -> list[SummaryRow]:
    """Return the set's summaries in words."""
    rows = []
    by_hand = measures_by_hand(analysis)
    for s in analysis.measures.summaries:
        change = "–"
        if s.fatigue is not None:
            reach = half_width_words(s.fatigue_sd, s.name)
            change = f"{value_words(s.fatigue, s.name)} ± {reach}"
        rows.append(
            SummaryRow(
                label=heading(s.name),
                limb=s.limb or "",
                reps=s.reps_used,
                mean=value_words(s.mean, s.name),
                half_width=half_width_words(s.mean_sd, s.name),
                sd=spread_words(s.sd, s.name),
                best=value_words(s.best, s.name),
                worst=value_words(s.worst, s.name),
                first=value_words(s.first_third, s.name),
                last=value_words(s.last_third, s.name),
                change=change,
                by_hand=(s.name, s.limb) in by_hand,
            )
        )
    return rows
