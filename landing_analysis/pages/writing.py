"""Writes the pages into the data folder, where only its owner can read them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from datetime import date
from pathlib import Path

from landing_analysis.errors import PatientError
from landing_analysis.files import write_text
from landing_analysis.pages.compare import compare_html, courses_document
from landing_analysis.pages.history import History, read_history, read_minimal_changes
from landing_analysis.pages.progress import for_patient_html, progress_html
from landing_analysis.pages.visit import visit_html
from landing_analysis.pages.week import first_day_of_week, seen_in_week, week_html
from landing_analysis.progress import StartProgress, no_progress
from landing_analysis.record.database import Record
from landing_analysis.record.outdated import mark_reports
from landing_analysis.record.patients import list_patients
from landing_analysis.record.place import make_private_folder
from landing_analysis.record.unread import stray_files
from landing_analysis.trend.changes import Key, MinimalChange

PROGRESS, FOR_PATIENT = "progress.html", "for-patient.html"


def write_visit(
    record: Record, code: str, day: date | None = None, start: StartProgress = no_progress
) -> Path:
    """Write the page on one visit and return its place.

    Parameters
    ----------
    record : Record
    code : of the patient
    day : of the visit, None for the last one
    start : gives the listener of looking for pictures, which counts clips

    Raises
    ------
    PatientError
        When there is no such patient or visit.
    """
    history = read_history(record, code)
    day = _existing_day(history, day)
    page = _visit_page(record, history, day)
    linked = _compare_page(record, history).is_file()
    mark_reports(record, history.patient.code)
    minimal = read_minimal_changes(record)
    html = visit_html(history, day, page, record.folder, minimal, linked=linked, start=start)
    write_text(page, html)
    return page


def write_compare(record: Record, code: str, start: StartProgress = no_progress) -> Path:
    """Write the page on a patient's change across visits and return its place.

    Raises
    ------
    PatientError
        When there is no such patient, or no clip of theirs.
    """
    history = read_history(record, code)
    _existing_day(history, None)
    page = _compare_page(record, history)
    _write_compare(history, read_minimal_changes(record), page, start)
    return page


def write_progress(record: Record, code: str, day: date | None = None) -> tuple[Path, Path]:
    """Write the sheet on a patient's progress and the half page for the patient.

    Parameters
    ----------
    record : Record
    code : of the patient
    day : the last visit that counts, None for the last of all

    Returns
    -------
    tuple of Path
        Places of both.

    Raises
    ------
    PatientError
        When there is no such patient or visit.
    """
    history = read_history(record, code)
    return _write_progress(record, history, _existing_day(history, day))


def _write_progress(record: Record, history: History, day: date) -> tuple[Path, Path]:
    sheet, own = (_folder(record, history) / name for name in (PROGRESS, FOR_PATIENT))
    write_text(sheet, progress_html(history, day))
    write_text(own, for_patient_html(history, day, record.folder))
    return sheet, own


def write_week(record: Record, day: date, start: StartProgress = no_progress) -> Path:
    """Write the page on one week, and those of its visits and their patients; return its place.

    Parameters
    ----------
    record : Record
    day : any day of the week
    start : gives the listener of the writing, which counts patients
    """
    histories = _all_histories(record)
    monday = first_day_of_week(day)
    seen = [(history, seen_in_week(history, monday)) for history in histories]
    _write_pages_on(record, [(history, days) for history, days in seen if days], start)
    return _write_week_page(record, histories, day)


def rewrite_pages(
    record: Record, code: str, days: Iterable[date], start: StartProgress = no_progress
) -> None:
    """Write those pages on a patient, and on the weeks of some days, that are there, anew.

    A page on a visit that is none any more is deleted: its clips went elsewhere. So are the
    sheets on the progress of a patient without any visit left.

    Parameters
    ----------
    record : Record
    code : of the patient
    days : whose clips changed
    start : gives the listener of the writing, which counts pages
    """
    history = read_history(record, code)
    old = sorted((record.folder.pages / history.patient.code).glob("visit-*.html"))
    compare = record.folder.pages / history.patient.code / "compare.html"
    mondays = {first_day_of_week(day) for day in days}
    minimal = read_minimal_changes(record) if old or compare.is_file() else {}
    weeks = [day for day in mondays if (record.folder.pages / f"week-{day}.html").is_file()]
    with closing(start("writing pages anew", len(old) + 1 + len(weeks))) as progress:
        visits = {_visit_page(record, history, day): day for day in history.days} if old else {}
        for page in old:
            if page in visits:
                write_text(page, visit_html(
                    history, visits[page], page, record.folder, minimal, linked=compare.is_file()
                ))  # fmt: skip
            else:
                page.unlink()
            progress.advance(1)
        if compare.is_file():
            _write_compare(history, minimal, compare)
        sheets = [compare.with_name(name) for name in (PROGRESS, FOR_PATIENT)]
        if not history.days:
            for sheet in sheets:
                sheet.unlink(missing_ok=True)
        elif sheets[0].is_file():
            _write_progress(record, history, history.days[-1])
        progress.advance(1)
        for day in weeks:
            _write_week_page(record, _all_histories(record), day)
            progress.advance(1)


def write_all_pages(record: Record, day: date, start: StartProgress = no_progress) -> Path:
    """Write the pages on all visits of all patients and on one week; return that one's place."""
    histories = _all_histories(record)
    _write_pages_on(record, [(history, history.days) for history in histories], start)
    return _write_week_page(record, histories, day)


