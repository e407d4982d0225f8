"""Tracks -> Contacts: initial contact and toe-off per limb, between frames.

The recipe
----------
1. The body's middle (mean of hips and shoulders) is differentiated twice. A
   segment in which it accelerates downward by more than half of gravity is a
   candidate flight (`falls`). The scale comes from the body's own leg length.
2. For each foot the toes are followed (`feet`). A foot *landed* from the candidate
   when its toes stop and then stay; it *took off* into it when they stayed and then
   move (`standing`). A foot that only swings, or a body that drops while its toes stay (squat,
   heel raise, countermovement), makes no flight.
3. The two feet and the body are held against each other (`agreement`): an event that the body
   contradicts is not believed, a foot behind the other is helped by it, and a body
   that surely falls freely is in the air however badly its feet are seen.
4. A foot that did not land is seen to hang, or it is not seen: badly seen toes that
   move tell nothing of where they are.
5. A flight needs at least one foot that landed, or took off at the end of the
   clip, and a time in the air that a jump can have (`flights`).

6. Quick steps from foot to foot are read from the feet alone (`steps`), where the body's
   falls do not show them all.

Nobody gives a floor height: rest is judged from each foot's own movement, so a
step from a box and a slow drift toward the camera change nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from landing_analysis.contacts.agreement import (
    gated_by_body,
    hidden_drawn_to_other,
    imputed_from_body,
    paired_with_other,
)
from landing_analysis.contacts.body import slower
from landing_analysis.contacts.drawn_up import with_legs_drawn_up
from landing_analysis.contacts.falls import body_events, falling_segments
from landing_analysis.contacts.feet import (
    FULLY_VISIBLE,
    FootEvents,
    FootVisibility,
    foot_events,
    read_motion,
)
from landing_analysis.contacts.flights import (
    fell,
    leaps_less_sure,
    leaving_from_the_foot_that_landed,
    resolve_flight,
    with_unseen,
)
from landing_analysis.contacts.standing import (
    Candidate,
    carried_by_the_foot_behind,
    floor_heights_m,
    limb_held_up,
    off_the_plate,
    only_those_that_stand,
    times_on_ground,
    without_turns_in_the_air,
)
from landing_analysis.contacts.steps import with_steps
from landing_analysis.errors import TableError
from landing_analysis.reasons import Code, because
from landing_analysis.settings import ContactSettings
from landing_analysis.tables import (
    LIMBS,
    Contact,
    Contacts,
    Event,
    Flight,
    FloatArray,
    Limb,
    Note,
    Tracks,
)

_HELD = because(Code.HELD_TO_END)
_UNSEEN = because(Code.TOE_OFF_NOT_SEEN)
_FELL = because(Code.FELL_BEFORE_TOE_OFF)


def find_contacts(
    tracks: Tracks,
    settings: ContactSettings,
    visibilities: Mapping[Limb, FootVisibility] = FULLY_VISIBLE,
) -> Contacts:
    """Find every ground contact that follows a flight, and every flight.

    Parameters
    ----------
    tracks : Tracks
    settings : ContactSettings
    visibilities : how each foot is seen, from `foot_visibility_of`

    Returns
    -------
    Contacts
        In order of initial contact. Standing before the first flight is no
        contact: its initial contact is not in the clip.

    Notes
    -----
    See the module's text for the recipe. Foot rules in the literature use the
    speed or acceleration of heel and toe (Hreljac & Stergiou 2000, doi
    10.1007/BF02345744; O'Connor 2007); the free-fall gate and the change-point fit are
    this project's own. Limits: a landing without a stop of the toes (a slide) is
    missed; a flight under ``min_flight_s`` is not told from a heel raise. A contact in which the
    body fell as freely as in a flight has no toe-off: a flight may have been missed in it.
    """
    if tracks.rate_hz < settings.min_rate_hz:
        slow = because(Code.RATE_TOO_SLOW_FOR_FLIGHTS, fps=tracks.rate_hz)
        return Contacts((), (), (Note("frame rate", "poor", (slow,)),))
    settings = slower(settings, tracks.pull_m_s2)
    settings = _at_a_plate(settings) if tracks.turns else settings
    motion = read_motion(tracks, settings)
    one_behind_other = "far" in visibilities.values()
    highest_m = settings.far_foot_m if one_behind_other else settings.held_foot_m
    near = next((limb for limb, seen in visibilities.items() if seen == "near"), None)
    near = near if tracks.turns else None
    candidates: list[Candidate] = [
        (
            segment,
            {
                limb: with_legs_drawn_up(
                    motion,
                    limb,
                    segment,
                    foot_events(motion, limb, segment, settings, visibilities[limb]),
                    settings,
                )
                for limb in LIMBS
            },
        )
        for segment in falling_segments(motion, settings)
    ]
    on_ground = times_on_ground(motion, candidates)
    candidates = [
        (segment, only_those_that_stand(motion, both, ground, visibilities, settings))
        for (segment, both), ground in zip(candidates, on_ground, strict=True)
    ]
    events_of = [events for _, events in candidates]
    held = limb_held_up(motion, events_of, highest_m, settings.seldom_share)
    floors_m = floor_heights_m(motion, settings.floor_percentile)
    contacts: list[Contact] = []
    flights: list[Flight] = []
    falls_s: list[tuple[float, float]] = []  # that nothing shows to be flights
    for (segment, both), ground in zip(candidates, on_ground, strict=True):
        body = body_events(motion, segment, settings)
        grounded = without_turns_in_the_air(motion, both, segment, held, floors_m, settings)
        events = gated_by_body(motion, grounded, body, settings)
        events = imputed_from_body(
            motion,
            hidden_drawn_to_other(events, settings),
            segment,
            ground,
            body,
            held,
            visibilities,
            settings,
        )
        events = paired_with_other(
            motion, events, segment, ground, highest_m, floors_m, visibilities, settings
        )
        away = (False, False)
        if near is not None:
            away = off_the_plate(motion, near, segment, floors_m, settings)
            events = carried_by_the_foot_behind(events, near, away, body.last_off, body.on)
        flight = resolve_flight(motion, events, segment, settings)
        if flight is None:
            begins_s, ends_s = (float(motion.t_s[frame]) for frame in segment)
            if fell(motion, begins_s, ends_s, settings):
                falls_s.append((begins_s, ends_s))
            continue
        asked = {
            limb: seen for limb, seen in visibilities.items() if not (limb == near and away[1])
        }
        flight = with_unseen(motion, flight, ground, asked, settings)
        flights.append(flight)
        contacts = [
            _with_toe_off(contact, events[contact.limb].toe_off, falls_s, settings)
            for contact in contacts
        ]
        contacts += [
            _landing(limb, events[limb], hidden=away[1] and limb != near)
            for limb in flight.landing_limbs
        ]
    ordered = sorted(contacts, key=lambda contact: contact.initial_contact.t_s)
    flights = leaving_from_the_foot_that_landed(flights, settings)
    ordered, flights = leaps_less_sure(ordered, flights, settings)
    return with_steps(
        Contacts(tuple(ordered), tuple(flights)), motion, settings.steps, from_side=one_behind_other
    )


def _at_a_plate(settings: ContactSettings) -> ContactSettings:
    """Return the settings for a body that lies: the near foot's landing is seen less surely."""
    near = replace(
        settings.near,
        toe_on_sd_s=settings.near_plate_toe_on_sd_s,
        ankle_on_sd_s=settings.near_plate_ankle_on_sd_s,
    )
    return replace(settings, near=near)


def _landing(limb: Limb, events: FootEvents, *, hidden: bool) -> Contact:
    """Begin a contact; ``hidden`` behind the other leg, which is what was seen of it."""
    contact = events.initial_contact
    if contact is None:
        raise TableError(f"The {limb} foot is listed as landed without an initial contact.")
    return Contact(
        limb,
        contact,
        None,
        _HELD,
        events.toe_contact,
        events.heel_contact,
        other_leg_seen=hidden,
    )


def _with_toe_off(
    contact: Contact,
    toe_off: Event | None,
    falls_s: list[tuple[float, float]],
    settings: ContactSettings,
) -> Contact:
    """Close an open contact with what its foot did before the next flight.

    Where the body fell in between as freely as in a flight, the foot may have left and landed
    there unseen, and the contact may be two.
    """
    if contact.toe_off_reason != _HELD:
        return contact
    if toe_off is None or toe_off.t_s <= contact.initial_contact.t_s:
        return replace(contact, toe_off_reason=_UNSEEN)
    earliest_s = contact.initial_contact.t_s + settings.min_rest_s
    latest_s = toe_off.t_s - settings.min_rest_s
    if any(earliest_s < begins_s and ends_s < latest_s for begins_s, ends_s in falls_s):
        return replace(contact, toe_off_reason=_FELL)
    return replace(contact, toe_off=toe_off, toe_off_reason=None)


def match_events(
    reference_s: FloatArray, found_s: FloatArray, window_s: float
) -> list[tuple[int, int]]:
    """Pair found events with reference events one to one, closest first.

    Parameters
    ----------
    reference_s, found_s : (n,), (m,) seconds
    window_s : events farther apart than this are no pair

    Returns
    -------
    list of (reference index, found index); what is missing on the left was
    missed, what is missing on the right was invented
    """
    reference_s, found_s = np.asarray(reference_s), np.asarray(found_s)
    if not len(reference_s) or not len(found_s):
        return []
    apart = np.abs(reference_s[:, None] - found_s[None, :])
    pairs: list[tuple[int, int]] = []
    for flat in np.argsort(apart, axis=None):
        row, column = divmod(int(flat), len(found_s))
        if apart[row, column] > window_s:
            break
        if all(row != a and column != b for a, b in pairs):
            pairs.append((row, column))
    return sorted(pairs)
