"""Tracks -> Contacts: initial contact and toe-off per limb, between frames.

The recipe
----------
1. The body's middle (mean of hips and shoulders) is differentiated twice. A
   segment in which it accelerates downward by more than half of gravity is a
   candidate flight. The scale comes from the body's own leg length.
2. For each foot the toes are followed (`feet`). A foot *landed* from the candidate
   when its toes stop and then stay; it *took off* into it when they stayed and then
   move. A foot that only swings, or a body that drops while its toes stay (squat,
   heel raise, countermovement), makes no flight.
3. The two feet and the body are held against each other: an event that the body
   contradicts is not believed, a foot behind the other is helped by it, and a body
   that surely falls freely is in the air however badly its feet are seen.
4. A foot that did not land is seen to hang, or it is not seen: badly seen toes that
   move tell nothing of where they are.
5. A flight needs at least one foot that landed, or took off at the end of the
   clip, and a time in the air that a jump can have.

6. Quick steps from foot to foot are read from the feet alone (`steps`), where the body's
   falls do not show them all.

Nobody gives a floor height: rest is judged from each foot's own movement, so a
step from a box and a slow drift toward the camera change nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from landing_analysis.contacts.body import flown_through, slower
from landing_analysis.contacts.feet import (
    FULLY_VISIBLE,
    FootEventName,
    FootEvents,
    FootVisibility,
    Motion,
    average_events,
    foot_events,
    hangs,
    read_motion,
    rose_shortly,
    rose_with_body,
    strays,
)
from landing_analysis.contacts.steps import with_steps
from landing_analysis.errors import TableError
from landing_analysis.maths.kinematics import flight_height_m
from landing_analysis.maths.signals import close_gaps, runs
from landing_analysis.maths.statistics import weighted_mean
from landing_analysis.reasons import Code, because
from landing_analysis.settings import ContactSettings
from landing_analysis.tables import (
    LIMBS,
    BoolArray,
    Contact,
    Contacts,
    Event,
    Flight,
    FloatArray,
    Limb,
    Note,
    Tracks,
)

_Candidate = tuple[tuple[int, int], dict[Limb, FootEvents]]
"""A fall of the body, by its first and last frame, with what each foot did around it."""
_OnGround = dict[FootEventName, tuple[float, float]]
"""From when until when the body is on its feet before a fall, and after it; seconds."""

_HELD = because(Code.HELD_TO_END)
_UNSEEN = because(Code.TOE_OFF_NOT_SEEN)


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
    missed; a flight under ``min_flight_s`` is not told from a heel raise.
    """
    if tracks.rate_hz < settings.min_rate_hz:
        slow = because(Code.RATE_TOO_SLOW_FOR_FLIGHTS, fps=tracks.rate_hz)
        return Contacts((), (), (Note("frame rate", "poor", (slow,)),))
    settings = slower(settings, tracks.pull_m_s2)
    motion = read_motion(tracks, settings)
    one_behind_other = "far" in visibilities.values()
    highest_m = settings.far_foot_m if one_behind_other else settings.held_foot_m
    candidates: list[_Candidate] = [
        (
            segment,
            {
                limb: foot_events(motion, limb, segment, settings, visibilities[limb])
                for limb in LIMBS
            },
        )
        for segment in _falling_segments(motion, settings)
    ]
    on_ground = _on_ground(motion, candidates)
    candidates = [
        (segment, _standing(motion, both, ground, visibilities, settings))
        for (segment, both), ground in zip(candidates, on_ground, strict=True)
    ]
    events_of = [events for _, events in candidates]
    held = _held_limb(motion, events_of, highest_m, settings.seldom_share)
    floors_m = _floors_m(motion, settings.floor_percentile)
    contacts: list[Contact] = []
    flights: list[Flight] = []
    for (segment, both), ground in zip(candidates, on_ground, strict=True):
        body = _body_events(motion, segment, settings)
        grounded = _grounded(motion, both, segment, held, floors_m, settings)
        events = _gated(grounded, body, settings)
        events = _imputed(
            motion, _fused(events, settings), segment, ground, body, held, visibilities, settings
        )
        events = _paired(
            motion, events, segment, ground, highest_m, floors_m, visibilities, settings
        )
        flight = _resolve_flight(motion, events, segment, settings)
        if flight is None:
            continue
        flight = _with_unseen(motion, flight, ground, visibilities, settings)
        flights.append(flight)
        contacts = [_with_toe_off(contact, events[contact.limb].toe_off) for contact in contacts]
        contacts += [_landing(limb, events[limb]) for limb in flight.landing_limbs]
    ordered = sorted(contacts, key=lambda contact: contact.initial_contact.t_s)
    return with_steps(Contacts(tuple(ordered), tuple(flights)), motion, settings.steps)


