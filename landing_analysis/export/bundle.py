"""One visit as an HL7 FHIR R4 (4.0.1) Bundle of Observations, written as plain values.

The Bundle is a ``collection``: it hands numbers over and asks no server to do anything. A
``transaction`` would tell a server what to store, a ``document`` needs an author who stands
for it; both are for those who take it over to decide. It holds

- a Patient with an identifier and nothing else;
- a Device for each program version, pose model and settings;
- an Observation per set of reps (clip), which names its members;
- an Observation per set, limb and measure: the mean of the used reps, with its standard
  uncertainty, 95 % interval, number of reps and spread as components, or, where there is no
  value, ``dataAbsentReason`` with the reason as text;
- an Observation per set and measure that sets one limb against the other.

Single reps and findings are left to the tidy tables. Every status is ``preliminary``: a tick
of the window's is no signature. A value that rests on contacts or landmarks that a person set
says so, in a component and a note; so does a corrected one, with what was read before.
Nothing is interpreted.

Identifiers are name-based (UUID version 5): the same clip, limb and measure have the same
one in every Bundle, so that a later one replaces an earlier one. Codes of measures are our
own; sides of the body are text beside a code of our own, since SNOMED CT needs a licence
in places.

Values are rounded to one decimal more than reports print.

References
----------
HL7 FHIR Release 4 (4.0.1). Elements are checked in the tests against classes generated from
it; which codes its value sets hold is from memory (observation-category ``procedure``,
data-absent-reason ``unsupported``, ActReason ``HTEST`` for test data).
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from landing_analysis.definitions import DEFINITIONS, INTENDED_USE
from landing_analysis.exercises import EXERCISES, lands_on_both
from landing_analysis.export.columns import UCUM
from landing_analysis.export.rows import (
    PatientRows,
    days_since_surgery,
    landing_limb,
    made_with,
    set_rows,
    side_rows,
)
from landing_analysis.findings.judging import COVERAGE
from landing_analysis.patients import Patient
from landing_analysis.record.by_exercise import by_exercise
from landing_analysis.record.filmed import day_dose
from landing_analysis.record.reading import StoredAnalysis
from landing_analysis.record.remarks import Remark
from landing_analysis.report.documents import side_name
from landing_analysis.sessions.dose import ExerciseDose
from landing_analysis.sessions.session import MOMENT_WORDS, Session, State
from landing_analysis.sessions.wording import prescribed_words
from landing_analysis.tables import LIMBS, Limb, other_limb

Resource = dict[str, Any]

OWN = "urn:landing-analysis"
PATIENT_CODE = f"{OWN}:patient-code"
"""System of patients' codes unless the clinic names its own; codes are unique in a clinic only."""

_UCUM_SYSTEM = "http://unitsofmeasure.org"
_TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"
_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, OWN)

_VIEWS = {
    "front": "from the front", "back": "from the back", "left_side": "from the left side",
    "right_side": "from the right side", "oblique": "from between front and side",
}  # fmt: skip
_NOT_REVIEWED = "Preliminary: no person has reviewed this value."
_BY_HAND = "Rests on contacts or landmarks that a person set by hand."
_CORRECTED = (
    "Corrected: what the pose model is known to miss on drawn bodies was taken off what was read."
)
_INVENTED = (
    "Invented data: this patient does not exist. Numbers were drawn at random, or measured in "
    "clips of a rendered figure."
)


@dataclass(frozen=True)
class _Visit:
    """What all resources of one Bundle share."""

    patient: Patient
    code_system: str
    reviewed: Mapping[str, Remark]

    def id_of(self, *words: str) -> str:
        return str(uuid.uuid5(_NAMESPACE, "/".join((self.code_system, *words))))

    @property
    def patient_id(self) -> str:
        return self.id_of("patient", self.patient.code)

    @property
    def marks(self) -> Resource:
        """Return what marks a resource of somebody who does not exist."""
        if not self.patient.invented:
            return {}
        test = _coding(f"{_TERMINOLOGY}/v3-ActReason", "HTEST", "test health data")
        own = _coding(f"{OWN}:mark", "invented", "Invented data")
        return {"meta": {"security": [test], "tag": [own]}}


