"""The form of a session: plan, how the patient was, what was changed, notes."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from landing_analysis.errors import SessionError
from landing_analysis.exercises import EXERCISES
from landing_analysis.pages.words import day_words
from landing_analysis.record.database import Record
from landing_analysis.record.overview import code_numbered, patient_numbers, visit_numbered
from landing_analysis.record.sessions import enter_session, read_session, read_sessions
from landing_analysis.sessions.published import (
    EFFUSION_GRADING,
    EFFUSION_SOURCE,
    warnings_in,
)
from landing_analysis.sessions.session import (
    EFFUSION_GRADES,
    MOMENT_WORDS,
    MOMENTS,
    SCORE_RANGE,
    SORENESS,
    Session,
    plain_of,
)
from landing_analysis.window.answers import (
    ChangedMeanwhileError,
    Given,
    NotThereError,
    number_in,
    optional,
    page,
)
from landing_analysis.window.state import Window

_STATE = ("pain", "effusion", "soreness", "confidence", "distress")
_LINES = ("plan", "modified", "stopped")
_TEXTS = ("note", "went_well", "work_on")


def session(window: Window, request: Request) -> Response:
    """Show the form of a patient's session of today, or of the day of a visit."""
    return _form(window, request, said="")


def save(window: Window, request: Request, given: Given) -> Response:
    """Save what the form holds as the session's newest version."""
    with window.record() as record:
        code, day = _whose(record, request)
        seen = int(given["seen"]) if given.get("seen", "").isdecimal() else 0
        try:
            enter_session(record, code, day, _plain(given), optional(given, "by"), seen=seen)
        except SessionError as error:
            saved = read_session(record, code, day)
            if (saved.number if saved else 0) != seen:
                raise ChangedMeanwhileError(str(error)) from error
            raise
    window.rewriting.ask(code, [day])
    return _form(window, request, said="Saved.")


def _form(window: Window, request: Request, said: str) -> Response:
    with window.record() as record:
        code, day = _whose(record, request)
        saved = read_session(record, code, day)
        earlier = [one for one in read_sessions(record, code) if one.day < day and one.session.plan]
        number = patient_numbers(record)[code]
    now = saved.session if saved else Session()
    return page(
        window, "session.html.j2", code=code, patient_number=number, day_words=day_words(day),
        saved=saved, said=said,
        plain=plain_of(now), warnings=warnings_in(now), moments=MOMENTS,
        moment_words=MOMENT_WORDS, scores=range(SCORE_RANGE[0], SCORE_RANGE[1] + 1),
        grades=EFFUSION_GRADES, grading=EFFUSION_GRADING, grading_source=EFFUSION_SOURCE,
        soreness=SORENESS, exercises=EXERCISES, place=request.url.path,
        last_plan="\n".join(plain_of(earlier[-1].session)["plan"]) if earlier else "",
    )  # fmt: skip


def _whose(record: Record, request: Request) -> tuple[str, date]:
    """Return patient and day that an address names."""
    number = number_in(request, "number")
    if request.url.path.startswith("/visit/"):
        found = visit_numbered(record, number)
        if found is None:
            raise NotThereError("There is no such visit.")
        return found
    code = code_numbered(record, number)
    if code is None:
        raise NotThereError("There is no such patient.")
    return code, date.today()


def _plain(given: Given) -> Mapping[str, Any]:
    """Return the plain form of a session from the fields of the form."""
    plain: dict[str, Any] = {
        key: [line.strip() for line in given.get(key, "").splitlines() if line.strip()]
        for key in _LINES
    }
    plain |= {key: " ".join(given.get(key, "").split()) for key in _TEXTS}
    plain |= {
        moment: {key: given.get(f"{moment} {key}", "").strip() for key in _STATE}
        for moment in MOMENTS
    }
    return plain
