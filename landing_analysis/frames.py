"""The document of analysis.json -> pandas tables, one kind of row each; all use of pandas is here.

Numbers are numbers, and their unit is in the column's name or in a column ``unit``. ``X_sd``
is the standard uncertainty of ``X``. What is not known is NaN among numbers and ``<NA>``
elsewhere, never 0; ``reason`` then says why, and ``reason_code`` is the same as a code of
`landing_analysis.reasons`, missing in documents of versions that stored none. Times are seconds
of real time on the clip's own time base, missing while that is in doubt; frames count from 0;
left and right are the patient's own. A document keeps the names that its version of the program
gave to measures.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from landing_analysis.definitions import DEFINITIONS, value_columns
from landing_analysis.tables import Analysis, short_clip

if TYPE_CHECKING:
    import pandas as pd

Document = Mapping[str, Any]
"""What `report.documents.analysis_document` returns, or read back from analysis.json."""

_TEXT, _WHOLE, _NUMBER, _TRUTH, _LIST = "string", "Int64", "float64", "boolean", "object"
_ROW = dict[str, object]


def _frame(rows: Iterable[_ROW], columns: dict[str, str]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(list(rows), columns=list(columns)).astype(columns)


def _short(document: Document) -> str:
    return short_clip(document["clip"]["sha256"])


def _told(row: Mapping[str, Any], name: str = "reason") -> _ROW:
    return {"reason": row[name], "reason_code": row.get(f"{name}_code")}


# --- one value a row ---------------------------------------------------------------------------

_MEASURES = {
    "clip": _TEXT, "rep": _WHOLE, "exercise": _TEXT, "used": _TRUTH, "of_set": _TRUTH,
    "limb": _TEXT, "measure": _TEXT, "value": _NUMBER, "value_sd": _NUMBER, "unit": _TEXT,
    "reason": _TEXT, "reason_code": _TEXT, "foot_strike": _TEXT, "by_hand": _TRUTH,
    "found_value": _NUMBER, "corrected": _TRUTH, "reading": _NUMBER, "frames": _LIST,
}  # fmt: skip


def measures_frame(document: Document) -> pd.DataFrame:
    """Return every measure of every rep, one value a row.

    Parameters
    ----------
    document : Document

    Returns
    -------
    DataFrame
        ``limb`` is missing for a measure of the whole body. ``used`` is False where the rep
        is left out of the set's values, ``of_set`` where the value alone is, since the rep is
        seen in another view; take the mean over rows where both hold. A value is ``by_hand``
        where contacts or landmarks that a person set made it another than ``found_value``; it is
        ``corrected`` where what the pose model is known to miss was taken off ``reading``.
        ``frames`` is a tuple of the frames that the value was read from.
    """
    return _frame(
        (
            {
                "clip": _short(document),
                "rep": rep["number"],
                "exercise": rep["exercise"],
                "used": rep["used"],
                "of_set": row.get("of_set"),
                "limb": row["limb"],
                "measure": row["name"],
                "value": row["value"],
                "value_sd": row["sd"],
                "unit": row["unit"],
                **_told(row),
                "foot_strike": row.get("foot_strike"),
                "by_hand": row.get("by_hand", False),
                "found_value": row.get("found"),
                "corrected": row.get("reading") is not None,
                "reading": row.get("reading"),
                "frames": tuple(row["frames"]),
            }
            for rep in document["reps"]
            for row in rep["measures"]
        ),
        _MEASURES,
    )


# --- one rep and limb a row --------------------------------------------------------------------

_INSTANTS = ("initial_contact_s", "initial_contact_sd_s", "toe_off_s", "toe_off_sd_s")
_REP_FIRST = {
    "clip": _TEXT, "rep": _WHOLE, "exercise": _TEXT, "limb": _TEXT, "used": _TRUTH,
    "reason": _TEXT, "reason_code": _TEXT, **dict.fromkeys(_INSTANTS, _NUMBER),
}  # fmt: skip
_REP_LAST = {
    "foot_strike": _TEXT, "not_measurable": _TEXT, "by_hand": _TEXT, "corrected": _TEXT,
    "view": _TEXT, "view_yaw_deg": _NUMBER,
}  # fmt: skip


def reps_frame(document: Document) -> pd.DataFrame:
    """Return the reps, one rep and limb a row, each measure in a column with its unit in the name.

    Parameters
    ----------
    document : Document

    Returns
    -------
    DataFrame
        Measures of the whole body stand in a row of their own with limb ``both`` for jumps,
        and in the limb's row for hops. ``not_measurable`` names each measure of the row that
        has no value, with the reason; ``reason`` says why a rep is not used. ``by_hand`` names
        those that contacts or landmarks that a person set made others, ``corrected`` those from
        which the pose model's offset was taken off; `measures_frame` has them as read.
    """
    return _frame(_rep_rows(document), _rep_columns(document))


def _rep_columns(document: Document) -> dict[str, str]:
    values = (value_columns(name, told["unit"]) for name, told in document["definitions"].items())
    return {**_REP_FIRST, **{column: _NUMBER for pair in values for column in pair}, **_REP_LAST}


def _rep_rows(document: Document) -> Iterator[_ROW]:
    contacts = {(row["rep"], row["limb"]): row for row in reversed(document["contacts"])}
    for rep in document["reps"]:
        for limb in (*rep["limbs"], *(("both",) if len(rep["limbs"]) == 2 else ())):
            yield _rep_row(document, rep, limb, contacts.get((rep["number"], limb), {}))


def _rep_row(
    document: Document, rep: Mapping[str, Any], limb: str, contact: Mapping[str, Any]
) -> _ROW:
    wanted = {None} if limb == "both" else {limb} if len(rep["limbs"]) == 2 else {limb, None}
    rows = [row for row in rep["measures"] if row["limb"] in wanted]
    values: _ROW = {}
    for row in rows:
        column, sd_column = value_columns(row["name"], row["unit"])
        values |= {column: row["value"], sd_column: row["sd"]}
    missing = [f"{row['name']}: {row['reason']}" for row in rows if row["reason"]]
    return {
        "clip": _short(document),
        "rep": rep["number"],
        "exercise": rep["exercise"],
        "limb": limb,
        "used": rep["used"],
        **_told(rep),
        **{name: contact.get(name) for name in _INSTANTS},
        **values,
        "foot_strike": next(filter(None, (row.get("foot_strike") for row in rows)), None),
        "not_measurable": "; ".join(missing) or None,
        "by_hand": "; ".join(row["name"] for row in rows if row.get("by_hand")) or None,
        "corrected": "; ".join(r["name"] for r in rows if r.get("reading") is not None) or None,
        "view": rep.get("view"),
        "view_yaw_deg": rep.get("yaw_deg"),
    }


def reps_csv(document: Document) -> str:
    """Return `reps_frame` as CSV text: comma, dot, UTF-8, each column rounded as it deserves.

    An empty cell was not measurable or does not apply; ``used`` is yes or no.
    """
    columns = _rep_columns(document)
    decimals = {**dict.fromkeys(_INSTANTS, 4), "view_yaw_deg": 0}
    for item in DEFINITIONS.values():
        decimals |= dict.fromkeys(value_columns(item.name, item.unit), item.decimals + 1)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    for row in _rep_rows(document):
        row["used"] = "yes" if row["used"] else "no"
        writer.writerow(_cell(row.get(column), decimals.get(column)) for column in columns)
    return text.getvalue()


def _cell(value: Any, places: int | None) -> str:
    if value is None or value != value:
        return ""
    return str(value) if places is None else f"{value:.{places}f}"


# --- contacts, findings, notes -----------------------------------------------------------------

_CONTACTS = {
    "clip": _TEXT, "rep": _WHOLE, "limb": _TEXT,
    "initial_contact_s": _NUMBER, "initial_contact_sd_s": _NUMBER,
    "initial_contact_frame": _WHOLE,
    "toe_off_s": _NUMBER, "toe_off_sd_s": _NUMBER, "toe_off_frame": _WHOLE,
    "reason": _TEXT, "reason_code": _TEXT,
    "toe_contact_s": _NUMBER, "toe_contact_sd_s": _NUMBER,
    "heel_contact_s": _NUMBER, "heel_contact_sd_s": _NUMBER,
}  # fmt: skip


def contacts_frame(document: Document) -> pd.DataFrame:
    """Return each foot's contacts with the ground, one a row; ``reason`` is why no toe-off."""
    return _frame(
        (
            {**row, "clip": _short(document), **_told(row, "toe_off_reason")}
            for row in document["contacts"]
        ),
        _CONTACTS,
    )