def visit_bundle(rows: PatientRows, day: date, code_system: str = PATIENT_CODE) -> Resource:
    """Return one visit as a FHIR R4 Bundle; clips that a person left out are not in it.

    Parameters
    ----------
    rows : PatientRows, with the newest analysis of each clip
    day : of the visit
    code_system : URI of the system that the patient's code belongs to

    Returns
    -------
    dict
        As JSON wants it; the same record gives the same Bundle.
    """
    visit = _Visit(rows.patient, code_system, rows.reviewed)
    sets = [one for one in rows.analyses if one.date == day and one.values["excluded"] is None]
    devices = {device["id"]: device for device in (_device(visit, one) for one in sets)}
    resources = [_patient(visit), *devices.values()]
    for part in (part for one in sets for part in by_exercise(one)):
        resources += _set_resources(visit, part)
    resources += _session_resources(visit, rows, day)
    bundle_id = visit.id_of("visit", rows.patient.code, day.isoformat())
    return {
        "resourceType": "Bundle",
        "id": bundle_id,
        **visit.marks,
        "identifier": {"system": f"{OWN}:visit", "value": bundle_id},
        "type": "collection",
        "entry": [
            {"fullUrl": _urn(resource["id"]), "resource": resource} for resource in resources
        ],
    }


def _patient(visit: _Visit) -> Resource:
    return {
        "resourceType": "Patient",
        "id": visit.patient_id,
        **visit.marks,
        "identifier": [{"system": visit.code_system, "value": visit.patient.code}],
    }


def _device_id(visit: _Visit, one: StoredAnalysis) -> str:
    return visit.id_of("device", *made_with(one).values())


def _device(visit: _Visit, one: StoredAnalysis) -> Resource:
    made = made_with(one)
    model = f"{one.values['model_name']}, sha256 {made['model_sha256']}"
    versions = {
        "software": made["version"],
        "pose model": model,
        "settings": f"sha256 {made['settings_sha256']}",
    }
    return {
        "resourceType": "Device",
        "id": _device_id(visit, one),
        **visit.marks,
        "deviceName": [{"name": "landing_analysis", "type": "user-friendly-name"}],
        "type": {"text": "Software that measures 2D angles and times from video"},
        "version": [{"type": {"text": name}, "value": text} for name, text in versions.items()],
        "note": [{"text": INTENDED_USE}],
    }


# --- one set -----------------------------------------------------------------------------------


def _set_resources(visit: _Visit, one: StoredAnalysis) -> list[Resource]:
    """Return the Observation of a set, and then those of its members."""
    means = {(row["measure"], row["limb"]): _mean(visit, one, row) for row in set_rows(one)}
    sides = [_side(visit, one, row, means) for row in side_rows(one)]
    members = [*means.values(), *sides]
    return [_set(visit, one, members), *members]


def _set(visit: _Visit, one: StoredAnalysis, members: list[Resource]) -> Resource:
    exercise, values = one.values["exercise"], one.values
    reps = one.tables["rep"]
    words = f"Set of {_named(exercise)}"
    full = f"Set of {_movement(one)} {_VIEWS[values['view']]}"
    origin = f"Time of recording as found in the {values['recorded_from']}."
    by_hand = [f"Rep {rep['number']} is {rep['reason']}." for rep in reps if rep["excluded"]]
    notes = [
        *_notes(visit, one),
        *by_hand,
        origin,
        *_quality(one, "limited"),
        *_quality(one, "good"),
    ]
    return {
        **_observation(visit, one, "set"),
        "code": _concept(full, _coding(f"{OWN}:set", exercise or "none", words)),
        **({"hasMember": [_reference(member["id"]) for member in members]} if members else {}),
        "note": [{"text": text} for text in notes],
        "component": [
            _component("clip", "sha256 of the clip", valueString=values["sha256"]),
            _component("view", "View", valueString=values["view"]),
            *_feet(landing_limb(one)),
            _component("reps-counted", "Reps counted", valueInteger=len(reps)),
            _component("reps-used", "Reps used", valueInteger=sum(rep["used"] for rep in reps)),
            *_excluded(reps),
            *_recognised(values),
            _component(
                "frame-rate", "One over the median frame interval",
                valueQuantity=_quantity(values["median_fps"], "Hz", 2),
            ),
            *_turn(values["view_yaw_deg"], values["view_yaw_sd_deg"]),
            *_since_surgery(days_since_surgery(visit.patient, one.date)),
        ],
    }  # fmt: skip


def _recognised(values: dict[str, Any]) -> Iterator[Resource]:
    """Yield how the exercise is known, and the bouts of a clip that holds several."""
    yield _component(
        "exercise-origin", "How the exercise is known", valueString=values["exercise_origin"]
    )
    sure = values["exercise_confidence"]
    if sure is not None:
        yield _component(
            "exercise-confidence", "How sure the exercise is",
            valueQuantity=_quantity(100 * sure, "%", 0),
        )  # fmt: skip
    bouts = values["bouts"] or ()
    for bout in bouts if len(bouts) > 1 else ():
        times = "" if bout["start_s"] is None else f", {bout['start_s']:.1f}-{bout['end_s']:.1f} s"
        words = f"{EXERCISES[bout['exercise']].name}, {len(bout['reps'])} reps{times}"
        yield _component("bout", "Bout of one exercise without a pause", valueString=words)


