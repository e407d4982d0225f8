"""Whether a fall of the body was a flight: nothing carried it, and it left and landed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

import numpy as np

from landing_analysis.contacts.falls import falls_freely
from landing_analysis.contacts.feet import (
    FootEvents,
    FootVisibility,
    Motion,
    hangs,
    mean_acceleration,
    rose_with_body,
)
from landing_analysis.contacts.standing import OnGround
from landing_analysis.maths.kinematics import flight_height_m
from landing_analysis.maths.statistics import Z_95
from landing_analysis.settings import ContactSettings
from landing_analysis.tables import LIMBS, Contact, Event, Flight, Limb, other_limb


def resolve_flight(
    motion: Motion,
    events: dict[Limb, FootEvents],
    segment: tuple[int, int],
    settings: ContactSettings,
) -> Flight | None:
    """Turn one candidate into a flight, or None when a foot carried the body through it."""
    landings = {limb: e.initial_contact for limb, e in events.items() if e.initial_contact}
    toe_offs = {limb: e.toe_off for limb, e in events.items() if e.toe_off}
    first, last = segment
    landing = min(_well_placed(landings, settings), key=lambda event: event.t_s, default=None)
    take_off = max(_well_placed(toe_offs, settings), key=lambda event: event.t_s, default=None)
    starts_in_air = take_off is None and motion.t_s[first] - motion.t_s[0] < settings.cut_off_s
    ends_in_air = landing is None and motion.t_s[-1] - motion.t_s[last] < settings.cut_off_s
    if (take_off is None and not starts_in_air) or (landing is None and not ends_in_air):
        return None
    start_s = take_off.t_s if take_off else motion.t_s[0]
    end_s = landing.t_s if landing else motion.t_s[-1]
    duration_s = end_s - start_s
    if duration_s > settings.max_flight_s:
        return None
    sd_s = float(np.linalg.norm([edge.sd_s for edge in (take_off, landing) if edge]))
    long = duration_s >= max(settings.min_flight_s, Z_95 * sd_s)
    surely = falls_freely(motion, segment, settings) and _lifted(motion, segment, settings)
    if not (long and surely):
        flown = _flown(motion, segment, (start_s, end_s), settings)
        # A shorter one may as well be none, if toes and the whole fall do not show that it is one.
        begins_s, ends_s = (float(motion.t_s[frame]) for frame in segment)
        shown = flown and fell(motion, begins_s, ends_s, settings)
        if not long and (not shown or duration_s < settings.min_flight_s - sd_s):
            return None
        if not surely and not _left_the_ground(
            motion, events, flown, (start_s, end_s), settings, whole=bool(take_off and landing)
        ):
            return None

    def together(events: dict[Limb, Event], with_s: float) -> tuple[Limb, ...]:
        lead = settings.max_inter_limb_delay_s
        return tuple(limb for limb in events if abs(events[limb].t_s - with_s) <= lead)

    left = together(toe_offs, start_s) if take_off else ()
    if left and not any(_heel_rose(motion, limb, start_s, end_s, settings) for limb in left):
        return None
    return Flight(
        take_off,
        landing,
        left,
        together(landings, end_s) if landing else (),
    )


def with_unseen(
    motion: Motion,
    flight: Flight,
    on_ground: OnGround,
    visibilities: Mapping[Limb, FootVisibility],
    settings: ContactSettings,
) -> Flight:
    """Note the foot, of those whose ``visibilities`` are told, that neither landed nor hung."""
    landing = flight.landing
    if landing is None:
        return flight
    ground_s = on_ground["toe_contact"]
    unseen = (
        limb
        for limb in visibilities
        if limb not in flight.landing_limbs
        and not hangs(
            motion, limb, "toe_contact", landing.t_s, ground_s, visibilities[limb], settings
        )
    )
    return replace(flight, unseen_limbs=tuple(unseen))


def leaving_from_the_foot_that_landed(
    flights: list[Flight], settings: ContactSettings
) -> list[Flight]:
    """Let a flight leave from the foot that landed shortly before, not from the one that hung.

    A foot that did not land cannot leave; one that was not seen to hang may have landed.
    """
    left = flights[:1]
    for before, flight in pairwise(flights):
        landed, off = before.landing, flight.take_off
        alone = len(before.landing_limbs) == len(flight.take_off_limbs) == 1
        if landed and off and alone and not before.unseen_limbs:
            soon = off.t_s - landed.t_s < settings.longest_quick_contact_s
            limbs = before.landing_limbs if soon else flight.take_off_limbs
            flight = replace(flight, take_off_limbs=limbs)
        left.append(flight)
    return left


def leaps_less_sure(
    contacts: list[Contact], flights: list[Flight], settings: ContactSettings
) -> tuple[list[Contact], list[Flight]]:
    """Claim more of flights from one foot to the other, and of the contacts beside them.

    The leg is drawn up as it leaves and stretched down as it lands, so that its toes move on
    neither a free arc nor from rest.
    """

    def widened(event: Event) -> Event:
        return replace(event, sd_s=float(np.hypot(event.sd_s, settings.leap_sd_s)))

    def near(event: Event, other: Event) -> bool:
        return abs(event.t_s - other.t_s) <= settings.max_inter_limb_delay_s

    for number, flight in enumerate(flights):
        left, landed = flight.take_off, flight.landing
        off, on = flight.take_off_limbs, flight.landing_limbs
        if not (left and landed and len(off) == len(on) == 1 and off != on):
            continue
        for place, contact in enumerate(contacts):
            if contact.limb in on and near(contact.initial_contact, landed):
                toe = contact.toe_contact and widened(contact.toe_contact)
                contact = replace(
                    contact, initial_contact=widened(contact.initial_contact), toe_contact=toe
                )
            elif contact.limb in off and contact.toe_off and near(contact.toe_off, left):
                contact = replace(contact, toe_off=widened(contact.toe_off))
            contacts[place] = contact
        flights[number] = replace(flight, take_off=widened(left), landing=widened(landed))
    return contacts, flights


def _well_placed(events: dict[Limb, Event], settings: ContactSettings) -> list[Event]:
    """Leave out the event of a hidden foot where the other foot's is placed far better."""
    best_s = min((event.sd_s for event in events.values()), default=0.0)
    worst_s = settings.better_placed_ratio * best_s
    return [event for event in events.values() if event.sd_s <= worst_s]


