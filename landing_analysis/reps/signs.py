"""(Rep, Tracks) -> what is seen of one rep by which its exercise is recognised."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from landing_analysis.definitions import FRONTAL_VIEWS, SIDE_VIEWS
from landing_analysis.exercises.entry import AtLeast, SignName
from landing_analysis.reasons import Code
from landing_analysis.settings import SignSettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    FloatArray,
    Limb,
    Rep,
    Tracks,
    ViewEstimate,
    other_limb,
)

Signs = dict[SignName, float]


def signs_of(
    reps: tuple[Rep, ...], tracks: Tracks, view: ViewEstimate, settings: SignSettings
) -> list[Signs]:
    """Return what is seen of each rep.

    Parameters
    ----------
    reps : in order of time
    tracks : Tracks
    view : ViewEstimate
    settings : SignSettings

    Returns
    -------
    list of dict
        ``feet`` that landed, missing where one was not seen and the set does not tell;
        ``changes_foot`` 1 from one foot to the other, 0 to the same one, which is missing where
        legs were not told apart, or both feet landed; ``step_s`` from the
        landing before, or to the next one where that is nearer (without any, infinite for a rep
        of unseen feet: of steps there is never one alone); ``thigh_deg`` and ``shank_deg`` the
        largest tilt from hanging straight down in the air (the lesser limb's where both are), at
        least that where it was not seen on; ``side_legs`` from the landing before to the side:
        across the picture, or, from the side, toward the phone or away from it by how much larger
        or smaller the trunk is seen; ``own_drop_legs`` from take-off down to the landing,
        ``drop_legs`` the same of the landing which a rebound follows, ``slide_legs`` along the
        ground; all in leg lengths;
        ``rebounds`` 1 where a landing and a rebound belong together. What is not seen is missing.

    Notes
    -----
    From the side the nearer leg hides the farther one, whose shank the pose model draws less
    lifted in kicks: 55 to 90 deg beside 100 to 115 (drawn). So a farther shank between steps of
    the nearer leg is taken to be lifted by no less than the lesser of those two.
    """
    tilts = {limb: segment_tilts_deg(tracks, limb, settings) for limb in LIMBS}
    landings_s = [_landing_s(rep) for rep in reps]
    steps_s = [b - a for a, b in pairwise(landings_s)]
    from_side = view.view in SIDE_VIEWS
    log_sizes = [_log_size(rep, tracks, settings) for rep in reps] if from_side else []
    drops: list[float] = []
    signs: list[Signs] = []
    for number, rep in enumerate(reps):
        near_s = [s for s in steps_s[max(number - 1, 0) : number + 1] if np.isfinite(s)]
        told = not is_of_unseen_feet(rep)
        seen: Signs = {"feet": float(len(rep.limbs))} if told else {}
        lost = not rep.is_bound and _is_of_lost_legs(rep)
        out_of_turn = lost or _out_of_turn(reps, number)
        feet_told = told and not out_of_turn
        if feet_told and len(rep.contacts) == len(rep.flight.take_off_limbs) == 1:
            seen["changes_foot"] = float(rep.is_bound)
        if near_s or not told:
            seen["step_s"] = min(near_s, default=np.inf)
        for name, index in _TILTS:
            peaks = [
                _highest(tilts[limb][index], swing)
                for limb, swing in _swings(rep, tracks, settings, other=out_of_turn)
            ]
            if peaks:
                seen[name] = min(peaks)
        drops.append(_moved(rep, rep, tracks, tracks.down, settings))
        seen["own_drop_legs"] = drops[-1]
        follows = bool(number) and landings_s[number] - landings_s[number - 1] < settings.rebound_s
        seen["drop_legs"] = max(drops[-1], drops[-2]) if follows else drops[-1]
        left_s = landings_s[number + 1] - landings_s[number] if number + 1 < len(reps) else np.inf
        seen["rebounds"] = float(follows or left_s < settings.rebound_s)
        if number and view.view in FRONTAL_VIEWS:
            across = np.array([tracks.down[1], -tracks.down[0]])
            seen["side_legs"] = abs(_moved(reps[number - 1], rep, tracks, across, settings))
        elif number and from_side:
            nearer = abs(log_sizes[number] - log_sizes[number - 1])
            seen["side_legs"] = nearer * settings.phone_away_legs
        seen["slide_legs"] = _slid(rep, tracks, settings)
        signs.append(seen)
    return _hidden_as_beside(signs, reps, view)


def _hidden_as_beside(signs: list[Signs], reps: tuple[Rep, ...], view: ViewEstimate) -> list[Signs]:
    """Take a hidden shank to be lifted no less than in either of the reps on both sides."""
    if view.near_limb is None:
        return signs
    near, far = (view.near_limb,), (other_limb(view.near_limb),)
    beside = list(signs)
    for number in range(1, len(reps) - 1):
        around = [number - 1, number + 1]
        if reps[number].limbs != far or any(reps[k].limbs != near for k in around):
            continue
        lifted = [signs[k].get("shank_deg", np.nan) for k in [number, *around]]
        if np.isfinite(lifted).all():
            beside[number] = signs[number] | {"shank_deg": max(lifted[0], min(lifted[1:]))}
    return beside


def is_of_unseen_feet(rep: Rep) -> bool:
    """Say whether a rep may be on one foot or on both: one was not seen, and the set is neither."""
    return rep.reason is not None and rep.reason.code == Code.OTHER_FOOT_NOT_SEEN


def _is_of_lost_legs(rep: Rep) -> bool:
    """Say whether it is not sure on which foot a rep landed."""
    return rep.reason is not None and rep.reason.code == Code.LEGS_NOT_TOLD_APART


_TILTS: tuple[tuple[SignName, int], ...] = (("thigh_deg", 0), ("shank_deg", 1))


def segment_tilts_deg(
    tracks: Tracks, limb: Limb, settings: SignSettings
) -> tuple[FloatArray, FloatArray]:
    """Return by how much thigh and shank are lifted from hanging straight down.

    Parameters
    ----------
    tracks : Tracks
    limb : the patient's own
    settings : SignSettings

    Returns
    -------
    thigh, shank : (n_frames,) degrees, 0 hanging, 90 level, 180 straight up; unsigned

    Notes
    -----
    From how far one joint is below the other, over the segment's own length when the leg
    hangs, so that every view shows it. Blunt near 0 and near 180, sharp around 90. Limit: a
    clip in which the leg never hangs straight shows no such length.
    """
    hip, knee, ankle = (
        tracks.xy_px[:, LANDMARK[f"{limb}_{part}"]] for part in ("hip", "knee", "ankle")
    )
    return _tilt_deg(knee - hip, tracks.down, settings), _tilt_deg(
        ankle - knee, tracks.down, settings
    )


def _tilt_deg(segment: FloatArray, down: FloatArray, settings: SignSettings) -> FloatArray:
    below = segment @ down
    known = below[np.isfinite(below)]
    hanging = float(np.percentile(known, settings.hanging_percentile)) if len(known) else np.nan
    tilt: FloatArray = np.degrees(np.arccos(np.clip(below / hanging, -1.0, 1.0)))
    return tilt


def swing_of(limb: Limb, rep: Rep, tracks: Tracks, settings: SignSettings) -> slice:
    """Return the frames in which a limb was in the air before a rep's landing.

    At most as long as steps take; a foot that stood before the flight is counted from there.
    """
    contact = rep.contact(limb)
    landed_s = contact.initial_contact.t_s if contact else _landing_s(rep)
    start_s = landed_s - settings.longest_swing_s
    if len(rep.flight.take_off_limbs) != 1 or limb in rep.flight.take_off_limbs:
        start_s = rep.flight.take_off.t_s if rep.flight.take_off else start_s
    first, last = np.searchsorted(tracks.t_s, [start_s, landed_s])
    return slice(int(first), int(max(last, first + 1)))


def _out_of_turn(reps: tuple[Rep, ...], number: int) -> bool:
    """Say whether a rep lands on the foot that it left, between reps that change the foot.

    So one exercise may go over into the next; it tells of neither that it is hops.
    """
    beside = reps[max(number - 1, 0) : number + 2]
    if len(beside) < 3 or reps[number].is_bound:  # definition: one on each side
        return False
    before, rep, after = beside
    alone = len(rep.contacts) == 1 and rep.flight.take_off_limbs == rep.limbs
    return alone and before.is_bound and after.is_bound


def _swings(
    rep: Rep, tracks: Tracks, settings: SignSettings, *, other: bool
) -> Iterator[tuple[Limb, slice]]:
    """Yield the limbs that were in the air with when: those that land, or the other one."""
    for limb in rep.limbs:
        if other:
            half_s, landed_s = 0.5 * settings.longest_swing_s, _landing_s(rep)
            around = np.searchsorted(tracks.t_s, [landed_s - half_s, landed_s + half_s])
            yield other_limb(limb), slice(int(around[0]), int(around[1]))
        else:
            yield limb, swing_of(limb, rep, tracks, settings)


def _highest(tilt_deg: FloatArray, swing: slice) -> float:
    inside = tilt_deg[swing]
    if not np.isfinite(inside).any():
        return np.nan
    top = int(np.nanargmax(inside))
    highest = float(inside[top])
    return AtLeast(highest) if is_beside_gap(inside, top) else highest


def is_beside_gap(samples: FloatArray, top: int) -> bool:
    """Whether the largest sample lies at a stretch that was not seen, which may hold a larger."""
    return bool(np.isnan(samples[max(top - 1, 0) : top + 2]).any())


def _landing_s(rep: Rep) -> float:
    return rep.flight.landing.t_s if rep.flight.landing else np.inf


def _moved(
    before: Rep, rep: Rep, tracks: Tracks, axis: FloatArray, settings: SignSettings
) -> float:
    """Return how far the landed feet are along an axis from where feet stood, in leg lengths.

    From the landing of another rep, or from before the take-off of the same.
    """
    own = before is rep
    start = rep.flight.take_off if own else before.flight.landing
    if start is None or rep.flight.landing is None:
        return np.nan
    limbs = rep.flight.take_off_limbs if own else before.limbs
    beside_s = settings.beside_s
    stood = _foot(limbs, start.t_s - beside_s if own else start.t_s + beside_s, tracks)
    stands = _foot(rep.limbs, rep.flight.landing.t_s + beside_s, tracks)
    return float((stands - stood) @ axis / tracks.leg_px)


def _log_size(rep: Rep, tracks: Tracks, settings: SignSettings) -> float:
    """Return the natural logarithm of how long the trunk is seen after a landing, in pixels.

    The same trunk is seen the longer the nearer it is to the phone; from the side leaning forward
    does not shorten it.
    """
    landed_s = _landing_s(rep)
    first, stop = np.searchsorted(tracks.t_s, [landed_s, landed_s + settings.size_over_s])
    shoulders, hips = (
        np.mean([tracks.xy_px[first:stop, LANDMARK[f"{limb}_{part}"]] for limb in LIMBS], axis=0)
        for part in ("shoulder", "hip")
    )
    lengths_px = np.linalg.norm(shoulders - hips, axis=1)
    lengths_px = lengths_px[np.isfinite(lengths_px)]
    return float(np.log(np.median(lengths_px))) if len(lengths_px) else float("nan")


def _slid(rep: Rep, tracks: Tracks, settings: SignSettings) -> float:
    """Return how far feet slid, in leg lengths; 0 for one that left the ground.

    While the weight went to this rep's leg: from a while before its load until its end.
    """
    if rep.flight.take_off is not None or not rep.contacts:
        return 0.0
    contact = rep.contacts[0]
    end_s = contact.toe_off.t_s if contact.toe_off else contact.initial_contact.t_s
    start_s = contact.initial_contact.t_s - settings.way_before_s
    inside = (tracks.t_s >= start_s) & (tracks.t_s <= end_s)
    across = np.array([tracks.down[1], -tracks.down[0]])
    moved = [
        float(np.ptp(tracks.xy_px[inside, LANDMARK[f"{limb}_ankle"]] @ across)) for limb in LIMBS
    ]
    return min(moved) / tracks.leg_px


def _foot(limbs: tuple[Limb, ...], at_s: float, tracks: Tracks) -> FloatArray:
    frame = int(np.clip(np.searchsorted(tracks.t_s, at_s), 0, len(tracks.t_s) - 1))
    toes = [tracks.xy_px[frame, LANDMARK[f"{limb}_toe"]] for limb in limbs]
    return np.mean(toes, axis=0) if toes else np.full(2, np.nan)