def _excluded(reps: tuple[dict[str, Any], ...]) -> Iterator[Resource]:
    number = sum(rep["excluded"] for rep in reps)
    if number:
        yield _component("reps-excluded", "Reps left out by a person", valueInteger=number)


def _feet(limb: str | None) -> list[Resource]:
    """Return the feet that all reps land on, nothing when they differ."""
    return [_component("landing-limb", "Feet landed on", valueString=limb)] if limb else []


def _turn(yaw_deg: float | None, sd_deg: float | None) -> Iterator[Resource]:
    for key, text, value in (
        ("view-yaw", "Turn away from square-on, positive to the patient's own left", yaw_deg),
        ("view-yaw-uncertainty", "Standard uncertainty of that turn", sd_deg),
    ):
        if value is not None:
            yield _component(key, text, valueQuantity=_quantity(value, "deg", 1))


def _since_surgery(days: int | None) -> Iterator[Resource]:
    if days is not None:
        quantity = _quantity(days, "days", 0)
        yield _component("since-surgery", "Days from the surgery", valueQuantity=quantity)


def _quality(one: StoredAnalysis, state: str) -> list[str]:
    return [
        f"Quality, {row['check_name']} ({state}): {row['text']}"
        for row in one.tables["quality"]
        if row["state"] == state
    ]


# --- one measure -------------------------------------------------------------------------------


def _mean(visit: _Visit, one: StoredAnalysis, row: dict[str, Any]) -> Resource:
    name, limb, decimals = row["measure"], row["limb"], _decimals(row["measure"])
    definition = DEFINITIONS.get(name)
    meaning, limits = (definition.meaning, definition.limits) if definition else ("", "")
    method = f"{_method(one)}; mean over the used reps of one set. {meaning}".strip()
    body = {
        **_observation(visit, one, "mean", name, limb or "body"),
        "code": _concept(_label(name), _coding(f"{OWN}:measure", name, _label(name))),
        **_body_site(limb, visit.patient.surgical_side),
        "method": {"text": method},
        "note": [
            {"text": text}
            for text in filter(
                None, (*_notes(visit, one), *_by_hand(row), *_corrected(row), limits)
            )
        ],
    }
    role = _role(limb, visit.patient.surgical_side)
    if row.get("mean") is None:
        return {**body, **_absent(row["reason"], [*role, *_marked(row)])}
    body["valueQuantity"] = _quantity(row["mean"], row["unit"], decimals)
    body["component"] = [
        *role,
        *_spread(row["mean"], row["mean_sd"], row["unit"], decimals),
        _component("reps-used", "Reps used", valueInteger=row["reps_used"]),
        *_marked(row),
        *_as_read(row, decimals),
    ]
    if row["between_reps_sd"] is not None:
        body["component"].append(
            _component(
                "between-reps", "Standard deviation from rep to rep",
                valueQuantity=_quantity(row["between_reps_sd"], row["unit"], decimals),
            )
        )  # fmt: skip
    return body


def _side(
    visit: _Visit,
    one: StoredAnalysis,
    row: dict[str, Any],
    means: dict[tuple[str, Limb | None], Resource],
) -> Resource:
    name, kind, limb = row["measure"], row["kind"], row["limb"]
    other = other_limb(limb)
    against = "divided by" if kind == "lsi" else "minus"
    words = f"{_label(name)}: {'limb symmetry index' if kind == 'lsi' else 'difference of limbs'}"
    full = f"{words}, {limb} limb {against} the {other} one"
    behind = [means[name, side]["id"] for side in (limb, other) if (name, side) in means]
    body = {
        **_observation(visit, one, kind, name, limb),
        "code": _concept(full, _coding(f"{OWN}:side-comparison", f"{name}-{kind}", words)),
        **_body_site(limb, visit.patient.surgical_side),
        "method": {"text": f"{_method(one)}; means of both limbs in one set"},
        "note": [
            {"text": text} for text in (*_notes(visit, one), *_by_hand(row), *_corrected(row))
        ],
        **({"derivedFrom": [_reference(one_id) for one_id in behind]} if behind else {}),
    }
    role = _role(limb, visit.patient.surgical_side)
    if row.get("value") is None:
        return {**body, **_absent(row["reason"], [*role, *_marked(row)])}
    decimals = 1 if kind == "lsi" else _decimals(name)
    return {
        **body,
        "valueQuantity": _quantity(row["value"], row["unit"], decimals),
        "component": [
            *role, *_spread(row["value"], row["value_sd"], row["unit"], decimals), *_marked(row),
            *_as_read(row, decimals),
        ],
    }  # fmt: skip


