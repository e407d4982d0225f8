"""Clips and visits in the record: added, handed over, listed; where their reports lie."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from landing_analysis.record.database import Record, insert_row
from landing_analysis.tables import Clip, RecordedFrom

SHORT_ID = 8
"""Characters of a clip's fingerprint that name it on the command line."""

EXCLUDED = (
    "(SELECT iif(new = 'excluded', coalesce(reason, 'no reason given'), NULL) FROM correction "
    "WHERE clip_id = clip.id AND what = 'clip' ORDER BY id DESC LIMIT 1)"
)
"""Why a person left a clip out of all averages, NULL for one that counts."""


def insert_clip(
    connection: sqlite3.Connection,
    code: str,
    clip: Clip,
    recorded_at: datetime,
    recorded_from: RecordedFrom,
) -> int:
    """Add a clip, and its visit when it is the day's first, within a change under way.

    Parameters
    ----------
    connection : of the change
    code : of a patient in the record
    clip : its facts; its content must not be in the record yet
    recorded_at : with time zone; its date is the visit
    recorded_from : where that date was found

    Returns
    -------
    int
        Number of the clip's row.
    """
    visit = _visit_id(connection, code, recorded_at.date().isoformat())
    facts = {
        name: getattr(clip, name)
        for name in (
            "sha256", "file", "width_px", "height_px", "frames", "duration_s", "median_fps",
        )
    }  # fmt: skip
    return insert_row(
        connection,
        "clip",
        visit_id=visit,
        recorded_at=recorded_at.isoformat(timespec="seconds"),
        recorded_from=recorded_from,
        mirrored=int(clip.mirrored),
        **facts,
    )


SET_NUMBER = (
    "(SELECT count(*) FROM clip AS earlier WHERE earlier.visit_id = clip.visit_id "
    "AND earlier.id <= clip.id)"
)
"""Counts a clip's set among those of its visit, in the order in which they came in, from 1."""


def hand_over_clip(
    connection: sqlite3.Connection, clip_id: int, code: str | None = None, day: str | None = None
) -> None:
    """Give a clip to another patient, or to another day, within a change under way."""
    known = connection.execute(
        "SELECT code, date FROM clip JOIN visit ON visit_id = visit.id "
        "JOIN patient ON patient_id = patient.id WHERE clip.id = ?",
        (clip_id,),
    ).fetchone()
    visit = _visit_id(connection, code or known["code"], day or known["date"])
    connection.execute("UPDATE clip SET visit_id = ? WHERE id = ?", (visit, clip_id))
    connection.execute(
        "UPDATE remark SET (patient_id, date) = (SELECT patient_id, date FROM visit WHERE id = ?) "
        "WHERE clip_id = ?",
        (visit, clip_id),
    )
    connection.execute("DELETE FROM visit WHERE id NOT IN (SELECT visit_id FROM clip)")


def _visit_id(connection: sqlite3.Connection, code: str, day: str) -> int:
    """Return the number of a patient's visit, which is added when it is new."""
    (patient,) = connection.execute("SELECT id FROM patient WHERE code = ?", (code,)).fetchone()
    connection.execute(
        "INSERT INTO visit (patient_id, date) VALUES (?, ?) ON CONFLICT DO NOTHING", (patient, day)
    )
    (visit,) = connection.execute(
        "SELECT id FROM visit WHERE patient_id = ? AND date = ?", (patient, day)
    ).fetchone()
    return int(visit)


@dataclass(frozen=True)
class Visit:
    """One patient's clips of one day; ``clips`` counts all, ``analysed`` those with values."""

    code: str
    date: date
    clips: int
    analysed: int


def list_visits(record: Record, code: str | None = None) -> tuple[Visit, ...]:
    """Return the visits of one patient or of all, by code and date."""
    rows = record.rows(
        "SELECT code, date, count(*), sum(EXISTS (SELECT 1 FROM analysis WHERE clip_id = clip.id)) "
        "FROM patient JOIN visit ON patient_id = patient.id JOIN clip ON visit_id = visit.id "
        "WHERE ?1 IS NULL OR code = ?1 GROUP BY visit.id ORDER BY code, date",
        code,
    )
    return tuple(
        Visit(code, date.fromisoformat(day), clips, done) for code, day, clips, done in rows
    )


def reports_of(record: Record, clip_id: int | None = None, *, others: bool = False) -> set[Path]:
    """Return the report folders of analyses, still there or not.

    Parameters
    ----------
    record : Record
    clip_id : of one clip, None for all
    others : of all clips but that one

    Returns
    -------
    set of Path
        Without what the record names as a report although it lies elsewhere.
    """
    rows = record.rows(
        "SELECT DISTINCT report FROM analysis WHERE ?1 IS NULL OR (clip_id = ?1) = ?2",
        clip_id,
        int(not others),
    )
    return {path for row in rows if (path := record.folder.report_at(row[0]))}


def newest_report(record: Record, clip_id: int) -> Path | None:
    """Return the newest report folder of a clip that is still there, None without any."""
    rows = record.rows("SELECT report FROM analysis WHERE clip_id = ? ORDER BY id DESC", clip_id)
    folders = (record.folder.report_at(row[0]) for row in rows)
    return next((folder for folder in folders if folder and folder.is_dir()), None)


def read_clips(record: Record, code: str) -> tuple[dict[str, Any], ...]:
    """Return a patient's clips with their day and state, by visit and time of recording.

    Parameters
    ----------
    record : Record
    code : of the patient

    Returns
    -------
    tuple of dict
        The columns of the table `clip`, with ``date``, ``state``, ``analysed`` and
        ``excluded``, why a person left it out.
    """
    rows = record.rows(
        f"SELECT clip.*, date, work.state, {EXCLUDED} AS excluded, "
        "EXISTS (SELECT 1 FROM analysis WHERE clip_id = clip.id) AS analysed FROM patient "
        "JOIN visit ON patient_id = patient.id JOIN clip ON visit_id = visit.id "
        "LEFT JOIN work ON work.clip_id = clip.id WHERE code = ? "
        "ORDER BY date, recorded_at, clip.id",
        code,
    )
    return tuple({**dict(row), "date": date.fromisoformat(row["date"])} for row in rows)
