"""What is known of every file and clip of the drop folders, kept in the record.

A file is known by its place, its size and its time of change; a clip by its content (sha256).
A clip is ``waiting``, ``analysing``, ``done`` or ``needs attention``. Whoever analyses holds a
lock that the system frees when the process ends, however it ends; a clip whose holder is gone
waits again.
"""

from __future__ import annotations

import math
import os
import shutil
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Literal

from filelock import FileLock, Timeout

from landing_analysis.corrections import in_force
from landing_analysis.errors import PatientError
from landing_analysis.files import printable
from landing_analysis.patients import Patient, same_code
from landing_analysis.record.clips import SET_NUMBER, SHORT_ID, hand_over_clip, insert_clip
from landing_analysis.record.correcting import (
    corrections_in_force,
    history_of,
    last_correction,
)
from landing_analysis.record.database import Record, Row
from landing_analysis.record.dropped_again import DroppedAgain, dropped_again
from landing_analysis.record.patients import patient_in
from landing_analysis.record.place import DataFolder, held
from landing_analysis.record.sessions import planned_exercises
from landing_analysis.record.storing import Document, insert_analysis
from landing_analysis.settings import ReadingSettings
from landing_analysis.tables import Clip, Correction, Exercise
from landing_analysis.video.recording import Recording

State = Literal["waiting", "analysing", "done", "needs attention"]

NEVER_S = math.inf
_READING = ReadingSettings()
_LATEST_NS = 2**63 - 1  # SQLite's integers have 64 bits
_TAKEN_OVER = (
    "UPDATE dropped SET sha256 = ?, problem = NULL, needs_attention = 0 "
    "WHERE folder = ? AND path = ?"
)
_RELEASE = "UPDATE work SET state = 'waiting', worker = NULL WHERE worker = ?"


# --- files -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Dropped:
    """One file as it was last seen; ``path`` is below the drop folder."""

    path: Path
    size: int
    mtime_ns: int
    unchanged_since_s: float
    sha256: str | None = None
    problem: str | None = None
    needs_attention: bool = False
    checks: int = 0
    retry_at_s: float = 0.0

    def is_as(self, facts: os.stat_result) -> bool:
        """Return whether size and time are still those."""
        return (self.size, self.mtime_ns) == (facts.st_size, _mtime_ns(facts))


def _mtime_ns(facts: os.stat_result) -> int:
    """Return a file's time of change, or the last that the record can hold (year 2262)."""
    return max(-_LATEST_NS, min(facts.st_mtime_ns, _LATEST_NS))


_AS_STORED = (
    "size", "mtime_ns", "unchanged_since_s", "sha256", "problem", "checks", "retry_at_s",
)  # fmt: skip


def known_files(record: Record, root: Path) -> dict[Path, Dropped]:
    """Return every file last seen in a drop folder, by its path below it."""
    rows = record.rows(
        "SELECT path, size, mtime_ns, unchanged_since_s, "
        # What left the record, with its patient for instance, is looked at again.
        "CASE WHEN sha256 IN (SELECT sha256 FROM clip UNION SELECT file_sha256 FROM session) "
        "THEN sha256 END AS sha256, "
        "problem, needs_attention, checks, retry_at_s FROM dropped WHERE folder = ?",
        os.fsencode(root),
    )
    files = [
        Dropped(
            path=Path(os.fsdecode(row["path"])),
            needs_attention=bool(row["needs_attention"]),
            **{name: row[name] for name in _AS_STORED},
        )
        for row in rows
    ]
    return {file.path: file for file in files}


def note_file(
    record: Record, root: Path, path: Path, facts: os.stat_result, now_s: float
) -> Dropped:
    """Note a file that is new or has changed; whatever was known of it no longer counts."""
    with record.change() as connection:
        connection.execute(
            "INSERT OR REPLACE INTO dropped (folder, path, size, mtime_ns, unchanged_since_s) "
            "VALUES (?, ?, ?, ?, ?)",
            (*_key(root, path), facts.st_size, _mtime_ns(facts), now_s),
        )
    return Dropped(path, facts.st_size, _mtime_ns(facts), now_s)


def note_problem(
    record: Record,
    root: Path,
    path: Path,
    problem: str,
    *,
    needs_attention: bool,
    retry_at_s: float = 0.0,
) -> None:
    """Note why a file is not, or not yet, a clip of a patient."""
    with record.change() as connection:
        connection.execute(
            "UPDATE dropped SET problem = ?, needs_attention = ?, retry_at_s = ?, "
            "checks = checks + 1, sha256 = NULL WHERE folder = ? AND path = ?",
            (printable(problem), int(needs_attention), retry_at_s, *_key(root, path)),
        )


