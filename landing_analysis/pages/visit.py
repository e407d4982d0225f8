"""One visit -> its page: the day's clips side by side, and limb against limb for each exercise."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from markupsafe import Markup

from landing_analysis.analysing import REPORT
from landing_analysis.definitions import DEFINITIONS, VIEW_WORDS, is_fppa, printed_unit
from landing_analysis.exercises import EXERCISES, lands_on_both
from landing_analysis.findings.tally import added
from landing_analysis.pages.history import (
    History,
    again_words,
    left_out_landings,
    left_out_words,
    quality_of,
    set_findings,
    tally_of,
    unread_words,
    used_reps,
)
from landing_analysis.pages.leading import Leading, Shown, leading, main_exercises
from landing_analysis.pages.session import session_part, warning_words
from landing_analysis.pages.stills import middle_rep, stills_of
from landing_analysis.pages.telling import Telling, tellings
from landing_analysis.pages.trend_figures import panel_of, trend_figure
from landing_analysis.pages.words import (
    FAMILY_WORDS,
    Amount,
    address,
    amount,
    day_words,
    exercise_words,
    is_index,
    kept_apart_words,
    limb_role,
    render_of_patient,
    short_day,
    side_amount,
    since_surgery,
)
from landing_analysis.patients import INVENTED_MODEL
from landing_analysis.progress import StartProgress, no_progress
from landing_analysis.record.clips import SHORT_ID
from landing_analysis.record.outdated import is_outdated
from landing_analysis.record.place import DataFolder
from landing_analysis.record.reading import StoredAnalysis
from landing_analysis.report.glance import telling_measures
from landing_analysis.report.header import QUALITY_SYMBOLS
from landing_analysis.report.numbers import sentence
from landing_analysis.report.page import Plot
from landing_analysis.report.sheet import measured_words, shot_words
from landing_analysis.report.style import svg_text
from landing_analysis.report.verdicts import SYMBOLS, tally_words
from landing_analysis.settings import Settings
from landing_analysis.tables import (
    OUTSIDE,
    PROBABLY_OUTSIDE,
    VIEWS,
    BodySize,
    Exercise,
    Limb,
    Verdict,
    other_limb,
)
from landing_analysis.tracks.body import differ_visibly
from landing_analysis.trend.alike import ONE_WAY, Way
from landing_analysis.trend.changes import (
    Followed,
    Key,
    MinimalChange,
    Outcome,
    best_family,
    followed,
    judge_change,
    series_of,
)
from landing_analysis.trend.triage import SetFinding
from landing_analysis.trend.visits import Family, VisitMean

_MOST_LINES = 5  # of findings at a glance (choice)
_MOST_ROWS = 6  # of all exercises at a glance, so that they fit on a sheet of paper (choice)
_MOST_TABLES = 2  # at a glance (choice)
_MOST_DOUBTS = 1  # at a glance (choice)
_ANOTHER_VIEW_DEG = 45.0  # definition: half-way from a frontal to a side view
_MOST_TELLINGS = 6  # measures of which it is said what they tell (choice)


@dataclass(frozen=True)
class Cell:
    """A value, or why there is none; ``before`` is that of the visit before, and what changed."""

    amount: Amount | None
    reason: str | None = None
    before: str | None = None


@dataclass(frozen=True)
class Row:
    """One measure of one exercise; ``other`` is None for what concerns the whole body.

    ``family`` is the views that it is read from, None without a value.
    """

    name: str
    family: Family | None
    label: str
    unit: str
    seen: str
    lead: Cell
    other: Cell | None
    side: Cell | None
    kind: str

    @property
    def is_full(self) -> bool:
        """Whether all limbs that it is read in have a value."""
        read_in = (self.lead,) if self.other is None else (self.lead, self.other)
        return all(cell.amount is not None for cell in read_in)

    @property
    def is_measured(self) -> bool:
        """Whether any limb or the whole body has a value."""
        return any(cell is not None and cell.amount is not None for cell in (self.lead, self.other))


@dataclass(frozen=True)
class ClipCard:
    """One clip of the day."""

    title: str
    recorded: str
    still: str | None
    shots: Mapping[int, str]
    reps: str
    left_out: str
    quality: str
    notes: tuple[str, ...]
    tally: str
    outside: tuple[tuple[Verdict, str, str], ...]
    report: str | None
    outdated: str | None
    invented: bool


@dataclass(frozen=True)
class Shot:
    """The deepest moment of one rep that stands for a limb; ``still`` is None without a clip."""

    limb: Limb
    which: str
    value: str
    still: str | None


@dataclass(frozen=True)
class Outline:
    """What the first sheet of paper says of the day.

    ``counted`` counts out the findings of all sets. ``lines`` are findings outside a
    limit or probably so, (symbol, sentence), at most five; ``more`` counts those left for
    below. ``doubts`` are what is missing or in doubt, as far as there is room. ``shots`` are a
    typical and a worst rep of each limb, ``shot_words`` say what that means and, without
    pictures, why there are none.
    """

    tally: str
    counted: str
    lines: tuple[tuple[str, str], ...]
    more: int
    doubts: tuple[str, ...]
    more_doubts: tuple[str, ...]
    shots: tuple[Shot, ...]
    shot_words: str
    plot: Plot | None


@dataclass(frozen=True)
class Within:
    """Bouts of an exercise in a clip of another one, and their findings outside a limit."""

    words: str
    still: str | None
    left_out: str
    tally: str
    outside: tuple[tuple[Verdict, str, str], ...]


@dataclass(frozen=True)
class ExercisePart:
    """All that was seen of one exercise in one way.

    ``apart`` says what is not averaged with it, ``within`` what clips that are shown under another
    exercise hold of it.
    """

    exercise: Exercise | None
    title: str
    apart: str | None
    cards: tuple[ClipCard, ...]
    rows: tuple[Row, ...]
    within: tuple[Within, ...] = ()
    tellings: tuple[Telling, ...] = ()

    @property
    def measured(self) -> tuple[Row, ...]:
        """The rows with any value."""
        return tuple(row for row in self.rows if row.is_measured)

    @property
    def unmeasured(self) -> tuple[tuple[str, str], ...]:
        """What has no value at all, and why, the same reason once."""
        found: dict[str, list[str]] = {}
        for row in self.rows:
            if not row.is_measured:
                cells = (row.lead,) if row.other is None else (row.lead, row.other)
                reason = "; ".join(dict.fromkeys(cell.reason or "" for cell in cells))
                found.setdefault(reason, []).append(row.label)
        return tuple((", ".join(labels), reason) for reason, labels in found.items())

    @property
    def key_rows(self) -> tuple[Row, ...]:
        """The rows with a value, the most telling first.

        Those that lack a limb come last, but for the exercise's leading measures.
        """
        if self.exercise is None:
            return ()
        by_name = {row.name: row for row in self.measured}
        telling = telling_measures(self.exercise)
        names = dict.fromkeys((*(name for name in telling if name in by_name), *by_name))
        leads = EXERCISES[self.exercise].leading
        first = [name for name in names if by_name[name].is_full or name in leads]
        return tuple(by_name[name] for name in dict.fromkeys((*first, *names)))


def visit_html(
    history: History,
    day: date,
    page: Path,
    data: DataFolder,
    minimal: Mapping[Key, MinimalChange],
    *,
    linked: bool,
    start: StartProgress = no_progress,
    summary: tuple[str, ...] = (),
) -> str:
    """Return the page on one visit.

    Parameters
    ----------
    history : of the patient
    day : of the visit
    page : where the page will lie; links to reports are named from there
    data : the data folder, from which the record names reports
    minimal : what change each measure can show, from the sets of the whole clinic
    linked : whether the page on change lies beside it
    start : gives the listener of looking for pictures, which counts clips
    summary : with these lines of the clinician's the first sheet alone, empty for the whole page
    """
    patient = history.patient
    analyses = tuple(a for a in history.analyses if a.date == day)
    main = main_exercises(history, day)
    chosen = leading(history, day, main)
    outside = _outside_of_day(history, day)
    cards = _cards(history, day, page, data, chosen, outside, start)
    parts = [
        part for one in (*history.exercise_ways, (None, ONE_WAY))
        if (part := _exercise_part(history, day, *one, cards, outside, minimal)) is not None
    ]  # fmt: skip
    key_rows = _key_rows(history, day, main, parts, minimal)
    doubts = [
        *_views(analyses),
        *_bodies(analyses, patient.code),
        *(unread_words(clip) for clip in history.unread if clip.date == day),
        *left_out_words(history, day),
        *dict.fromkeys(again_words(history, day)),
    ]
    return render_of_patient(
        "visit.html.j2",
        patient,
        f"visit of {day}",
        ("Visit", f"{day_words(day)}, {since_surgery(patient, day)}"),
        kind="Visit",
        parts=parts,
        key_rows=key_rows,
        not_here=_not_here(main, key_rows),
        compared=any(
            cell is not None and cell.before
            for _, rows in key_rows for row in rows for cell in (row.lead, row.other)
        ),
        lead=limb_role(history.lead_limb, patient.surgical_side),
        other=limb_role(other_limb(history.lead_limb), patient.surgical_side),
        lead_limb=history.lead_limb,
        other_limb=other_limb(history.lead_limb),
        outline=_outline(history, day, analyses, cards, chosen, doubts, outside),
        has_unread=any(clip.date == day for clip in history.unread),
        fppa_shown=any(is_fppa(v.name) for v in history.visits if v.day == day),
        symbols=SYMBOLS,
        compare="compare.html" if linked else None,
        warning=warning_words(history.session(day)),
        session=session_part(history, day, chosen),
        summary=summary,
    )  # fmt: skip


def _views(analyses: tuple[StoredAnalysis, ...]) -> list[str]:
    """Say where the view that a person set is another than the pictures show."""
    turned = [
        (one.values, abs(one.values["view_yaw_deg"]))
        for one in analyses
        if one.values["view_origin"] == "given" and one.values["view_yaw_deg"] is not None
    ]
    return [
        f"Set {values['set_number']} was set by hand to be seen {VIEW_WORDS[values['view']]}, but "
        f"the patient stands turned by {turn_deg:.0f} deg from that. If that is wrong: "
        f"landing-analysis clip set {values['sha256'][:SHORT_ID]} --as-found view"
        for values, turn_deg in turned
        if turn_deg > _ANOTHER_VIEW_DEG
    ]


def _bodies(analyses: tuple[StoredAnalysis, ...], code: str) -> list[str]:
    """Say which clips of a day hardly show one person."""
    sized = [(a, size) for a in analyses if (size := _size_of(a)) is not None]
    return [
        f"Sets {one.values['set_number']} and {other.values['set_number']} show bodies that "
        f"visibly differ: {_size_words(size)}, and {_size_words(size_of_other)}. See whether both "
        f"are of {code}; a clip is handed over with: landing-analysis clip set CLIP --patient CODE"
        for k, (one, size) in enumerate(sized)
        for other, size_of_other in sized[k + 1 :]
        if differ_visibly(size, size_of_other, Settings().body)
    ]


def _size_of(analysis: StoredAnalysis) -> BodySize | None:
    stored = analysis.values["body"]
    if stored is None:
        return None
    return BodySize(**{k: float("nan") if v is None else v for k, v in stored.items()})


def _size_words(size: BodySize) -> str:
    leg = f"a leg of {size.leg_m:.2f} ± {1.96 * size.leg_sd_m:.2f} m by free fall, "
    trunk = f"a trunk of {100 * size.trunk_per_leg:.0f} ± {196 * size.trunk_per_leg_sd:.0f} % of it"
    return (leg if size.leg_m == size.leg_m else "") + trunk


def _exercise_part(
    history: History,
    day: date,
    exercise: Exercise | None,
    way: Way,
    cards: dict[int, ClipCard],
    outside: Outside,
    minimal: Mapping[Key, MinimalChange],
) -> ExercisePart | None:
    of_exercise = history.sets_of(day, exercise, way)
    if not of_exercise:
        return None
    of_exercise.sort(key=lambda one: VIEWS.index(one.values["view"]))
    own = tuple(cards[s.values["id"]] for s in of_exercise if not s.is_part)
    if exercise is None:
        return ExercisePart(None, "Clips without a rep", None, own, ())
    apart = kept_apart_words(exercise, way, history.exercise_ways)
    rows = _rows(history, day, exercise, way, of_exercise)
    within = tuple(_within(s, cards, outside) for s in of_exercise if s.is_part)
    part = ExercisePart(exercise, exercise_words(exercise, way), apart, own, rows, within)
    measured = {row.name for row in rows if row.is_measured}
    shown = [row.name for row in part.key_rows]
    names = [
        name for name in dict.fromkeys((*telling_measures(exercise), *shown)) if name in measured
    ]
    told = tellings(history, day, exercise, way, names[:_MOST_TELLINGS], minimal)
    return replace(part, tellings=told)


def _within(one: StoredAnalysis, cards: Mapping[int, ClipCard], outside: Outside) -> Within:
    used, counted = used_reps(one)
    words = f"In set {one.values['set_number']}, {VIEW_WORDS[one.values['view']]}, which holds "
    return Within(
        words=f"{words}several exercises in a row: {counted} reps, {used} used{_how_known(one)}.",
        still=cards[one.values["id"]].shots.get(middle_rep(one) or 0),
        left_out=left_out_landings(one),
        tally=tally_words(tally_of(one)),
        outside=_told(outside[_key_of(one)]),
    )


Outside = Mapping[tuple[int, Exercise | None], tuple[SetFinding, ...]]
"""The findings of each set of a day outside a limit, then those probably so."""


def _key_of(one: StoredAnalysis) -> tuple[int, Exercise | None]:
    """Name a set: its clip's analysis, and its exercise."""
    return one.values["id"], one.values["exercise"]


