"""Analysis -> analysis.json: every number again, for machines. All tables are made from it."""

from __future__ import annotations

import json
import math
import re
from dataclasses import asdict, fields

import numpy as np

from landing_analysis.corrections import landing_s
from landing_analysis.definitions import CAUTIONS, DEFINITIONS, INTENDED_USE
from landing_analysis.findings.judging import foot_strike
from landing_analysis.measures.summaries import summarise_bout
from landing_analysis.reasons import Reason, as_plain
from landing_analysis.tables import (
    Analysis,
    Bout,
    Contact,
    Event,
    Finding,
    Flight,
    Limb,
    Measure,
    Note,
    Rep,
)
from landing_analysis.wording import note_words, words_of

SCHEMA_VERSION = 4
"""Of analysis.json: raised when a key changes its meaning or goes, not when one is added.

4: a verdict goes by its probability, of 95 % where nothing else is set, and no longer by whether
the limit lies in the 95 % interval; FPPA may be corrected, `reading` being what it was before.
"""

_NUMBER_LIST = re.compile(r"\[[\d,\s]+\]")
"""A list of frame numbers, which reads better on one line."""

_OWN_PLACE = ("t_s", "notes", "file")
"""Of a clip: what stands elsewhere in the document, and its name, which may tell who it is."""


def side_name(limb: Limb | None, surgical_side: Limb | None) -> str | None:
    """Return ``surgical`` or ``non-surgical``, None when either is not known."""
    if limb is None or surgical_side is None:
        return None
    return "surgical" if limb == surgical_side else "non-surgical"


# --- analysis.json ---------------------------------------------------------------------------


def analysis_document(analysis: Analysis) -> dict[str, object]:
    """Return everything known about a clip as plain values.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    dict
        As described in ``data/analysis.schema.json``: times in seconds of real time from the
        clip's own first time (its presentation times, unless it was slowed), None while
        the time base is in doubt, frames numbered from 0, None where a value is not
        known. Per-frame landmarks are not in it; they have their own file.
    """
    document = {
        "schema_version": SCHEMA_VERSION,
        "intended_use": INTENDED_USE,
        "cautions": list(CAUTIONS),
        "clip": _clip(analysis),
        "decided": _decided(analysis),
        "contacts": [_contact(contact, analysis) for contact in analysis.contacts.contacts],
        "flights": [_flight(flight, analysis) for flight in analysis.contacts.flights],
        "reps": [_rep(rep, analysis) for rep in analysis.reps.reps],
        "bouts": [_bout(bout, analysis) for bout in analysis.reps.bouts],
        "summaries": [asdict(summary) for summary in analysis.measures.summaries],
        "comparisons": [asdict(comparison) for comparison in analysis.measures.comparisons],
        "not_compared": [
            {"name": item.name, **_told("reason", item.reason)}
            for item in analysis.measures.not_compared
        ],
        "findings": [_finding(finding) for finding in analysis.findings],
        "limits": [asdict(limit) for limit in analysis.limits],
        "body": asdict(analysis.body) if analysis.body else None,
        "quality": [_note(note) for note in analysis.notes],
        "corrections": [asdict(correction) for correction in analysis.corrections],
        "definitions": {name: _definition(name) for name in DEFINITIONS},
        "provenance": asdict(analysis.provenance),
    }
    return {key: _plain(value) for key, value in document.items()}


def analysis_json(document: dict[str, object]) -> str:
    """Return the document of `analysis_document` as JSON text."""
    text = json.dumps(document, indent=1, allow_nan=False)
    return _NUMBER_LIST.sub(lambda found: " ".join(found[0].split()), text) + "\n"


def _plain(value: object) -> object:
    """Turn tuples into lists and numbers that are not finite into None."""
    if value is None or type(value) in (str, int, bool):  # most of a document
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value


def _clip(analysis: Analysis) -> dict[str, object]:
    clip = analysis.clip
    facts = {f.name: getattr(clip, f.name) for f in fields(clip) if f.name not in _OWN_PLACE}
    return {**facts, "first_frame_s": float(clip.t_s[0]) if clip.frames else None}


def _decided(analysis: Analysis) -> dict[str, object]:
    decided = analysis.decided
    base = decided.time_base
    return {
        **{f.name: getattr(decided, f.name) for f in fields(decided)},
        **_told("patient_reason", decided.patient_reason),
        "occasion": asdict(decided.occasion),
        "time_base": {
            "slowed_by": base.slowed_by, "origin": base.origin, **_told("doubt", base.doubt),
        },
        **_told("view_reason", analysis.view.reason),
        "near_limb": analysis.view.near_limb,
    }  # fmt: skip


