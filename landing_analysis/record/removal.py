"""Forgets a patient: every value, report and clip, and the copies of the record that hold them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from landing_analysis.errors import RecordError
from landing_analysis.files import sha256_of
from landing_analysis.patients import DESCRIPTION, same_code
from landing_analysis.record.backups import make_backup, remove_backups
from landing_analysis.record.database import Record
from landing_analysis.record.patients import code_of
from landing_analysis.record.place import apart_from, is_below
from landing_analysis.sessions.text_file import FILE


@dataclass(frozen=True)
class Holdings:
    """All that is kept of one patient.

    ``reports`` are folders, ``clips`` files in drop folders whose content is the one that
    was recorded, ``texts`` the text files on the patient and the sessions. ``left`` are folders
    that the record names as reports although they lie elsewhere; they are never touched.
    """

    code: str
    visits: int
    sessions: int
    clips_recorded: int
    analyses: int
    values: int
    reports: tuple[Path, ...]
    clips: tuple[Path, ...]
    texts: tuple[Path, ...]
    left: tuple[Path, ...] = ()


def holdings_of(record: Record, code: str) -> Holdings:
    """Look up all that is kept of a patient, without changing anything.

    Raises
    ------
    PatientError
        When there is no such patient.
    """
    code = code_of(record, code)
    of_patient = (
        "FROM patient JOIN visit ON patient_id = patient.id JOIN clip ON visit_id = visit.id "
    )
    analyses = of_patient + "JOIN analysis ON clip_id = clip.id "
    reports, left = _reports(record, code)
    return Holdings(
        code=code,
        visits=_count(record, f"SELECT count(DISTINCT visit.id) {of_patient} WHERE code = ?", code),
        sessions=_count(
            record,
            "SELECT count(DISTINCT session.date) FROM session JOIN patient "
            "ON patient_id = patient.id WHERE code = ?",
            code,
        ),
        clips_recorded=_count(record, f"SELECT count(*) {of_patient} WHERE code = ?", code),
        analyses=_count(record, f"SELECT count(*) {analyses} WHERE code = ?", code),
        values=_count(
            record,
            f"SELECT count(*) {analyses} JOIN measure ON analysis_id = analysis.id WHERE code = ?",
            code,
        ),
        reports=reports,
        clips=tuple(
            path for path, sha256 in _dropped(record, code) if sha256 == _sha256_or_none(path)
        ),
        texts=tuple(_texts(record, code)),
        left=left,
    )


def remove_patient(record: Record, code: str, *, keep_clips: bool = False) -> Holdings:
    """Remove a patient from the record, and every file that belongs to them.

    Parameters
    ----------
    record : Record
    code : of the patient
    keep_clips : leave the clips and the text file in the drop folder

    Returns
    -------
    Holdings
        What was removed.

    Raises
    ------
    PatientError, RecordError
        After an error everything that could not be deleted is still named in the
        record, so that the removal can be run again.

    Notes
    -----
    Backups made before hold the patient too: they are deleted, and a new one is made.
    So are the pages on the patient, and those on weeks, which show several patients.
    """
    held = holdings_of(record, code)
    if keep_clips:
        held = replace(held, clips=(), texts=())
    hashes = _hashes(record, held.code)
    of_sessions = _session_hashes(record, held.code)
    try:
        for folder in held.reports:
            if folder.exists():  # one may lie in another
                shutil.rmtree(folder.resolve())
        for sha256 in hashes:
            _remove_below(record.folder.work, record.folder.work / sha256)
        _remove_pages(record, held.code)
        for file in (*held.clips, *held.texts):
            file.unlink(missing_ok=True)
    except OSError as error:
        raise RecordError(
            f"{error.filename} cannot be deleted ({error.strerror}), so {held.code} was not "
            "removed; free the file and try again."
        ) from error
    roots = (record.folder.reports, *_drop_folders(record))
    for folder in {path.parent for path in (*held.reports, *held.clips, *held.texts)}:
        _remove_empty(folder, held.code, roots)
    seen = [
        row
        for row in record.rows("SELECT folder, path, sha256 FROM dropped")
        if row["sha256"] in hashes + of_sessions or _in_folder_of(row["path"], held.code)
    ]
    with record.change() as connection:
        connection.executemany(
            "DELETE FROM dropped WHERE folder = ? AND path = ?",
            [(row["folder"], row["path"]) for row in seen],
        )
        for column in ("old", "new"):  # of clips that went to or came from other patients
            connection.execute(
                f"UPDATE correction SET {column} = NULL "
                f"WHERE what = 'patient' AND {column} = ? COLLATE NOCASE",
                (held.code,),
            )
        connection.execute("DELETE FROM patient WHERE code = ?", (held.code,))
    record.rows("PRAGMA wal_checkpoint(TRUNCATE)")
    remove_backups(record.folder)
    make_backup(record.connection, record.folder)
    return held


def _hashes(record: Record, code: str) -> list[str]:
    rows = record.rows(
        "SELECT sha256 FROM patient JOIN visit ON patient_id = patient.id "
        "JOIN clip ON visit_id = visit.id WHERE code = ?",
        code,
    )
    return [row[0] for row in rows]


def _session_hashes(record: Record, code: str) -> list[str]:
    """Fingerprints of the text files that a patient's sessions came from."""
    rows = record.rows(
        "SELECT DISTINCT file_sha256 FROM session JOIN patient ON patient_id = patient.id "
        "WHERE code = ? AND file_sha256 NOT NULL",
        code,
    )
    return [row[0] for row in rows]


