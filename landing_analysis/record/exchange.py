"""The whole record out to CSV and JSON, and back in with the same numbers to the last bit.

An export is a folder with ``record.json`` and, in ``tables/``, the same rows as one CSV per
table (comma, dot, UTF-8, one header line, empty = not known) beside ``export.csv``, which
names the record's version. The names of clips' files, in which a person's name may stand, are
left out: a clip is named by the first digits of its sha256 instead. Either can be brought back
into an empty data folder. Numbers are written with the shortest digits that give the same
binary number again.
"""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from landing_analysis import __version__
from landing_analysis.errors import RecordError
from landing_analysis.files import new_folder, write_text
from landing_analysis.progress import Progress, StartProgress, no_progress
from landing_analysis.record.database import Record, connect
from landing_analysis.record.migrations import (
    EARLIER_NAMES,
    LATEST,
    NAMING_COLUMNS,
    RECORD_TABLES,
    WORK_OF_CLIPS,
    migrate,
    tables_of,
)
from landing_analysis.record.place import DataFolder, make_private
from landing_analysis.record.rules import fault_in
from landing_analysis.tables import short_clip

DOCUMENT, TABLES, ABOUT = "record.json", "tables", "export.csv"

Rows = list[dict[str, Any]]

_WHOLE = re.compile(r"-?\d{1,19}", re.ASCII)
_A_NUMBER = re.compile(r"-?\d+(\.\d+)?([eE][+-]?\d+)?", re.ASCII)


def export_record(record: Record, target: Path, start: StartProgress = no_progress) -> int:
    """Write every row of the record to a new folder.

    Parameters
    ----------
    record : Record
    target : folder to make; it must not exist, or be empty
    start : gives the listener of the writing, which counts rows

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    RecordError, OutputError
        With nothing half-written.
    """
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise RecordError(f"{target} exists already; name a new folder for the export.")
    with record.change():  # one moment in time for all tables
        tables = {
            table: [dict(row) for row in record.rows(f"SELECT * FROM {table} ORDER BY id")]
            for table in RECORD_TABLES
        }
    _leave_out_names(tables)
    about = {
        "record_version": LATEST,
        "package_version": __version__,
        "exported_at": datetime.now(UTC).isoformat(timespec="seconds"),
    }
    n_rows = sum(map(len, tables.values()))
    progress = start("writing", 2 * n_rows)
    try:
        with new_folder(target) as new:
            write_text(new / DOCUMENT, _json_text(about, tables, progress))
            write_text(new / TABLES / ABOUT, _csv_text(list(about), [about]))
            for table, rows in tables.items():
                write_text(new / TABLES / f"{table}.csv", _csv_text(_columns(record, table), rows))
                progress.advance(len(rows))
            make_private(new)
    finally:
        progress.close()
    return n_rows


def import_record(record: Record, source: Path, start: StartProgress = no_progress) -> int:
    """Bring an export back into an empty record.

    Parameters
    ----------
    record : without patients
    source : an export's folder, its ``record.json``, or its folder of CSV files; an
        export of an older record is migrated on the way
    start : gives the listener of the reading, which counts rows

    Returns
    -------
    int
        Rows read.

    Raises
    ------
    RecordError
        When the record holds something, or the export is damaged, incomplete or newer, or
        a value breaks a rule (`rules`); the first such row is named, and the record is
        then still empty.
    """
    _require_empty(record)
    version, tables = _read(source)
    if version > LATEST:
        raise RecordError(
            f"{source} was exported by a newer version of this program (record version {version}, "
            f"this program knows up to {LATEST}); update the program."
        )
    # Built aside at the version of the export, migrated there, and only then copied over.
    aside = record.folder.path / ".import.part"
    _remove(aside)
    n_rows = sum(map(len, tables.values()))
    progress = start("reading", 2 * n_rows)
    try:
        with closing(connect(aside)) as connection:
            migrate(connection, version)
            _fill(connection, tables, source, record.folder, progress)
            migrate(connection)
            connection.execute(WORK_OF_CLIPS)
            ready = {table: _all(connection, table) for table in (*RECORD_TABLES, "work")}
        with record.change() as connection:
            _require_empty(record)  # somebody may have been quicker
            for table, rows in ready.items():
                for row in rows:
                    _insert(connection, table, row)
                progress.advance(len(rows))
    except sqlite3.OperationalError as error:
        raise RecordError(
            f"{source} cannot be brought in ({error}); make room on the disk and try again. "
            "Nothing was changed."
        ) from error
    finally:
        progress.close()
        _remove(aside)
    return n_rows


def _require_empty(record: Record) -> None:
    if record.rows("SELECT 1 FROM patient LIMIT 1"):
        raise RecordError(
            f"The record {record.folder.record} holds patients already; import into an empty "
            "data folder (--data)."
        )


# --- writing -----------------------------------------------------------------------------------


def _leave_out_names(tables: dict[str, Rows]) -> None:
    """Put a clip's short code in the place of its file's name, in which a person's may stand.

    Earlier versions named the folder of its report by the file, too: that name goes, and the
    report with it.
    """
    codes = {clip["id"]: short_clip(clip["sha256"]) for clip in tables["clip"]}
    for clip in tables["clip"]:
        clip["file"] = codes[clip["id"]]
    for analysis in tables["analysis"]:
        code, report = codes[analysis["clip_id"]], PurePosixPath(analysis["report"])
        if not report.name.endswith(f"_{code}"):
            analysis["report"] = str(report.with_name(code))