def _falling_segments(motion: Motion, settings: ContactSettings) -> list[tuple[int, int]]:
    """Return candidate flights: the body's middle falls, and somewhere in it falls freely."""
    g = motion.pull_m_s2
    with np.errstate(invalid="ignore"):
        falling = motion.body_acceleration < -settings.falling_share * g
        descending = motion.body_acceleration < -settings.falling_edge_share * g
    descending = close_gaps(motion.t_s, descending, settings.falling_gap_s)
    return [
        (first, last)
        for first, last in _one_flight(motion, runs(descending), settings)
        if falling[first : last + 1].any()
        and motion.t_s[last] - motion.t_s[first] >= 0.5 * settings.min_flight_s
    ]


def _one_flight(
    motion: Motion, segments: list[tuple[int, int]], settings: ContactSettings
) -> list[tuple[int, int]]:
    """Join falls between which the centre of mass flew on: nothing was landed on there.

    Knees drawn up to the chest and stretched out again make the body's middle fall faster and
    slower than the body.
    """
    joined: list[tuple[int, int]] = []
    for first, last in segments:
        if joined:
            before = joined[-1]
            gap = (before[1] + 1, first - 1)
            flown = flown_through(motion.t_s, motion.mass_m, before[0], gap, last, motion.pull_m_s2)
            if flown > settings.flown_share:
                joined[-1] = (before[0], last)
                continue
        joined.append((first, last))
    return joined


def _on_ground(motion: Motion, candidates: list[_Candidate]) -> list[_OnGround]:
    """Return for each fall the time on the ground before it and that after it.

    It lasts from one fall to the next into which a foot left: a body that only slows down as
    it comes up from a landing stays on its feet.
    """
    t_s = motion.t_s
    falls_s = [-np.inf, *(float(t_s[last]) for (_, last), _ in candidates)]
    rises_s = [np.inf]
    for (first, _), both in reversed(candidates[1:]):
        left = any(own.toe_off for own in both.values())
        rises_s.append(float(t_s[first]) if left else rises_s[-1])
    return [
        {"toe_off": (before_s, float(t_s[first])), "toe_contact": (float(t_s[last]), after_s)}
        for ((first, last), _), before_s, after_s in zip(
            candidates, falls_s, reversed(rises_s), strict=False
        )
    ]


def _standing(
    motion: Motion,
    events: dict[Limb, FootEvents],
    on_ground: _OnGround,
    visibilities: Mapping[Limb, FootVisibility],
    settings: ContactSettings,
) -> dict[Limb, FootEvents]:
    """Drop the events of a foot that does not stand before it leaves, or once it has landed.

    A foot that hangs comes to rest for some hundredths of a second as well, where the body
    turns at the bottom of a landing; but it goes on with the body, and one that landed stays.
    """
    kept = dict(events)
    for limb, other in (LIMBS, LIMBS[::-1]):
        own, opposite = events[limb], events[other]
        foot_visibility = visibilities[limb]
        off, on = own.toe_off, own.toe_contact
        if off and strays(
            motion,
            limb,
            "toe_off",
            off.t_s,
            on_ground["toe_off"],
            _doubt(motion, limb, "toe_off", events, on_ground, foot_visibility, settings),
            foot_visibility,
            settings,
        ):
            kept[limb] = replace(kept[limb], toe_off=None)
        if on is None:
            continue
        doubt = _doubt(motion, limb, "toe_contact", events, on_ground, foot_visibility, settings)
        ground_s = on_ground["toe_contact"]
        late = opposite.toe_contact and on.t_s - opposite.toe_contact.t_s > doubt * settings.late_s
        if (late and kept[limb].toe_off is None) or strays(
            motion, limb, "toe_contact", on.t_s, ground_s, doubt, foot_visibility, settings
        ):
            kept[limb] = replace(kept[limb], toe_contact=None, heel_contact=None)
    # Somebody stands: where neither foot stays, that they move tells nothing.
    if all(own.toe_off for own in events.values()) and not any(k.toe_off for k in kept.values()):
        kept = {limb: replace(k, toe_off=events[limb].toe_off) for limb, k in kept.items()}
    if not any(k.toe_contact for k in kept.values()) and all(
        own.toe_contact for own in events.values()
    ):
        kept = {
            limb: replace(
                k, toe_contact=events[limb].toe_contact, heel_contact=events[limb].heel_contact
            )
            for limb, k in kept.items()
        }
    return kept