def _left_the_ground(
    motion: Motion,
    events: dict[Limb, FootEvents],
    flown: list[Limb],
    edges_s: tuple[float, float],
    settings: ContactSettings,
    *,
    whole: bool,
) -> bool:
    """Say whether no foot carried the body between two edges, while it fell.

    ``flown`` names the feet whose toes are seen to have flown. Of a flight of which the clip
    shows the ``whole``, toes must have risen as well.
    """
    if not fell(motion, *edges_s, settings):
        return False
    standing = (limb for limb in LIMBS if limb not in flown)
    if any(_carried(motion, events, limb, *edges_s, settings) for limb in standing):
        return False
    flew = any(events[limb].toe_off and events[limb].toe_contact for limb in flown)
    return not whole or flew or _rose(motion, events, *edges_s, settings)


def _flown(
    motion: Motion,
    segment: tuple[int, int],
    edges_s: tuple[float, float],
    settings: ContactSettings,
) -> list[Limb]:
    """Return whose toes flew: in a fall, as rests beside it were parted, or between its edges."""
    fall_s = float(motion.t_s[segment[0]]), float(motion.t_s[segment[1]])
    return [
        limb
        for limb in LIMBS
        if any(rose_with_body(motion, limb, *asked_s, settings) for asked_s in (fall_s, edges_s))
    ]


def _carried(
    motion: Motion,
    events: dict[Limb, FootEvents],
    limb: Limb,
    start_s: float,
    end_s: float,
    settings: ContactSettings,
) -> bool:
    """Say whether a foot rested on the ground through most of a would-be flight.

    A foot at rest well above where the other foot left or landed is held in the air.
    """
    inside = (motion.t_s > start_s) & (motion.t_s < end_s)
    if inside.sum() < 2:
        return False
    height = motion.toe_m[limb][inside]
    other = events[other_limb(limb)]
    ground_m = np.fmax(other.level_before_m, other.level_after_m)
    if np.mean(height) - ground_m > settings.held_foot_m:
        return False
    if not np.isfinite(height).all():
        return False
    rise = height.max() - max(height[0], height[-1])
    rested = motion.resting[limb][inside].mean() > settings.carried_rest_share
    return bool(
        rested
        and rise < settings.carried_rise_share * flight_height_m(end_s - start_s, motion.pull_m_s2)
    )