def _outside_of_day(history: History, day: date) -> Outside:
    return {
        _key_of(one): tuple(
            finding
            for finding in sorted(set_findings(history, one), key=_surest)
            if finding.verdict in _SHOWN
        )
        for one in history.sets
        if one.date == day
    }


def _told(findings: Iterable[SetFinding]) -> tuple[tuple[Verdict, str, str], ...]:
    """Return verdict, symbol and sentence of each finding."""
    return tuple((one.verdict, SYMBOLS[one.verdict], sentence(one.text)) for one in findings)


# --- at a glance -------------------------------------------------------------------------------


def _key_rows(
    history: History,
    day: date,
    main: list[tuple[Exercise, Way]],
    parts: list[ExercisePart],
    minimal: Mapping[Key, MinimalChange],
) -> list[tuple[str, tuple[Row, ...]]]:
    """Return the first rows of the main exercises, each value with that of the visit before."""
    told = {part.title: part for part in parts if part.key_rows}
    named = [(exercise_words(*one), one) for one in main]
    shown = [(told[title], one) for title, one in named if title in told][:_MOST_TABLES]
    most = _MOST_ROWS // max(1, len(shown))
    return [
        (
            part.title,
            tuple(_since_before(history, day, *one, row, minimal) for row in part.key_rows[:most]),
        )
        for part, one in shown
    ]


