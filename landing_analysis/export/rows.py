"""The record's rows of one patient -> the rows of the tidy tables, as `columns` describes them.

Only what `columns` names is handed on: no file name and no path, because a person's name may
stand in them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

import numpy as np

from landing_analysis.definitions import DEFINITIONS, SIGNS
from landing_analysis.export.columns import UCUM, wide_names
from landing_analysis.patients import Patient
from landing_analysis.record.by_exercise import by_exercise
from landing_analysis.record.filmed import day_dose
from landing_analysis.record.reading import StoredAnalysis
from landing_analysis.record.remarks import Remark
from landing_analysis.record.sessions import SavedSession, Tick
from landing_analysis.report.documents import side_name
from landing_analysis.sessions.plan import load_words
from landing_analysis.sessions.session import Session
from landing_analysis.tables import LIMBS, Limb, short_clip

Row = dict[str, Any]

_NO_REP = "no rep of the set could be used"


@dataclass(frozen=True)
class PatientRows:
    """Everything the record holds of one patient, with `record.clips.read_clips`.

    ``sessions`` and ``ticks`` are the newest ones, ``reviewed`` the ticks on clips by their
    fingerprint.
    """

    patient: Patient
    clips: tuple[dict[str, Any], ...]
    analyses: tuple[StoredAnalysis, ...]
    sessions: tuple[SavedSession, ...] = ()
    ticks: tuple[Tick, ...] = ()
    reviewed: Mapping[str, Remark] = field(default_factory=dict)

    @property
    def counted(self) -> tuple[StoredAnalysis, ...]:
        """The newest analysis of each clip that nobody left out."""
        newest = {one.values["clip_id"]: one for one in self.analyses}
        return tuple(one for one in newest.values() if one.values["excluded"] is None)

    @property
    def days(self) -> list[date]:
        """Days with a counted clip or a session, in order."""
        return sorted({one.date for one in self.counted} | {one.day for one in self.sessions})

    def session(self, day: date) -> Session:
        """Return what was entered of a day."""
        return next((one.session for one in self.sessions if one.day == day), Session())


def tidy_rows(rows: PatientRows) -> dict[str, list[Row]]:
    """Return a patient's rows of every tidy table.

    Parameters
    ----------
    rows : PatientRows

    Returns
    -------
    dict
        By the names of `columns.TABLES`, without ``measure_definitions``. A row holds the
        columns of its table; None is not known, and ``reason`` says why a value is missing.
    """
    newest = {one.values["clip_id"]: one.values["id"] for one in rows.analyses}
    tables: dict[str, list[Row]] = {
        "visits": list(_visits(rows)),
        "clips": [_clip(rows.patient, clip) for clip in rows.clips],
        "sessions": [_session(rows.patient, saved) for saved in rows.sessions],
        "plans": [
            {**_patient(rows.patient, saved.day), **row}
            for saved in rows.sessions
            for row in _plan(saved.session)
        ],
        "symptoms": [
            {**_patient(rows.patient, saved.day), **row}
            for saved in rows.sessions
            for row in _symptoms(saved.session)
        ],
        "doses": [
            {**_patient(rows.patient, day), **row} for day in rows.days for row in _doses(rows, day)
        ],
        "ticks": [_tick(rows.patient, tick) for tick in rows.ticks],
    }
    for one in rows.analyses:
        current = newest[one.values["clip_id"]] == one.values["id"]
        for table, below in _tables_of(rows.patient, one, current=current):
            tables.setdefault(table, []).extend(below)
    return tables


def definition_rows() -> list[Row]:
    """Return the table ``measure_definitions``."""
    return [
        {
            "measure": item.name,
            "label": item.label,
            "unit": UCUM[item.unit],
            "wide_column": wide_names(item)[0],
            "decimals": item.decimals,
            "scope": item.scope,
            "views": " ".join(item.views),
            "compared_by": item.compare,
            "better": item.better,
            "meaning": item.meaning,
            "sign": SIGNS.get(item.name),
            "source": item.source,
            "limits": item.limits,
        }
        for item in DEFINITIONS.values()
    ]


# --- visits and clips --------------------------------------------------------------------------


def days_since_surgery(patient: Patient, day: date) -> int | None:
    """Return the days from the surgery to a day, negative before it."""
    return (day - patient.surgery_date).days if patient.surgery_date else None


def _patient(patient: Patient, day: date) -> Row:
    days = days_since_surgery(patient, day)
    return {
        "patient": patient.code,
        "invented": patient.invented,
        "visit_date": day,
        "weeks_since_surgery": None if days is None else round(days / 7, 2),
    }


def _visits(rows: PatientRows) -> Iterator[Row]:
    patient = rows.patient
    for day in sorted({clip["date"] for clip in rows.clips}):
        clips = [clip for clip in rows.clips if clip["date"] == day]
        yield {
            **_patient(patient, day),
            "days_since_surgery": days_since_surgery(patient, day),
            "surgery_date": patient.surgery_date,
            "surgical_side": patient.surgical_side,
            "stature_m": patient.stature_m,
            "clips": len(clips),
            "clips_analysed": sum(clip["analysed"] for clip in clips),
        }


def _clip(patient: Patient, clip: dict[str, Any]) -> Row:
    return {
        **_patient(patient, clip["date"]),
        "clip": short_clip(clip["sha256"]),
        "clip_sha256": clip["sha256"],
        "recorded_at": _utc(clip["recorded_at"]),
        **{name: clip[name] for name in ("recorded_from", "state", "width_px", "height_px")},
        "clip_excluded": clip["excluded"] is not None,
        "excluded_reason": clip["excluded"],
        "n_frames": clip["frames"],
        "duration_s": clip["duration_s"],
        "median_frame_rate_hz": clip["median_fps"],
        "mirrored": bool(clip["mirrored"]),
    }


# --- sessions ----------------------------------------------------------------------------------


def _session(patient: Patient, saved: SavedSession) -> Row:
    session = saved.session
    return {
        **_patient(patient, saved.day),
        "modified": "; ".join(session.modified) or None,
        "stopped": "; ".join(session.stopped) or None,
        **{name: getattr(session, name) for name in ("note", "went_well", "work_on")},
        "entered_by": saved.by,
        "entered_at": _utc(saved.at),
    }


def _plan(session: Session) -> Iterator[Row]:
    for line, one in enumerate(session.plan, start=1):
        same = ("exercise", "sets", "reps", "bout_s", "rest_s", "box_height_m", "limb")
        yield {
            "line": line,
            **{name: getattr(one, name) for name in same},
            "load": None if one.load is None else load_words(one.load),
            "cords": None if one.load is None else sum(cords.number for cords in one.load),
        }


def _symptoms(session: Session) -> Iterator[Row]:
    for moment, state in session.states.items():
        yield {
            "moment": moment,
            "pain": state.pain,
            "effusion_grade": state.effusion,
            "soreness": state.soreness,
            "confidence": state.confidence,
            "joint_distress": state.distress,
        }


def _doses(rows: PatientRows, day: date) -> Iterator[Row]:
    for dose in day_dose(rows.counted, day, rows.session(day)):
        for number, one in enumerate(dose.sets, start=1):
            same = ("exercise", "reps", "bout_s", "pace_per_min", "rest_s", "rest_sd_s",
                    "after_same")  # fmt: skip
            yield {
                "in_plan": bool(dose.prescribed),
                "set": number,
                "clips": list(one.clips),
                **{name: getattr(one, name) for name in same},
                **{f"contacts_{limb}": one.contacts[limb] for limb in LIMBS},
            }


def _tick(patient: Patient, tick: Tick) -> Row:
    return {
        **_patient(patient, tick.day),
        **{name: getattr(tick, name) for name in ("exercise", "ticked", "note")},
        "entered_by": tick.by,
        "entered_at": _utc(tick.at),
    }


def _utc(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


# --- below an analysis -------------------------------------------------------------------------


def _tables_of(
    patient: Patient, one: StoredAnalysis, *, current: bool
) -> Iterator[tuple[str, list[Row]]]:
    keys = _keys(patient, one, current=current)
    yield "analyses", [{**keys, **_analysis(one), **made_with(one)}]
    for part in by_exercise(one):
        yield from _tables_of_set(patient, part, current=current)
    yield (
        "quality_notes",
        [
            {
                **keys,
                "check": row["check_name"],
                "state": row["state"],
                "text": row["text"],
                "codes": " ".join(json.loads(row["codes"] or "[]")),
            }
            for row in one.tables["quality"]
        ],
    )


def _tables_of_set(
    patient: Patient, one: StoredAnalysis, *, current: bool
) -> Iterator[tuple[str, list[Row]]]:
    keys = _keys(patient, one, current=current)
    made = made_with(one)
    tables = one.tables
    reps = {rep["number"]: _rep_keys(rep) for rep in tables["rep"]}
    side = patient.surgical_side
    yield "reps", [{**keys, **_rep(rep, tables["contact"])} for rep in tables["rep"]]
    yield (
        "contacts",
        [
            {
                **keys,
                **_limb(row["limb"], side),
                **_without(row, "id", "analysis_id", "limb"),
                "by_hand": bool(row["by_hand"]),
            }
            for row in tables["contact"]
        ],
    )
    yield (
        "measures",
        [
            {
                **keys,
                **reps[row["rep"]],
                **_measure(row),
                **_limb(row["limb"], side),
                **made,
                "corrected": (row["rep"], row["name"], row["limb"]) in one.corrected,
            }
            for row in tables["measure"]
        ],
    )
    yield "reps_wide", [{**keys, **row, **made} for row in _wide_rows(one, reps, side)]
    yield (
        "sets",
        [
            {**keys, "landing_limb": landing_limb(one), **row, **_limb(row["limb"], side), **made}
            for row in set_rows(one)
        ],
    )
    yield (
        "side_comparisons",
        [{**keys, **row, **_limb(row["limb"], side), **made} for row in side_rows(one)],
    )
    yield (
        "findings",
        [
            {
                **keys,
                **_finding(row),
                **_limb(row["limb"], side),
                "by_hand": _is_by_hand(one, row),
                "corrected": _is_corrected(one, row),
            }
            for row in tables["finding"]
        ],
    )


def _keys(patient: Patient, one: StoredAnalysis, *, current: bool) -> Row:
    return {
        **_patient(patient, one.date),
        "clip": short_clip(one.values["sha256"]),
        "analysis": one.values["id"],
        "current": current,
        "clip_excluded": one.values["excluded"] is not None,
        "exercise": one.values["exercise"],
        "view": one.values["view"],
        "surgical_side": patient.surgical_side,
    }


def made_with(one: StoredAnalysis) -> Row:
    """Return what made the numbers; how many processes worked on them does not matter."""
    settings = dict(one.values["settings"])
    if isinstance(settings.get("pose"), dict):
        settings["pose"] = _without(settings["pose"], "workers")
    text = json.dumps(settings, sort_keys=True)
    return {
        "version": one.values["version"],
        "model_sha256": one.values["model_sha256"],
        "settings_sha256": hashlib.sha256(text.encode()).hexdigest(),
    }


def _analysis(one: StoredAnalysis) -> Row:
    values, reps = one.values, one.tables["rep"]
    same = (
        "model_name", "exercise_origin", "exercise_confidence", "view_origin", "view_yaw_deg",
        "view_yaw_sd_deg", "near_limb", "target_flexion_deg", "people",
    )  # fmt: skip
    return {
        **{name: values[name] for name in same},
        "analysed_at": _utc(values["analysed_at"]),
        "hop_limb": values["limb"],
        "surgical_side_then": values["surgical_side"],
        "stature_then_m": values["stature_m"],
        "bouts": None if values["bouts"] is None else len(values["bouts"]),
        "reps": len(reps),
        "reps_used": sum(rep["used"] for rep in reps),
        "reps_excluded": sum(rep["excluded"] for rep in reps),
        "quality": _worst(row["state"] for row in one.tables["quality"]),
    }


def _worst(states: Iterable[str]) -> str:
    found = set(states)
    return next((state for state in ("poor", "limited") if state in found), "good")


def _rep_keys(rep: Row) -> Row:
    return {
        "rep": rep["number"],
        "landing_limb": _feet(rep["limbs"]),
        "used": bool(rep["used"]),
    }


def _feet(limbs: list[Limb]) -> str | None:
    return "both" if len(limbs) == len(LIMBS) else limbs[0] if limbs else None


def landing_limb(one: StoredAnalysis) -> str | None:
    """Return the feet that all reps of a set land on, None when they differ."""
    found = {_feet(rep["limbs"]) for rep in one.tables["rep"]}
    return found.pop() if len(found) == 1 else None


def _rep(rep: Row, contacts: Iterable[Row]) -> Row:
    same = (
        "reason", "reason_code", "take_off_s", "take_off_sd_s", "landing_s", "landing_sd_s",
        "peak_flexion_s",
    )  # fmt: skip
    return {
        **_rep_keys(rep),
        "excluded": bool(rep["excluded"]),
        **{name: rep[name] for name in same},
        "by_hand": any(row["by_hand"] for row in contacts if row["rep"] == rep["number"]),
    }


def _limb(limb: Limb | None, surgical_side: Limb | None) -> Row:
    return {"limb": limb, "limb_role": side_name(limb, surgical_side)}


def _measure(row: Row) -> Row:
    return {
        "measure": row["name"],
        "value": row["value"],
        "value_sd": row["sd"],
        "unit": _ucum(row["unit"]),
        **{name: row[name] for name in ("reason", "reason_code", "foot_strike", "frames")},
        "by_hand": bool(row["by_hand"]),
        "found_value": row["found"],
        "reading": row["reading"],
    }


def set_rows(one: StoredAnalysis) -> list[Row]:
    """Return each measure and limb of a set: the mean of its used reps, or why there is none.

    Returns
    -------
    list of dict
        In the order of `definitions`, the left limb first, the whole body (limb None) last;
        keyed as in the table ``sets``.
    """
    means = {(row["name"], row["limb"]): row for row in one.tables["summary"]}
    seen = {(row["name"], row["limb"]) for row in one.tables["measure"]} | set(means)
    names = [*DEFINITIONS, *sorted({name for name, _ in seen} - set(DEFINITIONS))]
    order = [(name, limb) for name in names for limb in (*LIMBS, None)]
    return [
        {**(_set_mean(means[key]) if key in means else _no_mean(one, *key)),
         "by_hand": key in one.by_hand, **_as_read(one, *key)}
        for key in order
        if key in seen
    ]  # fmt: skip


def _set_mean(row: Row) -> Row:
    same = ("limb", "reps_used", "mean", "mean_sd", "best", "worst", "first_third", "last_third",
            "fatigue", "fatigue_sd")  # fmt: skip
    return {
        "measure": row["name"],
        **{name: row[name] for name in same},
        "between_reps_sd": row["sd"],
        "unit": _ucum(row["unit"]),
    }


def _as_read(one: StoredAnalysis, name: str, limb: Limb | None) -> Row:
    """Say whether a set's mean is corrected, and what it was before where that is stored."""
    readings = [
        row["reading"]
        for row in one.tables["measure"]
        if (row["rep"], name, limb) in one.corrected
        and row["rep"] in one.used_rep_numbers
        and (row["name"], row["limb"]) == (name, limb)
    ]
    behind_mean = [
        row["reps_used"]
        for row in one.tables["summary"]
        if (row["name"], row["limb"]) == (name, limb)
    ]
    # Reps seen in another view are in no mean, and not told apart here: then it is not known.
    known = None not in readings and behind_mean == [len(readings)]
    return {
        "corrected": bool(readings),
        "mean_reading": float(np.mean(readings)) if known else None,
    }


