"""Rows that this program never wrote: which, and what to do."""

from __future__ import annotations

import shlex

from landing_analysis.record.database import Record
from landing_analysis.record.migrations import RECORD_TABLES
from landing_analysis.record.rules import fault_in

_OF_PATIENT = (
    ("patient", "SELECT code FROM patient WHERE id = ?"),
    ("visit", "SELECT code FROM patient JOIN visit ON patient_id = patient.id WHERE visit.id = ?"),
    ("clip", "SELECT code FROM patient JOIN visit ON patient_id = patient.id "
     "JOIN clip ON visit_id = visit.id WHERE clip.id = ?"),
    ("analysis", "SELECT code FROM patient JOIN visit ON patient_id = patient.id "
     "JOIN clip ON visit_id = visit.id JOIN analysis ON clip_id = clip.id WHERE analysis.id = ?"),
)  # fmt: skip


def bad_row_in(record: Record) -> str | None:
    """Name the first row of the record that breaks a rule, and what to do; None without any."""
    for table in RECORD_TABLES:
        kinds = {row["name"]: row["type"] for row in record.rows(f"PRAGMA table_info({table})")}
        for row in map(dict, record.rows(f"SELECT * FROM {table} ORDER BY id")):
            fault = fault_in(table, row, kinds, lambda stored: isinstance(stored, str))
            if fault:
                codes = [
                    code
                    for of, sql in _OF_PATIENT
                    if (number := row.get("id" if of == table else f"{of}_id")) is not None
                    for (code,) in record.rows(sql, number)
                ]
                return about_bad_row(f"the row {row['id']} of {table}", codes[0], fault)
    return None


def about_bad_row(row: str, code: str, fault: str) -> str:
    """Say that ``row`` of patient ``code`` has a ``fault``, and what to do."""
    shown = shlex.quote(code if code.isprintable() else ascii(code))
    return (
        f"The record holds {row} that this program never wrote: {fault.rstrip('.')}. Bring back "
        "an earlier copy with: landing-analysis record restore, or remove the patient with: "
        f"landing-analysis patient remove {shown}"
    )