def _not_here(main: list[tuple[Exercise, Way]], key_rows: list[tuple[str, tuple[Row, ...]]]) -> str:
    """Name the exercises whose numbers the first sheet has no room for."""
    shown = {title for title, _ in key_rows}
    left = [words for one in main if (words := exercise_words(*one)) not in shown]
    return ", ".join(words[0].lower() + words[1:] for words in left)


def _since_before(
    history: History,
    day: date,
    exercise: Exercise,
    way: Way,
    row: Row,
    minimal: Mapping[Key, MinimalChange],
) -> Row:
    """Set the values of the visit before beside those of a row."""
    if row.family is None:
        return row
    what = Followed(exercise, way, row.name, row.family)
    until = [visit for visit in history.visits if visit.day <= day]

    def dated(cell: Cell, limb: Limb | None) -> Cell:
        series = series_of(until, what, limb)
        if len(series) < 2 or series[-1].day != day:  # definition: a change needs two
            return cell
        return replace(cell, before=_before_words(series[-2], series[-1], minimal.get(what.key)))

    if row.other is None:
        return replace(row, lead=dated(row.lead, None))
    lead, other = history.lead_limb, other_limb(history.lead_limb)
    return replace(row, lead=dated(row.lead, lead), other=dated(row.other, other))


def _before_words(before: VisitMean, now: VisitMean, minimal: MinimalChange | None) -> str:
    """Say what a value was at the visit before, and whether it changed, by `judge_change`."""
    outcome = judge_change(before, now, minimal).outcome
    return f"{short_day(before.day)}: {amount(before).value}, {_OUTCOMES[outcome]}"


