"""The two feet and the body held against each other: what one shows poorly, the others tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from landing_analysis.contacts.falls import BodyEvents, falls_freely
from landing_analysis.contacts.feet import (
    FootEventName,
    FootEvents,
    FootVisibility,
    Motion,
    average_events,
    heels_fastest_s,
    strays,
)
from landing_analysis.contacts.standing import (
    OnGround,
    frames_beside,
    lower_feet,
    share_if_doubted,
)
from landing_analysis.maths.statistics import weighted_mean
from landing_analysis.settings import ContactSettings
from landing_analysis.tables import LIMBS, Event, Limb


def gated_by_body(
    motion: Motion, events: dict[Limb, FootEvents], body: BodyEvents, settings: ContactSettings
) -> dict[Limb, FootEvents]:
    """Let the body speak for a foot whose event lies where the body shows none.

    A foot may land after the other one, but not long before the body stops falling, and
    it cannot leave long after the body began to fall.
    """
    off, off_until_s, on = body
    earliest_s = off.t_s - settings.off_before_body_s
    latest_s = off_until_s + settings.off_after_body_s
    gated = dict(events)
    by_toes = [limb for limb, own in events.items() if own.toe_off]
    for limb, own in events.items():
        if own.toe_off and not earliest_s < own.toe_off.t_s < latest_s:
            by_toes.remove(limb)
            gated[limb] = replace(
                gated[limb], toe_off=_off_without_toes(motion, [limb], body, settings)
            )
        if own.toe_contact and own.toe_contact.t_s < on.t_s - settings.on_before_body_s:
            gated[limb] = replace(gated[limb], toe_contact=on, heel_contact=None)
    landing = _less_sure_if_slow(_landing_with_body(gated, on), "toe_contact", on, settings)
    landing = _less_sure_if_slow(landing, "toe_off", body.last_off, settings)
    left = [limb for limb, own in landing.items() if own.toe_off]
    if any(landing[limb].toe_off_m_s < settings.slow_toes_m_s for limb in left):
        if _falls_shortly(body, settings):
            off = _off_without_toes(motion, left, body, settings)
            return _leaving_with_body(landing, by_toes, off, alone=True)
        heels_off = _heels_off(motion, left, body, settings)
        off = average_events(body.last_off, heels_off) if heels_off else body.last_off
        return _leaving_with_body(landing, by_toes, off)
    # A body that begins to fall more than once, or falls shortly, does not tell when it leaves.
    tells = off_until_s == off.t_s and on.t_s - off.t_s > settings.sure_fall_s
    return _leaving_with_body(landing, by_toes, off) if tells else landing


def _falls_shortly(body: BodyEvents, settings: ContactSettings) -> bool:
    return body.on.t_s - body.last_off.t_s <= settings.heels_fall_s


def _off_without_toes(
    motion: Motion, limbs: Sequence[Limb], body: BodyEvents, settings: ContactSettings
) -> Event:
    """Return when feet left whose toes do not tell: in a short fall by their heels, if they do.

    A body falls for longer than it flies shortly: its take-off is less sure there.
    """
    off = body.last_off
    if not _falls_shortly(body, settings):
        return off
    less_sure = Event(off.t_s, float(np.hypot(off.sd_s, settings.short_fall_sd_s)))
    return _heels_off(motion, limbs, body, settings) or less_sure


def _heels_off(
    motion: Motion, left: Sequence[Limb], body: BodyEvents, settings: ContactSettings
) -> Event | None:
    """Return when feet that leave slowly left, by their heels; None where those do not show it.

    Such toes do not show when: before they leave they creep up as far as they fly.
    """
    off = body.last_off
    asked_s = (off.t_s - settings.heel_off_before_s, off.t_s + settings.heel_off_after_s)
    fastest_s = heels_fastest_s(motion, left, asked_s, settings)
    if fastest_s is None:
        return None
    sd_s = float(np.hypot(settings.heel_off_sd_s, settings.frame_share * motion.frame_s))
    return Event(fastest_s + settings.heel_off_early_s, sd_s)


def _less_sure_if_slow(
    events: dict[Limb, FootEvents], event: FootEventName, of_body: Event, settings: ContactSettings
) -> dict[Limb, FootEvents]:
    """Claim more of feet whose toes leave, or come down, slowly: what tells their edges errs alike.

    No more surely than the body alone; and of the less sure foot half the time between both at
    least, of the surer one a quarter.
    """
    edges = {limb: edge for limb, own in events.items() if (edge := getattr(own, event))}
    times_s = [edge.t_s for edge in edges.values()]
    apart_s = max(times_s) - min(times_s) if edges else 0.0
    surest = min(edges, key=lambda limb: edges[limb].sd_s, default=None)
    less_sure = dict(events)
    for limb, edge in edges.items():
        own = less_sure[limb]
        speed_m_s = own.toe_off_m_s if event == "toe_off" else own.toe_contact_m_s
        if speed_m_s < settings.slow_toes_m_s:
            share = 0.25 if limb == surest else 0.5  # definition: as said above
            least_s = max(of_body.sd_s, share * apart_s)
            less_sure[limb] = _with(own, event, replace(edge, sd_s=max(edge.sd_s, least_s)))
    return less_sure


def _with(own: FootEvents, name: FootEventName, event: Event) -> FootEvents:
    """Return the events of a foot with another one of that name."""
    if name == "toe_off":
        return replace(own, toe_off=event)
    return replace(own, toe_contact=event)


def _landing_with_body(events: dict[Limb, FootEvents], on: Event) -> dict[Limb, FootEvents]:
    """Average the first landing with the body's; the other foot moves along.

    So the time between the feet stays as their own toes show it.
    """
    landed = {limb: own.toe_contact for limb, own in events.items() if own.toe_contact}
    if not landed:
        return events
    first = min(landed.values(), key=lambda event: event.t_s)
    averaged = average_events(first, on)
    moved = dict(events)
    for limb, toe in landed.items():
        if toe is not on:
            shifted_s = toe.t_s + averaged.t_s - first.t_s
            event = averaged if toe is first else Event(shifted_s, toe.sd_s)
            moved[limb] = replace(moved[limb], toe_contact=event)
    return moved


def _leaving_with_body(
    events: dict[Limb, FootEvents], by_toes: Sequence[Limb], off: Event, *, alone: bool = False
) -> dict[Limb, FootEvents]:
    """Average the toe-offs that toes showed, together, with the body's take-off; both move alike.

    So the time between the feet stays as their own toes show it, and so does its uncertainty.
    One that toes did not show came from body or heels and stays. Where ``off`` tells ``alone``
    it is the mean.
    """
    seen = {limb: toe for limb in by_toes if (toe := events[limb].toe_off)}
    if not seen:
        return events
    both = Event(*weighted_mean(*((toe.t_s, toe.sd_s) for toe in seen.values())))
    averaged = off if alone else average_events(both, off)
    moved = dict(events)
    for limb, toe in seen.items():
        apart_sd_s = float(np.sqrt(max(toe.sd_s**2 - both.sd_s**2, 0.0)))
        sd_s = float(np.hypot(averaged.sd_s, apart_sd_s))
        toe_off = Event(toe.t_s + averaged.t_s - both.t_s, sd_s)
        moved[limb] = replace(moved[limb], toe_off=toe_off)
    return moved


def hidden_drawn_to_other(
    events: dict[Limb, FootEvents], settings: ContactSettings
) -> dict[Limb, FootEvents]:
    """Draw the events of a hidden foot toward those of the other, which is seen far better.

    The feet of a two-leg jump leave and land within hundredths of a second of each
    other; that prior is averaged with the hidden foot's own reading by their weights.
    """

    def drawn(own: Event | None, other: Event | None) -> Event | None:
        if own is None or other is None:
            return own
        if own.sd_s <= max(settings.poor_event_ratio * other.sd_s, settings.poor_event_sd_s):
            return own
        other_sd_s = float(np.hypot(other.sd_s, settings.feet_apart_sd_s))
        return Event(*weighted_mean((own.t_s, own.sd_s), (other.t_s, other_sd_s)))

    return {
        limb: replace(
            events[limb],
            toe_off=drawn(events[limb].toe_off, events[other].toe_off),
            toe_contact=drawn(events[limb].toe_contact, events[other].toe_contact),
        )
        for limb, other in (LIMBS, LIMBS[::-1])
    }


def imputed_from_body(
    motion: Motion,
    events: dict[Limb, FootEvents],
    segment: tuple[int, int],
    on_ground: OnGround,
    body: BodyEvents,
    held: Limb | None,
    visibilities: Mapping[Limb, FootVisibility],
    settings: ContactSettings,
) -> dict[Limb, FootEvents]:
    """Give a flight that the body shows beyond doubt the events that the feet do not show.

    A body that falls freely for ``sure_fall_s`` is in the air, however badly its feet
    are seen. The ends of its fall then stand for the missing toe-offs or landings, with
    the wide uncertainty of such a guess.
    """
    t_s = motion.t_s
    start_s, end_s = float(t_s[segment[0]]), float(t_s[segment[1]])
    if not falls_freely(motion, segment, settings):
        return events
    imputed = {limb: _outside(events[limb], start_s, end_s, settings.deep_share) for limb in LIMBS}
    seen = [limb for limb in LIMBS if imputed[limb].toe_off or imputed[limb].toe_contact]
    down = lower_feet(motion, segment, on_ground, visibilities, settings)
    limbs = [limb for limb in seen or down if limb != held] or seen or down
    # Where legs were taken for each other, the foot that left is the better guess.
    sure = not motion.exchanged[segment[0] : segment[1] + 1].any()
    landed = [limb for limb in limbs if limb in down] or down or limbs if sure else limbs
    cut_off_s = settings.cut_off_s
    if start_s - t_s[0] > cut_off_s and not any(e.toe_off for e in imputed.values()):
        toe_off = _off_without_toes(motion, limbs, body, settings)
        for limb in limbs:
            imputed[limb] = replace(imputed[limb], toe_off=toe_off)
    if t_s[-1] - end_s > cut_off_s and not any(e.toe_contact for e in imputed.values()):
        for limb in landed:
            imputed[limb] = replace(imputed[limb], toe_contact=body.on)
    return imputed


def _outside(events: FootEvents, start_s: float, end_s: float, deep_share: float) -> FootEvents:
    """Drop events that lie deep inside a fall, where no foot can leave or land."""
    margin_s = deep_share * (end_s - start_s)
    if events.toe_off and events.toe_off.t_s > start_s + margin_s:
        events = replace(events, toe_off=None)
    if events.toe_contact and events.toe_contact.t_s < end_s - margin_s:
        events = replace(events, toe_contact=None, heel_contact=None)
    return events


def paired_with_other(
    motion: Motion,
    events: dict[Limb, FootEvents],
    segment: tuple[int, int],
    on_ground: OnGround,
    highest_m: float,
    floors_m: Mapping[Limb, float],
    visibilities: Mapping[Limb, FootVisibility],
    settings: ContactSettings,
) -> dict[Limb, FootEvents]:
    """Give a foot that stands beside the other one the events that it does not show itself.

    A foot hidden behind the other leg can be seen to stand though not to land. Where it
    rests at the other's level before or after the flight, it left or landed with it.
    """
    event_names: tuple[FootEventName, FootEventName] = ("toe_off", "toe_contact")
    sides = dict(zip(event_names, frames_beside(motion, segment, settings), strict=True))
    paired = dict(events)
    for limb, other in (LIMBS, LIMBS[::-1]):
        for event, near in sides.items():
            seen = getattr(events[other], event)
            if getattr(events[limb], event) is not None or seen is None or not near.any():
                continue
            foot_visibility = visibilities[limb]
            doubt = share_if_doubted(
                motion, limb, event, events, on_ground, foot_visibility, settings
            )
            stands = False is strays(
                motion, limb, event, seen.t_s, on_ground[event], doubt, foot_visibility, settings
            )
            # A foot held up behind may hang its toes nearly to the floor, not its ankle.
            apart_m = [
                float(np.median((part[limb] - part[other])[near]))
                for part in (motion.toe_m, motion.ankle_m)
            ]
            floor_m = floors_m[limb] - floors_m[other]
            beside = np.abs(apart_m).max() < highest_m
            if stands and beside and not apart_m[0] - floor_m > settings.held_foot_m:
                guess = Event(seen.t_s, float(np.hypot(seen.sd_s, settings.unseen_apart_sd_s)))
                paired[limb] = _with(paired[limb], event, guess)
    return paired
