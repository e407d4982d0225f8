"""Contacts -> Reps: each flight with the landing after it, counted as a person counts aloud."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Literal

import numpy as np

from landing_analysis.exercises import EXERCISES
from landing_analysis.maths.signals import runs
from landing_analysis.reasons import Code, Reason, because
from landing_analysis.settings import RepSettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    BoolArray,
    Contact,
    Contacts,
    Event,
    Exercise,
    Flight,
    FloatArray,
    Limb,
    Note,
    Rep,
    Reps,
    Tracks,
)

_BODY = [LANDMARK[n] for n in ("left_hip", "right_hip", "left_shoulder", "right_shoulder")]

_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]

_BY_FEET: dict[int, Exercise] = {1: "hop", 2: "jump"}
"""What a set is as long as its feet alone are looked at."""
_LYING: dict[int, Exercise] = {1: "sled_hop", 2: "sled_jump"}
"""The same of a body that lies on a sled."""

_LEGS_LOST = because(Code.LEGS_NOT_TOLD_APART)


def group_reps(
    contacts: Contacts, tracks: Tracks, settings: RepSettings, exercise: Exercise | None = None
) -> Reps:
    """Group contacts into reps.

    Parameters
    ----------
    contacts : Contacts
    tracks : Tracks
    settings : RepSettings
    exercise : what the set is, None to let the landings decide by majority

    Returns
    -------
    Reps
        One rep per flight, numbered from 1. A rep that the clip cuts off, or
        that landed otherwise than the set's exercise, is kept but not used, and
        says why. One of which a foot was not seen goes with the set, which it does not tell
        of; not with hops of which fewer than half are surely on one foot, and which change it.
        Where no rep tells, the set has no exercise.
    """
    flights = contacts.flights
    if not flights:
        return Reps(None, None, (), _no_reps(contacts))
    half_s = settings.half_contact_s
    landed = [_landed(contacts, index, half_s) for index in range(len(flights))]
    seen = [_limbs(flight, landing) for flight, landing in zip(flights, landed, strict=True)]
    own = [_feet(flight, limbs) for flight, limbs in zip(flights, seen, strict=True)]
    known = [one for one in own if one is not None]
    given_feet = EXERCISES[exercise].feet if exercise else None
    feet: Literal[1, 2] = given_feet or (2 if 2 * known.count(2) >= len(known) else 1)
    mixed = not given_feet and known.count(feet) < (1 - settings.odd_share) * len(known)
    # Few landings that surely are on one foot do not make hops of others, if those change the foot.
    few = feet == 1 and 2 * len(known) < len(own) and len(set(seen)) > 1  # definition: half
    told = exercise is not None or (bool(known) and not mixed and not few)
    by_feet = _LYING if tracks.turns else _BY_FEET
    of_set = exercise or (by_feet[feet] if known else None)
    reps = []
    for index, (flight, landing) in enumerate(zip(flights, landed, strict=True)):
        rep_feet = (own[index] or feet) if mixed else feet
        following = flights[index + 1] if index + 1 < len(flights) else None
        lowest_s = _lowest_point_s(landing, following, tracks, settings)
        reason = _refusal(flight, landing, lowest_s, rep_feet, tracks, settings)
        if reason is None and own[index] is None and not told:
            reason = because(Code.OTHER_FOOT_NOT_SEEN, limb=flight.unseen_limbs[0])
        reps.append(
            Rep(
                number=index + 1,
                exercise=exercise or by_feet[rep_feet],
                limbs=LIMBS if rep_feet == 2 else seen[index][:1],
                flight=flight,
                contacts=landing,
                peak_flexion_s=lowest_s,
                next_flight=None if _fell(landing) else following,
                used=reason is None,
                reason=reason,
            )
        )
    reps = _without_lost_legs(reps, tracks, settings)
    return Reps(of_set, _hopping_limb(reps) if feet == 1 else None, tuple(reps))


def group_shifts(
    contacts: Contacts, tracks: Tracks, settings: RepSettings, exercise: Exercise | None = None
) -> Reps:
    """Make a rep of each load of a body that shifts its weight, see `contacts.shifts`.

    The last one, whose end is not seen, is a rep as well: what is read at its deepest is there.
    A leg is bent deepest where the pelvis turns back: its height hardly tells.
    """
    flights = (*contacts.flights, None)
    across = np.array([tracks.down[1], -tracks.down[0]])
    pelvis_px = tracks.xy_px[:, _HIPS].mean(axis=1) @ across
    first, last = np.searchsorted(tracks.t_s, _span_s(contacts, tracks))
    way_px = pelvis_px[first : max(last, first + 1)]
    known_px = way_px[np.isfinite(way_px)]
    middle_px = 0.5 * (known_px.min() + known_px.max()) if len(known_px) else np.nan
    reps = []
    for number, contact in enumerate(contacts.contacts, 1):
        start_s = contact.initial_contact.t_s
        end_s = contact.toe_off.t_s if contact.toe_off else start_s + settings.longest_landing_s
        inside = np.flatnonzero((tracks.t_s >= start_s) & (tracks.t_s <= end_s))
        turned_s = _turned_s(tracks.t_s[inside], np.abs(pelvis_px[inside] - middle_px), settings)
        reps.append(
            Rep(
                number=number,
                exercise=exercise or _SHIFTED,
                limbs=(contact.limb,),
                flight=contacts.flights[number - 1],
                contacts=(contact,),
                peak_flexion_s=turned_s,
                next_flight=flights[number],
            )
        )
    return Reps(exercise or _SHIFTED if reps else None, None, tuple(reps))


def _turned_s(t_s: FloatArray, outward: FloatArray, settings: RepSettings) -> float | None:
    """Return when a pelvis is farthest out, by a parabola; None where it was not seen."""
    known = np.isfinite(outward)
    if not known.any():
        return None
    top_s = float(t_s[np.nanargmax(outward)])
    near = known & (np.abs(t_s - top_s) <= settings.turn_reach_s)
    if near.sum() <= 3:  # definition: as many as a parabola has coefficients
        return top_s
    bend, slope, _ = np.polyfit(t_s[near] - top_s, outward[near], 2)
    reach_s = 0.5 * settings.turn_reach_s
    return top_s + float(np.clip(-slope / (2 * bend), -reach_s, reach_s)) if bend < 0 else top_s


def _span_s(contacts: Contacts, tracks: Tracks) -> tuple[float, float]:
    """Return from when until when there are loads."""
    starts_s = [contact.initial_contact.t_s for contact in contacts.contacts]
    return min(starts_s, default=float(tracks.t_s[0])), float(tracks.t_s[-1])


_SHIFTED: Exercise = "lateral_bound"


def _no_reps(contacts: Contacts) -> tuple[Note, ...]:
    if contacts.notes:
        return ()
    return (Note("reps", "poor", (because(Code.NO_FLIGHT),)),)


def _landed(contacts: Contacts, index: int, half_contact_s: float) -> tuple[Contact, ...]:
    """Return the contacts that began with the landing of one flight."""
    starts_s = [_middle_s(flight, half_contact_s) for flight in contacts.flights]
    until_s = starts_s[index + 1] if index + 1 < len(starts_s) else np.inf
    return tuple(
        contact
        for contact in contacts.contacts
        if starts_s[index] <= contact.initial_contact.t_s < until_s
    )


def _without_lost_legs(reps: list[Rep], tracks: Tracks, settings: RepSettings) -> list[Rep]:
    """Refuse reps on one foot of which it is not sure on which.

    A bound changes the foot as a hop seems to do whose legs were taken for each other. Where
    most changes are at legs that the tracks had to exchange for a while, none of the set is
    sure. Else legs take turns, and only a rep beside an exchange that is out of turn is in doubt;
    where fewer change the foot, only one on the same foot again that flies as low as a step.
    """
    bounds = [rep for rep in reps if rep.is_bound]
    limbs = [rep.limbs for rep in reps]
    lasting = replace(tracks, swapped=_lasting(tracks, settings))
    lost = sum(_exchanged_in(rep, rep.flight.landing, lasting, settings) for rep in bounds)
    if lost and 2 * lost >= len(bounds):  # definition: half of them
        return [_refused(rep, _LEGS_LOST) if rep.limbs != LIMBS else rep for rep in reps]
    in_turn = 2 * len(bounds) > len(reps)  # definition: half of them
    return [
        _refused(rep, _LEGS_LOST)
        if rep.limbs != LIMBS
        and (in_turn or (bounds and not rep.is_bound and _flies_low(rep, settings)))
        and not (0 < k < len(reps) - 1 and limbs[k - 1] == limbs[k + 1] != limbs[k])
        and _exchanged_in(rep, _leaves(rep), tracks, settings)
        else rep
        for k, rep in enumerate(reps)
    ]


def _flies_low(rep: Rep, settings: RepSettings) -> bool:
    """Say whether a rep's flight is shorter than hops have."""
    take_off, landing = rep.flight.take_off, rep.flight.landing
    return bool(take_off and landing and landing.t_s - take_off.t_s < settings.shortest_hop_s)


