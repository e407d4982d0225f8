"""Copies of the record: made whole, checked, the newest ones kept, and brought back."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from landing_analysis.errors import RecordError
from landing_analysis.record.place import DataFolder, held, make_private_file

KEPT = 10
"""Backups that are kept; the oldest go (choice)."""
EVERY = timedelta(days=1)
"""A record in use is copied this often (choice)."""

_NAME = re.compile(r"record-(\d{8}T\d{6})Z(?:-\d+)?\.sqlite3")
_REPLACED = "record-before-"
_STAMP = "%Y%m%dT%H%M%S"


def fault_in(connection: sqlite3.Connection) -> str | None:
    """Return what is wrong with a record's file, in SQLite's words, or None."""
    try:
        found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if found != "ok":
            return str(found).splitlines()[-1]
        stray = connection.execute("PRAGMA foreign_key_check").fetchone()
    except sqlite3.DatabaseError as error:
        return str(error)
    return f"a row of {stray[0]} has lost its parent" if stray else None


def make_backup(connection: sqlite3.Connection, folder: DataFolder) -> Path:
    """Copy the record as it stands, also while others use it, and let the oldest copies go.

    Returns
    -------
    Path of the copy, which appears only when it is whole

    Raises
    ------
    RecordError
        When it cannot be written.
    """
    with _alone(folder):
        return _copy(connection, folder)


def make_backup_if_old(connection: sqlite3.Connection, folder: DataFolder) -> None:
    """Copy the record unless that was done within the last day."""
    with _alone(folder):
        newest = next(iter(_newest_first(folder)), None)
        if newest is None or datetime.now(UTC) - _made(newest) >= EVERY:
            _copy(connection, folder)


def remove_backups(folder: DataFolder) -> None:
    """Delete every copy and every record that a restore replaced, so that no trace is left."""
    with _alone(folder):
        for path in (*_newest_first(folder), *folder.path.glob(f"{_REPLACED}*")):
            path.unlink(missing_ok=True)


def newest_whole_backup(folder: DataFolder) -> Path | None:
    """Return the newest copy that passes the check, None when there is none."""
    return next((path for path in _newest_first(folder) if _is_whole(path)), None)


def made_at(backup: Path) -> str:
    """Return when a copy was made, in local time."""
    return f"{_made(backup).astimezone():%Y-%m-%d %H:%M}"


def restore(folder: DataFolder) -> tuple[Path, Path | None]:
    """Put the newest whole backup in the record's place.

    Returns
    -------
    backup, kept
        The copy that was used, and the file that was there before under its new name.

    Raises
    ------
    RecordError
        When there is no whole backup.
    """
    backup = newest_whole_backup(folder)
    if backup is None:
        raise RecordError(f"There is no whole backup in {folder.backups}; nothing was changed.")
    kept = None
    if folder.record.exists():
        stamp = datetime.now(UTC).strftime(_STAMP)
        kept = folder.record.with_name(f"{_REPLACED}{stamp}Z.sqlite3")
        # The log first: a damaged log must never be replayed into the backup.
        for ending in ("-wal", "-shm", ""):
            part = folder.record.with_name(folder.record.name + ending)
            if part.exists():
                part.replace(kept.with_name(kept.name + ending))
    temporary = folder.record.with_name(f".{folder.record.name}.part")
    temporary.unlink(missing_ok=True)
    make_private_file(temporary)
    temporary.write_bytes(backup.read_bytes())
    temporary.replace(folder.record)
    return backup, kept


@contextmanager
def _alone(folder: DataFolder) -> Iterator[None]:
    """Keep others from the backups, and clear what somebody killed on the way left half-written."""
    with held(folder.path / "backups.lock"):
        for left in folder.backups.glob(".record-*.part"):
            left.unlink(missing_ok=True)
        yield


def _copy(connection: sqlite3.Connection, folder: DataFolder) -> Path:
    path = _free_name(folder)
    temporary = path.with_name(f".{path.name}.part")
    try:
        make_private_file(temporary)
        with closing(sqlite3.connect(temporary)) as copy:
            connection.backup(copy)
        temporary.replace(path)
    except (OSError, sqlite3.Error) as error:
        raise RecordError(
            f"No backup of the record could be made in {folder.backups} ({error}); "
            "make room on the disk and try again. Nothing was changed."
        ) from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
    for old in _newest_first(folder)[KEPT:]:
        old.unlink(missing_ok=True)
    return path


def _free_name(folder: DataFolder) -> Path:
    stamp = datetime.now(UTC).strftime(_STAMP)
    names = (f"record-{stamp}Z{ending}.sqlite3" for ending in ("", *(f"-{k}" for k in range(1000))))
    return next(path for name in names if not (path := folder.backups / name).exists())


def _newest_first(folder: DataFolder) -> list[Path]:
    if not folder.backups.is_dir():
        return []
    found = [path for path in folder.backups.iterdir() if _NAME.fullmatch(path.name)]
    return sorted(found, key=lambda path: (_made(path), path.stat().st_mtime_ns), reverse=True)


def _made(path: Path) -> datetime:
    found = _NAME.fullmatch(path.name)
    if found is None:
        raise ValueError(path.name)
    return datetime.strptime(found[1], _STAMP).replace(tzinfo=UTC)


def _is_whole(path: Path) -> bool:
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as connection:
        return fault_in(connection) is None
