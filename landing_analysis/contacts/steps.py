"""Steps from foot to foot, quick and low: which foot stands when, told by feet and body at once.

A quick step's flight lasts a tenth of a second or less, and the foot that comes down hangs near
the floor long before it lands: neither a foot alone nor the body alone places it. Together they
do. Every frame tells for or against each foot standing, by how high its toes and ankle are and
how fast the toes move, and whether the body falls. The likeliest course of standing on the left
foot, on the right one, on both, and of flying is found over the whole clip at once, where each
change costs something, so that a few misread frames change nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from landing_analysis.contacts.feet import Motion
from landing_analysis.maths.courses import likeliest_course
from landing_analysis.maths.signals import local_polynomial, running_percentile, usual_steps_s
from landing_analysis.reasons import Code, Reason, because
from landing_analysis.settings import StepSettings
from landing_analysis.tables import (
    LIMBS,
    Contact,
    Contacts,
    Event,
    Flight,
    FloatArray,
    Limb,
)

_STANDS_ON: tuple[tuple[Limb, ...], ...] = (("left",), ("right",), LIMBS, ())
"""What the body may stand on, the air last."""


class Stay(NamedTuple):
    """A time on the same feet, or in the air."""

    on: tuple[Limb, ...]
    start_s: float
    end_s: float


class Step(NamedTuple):
    """A stay on the ground that began with a landing, and the one that it came from."""

    came_from: Stay
    stay: Stay
    other_leg_seen: bool = False
    """Whether the tracks show the other leg on it, or in the swing before it."""

    def on_foot(self, on: tuple[Limb, ...]) -> Step:
        """Return the same on the other foot than the tracks show."""
        return Step(self.came_from, self.stay._replace(on=on), other_leg_seen=True)


class Bout(NamedTuple):
    """Steps without a pause: contacts and flights, from the first take-off to the last landing."""

    start_s: float
    end_s: float
    contacts: tuple[Contact, ...]
    flights: tuple[Flight, ...]


def with_steps(
    found: Contacts, motion: Motion, settings: StepSettings, *, from_side: bool
) -> Contacts:
    """Put quick steps in the place of what the body's falls show of them.

    Parameters
    ----------
    found : Contacts from the falls of the body
    motion : Motion
    settings : StepSettings
    from_side : whether the clip shows the body from the side

    Returns
    -------
    Contacts
        Bouts of steps of which the falls show every landing, and both feet each time, stay as
        these show them; if they fly low, feet over the whole clip and falls are averaged.

    Notes
    -----
    The course is found by dynamic programming (Viterbi AJ. IEEE Trans Inf Theory 1967;13:260-269;
    from memory, sure); what a frame tells is this project's own. A landing is placed between
    where the foot is told to stand and where the body's fall ends, a toe-off between where it is
    told to be gone and where the fall begins.
    Limits: steps that take turns without any fall of the body are walking and left out, as are
    fewer than ``settings.fewest_steps``, and slower ones, which the falls show.
    """
    settings = _as_seen(settings, from_side=from_side)
    for bout in _bouts(motion, settings):
        inside = [c for c in found.contacts if _within(c.initial_contact.t_s, bout, settings)]
        within = [f for f in found.flights if _within(_landing_s(f), bout, settings)]
        unseen = any(flight.unseen_limbs for flight in within)
        contacts = [c for c in found.contacts if c not in inside]
        flights = [f for f in found.flights if f not in within]
        if not unseen and _shown(bout.contacts, inside, settings):
            if not _low(bout, settings):
                continue
            bout = _averaged(bout, inside, within, settings)
        found = replace(
            found,
            contacts=tuple(
                sorted([*contacts, *bout.contacts], key=lambda c: c.initial_contact.t_s)
            ),
            flights=tuple(sorted([*flights, *bout.flights], key=_landing_s)),
        )
    return found


def _as_seen(settings: StepSettings, *, from_side: bool) -> StepSettings:
    """Add what edges err by as a clip is seen to what they err by from the joints."""
    on_s = settings.side_on_early_s if from_side else 0.0
    off_s = -settings.side_off_late_s if from_side else settings.front_off_early_s
    return replace(
        settings,
        told_on_early_s=settings.told_on_early_s + on_s,
        fall_on_early_s=settings.fall_on_early_s + on_s,
        told_off_early_s=settings.told_off_early_s + off_s,
        fall_off_early_s=settings.fall_off_early_s + off_s,
    )


def _shown(contacts: tuple[Contact, ...], found: list[Contact], settings: StepSettings) -> bool:
    """Say whether every landing is among others, of the same feet."""

    def near(at_s: float, some: tuple[Contact, ...] | list[Contact]) -> list[Limb]:
        beside = settings.beside_s
        return sorted(c.limb for c in some if abs(c.initial_contact.t_s - at_s) < beside)

    landed_s = [contact.initial_contact.t_s for contact in contacts]
    return all(near(at_s, found) == near(at_s, contacts) for at_s in landed_s)


def _low(bout: Bout, settings: StepSettings) -> bool:
    """Say whether a bout's flights are shorter than those of hops."""
    flights_s = [f.landing.t_s - f.take_off.t_s for f in bout.flights if f.take_off and f.landing]
    return bool(flights_s) and float(np.median(flights_s)) < settings.low_flight_s


