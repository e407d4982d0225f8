"""Clips without values: those of patients, and files that are no patient's clip yet."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import PurePath
from typing import Literal

from landing_analysis.errors import PatientError
from landing_analysis.files import printable
from landing_analysis.patients import owner_of
from landing_analysis.record.database import Record, Row

UnreadState = Literal["waiting", "analysing", "needs attention"]

_GONE = "gone before it was analysed; drop it again"


@dataclass(frozen=True)
class UnreadClip:
    """A clip of the record that has no values yet, and why.

    ``reason`` is fit for a page: it does not name the file, which may tell who somebody is.
    """

    date: date
    recorded_at: datetime
    state: UnreadState
    reason: str


@dataclass(frozen=True)
class StrayFile:
    """A file of a drop folder that is not in the record as a clip yet.

    ``code`` is that of the patient whose folder or name it carries, None for nobody's.
    ``needs_attention`` when it will not get there by waiting. ``reason`` is fit for a page:
    it names neither the file nor its folders.
    """

    code: str | None
    needs_attention: bool
    reason: str


def unread_clips(record: Record, code: str) -> tuple[UnreadClip, ...]:
    """Return a patient's clips without values, by day and name."""
    rows = record.rows(
        "SELECT date, recorded_at, file, coalesce(work.state, 'waiting') AS state, work.reason, "
        "folder, path FROM patient JOIN visit ON patient_id = patient.id "
        "JOIN clip ON visit_id = visit.id "
        "LEFT JOIN work ON work.clip_id = clip.id "
        "LEFT JOIN dropped ON dropped.sha256 = clip.sha256 WHERE code = ? "
        "AND NOT EXISTS (SELECT 1 FROM analysis WHERE clip_id = clip.id) "
        "GROUP BY clip.id ORDER BY date, file",
        code,
    )
    return tuple(_unread(row) for row in rows)


def _unread(row: Row) -> UnreadClip:
    is_there = row["path"] is not None
    path = PurePath(printable(os.fsdecode(row["path"])) if is_there else row["file"])
    place = PurePath(printable(os.fsdecode(row["folder"]))) if is_there else path.parent
    reason = row["reason"] or ("not analysed yet" if is_there else _GONE)
    return UnreadClip(
        date=date.fromisoformat(row["date"]),
        recorded_at=datetime.fromisoformat(row["recorded_at"]),
        state=row["state"] if is_there else "needs attention",
        reason=_unnamed(
            reason, str(place / path), str(path), path.name, row["file"], called="the clip"
        ),
    )


def stray_files(record: Record) -> tuple[StrayFile, ...]:
    """Return the files of all drop folders that are no clips of the record, by patient."""
    codes = [row[0] for row in record.rows("SELECT code FROM patient")]
    rows = record.rows(
        "SELECT path, problem, needs_attention FROM dropped WHERE problem NOT NULL "
        "OR sha256 IS NULL OR (sha256 NOT IN (SELECT sha256 FROM clip) AND NOT EXISTS "
        "(SELECT 1 FROM session WHERE file_sha256 = sha256)) ORDER BY path"
    )
    found = [_stray(PurePath(os.fsdecode(row["path"])), row["problem"],
                    bool(row["needs_attention"]), codes) for row in rows]  # fmt: skip
    return tuple(sorted(found, key=lambda file: file.code or ""))


def _stray(
    path: PurePath, problem: str | None, needs_attention: bool, codes: list[str]
) -> StrayFile:
    code = None
    with suppress(PatientError):
        code = owner_of(path.parts, codes)
    words = problem or "not copied completely yet"
    parts = path.parts[1:] if code and len(path.parts) > 1 else path.parts
    reason = _unnamed(words, str(path), *reversed(parts), called="the file")
    return StrayFile(code, needs_attention, reason)


def _unnamed(reason: str, *names: str, called: str) -> str:
    for name in names:
        reason = reason.replace(name, called)
    return reason