def _lasting(tracks: Tracks, settings: RepSettings) -> BoolArray:
    """Return in which frames legs were exchanged for longer than they take to pass each other."""
    lasting = np.zeros_like(tracks.swapped)
    for first, last in runs(tracks.swapped):
        lasting[first : last + 1] = tracks.t_s[last] - tracks.t_s[first] > settings.passing_s
    return lasting


def _leaves(rep: Rep) -> Event | None:
    return next((c.toe_off for c in rep.contacts if c.toe_off), rep.flight.landing)


def _exchanged_in(rep: Rep, until: Event | None, tracks: Tracks, settings: RepSettings) -> bool:
    """Say whether legs were exchanged, or back, from a rep's take-off until an event of it."""
    take_off = rep.flight.take_off
    if take_off is None or until is None:
        return False
    from_s, to_s = take_off.t_s - settings.exchange_reach_s, until.t_s + settings.exchange_reach_s
    swapped = tracks.swapped[(tracks.t_s >= from_s) & (tracks.t_s <= to_s)]
    return bool(swapped.any() and not swapped.all())


def _refused(rep: Rep, reason: Reason) -> Rep:
    return replace(rep, used=False, reason=reason) if rep.used else rep


def _fell(landing: tuple[Contact, ...]) -> bool:
    """Say whether a flight may have been missed between a landing and the next flight."""
    whys = [contact.toe_off_reason for contact in landing]
    return any(why is not None and why.code == Code.FELL_BEFORE_TOE_OFF for why in whys)