def _all_histories(record: Record) -> list[History]:
    return [read_history(record, patient.code) for patient in list_patients(record)]


def _write_week_page(record: Record, histories: list[History], day: date) -> Path:
    make_private_folder(record.folder.pages)
    minimal = read_minimal_changes(record)
    page = record.folder.pages / f"week-{first_day_of_week(day)}.html"
    write_text(page, week_html(histories, minimal, stray_files(record), day, page))
    return page


def _write_pages_on(
    record: Record, chosen: Sequence[tuple[History, tuple[date, ...]]], start: StartProgress
) -> None:
    minimal = read_minimal_changes(record)
    progress = start("writing", len(chosen))
    try:
        for history, days in chosen:
            _write_visits_and_compare(record, history, days, minimal)
            progress.advance(1)
    finally:
        progress.close()


def _write_visits_and_compare(
    record: Record, history: History, days: tuple[date, ...], minimal: dict[Key, MinimalChange]
) -> None:
    mark_reports(record, history.patient.code)
    for day in days:
        page = _visit_page(record, history, day)
        write_text(page, visit_html(history, day, page, record.folder, minimal, linked=True))
    compare = _compare_page(record, history)
    _write_compare(history, minimal, compare)
    if days:
        _write_progress(record, history, history.days[-1])


def _write_compare(
    history: History,
    minimal: Mapping[Key, MinimalChange],
    page: Path,
    start: StartProgress = no_progress,
) -> None:
    """Write the page on change, and its lines through all visits as numbers beside it."""
    write_text(page, compare_html(history, minimal, page, start))
    document = json.dumps(courses_document(history), indent=1, allow_nan=False)
    write_text(page.with_suffix(".json"), f"{document}\n")


def _compare_page(record: Record, history: History) -> Path:
    return _folder(record, history) / "compare.html"


def _visit_page(record: Record, history: History, day: date) -> Path:
    return _folder(record, history) / f"visit-{day}.html"


def _folder(record: Record, history: History) -> Path:
    folder = record.folder.pages / history.patient.code
    for place in (record.folder.pages, folder):
        make_private_folder(place)
    return folder


def _existing_day(history: History, day: date | None) -> date:
    code, days = history.patient.code, history.days
    if not days:
        raise PatientError(f"There is no clip of {code} in the record yet; run watch or batch.")
    if day is None:
        return days[-1]
    if day not in days:
        known = ", ".join(map(str, days[-6:]))
        raise PatientError(f"There is no visit of {code} on {day}; the last are {known}.")
    return day