def _doubt(
    motion: Motion,
    limb: Limb,
    event: FootEventName,
    events: Mapping[Limb, FootEvents],
    on_ground: _OnGround,
    foot_visibility: FootVisibility,
    settings: ContactSettings,
) -> float:
    """Return by what share a foot must stand firmer than usual to be believed to stand.

    One that hangs at the other end of a flight into which the opposite foot left and from
    which it landed hangs most likely here as well.
    """
    far_end: FootEventName = "toe_contact" if event == "toe_off" else "toe_off"
    own = getattr(events[limb], far_end)
    at_s = own.t_s if own else on_ground[far_end][0 if far_end == "toe_contact" else 1]
    other = events["right" if limb == "left" else "left"]
    hops = other.toe_off is not None and other.toe_contact is not None
    hung = hops and hangs(
        motion, limb, far_end, at_s, on_ground[far_end], foot_visibility, settings
    )
    return settings.doubted_share if hung else 1.0


def _held_limb(
    motion: Motion,
    candidates: list[dict[Limb, FootEvents]],
    highest_m: float,
    seldom_share: float,
) -> Limb | None:
    """Return the limb that is held up in hops: it seldom lands, and hangs above the other."""
    landed = {
        limb: sum(events[limb].toe_contact is not None for events in candidates) for limb in LIMBS
    }
    fewer, more = sorted(LIMBS, key=lambda limb: landed[limb])
    if landed[fewer] >= seldom_share * landed[more]:
        return None
    above_m = (motion.ankle_m[fewer] - motion.ankle_m[more])[motion.resting[more]]
    known = above_m[np.isfinite(above_m)]
    return fewer if len(known) and float(np.median(known)) > highest_m else None


def _floors_m(motion: Motion, percentile: float) -> dict[Limb, float]:
    """Return the height at which each foot's toes stand, as a low one of those they rest at.

    Seen from the side the farther foot stands higher in the picture.
    """
    rested = {limb: motion.toe_m[limb][motion.resting[limb]] for limb in LIMBS}
    known = {limb: heights[np.isfinite(heights)] for limb, heights in rested.items()}
    return {
        limb: float(np.percentile(heights, percentile)) if len(heights) else float("nan")
        for limb, heights in known.items()
    }


def _grounded(
    motion: Motion,
    events: dict[Limb, FootEvents],
    segment: tuple[int, int],
    held: Limb | None,
    floors_m: Mapping[Limb, float],
    settings: ContactSettings,
) -> dict[Limb, FootEvents]:
    """Drop the events of a foot that turned in the air while the other stood on the ground."""
    kept = dict(events)
    before, after = _beside(motion, segment, settings)
    for limb, other in (LIMBS, LIMBS[::-1]):
        own, opposite = events[limb], events[other]
        highest_m = settings.held_foot_m if limb == held else settings.far_foot_m
        # A floor that is not known (NaN) decides nothing.
        highest_m = np.fmin(highest_m, floors_m[limb] - floors_m[other] + settings.held_foot_m)
        other_m = motion.toe_m[other]
        if own.level_before_m - _level_m(opposite.level_before_m, other_m[before]) > highest_m:
            kept[limb] = replace(kept[limb], toe_off=None)
        if own.level_after_m - _level_m(opposite.level_after_m, other_m[after]) > highest_m:
            kept[limb] = replace(kept[limb], toe_contact=None, heel_contact=None)
    return kept


def _beside(
    motion: Motion, segment: tuple[int, int], settings: ContactSettings
) -> tuple[BoolArray, BoolArray]:
    """Return the frames shortly before and shortly after a fall."""
    from_s, to_s = settings.beside_from_s, settings.beside_to_s
    before_s = motion.t_s[segment[0]] - motion.t_s
    after_s = motion.t_s - motion.t_s[segment[1]]
    before, after = ((away_s > from_s) & (away_s < to_s) for away_s in (before_s, after_s))
    return before, after


def _level_m(rested_m: float, heights_m: FloatArray) -> float:
    """Return the height at which toes rested, or else about where they were."""
    if np.isfinite(rested_m) or not len(heights_m):
        return rested_m
    return float(np.median(heights_m))


class _BodyEvents(NamedTuple):
    """Take-off and landing as the body shows them.

    ``off_until_s`` is later than take-off where the body began to fall more than once, as it
    may while the heel rises: a foot may have left at any of these beginnings.
    """

    off: Event
    off_until_s: float
    on: Event