_OUTCOMES: dict[Outcome, str] = {
    "real": "a real change",
    "none shown": "no change shown",
    "not comparable": "not comparable",
    "not judged": "not judged yet",
}


def _outline(
    history: History,
    day: date,
    analyses: tuple[StoredAnalysis, ...],
    cards: dict[int, ClipCard],
    chosen: Leading | None,
    doubts: list[str],
    outside: Outside,
) -> Outline:
    own = [cards[analysis.values["id"]] for analysis in analyses]
    sets = [one for one in history.sets if one.date == day]
    lines = _lines(sets, outside)
    shots = [_shot(one, cards[one.analysis.values["id"]], chosen) for one in chosen.reps] if (
        chosen
    ) else []  # fmt: skip
    return Outline(
        tally=_tally_words(analyses),
        counted=_counted_words(sets),
        lines=tuple(lines[:_MOST_LINES]),
        more=len(lines[_MOST_LINES:]),
        doubts=tuple(doubts[:_MOST_DOUBTS]),
        more_doubts=tuple(doubts[_MOST_DOUBTS:]),
        shots=tuple(shots),
        shot_words=_shot_words(shots, chosen, own),
        plot=_plot(history, day, chosen),
    )


def _lines(sets: list[StoredAnalysis], outside: Outside) -> list[tuple[str, str]]:
    """Return what lies outside a limit, as symbol and sentence, what several sets show once."""
    found: dict[object, list[tuple[StoredAnalysis, SetFinding]]] = {}
    for one in sets:
        for finding in outside[_key_of(one)]:
            found.setdefault((finding.about, finding.verdict), []).append((one, finding))
    lines = []
    for (one, finding), *others in sorted(found.values(), key=lambda same: _surest(same[0][1])):
        numbers = ", ".join(str(other.values["set_number"]) for other, _ in others)
        again = f" Also in set{'' if len(others) == 1 else 's'} {numbers}." if others else ""
        text = f"{_set_title(one)}: {sentence(finding.text)}{again}"
        lines.append((SYMBOLS[finding.verdict], text))
    return lines


