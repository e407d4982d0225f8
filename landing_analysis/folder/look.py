"""Looks through a drop folder once: what is new, what is whole, whose it is."""

from __future__ import annotations

import hashlib
import os
import time
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

from landing_analysis.errors import (
    ClipError,
    CorrectionError,
    IncompleteClipError,
    InterruptedAnalysisError,
    MissingClipError,
    PatientError,
    RecordError,
    SessionError,
)
from landing_analysis.files import printable, read_at_most
from landing_analysis.folder import queue
from landing_analysis.folder.entries import CheckClip, Entry, entries_in, is_placeholder
from landing_analysis.patients import (
    DESCRIPTION,
    LARGEST_DESCRIPTION,
    doubt_about_surgery,
    owner_of,
    read_description,
    same_code,
)
from landing_analysis.progress import StartProgress, no_progress
from landing_analysis.record.database import Record
from landing_analysis.record.patients import (
    description_sha256_of,
    edit_patient,
    find_patient,
    list_patients,
)
from landing_analysis.record.sessions import enter_session
from landing_analysis.sessions.text_file import (
    is_session_file,
    read_session_file,
)
from landing_analysis.settings import SessionSettings, WatchSettings
from landing_analysis.tables import Clip
from landing_analysis.video.recording import Recording, file_time, recording_date


@dataclass(frozen=True)
class Looked:
    """What one look found: how many files, and how many of them may still be growing.

    ``sessions`` are those that were taken over from text files, by patient and day.
    """

    files: int
    unsettled: int
    sessions: tuple[tuple[str, date], ...] = ()


def look(
    record: Record,
    root: Path,
    settings: WatchSettings,
    check: CheckClip,
    start: StartProgress = no_progress,
) -> Looked:
    """Bring what is known of a drop folder up to date; whole clips of a patient then wait.

    Parameters
    ----------
    record : Record
    root : of the drop folder, absolute
    settings : WatchSettings
    check : reads a clip's facts
    start : gives the listener of the reading, which counts clips

    Returns
    -------
    Looked

    Raises
    ------
    MissingClipError
        When the folder cannot be reached; nothing is forgotten then.
    """
    left_out = (record.folder.path, record.folder.reports)
    try:
        found = [
            replace(entry, path=entry.path.relative_to(root))
            for entry in entries_in(root, settings.deepest_folder, left_out)
            if entry.problem or _is_of_use(entry.path, entry.facts)
        ]
    except OSError as error:
        raise MissingClipError(
            f"The folder {root} cannot be reached ({error.strerror}); check that it exists and "
            "that its drive or network share is connected."
        ) from error
    known = queue.known_files(record, root)
    queue.forget_files(record, root, sorted(set(known) - {entry.path for entry in found}))
    folders = {entry.path.parts[0] for entry in found if len(entry.path.parts) > 1}
    _read_text_files(record, root, folders)
    now_s = time.time()
    files = [(_noted(record, root, entry, known.get(entry.path), now_s), entry)
             for entry in found]  # fmt: skip
    ready = [file for file, entry in files if _is_ready(record, root, file, entry, now_s, settings)]
    ready.sort(key=lambda file: file.mtime_ns)  # sets are counted as they come in
    entered = []
    if ready:
        progress = start("reading what is new", len(ready))
        for file in ready:
            entered.append(_enter(record, root, file, now_s, settings, check))
            progress.advance(1)
        progress.close()
    unsettled = sum(not _has_settled(file, now_s, settings) for file, _ in files)
    return Looked(len(found), unsettled, tuple(one for one in entered if one))


def _is_of_use(path: Path, facts: os.stat_result) -> bool:
    """Whether a file is a clip or, beside clips, a visit's session."""
    from landing_analysis.video.clips import CLIP_SUFFIXES, looks_like_clip

    if is_session_file(path.name):
        return True
    if path.name.lower().endswith(CLIP_SUFFIXES):
        return True
    return not is_placeholder(facts) and looks_like_clip(path)


