"""Patients in the record: found, added, edited."""

from __future__ import annotations

import sqlite3
from datetime import UTC, date, datetime

from landing_analysis.errors import PatientError, RecordError
from landing_analysis.patients import Patient, same_code
from landing_analysis.record.bad_rows import about_bad_row
from landing_analysis.record.database import Record, Row
from landing_analysis.record.outdated import mark_pages, mark_reports
from landing_analysis.tables import LIMBS, Limb


def list_patients(record: Record) -> tuple[Patient, ...]:
    """Return every patient, by code."""
    return tuple(map(patient_in, record.rows("SELECT * FROM patient ORDER BY code")))


def find_patient(record: Record, code: str) -> Patient:
    """Return one patient; capitals and small letters mean the same.

    Raises
    ------
    PatientError
        When there is none of that code.
    """
    rows = record.rows("SELECT * FROM patient WHERE code = ?", code)
    if not rows:
        known = ", ".join(patient.code for patient in list_patients(record)) or "none yet"
        raise PatientError(f"There is no patient {code}; known are: {known}.")
    return patient_in(rows[0])


def code_of(record: Record, code: str) -> str:
    """Return a patient's code as it is stored, also of one who cannot be read.

    Raises
    ------
    PatientError
        When there is none of that code.
    """
    rows = record.rows("SELECT code FROM patient WHERE code = ?", code)
    return str(rows[0][0]) if rows else find_patient(record, code).code


def add_patient(record: Record, patient: Patient) -> None:
    """Add a patient.

    Raises
    ------
    PatientError
        When the code is taken.
    """
    if any(same_code(known.code, patient.code) for known in list_patients(record)):
        raise PatientError(
            f"There is a patient {patient.code} already; change the data with: "
            f"landing-analysis patient edit {patient.code}"
        )
    with record.change() as connection:
        insert_patient(connection, patient)


def insert_patient(connection: sqlite3.Connection, patient: Patient) -> None:
    """Add a patient within a change that is under way, unless the code is known."""
    connection.execute(
        "INSERT INTO patient (code, surgical_side, surgery_date, stature_m, invented, added_at) "
        "VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (code) DO NOTHING",
        (patient.code, *_facts(patient), int(patient.invented), _now()),
    )


def edit_patient(
    record: Record, patient: Patient, description_sha256: str | None = None
) -> None:  # fmt: skip
    """Replace what is known of a patient.

    Parameters
    ----------
    record : Record
    patient : its code names whom
    description_sha256 : of the text file that these facts come from, None to leave
        the one last read as it is

    Raises
    ------
    RecordError
        When a report or page made before cannot be marked as out of date; nothing is
        changed then.
    """
    before = find_patient(record, patient.code)
    with record.change() as connection:
        connection.execute(
            "UPDATE patient SET surgical_side = ?, surgery_date = ?, stature_m = ?, "
            "description_sha256 = coalesce(?, description_sha256) WHERE code = ?",
            (*_facts(patient), description_sha256, patient.code),
        )
        if _facts(before) != _facts(patient):
            mark_reports(record, patient.code)
            mark_pages(record, patient.code)


def description_sha256_of(record: Record, code: str) -> str | None:
    """Return the fingerprint of the text file last read for a patient."""
    rows = record.rows("SELECT description_sha256 FROM patient WHERE code = ?", code)
    return rows[0][0] if rows else None


def _facts(patient: Patient) -> tuple[str | None, str | None, float | None]:
    day = patient.surgery_date
    return patient.surgical_side, day.isoformat() if day else None, patient.stature_m


def patient_in(row: Row) -> Patient:
    """Return the patient in a row that holds the columns of the table of patients.

    Raises
    ------
    RecordError
        When there can be no such patient.
    """
    day = row["surgery_date"]
    try:
        return Patient(
            code=row["code"],
            surgical_side=_limb(row["surgical_side"]),
            surgery_date=date.fromisoformat(day) if day else None,
            stature_m=row["stature_m"],
            invented=bool(row["invented"]),
        )
    except (PatientError, ValueError) as error:
        raise RecordError(about_bad_row("a patient", row["code"], str(error))) from error


def _limb(text: str | None) -> Limb | None:
    return next((limb for limb in LIMBS if limb == text), None)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