def _middle_s(flight: Flight, half_contact_s: float) -> float:
    """Return the middle of a flight: its landings come later, the one before it earlier.

    A flight's landing is the better seen of two feet, so that a foot may land before it.
    """
    if flight.landing is None:
        return np.inf
    if flight.take_off is None:
        return flight.landing.t_s - half_contact_s
    return 0.5 * (flight.take_off.t_s + flight.landing.t_s)


def _feet(flight: Flight, limbs: tuple[Limb, ...]) -> Literal[1, 2] | None:
    """Return what one rep is by itself: a hop only where the other foot was seen to hang."""
    if len(limbs) == 2:
        return 2
    return None if flight.unseen_limbs or flight.landing is None else 1


def _limbs(flight: Flight, landing: tuple[Contact, ...]) -> tuple[Limb, ...]:
    if landing:
        return tuple(contact.limb for contact in landing)
    return flight.take_off_limbs


def _hopping_limb(reps: list[Rep]) -> Limb | None:
    """Return the limb of a hop set, None when the set changes limbs."""
    used = Counter(rep.limbs[0] for rep in reps if rep.used and rep.limbs)
    return next(iter(used)) if len(used) == 1 else None


def _window_end_s(
    landing: tuple[Contact, ...], following: Flight | None, tracks: Tracks, settings: RepSettings
) -> float:
    """Return the end of the landing: the next take-off, the clip's end or the longest landing."""
    start_s = min(contact.initial_contact.t_s for contact in landing)
    end_s = min(start_s + settings.longest_landing_s, float(tracks.t_s[-1]))
    if following is not None and following.take_off is not None:
        end_s = min(end_s, following.take_off.t_s)
    return end_s


def _lowest_point_s(
    landing: tuple[Contact, ...],
    following: Flight | None,
    tracks: Tracks,
    settings: RepSettings,
) -> float | None:
    """Return the instant of the body's lowest point in a landing, refined by a parabola.

    The mean of hips and shoulders: in a frontal view the pose model's hips alone stay
    almost level through the bottom of a landing, up to 75 ms off on rendered clips.
    """
    if not landing:
        return None
    start_s = min(contact.initial_contact.t_s for contact in landing)
    end_s = _window_end_s(landing, following, tracks, settings)
    depth = tracks.xy_px[:, _BODY].mean(axis=1) @ tracks.down
    inside = np.flatnonzero((tracks.t_s >= start_s) & (tracks.t_s <= end_s) & np.isfinite(depth))
    of_parabola = 3  # definition: its coefficients
    if len(inside) < of_parabola:
        return None
    lowest = int(inside[np.argmax(depth[inside])])
    around = inside[np.abs(tracks.t_s[inside] - tracks.t_s[lowest]) <= settings.lowest_reach_s]
    if len(around) < of_parabola or lowest in (inside[0], inside[-1]):
        return float(tracks.t_s[lowest])
    t_s = tracks.t_s[around] - tracks.t_s[lowest]
    bend, slope, _ = np.polyfit(t_s, depth[around], 2)
    if bend >= 0:
        return float(tracks.t_s[lowest])
    shift_s = float(np.clip(-slope / (2 * bend), t_s[0], t_s[-1]))
    return float(tracks.t_s[lowest]) + shift_s


def _refusal(
    flight: Flight,
    landing: tuple[Contact, ...],
    lowest_s: float | None,
    feet: int,
    tracks: Tracks,
    settings: RepSettings,
) -> Reason | None:
    """Say why a rep is not used, or None when it is."""
    if flight.take_off is None:
        return because(Code.STARTS_IN_THE_AIR)
    if flight.landing is None:
        return because(Code.ENDS_IN_THE_AIR)
    if lowest_s is None or lowest_s > tracks.t_s[-1] - settings.after_lowest_s:
        return because(Code.ENDS_DURING_LANDING)
    limbs = [contact.limb for contact in landing]
    if feet == 2 and len(limbs) == 1 and not flight.unseen_limbs:
        return because(Code.ONE_FOOT_IN_JUMPS, limb=limbs[0])
    if feet == 1 and len(limbs) == 2:
        return because(Code.TWO_FEET_IN_HOPS)
    return None