def _noted(
    record: Record,
    root: Path,
    entry: Entry,
    known: queue.Dropped | None,
    now_s: float,
) -> queue.Dropped:
    """Return what is known of a file, which is nothing when it is new or has changed."""
    if known is None or not known.is_as(entry.facts) or known.unchanged_since_s > now_s:
        return queue.note_file(record, root, entry.path, entry.facts, now_s)
    return known


def _has_settled(known: queue.Dropped, now_s: float, settings: WatchSettings) -> bool:
    return now_s - known.unchanged_since_s >= settings.settled_s


def _is_ready(
    record: Record,
    root: Path,
    known: queue.Dropped,
    entry: Entry,
    now_s: float,
    settings: WatchSettings,
) -> bool:
    """Return whether a file is to be read now."""
    if entry.problem:
        _note(record, root, known, entry.problem, needs_attention=True, retry_at_s=queue.NEVER_S)
        return False
    if is_placeholder(entry.facts):
        _note(record, root, known, "not downloaded yet; it is left in the cloud until it is.")
        return False
    due = known.sha256 is None and known.retry_at_s <= now_s
    return due and _has_settled(known, now_s, settings)


def _enter(
    record: Record,
    root: Path,
    known: queue.Dropped,
    now_s: float,
    settings: WatchSettings,
    check: CheckClip,
) -> tuple[str, date] | None:
    """Find out whose clip a settled file is and whether it is whole, and let it wait for work.

    Returns patient and day of a session that was taken over.
    """
    path = known.path
    try:
        code = _owner(record, root, path)
        if is_session_file(path.name):
            return code, _enter_session(record, root, known, code)
        clip, recording = _read(root / path, known, check)
        other = queue.enter_clip(record, root, path, code, clip, recording)
        if other:
            _note(
                record, root, known,
                f"The same clip is with {other} already; take it out of one of the two folders.",
                needs_attention=True, retry_at_s=now_s + settings.longest_recheck_s,
            )  # fmt: skip
    except PatientError as error:
        _note(record, root, known, str(error), needs_attention=True)
    except (SessionError, CorrectionError) as error:
        _note(record, root, known, str(error), needs_attention=True, retry_at_s=queue.NEVER_S)
    except IncompleteClipError as error:
        _note_incomplete(record, root, known, now_s, settings, error)
    except ClipError as error:
        _note(record, root, known, str(error), needs_attention=True, retry_at_s=queue.NEVER_S)
    except InterruptedAnalysisError as error:
        _note_interrupted(record, root, known, now_s, settings, error)
    except OSError as error:
        _note(
            record, root, known, f"it cannot be read now ({error.strerror}).",
            retry_at_s=now_s + _pause_s(known, settings),
        )  # fmt: skip
    except RecordError:
        raise
    except Exception as error:
        _note(
            record, root, known, f"it met an unforeseen error ({type(error).__name__}: {error}).",
            needs_attention=True, retry_at_s=queue.NEVER_S,
        )  # fmt: skip
    return None


def _enter_session(record: Record, root: Path, known: queue.Dropped, code: str) -> date:
    """Take over what a session's text file says of a day; what it does not name stays."""
    largest = SessionSettings().largest_file_bytes
    content = read_at_most(root / known.path, largest)
    if content is None:
        raise SessionError(
            f"{known.path.name} of {code} is longer than {largest} bytes; shorten it."
        )
    try:
        file = read_session_file(content.decode("utf-8-sig"), known.path.name, code)
    except UnicodeDecodeError as error:
        raise SessionError(
            f"{known.path.name} of {code} is not text in UTF-8; save it as plain text."
        ) from error
    sha256 = hashlib.sha256(content).hexdigest()
    enter_session(record, code, file.day, file.plain, file.by, file_sha256=sha256)
    queue.note_taken_over(record, root, known.path, sha256)
    return file.day