def _columns(record: Record, table: str) -> list[str]:
    return [row["name"] for row in record.rows(f"PRAGMA table_info({table})")]


def _json_text(about: dict[str, Any], tables: dict[str, Rows], progress: Progress) -> str:
    """Write one row a line, which reads well and takes a fraction of the time of an indent."""
    parts = []
    for table, rows in tables.items():
        lines = ",\n".join(json.dumps(row, allow_nan=False) for row in rows)
        parts.append(f"{json.dumps(table)}: [\n{lines}\n]")
        progress.advance(len(rows))
    return json.dumps(about)[:-1] + ', "tables": {\n' + ",\n".join(parts) + "\n}}\n"


def _csv_text(columns: list[str], rows: Rows) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


# --- reading -----------------------------------------------------------------------------------


def _read(source: Path) -> tuple[int, dict[str, Rows]]:
    try:
        if (source / DOCUMENT).is_file():
            version, tables = _read_json(source / DOCUMENT)
        elif source.is_dir():
            version, tables = _read_csv(source / TABLES if (source / TABLES).is_dir() else source)
        else:
            version, tables = _read_json(source)
    except (
        OSError,
        ValueError,
        KeyError,
        TypeError,
        IndexError,
        RecursionError,
        csv.Error,
    ) as error:
        raise RecordError(
            f"{source} is no whole export of a record; give the folder that "
            "landing-analysis record export made."
        ) from error
    if version < 1:
        raise RecordError(
            f"{source} says that its record version is {version}; there is none such."
        )
    return version, tables


def _read_json(path: Path) -> tuple[int, dict[str, Rows]]:
    document = json.loads(path.read_text(encoding="utf-8"), parse_constant=_no_number)
    version, tables = document["record_version"], document["tables"]
    if type(version) is not int or not isinstance(tables, dict):
        raise TypeError("no version or no tables")
    rows = {table: tables.pop(table) for table in tables_of(version)}
    if tables or not all(isinstance(row, dict) for table in rows.values() for row in table):
        raise TypeError("other tables, or rows that are none")
    return version, rows


def _no_number(text: str) -> float:
    """Refuse what Python reads as a number although JSON has no such."""
    raise ValueError(text)


def _read_csv(folder: Path) -> tuple[int, dict[str, Rows]]:
    version = int(_csv_rows(folder / ABOUT)[0]["record_version"])
    return version, {table: _csv_rows(folder / f"{table}.csv") for table in tables_of(version)}


def _csv_rows(path: Path) -> Rows:
    with path.open(encoding="utf-8", newline="") as file:
        header, *lines = csv.reader(file, strict=True)
    cells = [[cell if cell != "" else None for cell in line] for line in lines]
    return [_Cells(zip(header, line, strict=True)) for line in cells]


class _Cells(dict[str, Any]):
    """A row of text, whose numbers are still to be read."""


def _fill(
    connection: sqlite3.Connection,
    tables: dict[str, Rows],
    source: Path,
    folder: DataFolder,
    progress: Progress,
) -> None:
    """Insert the rows; the first one that breaks a rule or the schema ends it."""
    connection.execute("BEGIN")
    for table, rows in tables.items():
        kinds = {r["name"]: r["type"] for r in connection.execute(f"PRAGMA table_info({table})")}
        for number, row in enumerate(rows, 1):
            fault = _fault_in(connection, table, row, kinds, folder)
            if fault:
                raise RecordError(
                    f"{source} was not imported, because of row {number} of {table}: {fault}. "
                    "Nothing was changed; correct that row, or export the record again."
                )
        progress.advance(len(rows))
    connection.execute("COMMIT")


def _fault_in(
    connection: sqlite3.Connection,
    table: str,
    row: dict[str, Any],
    kinds: dict[str, str],
    folder: DataFolder,
) -> str | None:
    """Insert a row, or say why it is none of this table."""
    strange = next((name for name in row if name not in kinds), None)
    if strange is not None:
        return f"there is no column {strange!r:.40}"
    if isinstance(row, _Cells):
        row = {name: _number(text, kinds[name]) for name, text in row.items()}
    row = _named_as_now(table, row)
    fault = fault_in(table, row, kinds, lambda stored: folder.report_at(stored) is not None)
    if fault:
        return fault
    try:
        _insert(connection, table, row)
    except sqlite3.IntegrityError as error:
        return f"it does not fit the others or the record's schema ({error})"
    return None


def _named_as_now(table: str, row: dict[str, Any]) -> dict[str, Any]:
    """Give a measure of an earlier version its present name, by which the rules know it."""
    column = NAMING_COLUMNS.get(table, "")
    name = row.get(column)
    return {**row, column: EARLIER_NAMES[name]} if name in list(EARLIER_NAMES) else row


def _insert(connection: sqlite3.Connection, table: str, row: dict[str, Any]) -> None:
    connection.execute(
        f"INSERT INTO {table} ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})",
        tuple(row.values()),
    )


def _number(text: str | None, kind: str) -> object:
    """Turn a number that CSV holds as text back, with Python's own exact reading."""
    if text is None or kind == "TEXT" or not _A_NUMBER.fullmatch(text):
        return text
    return float(text) if kind == "REAL" else int(text) if _WHOLE.fullmatch(text) else text


def _all(connection: sqlite3.Connection, table: str) -> Rows:
    return [dict(row) for row in connection.execute(f"SELECT * FROM {table} ORDER BY 1")]


def _remove(aside: Path) -> None:
    for ending in ("", "-wal", "-shm", "-journal"):
        aside.with_name(aside.name + ending).unlink(missing_ok=True)