def _by_hand(row: dict[str, Any]) -> list[str]:
    return [_BY_HAND] if row["by_hand"] else []


def _marked(row: dict[str, Any]) -> list[Resource]:
    """Return what marks a value that a person's corrections changed."""
    words = "Contacts or landmarks set by hand"
    return [_component("set-by-hand", words, valueBoolean=True)] if row["by_hand"] else []


def _corrected(row: dict[str, Any]) -> list[str]:
    return [_CORRECTED] if row["corrected"] else []


def _as_read(row: dict[str, Any], decimals: int) -> Iterator[Resource]:
    """Yield what marks a corrected value, and what it was before where that is stored."""
    if row["corrected"]:
        words = "Corrected by what the pose model is known to miss"
        yield _component("corrected", words, valueBoolean=True)
    if row.get("mean_reading") is not None:
        reading = _quantity(row["mean_reading"], row["unit"], decimals)
        yield _component("reading", "Mean as read, before it was corrected", valueQuantity=reading)


def _absent(reason: str, parts: list[Resource]) -> Resource:
    """Return what stands in the place of a value; ``parts`` are kept."""
    unsupported = _coding(f"{_TERMINOLOGY}/data-absent-reason", "unsupported", "Unsupported")
    absent = {"dataAbsentReason": _concept(reason, unsupported)}
    return {**absent, **({"component": parts} if parts else {})}


def _observation(visit: _Visit, one: StoredAnalysis, *words: str) -> Resource:
    values = one.values
    of_part = (values["exercise"],) if one.is_part else ()
    own_id = visit.id_of("observation", values["sha256"], *of_part, *words)
    category = _coding(f"{_TERMINOLOGY}/observation-category", "procedure", "Procedure")
    return {
        "resourceType": "Observation",
        "id": own_id,
        **visit.marks,
        "identifier": [{"system": f"{OWN}:observation", "value": own_id}],
        "status": "preliminary",
        "category": [{"coding": [category]}],
        "subject": _reference(visit.patient_id),
        "effectiveDateTime": values["recorded_at"],
        "issued": values["analysed_at"],
        "device": _reference(_device_id(visit, one)),
    }


def _label(name: str) -> str:
    return DEFINITIONS[name].label if name in DEFINITIONS else name


def _decimals(name: str) -> int:
    """Return one decimal more than reports print, three for a measure of an older program."""
    return DEFINITIONS[name].decimals + 1 if name in DEFINITIONS else 3


def _method(one: StoredAnalysis) -> str:
    return f"2D pose estimation in one clip of {_movement(one)} {_VIEWS[one.values['view']]}"


def _named(exercise: str | None) -> str:
    title = EXERCISES[exercise].title if exercise else "Movements without any rep"
    return title[0].lower() + title[1:]


def _movement(one: StoredAnalysis) -> str:
    exercise, limb = one.values["exercise"], landing_limb(one)
    on = f" on the {limb} limb" if not lands_on_both(exercise) and limb in LIMBS else ""
    return f"{_named(exercise)}{on}, filmed"


def _notes(visit: _Visit, one: StoredAnalysis) -> list[str]:
    invented = [_INVENTED] if visit.patient.invented else []
    seen = visit.reviewed.get(one.values["sha256"])
    words = _NOT_REVIEWED
    if seen is not None:
        who = f" by {seen.by}" if seen.by else ""
        words = f"Preliminary: the clip was ticked as reviewed{who} on {seen.at[:10]}, not signed."
    return [*invented, f"{words} {INTENDED_USE}", *_quality(one, "poor")]


def _body_site(limb: Limb | None, surgical_side: Limb | None) -> Resource:
    if limb is None:
        return {}
    role = side_name(limb, surgical_side)
    words = f"{limb} lower limb, {role}" if role else f"{limb} lower limb"
    return {"bodySite": _concept(words, _coding(f"{OWN}:limb", limb, f"{limb} lower limb"))}


def _role(limb: Limb | None, surgical_side: Limb | None) -> list[Resource]:
    role = side_name(limb, surgical_side)
    return [_component("limb-role", "Role of the limb", valueString=role)] if role else []


def _spread(value: float, sd: float, unit: str, decimals: int) -> Iterator[Resource]:
    yield _component(
        "standard-uncertainty", "Standard uncertainty",
        valueQuantity=_quantity(sd, unit, decimals),
    )  # fmt: skip
    low, high = (
        _quantity(value + reach, unit, decimals) for reach in (-COVERAGE * sd, COVERAGE * sd)
    )
    yield _component("interval-95", "95 % interval", valueRange={"low": low, "high": high})


