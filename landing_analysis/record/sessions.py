"""Sessions and ticks in the record: each saving adds a version, and none is ever changed.

A session belongs to a patient and a day, with clips or without; its newest version counts.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from landing_analysis.errors import SessionError
from landing_analysis.record.correcting import require_code_of_person, require_visit_date
from landing_analysis.record.database import Record, Row
from landing_analysis.record.patients import code_of
from landing_analysis.sessions.plan import require_exercise
from landing_analysis.sessions.session import Session, plain_of, session_of, text_of
from landing_analysis.tables import Exercise

_WAITS_AGAIN = (
    "UPDATE work SET state = 'waiting', reason = NULL, attempts = 0, retry_at_s = 0 "
    "WHERE state = 'done' AND clip_id IN (SELECT clip.id FROM clip "
    "JOIN visit ON visit_id = visit.id JOIN patient ON patient_id = patient.id "
    "WHERE code = ? AND date = ? AND NOT invented)"
)


@dataclass(frozen=True)
class SavedSession:
    """One version of a session; ``number`` is that of its row, and grows with each saving."""

    number: int
    day: date
    session: Session
    by: str | None
    at: str
    file_sha256: str | None = None


@dataclass(frozen=True)
class Tick:
    """The clinician's own mark that a patient may go on from an exercise, or that it was undone."""

    exercise: str
    day: date
    ticked: bool
    note: str | None
    by: str | None
    at: str


def enter_session(
    record: Record,
    code: str,
    day: date,
    plain: Mapping[str, Any],
    by: str | None,
    *,
    seen: int | None = None,
    file_sha256: str | None = None,
) -> SavedSession:
    """Save what is entered of a visit as its newest version.

    Parameters
    ----------
    record : Record
    code : of the patient
    day : of the visit
    plain : in the form of `session.session_of`; what it does not name stays as it was
    by : code of who enters it, None when not given
    seen : number of the version that it was entered upon, 0 for none; None to take the newest
    file_sha256 : of the text file that it comes from

    Returns
    -------
    SavedSession
        The version that counts now; the one before when nothing is different.

    Raises
    ------
    SessionError, PatientError, CorrectionError
        With nothing entered: for what makes no sense, and when another version than the one
        seen is the newest by now.

    Notes
    -----
    Where the plan names other exercises than before, the day's clips wait for a new analysis,
    which goes by the plan; those of invented patients were never filmed.
    """
    require_code_of_person(by)
    require_visit_date(day.isoformat())
    code = code_of(record, code)
    with record.change() as connection:
        before = read_session(record, code, day)
        number = before.number if before else 0
        if seen is not None and seen != number:
            raise SessionError(
                f"The session of {code} on {day} was changed meanwhile; look at it again, and "
                "enter what you wanted on top of that."
            )
        session = session_of(plain, before.session if before else None)
        known_file = file_sha256 is None or (before and before.file_sha256 == file_sha256)
        if before and session == before.session and known_file:
            return before
        at = datetime.now(UTC).isoformat(timespec="seconds")
        content = json.dumps(plain_of(session), ensure_ascii=False)
        if _exercises(session) != (_exercises(before.session) if before else ()):
            connection.execute(_WAITS_AGAIN, (code, day.isoformat()))
        saved = connection.execute(
            "INSERT INTO session (patient_id, date, content, file_sha256, made_by, made_at) "
            "SELECT id, ?, ?, ?, ?, ? FROM patient WHERE code = ? RETURNING id",
            (day.isoformat(), content, file_sha256, by, at, code),
        ).fetchone()
    return SavedSession(int(saved[0]), day, session, by, at, file_sha256)


def read_session(record: Record, code: str, day: date) -> SavedSession | None:
    """Return the version that counts of one patient's session of a day, None without any."""
    history = session_history(record, code, day)
    return history[-1] if history else None


def clips_waiting(record: Record, code: str, day: date) -> int:
    """Return how many clips of a patient's day are still to be analysed, or analysed again."""
    (row,) = record.rows(
        "SELECT count(*) AS n FROM work JOIN clip ON clip_id = clip.id JOIN visit ON visit_id = "
        "visit.id JOIN patient ON patient_id = patient.id WHERE code = ? AND date = ? AND state "
        "IN ('waiting', 'analysing')",
        code, day.isoformat(),
    )  # fmt: skip
    return int(row["n"])


def planned_exercises(record: Record, code: str, day: date) -> tuple[Exercise, ...]:
    """Return the exercises of a patient's plan of one day, each once; none without a plan."""
    saved = read_session(record, code, day)
    return _exercises(saved.session) if saved else ()


def _exercises(session: Session) -> tuple[Exercise, ...]:
    return tuple(dict.fromkeys(one.exercise for one in session.plan))


def read_sessions(record: Record, code: str) -> tuple[SavedSession, ...]:
    """Return the version that counts of each of a patient's sessions, by day."""
    newest = {saved.day: saved for saved in session_history(record, code)}
    return tuple(newest[day] for day in sorted(newest))


def session_history(
    record: Record, code: str, day: date | None = None
) -> tuple[SavedSession, ...]:  # fmt: skip
    """Return every version of a patient's sessions, of one day or all, oldest first."""
    rows = record.rows(
        "SELECT session.* FROM session JOIN patient ON patient_id = patient.id "
        "WHERE code = ?1 AND (?2 IS NULL OR date = ?2) ORDER BY session.id",
        code,
        day.isoformat() if day else None,
    )
    return tuple(map(_saved, rows))


def _saved(row: Row) -> SavedSession:
    return SavedSession(
        number=row["id"],
        day=date.fromisoformat(row["date"]),
        session=session_of(json.loads(row["content"])),
        by=row["made_by"],
        at=row["made_at"],
        file_sha256=row["file_sha256"],
    )


# --- ticks -------------------------------------------------------------------------------------


def enter_tick(
    record: Record,
    code: str,
    exercise: str,
    day: date,
    by: str | None,
    *,
    ticked: bool = True,
    note: str | None = None,
) -> Tick:
    """Enter the clinician's mark that a patient may go on from an exercise, or take it back.

    Raises
    ------
    SessionError, PatientError, CorrectionError
        With nothing entered.
    """
    require_code_of_person(by)
    require_visit_date(day.isoformat())
    code = code_of(record, code)
    at = datetime.now(UTC).isoformat(timespec="seconds")
    tick = Tick(
        require_exercise(exercise), day, ticked, None if note is None else text_of(note, "note"),
        by, at,
    )  # fmt: skip
    with record.change() as connection:
        connection.execute(
            "INSERT INTO tick (patient_id, exercise, date, ticked, note, made_by, made_at) "
            "SELECT id, ?, ?, ?, ?, ?, ? FROM patient WHERE code = ?",
            (tick.exercise, day.isoformat(), int(ticked), tick.note, by, at, code),
        )
    return tick


def read_ticks(record: Record, code: str) -> dict[str, Tick]:
    """Return the newest tick of each exercise of a patient, those taken back among them."""
    rows = record.rows(
        "SELECT tick.* FROM tick JOIN patient ON patient_id = patient.id WHERE code = ? "
        "ORDER BY tick.id",
        code,
    )
    return {row["exercise"]: _tick(row) for row in rows}


def _tick(row: Row) -> Tick:
    return Tick(
        exercise=row["exercise"],
        day=date.fromisoformat(row["date"]),
        ticked=bool(row["ticked"]),
        note=row["note"],
        by=row["made_by"],
        at=row["made_at"],
    )
