"""Analysis -> what a clip's page draws: landmarks as filmed, contacts, the knee's angle, reps.

Times are seconds as a player shows the clip. Nothing is measured here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from landing_analysis.camera.stabilisation import filmed_px
from landing_analysis.corrections import added_contact, are_swapped
from landing_analysis.definitions import DEFINITIONS, is_fppa, printed_unit
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.judging import COVERAGE
from landing_analysis.measures.aligned import aligned_curves
from landing_analysis.report import numbers, rep_tables
from landing_analysis.report.sheet import key_measure, target_of
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    Analysis,
    Contact,
    Event,
    FloatArray,
    Limb,
    Measure,
    Rep,
    other_limb,
)
from landing_analysis.wording import words_of

DRAWN = ("shoulder", "hip", "knee", "ankle", "heel", "toe")
"""Of each side, in the order of the points of a frame: left first."""
_SAME_S = 1e-3  # a time that went through words and clocks (choice)
_COLUMNS = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in DRAWN]


def clip_view(analysis: Analysis) -> dict[str, Any]:
    """Return everything that the page of a clip draws, as plain values.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    dict
        ``t_s`` per frame; ``points`` per frame 24 whole pixels (x and y of `DRAWN`, left limb
        first), None where not seen; ``contacts``, ``flights``, ``curve`` per limb, ``reps``.
    """
    clip = analysis.clip
    timed = analysis.decided.time_base.doubt is None
    return {
        "width": clip.width_px,
        "height": clip.height_px,
        "t_s": [round(float(t), 5) for t in clip.t_s],
        "drawn": list(DRAWN),
        "points": _points(analysis),
        "near_limb": analysis.view.near_limb,
        "surgical_side": analysis.decided.surgical_side,
        "swapped": are_swapped(analysis.corrections),
        "contacts": _contacts(analysis),
        "flights": [
            {"from_s": _at(f.take_off, analysis), "to_s": _at(f.landing, analysis)}
            for f in analysis.contacts.flights
        ],
        "curve": _curve(analysis),
        "reps": [_rep(rep, analysis, timed) for rep in analysis.reps.reps],
        "worst_rep": worst_rep(analysis),
        "key": key_measure(analysis),
        "summary": _summary(analysis),
    }


def _points(analysis: Analysis) -> list[list[int | None] | None]:
    tracks = analysis.tracks.xy_px
    moving = analysis.camera is not None and analysis.camera.state == "followed"
    drawn = tracks[:, _COLUMNS]
    if moving:
        frames = (filmed_px(analysis, tracks, frame)[_COLUMNS] for frame in range(len(tracks)))
        drawn = np.stack(list(frames))
    return [_whole(frame) for frame in drawn.reshape(len(drawn), -1)]


def _whole(values: FloatArray) -> list[int | None] | None:
    if not np.isfinite(values).any():
        return None
    return [round(float(value)) if math.isfinite(value) else None for value in values]


def _player_s(t_s: float, analysis: Analysis) -> float:
    return round(float(np.interp(t_s, analysis.tracks.t_s, analysis.clip.t_s)), 5)


def _at(event: Event | None, analysis: Analysis) -> float | None:
    return None if event is None else _player_s(event.t_s, analysis)


def _half_width(event: Event | None, analysis: Analysis) -> float | None:
    """Return half of the 95 % interval of an event, in seconds of the player."""
    if event is None:
        return None
    later = _player_s(event.t_s + COVERAGE * event.sd_s, analysis)
    return round(abs(later - _player_s(event.t_s, analysis)), 5)


def _contacts(analysis: Analysis) -> list[dict[str, Any]]:
    rep_of = {id(c): rep.number for rep in analysis.reps.reps for c in rep.contacts}
    return [
        {
            "limb": contact.limb,
            "anchor_s": _anchor_s(contact, analysis),
            "on_s": _at(contact.initial_contact, analysis),
            "on_reach_s": _half_width(contact.initial_contact, analysis),
            "on_by_hand": contact.initial_contact.by_hand,
            "off_s": _at(contact.toe_off, analysis),
            "off_reach_s": _half_width(contact.toe_off, analysis),
            "off_by_hand": contact.toe_off is not None and contact.toe_off.by_hand,
            "why_no_off": words_of(contact.toe_off_reason) or None,
            "rep": rep_of.get(id(contact)),
        }
        for contact in analysis.contacts.contacts
    ]


def _anchor_s(contact: Contact, analysis: Analysis) -> float:
    """Return by what time a contact is remembered: when the foot touched down as first found."""
    on_s = _player_s(contact.initial_contact.t_s, analysis)
    limb = model_limb(contact.limb, swapped=are_swapped(analysis.corrections))
    for one in analysis.corrections:
        if one.limb != limb or one.player_s is None or one.new is None:
            continue
        added = added_contact(one.new) if one.what == "contact" else None
        moved_s = float(one.new) if one.what == "initial contact" else added and added.on_s
        if moved_s is not None and abs(moved_s - on_s) < _SAME_S:
            return one.player_s
    return on_s


def _curve(analysis: Analysis) -> dict[str, Any] | None:
    angles = analysis.knee_angles
    if angles is None:
        return None
    return {
        "label": _ANGLE_WORDS[angles.kind],
        "deg": {limb: _tenths(deg) for limb, deg in angles.deg.items()},
    }


def curves_view(analysis: Analysis) -> dict[str, Any]:
    """Return the knee's angle around initial contact, to be laid over another clip's.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    dict
        ``after_s``; per limb in ``limbs`` the curve of each rep, and ``mean`` with ``low`` and
        ``high``, one standard deviation away; None where not seen. ``kind`` and ``label`` name
        the angle, ``slowed_by`` turns a player's seconds into real ones; ``why_not`` is a
        sentence where there is no curve.
    """
    base, found = analysis.decided.time_base, aligned_curves(analysis)
    why_not: str | None
    if analysis.knee_angles is None:
        why_not = "shows no knee angle from this view"
    elif base.doubt is not None:
        why_not = "plays at a speed that is in doubt, so its curves would be drawn out or squeezed"
    else:
        why_not = None if found else "has no landing of which the knee is seen"
    kind = analysis.knee_angles.kind if analysis.knee_angles else None
    return {
        "kind": kind,
        "label": _ANGLE_WORDS[kind] if kind else None,
        "slowed_by": base.slowed_by,
        "why_not": why_not,
        "after_s": [round(float(s), 3) for s in found[0].after_s] if found else [],
        "limbs": {
            one.limb: {
                "reps": {number: _tenths(deg) for number, deg in one.rep_deg.items()},
                "used": len(one.used),
                "mean": _tenths(one.mean_deg),
                "low": _tenths(one.mean_deg - one.sd_deg),
                "high": _tenths(one.mean_deg + one.sd_deg),
            }
            for one in found
        },
    }


_ANGLE_WORDS = {"fppa": "FPPA", "flexion": "knee flexion"}


def _tenths(deg: FloatArray) -> list[float | None]:
    return [round(float(v), 1) if math.isfinite(v) else None for v in deg]


def _rep(rep: Rep, analysis: Analysis, timed: bool) -> dict[str, Any]:
    landing = rep.flight.landing or rep.flight.take_off
    peak_s = None if rep.peak_flexion_s is None else _player_s(rep.peak_flexion_s, analysis)
    rows = [row for row in analysis.measures.measures if row.rep == rep.number]
    return {
        "number": rep.number,
        "exercise": _own_exercise(rep, analysis),
        "used": rep.used,
        "excluded": rep.excluded,
        "reason": words_of(rep.reason) or None,
        "landing_s": _at(landing, analysis),
        "peak_s": peak_s,
        "flags": rep_tables.rep_flags(analysis, rep),
        "measures": measure_rows(rows),
    }


def _own_exercise(rep: Rep, analysis: Analysis) -> str | None:
    """Name a rep's exercise where the clip holds several, and say where it is a rebound."""
    several = len({one.exercise for one in analysis.reps.reps}) > 1
    words = [EXERCISES[rep.exercise].name if several else "", "rebound" if rep.rebound else ""]
    return ", ".join(filter(None, words)) or None


