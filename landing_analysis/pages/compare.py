"""All visits of one patient -> the page on change: a plot for each measure, and what is real."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from markupsafe import Markup

from landing_analysis.definitions import (
    DEFINITIONS,
    is_fppa,
    printed_decimals,
    printed_unit,
    printed_value,
)
from landing_analysis.findings.judging import COVERAGE
from landing_analysis.maths.statistics import minimal_detectable_change
from landing_analysis.pages.history import History, left_out_words, side_minimal
from landing_analysis.pages.trend_figures import Panel, panel_of, trend_figure
from landing_analysis.pages.words import (
    FAMILY_WORDS,
    Nav,
    address,
    day_words,
    exercise_words,
    is_index,
    kept_apart_words,
    limb_role,
    render_of_patient,
    short_day,
    since_surgery,
)
from landing_analysis.progress import StartProgress, no_progress
from landing_analysis.report.numbers import number
from landing_analysis.report.style import svg_text
from landing_analysis.tables import Exercise, Limb, other_limb
from landing_analysis.trend.alike import Way
from landing_analysis.trend.changes import (
    NONE_SHOWN,
    OTHERWISE_MADE,
    PUBLISHED,
    Change,
    Followed,
    Key,
    MinimalChange,
    Outcome,
    followed,
    last_change,
    whole_change,
)
from landing_analysis.trend.courses import Course

FEW_PASS = (
    "The 90 % line is a convention. In a battery of hop and strength tests only 24 % of 46 "
    "uninjured athletes reached 90 % in every test, and 17 % of 47 after reconstruction "
    "(Markström JL et al. Sports Health 2023;15(1):45–51), so a value below it is no proof of "
    "a deficit and one above it no clearance."
)

_MOST_CHANGED = 6  # measures at a glance, so that they fit on a sheet of paper (choice)
_INDEX = "limb symmetry index"
_OUTCOMES: dict[Outcome, str] = {
    "real": "real change",
    "none shown": NONE_SHOWN,
    "not comparable": "cannot be compared",
    "not judged": "cannot be judged yet",
}


@dataclass(frozen=True)
class ChangeRow:
    """One change in words; ``limb`` colours it, None for what concerns no single limb.

    It is up to ``last``, the day of the later visit; ``until`` names that day where the others of
    its row go on to a later one. It is ``by_hand`` where a visit of it rests on contacts or
    landmarks that a person set.
    """

    who: str
    limb: Limb | None
    real: bool
    verdict: str
    detail: str
    moved: str | None
    by_hand: bool
    last: date
    until: str | None = None

    @property
    def is_index(self) -> bool:
        """Whether it is of the limb symmetry index."""
        return self.who == _INDEX

    @property
    def is_said(self) -> bool:
        """Whether it needs a sentence: it changed, or the visits cannot be compared."""
        return self.real or self.moved is None


@dataclass(frozen=True)
class Since:
    """What changed of one measure since one visit, limb by limb and limb against limb.

    ``whole`` is of the whole body; then there are no limbs.
    """

    visit: str
    lead: ChangeRow | None
    other: ChangeRow | None
    side: ChangeRow | None
    whole: ChangeRow | None

    @property
    def rows(self) -> tuple[ChangeRow, ...]:
        """Those that there are."""
        found = (self.lead, self.other, self.whole, self.side)
        return tuple(row for row in found if row is not None)

    @property
    def real(self) -> bool:
        """Whether anything changed."""
        return any(row.real for row in self.rows)

    @property
    def is_compared(self) -> bool:
        """Whether anything could be set against each other."""
        return any(row.moved is not None for row in self.rows)

    @property
    def said(self) -> tuple[ChangeRow, ...]:
        """Those that need a sentence, each reason once."""
        return _said_once([row for row in self.rows if row.is_said])


@dataclass(frozen=True)
class MeasurePart:
    """One measure of one exercise: the plot, what changed, and what change could be seen."""

    heading: str
    svg: Markup
    since_last: Since | None
    since_first: Since | None
    over_all: Since | None
    smallest: str

    @property
    def since(self) -> tuple[Since, ...]:
        """Since the visit before, since the first, and over all, where there are such."""
        found = (self.since_last, self.since_first, self.over_all)
        return tuple(since for since in found if since)

    @property
    def changed(self) -> bool:
        """Whether anything changed."""
        return any(since.real for since in self.since)

    @property
    def is_dated(self) -> bool:
        """Whether the values of a row are not all up to the same visit."""
        return any(row.until for since in self.since for row in since.rows)

    @property
    def changed_since_visit(self) -> bool:
        """Whether anything changed since the visit before or since the first."""
        return any(since.real for since in (self.since_last, self.since_first) if since)


@dataclass(frozen=True)
class ExercisePart:
    """All measures of one exercise done in one way; ``apart`` says what it is not averaged with."""

    title: str
    apart: str | None
    measures: tuple[MeasurePart, ...]

    @property
    def changed(self) -> tuple[MeasurePart, ...]:
        """The measures in which anything changed."""
        return tuple(measure for measure in self.measures if measure.changed)


def compare_html(
    history: History,
    minimal: Mapping[Key, MinimalChange],
    page: Path | None,
    start: StartProgress = no_progress,
    nav: Nav = (),
) -> str:
    """Return the page on the change of one patient.

    Parameters
    ----------
    history : of the patient
    minimal : from the sets of the whole clinic
    page : where the page will lie, None where it links to no page on a visit
    nav : where one goes on from it
    start : gives the listener of the drawing, which counts plots
    """
    patient = history.patient
    parts = _exercise_parts(history, minimal, start)
    shown, more = _shown(parts)
    return render_of_patient(
        "compare.html.j2",
        patient,
        "change across visits",
        ("Visits", _visits_words(history)),
        kind="Change across visits",
        nav=nav,
        days=[
            (day_words(day), since_surgery(patient, day), _visit_address(day, page))
            for day in history.days
        ],
        parts=parts,
        shown=shown,
        dated=any(measure.is_dated for _, measures in shown for measure in measures),
        more=more,
        left_out=left_out_words(history),
        changed=any(part.changed for part in parts),
        unchanged=_unchanged(parts),
        fppa_shown=any(is_fppa(what.name) for what in followed(history.visits)),
        by_hand=any(visit.by_hand for visit in history.visits),
        lead_limb=history.lead_limb,
        other_limb=other_limb(history.lead_limb),
        other=limb_role(other_limb(history.lead_limb), patient.surgical_side),
        n_judged=_count_judged(parts),
        repeated=any(measure.since for part in parts for measure in part.measures),
        few_pass=FEW_PASS if any(is_index(side.name) for side in history.sides) else None,
        lead=limb_role(history.lead_limb, patient.surgical_side),
        none_shown=NONE_SHOWN,
    )  # fmt: skip


def courses_document(history: History) -> dict[str, object]:
    """Return the lines through all visits as plain values, in the unit of each measure.

    ``limb`` is set against the other one where ``kind`` is lsi (per cent) or difference;
    ``sure`` means that the 95 % interval of the change in four weeks leaves out zero.
    """
    rows = []
    for what in followed(history.visits):
        panel = panel_of(history, what)
        named = [("value", limb, course) for limb, course in panel.courses.items()]
        if panel.side_course is not None:
            kind = DEFINITIONS[what.name].compare or "difference"
            named.append((kind, history.lead_limb, panel.side_course))
        rows += [_course_values(what, *one) for one in named]
    return {"patient": history.patient.code, "invented": history.patient.invented, "lines": rows}


def _course_values(
    what: Followed, kind: str, limb: Limb | None, course: Course
) -> dict[str, object]:  # fmt: skip
    middle, reach = course.per_four_weeks, course.half_width
    return {
        "exercise": exercise_words(what.exercise, what.way),
        "seen": what.family,
        "measure": what.name,
        "kind": kind,
        "limb": limb,
        "unit": "%" if kind == "lsi" else DEFINITIONS[what.name].unit,
        "visits": [str(visit.day) for visit in course.visits],
        "visits_left_out": course.left_out,
        "visits_by_hand": [str(visit.day) for visit in course.visits if visit.by_hand],
        "change_in_four_weeks": middle,
        "change_in_four_weeks_95": [middle - reach, middle + reach],
        "sure": course.is_sure,
        "between_visits_sd": course.line.between_sd,
    }


def _count_judged(parts: list[ExercisePart]) -> int:
    """Count what was judged since the visit before and over all visits."""
    measures = [measure for part in parts for measure in part.measures]
    since = [since for m in measures for since in (m.since_last, m.over_all) if since]
    return sum(row.moved is not None for one in since for row in one.rows)


def _shown(parts: list[ExercisePart]) -> tuple[list[tuple[str, tuple[MeasurePart, ...]]], int]:
    """Return what the first sheet has room for of what changed, by exercise, and the rest's count.

    What changed since a visit goes before what only the line through all visits shows. The
    exercises take turns, each in the order of the pages.
    """
    ranked = [
        (not measure.changed_since_visit, turn, measure)
        for part in parts
        for turn, measure in enumerate(
            sorted(part.changed, key=lambda measure: not measure.changed_since_visit)
        )
    ]
    ranked.sort(key=lambda one: one[:2])
    chosen = [measure for _, _, measure in ranked[:_MOST_CHANGED]]
    shown = [(part.title, tuple(one for one in part.changed if one in chosen)) for part in parts]
    return [(title, measures) for title, measures in shown if measures], len(ranked) - len(chosen)


def _unchanged(parts: list[ExercisePart]) -> list[tuple[str, str]]:
    """Return the visits since which nothing changed in any measure, and what that rests on."""
    found: dict[str, list[Since]] = {}
    for since in (since for part in parts for m in part.measures for since in m.since):
        found.setdefault(since.visit, []).append(since)
    return [
        (visit, _none_words(measures))
        for visit, measures in found.items()
        if not any(since.real for since in measures)
    ]


def _none_words(measures: list[Since]) -> str:
    """Say that nothing changed in the measures that can be judged, and how many cannot."""
    judged = sum(since.is_compared for since in measures)
    left = len(measures) - judged
    if not judged:
        return "No measure can be compared or judged; the plots below say why."
    if not left:
        return f"In all measures: {NONE_SHOWN}."
    return (
        f"In {judged} of {len(measures)} measures: {NONE_SHOWN}. The other {left} cannot be "
        "compared or judged; the plots below say why."
    )


def _visits_words(history: History) -> str:
    days = history.days
    if not days:
        return "none yet"
    if len(days) == 1:
        return f"one, on {day_words(days[0])}"
    return f"{len(days)}, {day_words(days[0])} to {day_words(days[-1])}"


def _visit_address(day: date, page: Path | None) -> str | None:
    if page is None:
        return None
    visit = page.with_name(f"visit-{day}.html")
    return address(visit, page) if visit.is_file() else None


# --- measures ----------------------------------------------------------------------------------


def _exercise_parts(
    history: History, minimal: Mapping[Key, MinimalChange], start: StartProgress
) -> list[ExercisePart]:
    chosen = followed(history.visits)
    progress = start("drawing", len(chosen))
    found: dict[tuple[Exercise, Way], list[MeasurePart]] = {}
    try:
        for number, what in enumerate(chosen):
            part = _measure_part(history, what, minimal, f"plot-{number}")
            found.setdefault((what.exercise, what.way), []).append(part)
            progress.advance(1)
    finally:
        progress.close()
    return [
        ExercisePart(
            exercise_words(*one), kept_apart_words(*one, history.exercise_ways), tuple(measures)
        )
        for one, measures in found.items()
    ]


def _measure_part(
    history: History, what: Followed, minimal: Mapping[Key, MinimalChange], plot: str
) -> MeasurePart:
    panel = panel_of(history, what)
    own, side = minimal.get(what.key), side_minimal(history, what, minimal)
    label = DEFINITIONS[what.name].label
    exercise = exercise_words(what.exercise, what.way).lower()
    described = f"{label} of {exercise} over the visits, with 95 % intervals."
    return MeasurePart(
        heading=f"{label}, {FAMILY_WORDS[what.family]}",
        svg=Markup(svg_text(trend_figure(panel), plot, described)),
        since_last=_since(history, panel, own, side, whole=False),
        since_first=_since(history, panel, own, side, whole=True),
        over_all=_over_all(history, panel),
        smallest=_smallest_words(what.name, own),
    )


def _since(
    history: History,
    panel: Panel,
    minimal: MinimalChange | None,
    minimal_of_side: MinimalChange | None,
    *,
    whole: bool,
) -> Since | None:
    judge = whole_change if whole else last_change
    surgical = history.patient.surgical_side
    rows = {
        limb: _row(limb_role(limb, surgical), limb, change)
        for limb, visits in panel.limbs.items()
        if (change := judge(visits, minimal)) is not None
    }
    side = judge(panel.sides, minimal_of_side)
    visit = "Since the first visit" if whole else "Since the visit before"
    return _of_limbs(visit, history, rows, None if side is None else _side_row(side))


def _over_all(history: History, panel: Panel) -> Since | None:
    """Say what the lines through all visits show in four weeks."""
    surgical = history.patient.surgical_side
    rows = {
        limb: _course_row(limb_role(limb, surgical), limb, course)
        for limb, course in panel.courses.items()
    }
    course = panel.side_course
    side = None if course is None else _course_row(_of_side(course), None, course)
    return _of_limbs("Over all visits, in four weeks", history, rows, side)


def _of_limbs(
    visit: str, history: History, rows: Mapping[Limb | None, ChangeRow], side: ChangeRow | None
) -> Since | None:
    if not rows and side is None:
        return None
    newest = max(row.last for row in (*rows.values(), side) if row is not None)

    def dated(row: ChangeRow | None) -> ChangeRow | None:
        if row is None or row.last == newest:
            return row
        return replace(row, until=f"to {short_day(row.last)}")

    return Since(
        visit=visit,
        lead=dated(rows.get(history.lead_limb)),
        other=dated(rows.get(other_limb(history.lead_limb))),
        side=dated(side),
        whole=dated(rows.get(None)),
    )


def _said_once(rows: list[ChangeRow]) -> tuple[ChangeRow, ...]:
    """Join rows that cannot show a change for one and the same reason."""
    if len(rows) > 1 and len({(row.verdict, row.detail) for row in rows}) == 1:
        by_hand = any(row.by_hand for row in rows)
        who = "both limbs and their difference"
        return (replace(rows[0], who=who, limb=None, by_hand=by_hand),)
    return tuple(rows)


def _row(who: str, limb: Limb | None, change: Change) -> ChangeRow:
    name = change.later.name
    unit = printed_unit(name, share=False)
    return _in_words(who, limb, change, printed_decimals(name), unit, printed_value(1.0, name))


def _side_row(change: Change) -> ChangeRow:
    if is_index(change.later.name):
        return _in_words(_INDEX, None, change, 0, "%")
    return _row("side difference", None, change)


def _of_side(course: Course) -> str:
    return _INDEX if is_index(course.visits[-1].name) else "side difference"


def _course_row(who: str, limb: Limb | None, course: Course) -> ChangeRow:
    """Print a line's change in four weeks; whether it is real its 95 % interval says."""
    name, visits = course.visits[-1].name, course.visits
    digits, unit, scale = printed_decimals(name), printed_unit(name, share=False), 1.0
    if who == _INDEX:
        digits, unit = 0, "%"
    else:
        scale = printed_value(1.0, name)
    moved = _moved_words(scale * course.per_four_weeks, scale * course.half_width, digits, unit)
    left_out = f", {course.left_out} made otherwise left out" if course.left_out else ""
    zero = "leaves out" if course.is_sure else "holds"
    return ChangeRow(
        who=who,
        limb=limb,
        real=course.is_sure,
        verdict=_OUTCOMES["real" if course.is_sure else "none shown"],
        detail=f"{visits[0].day} to {visits[-1].day}, a line through {len(visits)} visits"
        f"{left_out}: {moved} in four weeks; its 95 % interval {zero} zero",
        moved=moved,
        by_hand=course.by_hand,
        last=visits[-1].day,
    )


