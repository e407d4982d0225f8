"""What goes into the record and comes out of it: one function per question asked."""

from __future__ import annotations

import json
import shlex
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Literal, cast

from landing_analysis.errors import PatientError, RecordError
from landing_analysis.patients import Patient, same_code
from landing_analysis.reasons import Code
from landing_analysis.record.database import Record, Row
from landing_analysis.record.migrations import RECORD_TABLES
from landing_analysis.record.outdated import mark_pages, mark_reports
from landing_analysis.record.rules import fault_in
from landing_analysis.tables import LIMBS, Clip, Limb, Occasion, RecordedFrom

Document = Mapping[str, Any]
"""An analysis as `documents.analysis_document` gives it."""

SHORT_ID = 8
"""Characters of a clip's fingerprint that name it on the command line."""

_EXCLUDED = (
    "(SELECT iif(new = 'excluded', coalesce(reason, 'no reason given'), NULL) FROM correction "
    "WHERE clip_id = clip.id AND what = 'clip' ORDER BY id DESC LIMIT 1)"
)
"""Why a person left a clip out of all averages, NULL for one that counts."""


# --- patients ----------------------------------------------------------------------------------


def list_patients(record: Record) -> tuple[Patient, ...]:
    """Return every patient, by code."""
    return tuple(map(patient_in, record.rows("SELECT * FROM patient ORDER BY code")))


def find_patient(record: Record, code: str) -> Patient:
    """Return one patient; capitals and small letters mean the same.

    Raises
    ------
    PatientError
        When there is none of that code.
    """
    rows = record.rows("SELECT * FROM patient WHERE code = ?", code)
    if not rows:
        known = ", ".join(patient.code for patient in list_patients(record)) or "none yet"
        raise PatientError(f"There is no patient {code}; known are: {known}.")
    return patient_in(rows[0])


def code_of(record: Record, code: str) -> str:
    """Return a patient's code as it is stored, also of one who cannot be read.

    Raises
    ------
    PatientError
        When there is none of that code.
    """
    rows = record.rows("SELECT code FROM patient WHERE code = ?", code)
    return str(rows[0][0]) if rows else find_patient(record, code).code


def add_patient(record: Record, patient: Patient) -> None:
    """Add a patient.

    Raises
    ------
    PatientError
        When the code is taken.
    """
    if any(same_code(known.code, patient.code) for known in list_patients(record)):
        raise PatientError(
            f"There is a patient {patient.code} already; change the data with: "
            f"landing-analysis patient edit {patient.code}"
        )
    with record.change() as connection:
        insert_patient(connection, patient)


def insert_patient(connection: sqlite3.Connection, patient: Patient) -> None:
    """Add a patient within a change that is under way, unless the code is known."""
    connection.execute(
        "INSERT INTO patient (code, surgical_side, surgery_date, stature_m, invented, added_at) "
        "VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (code) DO NOTHING",
        (patient.code, *_facts(patient), int(patient.invented), _now()),
    )


def edit_patient(
    record: Record, patient: Patient, description_sha256: str | None = None
) -> None:  # fmt: skip
    """Replace what is known of a patient.

    Parameters
    ----------
    record : Record
    patient : its code names whom
    description_sha256 : of the text file that these facts come from, None to leave
        the one last read as it is

    Raises
    ------
    RecordError
        When a report or page made before cannot be marked as out of date; nothing is
        changed then.
    """
    before = find_patient(record, patient.code)
    with record.change() as connection:
        connection.execute(
            "UPDATE patient SET surgical_side = ?, surgery_date = ?, stature_m = ?, "
            "description_sha256 = coalesce(?, description_sha256) WHERE code = ?",
            (*_facts(patient), description_sha256, patient.code),
        )
        if _facts(before) != _facts(patient):
            mark_reports(record, patient.code)
            mark_pages(record, patient.code)


def description_sha256_of(record: Record, code: str) -> str | None:
    """Return the fingerprint of the text file last read for a patient."""
    rows = record.rows("SELECT description_sha256 FROM patient WHERE code = ?", code)
    return rows[0][0] if rows else None


def _facts(patient: Patient) -> tuple[str | None, str | None, float | None]:
    day = patient.surgery_date
    return patient.surgical_side, day.isoformat() if day else None, patient.stature_m


def patient_in(row: Row) -> Patient:
    """Return the patient in a row that holds the columns of the table of patients.

    Raises
    ------
    RecordError
        When there can be no such patient.
    """
    day = row["surgery_date"]
    try:
        return Patient(
            code=row["code"],
            surgical_side=_limb(row["surgical_side"]),
            surgery_date=date.fromisoformat(day) if day else None,
            stature_m=row["stature_m"],
            invented=bool(row["invented"]),
        )
    except (PatientError, ValueError) as error:
        raise RecordError(_about_bad_row("a patient", row["code"], str(error))) from error


def _limb(text: str | None) -> Limb | None:
    return next((limb for limb in LIMBS if limb == text), None)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


# --- visits and clips --------------------------------------------------------------------------


