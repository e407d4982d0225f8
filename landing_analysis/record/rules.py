"""What each value of the record may be, wherever the row comes from.

The schema says which values are there and how rows hang together; these rules say what they
are: codes, dates, definitions, finite numbers, places of reports, and what inner JSON holds.
Columns without a rule of their own go by their type.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import Any, get_args

from landing_analysis.corrections import clean_reason, makes_sense
from landing_analysis.definitions import DEFINITIONS
from landing_analysis.errors import PatientError, SessionError
from landing_analysis.exercises import EXERCISES
from landing_analysis.patients import STATURE_RANGE_M, Patient, doubt_about, require_code
from landing_analysis.reasons import Code
from landing_analysis.record.migrations import EARLIER_CORRECTED
from landing_analysis.sessions.session import plain_of, session_of, text_of
from landing_analysis.tables import (
    LIMBS,
    VIEWS,
    BodySize,
    Corrected,
    FootStrike,
    LegPart,
    QualityState,
    Verdict,
)

_FIRST_YEAR, _LAST_YEAR = 1900, 2200  # of anything dated here; a camera's clock may be far off
_LARGEST = 1e12  # far beyond any number of a landing, and its square is still finite (choice)
_LARGEST_ID = 2**53  # ids go on from there, and JSON readers keep such numbers exact (choice)
_DEEPEST = 20  # levels of inner JSON; settings have three (choice)
_LONGEST_SHOWN = 60

_SHA256 = re.compile(r"[0-9a-f]{64}")
_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_MOMENT = re.compile(
    r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d(:\d\d)?)", re.ASCII
)
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")  # all but tabulator and new line


@dataclass(frozen=True)
class Rule:
    """What one value may be, in code and in words; whether it may be missing the schema says."""

    holds: Callable[[Any], bool]
    words: str


def fault_in(
    table: str, row: Mapping[str, Any], kinds: Mapping[str, str], is_report: Callable[[str], bool]
) -> str | None:
    """Say what is wrong with a row, None when nothing is.

    Parameters
    ----------
    table : of the record
    row : its values by column
    kinds : SQLite's type of each column
    is_report : tells whether a stored place may be a report's

    Returns
    -------
    str or None
        One clause: the column, its value, and what it should be.
    """
    for column, value in row.items():
        rule = _RULES.get((table, column), _BY_TYPE[kinds[column]])
        if value is not None and not _holds(rule, value):
            return f"{column} is {_shown(value)}, not {rule.words}"
    if table == "analysis" and row.get("report") is not None and not is_report(row["report"]):
        return (
            f"report is {_shown(row['report'])}, not a place below the reports (when reports have "
            "a folder of their own, name it with --reports)"
        )
    if table == "correction":
        return _fault_in_correction(row)
    return _fault_in_value(row) if table in ("measure", "summary") else None


def _fault_in_correction(row: Mapping[str, Any]) -> str | None:
    """Hold the words of a correction against what it is about."""
    what = row.get("what")
    for column in ("old", "new"):
        value = row.get(column)
        if value is None:
            continue
        if what in _PLACES:
            if not _holds(_PLACES[what], value):
                return f"{column} is {_shown(value)}, not {_PLACES[what].words}"
        elif not _is_text(value) or not makes_sense(str(what), value):
            return f"{column} is {_shown(value)}, which no {_shown(what)} can be set to"
    return None


def _holds(rule: Rule, value: object) -> bool:
    try:
        return rule.holds(value)
    except (ValueError, TypeError, OverflowError, RecursionError, PatientError, SessionError):
        return False


def _shown(value: object) -> str:
    text = ascii(value)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


def _fault_in_value(row: Mapping[str, Any]) -> str | None:
    """Hold a measure against its definition."""
    definition = DEFINITIONS.get(row.get("name", ""))
    if definition is None:
        return None
    if row.get("unit") != definition.unit:
        return f"unit of {definition.name} is {_shown(row.get('unit'))}, not {definition.unit!r}"
    column = "value" if "value" in row else "mean"
    value = row.get(column)
    if definition.unit in ("s", "m") and value is not None and value < 0:
        return f"{column} of {definition.name} is {_shown(value)}, not a number from 0"
    return None


# --- kinds of values ---------------------------------------------------------------------------


def _is_number(value: object, low: float = -_LARGEST, high: float = _LARGEST) -> bool:
    is_one = isinstance(value, (int, float)) and not isinstance(value, bool)
    return is_one and low <= value <= high  # type: ignore[operator]  # NaN is in no range


def _is_whole(value: object, low: float, high: float) -> bool:
    return isinstance(value, int) and _is_number(value, low, high)


def _number(low: float = -_LARGEST, high: float = _LARGEST) -> Rule:
    return Rule(lambda value: _is_number(value, low, high), f"a number from {low:g} to {high:g}")


def _whole(low: int = -(2**53), high: int = 2**53) -> Rule:
    return Rule(lambda value: _is_whole(value, low, high), f"a whole number from {low} to {high}")


def _one_of(*names: str) -> Rule:
    return Rule(lambda value: value in names, f"one of: {', '.join(names)}")


def _is_text(value: object) -> bool:
    return isinstance(value, str) and not _CONTROL.search(value)


_TEXT = Rule(_is_text, "text without control characters")
_NAME = Rule(lambda value: _is_text(value) and bool(value.strip()), "text that says something")
_FILE = Rule(
    lambda value: _is_text(value) and value not in ("", ".", "..") and "/" not in value,
    "the name of a file",
)
_BY_TYPE = {"TEXT": _TEXT, "REAL": _number(), "INTEGER": _whole(), "BLOB": _TEXT}

_ID = _whole(1, _LARGEST_ID)
_COUNT = _whole(0)
_YES = _whole(0, 1)
_SD = _number(0)
_LIMB = _one_of(*LIMBS)
_MEASURE = Rule(lambda value: value in DEFINITIONS, "the name of a measure")
_STATURE = _number(*STATURE_RANGE_M)
_HASH = Rule(lambda value: bool(_SHA256.fullmatch(value)), "64 hexadecimal digits of a sha256")


def _is_code(value: str) -> bool:
    require_code(value)
    return True


def _is_day(value: str) -> bool:
    in_form = _DAY.fullmatch(value) is not None
    return in_form and _FIRST_YEAR <= date.fromisoformat(value).year <= _LAST_YEAR


def _is_surgery(value: str) -> bool:
    Patient("P1", surgery_date=date.fromisoformat(value))
    return _is_day(value)


def _is_moment(value: str) -> bool:
    in_form = _MOMENT.fullmatch(value) is not None
    return in_form and _FIRST_YEAR <= datetime.fromisoformat(value).year <= _LAST_YEAR


def _is_neutral_code(value: str) -> bool:
    return _is_code(value) and doubt_about(value) is None


_WHO = Rule(_is_neutral_code, "a code that tells nothing, such as T1")
_REASON = Rule(
    lambda value: _is_text(value) and clean_reason(value) == value, "a reason of one line"
)
_LINE = Rule(lambda value: text_of(value, "note") == value, "one line of text")
_CODE = Rule(_is_code, "a patient's code such as P07")
_DATE = Rule(_is_day, f"a day YYYY-MM-DD from {_FIRST_YEAR} to {_LAST_YEAR}")
_SURGERY = Rule(_is_surgery, "the day of a surgery, YYYY-MM-DD")
_PLACES = {"patient": _CODE, "date": _DATE}
"""What a clip is set to that only the record goes by."""

_TIME = Rule(_is_moment, "a time with its zone, such as 2026-03-04T10:11:12+01:00")


# --- inner JSON --------------------------------------------------------------------------------


def _no_number(text: str) -> float:
    raise ValueError(text)


def _json(holds: Callable[[Any], bool], words: str) -> Rule:
    def is_such(value: str) -> bool:
        inside = json.loads(value, parse_constant=_no_number)
        return _is_plain(inside) and holds(inside)

    return Rule(is_such, f"JSON of {words}")


def _is_plain(value: object, deep: int = _DEEPEST) -> bool:
    """Return whether a JSON value is not too deep, and its numbers finite and texts text."""
    if isinstance(value, (dict, list)):
        inside = [*value, *value.values()] if isinstance(value, dict) else value
        return deep > 0 and all(_is_plain(item, deep - 1) for item in inside)
    return value is None or _is_text(value) or isinstance(value, bool) or _is_number(value)


def _is_part(value: object) -> bool:
    if not isinstance(value, dict) or set(value) != {"name", "sd"}:
        return False
    return _is_text(value["name"]) and (value["sd"] is None or _is_number(value["sd"], 0))


def _is_body(value: object) -> bool:
    if not isinstance(value, dict) or set(value) != {part.name for part in fields(BodySize)}:
        return False
    return all(number is None or _is_number(number, 0.001, 1000) for number in value.values())


def _is_session(value: dict[str, Any]) -> bool:
    return plain_of(session_of(value)) == value


def _is_bout(value: object) -> bool:
    """Whether an exercise, how sure it is, numbers of reps and two times are named."""
    keys = {"exercise", "confidence", "reps", "start_s", "end_s"}
    if not isinstance(value, dict) or set(value) != keys:
        return False
    times_s = (value["start_s"], value["end_s"])
    return (
        value["exercise"] in tuple(EXERCISES)
        and _is_number(value["confidence"], 0, 1)
        and _is_list(value["reps"], lambda rep: _is_whole(rep, 1, _LARGEST_ID))
        and all(at_s is None or _is_number(at_s) for at_s in times_s)
    )


def _is_list(value: object, holds: Callable[[Any], bool]) -> bool:
    return isinstance(value, list) and all(map(holds, value))


_FRAMES = _json(
    lambda value: _is_list(value, lambda frame: _is_whole(frame, 0, _LARGEST_ID)),
    "a list of frame numbers",
)
_PARTS = _json(lambda value: _is_list(value, _is_part), "a list of parts with name and sd")
_LIMBS_JSON = _json(
    lambda value: _is_list(value, LIMBS.__contains__) and len(set(value)) == len(value),
    "a list of limbs",
)
_OBJECT = _json(lambda value: isinstance(value, dict), "an object")
_BODY = _json(
    lambda value: value is None or _is_body(value),
    "a body: four numbers from 0.001 to 1000, or none",
)
_BOUTS = _json(lambda value: _is_list(value, _is_bout), "a list of bouts with their reps")
_OBJECTS = _json(
    lambda value: _is_list(value, lambda item: isinstance(item, dict)), "a list of objects"
)


_SESSION = _json(lambda value: isinstance(value, dict) and _is_session(value), "a session")
_EXERCISE = Rule(lambda value: value in tuple(EXERCISES), "the code of an exercise")
_CODES = _json(
    lambda value: _is_list(value, lambda code: code in set(Code)), "a list of reason codes"
)
_REASON_CODE = Rule(lambda value: value in tuple(Code), "the code of a reason")


# --- which value is what -----------------------------------------------------------------------

_ORIGIN = _one_of("detected", "given")
_EXERCISE_ORIGIN = _one_of("detected", "given", "plan")
_EVENTS = ("initial_contact", "toe_off", "toe_contact", "heel_contact")
_OF: dict[str, dict[str, Rule]] = {
    "patient": {
        "code": _CODE, "surgical_side": _LIMB, "surgery_date": _SURGERY, "stature_m": _STATURE,
        "added_at": _TIME, "description_sha256": _HASH, "invented": _YES,
    },
    "visit": {"patient_id": _ID, "date": _DATE},
    "clip": {
        "visit_id": _ID, "sha256": _HASH, "file": _FILE, "recorded_at": _TIME,
        "recorded_from": _NAME, "width_px": _whole(1), "height_px": _whole(1), "frames": _COUNT,
        "duration_s": _number(0), "median_fps": _number(1e-3, 1e6), "mirrored": _YES,
    },
    "correction": {
        "clip_id": _ID, "what": _one_of(*get_args(Corrected), EARLIER_CORRECTED),
        "rep": _whole(1),
        "reason": _REASON, "made_by": _WHO, "made_at": _TIME, "limb": _LIMB,
        "part": _one_of(*get_args(LegPart)), "player_s": _number(0), "undoes": _ID,
    },
    "remark": {
        "patient_id": _ID, "date": _DATE, "clip_id": _ID, "rep": _whole(1),
        "kind": _one_of("note", "reviewed"), "text": _NAME, "made_by": _WHO, "made_at": _TIME,
    },
    "session": {
        "patient_id": _ID, "date": _DATE, "content": _SESSION, "file_sha256": _HASH,
        "made_by": _WHO, "made_at": _TIME,
    },
    "tick": {
        "patient_id": _ID, "exercise": _EXERCISE, "date": _DATE, "ticked": _YES, "note": _LINE,
        "made_by": _WHO, "made_at": _TIME,
    },
    "analysis": {
        "clip_id": _ID, "schema_version": _whole(1), "analysed_at": _TIME, "version": _NAME,
        "model_name": _NAME, "model_sha256": _HASH, "settings": _OBJECT, "limits": _OBJECTS,
        "body": _BODY,
        "made_by": _NAME, "exercise": _EXERCISE, "task": _EXERCISE,
        "exercise_origin": _EXERCISE_ORIGIN, "task_origin": _ORIGIN,
        "exercise_confidence": _number(0, 1), "bouts": _BOUTS,
        "view": _one_of(*VIEWS), "view_origin": _ORIGIN,
        "view_yaw_deg": _number(-360, 360), "view_yaw_sd_deg": _SD, "near_limb": _LIMB,
        "limb": _LIMB, "surgical_side": _LIMB, "stature_m": _STATURE,
        "target_flexion_deg": _number(0, 180), "people": _COUNT, "patient_number": _COUNT,
    },
    "rep": {
        "analysis_id": _ID, "number": _whole(1), "exercise": _EXERCISE,
        "task": _EXERCISE, "limbs": _LIMBS_JSON,
        "used": _YES, "bound": _YES, "excluded": _YES, "reason": _NAME,
        "rebound": _YES, "view": _one_of(*VIEWS),
        "reason_code": _REASON_CODE, "take_off_sd_s": _SD, "landing_sd_s": _SD,
    },
    "contact": {
        "analysis_id": _ID, "limb": _LIMB, "rep": _whole(1), "initial_contact_frame": _COUNT,
        "by_hand": _YES,
        "toe_off_frame": _COUNT, "toe_off_reason": _NAME,
        "toe_off_reason_code": _REASON_CODE,
        **{f"{event}_sd_s": _SD for event in _EVENTS},
    },
    "measure": {
        "analysis_id": _ID, "rep": _whole(1), "name": _MEASURE, "limb": _LIMB, "sd": _SD,
        "reason": _NAME, "reason_code": _REASON_CODE,
        "foot_strike": _one_of(*get_args(FootStrike)), "frames": _FRAMES,
        "parts": _PARTS, "by_hand": _YES,
    },
    "summary": {
        "analysis_id": _ID, "name": _MEASURE, "limb": _LIMB, "reps_used": _whole(1),
        "mean_sd": _SD, "sd": _SD, "fatigue_sd": _SD, "parts": _PARTS,
    },
    "comparison": {
        "analysis_id": _ID, "name": _MEASURE, "kind": _one_of("lsi", "difference"), "limb": _LIMB,
        "sd": _SD, "unit": _NAME, "parts": _PARTS,
    },
    "finding": {
        "analysis_id": _ID, "name": _NAME, "measure": _MEASURE, "limb": _LIMB,
        "side": _one_of("surgical", "non-surgical"), "rep": _whole(1),
        "verdict": _one_of(*get_args(Verdict)), "probability": _number(0, 1), "sd": _SD,
        "unit": _NAME, "frames": _FRAMES,
    },
    "quality": {
        "analysis_id": _ID, "check_name": _NAME, "state": _one_of(*get_args(QualityState)),
        "codes": _CODES,
    },
}  # fmt: skip
_RULES = {
    (table, column): rule
    for table, columns in _OF.items()
    for column, rule in {"id": _ID, **columns}.items()
}
