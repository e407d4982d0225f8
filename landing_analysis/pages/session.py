"""What was entered of a visit, its dose, and published rules beside it: the session on a page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from landing_analysis.definitions import CAUTIONS, DEFINITIONS
from landing_analysis.findings.judging import COVERAGE
from landing_analysis.pages.history import History
from landing_analysis.pages.leading import Leading
from landing_analysis.pages.words import (
    Amount,
    amount,
    day_words,
    exercise_words,
    limb_role,
)
from landing_analysis.record.sessions import SavedSession
from landing_analysis.sessions.dose import ExerciseDose, SetDose
from landing_analysis.sessions.published import (
    EFFUSION_GRADING,
    EFFUSION_SOURCE,
    RULES,
    RULES_SOURCE,
    Quoted,
    warnings_in,
)
from landing_analysis.sessions.session import EFFUSION_GRADES, MOMENT_WORDS, MOMENTS, Session
from landing_analysis.sessions.wording import exercise_name, prescribed_words
from landing_analysis.tables import LIMBS, Limb, other_limb
from landing_analysis.trend.changes import best_family

_MOST_EARLIER = 3  # visits beside which a day's symptoms are set (choice)
_NONE = "–"


@dataclass(frozen=True)
class SymptomRow:
    """One thing that was asked, at each moment of `MOMENTS`."""

    name: str
    values: tuple[str, ...]


@dataclass(frozen=True)
class DoseRow:
    """One exercise: what was prescribed, and what was filmed of it."""

    exercise: str
    prescribed: str
    filmed: str
    rest: str
    contacts: str
    pace: str


@dataclass(frozen=True)
class BesideRow:
    """One visit: the worst that was noted, the dose, and the leading measure of each limb."""

    day: str
    is_this: bool
    pain: str
    effusion: str
    confidence: str
    contacts: str
    lead: Amount | None
    other: Amount | None


@dataclass(frozen=True)
class QuotedRow:
    """One line of a published table, and when what it speaks of was noted."""

    what: str
    says: str
    noted: str


@dataclass(frozen=True)
class SessionPart:
    """What a visit's page shows of its session; ``saved`` is None where nothing was entered."""

    saved: str | None
    symptoms: tuple[SymptomRow, ...]
    moments: tuple[str, ...]
    lines: tuple[tuple[str, str], ...]
    doses: tuple[DoseRow, ...]
    total: str
    beside: tuple[BesideRow, ...]
    beside_words: str
    grading: tuple[QuotedRow, ...]
    grading_source: str
    rules: tuple[QuotedRow, ...]
    rules_source: str


def warning_words(session: Session) -> tuple[str, str] | None:
    """Return what a page leads with when pain, swelling or distress of the joint was noted.

    The caution, and what was noted.
    """
    found = warnings_in(session)
    if not found:
        return None
    noted = f"Noted at this visit: {'; '.join(found)}. What follows is the clinician's decision."
    return CAUTIONS[0], noted


def session_part(history: History, day: date, chosen: Leading | None) -> SessionPart | None:
    """Return a day's session, None where nothing was entered and nothing was filmed.

    Parameters
    ----------
    history : of the patient
    day : of the visit
    chosen : the measure that the first sheet is about
    """
    saved, doses = history.sessions.get(day), history.dose(day)
    if saved is None and not any(dose.sets for dose in doses):
        return None
    session = history.session(day)
    asked = session.states != {}
    return SessionPart(
        saved=_saved_words(saved) if saved else None,
        symptoms=_symptoms(session) if asked else (),
        moments=tuple(MOMENT_WORDS[moment] for moment in MOMENTS),
        lines=_lines(session),
        doses=tuple(map(_dose_row, doses)),
        total=_total(doses),
        beside=_beside(history, day, chosen),
        beside_words=_beside_words(history, chosen),
        grading=_quoted(EFFUSION_GRADING, session) if asked else (),
        grading_source=EFFUSION_SOURCE,
        rules=_quoted(RULES, session) if asked else (),
        rules_source=RULES_SOURCE,
    )


def _saved_words(saved: SavedSession) -> str:
    who = f" by {saved.by}" if saved.by else ""
    return f"As entered on {saved.at[:10]}{who}; earlier versions stay in the record."


def _symptoms(session: Session) -> tuple[SymptomRow, ...]:
    states = [session.state(moment) for moment in MOMENTS]
    rows = (
        ("Pain, 0 to 10", [state.pain for state in states]),
        ("Effusion, grade of the stroke test", [state.effusion for state in states]),
        ("Soreness", [state.soreness for state in states]),
        ("Confidence in the knee, 0 to 10", [state.confidence for state in states]),
        ("Distress of the joint", [state.distress for state in states]),
    )
    return tuple(
        SymptomRow(name, tuple(_NONE if value is None else str(value) for value in values))
        for name, values in rows
        if any(value is not None for value in values)
    )


def _lines(session: Session) -> tuple[tuple[str, str], ...]:
    found = [
        *(("Stopped", line) for line in session.stopped),
        *(("Modified", line) for line in session.modified),
        ("Note", session.note),
        ("Went well", session.went_well),
        ("To work on", session.work_on),
    ]
    return tuple((name, text) for name, text in found if text)