def _moved_words(value: float, reach: float, digits: int, unit: str) -> str:
    sign = "+" if value >= 0 else ""
    return f"{sign}{number(value, digits)} ± {number(reach, digits)} {unit}".rstrip()


def _in_words(
    who: str, limb: Limb | None, change: Change, digits: int, unit: str, scale: float = 1.0
) -> ChangeRow:
    """Print the change only where the two visits can be set against each other."""
    between = f"{change.earlier.day} to {change.later.day}: "
    said = _OUTCOMES[change.outcome]
    if change.needed is None:
        why = between + change.why
        if OTHERWISE_MADE in why:
            why += "; landing-analysis open --renew makes them anew"
        return ChangeRow(who, limb, False, said, why, None, change.by_hand, change.later.day)
    moved = _moved_words(scale * change.value, scale * COVERAGE * change.sd, digits, unit)
    needed = f"{number(scale * change.needed, digits)} {unit}".rstrip()
    return ChangeRow(
        who=who,
        limb=limb,
        real=change.real,
        verdict=said,
        detail=f"{between}{moved}; a real change exceeds {needed} ({change.why})",
        moved=moved,
        by_hand=change.by_hand,
        last=change.later.day,
    )


def _smallest_words(name: str, minimal: MinimalChange | None) -> str:
    """Say what change of one limb's value could be seen, and on what that rests."""
    if minimal is None:
        return (
            "Minimal detectable change: none published for this measure, and too few sets were "
            "repeated within a visit in this clinic to know its own."
        )
    digits, unit = DEFINITIONS[name].decimals, printed_unit(name, share=False)
    digits = printed_decimals(name) + (1 if digits < 3 else 0)
    least = printed_value(minimal.value, name)
    words = f"Minimal detectable change (95 %): {number(least, digits)} {unit}".rstrip()
    repeats = minimal.repeats
    if repeats is None:
        return f"{words}, from {minimal.source}"
    own = (
        f"SEM {number(printed_value(repeats.sem, name), digits)} {unit}".rstrip()
        + f", n = {repeats.values} sets in {repeats.groups} groups"
    )
    if name in PUBLISHED:
        change = number(printed_value(minimal_detectable_change(repeats.sem), name), digits)
        return f"{words}, from {minimal.source} This clinic's own repeats: {own}, MDC {change}."
    return (
        f"{words}, from {minimal.source}: {own}. Day-to-day differences are not in it, so it is "
        "the least that is needed."
    )