def _read(path: Path, known: queue.Dropped, check: CheckClip) -> tuple[Clip, Recording]:
    checked = check(path)
    facts = path.stat()
    if not known.is_as(facts):
        raise IncompleteClipError(f"{path.name} changed while it was read.")
    recording = recording_date(checked.tags, path.name, file_time(facts), datetime.now(UTC))
    if recording is None:
        raise ClipError(
            f"Neither {path.name} nor the time of its file says on which day it was recorded; "
            "put day and time into its name, as in P07_20260304_101112.mp4."
        )
    return checked.clip, recording


def _note_interrupted(
    record: Record,
    root: Path,
    known: queue.Dropped,
    now_s: float,
    settings: WatchSettings,
    error: InterruptedAnalysisError,
) -> None:
    pauses_s = settings.retry_after_s
    last = known.checks >= len(pauses_s)
    retry_at_s = queue.NEVER_S if last else now_s + pauses_s[known.checks]
    _note(record, root, known, str(error), needs_attention=last, retry_at_s=retry_at_s)


def _note_incomplete(
    record: Record,
    root: Path,
    known: queue.Dropped,
    now_s: float,
    settings: WatchSettings,
    error: IncompleteClipError,
) -> None:
    if now_s - known.unchanged_since_s >= settings.incomplete_after_s:
        _note(record, root, known, str(error), needs_attention=True, retry_at_s=queue.NEVER_S)
    else:
        _note(
            record, root, known, "not copied completely yet.",
            retry_at_s=now_s + _pause_s(known, settings),
        )  # fmt: skip


def _pause_s(known: queue.Dropped, settings: WatchSettings) -> float:
    return min(settings.poll_s * 2.0 ** min(known.checks, 20), settings.longest_recheck_s)


def _note(
    record: Record,
    root: Path,
    known: queue.Dropped,
    problem: str,
    *,
    needs_attention: bool = False,
    retry_at_s: float = 0.0,
) -> None:
    if (problem, needs_attention, retry_at_s) != (
        known.problem,
        known.needs_attention,
        known.retry_at_s,
    ):
        queue.note_problem(
            record, root, known.path, problem,
            needs_attention=needs_attention, retry_at_s=retry_at_s,
        )  # fmt: skip


# --- whose it is -------------------------------------------------------------------------------


def _owner(record: Record, root: Path, path: Path) -> str:
    codes = [patient.code for patient in list_patients(record)]
    code = owner_of(tuple(map(printable, path.parts)), codes, record.folder.where)
    if len(path.parts) > 1 and same_code(path.parts[0], code):
        _read_text_file(record, root / path.parts[0] / DESCRIPTION, code)
    return code


def _read_text_files(record: Record, root: Path, folders: set[str]) -> None:
    """Take over what the text files of known patients say by now."""
    for patient in list_patients(record):
        for folder in folders:
            if same_code(folder, patient.code):
                with suppress(PatientError, OSError):  # said of the next clip that is entered
                    _read_text_file(record, root / folder / DESCRIPTION, patient.code)


def _read_text_file(record: Record, file: Path, code: str) -> None:
    """Take over what the patient's text file says, once for each time it is changed."""
    if file.is_symlink() or not file.is_file():
        return
    content = read_at_most(file, LARGEST_DESCRIPTION)
    if content is None:
        raise PatientError(
            f"{DESCRIPTION} of {code} is longer than {LARGEST_DESCRIPTION} bytes; it may "
            "hold three short lines."
        )
    sha256 = hashlib.sha256(content).hexdigest()
    if sha256 == description_sha256_of(record, code):
        return
    try:
        facts = read_description(content.decode("utf-8-sig"), code)
    except UnicodeDecodeError as error:
        raise PatientError(
            f"{DESCRIPTION} of {code} is not text in UTF-8; save it as plain text."
        ) from error
    patient = find_patient(record, code)
    changed = replace(patient, **facts)  # type: ignore[arg-type]
    day = changed.surgery_date
    doubt = doubt_about_surgery(day, date.today()) if day else None
    if doubt and day != patient.surgery_date:
        raise PatientError(
            f"{DESCRIPTION} of {code}: {doubt} Correct it, or run: landing-analysis patient edit "
            f"{code} --surgery-date {day} --accept-date{record.folder.where}"
        )
    edit_patient(record, changed, sha256)
