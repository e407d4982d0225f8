"""One line for each clip: what it is, how it fell out, and what of it is in doubt."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from landing_analysis.record.clips import SET_NUMBER
from landing_analysis.record.database import Record, Row
from landing_analysis.tables import Limb, QualityState, short_clip

_OUTSIDE = ("above", "below")
_PROBABLY_OUTSIDE = ("probably above", "probably below")
_COUNTS = (
    "EXISTS (SELECT 1 FROM rep JOIN analysis ON analysis.id = rep.analysis_id "
    "WHERE rep.analysis_id = finding.analysis_id AND number = finding.rep "
    "AND NOT coalesce(rebound, 0) AND coalesce(rep.view, analysis.view) IS analysis.view)"
)
"""Whether the rep of a finding is a landing that counts, of whichever exercise of its clip."""


@dataclass(frozen=True)
class RepsOutside:
    """How many reps lie outside one limit, of one limb or of the whole body."""

    finding: str
    limb: Limb | None
    reps: int


@dataclass(frozen=True)
class ClipLine:
    """One clip with its newest values; ``short_id`` names it, ``values`` are those of its row.

    ``outside`` counts reps by finding, the most first. Of all reps ``judged`` were held against a
    limit; where none lies surely outside one, ``probably_outside`` and ``cannot_tell`` count those
    that may. ``sides_differ`` is whether a comparison of the limbs lies outside its limit.
    ``codes`` are those of its quality notes. ``excluded`` is why a person left it out. Of reps that
    are rebounds (``rebounds``) or seen in another view no findings are counted.
    """

    short_id: str
    sha256: str
    code: str
    patient_number: int
    visit_number: int
    day: date
    recorded_at: str
    state: str
    reason: str | None
    values: dict[str, Any]
    reps: int
    used: int
    rebounds: int
    quality: QualityState | None
    codes: frozenset[str]
    outside: tuple[RepsOutside, ...]
    judged: int
    probably_outside: int
    cannot_tell: int
    sides_differ: bool
    excluded: str | None

    @property
    def analysed(self) -> bool:
        """Whether there are values."""
        return self.values["analysis_id"] is not None


def clip_lines(
    record: Record,
    *,
    visit: int | None = None,
    days: tuple[date, date] | None = None,
    sha256: str | None = None,
    code: str | None = None,
    most: int = -1,
) -> tuple[ClipLine, ...]:
    """Return one line for each clip, the one analysed last first, or by day of one visit or week.

    Parameters
    ----------
    record : Record
    visit : number of a visit's row, None for all
    days : first and last day, None for all
    sha256 : of one clip, None for all
    code : of one patient, None for all
    most : no more than so many, -1 for all
    """
    first, last = days or (None, None)
    order = "visit.date, code, recorded_at, clip.id" if visit or days else "analysis_id DESC"
    rows = record.rows(
        f"SELECT clip.id, clip.sha256, code, patient.id AS patient_row, visit.date, "
        "visit.id AS visit_number, recorded_at, work.state, work.reason, analysis.id AS "
        f"analysis_id, analysis.*, {SET_NUMBER} AS set_number, median_fps, "
        "(SELECT iif(new = 'excluded', coalesce(reason, 'no reason given'), NULL) FROM correction "
        "WHERE clip_id = clip.id AND what = 'clip' ORDER BY id DESC LIMIT 1) AS excluded "
        "FROM clip JOIN visit ON visit_id = visit.id JOIN patient ON patient_id = patient.id "
        "JOIN work ON work.clip_id = clip.id LEFT JOIN analysis ON analysis.id = "
        "(SELECT max(id) FROM analysis WHERE clip_id = clip.id) "
        "WHERE (?1 IS NULL OR visit.id = ?1) AND (?2 IS NULL OR visit.date BETWEEN ?2 AND ?3) "
        "AND (?4 IS NULL OR clip.sha256 = ?4) AND (?6 IS NULL OR code = ?6) "
        f"ORDER BY {order} LIMIT ?5",
        visit, first and first.isoformat(), last and last.isoformat(), sha256, most, code,
    )  # fmt: skip
    return tuple(_line(record, row) for row in rows)


def _line(record: Record, row: Row) -> ClipLine:
    number = row["analysis_id"]
    reps = record.rows("SELECT used, rebound FROM rep WHERE analysis_id = ?", number)
    checks = record.rows("SELECT state, codes FROM quality WHERE analysis_id = ?", number)
    found = record.rows(
        "SELECT name, limb, count(DISTINCT rep) AS reps FROM finding WHERE analysis_id = ? "
        f"AND {_COUNTS} AND verdict IN {_OUTSIDE} GROUP BY name, limb ORDER BY reps DESC, name",
        number,
    )
    (counts,) = record.rows(
        "SELECT count(DISTINCT rep) AS judged, count(DISTINCT CASE WHEN verdict IN "
        f"{_PROBABLY_OUTSIDE} THEN rep END) AS probably_outside, count(DISTINCT CASE WHEN verdict "
        f"= 'cannot tell' THEN rep END) AS cannot_tell, coalesce(max(rep IS NULL AND verdict IN "
        f"{_OUTSIDE} AND name = 'side_difference'), 0) AS sides_differ FROM finding "
        f"WHERE analysis_id = ? AND (rep IS NULL OR {_COUNTS})",
        number,
    )
    return ClipLine(
        short_id=short_clip(row["sha256"]),
        sha256=row["sha256"],
        code=row["code"],
        patient_number=row["patient_row"],
        visit_number=row["visit_number"],
        day=date.fromisoformat(row["date"]),
        recorded_at=row["recorded_at"],
        state=row["state"],
        reason=row["reason"],
        values=dict(row),
        reps=len(reps),
        used=sum(rep["used"] for rep in reps),
        rebounds=sum(bool(rep["used"] and rep["rebound"]) for rep in reps),
        quality=_worst(check["state"] for check in checks) if number else None,
        codes=frozenset(code for check in checks for code in json.loads(check["codes"] or "[]")),
        outside=tuple(RepsOutside(one["name"], one["limb"], one["reps"]) for one in found),
        judged=counts["judged"],
        probably_outside=counts["probably_outside"],
        cannot_tell=counts["cannot_tell"],
        sides_differ=bool(counts["sides_differ"]),
        excluded=row["excluded"],
    )


def days_filmed(record: Record) -> tuple[date, ...]:
    """Return the days of all clips, in order."""
    rows = record.rows(
        "SELECT DISTINCT date FROM visit JOIN clip ON visit_id = visit.id ORDER BY date"
    )
    return tuple(date.fromisoformat(row["date"]) for row in rows)


def doubts_about(record: Record, line: ClipLine) -> tuple[tuple[str, QualityState, str], ...]:
    """Return what a clip's making costs its numbers: (what was looked at, state, why)."""
    rows = record.rows(
        "SELECT check_name, state, text FROM quality WHERE analysis_id = ? AND state <> 'good' "
        "ORDER BY state DESC, id",
        line.values["analysis_id"],
    )
    return tuple((row["check_name"], row["state"], row["text"]) for row in rows)


