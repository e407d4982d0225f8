"""One clip: its page, its video, and what the page draws."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from landing_analysis.analysing import ANNOTATED, REPORT
from landing_analysis.definitions import VIEW_WORDS
from landing_analysis.errors import CorrectionError, LandingAnalysisError
from landing_analysis.exercises import EXERCISES
from landing_analysis.folder.again import file_of
from landing_analysis.pages.week import first_day_of_week
from landing_analysis.record.correcting import (
    KnownClip,
    find_clip,
    last_correction,
    steps_of,
)
from landing_analysis.record.database import Record
from landing_analysis.record.overview import ClipLine, clip_lines, days_filmed, doubts_about
from landing_analysis.record.patients import find_patient, list_patients
from landing_analysis.record.remarks import last_remark, remarks_on_clip
from landing_analysis.report import header, rep_tables, roles, sheet, verdicts
from landing_analysis.tables import LIMBS, VIEWS, Analysis, short_clip
from landing_analysis.window.answers import NotThereError, document, page, to
from landing_analysis.window.clip_view import clip_view, curves_view, worst_rep
from landing_analysis.window.guard import DOCUMENT_POLICY
from landing_analysis.window.patients import version_of_patient
from landing_analysis.window.results import exercise_words, outcome_words
from landing_analysis.window.state import Window

_KINDS = {".mp4": "video/mp4", ".m4v": "video/mp4", ".mov": "video/mp4", ".webm": "video/webm",
          ".mkv": "video/x-matroska", ".3gp": "video/3gpp", ".avi": "video/x-msvideo"}  # fmt: skip


@dataclass(frozen=True)
class Neighbours:
    """The clips before and after one among those of its week, by the number of the week."""

    before: ClipLine | None
    after: ClipLine | None
    number: int
    of: int
    week: int


def clip_at(record: Record, request: Request, name: str = "clip") -> KnownClip:
    """Return the clip that an address names.

    Raises
    ------
    NotThereError
    """
    try:
        return find_clip(record, request.path_params[name])
    except CorrectionError as error:
        raise NotThereError("There is no such clip.") from error


def version_of(record: Record, clip: KnownClip) -> str:
    """Return a mark that differs when anything was set right or noted about a clip."""
    return f"{last_correction(record.connection, clip.id)}-{last_remark(record, clip.id)}"


def clip(window: Window, request: Request) -> Response:
    """Show one clip, with forms for everything that can be set right."""
    with window.record() as record:
        known = clip_at(record, request)
        (line,) = clip_lines(record, sha256=known.sha256)
        analysis, why = _analysis(window, record, known)
        done, undone = steps_of(record, known.id)
        remarks = remarks_on_clip(record, known.id)
        patient = find_patient(record, known.code)
        told: dict[str, Any] = {
            "clip": known,
            "line": line,
            "short_id": short_clip(known.sha256),
            "words": outcome_words(line),
            "doubts": doubts_about(record, line),
            "exercise": exercise_words(line),
            "view_words": VIEW_WORDS.get(line.values["view"] or "oblique"),
            "patient": patient,
            "patient_version": version_of_patient(patient),
            "codes": [patient.code for patient in list_patients(record)],
            "near": _neighbours(record, line),
            "others": _others(record, line),
            "version": version_of(record, known),
            "remarks": remarks,
            "reviewed": remarks.get(None, {}).get("reviewed"),
            "may_undo": done[-1].correction if done else None,
            "may_redo": undone[-1].correction if undone else None,
            "pictures": list(_pictures_of(record, known)),
            "has_report": known.report is not None and (known.report / REPORT).is_file(),
        }
    shown = roles.with_roles(analysis) if analysis else None
    sets = verdicts.sets_of(analysis) if analysis else ()
    return page(
        window, "clip.html.j2", **told, analysis=shown, why=why, header=header, verdicts=verdicts,
        worst=worst_rep(analysis) if analysis else None,
        sets=sets, headlines=sheet.shown_findings(sets)[0],
        tables=rep_tables.rep_tables(shown) if shown else [],
        exercises=EXERCISES, views=VIEWS, limbs=LIMBS,
    )  # fmt: skip


def _analysis(window: Window, record: Record, known: KnownClip) -> tuple[Analysis | None, str]:
    """Return a clip's analysis as it is set, or why there is none."""
    try:
        return window.analyses.of(record, known, window.job), ""
    except LandingAnalysisError as error:
        return None, str(error)


