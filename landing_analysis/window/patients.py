"""Patients by code: list, add, edit, remove, and each one's visits."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, replace
from datetime import date

from starlette.requests import Request
from starlette.responses import Response

from landing_analysis.errors import CorrectionError, PatientError
from landing_analysis.pages.compare import compare_html
from landing_analysis.pages.history import read_history, read_minimal_changes
from landing_analysis.pages.progress import progress_html
from landing_analysis.pages.words import since_surgery
from landing_analysis.patients import (
    Patient,
    close_codes,
    doubt_about_surgery,
    require_neutral_code,
)
from landing_analysis.record.correcting import find_clip
from landing_analysis.record.database import Record
from landing_analysis.record.overview import code_numbered, patient_numbers, visits_numbered
from landing_analysis.record.patients import add_patient, edit_patient, find_patient, list_patients
from landing_analysis.record.removal import holdings_of, remove_patient
from landing_analysis.record.sessions import read_sessions
from landing_analysis.sessions.wording import session_lines
from landing_analysis.tables import LIMBS, short_clip
from landing_analysis.window.answers import (
    ChangedMeanwhileError,
    Given,
    NotThereError,
    drawn_document,
    number_in,
    optional,
    page,
    to,
)
from landing_analysis.window.state import Window


def patients(window: Window, request: Request) -> Response:
    """List the patients, with a form for another."""
    with window.record() as record:
        numbers = patient_numbers(record)
        rows = [
            (numbers[patient.code], patient, visits_numbered(record, patient.code))
            for patient in list_patients(record)
        ]
    return page(window, "patients.html.j2", rows=rows, since=since_surgery, limbs=LIMBS)


def patient(window: Window, request: Request) -> Response:
    """Show one patient: what is known, and the visits."""
    with window.record() as record:
        found = _patient_at(record, request)
        visits = visits_numbered(record, found.code)
        holdings = holdings_of(record, found.code)
        filmed = {day for _, day, _ in visits}
        sessions = [
            (saved.day, "; ".join(session_lines(saved.session)) or "nothing noted")
            for saved in reversed(read_sessions(record, found.code))
            if saved.day not in filmed
        ]
    return page(
        window, "patient.html.j2", patient=found, number=number_in(request, "number"),
        visits=visits, sessions=sessions, holdings=holdings, version=version_of_patient(found),
        since=since_surgery, limbs=LIMBS,
    )  # fmt: skip


def _patient_at(record: Record, request: Request) -> Patient:
    code = code_numbered(record, number_in(request, "number"))
    if code is None:
        raise NotThereError("There is no such patient.")
    return find_patient(record, code)


def add(window: Window, request: Request, given: Given) -> Response:
    """Add a patient; clips that wait for the code go on."""
    code = given.get("code", "").strip()
    new = _with_facts(Patient(code), given)
    with window.record() as record:
        if not given.get("sure"):
            require_neutral_code(code)
            near = close_codes(code, (known.code for known in list_patients(record)))
            if near:
                raise PatientError(
                    f"The code {code} may be a slip for {' or '.join(near)}; tick that it is "
                    "somebody else, if it is."
                )
        add_patient(record, new)
        number = patient_numbers(record)[new.code]
    window.working.wake.set()
    return to(f"/patient/{number}")


def edit(window: Window, request: Request, given: Given) -> Response:
    """Replace what is known of a patient."""
    with window.record() as record:
        before = _patient_at(record, request)
        _require_same(before, given)
        edit_patient(record, _with_facts(before, given))
    _written_anew(window, before.code)
    return to(f"/patient/{number_in(request, 'number')}")


def set_side(window: Window, request: Request, given: Given) -> Response:
    """Set the surgical side from the page of a clip, and go back there."""
    side = next((limb for limb in LIMBS if limb == given.get("surgical_side")), None)
    with window.record() as record:
        before = _patient_at(record, request)
        _require_same(before, given)
        edit_patient(record, replace(before, surgical_side=side))
        _written_anew(window, before.code)
        try:
            clip = short_clip(find_clip(record, given.get("clip", "")).sha256)
        except CorrectionError:
            return to(f"/patient/{number_in(request, 'number')}")
    return to(f"/clip/{clip}")


def change(window: Window, request: Request) -> Response:
    """Show what changed from visit to visit, as a document."""
    with window.record() as record:
        found = _patient_at(record, request)

        def draw() -> str:
            history, minimal = read_history(record, found.code), read_minimal_changes(record)
            return compare_html(history, minimal, None, nav=_nav(found, request))

        return drawn_document(window, record, request, draw)


def progress(window: Window, request: Request) -> Response:
    """Show the ladder of a patient up to today, as a document."""
    with window.record() as record:
        found = _patient_at(record, request)

        def draw() -> str:
            history = read_history(record, found.code)
            return progress_html(history, date.today(), nav=_nav(found, request))

        return drawn_document(window, record, request, draw)


def _nav(patient: Patient, request: Request) -> tuple[tuple[str, str], ...]:
    """Return where one goes on from a document."""
    place = f"/patient/{number_in(request, 'number')}"
    return (
        ("Today", "/"), ("This week", "/week"), ("Patients", "/patients"), (patient.code, place),
        ("Change", f"{place}/change"), ("Progress", f"{place}/progress"),
    )  # fmt: skip


def _written_anew(window: Window, code: str) -> None:
    """Let the watcher look whether reports are out of date, and have written pages follow."""
    window.working.wake.set()
    with window.record() as record:
        days = [day for _, day, _ in visits_numbered(record, code)]
    window.rewriting.ask(code, days)


def remove(window: Window, request: Request, given: Given) -> Response:
    """Forget a patient: every value, report and clip."""
    with window.record() as record:
        before = _patient_at(record, request)
        if given.get("code", "").strip() != before.code:
            raise PatientError(
                f"Nothing was removed: to make sure, write the code {before.code} into the field."
            )
        remove_patient(record, before.code, keep_clips=bool(given.get("keep_clips")))
    return to("/patients")


def _with_facts(patient: Patient, given: Given) -> Patient:
    """Return a patient with the facts of a form; an empty field is not known."""
    side, day, stature = (
        optional(given, name) for name in ("surgical_side", "surgery_date", "stature_cm")
    )
    changed = replace(
        patient,
        surgical_side=next((limb for limb in LIMBS if limb == side), None),
        surgery_date=_date(day) if day else None,
        stature_m=_metres(stature) if stature else None,
    )
    doubt = (
        doubt_about_surgery(changed.surgery_date, date.today()) if changed.surgery_date else None
    )
    if doubt and not given.get("sure"):
        raise PatientError(f"{doubt} Correct it, or tick that it is so.")
    return changed


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise PatientError(f"{text!r} is no date; write YYYY-MM-DD.") from error


def _metres(text: str) -> float:
    try:
        return float(text.replace(",", ".")) / 100
    except ValueError as error:
        raise PatientError(f"{text!r} is no body height in cm.") from error


def version_of_patient(patient: Patient) -> str:
    """Return a mark that differs when anything known of a patient does."""
    return hashlib.sha256(repr(sorted(asdict(patient).items())).encode()).hexdigest()[:16]


def _require_same(patient: Patient, given: Given) -> None:
    if given.get("version") != version_of_patient(patient):
        raise ChangedMeanwhileError(
            f"What is known of {patient.code} was changed meanwhile, in another window or by a "
            "command. Nothing was saved; go back, reload, and look at it again."
        )
