"""Which foot stands on the ground beside a fall of the body, and which one hangs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from landing_analysis.contacts.feet import (
    FootEventName,
    FootEvents,
    FootVisibility,
    Motion,
    hangs,
    moved_m,
    strays,
)
from landing_analysis.settings import ContactSettings
from landing_analysis.tables import LIMBS, BoolArray, Event, FloatArray, Limb, other_limb

Candidate = tuple[tuple[int, int], dict[Limb, FootEvents]]
"""A fall of the body, by its first and last frame, with what each foot did around it."""
OnGround = dict[FootEventName, tuple[float, float]]
"""From when until when the body is on its feet before a fall, and after it; seconds."""


def times_on_ground(motion: Motion, candidates: list[Candidate]) -> list[OnGround]:
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


def only_those_that_stand(
    motion: Motion,
    events: dict[Limb, FootEvents],
    on_ground: OnGround,
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
        off, on = own.toe_off, own.toe_contact
        if off and not _stays(motion, limb, "toe_off", events, on_ground, visibilities, settings):
            kept[limb] = replace(kept[limb], toe_off=None)
        if on is None:
            continue
        doubt = share_if_doubted(
            motion, limb, "toe_contact", events, on_ground, visibilities[limb], settings
        )
        late = opposite.toe_contact and on.t_s - opposite.toe_contact.t_s > doubt * settings.late_s
        if (late and kept[limb].toe_off is None) or not _stays(
            motion, limb, "toe_contact", events, on_ground, visibilities, settings
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


def _stays(
    motion: Motion,
    limb: Limb,
    event: FootEventName,
    events: Mapping[Limb, FootEvents],
    on_ground: OnGround,
    visibilities: Mapping[Limb, FootVisibility],
    settings: ContactSettings,
) -> bool:
    """Say whether a foot stays where it left or landed, itself or as the other foot does.

    What the pose model lets both feet sink by is no movement: a foot that moves no more than the
    other one, which stands, stands as well.
    """
    other = other_limb(limb)
    own, opposite = (getattr(events[who], event) for who in (limb, other))
    doubt = share_if_doubted(motion, limb, event, events, on_ground, visibilities[limb], settings)

    def strayed(who: Limb, at: Event, share: float) -> bool | None:
        ground_s, seen = on_ground[event], visibilities[who]
        return strays(motion, who, event, at.t_s, ground_s, share, seen, settings)

    if not strayed(limb, own, doubt):
        return True
    if doubt < 1.0 or opposite is None or strayed(other, opposite, 1.0) is not False:
        return False
    own_m, other_m = (
        moved_m(motion, who, event, at.t_s, on_ground[event], settings)
        for who, at in ((limb, own), (other, opposite))
    )
    return own_m <= other_m


def share_if_doubted(
    motion: Motion,
    limb: Limb,
    event: FootEventName,
    events: Mapping[Limb, FootEvents],
    on_ground: OnGround,
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
    other = events[other_limb(limb)]
    hops = other.toe_off is not None and other.toe_contact is not None
    hung = hops and hangs(
        motion, limb, far_end, at_s, on_ground[far_end], foot_visibility, settings
    )
    return settings.doubted_share if hung else 1.0


def limb_held_up(
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


def floor_heights_m(motion: Motion, percentile: float) -> dict[Limb, float]:
    """Return the height at which each foot's toes stand, as a low one of those they rest at.

    Seen from the side the farther foot stands higher in the picture.
    """
    rested = {limb: motion.toe_m[limb][motion.resting[limb]] for limb in LIMBS}
    known = {limb: heights[np.isfinite(heights)] for limb, heights in rested.items()}
    return {
        limb: float(np.percentile(heights, percentile)) if len(heights) else float("nan")
        for limb, heights in known.items()
    }


def without_turns_in_the_air(
    motion: Motion,
    events: dict[Limb, FootEvents],
    segment: tuple[int, int],
    held: Limb | None,
    floors_m: Mapping[Limb, float],
    settings: ContactSettings,
) -> dict[Limb, FootEvents]:
    """Drop the events of a foot that turned in the air while the other stood on the ground."""
    kept = dict(events)
    before, after = frames_beside(motion, segment, settings)
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


def off_the_plate(
    motion: Motion,
    limb: Limb,
    segment: tuple[int, int],
    floors_m: Mapping[Limb, float],
    settings: ContactSettings,
) -> tuple[bool, bool]:
    """Say whether a foot is away from where it stands, shortly before and shortly after a fall.

    The plate of a sled does not move: where a foot stood once it stands each time. One of which
    it is not known where it stands is not said to be away from there.
    """
    highest_m = floors_m[limb] + settings.held_foot_m
    before, after = (
        _level_m(float("nan"), motion.toe_m[limb][near]) > highest_m
        for near in frames_beside(motion, segment, settings)
    )
    return bool(before), bool(after)


def carried_by_the_foot_behind(
    events: dict[Limb, FootEvents],
    near: Limb,
    off_plate: tuple[bool, bool],
    body_off: Event,
    body_on: Event,
) -> dict[Limb, FootEvents]:
    """Give a flight that the near foot cannot have left, or not landed from, to the other foot.

    A leg drawn up before the one that stands hides it: the pose model then puts both feet where
    the near one is, so that both hang, or both seem to stand there. But a body that lies on a
    carriage leaves the plate and is caught by it through one of the feet. If it is not the near
    one, which is seen, it is the one behind, and the body alone tells when.

    Parameters
    ----------
    events : of both feet around one fall
    near : the limb on the camera's side
    off_plate : whether its foot is away from the plate before the fall and after it
    body_off, body_on : when the body began to fall and was caught
    """
    far = other_limb(near)
    given = dict(events)
    if off_plate[0]:
        given[near] = replace(given[near], toe_off=None)
        given[far] = replace(given[far], toe_off=body_off)
    if off_plate[1]:
        given[near] = replace(given[near], toe_contact=None, heel_contact=None)
        given[far] = replace(given[far], toe_contact=body_on, heel_contact=None)
    return given


def frames_beside(
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


def lower_feet(
    motion: Motion,
    segment: tuple[int, int],
    on_ground: OnGround,
    visibilities: Mapping[Limb, FootVisibility],
    settings: ContactSettings,
) -> list[Limb]:
    """Return the foot, or both feet, down shortly after a fall: those that stay, if any do.

    A foot held up may hang its toes nearly to the floor, not its ankle; what is not seen does not
    speak against it.
    """
    after_s = motion.t_s - motion.t_s[segment[1]]
    down = (after_s > settings.down_from_s) & (after_s < settings.down_to_s)
    ground_s = on_ground["toe_contact"]
    still = [
        limb
        for limb in LIMBS
        if False
        is strays(
            motion, limb, "toe_contact", ground_s[0], ground_s, 1.0, visibilities[limb], settings
        )
    ]
    limbs = still or list(LIMBS)
    above_m = dict.fromkeys(limbs, 0.0)
    for height_m in (motion.toe_m, motion.ankle_m):
        seen = {limb: height_m[limb][down & np.isfinite(height_m[limb])] for limb in limbs}
        levels = {limb: float(np.median(own)) for limb, own in seen.items() if len(own)}
        for limb, level in levels.items():
            above_m[limb] = max(above_m[limb], level - min(levels.values()))
    return [limb for limb in limbs if above_m[limb] < settings.held_foot_m] if down.any() else []