def _body_events(
    motion: Motion, segment: tuple[int, int], settings: ContactSettings
) -> _BodyEvents:
    """Read take-off and landing from the body alone: where it begins and ends to fall."""
    first, last = segment
    rising = motion.body_acceleration[first : (first + last) // 2] >= (
        -settings.falling_edge_share * motion.pull_m_s2
    )
    again = first + int(np.flatnonzero(rising)[-1]) + 1 if rising.any() else first
    begin_s, again_s, end_s = (float(motion.t_s[frame]) for frame in (first, again, last))
    half_step_s = 0.5 * motion.frame_s
    late_s = settings.body_off_late_s - half_step_s
    return _BodyEvents(
        Event(begin_s + late_s, settings.body_off_sd_s),
        again_s + late_s,
        Event(end_s + half_step_s - settings.body_on_early_s, settings.body_on_sd_s),
    )


def _gated(
    events: dict[Limb, FootEvents], body: _BodyEvents, settings: ContactSettings
) -> dict[Limb, FootEvents]:
    """Let the body speak for a foot whose event lies where the body shows none.

    A foot may land after the other one, but not long before the body stops falling, and
    it cannot leave long after the body began to fall.
    """
    off, off_until_s, on = body
    earliest_s = off.t_s - settings.off_before_body_s
    latest_s = off_until_s + settings.off_after_body_s
    gated = dict(events)
    for limb, own in events.items():
        if own.toe_off and not earliest_s < own.toe_off.t_s < latest_s:
            gated[limb] = replace(gated[limb], toe_off=off)
        if own.toe_contact and own.toe_contact.t_s < on.t_s - settings.on_before_body_s:
            gated[limb] = replace(gated[limb], toe_contact=on, heel_contact=None)
    return _with_body(gated, on)


def _with_body(events: dict[Limb, FootEvents], on: Event) -> dict[Limb, FootEvents]:
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


def _fused(events: dict[Limb, FootEvents], settings: ContactSettings) -> dict[Limb, FootEvents]:
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


