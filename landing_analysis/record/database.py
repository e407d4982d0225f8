"""Opens the record: checked, backed up before it is migrated, and closed again whatever happens."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from landing_analysis.errors import DamagedRecordError, RecordError, RecordVersionError
from landing_analysis.record import backups
from landing_analysis.record.migrations import APPLICATION_ID, LATEST, migrate, version_of
from landing_analysis.record.place import (
    DataFolder,
    held,
    make_private_file,
    make_private_folder,
)

_BUSY_S = 30.0  # another process holds the record for a moment only (choice)
_WRITTEN_THROUGH = ("synchronous = FULL", "secure_delete = ON")
Row = sqlite3.Row
"""One row of an answer; its columns are found by name."""

_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


@dataclass(frozen=True)
class Record:
    """An open record; every question and every change goes through its connection."""

    folder: DataFolder
    connection: sqlite3.Connection

    def rows(self, sql: str, *values: object) -> list[Row]:
        """Return all rows of one question.

        Raises
        ------
        RecordError
        """
        with _in_our_words(self.folder):
            return self.connection.execute(sql, values).fetchall()

    @contextmanager
    def change(self) -> Iterator[sqlite3.Connection]:
        """Make changes that all happen or none, whatever stops the program.

        Raises
        ------
        RecordError
            When they cannot be written; the record is then as it was.
        """
        with _in_our_words(self.folder):
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")
                raise

    @contextmanager
    def at_one_moment(self) -> Iterator[None]:
        """Let all questions in between see the record of one moment; others may go on writing.

        Raises
        ------
        RecordError
        """
        with _in_our_words(self.folder):
            self.connection.execute("BEGIN")
            try:
                yield
            finally:
                self.connection.execute("ROLLBACK")


@contextmanager
def open_record(folder: DataFolder) -> Iterator[Record]:
    """Open the record of a data folder, and make it when there is none.

    Parameters
    ----------
    folder : its folders are made, for their owner only

    Yields
    ------
    Record

    Raises
    ------
    RecordVersionError
        When a newer program wrote it.
    DamagedRecordError
        When its file is damaged; the sentence names the newest whole backup.
    RecordError
        When it cannot be opened or written.

    Notes
    -----
    Changes are written through to the disk before they count (WAL, full
    synchronisation), and deleted content is overwritten with zeros.
    """
    for place in (folder.path, folder.backups, folder.workers, folder.reports, folder.work):
        make_private_folder(place)
    make_private_file(folder.record)
    with _in_our_words(folder):
        connection = connect(folder.record)
        try:
            _require_our_own(connection, folder)
            version = version_of(connection)
            if 0 < version < LATEST:
                backups.make_backup(connection, folder)
            # Two that turn on the write-ahead log of a new file at once do not wait for each other.
            alone = held(folder.path / "record.lock")
            with nullcontext() if version == LATEST else alone:
                for pragma in ("journal_mode = WAL", *_WRITTEN_THROUGH):
                    connection.execute(f"PRAGMA {pragma}")
                migrate(connection)
            yield Record(folder, connection)
        finally:
            connection.close()


@contextmanager
def reopened(folder: DataFolder) -> Iterator[Record]:
    """Open the record that this process has open and checked already, without looking it over.

    Yields
    ------
    Record

    Raises
    ------
    RecordError
        When it cannot be opened.
    """
    with _in_our_words(folder):
        connection = connect(folder.record)
        try:
            for pragma in _WRITTEN_THROUGH:
                connection.execute(f"PRAGMA {pragma}")
            yield Record(folder, connection)
        finally:
            connection.close()


def connect(path: Path) -> sqlite3.Connection:
    """Connect in autocommit mode, with foreign keys on and rows by name."""
    connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def _require_our_own(connection: sqlite3.Connection, folder: DataFolder) -> None:
    version = version_of(connection)
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    if tables and application != APPLICATION_ID:
        raise RecordError(
            f"{folder.record} is the database of another program; choose another folder "
            "with --data."
        )
    if version > LATEST:
        raise RecordVersionError(
            f"The record {folder.record} was written by a newer version of this program "
            f"(record version {version}, this program knows up to {LATEST}); update the program. "
            "Nothing was changed."
        )
    fault = backups.fault_in(connection)
    if fault:
        raise _damaged(folder, fault)


def _damaged(folder: DataFolder, fault: str) -> DamagedRecordError:
    backup = backups.newest_whole_backup(folder)
    if backup is None:
        advice = "there is no backup; keep the file and ask somebody who knows SQLite."
    else:
        advice = (
            f"the newest whole backup is of {backups.made_at(backup)}; bring it back with: "
            "landing-analysis record restore"
        )
    return DamagedRecordError(f"The record {folder.record} is damaged ({fault}); {advice}")


@contextmanager
def _in_our_words(folder: DataFolder) -> Iterator[None]:
    """Turn what SQLite says into one sentence."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in _DAMAGED:
            raise _damaged(folder, str(error)) from error
        if isinstance(error, sqlite3.OperationalError):
            raise RecordError(
                f"The record {folder.record} cannot be written or read ({error}); make room on "
                "the disk, close other programs that use it, and try again. Nothing was lost."
            ) from error
        raise


def insert_row(connection: sqlite3.Connection, table: str, **values: object) -> int:
    """Add a row of these values to a table, within a change under way; return its number."""
    names = ", ".join(values)
    marks = ", ".join("?" * len(values))
    cursor = connection.execute(
        f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values())
    )
    return cast(int, cursor.lastrowid)
