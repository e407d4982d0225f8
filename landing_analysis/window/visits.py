"""A visit's page, its summary for paper, and the clips of a week one after the other."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from landing_analysis.pages.history import read_history, read_minimal_changes
from landing_analysis.pages.visit import visit_html
from landing_analysis.pages.week import first_day_of_week, week_html
from landing_analysis.pages.words import day_words, since_surgery
from landing_analysis.record.database import Record
from landing_analysis.record.overview import (
    clip_lines,
    patient_numbers,
    visit_numbered,
    visits_numbered,
)
from landing_analysis.record.remarks import (
    Kind,
    last_visit_remark,
    remark_on_visit,
    remarks_on_clip,
    remarks_on_visit,
    reviewed_clips,
)
from landing_analysis.record.sessions import read_session
from landing_analysis.record.unread import stray_files
from landing_analysis.sessions.published import warnings_in
from landing_analysis.sessions.wording import session_lines
from landing_analysis.window.answers import (
    ChangedMeanwhileError,
    Given,
    NotThereError,
    document,
    drawn_document,
    number_in,
    optional,
    page,
    to,
    wants_json,
)
from landing_analysis.window.charts import chart_text
from landing_analysis.window.clips import weeks_filmed
from landing_analysis.window.guard import DOCUMENT_POLICY
from landing_analysis.window.results import result_words
from landing_analysis.window.state import Window


def _visit_at(record: Record, request: Request) -> tuple[str, date]:
    found = visit_numbered(record, number_in(request, "number"))
    if found is None:
        raise NotThereError("There is no such visit.")
    return found


def visit(window: Window, request: Request) -> Response:
    """Show one visit: its clips, notes, the text for the chart, the summary."""
    with window.record() as record:
        code, day = _visit_at(record, request)
        history = read_history(record, code)
        lines = clip_lines(record, visit=number_in(request, "number"))
        remarks = remarks_on_visit(record, code, day)
        saved = read_session(record, code, day)
        entered = session_lines(saved.session) if saved else []
        told: dict[str, Any] = {
            "patient": history.patient,
            "patient_number": patient_numbers(record)[code],
            "number": number_in(request, "number"),
            "day": day,
            "day_words": day_words(day),
            "since": since_surgery(history.patient, day),
            "lines": [(line, result_words(line)) for line in lines],
            "again": [one for one in history.again if day in (one.day, one.own_day)],
            "reviewed": reviewed_clips(record),
            "remarks": remarks,
            "version": last_visit_remark(record, code, day),
            "session_lines": entered,
            "warnings": warnings_in(saved.session) if saved else (),
            "chart": chart_text(history, day, entered, _notes(record, code, day)),
            "others": [one for one in visits_numbered(record, code) if one[1] != day],
        }
    return page(window, "visit.html.j2", **told)


def _notes(record: Record, code: str, day: date) -> list[str]:
    """Return the clinician's notes on a visit, its clips and their reps, as lines."""
    whole = remarks_on_visit(record, code, day).get("note")
    found = [whole.text or ""] if whole else []
    for row in record.rows(
        "SELECT clip.id FROM clip JOIN visit ON visit_id = visit.id JOIN patient "
        "ON patient_id = patient.id WHERE code = ? AND date = ? ORDER BY clip.id",
        code, day.isoformat(),
    ):  # fmt: skip
        for rep, about in remarks_on_clip(record, row["id"]).items():
            if "note" in about:
                where = f"rep {rep}: " if rep is not None else ""
                found.append(f"{where}{about['note'].text}")
    return [" ".join(note.split()) for note in found]


def remark(window: Window, request: Request, given: Given) -> Response:
    """Note something about a visit, or tick it as reviewed."""
    with window.record() as record:
        code, day = _visit_at(record, request)
        seen = optional(given, "version")
        if seen is not None and seen != str(last_visit_remark(record, code, day)):
            raise ChangedMeanwhileError(
                "This visit's notes were changed meanwhile, in another window. Nothing was saved; "
                "reload the page and look at them again."
            )
        kind: Kind = "reviewed" if "reviewed" in given else "note"
        text = optional(given, "reviewed" if kind == "reviewed" else "text")
        remark_on_visit(record, code, day, kind, text, optional(given, "by"))
        version = last_visit_remark(record, code, day)
    if wants_json(request):
        return JSONResponse({"version": version})
    return to(f"/visit/{number_in(request, 'number')}")


def summary(window: Window, request: Request) -> Response:
    """Return the visit's page as a document to print, with the clinician's notes."""
    with window.record() as record:
        code, day = _visit_at(record, request)
        history = read_history(record, code)
        reviewed = remarks_on_visit(record, code, day).get("reviewed")
        signed = (
            f"Reviewed by {reviewed.by or 'somebody who gave no code'}, {reviewed.at[:10]}."
            if reviewed
            else "Not reviewed yet."
        )
        place = record.folder.pages / code / f"visit-{day}.html"
        html = visit_html(
            history, day, place, record.folder, read_minimal_changes(record), linked=False,
            summary=(signed, *_notes(record, code, day)),
        )  # fmt: skip
    return document(html, DOCUMENT_POLICY)


def week(window: Window, request: Request) -> Response:
    """List the clips of a week, to go through them one after the other."""
    with window.record() as record:
        monday = _monday(record, request)
        lines = clip_lines(record, days=(monday, monday + timedelta(days=6)))
        days = weeks_filmed(record)
        told: dict[str, Any] = {
            "monday": monday,
            "words": f"{day_words(monday)} to {day_words(monday + timedelta(days=6))}",
            "lines": [(line, result_words(line)) for line in lines],
            "reviewed": reviewed_clips(record),
            "number": days.index(monday) if monday in days else None,
            "others": [(k, day) for k, day in enumerate(days) if day != monday],
        }
    first = next(
        (line for line in lines if line.analysed and line.sha256 not in told["reviewed"]), None
    )
    return page(window, "week.html.j2", **told, first=first)


def look_first(window: Window, request: Request) -> Response:
    """Show whom of a week's patients to look at first, and why, as a document."""
    with window.record() as record:
        monday = _monday(record, request)

        def draw() -> str:
            return _look_first_html(record, monday, f"/week/{request.path_params['week']}")

        return drawn_document(window, record, request, draw)


def _look_first_html(record: Record, monday: date, clips: str) -> str:
    numbers = patient_numbers(record)
    histories = [read_history(record, code) for code in sorted(numbers)]
    visits = {
        (code, day): number for code in numbers
        for number, day, _ in visits_numbered(record, code)
    }  # fmt: skip

    def place_of(code: str, day: date | None) -> str | None:
        if day is None:
            return f"/patient/{numbers[code]}/change"
        return f"/visit/{visits[code, day]}" if (code, day) in visits else None

    nav = (("Today", "/"), ("The week's clips", clips), ("Patients", "/patients"))
    return week_html(
        histories, read_minimal_changes(record), stray_files(record), monday, None, place_of, nav
    )


def _monday(record: Record, request: Request) -> date:
    """Return the first day of the week that an address counts, or of this week."""
    if "week" not in request.path_params:
        return first_day_of_week(date.today())
    days = weeks_filmed(record)
    number = number_in(request, "week")
    if number >= len(days):
        raise NotThereError("There is no such week.")
    return days[number]