def _imputed(
    motion: Motion,
    events: dict[Limb, FootEvents],
    segment: tuple[int, int],
    on_ground: _OnGround,
    body: _BodyEvents,
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
    if not _falls_freely(motion, segment, settings):
        return events
    imputed = {limb: _outside(events[limb], start_s, end_s, settings.deep_share) for limb in LIMBS}
    seen = [limb for limb in LIMBS if imputed[limb].toe_off or imputed[limb].toe_contact]
    down = _lower_feet(motion, segment, on_ground, visibilities, settings)
    limbs = [limb for limb in seen or down if limb != held] or seen or down
    # Where legs were taken for each other, the foot that left is the better guess.
    sure = not motion.exchanged[segment[0] : segment[1] + 1].any()
    landed = [limb for limb in limbs if limb in down] or down or limbs if sure else limbs
    cut_off_s = settings.cut_off_s
    if start_s - t_s[0] > cut_off_s and not any(e.toe_off for e in imputed.values()):
        for limb in limbs:
            imputed[limb] = replace(imputed[limb], toe_off=body.off)
    if t_s[-1] - end_s > cut_off_s and not any(e.toe_contact for e in imputed.values()):
        for limb in landed:
            imputed[limb] = replace(imputed[limb], toe_contact=body.on)
    return imputed


def _falls_freely(motion: Motion, segment: tuple[int, int], settings: ContactSettings) -> bool:
    """Say whether the body falls so fast and so long that nothing can carry it."""
    first, last = segment
    mean = float(np.nanmean(motion.body_acceleration[first : last + 1]))
    long = float(motion.t_s[last] - motion.t_s[first]) >= settings.sure_fall_s
    return long and mean < -settings.sure_fall_share * motion.pull_m_s2


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


def _paired(
    motion: Motion,
    events: dict[Limb, FootEvents],
    segment: tuple[int, int],
    on_ground: _OnGround,
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
    sides = dict(zip(event_names, _beside(motion, segment, settings), strict=True))
    paired = dict(events)
    for limb, other in (LIMBS, LIMBS[::-1]):
        for event, near in sides.items():
            seen = getattr(events[other], event)
            if getattr(events[limb], event) is not None or seen is None or not near.any():
                continue
            foot_visibility = visibilities[limb]
            doubt = _doubt(motion, limb, event, events, on_ground, foot_visibility, settings)
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
                own = paired[limb]
                paired[limb] = (
                    replace(own, toe_off=guess)
                    if event == "toe_off"
                    else replace(own, toe_contact=guess)
                )
    return paired


def _outside(events: FootEvents, start_s: float, end_s: float, deep_share: float) -> FootEvents:
    """Drop events that lie deep inside a fall, where no foot can leave or land."""
    margin_s = deep_share * (end_s - start_s)
    if events.toe_off and events.toe_off.t_s > start_s + margin_s:
        events = replace(events, toe_off=None)
    if events.toe_contact and events.toe_contact.t_s < end_s - margin_s:
        events = replace(events, toe_contact=None, heel_contact=None)
    return events


def _lower_feet(
    motion: Motion,
    segment: tuple[int, int],
    on_ground: _OnGround,
    visibilities: Mapping[Limb, FootVisibility],
    settings: ContactSettings,
) -> list[Limb]:
    """Return the foot, or both feet, down shortly after a fall: those that stay, if any do."""
    after_s = motion.t_s - motion.t_s[segment[1]]
    down = (after_s > settings.down_from_s) & (after_s < settings.down_to_s)
    ground_s = on_ground["toe_contact"]
    still = [
        limb
        for limb in LIMBS
        if not strays(
            motion, limb, "toe_contact", ground_s[0], ground_s, 1.0, visibilities[limb], settings
        )
    ]
    levels = {
        limb: float(np.median(motion.toe_m[limb][down])) for limb in still or LIMBS if down.any()
    }
    known = {limb: level for limb, level in levels.items() if np.isfinite(level)}
    lowest = min(known.values(), default=0.0)
    return [limb for limb, level in known.items() if level - lowest < settings.held_foot_m]


def _resolve_flight(
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
    if not settings.min_flight_s <= duration_s <= settings.max_flight_s:
        return None
    in_the_air = (
        _falls_freely(motion, segment, settings) and _lifted(motion, segment, settings)
    ) or (
        not any(_carried(motion, events, limb, start_s, end_s, settings) for limb in LIMBS)
        and _fell(motion, start_s, end_s, settings)
        and (not take_off or not landing or _rose(motion, events, start_s, end_s, settings))
    )
    if not in_the_air:
        return None

    def together(events: dict[Limb, Event], with_s: float) -> tuple[Limb, ...]:
        lead = settings.max_inter_limb_delay_s
        return tuple(limb for limb in events if abs(events[limb].t_s - with_s) <= lead)

    return Flight(
        take_off,
        landing,
        together(toe_offs, start_s) if take_off else (),
        together(landings, end_s) if landing else (),
    )


def _with_unseen(
    motion: Motion,
    flight: Flight,
    on_ground: _OnGround,
    visibilities: Mapping[Limb, FootVisibility],
    settings: ContactSettings,
) -> Flight:
    """Note the foot that was seen neither to land nor to hang."""
    landing = flight.landing
    if landing is None:
        return flight
    ground_s = on_ground["toe_contact"]
    unseen = (
        limb
        for limb in LIMBS
        if limb not in flight.landing_limbs
        and not hangs(
            motion, limb, "toe_contact", landing.t_s, ground_s, visibilities[limb], settings
        )
    )
    return replace(flight, unseen_limbs=tuple(unseen))


def _well_placed(events: dict[Limb, Event], settings: ContactSettings) -> list[Event]:
    """Leave out the event of a hidden foot where the other foot's is placed far better."""
    best_s = min((event.sd_s for event in events.values()), default=0.0)
    worst_s = settings.better_placed_ratio * best_s
    return [event for event in events.values() if event.sd_s <= worst_s]


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
    if inside.sum() < 2 or rose_with_body(motion, limb, start_s, end_s, settings):
        return False
    height = motion.toe_m[limb][inside]
    other = events["right" if limb == "left" else "left"]
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


def _fell(motion: Motion, start_s: float, end_s: float, settings: ContactSettings) -> bool:
    """Say whether the body fell through the whole of a would-be flight, not only in a part."""
    inside = (motion.t_s >= start_s) & (motion.t_s <= end_s)
    mean = float(np.nanmean(motion.body_acceleration[inside])) if inside.any() else 0.0
    return mean < -settings.falling_mean_share * motion.pull_m_s2


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
    moved = tuple(limb for limb, own in events.items() if own.toe_off and own.toe_contact)
    if not rises_m or rose_shortly(motion, moved, start_s, end_s, settings):
        return True
    expected_m = motion.pull_m_s2 * (end_s - start_s) ** 2 / 12  # definition: of a free arc
    least_m = max(settings.least_rise_share * expected_m, settings.noise_sds * max(noise_m))
    return bool(max(rises_m) > least_m)


def _landing(limb: Limb, events: FootEvents) -> Contact:
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
    )


def _with_toe_off(contact: Contact, toe_off: Event | None) -> Contact:
    """Close an open contact with what its foot did before the next flight."""
    if contact.toe_off_reason != _HELD:
        return contact
    if toe_off is None or toe_off.t_s <= contact.initial_contact.t_s:
        return replace(contact, toe_off_reason=_UNSEEN)
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
