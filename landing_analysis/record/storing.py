"""An analysis -> rows of the record."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from typing import Any

from landing_analysis.record.clips import SET_NUMBER
from landing_analysis.record.database import Record, insert_row
from landing_analysis.tables import Limb, Occasion

Document = Mapping[str, Any]
"""An analysis as `documents.analysis_document` gives it."""


def insert_analysis(
    connection: sqlite3.Connection, clip_id: int, document: Document, made_by: str, report: str
) -> int:
    """Add an analysis with all its values, within a change under way.

    Parameters
    ----------
    connection : of the change
    clip_id : of the clip's row; earlier analyses of the clip stay as they are
    document : from `documents.analysis_document`
    made_by : fingerprint of everything that shaped the numbers
    report : where the report's page lies

    Returns
    -------
    int
        Number of the analysis's row.
    """
    decided, made = document["decided"], document["provenance"]
    analysis = insert_row(
        connection,
        "analysis",
        clip_id=clip_id,
        schema_version=document["schema_version"],
        made_by=made_by,
        report=report,
        settings=_json(made["settings"]),
        limits=_json(document["limits"]),
        body=_json(document.get("body")),
        bouts=_json([_bout(bout) for bout in document.get("bouts", [])]),
        **{
            name: made[name] for name in ("analysed_at", "version", "model_name", "model_sha256")
        },
        **{
            name: decided.get(name)
            for name in (
                "exercise", "exercise_origin", "exercise_confidence", "view", "view_origin",
                "view_yaw_deg", "view_yaw_sd_deg", "view_reason", "near_limb", "limb",
                "surgical_side", "stature_m",
                "target_flexion_deg", "people", "patient_number", "patient_reason",
            )
        },
    )  # fmt: skip
    for table, rows in _rows_of(document):
        for row in rows:
            insert_row(connection, table, analysis_id=analysis, **row)
    return analysis


def store_values(record: Record, clip_id: int, document: Document, made_by: str) -> None:
    """Add an analysis of a clip whose report is still the one made before.

    Parameters
    ----------
    record : Record
    clip_id : of a clip that was analysed before
    document, made_by : as for `insert_analysis`
    """
    with record.change() as connection:
        newest = connection.execute(
            "SELECT report FROM analysis WHERE clip_id = ? ORDER BY id DESC LIMIT 1", (clip_id,)
        ).fetchone()
        insert_analysis(connection, clip_id, document, made_by, newest["report"])


def occasion_of(record: Record, clip_id: int) -> Occasion:
    """Return whose clip it is, of which day, and which set of that day."""
    (row,) = record.rows(
        f"SELECT code, date, {SET_NUMBER} AS set_number FROM clip JOIN visit "
        "ON visit_id = visit.id JOIN patient ON patient_id = patient.id WHERE clip.id = ?",
        clip_id,
    )
    return Occasion(row["code"], row["date"], row["set_number"])


def _bout(bout: Mapping[str, Any]) -> dict[str, object]:
    """Keep of a bout what its reps do not tell; its means are made of their values."""
    return _pick(bout, "exercise", "confidence", "reps", "start_s", "end_s")


def _rows_of(document: Document) -> Iterable[tuple[str, Iterable[dict[str, object]]]]:
    """Yield the rows below an analysis, table by table, parents first."""
    yield "rep", map(_rep, document["reps"])
    yield "contact", (
        {
            **_pick(
                contact, "limb", "rep", "initial_contact_s", "initial_contact_sd_s",
                "initial_contact_frame", "toe_off_s", "toe_off_sd_s", "toe_off_frame",
                "toe_off_reason", "toe_off_reason_code", "toe_contact_s", "toe_contact_sd_s",
                "heel_contact_s", "heel_contact_sd_s",
            ),
            "by_hand": int(bool(contact.get("by_hand"))),
        }
        for contact in document["contacts"]
    )  # fmt: skip
    yield (
        "measure",
        (
            {
                **_pick(
                    row,
                    "name",
                    "limb",
                    "value",
                    "unit",
                    "sd",
                    "reason",
                    "reason_code",
                    "foot_strike",
                ),
                "rep": rep["number"],
                "by_hand": int(row.get("by_hand", False)),
                "found": row.get("found"),
                "reading": row.get("reading"),
                "frames": _json(row["frames"]),
                "parts": _json(row["uncertainty_parts"]),
            }
            for rep in document["reps"]
            for row in rep["measures"]
        ),
    )
    yield "summary", (
        {
            **_pick(
                row, "name", "limb", "unit", "reps_used", "mean", "mean_sd", "sd", "best", "worst",
                "first_third", "last_third", "fatigue", "fatigue_sd",
            ),
            "parts": _json(row.get("parts", [])),
        }
        for row in document["summaries"]
    )  # fmt: skip
    yield (
        "comparison",
        (
            {
                **_pick(row, "name", "kind", "limb", "value", "sd", "unit"),
                "parts": _json(row.get("parts", [])),
            }
            for row in document["comparisons"]
        ),
    )
    yield "finding", (
        {
            **_pick(
                row, "name", "measure", "limb", "rep", "verdict", "probability", "value", "sd",
                "unit", "source", "text",
            ),
            "limit_value": row["limit"],
            "frames": _json(row["frames"]),
        }
        for row in document["findings"]
    )  # fmt: skip
    yield (
        "quality",
        (
            {
                "check_name": row["check"],
                "state": row["state"],
                "text": row["text"],
                "codes": _json([remark["code"] for remark in row.get("remarks", ())]),
            }
            for row in document["quality"]
        ),
    )


def _rep(rep: Document) -> dict[str, object]:
    flight = rep["flight"]
    return {
        **_pick(rep, "number", "exercise", "reason", "reason_code", "peak_flexion_s", "player_s"),
        "view": rep.get("view"),
        "rebound": None if rep.get("rebound") is None else int(rep["rebound"]),
        **_pick(flight, "take_off_s", "take_off_sd_s", "landing_s", "landing_sd_s"),
        "limbs": _json(rep["limbs"]),
        "bound": int(_is_bound(flight["take_off_limbs"], rep["limbs"])),
        "used": int(rep["used"]),
        "excluded": int(rep.get("excluded", False)),
    }


def _is_bound(left: list[Limb], landed: list[Limb]) -> bool:
    """Whether a rep left from one foot and landed on the other, as `tables.Rep.is_bound`."""
    return len(left) == len(landed) == 1 and left != landed


def _pick(row: Document, *names: str) -> dict[str, object]:
    return {name: row.get(name) for name in names}


def _json(value: object) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))
