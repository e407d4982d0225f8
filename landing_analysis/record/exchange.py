"""The whole record out to CSV and JSON, and back in with the same numbers to the last bit.

An export is a folder with ``record.json`` and, in ``tables/``, the same rows as one CSV per
table (comma, dot, UTF-8, one header line, empty = not known) beside ``export.csv``, which
names the record's version. Either can be brought back into an empty data folder. Numbers
are written with the shortest digits that give the same binary number again.
"""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from landing_analysis import __version__
from landing_analysis.errors import RecordError
from landing_analysis.files import new_folder, write_text
from landing_analysis.progress import Progress, StartProgress, no_progress
from landing_analysis.record.database import Record, connect
from landing_analysis.record.migrations import LATEST, RECORD_TABLES, WORK_OF_CLIPS, migrate
from landing_analysis.record.place import make_private

DOCUMENT, TABLES, ABOUT = "record.json", "tables", "export.csv"

Rows = list[dict[str, Any]]


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
        When the record holds something, or the export is damaged, incomplete or newer;
        the record is then still empty.
    """
    if record.rows("SELECT 1 FROM patient LIMIT 1"):
        raise RecordError(
            f"The record {record.folder.record} holds patients already; import into an empty "
            "data folder (--data)."
        )
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
            _fill(connection, tables, source, progress)
            migrate(connection)
            connection.execute(WORK_OF_CLIPS)
            ready = {table: _all(connection, table) for table in (*RECORD_TABLES, "work")}
        with record.change() as connection:
            for table, rows in ready.items():
                _insert_all(connection, table, rows, progress)
    finally:
        progress.close()
        _remove(aside)
    return n_rows


# --- writing -----------------------------------------------------------------------------------


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
            return _read_json(source / DOCUMENT)
        if source.is_dir():
            return _read_csv(source / TABLES if (source / TABLES).is_dir() else source)
        return _read_json(source)
    except (OSError, ValueError, KeyError, TypeError, StopIteration, csv.Error) as error:
        raise RecordError(
            f"{source} is no whole export of a record; give the folder that "
            "landing-analysis record export made."
        ) from error


def _read_json(path: Path) -> tuple[int, dict[str, Rows]]:
    document = json.loads(path.read_text(encoding="utf-8"))
    return int(document["record_version"]), {
        table: document["tables"][table] for table in RECORD_TABLES
    }


def _read_csv(folder: Path) -> tuple[int, dict[str, Rows]]:
    version = int(_csv_rows(folder / ABOUT)[0]["record_version"])
    return version, {table: _csv_rows(folder / f"{table}.csv") for table in RECORD_TABLES}


def _csv_rows(path: Path) -> Rows:
    with path.open(encoding="utf-8", newline="") as file:
        return [
            {name: value if value != "" else None for name, value in row.items()}
            for row in csv.DictReader(file, strict=True)
        ]


def _fill(
    connection: sqlite3.Connection, tables: dict[str, Rows], source: Path, progress: Progress
) -> None:
    """Insert the rows; the schema refuses what does not belong."""
    try:
        connection.execute("BEGIN")
        for table, rows in tables.items():
            _insert_all(connection, table, rows, progress)
        connection.execute("COMMIT")
    except (sqlite3.Error, AttributeError, TypeError, OverflowError) as error:
        raise RecordError(
            f"{source} does not fit the record's schema ({error}); export it again."
        ) from error


def _insert_all(connection: sqlite3.Connection, table: str, rows: Rows, progress: Progress) -> None:
    known = {row["name"]: row["type"] for row in connection.execute(f"PRAGMA table_info({table})")}
    for row in rows:
        names = [name for name in row if name in known]
        if set(names) != set(row):
            raise TypeError(f"{table} has no column {sorted(set(row) - set(names))[0]}")
        values = [_number(row[name], known[name]) for name in names]
        connection.execute(
            f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})",
            values,
        )
    progress.advance(len(rows))


def _number(value: object, kind: str) -> object:
    """Turn a number that CSV holds as text back, with Python's own exact reading."""
    if not isinstance(value, str) or kind == "TEXT":
        return value
    try:
        return float(value) if kind == "REAL" else int(value)
    except ValueError as error:
        raise TypeError(f"{value!r} is no number") from error


def _all(connection: sqlite3.Connection, table: str) -> Rows:
    return [dict(row) for row in connection.execute(f"SELECT * FROM {table} ORDER BY 1")]


def _remove(aside: Path) -> None:
    for ending in ("", "-wal", "-shm", "-journal"):
        aside.with_name(aside.name + ending).unlink(missing_ok=True)