def _shot(one: Shown, card: ClipCard, chosen: Leading) -> Shot:
    number = one.analysis.values["set_number"]
    return Shot(
        limb=one.limb,
        which=f"{one.which}: rep {one.rep}, set\N{NO-BREAK SPACE}{number}",
        value=measured_words(chosen.name, one.value, by_hand=one.by_hand),
        still=card.shots.get(one.rep),
    )


def _shot_words(shots: list[Shot], chosen: Leading | None, own: list[ClipCard]) -> str:
    """Say what typical and worst mean, and why a picture is not there."""
    if not own:
        return ""
    if chosen is None:
        return "No rep of this day has a value that a picture could be chosen by."
    words = shot_words((shot.which for shot in shots), chosen.name, chosen.target_deg)
    words = f"{exercise_words(chosen.exercise, chosen.way)}, all clips of the day. {words}"
    if all(shot.still for shot in shots):
        return f"{words} At peak flexion, faces blurred."
    if all(card.invented for card in own):
        return f"{words} No pictures: the numbers are invented, there is no clip."
    return f"{words} Pictures come from annotated clips; where none is at hand, there is none."


def _plot(history: History, day: date, chosen: Leading | None) -> Plot | None:
    """Draw the measure of the pictures over the visits up to this one."""
    until = tuple(visit for visit in history.visits if visit.day <= day)
    asked = (chosen.exercise, chosen.way, chosen.name) if chosen else None
    what = next(
        (one for one in followed(until) if (one.exercise, one.way, one.name) == asked), None
    )
    if what is None:
        return None
    panel = panel_of(replace(history, visits=until, sides=()), what)
    label = f"{DEFINITIONS[what.name].label}, {FAMILY_WORDS[what.family]}"
    figure = svg_text(trend_figure(panel), "visits", f"{label}, over the visits.")
    caption = (
        f"{exercise_words(what.exercise, what.way)}, visit by visit. Bars: 95 % intervals. "
        "Thin lines join visits that can be compared"
        + ("; the thick one runs through all, in its 95 % band." if panel.courses else ".")
    )
    return Plot(label, caption, Markup(figure))


