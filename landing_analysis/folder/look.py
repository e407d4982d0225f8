"""Looks through a drop folder once: what is new, what is whole, whose it is."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from landing_analysis.errors import (
    ClipError,
    IncompleteClipError,
    MissingClipError,
    PatientError,
)
from landing_analysis.folder import queue
from landing_analysis.folder.names import files_in, is_placeholder
from landing_analysis.folder.recording import Recording, recording_date
from landing_analysis.patients import (
    DESCRIPTION,
    Owner,
    Patient,
    owner_of,
    read_description,
    same_code,
)
from landing_analysis.record.database import Record
from landing_analysis.record.store import (
    add_patient,
    description_sha256_of,
    edit_patient,
    find_patient,
    list_patients,
)
from landing_analysis.settings import WatchSettings
from landing_analysis.tables import Clip

CheckClip = Callable[[Path], Clip]
"""Reads a clip's facts; raises `ClipError` when it is not whole."""


@dataclass(frozen=True)
class Looked:
    """What one look found: how many files, and how many of them may still be growing."""

    files: int
    unsettled: int


def read_clip_facts(path: Path) -> Clip:
    """Read a clip's facts and make sure that it is whole.

    Raises
    ------
    ClipError
    """
    from landing_analysis.analyse import printable
    from landing_analysis.video import read_clip

    clip = read_clip(path)
    return replace(clip, file=printable(clip.file))


def look(record: Record, root: Path, settings: WatchSettings, check: CheckClip) -> Looked:
    """Bring what is known of a drop folder up to date; whole clips of a patient then wait.

    Parameters
    ----------
    record : Record
    root : of the drop folder, absolute
    settings : WatchSettings
    check : reads a clip's facts

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
            (path.relative_to(root), facts)
            for path, facts in files_in(root, left_out)
            if _may_be_clip(path, facts)
        ]
    except OSError as error:
        raise MissingClipError(
            f"The folder {root} cannot be reached ({error.strerror}); check that it exists and "
            "that its drive or network share is connected."
        ) from error
    known = queue.known_files(record, root)
    queue.forget_files(record, root, sorted(set(known) - {path for path, _ in found}))
    _read_text_files(record, root, {path.parts[0] for path, _ in found if len(path.parts) > 1})
    settled = [
        _look_at(record, root, path, facts, known.get(path), settings, check)
        for path, facts in found
    ]
    return Looked(len(found), settled.count(False))


def _may_be_clip(path: Path, facts: os.stat_result) -> bool:
    from landing_analysis.video import CLIP_SUFFIXES, looks_like_clip

    if path.name.lower().endswith(CLIP_SUFFIXES):
        return True
    return not is_placeholder(facts) and looks_like_clip(path)


def _look_at(
    record: Record,
    root: Path,
    path: Path,
    facts: os.stat_result,
    known: queue.Dropped | None,
    settings: WatchSettings,
    check: CheckClip,
) -> bool:
    """Look at one file and return whether it has settled."""
    now_s = time.time()
    if known is None or not known.is_as(facts):
        known = queue.note_file(record, root, path, facts, now_s)
    if is_placeholder(facts):
        _note(record, root, known, "not downloaded yet; it is left in the cloud until it is.")
        return True
    settled = now_s - known.unchanged_since_s >= settings.settled_s
    if known.sha256 is None and settled and known.retry_at_s <= now_s:
        _enter(record, root, known, now_s, settings, check)
    return settled


def _enter(
    record: Record,
    root: Path,
    known: queue.Dropped,
    now_s: float,
    settings: WatchSettings,
    check: CheckClip,
) -> None:
    """Find out whose clip a settled file is and whether it is whole, and let it wait for work."""
    path = known.path
    try:
        owner = _owner(record, root, path)
        clip, recording = _read(root / path, known, check)
        other = queue.enter_clip(record, root, path, owner.code, clip, recording)
        if other:
            _note(
                record, root, known,
                f"The same clip is with {other} already; take it out of one of the two folders.",
                needs_attention=True, retry_at_s=now_s + settings.longest_recheck_s,
            )  # fmt: skip
    except PatientError as error:
        _note(record, root, known, str(error), needs_attention=True)
    except IncompleteClipError as error:
        _note_incomplete(record, root, known, now_s, settings, error)
    except ClipError as error:
        _note(record, root, known, str(error), needs_attention=True, retry_at_s=queue.NEVER_S)
    except OSError as error:
        _note(
            record, root, known, f"it cannot be read now ({error.strerror}).",
            retry_at_s=now_s + _pause_s(known, settings),
        )  # fmt: skip


def _read(path: Path, known: queue.Dropped, check: CheckClip) -> tuple[Clip, Recording]:
    from landing_analysis.video import read_tags

    clip = check(path)
    tags = read_tags(path)
    facts = path.stat()
    if not known.is_as(facts):
        raise IncompleteClipError(f"{path.name} changed while it was read.")
    changed_at = datetime.fromtimestamp(facts.st_mtime, UTC)
    return clip, recording_date(tags, path.name, changed_at, datetime.now(UTC))


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


def _owner(record: Record, root: Path, path: Path) -> Owner:
    from landing_analysis.analyse import printable

    codes = [patient.code for patient in list_patients(record)]
    owner = owner_of(tuple(map(printable, path.parts)), codes)
    if len(path.parts) > 1:
        _read_text_file(record, root / path.parts[0] / DESCRIPTION, owner)
    return owner


def _read_text_files(record: Record, root: Path, folders: set[str]) -> None:
    """Take over what the text files of known patients say by now."""
    for patient in list_patients(record):
        for folder in folders:
            if same_code(folder, patient.code):
                with suppress(PatientError, OSError):  # said of the next clip that is entered
                    _read_text_file(
                        record, root / folder / DESCRIPTION, Owner(patient.code, new=False)
                    )


def _read_text_file(record: Record, file: Path, owner: Owner) -> None:
    """Take over what the patient's text file says, once for each time it is changed."""
    if not file.is_file():
        return
    content = file.read_bytes()
    sha256 = hashlib.sha256(content).hexdigest()
    if sha256 == description_sha256_of(record, owner.code):
        return
    try:
        facts = read_description(content.decode("utf-8-sig"), owner.code)
    except UnicodeDecodeError as error:
        raise PatientError(
            f"{DESCRIPTION} of {owner.code} is not text in UTF-8; save it as plain text."
        ) from error
    if owner.new:
        add_patient(record, Patient(owner.code))
    patient = find_patient(record, owner.code)
    edit_patient(record, replace(patient, **facts), sha256)  # type: ignore[arg-type]