def _averaged(
    bout: Bout, contacts: list[Contact], flights: list[Flight], settings: StepSettings
) -> Bout:
    """Average a bout's edges with those that the falls show of it, as sure as the steps' are."""

    def with_near(event: Event | None, others: Iterator[Event | None]) -> Event | None:
        near = [o.t_s for o in others if o and event and abs(o.t_s - event.t_s) < settings.beside_s]
        if event is None or not near:
            return event
        other_s = min(near, key=lambda at_s: abs(at_s - event.t_s))
        return replace(event, t_s=0.5 * (event.t_s + other_s))  # definition: the mean

    def of(contact: Contact) -> Contact:
        own = [c for c in contacts if c.limb == contact.limb]
        landing = with_near(contact.initial_contact, (c.initial_contact for c in own))
        off = with_near(contact.toe_off, (c.toe_off for c in own))
        return replace(
            contact, initial_contact=landing or contact.initial_contact, toe_off=off,
            toe_contact=landing,
        )  # fmt: skip

    def flown(flight: Flight) -> Flight:
        take_off = with_near(flight.take_off, (f.take_off for f in flights))
        return replace(
            flight,
            take_off=take_off,
            landing=with_near(flight.landing, (f.landing for f in flights)),
        )

    return bout._replace(
        contacts=tuple(map(of, bout.contacts)), flights=tuple(map(flown, bout.flights))
    )


def _within(at_s: float, bout: Bout, settings: StepSettings) -> bool:
    return bout.start_s - settings.beside_s <= at_s <= bout.end_s + settings.beside_s


def _landing_s(flight: Flight) -> float:
    """Return when a flight ends, the clip's end where that cuts it off."""
    return flight.landing.t_s if flight.landing else float("inf")


# --- which foot stands when --------------------------------------------------------------------


def _stays(motion: Motion, settings: StepSettings) -> list[Stay]:
    """Return the likeliest course of stays."""
    t_s = motion.t_s
    left, right = (_stands(motion, limb, settings) for limb in LIMBS)
    left, right = _where_not_carried(motion, left, right, settings)
    at_rest = np.maximum(np.maximum(left, right), 0.0)
    weight = settings.fall_weight * (1.0 - settings.dip_share * at_rest)
    falls = weight * _falls(motion, settings)
    told = np.stack([left - right, right - left, left + right, -left - right], axis=1)
    told += np.stack([-falls, -falls, -falls, falls], axis=1)
    steps_s = usual_steps_s(t_s)
    frames_s = np.concatenate([steps_s[:1], steps_s])
    course = likeliest_course(told * (frames_s / settings.telling_s)[:, None], settings.change_cost)
    edges = [0, *(np.flatnonzero(np.diff(course)) + 1), len(course)]
    middle_s = np.concatenate([t_s[:1], 0.5 * (t_s[1:] + t_s[:-1]), t_s[-1:]])
    stays = [
        Stay(_STANDS_ON[course[first]], float(middle_s[first]), float(middle_s[stop]))
        for first, stop in pairwise(edges)
    ]
    return _without_blinks(stays, settings)