def _no_mean(one: StoredAnalysis, name: str, limb: Limb | None) -> Row:
    rows = [row for row in one.tables["measure"] if (row["name"], row["limb"]) == (name, limb)]
    reasons = dict.fromkeys(
        row["reason"] for row in rows if row["rep"] in one.used_rep_numbers and row["reason"]
    )
    return {
        "measure": name,
        "limb": limb,
        "reps_used": 0,
        "unit": _ucum(rows[0]["unit"]),
        "reason": "; ".join(reasons) or _NO_REP,
    }


def side_rows(one: StoredAnalysis) -> list[Row]:
    """Return each measure that both limbs of a set have: one limb against the other, or why not.

    Returns
    -------
    list of dict
        In the order of `definitions`; keyed as in the table ``side_comparisons``.
    """
    compared = {row["name"]: row for row in one.tables["comparison"]}
    means = {(row["name"], row["limb"]): row["mean"] for row in one.tables["summary"]}
    rows = []
    for name in [*DEFINITIONS, *(name for name in compared if name not in DEFINITIONS)]:
        if name in compared:
            rows.append(_comparison(compared[name]))
        elif all((name, limb) in means for limb in LIMBS) and DEFINITIONS[name].compare:
            apart = means[name, LIMBS[0]] - means[name, LIMBS[1]]
            rows.append(_not_compared(name, LIMBS[0], _why_not_compared(one, name, apart)))
    by_hand = {name for name, limb in one.by_hand if limb}
    corrected = {name for _, name, limb in one.corrected if limb}
    return [
        {**row, "by_hand": row["measure"] in by_hand, "corrected": row["measure"] in corrected}
        for row in rows
    ]


