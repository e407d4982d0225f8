"""What a clinician notes about a visit, a clip or a rep, and that it was reviewed.

Entries are added and never changed: the latest on a thing counts, and one without text takes
the one before back.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Literal

from landing_analysis.errors import CorrectionError
from landing_analysis.record.correcting import KnownClip, require_code_of_person
from landing_analysis.record.database import Record, Row
from landing_analysis.record.patients import code_of
from landing_analysis.settings import WindowSettings

Kind = Literal["note", "reviewed"]

LONGEST = WindowSettings().longest_note
"""Characters of a note."""


@dataclass(frozen=True)
class Remark:
    """A note, or the tick that something was reviewed, which then says ``yes``.

    ``rep`` is None for what is about a whole clip or visit; ``text`` None takes it back.
    """

    kind: Kind
    text: str | None
    by: str | None
    at: str
    rep: int | None = None


def remark_on_clip(
    record: Record,
    clip: KnownClip,
    kind: Kind,
    text: str | None,
    by: str | None,
    rep: int | None = None,
) -> None:
    """Note something about a clip, or about a rep of its newest analysis.

    Raises
    ------
    CorrectionError
        With nothing entered.
    """
    rep_s = next((known.player_s for known in clip.reps if known.number == rep), None)
    _enter(record, clip.code, clip.day, kind, text, by, (clip.id, rep, rep_s))


def remark_on_visit(
    record: Record, code: str, day: date, kind: Kind, text: str | None, by: str | None
) -> None:
    """Note something about a visit.

    Raises
    ------
    CorrectionError
        With nothing entered.
    """
    _enter(record, code_of(record, code), day.isoformat(), kind, text, by, (None, None, None))


def _enter(
    record: Record,
    code: str,
    day: str,
    kind: Kind,
    text: str | None,
    by: str | None,
    about: tuple[int | None, int | None, float | None],
) -> None:
    require_code_of_person(by)
    clean = _clean(text)
    at = datetime.now(UTC).isoformat(timespec="seconds")
    with record.change() as connection:
        connection.execute(
            "INSERT INTO remark (patient_id, date, clip_id, rep, rep_s, kind, text, made_by, "
            "made_at) SELECT id, ?, ?, ?, ?, ?, ?, ?, ? FROM patient WHERE code = ?",
            (day, *about, kind, clean, by, at, code),
        )


def _clean(text: str | None) -> str | None:
    lines = [" ".join(line.split()) for line in (text or "").splitlines()]
    clean = "\n".join(lines).strip()
    if len(clean) > LONGEST or not all(line.isprintable() for line in lines):
        raise CorrectionError(f"A note is text of at most {LONGEST} characters.")
    return clean or None


def remarks_on_clip(record: Record, clip_id: int) -> dict[int | None, dict[Kind, Remark]]:
    """Return what counts about a clip (None) and about its reps, by number."""
    rows = record.rows("SELECT * FROM remark WHERE clip_id = ? ORDER BY id", clip_id)
    return _in_force(rows)


def remarks_on_visit(record: Record, code: str, day: date) -> dict[Kind, Remark]:
    """Return what counts about a visit as a whole."""
    rows = record.rows(
        "SELECT remark.* FROM remark JOIN patient ON patient_id = patient.id "
        "WHERE code = ? AND date = ? AND clip_id IS NULL ORDER BY remark.id",
        code,
        day.isoformat(),
    )
    return _in_force(rows).get(None, {})


def _in_force(rows: list[Row]) -> dict[int | None, dict[Kind, Remark]]:
    found: dict[int | None, dict[Kind, Remark]] = {}
    for row in rows:
        about = found.setdefault(row["rep"], {})
        about.pop(row["kind"], None)
        if row["text"] is not None:
            about[row["kind"]] = Remark(
                row["kind"], row["text"], row["made_by"], row["made_at"], row["rep"]
            )
    return found


def last_remark(record: Record, clip_id: int) -> int:
    """Return the number of the latest remark on a clip, 0 without any."""
    rows = record.rows("SELECT coalesce(max(id), 0) FROM remark WHERE clip_id = ?", clip_id)
    return int(rows[0][0])


def last_visit_remark(record: Record, code: str, day: date) -> int:
    """Return the number of the latest remark on a visit as a whole, 0 without any."""
    rows = record.rows(
        "SELECT coalesce(max(remark.id), 0) FROM remark JOIN patient ON patient_id = patient.id "
        "WHERE code = ? AND date = ? AND clip_id IS NULL",
        code,
        day.isoformat(),
    )
    return int(rows[0][0])


def reviewed_clips(record: Record) -> dict[str, Remark]:
    """Return the ticks on all clips that were reviewed, by the clips' fingerprints."""
    rows = record.rows(
        "SELECT sha256, kind, text, made_by, made_at FROM remark JOIN clip ON clip_id = clip.id "
        "WHERE rep IS NULL AND kind = 'reviewed' ORDER BY remark.id"
    )
    newest = {
        row["sha256"]: Remark(row["kind"], row["text"], row["made_by"], row["made_at"])
        for row in rows
    }
    return {sha256: one for sha256, one in newest.items() if one.text is not None}
