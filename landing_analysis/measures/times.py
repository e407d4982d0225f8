"""Times between contacts, and what follows from them alone: (Scene, Rep[, Limb]) -> Reading."""

from __future__ import annotations

import math

from landing_analysis.maths.kinematics import flight_height_m, flight_height_sd_m
from landing_analysis.measures.instants import (
    contact_of,
    edges,
    frames_at,
    instant,
    interval,
    lands,
    leaves,
    refuse_held,
)
from landing_analysis.measures.scene import (
    BodyReader,
    Instant,
    LimbReader,
    Reading,
    Scene,
    not_measurable,
)
from landing_analysis.measures.summaries import BOTH_LIMBS_PARTS, MODEL_TIMING, TIMING
from landing_analysis.reasons import Code
from landing_analysis.tables import LIMBS, Limb, Rep


def _contact_time(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    start = lands(scene, rep, limb)
    end = leaves(scene, rep, limb)
    refuse_held(scene, end.t_s - start.t_s)
    return interval(scene, start, end)


def _flight_time(scene: Scene, rep: Rep) -> Reading:
    return interval(scene, *edges(scene, rep.flight))


def _jump_height(scene: Scene, rep: Rep) -> Reading:
    if scene.tracks.turns:
        raise not_measurable(Code.PULLED_BY_CORDS)
    flight = _flight_time(scene, rep)
    parts = tuple((name, flight_height_sd_m(flight.value, sd)) for name, sd in flight.parts)
    return Reading(flight_height_m(flight.value), parts, flight.frames)


def _reactive_strength_index(scene: Scene, rep: Rep) -> Reading:
    """Time of the next flight over the time on the ground before it.

    The take-off in between ends the one and starts the other, so that its error counts
    in both; what the landings share counts in both as well.
    """
    if rep.next_flight is None or rep.flight.landing is None:
        raise not_measurable(Code.NO_FLIGHT_FOLLOWS)
    landing = instant(scene, rep.flight.landing, "landing")
    take_off, next_landing = edges(scene, rep.next_flight)
    ground_s, flight_s = take_off.t_s - landing.t_s, next_landing.t_s - take_off.t_s
    refuse_held(scene, ground_s)
    index = flight_s / ground_s
    per_flight, per_ground = 1 / flight_s, 1 / ground_s
    both = per_flight + per_ground
    own = math.hypot(
        per_ground * landing.single_sd_s,
        both * take_off.single_sd_s,
        per_flight * next_landing.single_sd_s,
    )
    shared_landing_sd_s = max(landing.shared_sd_s, next_landing.shared_sd_s)
    shared = both * math.hypot(shared_landing_sd_s, take_off.shared_sd_s)
    return Reading(
        index,
        ((TIMING, index * own), (MODEL_TIMING, index * shared)),
        frames_at(scene, landing.t_s, take_off.t_s, next_landing.t_s),
    )


def _inter_limb_delay(scene: Scene, rep: Rep) -> Reading:
    for limb in rep.flight.unseen_limbs:
        raise not_measurable(Code.LANDING_NOT_SEEN, limb=limb)
    if any(rep.contact(limb) is None for limb in LIMBS):
        raise not_measurable(Code.LANDS_ON_ONE_FOOT)
    first, second = (lands(scene, rep, limb) for limb in LIMBS)
    delay = interval(scene, first, second, scale=1000.0)  # definition: ms in a second
    # What both feet's landings are read late by is not between them.
    return delay._replace(parts=tuple(p for p in delay.parts if p[0] not in BOTH_LIMBS_PARTS))


def _toe_to_heel_interval(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    contact = contact_of(rep, limb)
    if contact.toe_contact is None or contact.heel_contact is None:
        raise not_measurable(Code.TOE_OR_HEEL_NOT_SEEN)
    toe, heel = (
        instant(scene, event, "landing") for event in (contact.toe_contact, contact.heel_contact)
    )
    return interval(scene, toe, heel, scale=1000.0)  # definition: ms in a second


def _step_rate(scene: Scene, rep: Rep) -> Reading:
    following = rep.next_flight
    if following is None or rep.flight.landing is None or following.landing is None:
        raise not_measurable(Code.NO_FLIGHT_FOLLOWS)
    start, end = (
        instant(scene, event, "landing") for event in (rep.flight.landing, following.landing)
    )
    between = interval(scene, start, end)
    refuse_held(scene, between.value)
    per_min = 60.0 / between.value  # definition: seconds in a minute
    # What all landings of a clip share is the same at both ends of a step.
    parts = ((TIMING, per_min / between.value * between.parts[0][1]),)
    return Reading(per_min, parts, between.frames)


def _drive_time(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    end = leaves(scene, rep, limb)
    if rep.peak_flexion_s is None:
        raise not_measurable(Code.LOWEST_POINT_NOT_SEEN)
    deepest = Instant(rep.peak_flexion_s, scene.settings.measures.turn_instant_sd_s, 0.0)
    return interval(scene, deepest, end)


def _glide_time(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    end = leaves(scene, rep, limb)
    following = rep.next_flight
    if following is None or following.landing is None:
        raise not_measurable(Code.NO_FLIGHT_FOLLOWS)
    return interval(scene, end, instant(scene, following.landing, "landing"))


LIMB_READERS: dict[str, LimbReader] = {
    "contact_time": _contact_time,
    "toe_to_heel_interval": _toe_to_heel_interval,
    "drive_time": _drive_time,
    "glide_time": _glide_time,
}

BODY_READERS: dict[str, BodyReader] = {
    "flight_time": _flight_time,
    "jump_height": _jump_height,
    "reactive_strength_index": _reactive_strength_index,
    "inter_limb_delay": _inter_limb_delay,
    "step_rate": _step_rate,
}
