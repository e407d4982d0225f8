"""Analysis -> the parts of the report page, as plain rows for its template; computes no measure.

Throughout the page ± is the half-width of the 95 % confidence interval, 1.96 standard
uncertainties; a verdict asks for one side only. The standard uncertainties themselves are in
reps.csv and analysis.json.
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from landing_analysis.corrections import added_contact
from landing_analysis.definitions import (
    DEFINITIONS,
    FRONTAL_VIEWS,
    VIEW_WORDS,
    is_fppa,
    printed_decimals,
    printed_unit,
    printed_value,
)
from landing_analysis.exercises import EXERCISES, rung
from landing_analysis.findings.judging import (
    COVERAGE,
    TITLES,
    edges,
    favoured_limb,
    foot_strike,
    in_roles,
    limb_words,
)
from landing_analysis.findings.tally import (
    WORST_FIRST,
    Key,
    RepCount,
    Tally,
    count_reps,
    judged_value,
)
from landing_analysis.measures.summaries import compare_sides
from landing_analysis.reasons import Code
from landing_analysis.settings import SignSettings
from landing_analysis.tables import (
    IN_THE_CLIP,
    LIMBS,
    OUTSIDE,
    PROBABLY_OUTSIDE,
    Analysis,
    Correction,
    Finding,
    Limb,
    Measure,
    QualityState,
    Rep,
    SetSummary,
    TimeBase,
    Verdict,
    short_clip,
)
from landing_analysis.wording import note_words, words_of

SYMBOLS: dict[Verdict, str] = {
    "above": "▲", "probably above": "△", "below": "▼", "probably below": "▽",
    "cannot tell": "?", "probably within": "○", "within": "●",
}  # fmt: skip
QUALITY_SYMBOLS: dict[QualityState, str] = {"good": "●", "limited": "◐", "poor": "○"}
_SIGNS = SignSettings()
_SAME_RANK: dict[Verdict, Verdict] = {"below": "above", "probably below": "probably above"}
_MOST_COUNTS = 3  # of findings in the first line (choice)
_MOST_CHECKS = 3  # named beside the state of the clip; the rest stands below (choice)
_SETTLED_BY = {
    "clip": "by the clip's own times",
    "tag": "by the phone's tag",
    "intervals": "by the frame intervals",
    "given": "given",
}

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


# --- surgical and non-surgical ---------------------------------------------------------------


def with_roles(analysis: Analysis) -> Analysis:
    """Return the same, with findings that say which limb is surgical and that limb named first.

    What is stored knows left and right only; this is for the page.
    """
    side = analysis.decided.surgical_side
    if side is None:
        return analysis
    measures = analysis.measures
    compared = {item.name for item in measures.comparisons}
    turned = tuple(item for item in compare_sides(measures.measures, side) if item.name in compared)
    return replace(
        analysis,
        measures=replace(measures, comparisons=turned),
        findings=tuple(
            replace(finding, text=in_roles(finding.text, side)) for finding in analysis.findings
        ),
    )


# --- numbers ---------------------------------------------------------------------------------


def number(value: float, digits: int) -> str:
    """Return a number with a true minus sign and no negative zero."""
    return f"{value:z.{digits}f}".replace("-", "−")


def sentence(text: str) -> str:
    """Return a finding's sentence with true minus signs before its numbers."""
    return re.sub(r"(?<= )-(?=\d)", "−", text)


def value_words(value: float | None, name: str) -> str:
    """Return a value in the unit and with the decimals that are printed, FPPA with its sign.

    A dash where there is none.
    """
    if value is None:
        return "–"
    words = number(printed_value(value, name), printed_decimals(name))
    positive = is_fppa(name) and words.strip("0.") and not words.startswith("−")
    return f"+{words}" if positive else words


def spread_words(sd: float | None, name: str) -> str:
    """Return a spread in the unit and with the decimals that are printed, a dash for none."""
    return "–" if sd is None else number(printed_value(sd, name), printed_decimals(name))


def half_width_words(sd: float | None, name: str) -> str:
    """Return the half-width of the 95 % interval, in the unit and decimals that are printed."""
    return "" if sd is None else number(COVERAGE * printed_value(sd, name), printed_decimals(name))


# --- header ----------------------------------------------------------------------------------


def title_words(analysis: Analysis) -> str:
    """Say which clip it is by what is known of it, never by the name of its file."""
    decided = analysis.decided
    occasion = decided.occasion
    which = [word for word in (occasion.code, occasion.day) if word]
    if occasion.set_number is not None:
        which.append(f"set {occasion.set_number}")
    what = f"{exercise_words(analysis)}, {VIEW_WORDS[decided.view]}"
    if occasion.set_number is None:
        what += f", clip {short_clip(analysis.clip.sha256)}"
    return f"{', '.join(which)}: {what[0].lower()}{what[1:]}" if which else what


