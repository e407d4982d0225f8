"""The files: tidy tables of a whole record with their dictionary, and a visit's FHIR Bundle."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal, Protocol, TextIO

from landing_analysis import __version__
from landing_analysis.errors import PatientError, RecordError, SettingsError
from landing_analysis.export.bundle import PATIENT_CODE, visit_bundle
from landing_analysis.export.columns import (
    DICTIONARY_COLUMNS,
    OWN_UNIT,
    TABLES,
    UCUM,
    Column,
    Table,
    dictionary_rows,
    dictionary_text,
)
from landing_analysis.export.rows import PatientRows, Row, definition_rows, tidy_rows
from landing_analysis.files import new_file, new_folder, write_text
from landing_analysis.patients import Patient
from landing_analysis.progress import StartProgress, no_progress
from landing_analysis.record.clips import read_clips
from landing_analysis.record.database import Record
from landing_analysis.record.patients import find_patient, list_patients
from landing_analysis.record.place import make_private
from landing_analysis.record.reading import read_analyses
from landing_analysis.record.remarks import reviewed_clips
from landing_analysis.record.sessions import read_sessions, read_ticks

Form = Literal["csv", "parquet"]

_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:\S+")
DICTIONARY, READABLE = "dictionary.csv", "dictionary.md"


def write_tables(
    record: Record,
    target: Path,
    form: Form = "csv",
    *,
    all_analyses: bool = False,
    start: StartProgress = no_progress,
) -> int:
    """Write every tidy table of the record, and the data dictionary, into one folder.

    Parameters
    ----------
    record : Record
    target : the folder; one that was written this way before is replaced
    form : of the tables; the dictionary is CSV and Markdown in either case
    all_analyses : every analysis ever made, and not the newest of each clip only
    start : gives the listener of the writing, which counts patients

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    RecordError, OutputError
        With nothing half-written; what was there before is still there.
    """
    _require_ours(target)
    with record.at_one_moment(), new_folder(target) as new:
        n_rows = _write_all(record, new, form, start, all_analyses=all_analyses)
        _write_dictionary(new, form)
        make_private(new)
    return n_rows


def _write_all(
    record: Record, folder: Path, form: Form, start: StartProgress, *, all_analyses: bool
) -> int:
    patients = list_patients(record)
    progress = start("writing", len(patients))
    try:
        with _table_writers(folder, form) as writers:
            n_rows = _write(writers, {"measure_definitions": definition_rows()})
            for patient in patients:
                rows = _read(record, patient, all_analyses=all_analyses)
                n_rows += _write(writers, tidy_rows(rows))
                progress.advance(1)
    finally:
        progress.close()
    return n_rows


def _write_dictionary(folder: Path, form: Form) -> None:
    with (folder / DICTIONARY).open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, DICTIONARY_COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(dictionary_rows())
    write_text(folder / READABLE, dictionary_text(form))


@dataclass(frozen=True)
class WrittenBundle:
    """What was written of one visit, and how many clips are not in it.

    ``without_values`` have none, ``excluded`` were left out by a person.
    """

    day: date
    resources: int
    without_values: int
    excluded: int


def write_bundle(
    record: Record,
    code: str,
    target: Path,
    day: date | None = None,
    code_system: str = PATIENT_CODE,
) -> WrittenBundle:
    """Write one visit as a FHIR R4 Bundle, for the file's owner only.

    Parameters
    ----------
    record : Record
    code : of the patient
    target : the JSON file; an earlier one is replaced
    day : of the visit, None for the last one with values
    code_system : URI of the system that patients' codes belong to

    Raises
    ------
    PatientError
        When there is no such patient, or no visit with values.
    SettingsError
        When the system is no URI.
    OutputError
        With nothing half-written.
    """
    if not _URI.fullmatch(code_system):
        raise SettingsError(
            f"{code_system!r} is no URI; write one such as urn:oid:2.999.1 or https://example.org/id."
        )
    with record.at_one_moment():
        rows = _read(record, find_patient(record, code), all_analyses=False)
    days = sorted({one.date for one in rows.analyses})
    if not days or (day is not None and day not in days):
        on = f" on {day}" if day else ""
        known = ", ".join(map(str, days)) or "none yet"
        raise PatientError(f"{code} has no visit with values{on}; there are: {known}.")
    chosen = day or days[-1]
    bundle = visit_bundle(rows, chosen, code_system)
    with new_file(target) as temporary:
        temporary.touch(mode=0o600)
        temporary.write_text(json.dumps(bundle, indent=1, allow_nan=False) + "\n", "utf-8")
    clips = [clip for clip in rows.clips if clip["date"] == chosen]
    without = sum(not clip["analysed"] for clip in clips)
    excluded = sum(clip["excluded"] is not None for clip in clips if clip["analysed"])
    return WrittenBundle(chosen, len(bundle["entry"]), without, excluded)


def _require_ours(target: Path) -> None:
    """Refuse to replace a folder that holds anything else."""
    ours = {f"{name}.{form}" for name in TABLES for form in ("csv", "parquet")}
    ours |= {DICTIONARY, READABLE}
    try:
        found = {path.name for path in target.iterdir()} if target.exists() else set()
    except OSError as error:
        raise RecordError(
            f"{target} cannot be looked into ({error.strerror}); name a new folder for the tables."
        ) from error
    if found - ours:
        raise RecordError(
            f"{target} holds other files ({sorted(found - ours)[0]}); name a new folder for the "
            "tables."
        )


def _read(record: Record, patient: Patient, *, all_analyses: bool) -> PatientRows:
    return PatientRows(
        patient=patient,
        clips=read_clips(record, patient.code),
        analyses=read_analyses(record, patient.code, history=all_analyses),
        sessions=read_sessions(record, patient.code),
        ticks=tuple(read_ticks(record, patient.code).values()),
        reviewed=reviewed_clips(record),
    )


class _Writer(Protocol):
    def write(self, rows: list[Row]) -> None:
        """Add rows to one table's file."""