def note_taken_over(record: Record, root: Path, path: Path, sha256: str) -> None:
    """Note that what a text file says is in the record."""
    with record.change() as connection:
        connection.execute(_TAKEN_OVER, (sha256, *_key(root, path)))


def forget_files(record: Record, root: Path, gone: list[Path]) -> None:
    """Forget files that are no longer there; what they gave stays in the record."""
    if gone:
        with record.change() as connection:
            connection.executemany(
                "DELETE FROM dropped WHERE folder = ? AND path = ?",
                [_key(root, path) for path in gone],
            )


def enter_clip(
    record: Record, root: Path, path: Path, code: str, clip: Clip, recording: Recording
) -> str | None:
    """Enter a whole clip for a patient; known content is not entered twice.

    Content that was recorded for another patient goes over to this one when no other file
    holds it any more, as after a move between folders; its values are then made anew with
    this patient's data, and the earlier ones stay below them. A clip that was given to a
    patient by hand stays with them.

    Returns
    -------
    str or None
        The code of another patient who still holds a file with the same content;
        nothing is entered then.

    Raises
    ------
    PatientError
        When the patient was removed meanwhile.
    """
    with record.change() as connection:
        if not connection.execute("SELECT 1 FROM patient WHERE code = ?", (code,)).fetchone():
            raise PatientError(f"The patient {code} was removed.")
        known = connection.execute(
            "SELECT clip.id, code FROM clip JOIN visit ON visit_id = visit.id "
            "JOIN patient ON patient_id = patient.id WHERE sha256 = ?",
            (clip.sha256,),
        ).fetchone()
        if known is None:
            clip_id = insert_clip(connection, code, clip, recording.at, recording.found_in)
            connection.execute(
                "INSERT INTO work (clip_id, state) VALUES (?, 'waiting')", (clip_id,)
            )
        elif not same_code(known["code"], code) and not _given_by_hand(record, known["id"]):
            held = connection.execute(
                "SELECT 1 FROM dropped WHERE sha256 = ? AND (folder, path) <> (?, ?)",
                (clip.sha256, *_key(root, path)),
            ).fetchone()
            if held:
                return str(known["code"])
            hand_over_clip(connection, known["id"], code)
            connection.execute(
                "UPDATE work SET state = 'waiting', attempts = 0, retry_at_s = 0, worker = NULL "
                "WHERE clip_id = ?",
                (known["id"],),
            )
        connection.execute(_TAKEN_OVER, (clip.sha256, *_key(root, path)))
    return None


def _given_by_hand(record: Record, clip_id: int) -> bool:
    return any(one.what == "patient" for one in in_force(history_of(record.connection, clip_id)))


def _key(root: Path, path: Path) -> tuple[bytes, bytes]:
    return os.fsencode(root), os.fsencode(path)


# --- work --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Claim:
    """One clip that this worker, and no other, analyses now.

    ``set_number`` counts the clips of the visit in the order in which they came in.
    ``path`` is a file that holds it, or the landmarks stored with its report where there is
    none. ``corrections`` are those in force, the latest of them entered as ``corrected``.
    ``planned`` are the exercises of the day's plan.
    """

    clip_id: int
    sha256: str
    patient: Patient
    day: str
    set_number: int
    path: Path
    attempts: int
    worker: str
    corrections: tuple[Correction, ...] = ()
    corrected: int = 0
    planned: tuple[Exercise, ...] = ()


@contextmanager
def working(record: Record) -> Iterator[str]:
    """Give a name under which to claim clips, for as long as this process lives.

    Yields
    ------
    str
        The worker's name. What it still holds at the end waits again.
    """
    worker = uuid.uuid4().hex
    try:
        with held(_lock(record, worker)):
            try:
                yield worker
            finally:
                _release(record, worker)
    finally:
        _lock(record, worker).unlink(missing_ok=True)


def release_stale_claims(record: Record) -> None:
    """Let clips wait again whose worker's process has ended."""
    held = {row[0] for row in record.rows("SELECT DISTINCT worker FROM work")} - {None}
    locks = {path.stem for path in record.folder.workers.glob("*.lock")}
    for worker in held | locks:
        if not _is_alive(_lock(record, worker)):
            _release(record, worker)
            _lock(record, worker).unlink(missing_ok=True)


def anybody_at_work(folder: DataFolder) -> bool:
    """Return whether a process watches or works through a folder, without opening the record."""
    return any(map(_is_alive, folder.workers.glob("*.lock")))