def _where_not_carried(
    motion: Motion, left: FloatArray, right: FloatArray, settings: StepSettings
) -> tuple[FloatArray, FloatArray]:
    """Return what feet tell, less where both are told in the air while the ground carries the body.

    There a leg was not seen: in high knees the pose model now and then puts both where the
    raised one is.
    """
    upward = motion.body_acceleration / motion.pull_m_s2 / settings.carried_share
    less = np.clip(1.0 - np.nan_to_num(upward), 0.0, 1.0)
    believed = np.where((left < 0.0) & (right < 0.0), less, 1.0)
    return left * believed, right * believed


def _without_blinks(stays: list[Stay], settings: StepSettings) -> list[Stay]:
    """Join stays on the same feet between which the body seems to fly for too short a time."""
    joined: list[Stay] = []
    for stay in stays:
        if len(joined) > 1 and not joined[-1].on and joined[-2].on == stay.on:
            before, air = joined[-2:]
            if air.end_s - air.start_s < settings.shortest_air_s:
                joined[-2:] = [before._replace(end_s=stay.end_s)]
                continue
        joined.append(stay)
    return joined


def _stands(motion: Motion, limb: Limb, settings: StepSettings) -> FloatArray:
    """Return from 1, surely standing, down to ``-in_air_weight``, surely not; 0 tells nothing."""
    t_s = motion.t_s
    speed = local_polynomial(t_s, motion.toe_place_m[limb], settings.half_window_s, 1)[1]
    away = np.fmax.reduce(
        [
            _above_floor_m(t_s, motion.toe_m[limb], settings) / settings.toe_high_m,
            _above_floor_m(t_s, motion.ankle_m[limb], settings) / settings.ankle_high_m,
            np.hypot(*speed.T) / settings.moves_m_s,
        ],
        axis=0,
    )
    stands = np.clip(1.0 - away, -settings.in_air_weight, 1.0)
    known: FloatArray = np.where(np.isfinite(stands), stands, 0.0)
    return known


def _falls(motion: Motion, settings: StepSettings) -> FloatArray:
    """Return from -1, the ground carries the body, to 1, it falls; 0 where it is not seen."""
    share = -motion.body_acceleration / motion.pull_m_s2
    falls = np.clip(share / settings.falls_share - 1.0, -1.0, 1.0)
    known: FloatArray = np.where(np.isfinite(falls), falls, 0.0)
    return known


def _above_floor_m(t_s: FloatArray, height_m: FloatArray, settings: StepSettings) -> FloatArray:
    """Return heights above where a part of a foot is when it stands, NaN where it is not seen."""
    known = np.isfinite(height_m)
    if not known.any():
        return np.full_like(height_m, np.nan)
    whole_m = np.interp(t_s, t_s[known], height_m[known])
    reach = int(2 * settings.floor_reach_s / float(np.median(np.diff(t_s)))) // 2
    floor_m = running_percentile(whole_m, settings.floor_percentile, reach)
    above_m: FloatArray = height_m - floor_m
    return above_m


# --- steps and bouts ---------------------------------------------------------------------------


def _bouts(motion: Motion, settings: StepSettings) -> Iterator[Bout]:
    """Yield what is long enough, quick enough and from foot to foot."""
    chain: list[Step] = []
    for step in [*_steps(_stays(motion, settings)), None]:
        if chain and (step is None or not _follows(chain[-1], step, settings)):
            if _is_bout(chain, motion, settings):
                yield _bout(_in_turn(chain, motion, settings), motion, settings)
            chain = []
        if step is not None:
            chain.append(step)