def exercise_words(analysis: Analysis) -> str:
    """Name what the set is."""
    decided = analysis.decided
    if not analysis.reps.reps:
        return "No reps"
    if decided.exercise is None:
        return "Two-leg jumps or one-leg hops"
    if len(analysis.reps.bouts) > 1 and is_mixed(analysis):
        done = (
            f"{EXERCISES[bout.exercise].name} ({len(bout.reps)})" for bout in analysis.reps.bouts
        )
        return "In a row: " + ", ".join(done)
    if is_mixed(analysis):
        counted = Counter(rep.exercise for rep in analysis.reps.reps)
        counts = sorted(counted.items(), key=lambda one: rung(one[0]))
        return "Mixed: " + ", ".join(f"{n} {EXERCISES[code].name}" for code, n in counts)
    if decided.exercise != "hop":
        return EXERCISES[decided.exercise].title
    if any(rep.is_bound and rep.used for rep in analysis.reps.reps):
        return "One-leg landings from foot to foot (bounds, jogging in place)"
    return f"One-leg hops, {decided.limb} limb" if decided.limb else "One-leg hops, both limbs"


def is_mixed(analysis: Analysis) -> bool:
    """Whether the set holds reps of more than one exercise."""
    return len({rep.exercise for rep in analysis.reps.reps}) > 1


def no_reps_words(analysis: Analysis) -> str:
    """Say why there are no reps: that nobody flew, or that it could not be told."""
    if analysis.contacts.notes:
        return "There are no reps: " + " ".join(map(note_words, analysis.contacts.notes))
    for note in analysis.notes:
        if any(remark.code == Code.SOMEBODY_HID_PATIENT for remark in note.remarks):
            return "No flight was seen. " + note_words(note)
    return (
        "No flight was found in this clip: nobody left the ground long enough to count as a "
        "jump or a hop, so there are no reps and nothing is measured."
    )


def view_words(analysis: Analysis) -> str:
    """Name the view and how far the patient is turned from square-on."""
    decided = analysis.decided
    name = decided.view.replace("_", " ").capitalize()
    if not math.isfinite(decided.view_yaw_deg):
        return name
    turned = f"turned {number(abs(decided.view_yaw_deg), 0)}°"
    if math.isfinite(decided.view_yaw_sd_deg):
        turned += f" ± {number(COVERAGE * decided.view_yaw_sd_deg, 0)}°"
    return f"{name}, {turned} from square-on"


def overall_quality(analysis: Analysis) -> QualityState:
    """Return the worst state of all quality notes."""
    states = {note.state for note in analysis.notes}
    return "poor" if "poor" in states else "limited" if "limited" in states else "good"


def header_facts(analysis: Analysis) -> list[tuple[str, str]]:
    """Return what was decided about the clip, as (name, words)."""
    decided, clip = analysis.decided, analysis.clip
    used = sum(rep.used for rep in analysis.reps.reps)
    total = len(analysis.reps.reps)
    facts = [
        ("Patient", decided.occasion.code or "no code given"),
        ("Filmed", decided.occasion.day or "day not known"),
        ("Exercise", exercise_words(analysis) + _how_sure(analysis)),
        ("View", view_words(analysis) + _given(decided.view_origin)),
        ("Reps", (f"{total} counted, {used} used" if total else "none") + _apart(analysis)),
        ("Surgical side", decided.surgical_side or "not named"),
        ("Quality", quality_words(analysis)),
        ("Clip", f"{clip.duration_s:.1f} s, {clip.frames} frames, {clip.median_fps:.0f} frames/s"),
    ]
    if decided.time_base != TimeBase():
        facts.append(("Time base", time_base_words(decided.time_base)))
    if decided.people > 1:
        person = f"{decided.patient_number} of {decided.people}: {words_of(decided.patient_reason)}"
        facts.append(("Person measured", person))
    return facts


def given_facts(analysis: Analysis) -> list[tuple[str, str]]:
    """Return what was given with the clip, as (name, words)."""
    decided = analysis.decided
    return [
        ("Body height", f"{100 * decided.stature_m:.0f} cm" if decided.stature_m else "not given"),
        ("Target flexion", f"{decided.target_flexion_deg:g}°"),
    ]