_FINDINGS = {
    "clip": _TEXT, "finding": _TEXT, "measure": _TEXT, "limb": _TEXT, "rep": _WHOLE,
    "verdict": _TEXT, "probability": _NUMBER, "value": _NUMBER, "value_sd": _NUMBER,
    "limit": _NUMBER, "unit": _TEXT, "text": _TEXT, "limit_source": _TEXT, "frames": _LIST,
}  # fmt: skip


def findings_frame(document: Document) -> pd.DataFrame:
    """Return each value held against a limit, one a row; ``rep`` is missing for a set's mean.

    A verdict describes a number. It diagnoses nobody and clears nobody.
    """
    return _frame(
        (
            {
                "probability": None,  # of versions that stored none
                **row,
                "clip": _short(document),
                "finding": row["name"],
                "value_sd": row["sd"],
                "limit_source": row["source"],
                "frames": tuple(row["frames"]),
            }
            for row in document["findings"]
        ),
        _FINDINGS,
    )


_NOTES = {
    "clip": _TEXT, "check": _TEXT, "state": _TEXT, "reason": _TEXT, "reason_code": _TEXT,
}  # fmt: skip


def notes_frame(document: Document) -> pd.DataFrame:
    """Return what the clip's making costs the numbers, one remark a row.

    Documents of versions that stored no codes have one row a check.
    """
    return _frame(
        (
            {
                "clip": _short(document),
                "check": note["check"],
                "state": note["state"],
                "reason": remark["text"],
                "reason_code": remark.get("code"),
            }
            for note in document["quality"]
            for remark in _remarks(note)
        ),
        _NOTES,
    )


