"""Rows of the record -> stored analyses, means of sets, landings."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import date
from functools import cached_property
from typing import Any, Literal

from landing_analysis.definitions import is_fppa
from landing_analysis.reasons import Code, because
from landing_analysis.record.clips import EXCLUDED, SET_NUMBER
from landing_analysis.record.database import Record, Row
from landing_analysis.tables import Limb, Limit, Measure, UncertaintyPart


def measure_of(row: Mapping[str, Any], *, of_set: bool = True) -> Measure:
    """Return a value as it was stored, or the reason why there is none.

    Parameters
    ----------
    row : of the table of measures; its reason is a sentence
    of_set : the record does not tell whether a set's means take it in
    """
    known = row["value"] is not None
    return Measure(
        rep=row["rep"],
        name=row["name"],
        limb=row["limb"],
        value=row["value"],
        unit=row["unit"],
        sd=row["sd"],
        reason=None if known else because(Code.AS_WRITTEN_BEFORE, text=row["reason"]),
        parts=tuple(UncertaintyPart(**part) for part in row["parts"] or ()),
        of_set=of_set,
    )


def read_set_rows(
    record: Record, table: Literal["summary", "comparison"], code: str | None = None
) -> list[dict[str, Any]]:
    """Return the set's rows of the newest analysis of each clip that counts, and how it was filmed.

    Parameters
    ----------
    record : Record
    table : means of limbs, or limb against limb
    code : of one patient, None for all

    Returns
    -------
    list of dict, by patient, visit and time of recording
        JSON columns are as they were before storing. ``by_hand`` is 1 where contacts or landmarks
        that a person set changed a used rep's value, ``fppa_corrected`` where the FPPAs of the
        set are corrected.
    """
    wanted = (
        "summary.mean AS value, summary.mean_sd AS sd, summary.reps_used AS reps"
        if table == "summary"
        else "comparison.value, comparison.sd, 0 AS reps"
    )
    limbs = {"summary": ("ifnull(summary.limb, '')", "ifnull(measure.limb, '')")}
    of_row, of_measure = limbs.get(table, ("''", "''"))
    rows = record.rows(
        f"SELECT code, date, file, exercise, {table}.name, {table}.limb, {wanted}, parts, "
        f"(analysis_id, {table}.name, {of_row}) IN (SELECT measure.analysis_id, name, {of_measure} "
        "FROM measure JOIN rep ON rep.analysis_id = measure.analysis_id AND number = rep "
        "WHERE by_hand AND used) AS by_hand, "
        "analysis_id, "
        "analysis.limb AS hop_limb, view, near_limb, view_yaw_deg, view_yaw_sd_deg, median_fps, "
        "version, model_sha256, settings, EXISTS (SELECT 1 FROM quality, json_each(codes) "
        f"WHERE quality.analysis_id = analysis.id AND json_each.value = '{Code.FPPA_CORRECTED}') "
        "AS fppa_corrected FROM patient JOIN visit ON patient_id = patient.id "
        "JOIN clip ON visit_id = visit.id JOIN analysis ON clip_id = clip.id "
        f"JOIN {table} ON analysis_id = analysis.id WHERE (?1 IS NULL OR code = ?1) "
        f"AND {EXCLUDED} IS NULL "
        "AND analysis.id = (SELECT max(id) FROM analysis WHERE clip_id = clip.id) "
        f"ORDER BY code, date, recorded_at, file, {table}.id",
        code,
    )
    return [_decoded(row) for row in rows]


def read_landing_rows(record: Record, code: str | None = None) -> list[dict[str, Any]]:
    """Return how each rep of the newest analysis of each clip that counts landed.

    Parameters
    ----------
    record : Record
    code : of one patient, None for all

    Returns
    -------
    list of dict
        Keyed ``analysis_id, code, exercise, bouts, number, limbs, bound, landing_s, rebound``, rep
        after rep; ``exercise`` and ``bouts`` are the clip's.
    """
    rows = record.rows(
        "SELECT analysis_id, code, analysis.exercise, bouts, number, limbs, bound, "
        "landing_s, rebound "
        "FROM patient "
        "JOIN visit ON patient_id = patient.id JOIN clip ON visit_id = visit.id "
        "JOIN analysis ON clip_id = clip.id JOIN rep ON analysis_id = analysis.id "
        f"WHERE (?1 IS NULL OR code = ?1) AND analysis.exercise NOT NULL AND {EXCLUDED} IS NULL "
        "AND analysis.id = (SELECT max(id) FROM analysis WHERE clip_id = clip.id) "
        "ORDER BY analysis_id, number",
        code,
    )
    return [_decoded(row) for row in rows]


@dataclass(frozen=True)
class StoredAnalysis:
    """One analysis of one clip, as the record keeps it.

    ``values`` holds the columns of the tables `analysis` and `clip` by name, and as
    ``excluded`` why a person left the clip out, None where it counts; ``tables`` the
    rows of each table below it, with JSON columns as they were before storing. ``is_part`` marks
    what it holds of another exercise than the clip's own (`record.by_exercise`).
    """

    code: str
    date: date
    file: str
    values: dict[str, Any]
    tables: dict[str, tuple[dict[str, Any], ...]]
    is_part: bool = False

    @cached_property
    def used_rep_numbers(self) -> frozenset[int]:
        """Numbers of the reps that were measured."""
        return frozenset(rep["number"] for rep in self.tables["rep"] if rep["used"])

    @cached_property
    def tells_rebounds(self) -> bool:
        """Whether it is known of its reps which are rebounds, and from where each was seen."""
        return all(rep["rebound"] is not None for rep in self.tables["rep"])

    @cached_property
    def landings_that_count(self) -> frozenset[int]:
        """Numbers of the reps that means and findings rest on.

        Those of its own exercise that were used, but no rebounds, and none that is seen in another
        view than the clip's, as far as the record tells.
        """
        own, view = self.values["exercise"], self.values["view"]
        return frozenset(
            rep["number"]
            for rep in self.tables["rep"]
            if rep["used"] and not rep["rebound"]
            if rep["exercise"] == own and rep["view"] in (None, view)
        )

    @cached_property
    def remark_codes(self) -> frozenset[str]:
        """Codes of what the quality notes say (`reasons.Code`)."""
        noted = (json.loads(row["codes"] or "[]") for row in self.tables["quality"])
        return frozenset(code for codes in noted for code in codes)

    @cached_property
    def limits(self) -> tuple[Limit, ...]:
        """The limits that it was judged by, without rows that name none whole."""
        return tuple(_limits(self.values["limits"]))

    @cached_property
    def by_hand(self) -> frozenset[tuple[str, Limb | None]]:
        """Measures with their limb of which a person's corrections changed a used rep's value."""
        return frozenset(
            (row["name"], row["limb"])
            for row in self.tables["measure"]
            if row["by_hand"] and row["rep"] in self.used_rep_numbers
        )

    @cached_property
    def corrected(self) -> frozenset[tuple[int, str, Limb | None]]:
        """Values, by rep, measure and limb, from which the pose model's offset was taken off.

        An earlier version stored no readings, but said of a set that its FPPAs are corrected.
        """
        rows = [row for row in self.tables["measure"] if row["value"] is not None]
        kept = any(row["reading"] is not None for row in rows)
        said = Code.FPPA_CORRECTED in self.remark_codes
        return frozenset(
            (row["rep"], row["name"], row["limb"])
            for row in rows
            if row["reading"] is not None or (not kept and said and is_fppa(row["name"]))
        )


def _limits(rows: Iterable[dict[str, Any]]) -> Iterator[Limit]:
    for row in rows:
        known = {name: value for name, value in row.items() if name in _LIMIT}
        with suppress(TypeError):
            yield Limit(**{**known, "exercises": tuple(known.get("exercises") or ())})


_LIMIT = frozenset(field.name for field in fields(Limit))

_JSON_COLUMNS = ("frames", "parts", "limbs", "settings", "limits", "body", "bouts")

_BELOW = ("rep", "contact", "measure", "summary", "comparison", "finding", "quality")


def read_analyses(
    record: Record, code: str, day: date | None = None, *, history: bool = False
) -> tuple[StoredAnalysis, ...]:
    """Return the analyses of a patient's clips, by visit and time of recording.

    Parameters
    ----------
    record : Record
    code : of the patient
    day : of one visit, None for all
    history : every analysis ever made, and not the newest of each clip only

    Returns
    -------
    tuple of StoredAnalysis
    """
    newest = (
        ""
        if history
        else "AND analysis.id = (SELECT max(id) FROM analysis WHERE clip_id = clip.id)"
    )
    rows = record.rows(
        f"SELECT analysis.*, {SET_NUMBER} AS set_number, sha256, file, recorded_at, "
        "recorded_from, width_px, height_px, frames AS n_frames, duration_s, median_fps, "
        f"mirrored, code, date, {EXCLUDED} AS excluded "
        "FROM patient JOIN visit ON patient_id = patient.id "
        "JOIN clip ON visit_id = visit.id JOIN analysis ON clip_id = clip.id "
        f"WHERE code = ?1 AND (?2 IS NULL OR date = ?2) {newest} "
        "ORDER BY date, recorded_at, file, analysis.id",
        code,
        day.isoformat() if day else None,
    )
    return tuple(_stored(record, row) for row in rows)


def _stored(record: Record, row: Row) -> StoredAnalysis:
    values = _decoded(row)
    return StoredAnalysis(
        code=values.pop("code"),
        date=date.fromisoformat(values.pop("date")),
        file=values["file"],
        values=values,
        tables={
            table: tuple(
                _decoded(below)
                for below in record.rows(
                    f"SELECT * FROM {table} WHERE analysis_id = ? ORDER BY id", values["id"]
                )
            )
            for table in _BELOW
        },
    )


def _decoded(row: Row) -> dict[str, Any]:
    return {
        name: json.loads(row[name] or "null") if name in _JSON_COLUMNS else row[name]
        for name in row.keys()  # noqa: SIM118 - a row iterates over its values
    }