def quality_words(analysis: Analysis) -> str:
    """Say how good the clip is, and which checks make it so."""
    state = overall_quality(analysis)
    words = f"{QUALITY_SYMBOLS[state]} {state}"
    checks = list(dict.fromkeys(note.check for note in analysis.notes if note.state == state))
    if state == "good" or not checks:
        return words
    more = len(checks) - _MOST_CHECKS
    return f"{words}: {', '.join(checks[:_MOST_CHECKS])}" + (f", {more} more" if more > 0 else "")


def _apart(analysis: Analysis) -> str:
    """Say how many reps are seen in another view than the clip."""
    main = analysis.decided.view
    apart = sum(rep.view not in (None, main) for rep in analysis.reps.reps)
    return f", {apart} in another view" if apart else ""


def time_base_words(time_base: TimeBase) -> str:
    """Say how the clip's clock runs against real time, and what settled it."""
    if time_base.doubt is not None or time_base.slowed_by is None:
        return "in doubt: no times are given"
    settled_by = _SETTLED_BY[time_base.origin]
    if time_base.slowed_by == 1.0:
        return f"real time ({settled_by})"
    return f"plays {time_base.slowed_by:.3g} times slower than real time, taken out ({settled_by})"


def doubt_words(analysis: Analysis) -> str | None:
    """Say why no times are given and what settles it; None where they are."""
    if analysis.decided.time_base.doubt is None:
        return None
    return next((note_words(note) for note in analysis.notes if note.check == "time base"), None)


def by_hand_words(analysis: Analysis) -> list[str]:
    """Say what a person set right about the clip, by whom and when, a clip left out first."""
    ordered = sorted(analysis.corrections, key=lambda one: one.what != "clip")
    return [correction_words(one) for one in ordered]


def correction_words(one: Correction) -> str:
    """Say what a person set, or took back, and who did so when."""
    return f"{_set_words(one)} ({_who_words(one)})."


def _set_words(one: Correction) -> str:
    if one.what in IN_THE_CLIP:
        words = _placed_words(one)
    elif one.new is None:
        words = f"{one.what.capitalize()} as found again"
        words += f", rep {one.rep}" if one.rep else ""
    elif one.what == "clip":
        words = "This clip is left out of all averages and comparisons"
    elif one.what == "rep":
        words = f"Rep {one.rep} is left out of the set's values"
    elif one.what == "sides":
        words = "Left and right exchanged"
    else:
        words = f"{one.what.capitalize()} set to {one.new.replace('_', ' ')}"
    return f"{words}: {one.reason}" if one.reason else words


def _placed_words(one: Correction) -> str:
    """Say what was set of one foot or landmark at one time of the clip."""
    where = f"{one.limb} {one.part or 'foot'} at {one.player_s:.2f} s"
    if one.new is None:
        return f"{one.what.capitalize()} of the {where} as found again"
    if one.what == "landmark":
        return f"The {where} moved to {one.new.replace(' ', ', ')} px"
    if one.what == "contact":
        added = added_contact(one.new)
        return f"Contact of the {where} {'added' if added else 'deleted'}"
    return f"{one.what.capitalize()} of the {where} set to {float(one.new):.3f} s"


def _who_words(one: Correction) -> str:
    return f"by {one.by or 'somebody who gave no code'}, {one.at[:10]}"


def _how_sure(analysis: Analysis) -> str:
    """Say whether an exercise was given, or how sure it is that it was done."""
    decided = analysis.decided
    sure = decided.exercise_confidence
    if decided.exercise_origin == "given" or sure is None:
        return _given(decided.exercise_origin)
    certain = sure >= _SIGNS.sure_share
    return " (recognised)" if certain else f" (not sure, {100 * sure:.0f} %)"


def _given(origin: str) -> str:
    return " (given)" if origin == "given" else ""


# --- what matters first ------------------------------------------------------------------------


@dataclass(frozen=True)
class Gauge:
    """A value's 95 % interval and the limit's edges on one axis, per cent of its width."""

    low: float
    middle: float
    high: float
    limits: tuple[float, ...]


@dataclass(frozen=True)
class Headline:
    """One finding of the set; ``landings`` counts it out over the reps, empty without any."""

    verdict: Verdict
    landings: str
    judged: Key
    title: str
    limb: str
    text: str
    source: str
    gauge: Gauge


def headlines(analysis: Analysis) -> tuple[list[Headline], list[Headline]]:
    """Return the findings of the set that need a look, and the rest.

    Outside a limit stands before probably outside, and both before undecided. Undecided signs
    of favouring are left to the sentence of `favouring_words`.
    """
    of_set = [finding for finding in analysis.findings if finding.rep is None]
    ordered = sorted(of_set, key=lambda finding: _rank(finding.verdict))
    first = [finding for finding in ordered if _needs_a_look(finding)]
    rest = [finding for finding in ordered if finding not in first]
    return (
        [_headline(finding, analysis) for finding in first],
        [_headline(finding, analysis) for finding in rest],
    )