def _is_alive(lock: Path) -> bool:
    try:
        with FileLock(lock, blocking=False):
            return False
    except Timeout:
        return True


def clear_finished_work(record: Record) -> None:
    """Delete what a killed process left behind of clips that are done or forgotten."""
    if not any(record.folder.work.iterdir()):
        return
    with record.change() as connection:  # nobody can claim a clip meanwhile
        unfinished = {
            row[0]
            for row in connection.execute(
                "SELECT sha256 FROM work JOIN clip ON clip_id = clip.id WHERE state <> 'done'"
            )
        }
        for left in record.folder.work.iterdir():
            if left.stem in unfinished:
                continue
            if left.is_dir():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink(missing_ok=True)


def claim_next(record: Record, root: Path, worker: str) -> Claim | None:
    """Claim the clip recorded first among those that wait in a drop folder, None without any.

    A worker holds one claim at a time; one that it could not put back, because the disk was
    full for instance, is let go.
    """
    with record.change() as connection:
        connection.execute(_RELEASE, (worker,))
        row = connection.execute(
            "SELECT patient.*, clip_id, sha256, date, attempts, path, "
            f"{SET_NUMBER} AS set_number FROM work "
            "JOIN clip ON clip_id = clip.id JOIN visit ON visit_id = visit.id "
            "JOIN patient ON patient_id = patient.id JOIN dropped USING (sha256) "
            "WHERE state = 'waiting' AND work.retry_at_s <= ? AND folder = ? "
            "ORDER BY recorded_at, clip_id, path LIMIT 1",
            (time.time(), os.fsencode(root)),
        ).fetchone()
        if row is None:
            return None
        return _claimed(record, row, root / os.fsdecode(row["path"]), worker)


def claim_clip(record: Record, clip_id: int, path: Path, worker: str) -> Claim | None:
    """Claim one clip that waits, None when it does not.

    Parameters
    ----------
    record : Record
    clip_id : of the clip's row
    path : a file that holds it, or its stored landmarks
    worker : who claims it
    """
    with record.change() as connection:
        row = connection.execute(
            "SELECT patient.*, clip_id, sha256, date, attempts, "
            f"{SET_NUMBER} AS set_number FROM work "
            "JOIN clip ON clip_id = clip.id JOIN visit ON visit_id = visit.id "
            "JOIN patient ON patient_id = patient.id WHERE state = 'waiting' AND clip_id = ?",
            (clip_id,),
        ).fetchone()
        return None if row is None else _claimed(record, row, path, worker)


def _claimed(record: Record, row: Row, path: Path, worker: str) -> Claim:
    record.connection.execute(
        "UPDATE work SET state = 'analysing', worker = ?, reason = NULL WHERE clip_id = ?",
        (worker, row["clip_id"]),
    )
    return Claim(
        clip_id=row["clip_id"],
        sha256=row["sha256"],
        patient=patient_in(row),
        day=row["date"],
        set_number=row["set_number"],
        path=path,
        attempts=row["attempts"],
        worker=worker,
        corrections=in_force(history_of(record.connection, row["clip_id"])),
        corrected=last_correction(record.connection, row["clip_id"]),
        planned=planned_exercises(record, row["code"], date.fromisoformat(row["date"])),
    )


def files_of(record: Record, sha256: str) -> tuple[Path, ...]:
    """Return the files of drop folders that were last seen to hold a clip, there or not."""
    rows = record.rows("SELECT folder, path FROM dropped WHERE sha256 = ?", sha256)
    return tuple(Path(os.fsdecode(row[0])) / os.fsdecode(row[1]) for row in rows)


def finish(record: Record, claim: Claim, document: Document, made_by: str, report: str) -> bool:
    """Store the values and call the clip done, both or neither.

    A clip that was corrected meanwhile keeps the values for now, and waits again.

    Returns
    -------
    bool
        False when the claim had fallen, and nothing was stored.
    """
    with record.change() as connection:
        done = connection.execute(
            "UPDATE work SET state = ?, worker = NULL, reason = NULL, attempts = 0 "
            "WHERE clip_id = ? AND worker = ?",
            (_unless_corrected(record, claim, "done"), claim.clip_id, claim.worker),
        ).rowcount
        if done:
            insert_analysis(connection, claim.clip_id, document, made_by, report)
    return bool(done)


def give_up(record: Record, claim: Claim, reason: str) -> None:
    """Say that a clip needs attention."""
    _put_back(record, claim, "needs attention", reason, claim.attempts + 1, 0.0)