def insert_clip(
    connection: sqlite3.Connection,
    code: str,
    clip: Clip,
    recorded_at: datetime,
    recorded_from: RecordedFrom,
) -> int:
    """Add a clip, and its visit when it is the day's first, within a change under way.

    Parameters
    ----------
    connection : of the change
    code : of a patient in the record
    clip : its facts; its content must not be in the record yet
    recorded_at : with time zone; its date is the visit
    recorded_from : where that date was found

    Returns
    -------
    int
        Number of the clip's row.
    """
    visit = _visit_id(connection, code, recorded_at.date().isoformat())
    facts = {
        name: getattr(clip, name)
        for name in (
            "sha256", "file", "width_px", "height_px", "frames", "duration_s", "median_fps",
        )
    }  # fmt: skip
    return _insert(
        connection,
        "clip",
        visit_id=visit,
        recorded_at=recorded_at.isoformat(timespec="seconds"),
        recorded_from=recorded_from,
        mirrored=int(clip.mirrored),
        **facts,
    )


SET_NUMBER = (
    "(SELECT count(*) FROM clip AS earlier WHERE earlier.visit_id = clip.visit_id "
    "AND earlier.id <= clip.id)"
)
"""Counts a clip's set among those of its visit, in the order in which they came in, from 1."""


def hand_over_clip(
    connection: sqlite3.Connection, clip_id: int, code: str | None = None, day: str | None = None
) -> None:
    """Give a clip to another patient, or to another day, within a change under way."""
    known = connection.execute(
        "SELECT code, date FROM clip JOIN visit ON visit_id = visit.id "
        "JOIN patient ON patient_id = patient.id WHERE clip.id = ?",
        (clip_id,),
    ).fetchone()
    visit = _visit_id(connection, code or known["code"], day or known["date"])
    connection.execute("UPDATE clip SET visit_id = ? WHERE id = ?", (visit, clip_id))
    connection.execute(
        "UPDATE remark SET (patient_id, date) = (SELECT patient_id, date FROM visit WHERE id = ?) "
        "WHERE clip_id = ?",
        (visit, clip_id),
    )
    connection.execute("DELETE FROM visit WHERE id NOT IN (SELECT visit_id FROM clip)")


def _visit_id(connection: sqlite3.Connection, code: str, day: str) -> int:
    """Return the number of a patient's visit, which is added when it is new."""
    (patient,) = connection.execute("SELECT id FROM patient WHERE code = ?", (code,)).fetchone()
    connection.execute(
        "INSERT INTO visit (patient_id, date) VALUES (?, ?) ON CONFLICT DO NOTHING", (patient, day)
    )
    (visit,) = connection.execute(
        "SELECT id FROM visit WHERE patient_id = ? AND date = ?", (patient, day)
    ).fetchone()
    return int(visit)


@dataclass(frozen=True)
class Visit:
    """One patient's clips of one day; ``clips`` counts all, ``analysed`` those with values."""

    code: str
    date: date
    clips: int
    analysed: int


def list_visits(record: Record, code: str | None = None) -> tuple[Visit, ...]:
    """Return the visits of one patient or of all, by code and date."""
    rows = record.rows(
        "SELECT code, date, count(*), sum(EXISTS (SELECT 1 FROM analysis WHERE clip_id = clip.id)) "
        "FROM patient JOIN visit ON patient_id = patient.id JOIN clip ON visit_id = visit.id "
        "WHERE ?1 IS NULL OR code = ?1 GROUP BY visit.id ORDER BY code, date",
        code,
    )
    return tuple(
        Visit(code, date.fromisoformat(day), clips, done) for code, day, clips, done in rows
    )


# --- analyses ----------------------------------------------------------------------------------


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
    analysis = _insert(
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
            _insert(connection, table, analysis_id=analysis, **row)
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


def _insert(connection: sqlite3.Connection, table: str, **values: object) -> int:
    names = ", ".join(values)
    marks = ", ".join("?" * len(values))
    cursor = connection.execute(
        f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values())
    )
    return cast(int, cursor.lastrowid)


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
        ``by_hand`` is 1 where contacts or landmarks that a person set changed a used rep's value,
        ``fppa_corrected`` where the FPPAs of the set are corrected.
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
        f"AND {_EXCLUDED} IS NULL "
        "AND analysis.id = (SELECT max(id) FROM analysis WHERE clip_id = clip.id) "
        f"ORDER BY code, date, recorded_at, file, {table}.id",
        code,
    )
    return [dict(row) for row in rows]