def _rank(verdict: Verdict) -> int:
    """Put the worse first, above and below alike."""
    return WORST_FIRST.index(_SAME_RANK.get(verdict, verdict))


def _needs_a_look(finding: Finding) -> bool:
    undecided = finding.verdict == "cannot tell" and finding.name != "limb_offloading"
    return undecided or finding.verdict in OUTSIDE | PROBABLY_OUTSIDE


def _headline(finding: Finding, analysis: Analysis) -> Headline:
    return Headline(
        verdict=finding.verdict,
        landings=landings_words(_count_of(finding, analysis)),
        judged=judged_value(finding),
        title=TITLES.get(finding.name, finding.name),
        limb=limb_words(finding.limb, analysis.decided.surgical_side),
        text=sentence(finding.text),
        source=finding.source,
        gauge=_gauge(finding, analysis),
    )


def _count_of(finding: Finding, analysis: Analysis) -> RepCount | None:
    about = finding.name, finding.measure, finding.limb
    counts = count_reps(analysis.findings)
    return next((one for one in counts if (one.name, one.measure, one.limb) == about), None)


def landings_words(count: RepCount | None) -> str:
    """Say in how many landings a limit was passed, surely and probably, and could not be told."""
    if count is None:
        return ""
    words = f"in {count.outside} of {count.reps} landing{'' if count.reps == 1 else 's'}"
    if count.probably_outside:
        words += f", probably in {count.probably_outside}"
    return words + (f", cannot tell in {count.cannot_tell}" if count.cannot_tell else "")


def first_line(analysis: Analysis) -> str:
    """Say what lay outside a limit in how many landings, the most frequent first.

    What lay outside only probably is named where nothing did for sure; else it is counted.
    """
    counts = count_reps(analysis.findings)
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
    lines = [edge for edge in edges(limit) if edge is not None] if limit else [finding.limit]
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


# --- reps ------------------------------------------------------------------------------------


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
    means = tuple(
        Cell(
            value_words(s.mean, s.name), half_width_words(s.mean_sd, s.name),
            by_hand=is_by_hand(analysis, s.name, s.limb),
        ) if s else Cell("–")
        for s in summaries
    )  # fmt: skip
    spreads = tuple(Cell(spread_words(s.sd, s.name)) if s else Cell("–") for s in summaries)
    rows += [TableRow("Mean", means, total=True), TableRow("SD of reps", spreads, total=True)]
    notes = tuple((letter, reason) for reason, letter in letters.items())
    return RepTable(title, headings, tuple(columns), tuple(rows), notes)


def is_by_hand(analysis: Analysis, name: str, limb: Limb | None) -> bool:
    """Whether a person's corrections changed what a used rep adds to the set."""
    used = {rep.number for rep in analysis.reps.reps if rep.used}
    return any(
        row.by_hand for row in analysis.measures.measures
        if (row.name, row.limb) == (name, limb) and row.rep in used
    )  # fmt: skip


def _rep_label(analysis: Analysis, rep: Rep) -> str:
    """Return a rep's number, with its view where that is not the clip's."""
    if rep.view in (None, analysis.decided.view):
        return str(rep.number)
    return f"{rep.number}, {VIEW_WORDS[rep.view]}"


def heading(name: str) -> str:
    """Return a measure's label with the unit in which it is printed."""
    unit = printed_unit(name)
    return DEFINITIONS[name].label + (f", {unit}" if unit else "")


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
                by_hand=is_by_hand(analysis, s.name, s.limb),
            )
        )
    return rows


# --- what stands behind ------------------------------------------------------------------------


def findings_by_title(analysis: Analysis) -> list[tuple[str, list[Finding]]]:
    """Return the findings of single reps under their headings."""
    grouped: dict[str, list[Finding]] = defaultdict(list)
    for finding in analysis.findings:
        if finding.rep is not None:
            grouped[TITLES.get(finding.name, finding.name)].append(finding)
    return list(grouped.items())


def finding_matrix(analysis: Analysis) -> list[tuple[str, Limb | None, dict[int, Verdict]]]:
    """Return the verdict of every judged measure by rep, as (measure, limb, verdicts).

    A measure with two limits has the worse of its verdicts.
    """
    rows: dict[tuple[str, Limb | None], dict[int, Verdict]] = {}
    for finding in analysis.findings:
        if finding.rep is not None:
            verdicts = rows.setdefault((finding.measure, finding.limb), {})
            seen = (finding.verdict, verdicts.get(finding.rep, finding.verdict))
            verdicts[finding.rep] = min(seen, key=_rank)
    return [(DEFINITIONS[name].label, limb, verdicts) for (name, limb), verdicts in rows.items()]