# --- dose --------------------------------------------------------------------------------------


def _dose_row(dose: ExerciseDose) -> DoseRow:
    return DoseRow(
        exercise=exercise_name(dose.exercise),
        prescribed="; ".join(map(prescribed_words, dose.prescribed)) or "not in the plan",
        filmed=_filmed_words(dose.sets),
        rest=_rest_words(dose.sets),
        contacts=_contact_words(dose) if dose.sets else _NONE,
        pace=_pace_words(dose.sets),
    )


def _filmed_words(sets: tuple[SetDose, ...]) -> str:
    if not sets:
        return "not filmed"
    counts = [str(one.reps) for one in sets]
    reps = counts[0] if len(set(counts)) == 1 else ", ".join(counts)
    seconds = [one.bout_s for one in sets if one.bout_s is not None]
    lasting = f", {_spread(seconds, 0)} s of landings" if seconds else ""
    return f"{len(sets)} set{'' if len(sets) == 1 else 's'} of {reps}{lasting}"


def _rest_words(sets: tuple[SetDose, ...]) -> str:
    rests = [one for one in sets if one.rest_s is not None and one.after_same]
    if not rests:
        return _NONE
    half_s = max(COVERAGE * (one.rest_sd_s or 0.0) for one in rests)
    words = _spread([one.rest_s for one in rests if one.rest_s is not None], 0)
    return f"{words} s" if half_s < 1 else f"{words} ± {half_s:.0f} s"


def _contact_words(dose: ExerciseDose) -> str:
    left, right = (dose.contacts(limb) for limb in LIMBS)
    return f"{dose.foot_contacts} (left {left}, right {right})"


def _pace_words(sets: tuple[SetDose, ...]) -> str:
    paces = [one.pace_per_min for one in sets if one.pace_per_min is not None]
    return f"{_spread(paces, 0)} a minute" if paces else _NONE


def _spread(values: list[float], digits: int) -> str:
    """Return one value, or the least and the greatest."""
    low, high = f"{min(values):.{digits}f}", f"{max(values):.{digits}f}"
    return low if low == high else f"{low} to {high}"


def _total(doses: tuple[ExerciseDose, ...]) -> str:
    contacts = sum(dose.foot_contacts for dose in doses)
    left, right = (sum(dose.contacts(limb) for dose in doses) for limb in LIMBS)
    return f"{contacts} foot contacts filmed: left {left}, right {right}."


# --- measures beside symptoms ------------------------------------------------------------------


def _beside(history: History, day: date, chosen: Leading | None) -> tuple[BesideRow, ...]:
    days = [one for one in history.days if one <= day][-_MOST_EARLIER - 1 :]
    return tuple(_beside_row(history, one, chosen, is_this=one == day) for one in days)


def _beside_row(
    history: History, day: date, chosen: Leading | None, *, is_this: bool
) -> BesideRow:  # fmt: skip
    session = history.session(day)
    states = [session.state(moment) for moment in MOMENTS]
    pains = [state.pain for state in states if state.pain is not None]
    grades = [state.effusion for state in states if state.effusion is not None]
    sure = [state.confidence for state in states if state.confidence is not None]
    contacts = sum(dose.foot_contacts for dose in history.dose(day))
    return BesideRow(
        day=day_words(day),
        is_this=is_this,
        pain=f"{max(pains)} of 10" if pains else _NONE,
        effusion=max(grades, key=EFFUSION_GRADES.index) if grades else _NONE,
        confidence=f"{min(sure)} of 10" if sure else _NONE,
        contacts=str(contacts) if contacts else _NONE,
        lead=_measured(history, day, chosen, history.lead_limb),
        other=_measured(history, day, chosen, other_limb(history.lead_limb)),
    )


def _measured(history: History, day: date, chosen: Leading | None, limb: Limb) -> Amount | None:
    if chosen is None:
        return None
    alike = [
        v
        for v in history.visits
        if (v.day, v.exercise, v.way) == (day, chosen.exercise, chosen.way)
    ]
    family = best_family(alike, chosen.exercise, chosen.name, chosen.way)
    found = [v for v in alike if (v.name, v.limb, v.family) == (chosen.name, limb, family)]
    return amount(found[0]) if found else None


def _beside_words(history: History, chosen: Leading | None) -> str:
    if chosen is None:
        return "Nothing was measured that could be set beside it."
    lead = limb_role(history.lead_limb, history.patient.surgical_side)
    other = limb_role(other_limb(history.lead_limb), history.patient.surgical_side)
    exercise = exercise_words(chosen.exercise, chosen.way).lower()
    return (
        f"{DEFINITIONS[chosen.name].label} of {exercise}, {lead} and {other}. Pain and effusion: "
        "the worst noted of the visit; confidence: the least. Side by side is no proof that one "
        "follows from the other."
    )


def _quoted(table: tuple[Quoted, ...], session: Session) -> tuple[QuotedRow, ...]:
    return tuple(
        QuotedRow(
            line.what,
            line.says,
            ", ".join(MOMENT_WORDS[moment] for moment in line.noted(session)),
        )
        for line in table
    )