def _set_title(one: StoredAnalysis) -> str:
    """Name a set by its exercise and limb, and by how sure that is where it is not."""
    values = one.values
    done = EXERCISES[values["exercise"]].name if values["exercise"] else "exercise not told"
    title = f"Set {values['set_number']}, {done}"
    title += f" {values['limb']}" if values["exercise"] and values["limb"] else ""
    unsure = "" if values["exercise_origin"] == "plan" else _how_known(one)
    return f"{title}, {VIEW_WORDS[values['view']]}{unsure}"


def _counted_words(sets: list[StoredAnalysis]) -> str:
    words = "the set" if len(sets) == 1 else f"{len(sets)} sets together"
    return f"Findings of {words}: {tally_words(added(map(tally_of, sets)))}"


def _tally_words(analyses: tuple[StoredAnalysis, ...]) -> str:
    """Say how many clips and reps there are, and how good the clips are."""
    if not analyses:
        return "No clip with numbers on this day."
    reps = [used_reps(analysis) for analysis in analyses]
    states = Counter(quality_of(analysis) for analysis in analyses)
    quality = ", ".join(
        f"{QUALITY_SYMBOLS[state]} {states[state]} {state}" for state in QUALITY_SYMBOLS
        if states[state]
    )  # fmt: skip
    clips = f"{len(analyses)} clip{'' if len(analyses) == 1 else 's'} with numbers"
    total, used = sum(counted for _, counted in reps), sum(used for used, _ in reps)
    return f"{clips}: {total} reps, {used} used. Quality: {quality}."


# --- clips -------------------------------------------------------------------------------------