def _told(name: str, reason: Reason | None) -> dict[str, object]:
    """Return a reason in words, and its code with its numbers; None where there is none."""
    return {
        name: words_of(reason) or None,
        f"{name}_code": str(reason.code) if reason else None,
        f"{name}_numbers": dict(reason.numbers) if reason else None,
    }


def _note(note: Note) -> dict[str, object]:
    remarks = [{**(as_plain(remark) or {}), "text": words_of(remark)} for remark in note.remarks]
    return {
        "check": note.check, "state": note.state, "text": note_words(note), "remarks": remarks
    }  # fmt: skip


def _event(name: str, event: Event | None, analysis: Analysis) -> dict[str, object]:
    """Return when something happened, nothing while the time base is in doubt."""
    timed = event if analysis.decided.time_base.doubt is None else None
    return {
        f"{name}_s": timed.t_s if timed else None,
        f"{name}_sd_s": timed.sd_s if timed else None,
    }


def _frame_of(event: Event | None, analysis: Analysis) -> int | None:
    return int(np.argmin(np.abs(analysis.tracks.t_s - event.t_s))) if event else None


def _contact(contact: Contact, analysis: Analysis) -> dict[str, object]:
    rep = next((rep.number for rep in analysis.reps.reps if contact in rep.contacts), None)
    return {
        "limb": contact.limb,
        **_event("initial_contact", contact.initial_contact, analysis),
        "initial_contact_frame": _frame_of(contact.initial_contact, analysis),
        **_event("toe_off", contact.toe_off, analysis),
        "toe_off_frame": _frame_of(contact.toe_off, analysis),
        **_told("toe_off_reason", contact.toe_off_reason),
        **_event("toe_contact", contact.toe_contact, analysis),
        **_event("heel_contact", contact.heel_contact, analysis),
        "by_hand": [
            name
            for name, event in (
                ("initial_contact", contact.initial_contact),
                ("toe_off", contact.toe_off),
            )
            if event is not None and event.by_hand
        ],
        "rep": rep,
    }


def _flight(flight: Flight, analysis: Analysis) -> dict[str, object]:
    return {
        **_event("take_off", flight.take_off, analysis),
        **_event("landing", flight.landing, analysis),
        "take_off_limbs": flight.take_off_limbs,
        "landing_limbs": flight.landing_limbs,
        "unseen_limbs": flight.unseen_limbs,
    }


def _rep(rep: Rep, analysis: Analysis) -> dict[str, object]:
    timed = analysis.decided.time_base.doubt is None
    return {
        "number": rep.number,
        "exercise": rep.exercise,
        "limbs": rep.limbs,
        "used": rep.used,
        **_told("reason", rep.reason),
        "excluded": rep.excluded,
        "rebound": rep.rebound,
        "player_s": landing_s(rep, analysis.clip.t_s, analysis.tracks.t_s),
        "view": rep.view,
        "yaw_deg": rep.yaw_deg,
        "flight": _flight(rep.flight, analysis),
        "peak_flexion_s": rep.peak_flexion_s if timed else None,
        "measures": [_measure(row) for row in rep_measures(analysis, rep)],
    }


def _bout(bout: Bout, analysis: Analysis) -> dict[str, object]:
    timed = analysis.decided.time_base.doubt is None
    measures, reps = analysis.measures, analysis.reps.reps
    alone = len(analysis.reps.bouts) == 1
    summaries = (
        measures.summaries
        if alone
        else summarise_bout(bout, reps, analysis.view.view, measures.measures)
    )
    return {
        **asdict(bout),
        "start_s": bout.start_s if timed else None,
        "end_s": bout.end_s if timed else None,
        "summaries": [asdict(row) for row in summaries],
    }


def _measure(row: Measure) -> dict[str, object]:
    strike = foot_strike(row)
    return {
        **({"foot_strike": strike} if strike else {}),
        "name": row.name,
        "limb": row.limb,
        "value": row.value,
        "unit": row.unit,
        "sd": row.sd,
        "reading": row.reading,
        **_told("reason", row.reason),
        "of_set": row.of_set,
        **({"by_hand": True, "found": row.found} if row.by_hand else {}),
        "frames": row.frames,
        "uncertainty_parts": [asdict(part) for part in row.parts],
    }


def _finding(finding: Finding) -> dict[str, object]:
    return asdict(finding)


def _definition(name: str) -> dict[str, object]:
    definition = DEFINITIONS[name]
    return {
        "label": definition.label,
        "unit": definition.unit,
        "meaning": definition.meaning,
        "source": definition.source,
        "limits": definition.limits,
    }


def rep_measures(analysis: Analysis, rep: Rep) -> tuple[Measure, ...]:
    """Return the rows of one rep."""
    return tuple(row for row in analysis.measures.measures if row.rep == rep.number)