def _comparison(row: Row) -> Row:
    return {
        "measure": row["name"],
        "kind": row["kind"],
        "limb": row["limb"],
        "value": row["value"],
        "value_sd": row["sd"],
        "unit": _ucum(row["unit"]),
    }


def _not_compared(name: str, limb: Limb, reason: str) -> Row:
    definition = DEFINITIONS[name]
    unit = "%" if definition.compare == "lsi" else definition.unit
    return {
        "measure": name,
        "kind": definition.compare,
        "limb": limb,
        "unit": _ucum(unit),
        "reason": reason,
    }


def _why_not_compared(one: StoredAnalysis, name: str, apart: float) -> str:
    """Say again what the record does not keep: times within one frame are not compared.

    A slowed clip's frames are closer together in real time than in the file, so what is within
    one of them is within one of these.
    """
    if DEFINITIONS[name].unit == "s" and abs(apart) < 1.0 / one.values["median_fps"]:
        return "the limbs differ by less than one frame"
    return "the clip's report says why"


def _is_by_hand(one: StoredAnalysis, finding: Row) -> bool:
    """Whether corrections changed what a finding is about: a rep's value, or the set's."""
    about = (finding["measure"], finding["limb"])
    if finding["rep"] is None:
        return about in one.by_hand
    return any(
        row["by_hand"] for row in one.tables["measure"]
        if (row["rep"], row["name"], row["limb"]) == (finding["rep"], *about)
    )  # fmt: skip