# --- the session -------------------------------------------------------------------------------


def _session_resources(visit: _Visit, rows: PatientRows, day: date) -> Iterator[Resource]:
    """Yield how the patient was at each moment, and the dose of each exercise."""
    session = rows.session(day)
    notes = [{"text": text} for text in _session_notes(visit, session)]
    for moment, state in session.states.items():
        on = day + timedelta(days=1) if moment == "next_morning" else day
        yield _of_session(
            visit, day, on, "survey", "symptoms", moment,
            f"How the patient was, {MOMENT_WORDS[moment]}",
            {"component": list(_state_components(state)), "note": notes},
        )  # fmt: skip
    for dose in day_dose(rows.counted, day, session):
        words = f"Foot contacts filmed of {EXERCISES[dose.exercise].name}"
        yield _of_session(
            visit, day, day, "procedure", "dose", dose.exercise, words,
            {"valueInteger": dose.foot_contacts, "component": list(_dose_components(dose)),
             "note": [{"text": text} for text in _dose_notes(visit)]},
        )  # fmt: skip


def _of_session(
    visit: _Visit, day: date, on: date, category: str, kind: str, key: str, words: str,
    parts: Resource,
) -> Resource:  # fmt: skip
    own_id = visit.id_of("observation", visit.patient.code, day.isoformat(), kind, key)
    of = _coding(f"{_TERMINOLOGY}/observation-category", category, category.capitalize())
    return {
        "resourceType": "Observation",
        "id": own_id,
        **visit.marks,
        "identifier": [{"system": f"{OWN}:observation", "value": own_id}],
        "status": "preliminary",
        "category": [{"coding": [of]}],
        "code": _concept(words, _coding(f"{OWN}:{kind}", key, words)),
        "subject": _reference(visit.patient_id),
        "effectiveDateTime": on.isoformat(),
        **parts,
    }


def _state_components(state: State) -> Iterator[Resource]:
    for key, text, value in (
        ("pain", "Pain, 0 to 10, as the patient says", state.pain),
        ("effusion", "Grade of effusion by the stroke test", state.effusion),
        ("soreness", "Soreness", state.soreness),
        ("confidence", "Confidence in the knee, 0 to 10, as the patient says", state.confidence),
        ("distress", "Distress of the joint", state.distress),
    ):
        if isinstance(value, int):
            yield _component(key, text, valueInteger=value)
        elif value is not None:
            yield _component(key, text, valueString=value)


def _session_notes(visit: _Visit, session: Session) -> Iterator[str]:
    if visit.patient.invented:
        yield _INVENTED
    yield from (f"Modified: {line}" for line in session.modified)
    yield from (f"Stopped: {line}" for line in session.stopped)
    if session.note:
        yield session.note
    yield f"As a clinician entered it; nobody has signed it. {INTENDED_USE}"


def _dose_components(dose: ExerciseDose) -> Iterator[Resource]:
    for one in dose.prescribed:
        yield _component("prescribed", "Prescribed", valueString=prescribed_words(one))
    yield _component("sets-filmed", "Sets filmed", valueInteger=len(dose.sets))
    for limb in LIMBS:
        yield _component(
            f"contacts-{limb}", f"Contacts of the {limb} foot", valueInteger=dose.contacts(limb)
        )


def _dose_notes(visit: _Visit) -> Iterator[str]:
    if visit.patient.invented:
        yield _INVENTED
    yield (
        "Landings in what was filmed, both feet together counted once; a set without a clip is not "
        f"known. {_NOT_REVIEWED} {INTENDED_USE}"
    )


# --- small parts -------------------------------------------------------------------------------


def _quantity(value: float, unit: str, decimals: int) -> Resource:
    code = UCUM.get(unit, unit)
    rounded = round(value, decimals) + 0.0  # no minus zero
    return {"value": rounded, "unit": unit, "system": _UCUM_SYSTEM, "code": code}


def _component(key: str, text: str, **value: object) -> Resource:
    return {"code": _concept(text, _coding(f"{OWN}:part", key, text)), **value}


def _concept(text: str, coding: Resource) -> Resource:
    return {"coding": [coding], "text": text}


def _coding(system: str, code: str, display: str) -> Resource:
    return {"system": system, "code": code, "display": display}


def _reference(resource_id: str) -> Resource:
    return {"reference": _urn(resource_id)}


def _urn(resource_id: str) -> str:
    return f"urn:uuid:{resource_id}"