def unmeasured(analysis: Analysis) -> list[tuple[str, str]]:
    """Return what could not be measured, as (reason, what), the same reason once."""
    grouped: dict[str, dict[str, set[int]]] = defaultdict(lambda: defaultdict(set))
    for row in analysis.measures.measures:
        if row.value is None:
            label = DEFINITIONS[row.name].label + (f" ({row.limb})" if row.limb else "")
            grouped[words_of(row.reason)][label].add(row.rep)
    used = sum(rep.used for rep in analysis.reps.reps)
    missing = [(reason, _what(labels, used)) for reason, labels in grouped.items()]
    sides: dict[str, list[str]] = defaultdict(list)
    for item in analysis.measures.not_compared:
        sides[words_of(item.reason)].append(
            f"{DEFINITIONS[item.name].label}, one limb against the other"
        )
    return missing + [(reason, "; ".join(labels)) for reason, labels in sides.items()]


def _what(labels: dict[str, set[int]], used: int) -> str:
    by_reps: dict[tuple[int, ...], list[str]] = defaultdict(list)
    for label, reps in labels.items():
        by_reps[tuple(sorted(reps))].append(label)
    parts = []
    for numbers, names in by_reps.items():
        where = "" if len(numbers) == used else f" in rep {_listed(numbers)}"
        parts.append(", ".join(_both_limbs(names)) + where)
    return "; ".join(parts)


def _listed(numbers: Iterable[int]) -> str:
    return ", ".join(str(item) for item in numbers)


def _both_limbs(names: list[str]) -> list[str]:
    """Say a measure once when it is missing for both limbs."""
    merged = []
    for name in names:
        bare = name.removesuffix(" (left)").removesuffix(" (right)")
        if {f"{bare} (left)", f"{bare} (right)"} <= set(names):
            name = bare
        if name not in merged:
            merged.append(name)
    return merged


def uncertainty_rows(analysis: Analysis) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the parts of each measure's standard uncertainty, root mean square over the set."""
    squares: dict[tuple[str, Limb | None], dict[str, list[float]]] = {}
    for row in analysis.measures.measures:
        for part in row.parts:
            of_row = squares.setdefault((row.name, row.limb), {})
            of_row.setdefault(part.name, []).append(part.sd**2)
    rows = []
    for (name, limb), parts in squares.items():
        label = DEFINITIONS[name].label + (f", {limb}" if limb else "")
        unit = printed_unit(name, share=False)
        digits = printed_decimals(name) + 1
        words = [
            (
                part,
                f"{printed_value(math.sqrt(sum(found) / len(found)), name):.{digits}f} "
                f"{unit}".strip(),
            )
            for part, found in parts.items()
        ]
        rows.append((label, words))
    return rows


def limit_rows(analysis: Analysis) -> list[tuple[str, str, str]]:
    """Return the limits in force, as (what, outside which values, source)."""
    rows = []
    for limit in analysis.limits:
        side = limit.finding == "side_difference"
        unit = "% of the other limb" if side else printed_unit(limit.measure)
        scale = 1.0 if side else printed_value(1.0, limit.measure)
        low, high = (None if edge is None else f"{scale * edge:g}" for edge in edges(limit))
        words = f"above {high}" if low is None else f"below {low}"
        if low is not None and high is not None:
            words = f"below {low} or above {high}"
        what = f"{TITLES[limit.finding]}: {DEFINITIONS[limit.measure].label}"
        rows.append((what, sentence(f"{words} {unit}".rstrip()), limit.source))
    return rows


def provenance_facts(analysis: Analysis) -> list[tuple[str, str]]:
    """Return what made the numbers, as (name, words)."""
    made = analysis.provenance
    return [
        ("landing_analysis", made.version),
        ("Analysed", made.analysed_at),
        ("Clip sha256", made.clip_sha256),
        ("Pose model", made.model_name),
        ("Model sha256", made.model_sha256),
        (
            "Time base",
            "presentation time of each frame, as stored in the clip; "
            + time_base_words(analysis.decided.time_base),
        ),
        ("Low-pass of angles", f"{analysis.tracks.cutoff_hz:.1f} Hz, two passes"),
        ("Settings", json.dumps(made.settings, sort_keys=True)),
    ]