def _cards(
    history: History,
    day: date,
    page: Path,
    data: DataFolder,
    chosen: Leading | None,
    outside: Outside,
    start: StartProgress,
) -> dict[int, ClipCard]:
    """Return the card of each analysis, by its number in the record."""
    cards = {}
    analyses = [analysis for analysis in history.analyses if analysis.date == day]
    progress = start("pictures", len(analyses))
    try:
        for analysis in analyses:
            number = analysis.values["id"]
            reps = {
                one.rep for one in (chosen.reps if chosen else ())
                if one.analysis.values["id"] == number
            }  # fmt: skip
            own, *others = [one for one in history.sets if one.values["id"] == number]
            reps |= {middle for one in others if (middle := middle_rep(one))}
            cards[number] = _card(history, analysis, own, page, data, reps, outside)
            progress.advance(1)
    finally:
        progress.close()
    return cards


def _card(
    history: History,
    analysis: StoredAnalysis,
    own: StoredAnalysis,
    page: Path,
    data: DataFolder,
    shown: set[int],
    outside: Outside,
) -> ClipCard:
    """Return a clip's card, with the findings of its own exercise and pictures of some reps."""
    values = analysis.values
    middle = middle_rep(own)
    used, counted = used_reps(analysis)
    excluded = sum(rep["excluded"] for rep in analysis.tables["rep"])
    by_hand = f", {excluded} left out by hand" if excluded else ""
    folder = data.report_at(values["report"])
    pictures = stills_of(analysis, folder, shown | {middle or 0}) if folder else {}
    state = quality_of(analysis)
    title = f"Set {values['set_number']}, {values['view'].replace('_', ' ')}"
    if values["exercise"] and values["limb"]:
        title += f", {values['limb']} {EXERCISES[values['exercise']].name}"
    return ClipCard(
        title=title + _how_known(analysis),
        recorded=f"recorded at {values['recorded_at'][11:16]}",
        still=pictures.get(middle or 0),
        shots=pictures,
        reps=(
            f"{counted} reps{_in_a_row(analysis)}, {used} used{by_hand}, "
            f"{values['median_fps']:.0f} frames/s"
        ),
        left_out=left_out_landings(own),
        quality=f"{QUALITY_SYMBOLS[state]} quality {state}",
        notes=tuple(
            row["text"] for row in analysis.tables["quality"] if row["state"] != "good"
        ),
        tally=tally_words(tally_of(own)),
        outside=_told(outside[_key_of(own)]),
        report=address(folder / REPORT, page) if folder and (folder / REPORT).is_file() else None,
        outdated=_outdated_words(history, analysis),
        invented=values["model_name"] == INVENTED_MODEL,
    )  # fmt: skip


def _how_known(analysis: StoredAnalysis) -> str:
    """Say where it is not plain which exercise a clip shows."""
    origin, sure = analysis.values["exercise_origin"], analysis.values["exercise_confidence"]
    if origin == "plan":
        return ", exercise from the plan"
    if origin == "given" or sure is None or sure >= Settings().signs.sure_share:
        return ""
    return f", exercise not sure ({100 * sure:.0f} %)"


def _in_a_row(analysis: StoredAnalysis) -> str:
    """Name the bouts of a clip that holds several exercises."""
    bouts = analysis.values["bouts"] or ()
    if len({bout["exercise"] for bout in bouts}) < 2:
        return ""
    done = ", ".join(f"{EXERCISES[b['exercise']].name} ({len(b['reps'])})" for b in bouts)
    return f" in a row: {done}"


_SHOWN = OUTSIDE | PROBABLY_OUTSIDE


def _surest(finding: SetFinding) -> bool:
    """Put what only probably lies outside a limit last."""
    return finding.verdict in PROBABLY_OUTSIDE


def _outdated_words(history: History, analysis: StoredAnalysis) -> str | None:
    then, now = analysis.values["surgical_side"], history.patient.surgical_side
    if not is_outdated(then, now):
        return None
    return f"out of date: it goes by a surgical side that was {then or 'not known'}"


# --- limb against limb -------------------------------------------------------------------------