def _neighbours(record: Record, line: ClipLine) -> Neighbours:
    monday = first_day_of_week(line.day)
    week = [one for one in clip_lines(record, days=(monday, monday + timedelta(days=6)))
            if one.analysed]  # fmt: skip
    names = [one.sha256 for one in week]
    number = weeks_filmed(record).index(monday)
    if line.sha256 not in names:
        return Neighbours(None, None, 0, len(week), number)
    at = names.index(line.sha256)
    return Neighbours(
        week[at - 1] if at else None,
        week[at + 1] if at + 1 < len(week) else None,
        at + 1,
        len(week),
        number,
    )


def weeks_filmed(record: Record) -> list[date]:
    """Return the Mondays of the weeks in which anything was filmed, which number them."""
    return sorted({first_day_of_week(day) for day in days_filmed(record)})


def _others(record: Record, line: ClipLine) -> list[tuple[str, str]]:
    """Return the clips that one can be set beside: the same patient's, those of its visit first."""
    lines = [one for one in clip_lines(record, code=line.code) if one.analysed]
    lines.sort(key=lambda one: (one.visit_number != line.visit_number, one.day), reverse=False)
    return [
        (one.short_id, f"{one.day}, set {one.values['set_number']}: {exercise_words(one)}, "
         f"{VIEW_WORDS[one.values['view']]}")
        for one in lines if one.sha256 != line.sha256
    ]  # fmt: skip


def view(window: Window, request: Request) -> Response:
    """Return what the page of a clip draws."""
    with window.record() as record:
        known = clip_at(record, request)
        analysis = window.analyses.of(record, known, window.job)
        version = version_of(record, known)
    window.ahead.instead(partial(_analyse_next, window, known))
    return JSONResponse({"version": version, **clip_view(analysis)})


def _analyse_next(window: Window, known: KnownClip) -> None:
    """Have the next clip of the week in memory while somebody looks at this one."""
    with suppress(LandingAnalysisError), window.record() as record:
        (line,) = clip_lines(record, sha256=known.sha256)
        after = _neighbours(record, line).after
        if after is not None:
            window.analyses.of(record, find_clip(record, after.sha256), window.job)


def curves(window: Window, request: Request) -> Response:
    """Return what a page lays over another clip's curves."""
    with window.record() as record:
        analysis = window.analyses.of(record, clip_at(record, request), window.job)
    return JSONResponse(curves_view(analysis))


def _pictures_of(record: Record, known: KnownClip) -> dict[str, Path]:
    """Return what there is to be shown of a clip, as filmed before as annotated."""
    filmed = file_of(record, known)
    annotated = known.report / ANNOTATED if known.report else None
    found = {} if filmed is None else {"video": filmed}
    return {**found, "annotated": annotated} if annotated and annotated.is_file() else found


def video(window: Window, request: Request) -> Response:
    """Return the clip as filmed, or as annotated, in the ranges that the player asks for."""
    shown = request.url.path.rpartition("/")[2]
    with window.record() as record:
        path = _pictures_of(record, clip_at(record, request)).get(shown)
    if path is None:
        raise NotThereError("The file of this clip is gone.")
    return FileResponse(str(path), media_type=_KINDS.get(path.suffix.lower(), "video/mp4"))


def report(window: Window, request: Request) -> Response:
    """Return the clip's report, which holds everything inside."""
    with window.record() as record:
        known = clip_at(record, request)
    path = known.report / REPORT if known.report else None
    if path is None or not path.is_file():
        raise NotThereError("There is no report of this clip.")
    return document(path.read_text(encoding="utf-8"), DOCUMENT_POLICY)


def beside(window: Window, request: Request) -> Response:
    """Show two clips side by side."""
    with window.record() as record:
        both = [clip_at(record, request, name) for name in ("clip", "other")]
        lines = [clip_lines(record, sha256=known.sha256)[0] for known in both]
        pictures = [list(_pictures_of(record, known)) for known in both]
    return page(
        window, "beside.html.j2", lines=lines, exercise_words=exercise_words,
        pictures=pictures, view_words=VIEW_WORDS,
    )  # fmt: skip


def choose_beside(window: Window, request: Request) -> Response:
    """Send on to the page of two clips that a form names."""
    with window.record() as record:
        names = [request.query_params.get(name, "") for name in ("clip", "other")]
        try:
            found = [short_clip(find_clip(record, name).sha256) for name in names]
        except CorrectionError as error:
            raise NotThereError("There is no such clip.") from error
    return to(f"/beside/{found[0]}/{found[1]}")