def _steps(stays: list[Stay]) -> Iterator[Step]:
    """Yield the stays that began with a landing: after a flight, or at once on the other foot."""
    grounded: Stay | None = None
    flew = False
    for stay in stays:
        if not stay.on:
            flew = True
            continue
        changed = grounded is not None and len(grounded.on) == len(stay.on) == 1
        if grounded is not None and (flew or changed):
            yield Step(grounded, stay)
        grounded, flew = stay, False


def _follows(before: Step, step: Step, settings: StepSettings) -> bool:
    """Say whether a step is the next one, and soon; nothing follows a landing on both feet."""
    between_s = step.stay.start_s - before.stay.start_s
    soon = settings.shortest_step_s <= between_s <= settings.longest_step_s
    return soon and step.came_from == before.stay and len(before.stay.on) == 1


def _is_bout(chain: list[Step], motion: Motion, settings: StepSettings) -> bool:
    single = [step for step in chain if len(step.stay.on) == 1]
    if len(single) < settings.fewest_steps:
        return False
    changes = sum(a.stay.on != b.stay.on for a, b in pairwise(single))
    in_turn = changes >= _in_turn_share(single, motion, settings) * (len(single) - 1)
    fallen = sum(_fell(step, motion, settings) for step in chain)
    return in_turn and fallen >= settings.fallen_share * len(chain)


def _in_turn_share(single: list[Step], motion: Motion, settings: StepSettings) -> float:
    """Return how many steps must change the foot: fewer where legs were exchanged.

    There a foot is often told for the other one. Hops on one foot change it as well then, but
    fly longer.
    """
    first_s, last_s = single[0].stay.start_s, single[-1].stay.end_s
    exchanged = motion.exchanged[(motion.t_s >= first_s) & (motion.t_s <= last_s)]
    flight_s = float(np.median([step.stay.start_s - step.came_from.end_s for step in single]))
    if exchanged.any() and flight_s < settings.low_flight_s:
        return settings.in_turn_share_exchanged
    return settings.in_turn_share


def _in_turn(chain: list[Step], motion: Motion, settings: StepSettings) -> list[Step]:
    """Give a step out of turn to the other foot where its legs were taken for each other.

    Its foot is that of the step before it and of the one after it, if that is not a landing on
    both feet; these come in rhythm and take turns with those beyond. Two steps on one foot, four
    and more, hops (which fly longer) and steps whose legs were told apart stay as they are.
    """
    feet = [step.stay.on for step in chain]
    turned = list(chain)
    for k in range(1, len(chain) - 1):
        on = feet[k]
        beyond = feet[k - 2 : k - 1], feet[k + 2 : k + 3]  # definition: next but one
        alone = feet[k - 1] == on and feet[k + 1] in (on, LIMBS) and [on] not in beyond
        if not alone or not _in_doubt(k, chain, motion, settings):
            continue
        turned[k] = turned[k].on_foot(_STANDS_ON[0] if on == _STANDS_ON[1] else _STANDS_ON[1])
        turned[k + 1] = turned[k + 1]._replace(came_from=turned[k].stay, other_leg_seen=True)
    return turned


def _in_doubt(k: int, chain: list[Step], motion: Motion, settings: StepSettings) -> bool:
    """Say whether legs were exchanged on a step that is low and in rhythm with its neighbours."""
    step = chain[k]
    on_it = (motion.t_s >= step.came_from.end_s) & (motion.t_s <= step.stay.end_s)
    steps_s = np.diff([one.stay.start_s for one in chain])
    beside = steps_s[k - 1 : k + 1] / np.median(steps_s)
    in_rhythm = np.abs(beside - 1.0) <= settings.rhythm_share
    flights_s = [one.stay.start_s - one.came_from.end_s for one in chain[k : k + 2]]
    low = max(flights_s) < settings.low_flight_s
    return bool(motion.exchanged[on_it].any() and in_rhythm.all() and low)


def _fell(step: Step, motion: Motion, settings: StepSettings) -> bool:
    """Say whether the body fell about when a step began."""
    from_s, until_s = step.came_from.end_s, step.stay.start_s
    beside_s = settings.half_window_s
    near = (motion.t_s > from_s - beside_s) & (motion.t_s < until_s + beside_s)
    return bool((_falls(motion, settings)[near] > 0).any())