def try_later(record: Record, claim: Claim, reason: str, retry_at_s: float, attempts: int) -> None:
    """Let a clip wait for another attempt."""
    _put_back(record, claim, "waiting", reason, attempts, retry_at_s)


def _put_back(
    record: Record,
    claim: Claim,
    state: State,
    reason: str,
    attempts: int,
    retry_at_s: float,
) -> None:
    with record.change() as connection:
        connection.execute(
            "UPDATE work SET state = ?, reason = ?, attempts = ?, retry_at_s = ?, worker = NULL "
            "WHERE clip_id = ? AND worker = ?",
            (
                _unless_corrected(record, claim, state), printable(reason), attempts, retry_at_s,
                claim.clip_id, claim.worker,
            ),
        )  # fmt: skip


def _unless_corrected(record: Record, claim: Claim, state: State) -> State:
    """Let a clip wait again that was corrected while it was analysed."""
    corrected = last_correction(record.connection, claim.clip_id)
    return state if corrected == claim.corrected else "waiting"


def let_wait(record: Record, clip_id: int) -> None:
    """Let a clip be analysed again, unless somebody has it in hand."""
    with record.change() as connection:
        connection.execute(
            "UPDATE work SET state = 'waiting', attempts = 0, retry_at_s = 0 "
            "WHERE clip_id = ? AND state <> 'analysing'",
            (clip_id,),
        )


def settle(record: Record, clip_id: int) -> None:
    """Call a clip done whose values stand because nothing is left to analyse again."""
    with record.change() as connection:
        connection.execute(
            "UPDATE work SET state = 'done', reason = NULL WHERE clip_id = ? AND state = 'waiting'",
            (clip_id,),
        )


def look_again(record: Record, root: Path) -> None:
    """Let everything in a drop folder that needs attention, or waits long, be tried anew."""
    with record.change() as connection:
        connection.execute(
            "UPDATE dropped SET retry_at_s = 0, checks = 0, needs_attention = 0 WHERE folder = ?",
            (os.fsencode(root),),
        )
        connection.execute(
            "UPDATE work SET state = 'waiting', attempts = 0, retry_at_s = 0 "
            "WHERE state IN ('waiting', 'needs attention') AND clip_id IN "
            "(SELECT clip.id FROM clip JOIN dropped USING (sha256) WHERE folder = ?)",
            (os.fsencode(root),),
        )


def renew_outdated(
    record: Record,
    root: Path,
    made_by: Callable[[Patient, tuple[Correction, ...], tuple[Exercise, ...]], str],
) -> None:
    """Let clips wait again whose newest values were made by other means.

    Parameters
    ----------
    record, root : Record and drop folder
    made_by : gives for a patient, the corrections of a clip and the exercises of its day's plan
        the fingerprint of what would make its values now
    """
    with record.change() as connection:
        rows = connection.execute(
            "SELECT DISTINCT patient.*, clip_id, date, (SELECT made_by FROM analysis "
            "WHERE clip_id = clip.id ORDER BY id DESC LIMIT 1) AS made_by FROM work "
            "JOIN clip ON clip_id = clip.id JOIN visit ON visit_id = visit.id "
            "JOIN patient ON patient_id = patient.id JOIN dropped USING (sha256) "
            "WHERE state = 'done' AND folder = ?",
            (os.fsencode(root),),
        ).fetchall()
        connection.executemany(
            "UPDATE work SET state = 'waiting', attempts = 0, retry_at_s = 0 WHERE clip_id = ?",
            [
                (row["clip_id"],)
                for row in rows
                if row["made_by"]
                != made_by(
                    patient_in(row),
                    in_force(history_of(record.connection, row["clip_id"])),
                    planned_exercises(record, row["code"], date.fromisoformat(row["date"])),
                )
            ],
        )


def _release(record: Record, worker: str) -> None:
    with record.change() as connection:
        connection.execute(_RELEASE, (worker,))


def _lock(record: Record, worker: str) -> Path:
    return record.folder.workers / f"{worker}.lock"


# --- what is shown -----------------------------------------------------------------------------


@dataclass(frozen=True)
class ClipState:
    """One file of a drop folder, or one clip of the record whose file is gone.

    ``report`` is the folder of its newest report, None before there is one and when it lies
    outside the folder of the reports. ``short_id`` names
    a clip on the command line. ``again`` is known of a file whose recording came in before.
    """

    file: str
    code: str | None
    visit: str | None
    recorded_from: str | None
    state: State
    reason: str | None
    report: Path | None
    short_id: str | None = None
    corrections: tuple[Correction, ...] = ()
    again: DroppedAgain | None = None