def _worst(states: Iterable[QualityState]) -> QualityState:
    found: Sequence[QualityState] = list(states)
    return "poor" if "poor" in found else "limited" if "limited" in found else "good"


# --- numbers of rows, which stand in addresses in place of codes ---------------------------------


def patient_numbers(record: Record) -> dict[str, int]:
    """Return the number of each patient's row, by code."""
    return {row["code"]: row["id"] for row in record.rows("SELECT code, id FROM patient")}


def code_numbered(record: Record, number: int) -> str | None:
    """Return the code of the patient in a row, None when there is none."""
    rows = record.rows("SELECT code FROM patient WHERE id = ?", number)
    return rows[0]["code"] if rows else None


def visit_numbered(record: Record, number: int) -> tuple[str, date] | None:
    """Return code and day of the visit in a row, None when there is none."""
    rows = record.rows(
        "SELECT code, date FROM visit JOIN patient ON patient_id = patient.id WHERE visit.id = ?",
        number,
    )
    return (rows[0]["code"], date.fromisoformat(rows[0]["date"])) if rows else None


def visits_numbered(record: Record, code: str) -> tuple[tuple[int, date, int], ...]:
    """Return (number, day, clips) of each of a patient's visits, the last first."""
    rows = record.rows(
        "SELECT visit.id, date, count(clip.id) AS clips FROM visit JOIN patient "
        "ON patient_id = patient.id LEFT JOIN clip ON visit_id = visit.id WHERE code = ? "
        "GROUP BY visit.id ORDER BY date DESC",
        code,
    )
    return tuple((row["id"], date.fromisoformat(row["date"]), row["clips"]) for row in rows)


def version_of_record(record: Record) -> str:
    """Return a mark that differs when anything of the record that pages show does."""
    asked = (
        *(f"SELECT max(id) FROM {table}" for table in ("analysis", "correction", "session", "tick",
                                                       "remark")),
        "SELECT * FROM patient", "SELECT id, visit_id FROM clip", "SELECT * FROM visit",
        "SELECT clip_id, state, reason FROM work", "SELECT path, sha256, problem FROM dropped",
    )  # fmt: skip
    told = repr([[tuple(row) for row in record.rows(f"{one} ORDER BY 1")] for one in asked])
    return hashlib.sha256(told.encode()).hexdigest()