def _count(record: Record, sql: str, code: str) -> int:
    return int(record.rows(sql, code)[0][0])


def _reports(record: Record, code: str) -> tuple[tuple[Path, ...], tuple[Path, ...]]:
    """Folders of reports that the record names, or that lie where a patient's reports lie.

    Those that lie elsewhere come second, and those that hold somebody else's not at all.
    """
    folder = record.folder
    rows = record.rows(
        "SELECT DISTINCT report, code = ? AS own FROM patient JOIN visit "
        "ON patient_id = patient.id JOIN clip ON visit_id = visit.id "
        "JOIN analysis ON clip_id = clip.id",
        code,
    )
    named = {row["report"] for row in rows if row["own"]}
    if is_below(folder.reports / code, folder.reports):
        named |= {str(path) for path in (folder.reports / code).glob("*/*")}
    found = {name: folder.report_at(name) for name in named}
    own = {path for path in found.values() if path}
    others = {p for row in rows if not row["own"] and (p := folder.report_at(row["report"]))}
    left = {folder.path / name for name, path in found.items() if path is None}
    return (
        tuple(sorted(filter(_is_folder, apart_from(own, others)))),
        tuple(sorted(filter(_is_folder, left))),
    )


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except (OSError, ValueError):  # a name that no file could ever have
        return False


def _remove_pages(record: Record, code: str) -> None:
    pages = record.folder.pages
    if is_below(pages, record.folder.path):
        _remove_below(pages, pages / code)
        for week in pages.glob("week-*.html"):
            week.unlink()


def _remove_below(root: Path, folder: Path) -> None:
    """Remove a folder, and nothing when its name leads anywhere but below the root."""
    if is_below(folder, root) and folder.exists():
        shutil.rmtree(folder.resolve())


def _dropped(record: Record, code: str) -> list[tuple[Path, str]]:
    """Files in drop folders with content that was recorded for a patient."""
    rows = record.rows(
        "SELECT folder, path, dropped.sha256 FROM dropped JOIN clip USING (sha256) "
        "JOIN visit ON visit_id = visit.id JOIN patient ON patient_id = patient.id "
        "WHERE code = ? ORDER BY folder, path",
        code,
    )
    found = [(Path(os.fsdecode(root)), os.fsdecode(path), row_sha) for root, path, row_sha in rows]
    return [(root / path, sha256) for root, path, sha256 in found if is_below(root / path, root)]


def _drop_folders(record: Record) -> list[Path]:
    return [Path(os.fsdecode(row[0])) for row in record.rows("SELECT DISTINCT folder FROM dropped")]


def _texts(record: Record, code: str) -> list[Path]:
    """Text files on a patient and on sessions, in the drop folders that the record knows."""
    found = _session_files(record, code)
    for root in _drop_folders(record):
        with suppress(OSError):
            found |= {
                file
                for folder in root.iterdir() if same_code(folder.name, code)
                for file in (folder / DESCRIPTION, *folder.rglob(f"*{FILE}"))
                if is_below(file, root) and file.is_file()
            }  # fmt: skip
    return sorted(found)


def _session_files(record: Record, code: str) -> set[Path]:
    """Files whose content was taken over as a patient's session."""
    rows = record.rows("SELECT folder, path, sha256 FROM dropped")
    hashes = _session_hashes(record, code)
    found = {
        (Path(os.fsdecode(row["folder"])), os.fsdecode(row["path"]), row["sha256"])
        for row in rows if row["sha256"] in hashes
    }  # fmt: skip
    return {
        root / path for root, path, sha256 in found
        if is_below(root / path, root) and _sha256_or_none(root / path) == sha256
    }  # fmt: skip


def _in_folder_of(path: bytes, code: str) -> bool:
    parts = Path(os.fsdecode(path)).parts
    return len(parts) > 1 and same_code(parts[0], code)


def _sha256_or_none(path: Path) -> str | None:
    try:
        return sha256_of(path)
    except OSError:
        return None


def _remove_empty(folder: Path, code: str, roots: Iterable[Path]) -> None:
    """Remove a folder, and those above it up to the one named by the code, when empty."""
    with suppress(OSError):
        for root in roots:
            while is_below(folder, root) and any(
                same_code(part, code) for part in folder.relative_to(root).parts
            ):
                folder.rmdir()
                folder = folder.parent
