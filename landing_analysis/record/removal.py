"""Forgets a patient: every value, report and clip, and the copies of the record that hold them."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from landing_analysis.errors import RecordError
from landing_analysis.files import sha256_of
from landing_analysis.patients import DESCRIPTION, same_code
from landing_analysis.record.backups import make_backup, remove_backups
from landing_analysis.record.database import Record
from landing_analysis.record.store import find_patient


@dataclass(frozen=True)
class Holdings:
    """All that is kept of one patient.

    ``reports`` are folders, ``clips`` files in drop folders whose content is the one that
    was recorded, ``texts`` the text files that describe the patient.
    """

    code: str
    visits: int
    clips_recorded: int
    analyses: int
    values: int
    reports: tuple[Path, ...]
    clips: tuple[Path, ...]
    texts: tuple[Path, ...]


def holdings_of(record: Record, code: str) -> Holdings:
    """Look up all that is kept of a patient, without changing anything.

    Raises
    ------
    PatientError
        When there is no such patient.
    """
    code = find_patient(record, code).code
    of_patient = (
        "FROM patient JOIN visit ON patient_id = patient.id JOIN clip ON visit_id = visit.id "
    )
    analyses = of_patient + "JOIN analysis ON clip_id = clip.id "
    return Holdings(
        code=code,
        visits=_count(record, f"SELECT count(DISTINCT visit.id) {of_patient} WHERE code = ?", code),
        clips_recorded=_count(record, f"SELECT count(*) {of_patient} WHERE code = ?", code),
        analyses=_count(record, f"SELECT count(*) {analyses} WHERE code = ?", code),
        values=_count(
            record,
            f"SELECT count(*) {analyses} JOIN measure ON analysis_id = analysis.id WHERE code = ?",
            code,
        ),
        reports=_reports(record, code),
        clips=tuple(
            path for path, sha256 in _dropped(record, code) if sha256 == _sha256_or_none(path)
        ),
        texts=tuple(_texts(record, code)),
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
    hashes = [
        row[0]
        for row in record.rows(
            "SELECT sha256 FROM patient JOIN visit ON patient_id = patient.id "
            "JOIN clip ON visit_id = visit.id WHERE code = ?",
            held.code,
        )
    ]
    try:
        for folder in (*held.reports, *(record.folder.work / sha256 for sha256 in hashes)):
            if folder.exists():
                shutil.rmtree(folder)
        _remove_pages(record, held.code)
        for file in (*held.clips, *held.texts):
            file.unlink(missing_ok=True)
    except OSError as error:
        raise RecordError(
            f"{error.filename} cannot be deleted ({error.strerror}), so {held.code} was not "
            "removed; free the file and try again."
        ) from error
    for folder in {path.parent for path in (*held.reports, *held.clips, *held.texts)}:
        _remove_empty(folder, held.code)
    seen = [
        row
        for row in record.rows("SELECT folder, path, sha256 FROM dropped")
        if row["sha256"] in hashes or _in_folder_of(row["path"], held.code)
    ]
    with record.change() as connection:
        connection.executemany(
            "DELETE FROM dropped WHERE folder = ? AND path = ?",
            [(row["folder"], row["path"]) for row in seen],
        )
        connection.execute("DELETE FROM patient WHERE code = ?", (held.code,))
    record.rows("PRAGMA wal_checkpoint(TRUNCATE)")
    remove_backups(record.folder)
    make_backup(record.connection, record.folder)
    return held


def _count(record: Record, sql: str, code: str) -> int:
    return int(record.rows(sql, code)[0][0])


def _reports(record: Record, code: str) -> tuple[Path, ...]:
    """Folders of reports that the record names, or that lie where a patient's reports lie."""
    named = record.rows(
        "SELECT report FROM patient JOIN visit ON patient_id = patient.id "
        "JOIN clip ON visit_id = visit.id JOIN analysis ON clip_id = clip.id WHERE code = ?",
        code,
    )
    found = {record.folder.path / row[0] for row in named}
    found.update((record.folder.reports / code).glob("*/*"))
    return tuple(sorted(path for path in found if path.is_dir()))


def _remove_pages(record: Record, code: str) -> None:
    pages = record.folder.pages
    if (pages / code).exists():
        shutil.rmtree(pages / code)
    for week in pages.glob("week-*.html"):
        week.unlink()


def _dropped(record: Record, code: str) -> list[tuple[Path, str]]:
    """Files in drop folders with content that was recorded for a patient."""
    rows = record.rows(
        "SELECT folder, path, dropped.sha256 FROM dropped JOIN clip USING (sha256) "
        "JOIN visit ON visit_id = visit.id JOIN patient ON patient_id = patient.id "
        "WHERE code = ? ORDER BY folder, path",
        code,
    )
    return [(_path(folder, path), sha256) for folder, path, sha256 in rows]


def _texts(record: Record, code: str) -> list[Path]:
    """Text files that describe a patient, in the drop folders that the record knows."""
    roots = [
        Path(os.fsdecode(row[0])) for row in record.rows("SELECT DISTINCT folder FROM dropped")
    ]
    found = []
    for root in roots:
        with suppress(OSError):
            found += [
                folder / DESCRIPTION
                for folder in root.iterdir()
                if same_code(folder.name, code) and (folder / DESCRIPTION).is_file()
            ]
    return found


def _path(folder: bytes, path: bytes) -> Path:
    return Path(os.fsdecode(folder)) / os.fsdecode(path)


def _in_folder_of(path: bytes, code: str) -> bool:
    parts = Path(os.fsdecode(path)).parts
    return len(parts) > 1 and same_code(parts[0], code)


def _sha256_or_none(path: Path) -> str | None:
    try:
        return sha256_of(path)
    except OSError:
        return None


def _remove_empty(folder: Path, code: str) -> None:
    """Remove a folder, and those above it up to the one named by the code, when empty."""
    with suppress(OSError):
        while any(same_code(part, code) for part in folder.parts):
            folder.rmdir()
            folder = folder.parent