def _remarks(note: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    remarks = note.get("remarks") or [{}]
    return remarks if all("text" in one for one in remarks) else [{"text": note["text"]}]


_BOUTS = {
    "clip": _TEXT, "bout": _WHOLE, "exercise": _TEXT, "confidence": _NUMBER, "reps": _WHOLE,
    "reps_used": _WHOLE, "start_s": _NUMBER, "end_s": _NUMBER,
}  # fmt: skip


def bouts_frame(document: Document) -> pd.DataFrame:
    """Return the bouts of a clip, each of one exercise without a pause, one a row.

    ``confidence`` is how sure the exercise is, 0 to 1, and 1 where a person named it. Documents
    of versions that told no bouts apart have none.
    """
    used = {rep["number"] for rep in document["reps"] if rep["used"]}
    return _frame(
        (
            {
                "clip": _short(document),
                "bout": bout["number"],
                **{key: bout[key] for key in ("exercise", "confidence", "start_s", "end_s")},
                "reps": len(bout["reps"]),
                "reps_used": len(used.intersection(bout["reps"])),
            }
            for bout in document.get("bouts", ())
        ),
        _BOUTS,
    )


# --- frame by frame ----------------------------------------------------------------------------

_ANGLES = {
    "clip": _TEXT, "frame": _WHOLE, "t_s": _NUMBER, "limb": _TEXT, "angle": _TEXT,
    "angle_deg": _NUMBER,
}  # fmt: skip


def knee_angles_frame(analysis: Analysis) -> pd.DataFrame:
    """Return the knee's angle in every frame, for drawing; no measure is read from it.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        One frame and limb a row. ``angle`` is ``flexion`` of the near limb in a side view
        (0 is straight) and ``fppa`` of both in a front or back view (positive: the knee
        medial), NaN where it is not seen; no row in an oblique view. ``t_s`` is on the same
        clock as contacts.
    """
    timed = analysis.decided.time_base.doubt is None
    n_frames = len(analysis.tracks.t_s)
    t_s = analysis.tracks.t_s if timed else np.full(n_frames, np.nan)
    found = [analysis.knee_angles] if analysis.knee_angles else []
    return _frame(
        (
            {
                "clip": short_clip(analysis.clip.sha256),
                "frame": number,
                "t_s": at_s,
                "limb": limb,
                "angle": angles.kind,
                "angle_deg": deg,
            }
            for angles in found
            for limb, by_frame in angles.deg.items()
            for number, (at_s, deg) in enumerate(zip(t_s, by_frame, strict=True))
        ),
        _ANGLES,
    )