def _rows(
    history: History, day: date, exercise: Exercise, way: Way, analyses: list[StoredAnalysis]
) -> tuple[Row, ...]:
    """Return every measure that the day's clips of an exercise hold, measurable or not."""
    named = {row["name"] for analysis in analyses for row in analysis.tables["measure"]}
    alike = (day, exercise, way)
    of_day = [v for v in history.visits if (v.day, v.exercise, v.way) == alike]
    sides = [s for s in history.sides if (s.day, s.exercise, s.way) == alike]
    return tuple(
        _row(history, name, of_day, sides, analyses) for name in DEFINITIONS if name in named
    )


def _row(
    history: History,
    name: str,
    of_day: list[VisitMean],
    sides: list[VisitMean],
    analyses: list[StoredAnalysis],
) -> Row:
    definition = DEFINITIONS[name]
    exercise = analyses[0].values["exercise"]
    family = best_family(of_day, exercise, name, history.way_of(analyses[0]))
    seen = {v.limb: v for v in of_day if v.name == name and v.family == family}
    lead, other = history.lead_limb, other_limb(history.lead_limb)
    if lead in seen or other in seen:
        seen.pop(None, None)  # of reps of which nobody knows from which foot they left
    side = next((s for s in sides if (s.name, s.family) == (name, family)), None)
    common: dict[str, Any] = {
        "name": name,
        "family": family,
        "label": definition.label,
        "unit": printed_unit(name),
        "seen": f"{FAMILY_WORDS[family]}, {_reps_words(seen.values())}" if family else "–",
    }
    if definition.scope == "body" and (lands_on_both(exercise) or set(seen) <= {None}):
        whole = _cell(seen.get(None), name, None, analyses)
        return Row(**common, lead=whole, other=None, side=None, kind="")
    return Row(
        **{**common, "seen": common["seen"] + _sets_words(side)},
        lead=_cell(seen.get(lead), name, lead, analyses),
        other=_cell(seen.get(other), name, other, analyses),
        side=_side_cell(side),
        kind="LSI" if is_index(name) else "difference",
    )


def _reps_words(means: Iterable[VisitMean]) -> str:
    """Return how many reps the values rest on, limb by limb where that differs."""
    words = " and ".join(str(n) for n in dict.fromkeys(mean.reps for mean in means))
    return f"{words} rep" if words == "1" else f"{words} reps"


def _sets_words(side: VisitMean | None) -> str:
    """Say where both limbs do not rest on all sets, or not on the same ones."""
    if side is None:
        return ""
    if side.apart:
        return ", each limb in sets of its own"
    if side.left_out:
        others = "1 set" if side.left_out == 1 else f"{side.left_out} sets"
        return f", of sets that show both limbs; left out: {others} of one limb"
    return ""


def _cell(
    mean: VisitMean | None, name: str, limb: Limb | None, analyses: Iterable[StoredAnalysis]
) -> Cell:
    if mean is not None:
        return Cell(amount(mean))
    return Cell(None, _why_missing(name, limb, analyses))


def _why_missing(name: str, limb: Limb | None, analyses: Iterable[StoredAnalysis]) -> str:
    """Return the reason given most often, preferring one of a clip that could have shown it."""
    definition = DEFINITIONS[name]
    able: Counter[str] = Counter()
    unable: Counter[str] = Counter()
    for analysis in analyses:
        counts = able if analysis.values["view"] in definition.views else unable
        counts.update(
            row["reason"] for row in analysis.tables["measure"]
            if row["name"] == name and row["limb"] == limb and row["reason"]
        )  # fmt: skip
    counts = able or unable
    if not counts:
        return f"no clip of this {'limb' if limb else 'exercise'} on that day shows it"
    return counts.most_common(1)[0][0]


def _side_cell(side: VisitMean | None) -> Cell | None:
    """Return limb against limb, None where a limb has no value or they are not compared."""
    if side is not None and side.within_a_frame:
        return Cell(None, "too close to tell: less than one frame apart")
    return None if side is None else Cell(side_amount(side))