BY_COMMAND = "; to try again as it is set now: landing-analysis clip again "
"""How a sentence goes on where there is no button."""

_REPORT = "(SELECT report FROM analysis WHERE clip_id = clip.id ORDER BY id DESC LIMIT 1) AS report"


def states_in(record: Record, root: Path) -> tuple[ClipState, ...]:
    """Return the state of every file of one drop folder, by name, but none taken over as text."""
    rows = record.rows(
        "SELECT path, problem, needs_attention, code, date, recorded_from, state, reason, clip.id, "
        f"frames, sha256, work.retry_at_s, {_REPORT} FROM dropped LEFT JOIN clip USING (sha256) "
        "LEFT JOIN visit ON visit_id = visit.id LEFT JOIN patient ON patient_id = patient.id "
        "LEFT JOIN work ON clip_id = clip.id WHERE folder = ? "
        "AND (sha256 IS NULL OR clip.id NOT NULL OR problem NOT NULL) ORDER BY path",
        os.fsencode(root),
    )
    known = corrections_in_force(record)
    again = {one.path: one for one in dropped_again(record) if one.folder == root}
    paths = [Path(os.fsdecode(row["path"])) for row in rows]
    return tuple(
        replace(_state(record, printable(str(path)), row, known), again=again.get(path))
        for path, row in zip(paths, rows, strict=True)
    )


def state_of(record: Record, clip_id: int) -> ClipState:
    """Return the state of one clip, whatever became of its files."""
    (row,) = record.rows(
        "SELECT file, NULL AS problem, 0 AS needs_attention, code, date, recorded_from, clip.id, "
        f"frames, sha256, state, reason, retry_at_s, {_REPORT} FROM clip "
        "JOIN visit ON visit_id = visit.id JOIN patient ON patient_id = patient.id "
        "JOIN work ON clip_id = clip.id WHERE clip.id = ?",
        clip_id,
    )
    return _state(record, row["file"], row, corrections_in_force(record, clip_id))


def all_states(record: Record) -> tuple[ClipState, ...]:
    """Return the state of every file of all drop folders, and of clips whose file is gone."""
    roots = [Path(os.fsdecode(row[0])) for row in record.rows(
        "SELECT DISTINCT folder FROM dropped ORDER BY folder")]  # fmt: skip
    gone = record.rows(
        "SELECT file, NULL AS problem, 0 AS needs_attention, code, date, recorded_from, clip.id, "
        "frames, sha256, "
        "iif(state IN ('done', 'analysing'), state, 'needs attention') AS state, "
        "CASE WHEN state IN ('done', 'analysing') THEN NULL "
        "WHEN NOT EXISTS (SELECT 1 FROM analysis WHERE clip_id = clip.id) "
        "THEN 'gone before it was analysed; drop it again' ELSE coalesce(reason || ' ', '') || "
        f"'Its earlier values stand{BY_COMMAND}' || substr(sha256, 1, {SHORT_ID}) END AS reason, "
        f"0.0 AS retry_at_s, {_REPORT} FROM clip JOIN visit ON visit_id = visit.id "
        "JOIN patient ON patient_id = patient.id JOIN work ON clip_id = clip.id "
        "WHERE sha256 NOT IN (SELECT sha256 FROM dropped WHERE sha256 NOT NULL) "
        "ORDER BY code, date, file"
    )
    known = corrections_in_force(record)
    return (
        *(state for root in roots for state in states_in(record, root)),
        *(_state(record, row["file"], row, known) for row in gone),
    )


def _state(
    record: Record, file: str, row: Row, known: dict[int, tuple[Correction, ...]]
) -> ClipState:
    state, reason = row["state"], row["reason"]
    if row["problem"]:
        state, reason = "needs attention" if row["needs_attention"] else "waiting", row["problem"]
    elif state is None:
        state, reason = "waiting", "until it is copied completely"
    elif state == "waiting" and reason and row["retry_at_s"] > time.time():
        reason += f" Next attempt at {datetime.fromtimestamp(row['retry_at_s']):%H:%M}."
    elif state == "analysing" and row["frames"] > _READING.long_frames:
        minutes = row["frames"] / _READING.frames_per_s / 60
        reason = f"{row['frames']:,} frames, which take about {minutes:.0f} minutes."
    return ClipState(
        file=file,
        code=row["code"],
        visit=row["date"],
        recorded_from=row["recorded_from"],
        state=state,
        reason=reason,
        report=record.folder.report_at(row["report"]) if row["report"] else None,
        short_id=row["sha256"][:SHORT_ID] if row["id"] else None,
        corrections=known.get(row["id"], ()),
    )