def measure_rows(rows: Iterable[Measure]) -> list[dict[str, Any]]:
    """Return values as they are printed, with what they would be without a person's corrections."""
    return [
        {
            "name": row.name,
            "label": DEFINITIONS[row.name].label,
            "limb": row.limb,
            "value": None if row.value is None else numbers.value_words(row.value, row.name),
            "half_width": numbers.half_width_words(row.sd, row.name),
            "unit": printed_unit(row.name),
            "reason": words_of(row.reason) or None,
            "by_hand": row.by_hand,
            "found": numbers.value_words(row.found, row.name) if row.by_hand else None,
        }
        for row in rows
    ]


def _summary(analysis: Analysis) -> list[dict[str, Any]]:
    by_hand = rep_tables.measures_by_hand(analysis)
    return [
        {
            "name": row.name,
            "label": DEFINITIONS[row.name].label,
            "limb": row.limb,
            "value": numbers.value_words(row.mean, row.name),
            "half_width": numbers.half_width_words(row.mean_sd, row.name),
            "unit": printed_unit(row.name),
            "reps": row.reps_used,
            "by_hand": (row.name, row.limb) in by_hand,
        }
        for row in analysis.measures.summaries
    ]


def worst_rep(analysis: Analysis) -> int | None:
    """Return the rep to look at first: the used one farthest from what its view is filmed for.

    FPPA farthest from 0, peak flexion farthest from the target, among the landings that count;
    without either, and in an exercise that is not held against the target, the used rep with the
    most findings, else the first one.
    """
    name = key_measure(analysis)
    aim = 0.0 if is_fppa(name) else target_of(analysis) if name == "knee_flexion_peak" else None
    rows = [
        row for row in analysis.measures.measures
        if row.name == name and row.value is not None and row.of_set
    ]  # fmt: skip
    if rows and aim is not None:
        return max(rows, key=lambda row: abs((row.value or 0.0) - aim)).rep
    used = [rep for rep in analysis.reps.reps if rep.used] or list(analysis.reps.reps)
    if not used:
        return None
    return max(used, key=lambda rep: len(rep_tables.rep_flags(analysis, rep))).number


def changes(before: Analysis, after: Analysis) -> list[dict[str, Any]]:
    """Return the printed means of the set that differ between two analyses of one clip."""
    then = {(row["name"], row["limb"]): row for row in _summary(before)}
    now = {(row["name"], row["limb"]): row for row in _summary(after)}

    def words(row: dict[str, Any] | None) -> str:
        return "–" if row is None else f"{row['value']} ± {row['half_width']} {row['unit']}".strip()

    return [
        {
            "label": DEFINITIONS[name].label,
            "limb": limb,
            "before": words(then.get((name, limb))),
            "after": words(now.get((name, limb))),
        }
        for name, limb in dict.fromkeys((*then, *now))
        if words(then.get((name, limb))) != words(now.get((name, limb)))
    ]


def model_limb(limb: Limb, *, swapped: bool) -> Limb:
    """Return what the pose model calls a patient's limb."""
    other = other_limb(limb)
    return other if swapped else limb