def _bout(chain: list[Step], motion: Motion, settings: StepSettings) -> Bout:
    """Turn steps into contacts, and what lies between them into flights."""
    contacts, flights = [], []
    off = start = _toe_off(chain[0].came_from, motion, settings)
    for step in chain:
        landing = _landing(step, motion, settings)
        took_off = replace(off, t_s=min(off.t_s, landing.t_s))
        flights.append(Flight(took_off, landing, step.came_from.on, step.stay.on))
        off = _toe_off(step.stay, motion, settings)
        why = _held(step.stay, motion, settings)
        leaves = None if why else off
        contacts += [
            Contact(limb, landing, leaves, why, landing, other_leg_seen=step.other_leg_seen)
            for limb in step.stay.on
        ]
    return Bout(start.t_s, landing.t_s, tuple(contacts), tuple(flights))


def _held(stay: Stay, motion: Motion, settings: StepSettings) -> Reason | None:
    """Say why a foot does not leave as from a step, None where it does."""
    if stay.on == LIMBS or stay.end_s >= float(motion.t_s[-1]):
        return because(Code.HELD_TO_END)
    lasted_s = stay.end_s - stay.start_s
    return (
        because(Code.LANDING_HELD, held_s=lasted_s) if lasted_s > settings.longest_step_s else None
    )


def _landing(step: Step, motion: Motion, settings: StepSettings) -> Event:
    """Place a landing by what feet and body tell together, and by where the fall ends."""
    told_s = step.stay.start_s + settings.told_on_early_s
    fall_s = _fall_edge_s(motion, step.stay.start_s, 1, settings.on_share, settings)
    if fall_s is not None:
        fall_s += settings.fall_on_early_s
    return _event(told_s, fall_s, settings.landing_sd_s, motion, settings)


def _toe_off(stay: Stay, motion: Motion, settings: StepSettings) -> Event:
    """Place a toe-off in the same way, by where the fall begins."""
    told_s = stay.end_s + settings.told_off_early_s
    fall_s = _fall_edge_s(motion, stay.end_s, -1, settings.off_share, settings)
    if fall_s is not None:
        fall_s += settings.fall_off_early_s
    return _event(told_s, fall_s, settings.toe_off_sd_s, motion, settings)


def _event(
    told_s: float, fall_s: float | None, model_sd_s: float, motion: Motion, settings: StepSettings
) -> Event:
    """Average what feet and body tell together with where the fall's edge is.

    Both rest on the fall and err alike: two are no surer than one, and half of the time
    between them is the least uncertainty.
    """
    sd_s = float(np.hypot(model_sd_s, settings.frame_share * motion.frame_s))
    if fall_s is None:
        return Event(told_s, sd_s)
    return Event(0.5 * (told_s + fall_s), max(sd_s, 0.5 * abs(told_s - fall_s)))


def _fall_edge_s(
    motion: Motion, near_s: float, way: int, share: float, settings: StepSettings
) -> float | None:
    """Return when the body falls with a share of its pull beside an edge of a stay.

    Where the fall before a landing (``way`` 1) ends, or the one after a toe-off (-1) begins.
    """
    before_s, after_s = settings.fall_outside_s, settings.fall_inside_s
    away_s = way * (near_s - motion.t_s)
    around = np.flatnonzero((away_s < before_s) & (away_s > -after_s))
    fall = -motion.body_acceleration / motion.pull_m_s2
    if not len(around) or not np.isfinite(fall[around]).all():
        return None
    frame = int(around[np.argmax(fall[around])])
    if fall[frame] < share:
        return None
    while 0 <= frame + way < len(fall) and fall[frame + way] >= share:
        frame += way
    beyond = frame + way
    if not 0 <= beyond < len(fall) or not np.isfinite(fall[beyond]):
        return None
    part = (fall[frame] - share) / (fall[frame] - fall[beyond])
    return float(motion.t_s[frame] + part * (motion.t_s[beyond] - motion.t_s[frame]))