def _is_corrected(one: StoredAnalysis, finding: Row) -> bool:
    """Whether what a finding is about is corrected: a rep's value, or the set's."""
    name, limb, rep = finding["measure"], finding["limb"], finding["rep"]
    if rep is None:
        return bool(_as_read(one, name, limb)["corrected"])
    return (rep, name, limb) in one.corrected


def _finding(row: Row) -> Row:
    return {
        "finding": row["name"],
        "value_sd": row["sd"],
        "limit": row["limit_value"],
        "limit_source": row["source"],
        "unit": _ucum(row["unit"]),
        **{
            name: row[name]
            for name in ("measure", "rep", "verdict", "probability", "value", "text", "frames")
        },
    }


def _ucum(unit: str) -> str:
    return UCUM.get(unit, unit)


def _without(row: Row, *names: str) -> Row:
    return {name: value for name, value in row.items() if name not in names}


# --- one column per measure --------------------------------------------------------------------


def _wide_rows(
    one: StoredAnalysis, reps: dict[int, Row], surgical_side: Limb | None
) -> Iterator[Row]:
    for rep in one.tables["rep"]:
        measures = [row for row in one.tables["measure"] if row["rep"] == rep["number"]]
        for limb in (*rep["limbs"], *(("both",) if len(rep["limbs"]) == 2 else ())):
            wanted = {None} if limb == "both" else {limb}
            rows = [
                row for row in measures
                if row["limb"] in wanted or (row["limb"] is None and len(rep["limbs"]) == 1)
            ]  # fmt: skip
            role = side_name(None if limb == "both" else limb, surgical_side)
            yield {
                **reps[rep["number"]],
                "limb": limb,
                "limb_role": role,
                **_cells(rows),
                "measures_corrected": "; ".join(
                    r["name"]
                    for r in rows
                    if (rep["number"], r["name"], r["limb"]) in one.corrected
                )
                or None,
                "not_measurable": _missing(rows),
                "measures_by_hand": "; ".join(r["name"] for r in rows if r["by_hand"]) or None,
            }


def _cells(rows: list[Row]) -> Row:
    cells: Row = {}
    for row in rows:
        definition = DEFINITIONS.get(row["name"])
        if definition:  # an older program may have known others; they stay in the long table
            value, sd = wide_names(definition)
            cells |= {value: row["value"], sd: row["sd"]}
    return cells


def _missing(rows: list[Row]) -> str | None:
    return "; ".join(f"{row['name']}: {row['reason']}" for row in rows if row["reason"]) or None
