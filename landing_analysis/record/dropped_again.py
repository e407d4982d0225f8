"""Files of drop folders that hold a recording which the record has from another file already."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import groupby
from pathlib import Path

from landing_analysis.files import printable
from landing_analysis.record.clips import SET_NUMBER, SHORT_ID
from landing_analysis.record.database import Record, Row
from landing_analysis.video.recording import recording_date


@dataclass(frozen=True)
class DroppedAgain:
    """A file whose recording came in as another file before, so that it is counted once.

    ``path`` is below ``folder``; ``first`` is the name under which the recording came in, and
    ``day`` and ``set_number`` say where it counts. ``own_day`` is the day that this file's name
    speaks of, None where that is no other one. ``is_there`` is whether the other file still is.
    """

    folder: Path
    path: Path
    first: str
    is_there: bool
    short_id: str
    code: str
    day: date
    set_number: int
    own_day: date | None

    @property
    def name(self) -> str:
        """The file's name, fit for a screen."""
        return printable(self.path.name)

    @property
    def words(self) -> str:
        """What the file is, and where its recording counts, as part of a sentence."""
        came = f"the same recording as {self.first}" if self.is_there else f"was {self.first}"
        words = f"{came}, counted once, at the visit of {self.day}"
        return f"{words}; its name says {self.own_day}" if self.own_day else words


def dropped_again(record: Record, code: str | None = None) -> tuple[DroppedAgain, ...]:
    """Return the files that hold a recording once more, of one patient or of all, the latest first.

    A file that is alone was renamed; it is told only where its name speaks of another day. Drop
    folders are told apart, since one that was moved is known at both places.
    """
    rows = record.rows(
        "SELECT dropped.*, clip.file, recorded_at, recorded_from, code, visit.date, "
        f"{SET_NUMBER} AS set_number FROM dropped JOIN clip USING (sha256) "
        "JOIN visit ON visit_id = visit.id JOIN patient ON patient_id = patient.id "
        "WHERE ?1 IS NULL OR code = ?1 ORDER BY folder, sha256, unchanged_since_s, path",
        code,
    )
    found = [
        (row["unchanged_since_s"], again)
        for _, group in groupby(rows, key=lambda row: (row["folder"], row["sha256"]))
        for row, again in _again(list(group))
    ]
    return tuple(again for _, again in sorted(found, key=lambda one: -one[0]))


def _again(files: list[Row]) -> list[tuple[Row, DroppedAgain]]:
    """Return all but the file that the recording came in as, or was renamed to first."""
    came_as = next(
        (row for row in files if printable(_path(row).name) == printable(row["file"])), None
    )
    first = came_as or files[0]
    found = [(row, _told(row, _path(first).name, is_there=True)) for row in files if row != first]
    if came_as is None:
        renamed = _told(first, first["file"], is_there=False)
        found += [(first, renamed)] if renamed.own_day else []
    return found


def _told(row: Row, first: str, *, is_there: bool) -> DroppedAgain:
    return DroppedAgain(
        folder=Path(os.fsdecode(row["folder"])),
        path=_path(row),
        first=printable(first),
        is_there=is_there,
        short_id=row["sha256"][:SHORT_ID],
        code=row["code"],
        day=date.fromisoformat(row["date"]),
        set_number=row["set_number"],
        own_day=_own_day(row),
    )


def _path(row: Row) -> Path:
    return Path(os.fsdecode(row["path"]))


def _own_day(row: Row) -> date | None:
    """Return the other day that a file's name speaks of, unless clip or person said which it is."""
    day = date.fromisoformat(row["date"])
    recorded_at = datetime.fromisoformat(row["recorded_at"])
    if row["recorded_from"] == "clip" or recorded_at.date() != day:
        return None
    named = recording_date({}, _path(row).name, None, datetime.now(UTC))
    return named.at.date() if named and named.at.date() != day else None