def _write(writers: dict[str, _Writer], tables: dict[str, list[Row]]) -> int:
    for name, rows in tables.items():
        writers[name].write(rows)
    return sum(map(len, tables.values()))


@contextmanager
def _table_writers(folder: Path, form: Form) -> Iterator[dict[str, _Writer]]:
    opened = _parquet_writer if form == "parquet" else _csv_writer
    with ExitStack() as stack:
        yield {
            table.name: stack.enter_context(opened(folder / f"{table.name}.{form}", table))
            for table in TABLES.values()
        }


# --- CSV ---------------------------------------------------------------------------------------


class _Csv:
    """Comma, dot, UTF-8, one header line, shortest digits that give the same binary number."""

    def __init__(self, file: TextIO, table: Table) -> None:
        names = [column.name for column in table.columns]
        self._writer = csv.DictWriter(file, names, restval="", lineterminator="\n")
        self._writer.writeheader()

    def write(self, rows: list[Row]) -> None:
        self._writer.writerows({name: _cell(value) for name, value in row.items()} for row in rows)


@contextmanager
def _csv_writer(path: Path, table: Table) -> Iterator[_Writer]:
    with path.open("w", encoding="utf-8", newline="") as file:
        yield _Csv(file, table)


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    return " ".join(map(str, value)) if isinstance(value, list) else value


# --- Parquet -----------------------------------------------------------------------------------


class _Parquet:
    """A row group per patient; each column carries its unit and meaning as metadata."""

    def __init__(self, writer: Any, schema: Any) -> None:
        self._writer, self._schema = writer, schema

    def write(self, rows: list[Row]) -> None:
        import pyarrow as pa

        if rows:
            columns = {name: [row.get(name) for row in rows] for name in self._schema.names}
            self._writer.write_table(pa.table(columns, schema=self._schema))


@contextmanager
def _parquet_writer(path: Path, table: Table) -> Iterator[_Writer]:
    import pyarrow.parquet as pq

    schema = _schema(table)
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        yield _Parquet(writer, schema)


def _schema(table: Table) -> Any:
    import pyarrow as pa

    types = {
        "text": pa.string(), "category": pa.dictionary(pa.int32(), pa.string()),
        "integer": pa.int64(), "number": pa.float64(), "boolean": pa.bool_(), "date": pa.date32(),
        "time": pa.timestamp("us", tz="UTC"), "integers": pa.list_(pa.int64()),
    }  # fmt: skip
    return pa.schema(
        [
            pa.field(column.name, types[column.kind], metadata=_metadata(column))
            for column in table.columns
        ],
        metadata={"program": f"landing_analysis {__version__}", "row": table.row},
    )


def _metadata(column: Column) -> dict[str, str]:
    unit = {} if column.unit in (None, OWN_UNIT) else {"unit": UCUM[str(column.unit)]}
    return {**unit, "meaning": column.meaning, **({"sign": column.sign} if column.sign else {})}