def fell(motion: Motion, start_s: float, end_s: float, settings: ContactSettings) -> bool:
    """Say whether the body fell through the whole of a would-be flight, not only in a part."""
    mean = mean_acceleration(motion, start_s, end_s)
    return mean < -settings.falling_mean_share * motion.pull_m_s2


def _heel_rose(
    motion: Motion, limb: Limb, start_s: float, end_s: float, settings: ContactSettings
) -> bool:
    """Say whether ankle and heel of the foot that left rose over where they stood.

    A foot leaves the ground over its toes: by then both are centimetres up, and their middle is
    better seen than either. True as well where they were not seen, or fall lower than they stood,
    as off a box.
    """
    rear_m = 0.5 * (motion.ankle_m[limb] + motion.heel_m[limb])
    before = (motion.t_s > start_s - settings.stood_before_s) & (motion.t_s <= start_s)
    inside = (motion.t_s >= start_s) & (motion.t_s <= end_s)
    stood_m, inside_m = (rear_m[part & np.isfinite(rear_m)] for part in (before, inside))
    if not len(stood_m) or not len(inside_m):
        return True
    lowest_m = float(np.percentile(stood_m, settings.floor_percentile))
    least_m = settings.least_heel_rise_m
    return bool(inside_m.max() - lowest_m > least_m or lowest_m - inside_m.min() > least_m)


def _rose(
    motion: Motion,
    events: dict[Limb, FootEvents],
    start_s: float,
    end_s: float,
    settings: ContactSettings,
) -> bool:
    """Say whether the toes were surely above the line between the levels they left and met.

    A free arc of duration T lies g T^2 / 12 above that line on average.
    """
    inside = (motion.t_s > start_s) & (motion.t_s < end_s)
    share = (motion.t_s[inside] - start_s) / (end_s - start_s)
    rises_m, noise_m = [], []
    for limb, own in events.items():
        if own.toe_off is None or own.toe_contact is None or not len(share):
            continue
        if np.isnan(own.level_before_m) or np.isnan(own.level_after_m):
            continue
        line = own.level_before_m + share * (own.level_after_m - own.level_before_m)
        rises_m.append(float(np.mean(motion.toe_m[limb][inside] - line)))
        noise_m.append(motion.noise_m[f"{limb}_toe"] / np.sqrt(len(share)))
    if not rises_m:
        return True
    expected_m = motion.pull_m_s2 * (end_s - start_s) ** 2 / 12  # definition: of a free arc
    least_m = max(settings.least_rise_share * expected_m, settings.noise_sds * max(noise_m))
    return bool(max(rises_m) > least_m)


def _lifted(motion: Motion, segment: tuple[int, int], settings: ContactSettings) -> bool:
    """Say whether a foot's toes were higher during a fall than before and after it.

    A foot that stands at another height afterwards has left the ground as well. In a
    flight of a tenth of a second toes rise by a centimetre: no more than noise in one
    frame, but not over several.
    """
    t_s = motion.t_s
    start_s, end_s = float(t_s[segment[0]]), float(t_s[segment[1]])
    before = (t_s > start_s - settings.toes_before_s) & (t_s < start_s)
    after = (t_s > end_s + settings.toes_after_from_s) & (t_s < end_s + settings.toes_after_to_s)
    inside = (t_s >= 0.5 * (start_s + end_s)) & (t_s <= end_s)
    in_air_s = max(end_s - start_s - settings.body_off_late_s, 0.0)
    least_m = settings.sure_rise_share * flight_height_m(in_air_s, motion.pull_m_s2)
    for limb in LIMBS:
        toe_m = motion.toe_m[limb]
        sides = [toe_m[side & np.isfinite(toe_m)] for side in (before, after)]
        known = [float(np.median(side)) for side in sides if len(side)]
        highest_m = float(np.fmax.reduce(toe_m[inside], initial=-np.inf))
        noise_m = motion.noise_m[f"{limb}_toe"] / np.sqrt(max(int(inside.sum()), 1))
        if not known or max(known) - min(known) > settings.held_foot_m:
            return True
        if highest_m - max(known) > max(settings.noise_sds * noise_m, least_m):
            return True
    return False