def read_landing_rows(record: Record, code: str | None = None) -> list[dict[str, Any]]:
    """Return how each rep of the newest analysis of each clip that counts landed.

    Parameters
    ----------
    record : Record
    code : of one patient, None for all

    Returns
    -------
    list of dict
        Keyed ``analysis_id, code, exercise, limbs, bound, landing_s``, rep after rep.
    """
    rows = record.rows(
        "SELECT analysis_id, code, analysis.exercise, limbs, bound, landing_s FROM patient "
        "JOIN visit ON patient_id = patient.id JOIN clip ON visit_id = visit.id "
        "JOIN analysis ON clip_id = clip.id JOIN rep ON analysis_id = analysis.id "
        f"WHERE (?1 IS NULL OR code = ?1) AND analysis.exercise NOT NULL AND {_EXCLUDED} IS NULL "
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
    rows of each table below it, with JSON columns as they were before storing.
    """

    code: str
    date: date
    file: str
    values: dict[str, Any]
    tables: dict[str, tuple[dict[str, Any], ...]]

    @cached_property
    def by_hand(self) -> frozenset[tuple[str, Limb | None]]:
        """Measures with their limb of which a person's corrections changed a used rep's value."""
        used = {rep["number"] for rep in self.tables["rep"] if rep["used"]}
        return frozenset(
            (row["name"], row["limb"])
            for row in self.tables["measure"]
            if row["by_hand"] and row["rep"] in used
        )


_JSON_COLUMNS = ("frames", "parts", "limbs", "settings", "limits", "body", "bouts")
_BELOW = ("rep", "contact", "measure", "summary", "comparison", "finding", "quality")


def reports_of(record: Record, clip_id: int | None = None, *, others: bool = False) -> set[Path]:
    """Return the report folders of analyses, still there or not.

    Parameters
    ----------
    record : Record
    clip_id : of one clip, None for all
    others : of all clips but that one

    Returns
    -------
    set of Path
        Without what the record names as a report although it lies elsewhere.
    """
    rows = record.rows(
        "SELECT DISTINCT report FROM analysis WHERE ?1 IS NULL OR (clip_id = ?1) = ?2",
        clip_id,
        int(not others),
    )
    return {path for row in rows if (path := record.folder.report_at(row[0]))}


def newest_report(record: Record, clip_id: int) -> Path | None:
    """Return the newest report folder of a clip that is still there, None without any."""
    rows = record.rows("SELECT report FROM analysis WHERE clip_id = ? ORDER BY id DESC", clip_id)
    folders = (record.folder.report_at(row[0]) for row in rows)
    return next((folder for folder in folders if folder and folder.is_dir()), None)


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
        f"mirrored, code, date, {_EXCLUDED} AS excluded "
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


def read_clips(record: Record, code: str) -> tuple[dict[str, Any], ...]:
    """Return a patient's clips with their day and state, by visit and time of recording.

    Parameters
    ----------
    record : Record
    code : of the patient

    Returns
    -------
    tuple of dict
        The columns of the table `clip`, with ``date``, ``state``, ``analysed`` and
        ``excluded``, why a person left it out.
    """
    rows = record.rows(
        f"SELECT clip.*, date, work.state, {_EXCLUDED} AS excluded, "
        "EXISTS (SELECT 1 FROM analysis WHERE clip_id = clip.id) AS analysed FROM patient "
        "JOIN visit ON patient_id = patient.id JOIN clip ON visit_id = visit.id "
        "LEFT JOIN work ON work.clip_id = clip.id WHERE code = ? "
        "ORDER BY date, recorded_at, clip.id",
        code,
    )
    return tuple({**dict(row), "date": date.fromisoformat(row["date"])} for row in rows)


# --- rows that nobody can read -----------------------------------------------------------------

_OF_PATIENT = (
    ("patient", "SELECT code FROM patient WHERE id = ?"),
    ("visit", "SELECT code FROM patient JOIN visit ON patient_id = patient.id WHERE visit.id = ?"),
    ("clip", "SELECT code FROM patient JOIN visit ON patient_id = patient.id "
     "JOIN clip ON visit_id = visit.id WHERE clip.id = ?"),
    ("analysis", "SELECT code FROM patient JOIN visit ON patient_id = patient.id "
     "JOIN clip ON visit_id = visit.id JOIN analysis ON clip_id = clip.id WHERE analysis.id = ?"),
)  # fmt: skip


def bad_row_in(record: Record) -> str | None:
    """Name the first row of the record that breaks a rule, and what to do; None without any."""
    for table in RECORD_TABLES:
        kinds = {row["name"]: row["type"] for row in record.rows(f"PRAGMA table_info({table})")}
        for row in map(dict, record.rows(f"SELECT * FROM {table} ORDER BY id")):
            fault = fault_in(table, row, kinds, lambda stored: isinstance(stored, str))
            if fault:
                codes = [
                    code
                    for of, sql in _OF_PATIENT
                    if (number := row.get("id" if of == table else f"{of}_id")) is not None
                    for (code,) in record.rows(sql, number)
                ]
                return _about_bad_row(f"the row {row['id']} of {table}", codes[0], fault)
    return None


def _about_bad_row(row: str, code: str, fault: str) -> str:
    shown = shlex.quote(code if code.isprintable() else ascii(code))
    return (
        f"The record holds {row} that this program never wrote: {fault.rstrip('.')}. Bring back "
        "an earlier copy with: landing-analysis record restore, or remove the patient with: "
        f"landing-analysis patient remove {shown}"
    )
