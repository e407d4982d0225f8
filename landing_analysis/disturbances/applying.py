"""(Contacts, Reps, Measures) and the effects of all disturbances -> the same, as they hold."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import numpy as np

from landing_analysis.disturbances.effects import (
    Effect,
    Suppressed,
    Unseen,
    VoidExercise,
    WiderEvents,
    WiderMeasures,
)
from landing_analysis.reasons import Reason, because
from landing_analysis.tables import (
    Contact,
    Contacts,
    Event,
    Exercise,
    Flight,
    Measure,
    Measures,
    Note,
    Rep,
    Reps,
    Tracks,
    UncertaintyPart,
)


def disturbed_tracks(tracks: Tracks, effects: tuple[Effect, ...]) -> Tracks:
    """Return the tracks with the vertical as certain as it is."""
    sd_deg = hypot(tracks.down_sd_deg, *(effect.vertical_sd_deg for effect in effects))
    return replace(tracks, down_sd_deg=sd_deg)


# --- contacts ----------------------------------------------------------------------------------


def disturbed_contacts(contacts: Contacts, effects: tuple[Effect, ...]) -> Contacts:
    """Widen foot events in the order of the effects, and forget toe-offs nobody could watch.

    Parameters
    ----------
    contacts : as found
    effects : on the clock of ``contacts``
    """
    unseen = [span for effect in effects for span in effect.unseen if span.toe_off_reason]
    if unseen:
        kept = tuple(_watched(contact, unseen) for contact in contacts.contacts)
        contacts = replace(contacts, contacts=kept)
    widened = [wider for effect in effects for wider in effect.events]
    return contacts.with_events(lambda event, landing: _wider(event, landing, widened))


def _watched(contact: Contact, unseen: list[Unseen]) -> Contact:
    """Forget the toe-off of a foot that could not be watched since it landed."""
    if contact.toe_off is None:
        return contact
    met = _met((contact.initial_contact.t_s, contact.toe_off.t_s), unseen)
    if met is None:
        return contact
    return replace(contact, toe_off=None, toe_off_reason=met.toe_off_reason)


def _wider(event: Event, landing: bool, widened: list[WiderEvents]) -> Event:
    sd_s = event.sd_s
    for wider in widened:
        far = wider.near_s is not None and np.abs(wider.near_s - event.t_s).min() > wider.reach_s
        if not far:
            added_s = wider.landing_sd_s if landing else wider.take_off_sd_s
            sd_s = hypot(sd_s * wider.times, added_s)
    return replace(event, sd_s=sd_s)


# --- reps --------------------------------------------------------------------------------------


def disturbed_reps(reps: Reps, effects: tuple[Effect, ...]) -> Reps:
    """Leave out the reps that were not watched as a whole, or whose exercise is not sure.

    Parameters
    ----------
    reps : as grouped
    effects : on the clock of ``reps``

    Returns
    -------
    Reps
        A rep that was not seen says so, whatever else spoke against it. One that was seen,
        but not until the next flight, has no next flight.
    """
    unseen = [span for effect in effects for span in effect.unseen]
    void = {item.exercise: item for effect in effects for item in effect.void}
    return replace(reps, reps=tuple(_disturbed(rep, unseen, void) for rep in reps.reps))


def _disturbed(rep: Rep, unseen: list[Unseen], void: dict[Exercise, VoidExercise]) -> Rep:
    span_s = _rep_span_s(rep)
    met = _met(span_s, unseen)
    if met is not None:
        return replace(rep, used=False, reason=met.reason)
    if rep.used and rep.exercise in void:
        rep = replace(rep, used=False, reason=void[rep.exercise].reason)
    following = rep.next_flight
    missing = [span for span in unseen if span.toe_off_reason]
    if following and _met((span_s[1], _flight_span_s(following)[0]), missing):
        return replace(rep, next_flight=None)
    return rep


def _met(span_s: tuple[float, float], unseen: list[Unseen]) -> Unseen | None:
    return next((u for u in unseen if u.start_s <= span_s[1] and u.end_s >= span_s[0]), None)


def _flight_span_s(flight: Flight) -> tuple[float, float]:
    return (
        flight.take_off.t_s if flight.take_off else -np.inf,
        flight.landing.t_s if flight.landing else np.inf,
    )


def _rep_span_s(rep: Rep) -> tuple[float, float]:
    """Return from take-off to the last instant that is read of a rep."""
    start_s, end_s = _flight_span_s(rep.flight)
    ends_s = [contact.toe_off.t_s for contact in rep.contacts if contact.toe_off]
    ends_s += [rep.peak_flexion_s] if rep.peak_flexion_s is not None else []
    return start_s, max([end_s, *ends_s])


def effect_notes(effects: tuple[Effect, ...], reps: Reps) -> tuple[Note, ...]:
    """Return the notes of all effects, each remark with the reps that are void for its reason."""
    return tuple(
        replace(note, remarks=tuple(_with_reps(remark, effect, reps) for remark in note.remarks))
        for effect in effects
        for note in effect.notes
    )


def _with_reps(remark: Reason, effect: Effect, reps: Reps) -> Reason:
    """Add to a remark about an unseen span which reps it leaves void."""
    told = remark.as_dict()
    for span in effect.unseen:
        if span.remark == remark.code and told.get("start_s") == span.start_s:
            void = tuple(rep.number for rep in reps.reps if rep.reason == span.reason)
            return because(remark.code, **told, reps=void)
    return remark


# --- measures ----------------------------------------------------------------------------------


def disturbed_measures(measures: Measures, effects: tuple[Effect, ...]) -> Measures:
    """Suppress and widen single values, by the first effect that suppresses them."""
    suppressed = [item for effect in effects for item in effect.suppressed]
    widened = [item for effect in effects for item in effect.widened]
    rows = tuple(_disturbed_row(row, suppressed, widened) for row in measures.measures)
    return replace(measures, measures=rows)


def _disturbed_row(
    row: Measure, suppressed: list[Suppressed], widened: list[WiderMeasures]
) -> Measure:
    if row.value is None or row.sd is None:
        return row
    for item in suppressed:
        if row.name in item.names and (
            item.limbs is None or row.limb in item.limbs or (row.limb is None and item.body_too)
        ):
            return replace(
                row,
                value=None,
                sd=None,
                reading=None,
                parts=(),
                frames=(),
                reason=item.reason,
            )
    for more in widened:
        if row.name in more.names and (more.limbs is None or row.limb in more.limbs):
            part = UncertaintyPart(more.part, more.sd)
            row = replace(row, sd=hypot(row.sd, more.sd), parts=(*row.parts, part))
    return row
