"""A patient's ladder on one sheet for the clinician, and half a page for the patient."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.exercises import EXERCISES
from landing_analysis.pages.history import History
from landing_analysis.pages.leading import Shown, leading, main_exercises
from landing_analysis.pages.stills import stills_of
from landing_analysis.pages.words import (
    INVENTED,
    Amount,
    Nav,
    amount,
    day_words,
    limb_role,
    render,
    render_of_patient,
    short_day,
    since_surgery,
)
from landing_analysis.record.place import DataFolder
from landing_analysis.record.sessions import Tick
from landing_analysis.settings import Settings
from landing_analysis.tables import Exercise, Limb, other_limb
from landing_analysis.trend.progress import AIM_WORDS, Readings, leading_readings
from landing_analysis.trend.visits import VisitMean

_NONE = "–"
_Days = dict[Exercise, tuple[date, ...]]


@dataclass(frozen=True)
class Reading:
    """One value with the day on which it was read."""

    amount: Amount
    day: str


@dataclass(frozen=True)
class Rung:
    """One exercise of the ladder; ``limbs`` hold (best, latest) of the lead limb and the other."""

    exercise: str
    prescribed: str
    filmed: str
    measure: str
    limbs: tuple[tuple[Reading, Reading] | None, ...]
    ticked: bool
    tick: str

    @property
    def is_reached(self) -> bool:
        """Whether anything is known of it."""
        return self.ticked or (self.prescribed, self.filmed) != (_NONE, _NONE)

    @property
    def is_by_hand(self) -> bool:
        """Whether a value of it rests on contacts or landmarks that a person set."""
        return any(one.amount.by_hand for both in self.limbs for one in both or ())


def progress_html(history: History, day: date, nav: Nav = ()) -> str:
    """Return the sheet on a patient's progress up to a day.

    Parameters
    ----------
    history : of the patient
    day : the last that counts
    nav : where one goes on from it
    """
    patient = history.patient
    lead, other = history.lead_limb, other_limb(history.lead_limb)
    until = [one for one in history.days if one <= day]
    prescribed = _by_exercise((p.exercise, one) for one in until for p in history.session(one).plan)
    filmed = _by_exercise(
        (dose.exercise, one) for one in until for dose in history.dose(one) if dose.sets
    )
    rungs = [_rung(history, exercise, day, prescribed, filmed) for exercise in EXERCISES]
    return render_of_patient(
        "progress.html.j2",
        patient,
        f"progress until {day}",
        ("Until", f"{day_words(day)}, {since_surgery(patient, day)}"),
        kind="Progress",
        nav=nav,
        rungs=rungs,
        lead=limb_role(lead, patient.surgical_side),
        other=limb_role(other, patient.surgical_side),
        lead_limb=lead,
        other_limb=other,
        aims=AIM_WORDS,
        by_hand=any(rung.is_by_hand for rung in rungs),
    )


def _rung(
    history: History, exercise: Exercise, day: date, prescribed: _Days, filmed: _Days
) -> Rung:
    until = [visit for visit in history.visits if visit.day <= day]
    found = leading_readings(until, exercise, _target_deg(history))
    name, readings = found or (None, ())
    tick = history.ticks.get(exercise)
    return Rung(
        exercise=EXERCISES[exercise].title,
        prescribed=_days_words(prescribed.get(exercise, ())),
        filmed=_days_words(filmed.get(exercise, ())),
        measure=DEFINITIONS[name].label if name else _NONE,
        limbs=tuple(
            _of_limb(readings, limb) for limb in (history.lead_limb, other_limb(history.lead_limb))
        ),
        ticked=tick is not None and tick.ticked and tick.day <= day,
        tick=_tick_words(tick) if tick is not None and tick.day <= day else _NONE,
    )


def _by_exercise(found: Iterable[tuple[Exercise, date]]) -> _Days:
    """Return the days of each exercise, each once."""
    days: defaultdict[Exercise, dict[date, None]] = defaultdict(dict)
    for exercise, day in found:
        days[exercise][day] = None
    return {exercise: tuple(own) for exercise, own in days.items()}


def _target_deg(history: History) -> float:
    newest = history.analyses[-1:]
    return float(newest[0].values["target_flexion_deg"]) if newest else (
        Settings().target_flexion_deg
    )  # fmt: skip


def _days_words(days: tuple[date, ...]) -> str:
    if not days:
        return _NONE
    return f"{len(days)} visit{'' if len(days) == 1 else 's'}, last {short_day(days[-1])}"


def _of_limb(readings: tuple[Readings, ...], limb: Limb) -> tuple[Reading, Reading] | None:
    for one in readings:
        if one.limb == limb:
            return _reading(one.best), _reading(one.latest)
    return None


def _reading(mean: VisitMean) -> Reading:
    return Reading(amount(mean), short_day(mean.day))


def _tick_words(tick: Tick) -> str:
    who = f" by {tick.by}" if tick.by else ""
    state = "going on" if tick.ticked else "taken back"
    note = f": {tick.note}" if tick.note else ""
    return f"{state}, {short_day(tick.day)}{who}{note}"


# --- for the patient ---------------------------------------------------------------------------

_PLAIN = {"typical": "Most of your landings look like this", "worst": "This one differed most"}


@dataclass(frozen=True)
class PatientShot:
    """One landing of the patient's own."""

    words: str
    still: str | None


def for_patient_html(history: History, day: date, data: DataFolder) -> str:
    """Return half a page for the patient: two of their own landings, and the clinician's words.

    Parameters
    ----------
    history : of the patient
    day : of the visit
    data : the data folder, from which the record names reports
    """
    chosen, session = leading(history, day, main_exercises(history, day)), history.session(day)
    shown = _two_of(chosen.reps, history.lead_limb) if chosen else []
    return render(
        "for_patient.html.j2",
        code=history.patient.code,
        page_title=f"{history.patient.code}, landings of {day}",
        invented=INVENTED if history.patient.invented else None,
        day=day_words(day),
        exercise=EXERCISES[chosen.exercise].title if chosen else None,
        limb=shown[0].limb if shown else None,
        shots=[PatientShot(_PLAIN[one.which], _still(one, data)) for one in shown],
        went_well=session.went_well,
        work_on=session.work_on,
    )


def _two_of(reps: tuple[Shown, ...], limb: Limb) -> list[Shown]:
    """Return a typical and a worst landing of one limb, the surgical one where it has any."""
    own = [one for one in reps if one.limb == limb]
    return own or [one for one in reps if one.limb == other_limb(limb)]


def _still(one: Shown, data: DataFolder) -> str | None:
    folder = data.report_at(one.analysis.values["report"])
    return stills_of(one.analysis, folder, (one.rep,)).get(one.rep) if folder else None
