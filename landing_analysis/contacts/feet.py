"""One foot around a fall: when its toes left and landed, when its heel did.

Each event is placed between frames by the fit of a change point: a part of the foot that moves on
a free-fall arc and rests from one instant on (landing), or rests and moves from one instant
on (toe-off). Toes, ankle and heel are fitted apart. The standard uncertainty of an event is
what the fit's residuals allow, with the pose model's own part and a share of the frame
interval added.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from landing_analysis.contacts.body import centre_of_mass_m
from landing_analysis.maths.change_point import ChangePoint, ChangePointWindows, fit_change_point
from landing_analysis.maths.signals import close_gaps, local_polynomial, runs, within
from landing_analysis.maths.statistics import Z_95, weighted_mean
from landing_analysis.settings import ContactSettings, FootSettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    BoolArray,
    Event,
    FloatArray,
    Limb,
    Tracks,
    View,
    other_limb,
)

FootVisibility = Literal["front", "near", "far", "behind"]
FootEventName = Literal["toe_off", "toe_contact"]
FULLY_VISIBLE: Mapping[Limb, FootVisibility] = {"left": "front", "right": "front"}


@dataclass(frozen=True)
class Motion:
    """Heights in metres (up positive) and what follows from them, on the clip's time base.

    ``toe_place_m`` (n, 2) is where the toes are in the picture, across and down.
    ``frame_s`` is the usual interval between frames, ``seen`` how visible toes are on average.
    ``exchanged`` says in which frames the tracks took the legs for each other,
    ``pull_m_s2`` with what a body in flight falls.
    """

    t_s: FloatArray
    frame_s: float
    body_m: FloatArray
    body_acceleration: FloatArray
    mass_m: FloatArray
    toe_m: dict[Limb, FloatArray]
    toe_place_m: dict[Limb, FloatArray]
    heel_m: dict[Limb, FloatArray]
    ankle_m: dict[Limb, FloatArray]
    resting: dict[Limb, BoolArray]
    seen: dict[Limb, float]
    exchanged: BoolArray
    noise_m: dict[str, float]
    pull_m_s2: float


@dataclass(frozen=True)
class FootEvents:
    """What one foot did around one candidate flight; None where it did not.

    The levels are the heights at which the toes rested before and after, ``toe_off_m_s`` and
    ``toe_contact_m_s`` how fast they left and landed.
    """

    toe_off: Event | None = None
    toe_contact: Event | None = None
    heel_contact: Event | None = None
    level_before_m: float = float("nan")
    level_after_m: float = float("nan")
    toe_off_m_s: float = float("nan")
    toe_contact_m_s: float = float("nan")

    @property
    def initial_contact(self) -> Event | None:
        """Toe contact, or heel contact where that is surely the earlier."""
        toe, heel = self.toe_contact, self.heel_contact
        if toe and heel and toe.t_s - heel.t_s > Z_95 * float(np.hypot(toe.sd_s, heel.sd_s)):
            return heel
        return toe


def foot_visibility_of(view: View, near_limb: Limb | None) -> Mapping[Limb, FootVisibility]:
    """Say how each foot is seen in a view: the far one of a side view half hidden."""
    if near_limb is not None:
        return {limb: "near" if limb == near_limb else "far" for limb in LIMBS}
    return dict.fromkeys(LIMBS, "behind") if view == "back" else FULLY_VISIBLE


def read_motion(tracks: Tracks, settings: ContactSettings) -> Motion:
    """Turn tracks into heights in metres, and say where each foot's toes rest."""
    height = -(tracks.raw_px @ tracks.down) / tracks.px_per_m
    middle = ("left_hip", "right_hip", "left_shoulder", "right_shoulder")
    body = np.mean([height[:, LANDMARK[name]] for name in middle], axis=0)
    toe_place_m = {
        limb: tracks.raw_px[:, LANDMARK[f"{limb}_toe"]] / tracks.px_per_m for limb in LIMBS
    }
    resting = {}
    for limb in LIMBS:
        velocity = local_polynomial(tracks.t_s, toe_place_m[limb], settings.toe_half_window_s, 1)[1]
        with np.errstate(invalid="ignore"):
            slow = np.hypot(*velocity.T) < settings.rest_speed_m_s
        resting[limb] = close_gaps(tracks.t_s, slow, settings.rest_gap_s)
    return Motion(
        t_s=tracks.t_s,
        frame_s=float(np.median(np.diff(tracks.t_s))),
        body_m=body,
        body_acceleration=local_polynomial(tracks.t_s, body, settings.body_half_window_s, 2)[2],
        mass_m=centre_of_mass_m(height),
        toe_place_m=toe_place_m,
        toe_m={limb: height[:, LANDMARK[f"{limb}_toe"]] for limb in LIMBS},
        heel_m={limb: height[:, LANDMARK[f"{limb}_heel"]] for limb in LIMBS},
        ankle_m={limb: height[:, LANDMARK[f"{limb}_ankle"]] for limb in LIMBS},
        resting=resting,
        exchanged=tracks.swapped,
        seen={
            limb: float(np.nanmean(tracks.visibility[:, LANDMARK[f"{limb}_toe"]])) for limb in LIMBS
        },
        noise_m={
            name: float(tracks.noise_px[LANDMARK[name]]) / tracks.px_per_m
            for name in (f"{limb}_{part}" for limb in LIMBS for part in ("toe", "heel", "ankle"))
        },
        pull_m_s2=tracks.pull_m_s2,
    )


def foot_events(
    motion: Motion,
    limb: Limb,
    segment: tuple[int, int],
    settings: ContactSettings,
    foot_visibility: FootVisibility,
) -> FootEvents:
    """Place toe-off, toe contact and heel contact of one foot around a candidate flight."""
    t_s, toe_m = motion.t_s, motion.toe_m[limb]
    first, last = segment
    lead_s = settings.max_inter_limb_delay_s
    rests = [
        (start, stop)
        for rest in runs(motion.resting[limb])
        for start, stop in _parted(motion, limb, rest, segment, settings)
        if t_s[stop] - t_s[start] >= settings.min_rest_s
    ]
    # A rest inside the segment is the top of the arc; a foot on the ground rests beyond it.
    before = [rest for rest in rests if rest[0] < first and rest[1] < last]
    after = [rest for rest in rests if rest[1] > last and rest[0] > first]
    left = landed = None
    seen = _seen(motion, limb, foot_visibility, settings)
    if before and t_s[before[-1][1]] >= t_s[first] - lead_s:
        near_s = _lift_s(t_s, toe_m, before[-1], segment, settings)
        left = _toe_change_point(motion, limb, near_s, "leaving", segment, 0.0, settings)
    if after and t_s[after[0][0]] <= t_s[last] + lead_s:
        near_s = _lift_s(t_s, toe_m, after[0], segment, settings)
        sinking_m_s = seen.toe_sinking_share * settings.toe_sinking_m_s
        landed = _toe_change_point(motion, limb, near_s, "landing", segment, sinking_m_s, settings)
    toe_contact = _toe_contact(motion, limb, landed, seen, settings)
    return FootEvents(
        left and _toe_off(motion, left, seen, settings),
        toe_contact,
        _heel_contact(motion, limb, toe_contact, settings),
        left.level_m if left else float("nan"),
        landed.level_m if landed else float("nan"),
        left.speed_m_s if left else float("nan"),
        landed.speed_m_s if landed else float("nan"),
    )


def _parted(
    motion: Motion,
    limb: Limb,
    rest: tuple[int, int],
    segment: tuple[int, int],
    settings: ContactSettings,
) -> list[tuple[int, int]]:
    """Part a rest that goes on through a fall in which the toes surely rose.

    In a flight of 0.1 s toes move by no more than 0.5 m/s, hardly faster than they settle.
    They rise all the same, on the arc of a free fall.
    """
    first, last = segment
    if not rest[0] < first < last < rest[1]:
        return [rest]
    start_s, end_s = float(motion.t_s[first]), float(motion.t_s[last])
    rose = rose_with_body(motion, limb, start_s, end_s, settings)
    return [(rest[0], first), (last, rest[1])] if rose else [rest]


def rose_with_body(
    motion: Motion, limb: Limb, start_s: float, end_s: float, settings: ContactSettings
) -> bool:
    """Say whether a foot's toes rose on a free arc in a short fall, as the other foot's did.

    A body in the air takes both feet along: both together must be likelier to have flown than to
    have stood, by ``settings.arc_log_odds``, and neither likelier to have stood. How fast the body
    falls counts as well. A foot alone may tell where the other one hangs beside the fall, and moves
    as it likes; a hidden one is guessed, and goes by the other.
    """
    if not settings.min_flight_s <= end_s - start_s <= settings.short_fall_s:
        return False
    other = other_limb(limb)
    both = _stands_beside(motion, limb, other, start_s, end_s, settings)
    limbs: tuple[Limb, ...] = LIMBS if both else (limb,)
    if both:
        least = settings.hidden_visibility
        limbs = tuple(who for who in LIMBS if motion.seen[who] >= least) or LIMBS
    odds = arc_log_odds(motion, limbs, start_s, end_s, settings)
    fallen = -mean_acceleration(motion, start_s, end_s) / motion.pull_m_s2
    of_body = settings.fall_log_odds * (fallen - settings.even_fall_share)
    return bool(odds.sum() + of_body > settings.arc_log_odds and odds.min() > 0)


def mean_acceleration(motion: Motion, start_s: float, end_s: float) -> float:
    """Return the body's mean vertical acceleration, m/s^2 upwards; 0 where nothing shows it."""
    inside = (motion.t_s >= start_s) & (motion.t_s <= end_s)
    known = motion.body_acceleration[inside & np.isfinite(motion.body_acceleration)]
    return float(known.mean()) if len(known) else 0.0


def _stands_beside(
    motion: Motion, limb: Limb, other: Limb, start_s: float, end_s: float, settings: ContactSettings
) -> bool:
    """Say whether the other foot's toes rest at a foot's level both before and after a fall."""
    above_m = motion.toe_m[other] - motion.toe_m[limb]
    with np.errstate(invalid="ignore"):
        stands = motion.resting[other] & (above_m < settings.far_foot_m)
    beside_s = settings.arc_beside_s
    sides = ((start_s - beside_s, start_s), (end_s, end_s + beside_s))
    return all(stands[within(motion.t_s, *side)].any() for side in sides)


def arc_log_odds(
    motion: Motion,
    limbs: Sequence[Limb],
    start_s: float,
    end_s: float,
    settings: ContactSettings,
) -> FloatArray:
    """Return how much likelier toes flew in a fall than stood through it, natural logarithms.

    Parameters
    ----------
    limbs : whose toes; in one and the same flight
    start_s, end_s : of the fall

    Returns
    -------
    (len(limbs),)
        In the likeliest flight in the fall, of those that no foot speaks against, of any beginning
        and of ``settings.min_flight_s`` and more; minus infinity where the toes are not seen
        around any.

    Notes
    -----
    Heights around a flight from ``a`` to ``b`` are those of a line, and above it between them
    g (t - a) (b - t) / 2, or are those of a line alone; the line is fitted to each, by least
    squares with the toes' noise. Toes that a bending leg lifts more than that count as flown, too.
    """
    t_s = motion.t_s
    step_s, margin_s = settings.arc_step_s, settings.stay_margin_s
    longest_s = end_s - start_s + 2 * margin_s
    flights = np.array(
        [
            (begin_s, begin_s + flight_s)
            for flight_s in np.arange(settings.min_flight_s, longest_s, step_s)
            for begin_s in np.arange(start_s - margin_s, end_s + margin_s - flight_s, step_s)
        ]
    )
    if not len(flights):
        return np.full(len(limbs), -np.inf)
    reach_s = margin_s + settings.arc_beside_s
    near = within(t_s, start_s - reach_s, end_s + reach_s)
    odds = np.array([_arc_log_odds(motion, limb, near, flights, settings) for limb in limbs])
    possible = (odds > 0).all(axis=0)
    together = np.where(possible if possible.any() else True, odds.sum(axis=0), -np.inf)
    likeliest: FloatArray = odds[:, int(np.argmax(together))]
    return likeliest


def _arc_log_odds(
    motion: Motion, limb: Limb, near: slice, flights: FloatArray, settings: ContactSettings
) -> FloatArray:
    """Return (n_flights,) the log odds of one foot for each flight, by its beginning and end."""
    at_s, height_m = motion.t_s[near], motion.toe_m[limb][near]
    known = np.isfinite(height_m)
    at_s, height_m = at_s[known], height_m[known]
    if not len(at_s):
        return np.full(len(flights), -np.inf)
    since_s, until_s = at_s - flights[:, :1], flights[:, 1:] - at_s
    before, after = ((-settings.arc_beside_s < x) & (x <= 0) for x in (since_s, until_s))
    inside = (since_s > 0) & (until_s > 0)
    used = before | inside | after
    free_arc_m = 0.5 * motion.pull_m_s2 * since_s * until_s  # definition: of free fall
    arc_m = np.where(inside, free_arc_m, 0.0)
    heights_m = np.broadcast_to(height_m, used.shape)
    across, own = (
        _off_line(used, at_s - at_s.mean(), arc_m, other_m) for other_m in (heights_m, arc_m)
    )
    fewest = np.minimum(before.sum(axis=1), after.sum(axis=1))
    told = (fewest >= settings.fewest_beside_frames) & inside.any(axis=1)
    noise_m = np.hypot(motion.noise_m[f"{limb}_toe"], settings.least_toe_noise_m)
    odds = (across - 0.5 * own) / noise_m**2  # definition: of normal errors
    return np.where(told, odds, -np.inf)


def _off_line(used: BoolArray, at_s: FloatArray, one: FloatArray, other: FloatArray) -> FloatArray:
    """Return (n,) the products of two series, row by row, that no line explains of either.

    Parameters
    ----------
    used : (n, n_frames) which frames count
    at_s : (n_frames,) of each frame
    one, other : (n, n_frames)
    """
    n, s, ss = used.sum(axis=1), used @ at_s, used @ at_s**2
    (one_0, one_1), (other_0, other_1) = (
        ((series * used).sum(axis=1), (series * used) @ at_s) for series in (one, other)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        told = ss * one_0 * other_0 - s * (one_0 * other_1 + one_1 * other_0) + n * one_1 * other_1
        left: FloatArray = (one * other * used).sum(axis=1) - told / (n * ss - s**2)
    return left


def strays(
    motion: Motion,
    limb: Limb,
    event: FootEventName,
    at_s: float,
    on_ground_s: tuple[float, float],
    share: float,
    foot_visibility: FootVisibility,
    settings: ContactSettings,
) -> bool | None:
    """Say whether a foot moves on where it should stand: before it leaves, or once it landed.

    Parameters
    ----------
    at_s : when the foot left or landed
    on_ground_s : from when until when the body is on its feet there
    share : of the usual limit that its toes may move by

    Returns
    -------
    None where fewer than three frames show it
    """
    moved = moved_m(motion, limb, event, at_s, on_ground_s, settings)
    if np.isnan(moved):
        return None
    return moved > share * _seen(motion, limb, foot_visibility, settings).stays_within_m


def hangs(
    motion: Motion,
    limb: Limb,
    event: FootEventName,
    at_s: float,
    on_ground_s: tuple[float, float],
    foot_visibility: FootVisibility,
    settings: ContactSettings,
) -> bool:
    """Say whether a foot is seen to hang while the other one stands.

    A foot that is not seen to stand need not hang: a hidden one that stands moves with the
    model's guess of it. A foot hangs where its toes are higher above the other's than on one
    floor, or move by more than those of a foot that stands, hidden or not.

    Parameters
    ----------
    at_s : when the other foot left or landed
    on_ground_s : from when until when the body is on its feet there
    """
    from_s, until_s = _asked_s(event, at_s, on_ground_s, settings)
    hidden = _seen(motion, limb, foot_visibility, settings) is settings.far
    inside = within(motion.t_s, from_s, until_s)
    other = other_limb(limb)
    above_m = motion.toe_m[limb][inside] - motion.toe_m[other][inside]
    above_m = above_m[np.isfinite(above_m)]
    highest_m = settings.far_foot_m if hidden else settings.held_foot_m
    if len(above_m) >= settings.fewest_stay_frames and float(np.median(above_m)) > highest_m:
        return True
    share = settings.surely_moved_share if hidden else 1.0
    return bool(strays(motion, limb, event, at_s, on_ground_s, share, foot_visibility, settings))


def _asked_s(
    event: FootEventName, at_s: float, on_ground_s: tuple[float, float], settings: ContactSettings
) -> tuple[float, float]:
    """Return from when until when a foot is asked whether it stays."""
    if event == "toe_off":
        until_s = min(at_s, on_ground_s[1]) - settings.stay_margin_s
        return max(until_s - settings.stay_s, on_ground_s[0] + settings.stay_margin_s), until_s
    from_s = at_s + settings.stay_margin_s
    return from_s, min(from_s + settings.stay_s, on_ground_s[1] - settings.stay_margin_s)


def moved_m(
    motion: Motion,
    limb: Limb,
    event: FootEventName,
    at_s: float,
    on_ground_s: tuple[float, float],
    settings: ContactSettings,
) -> float:
    """Return how far a foot's toes are from their mean place where it is asked to stay.

    Parameters
    ----------
    at_s : when the foot left or landed
    on_ground_s : from when until when the body is on its feet there

    Returns
    -------
    float
        Root mean square in metres, less what single frames scatter by, so that the frame rate
        changes nothing; NaN where fewer than three frames show it
    """
    asked = within(motion.t_s, *_asked_s(event, at_s, on_ground_s, settings))
    place_m = motion.toe_place_m[limb][asked]
    place_m = place_m[np.isfinite(place_m).all(axis=1)]
    if len(place_m) < settings.fewest_stay_frames:
        return float("nan")
    scatter = 2 * float(np.nan_to_num(motion.noise_m[f"{limb}_toe"])) ** 2
    return float(np.sqrt(max(float(place_m.var(axis=0).sum()) - scatter, 0.0)))


def _seen(
    motion: Motion, limb: Limb, foot_visibility: FootVisibility, settings: ContactSettings
) -> FootSettings:
    """Return what the pose model makes of a foot seen so; a hidden one counts as far."""
    hidden = motion.seen[limb] < settings.hidden_visibility
    visibilities: dict[FootVisibility, FootSettings] = {
        "front": settings.front, "near": settings.near,
        "far": settings.far, "behind": settings.behind,
    }  # fmt: skip
    return visibilities["far" if hidden and foot_visibility != "behind" else foot_visibility]


def _toe_contact(
    motion: Motion,
    limb: Limb,
    toe: ChangePoint | None,
    seen: FootSettings,
    settings: ContactSettings,
) -> Event | None:
    """Average what toes and ankle say of a landing.

    The ankle's fall breaks off after the toes touch, the later the more the foot pointed
    down: the height that the ankle loses against the toes tells by how much.
    """
    if toe is None:
        return None
    model_sd_s = _slowed_sd_s(seen.toe_on_sd_s, toe, settings)
    event = Event(toe.at_s - seen.toe_on_late_s, _sd_s(motion, toe, model_sd_s, settings))
    near_s = event.t_s + settings.ankle_on_lag_s + settings.ankle_near_s
    ankle = _part_change_point(
        motion, (f"{limb}_ankle", motion.ankle_m[limb]), near_s, "landing",
        settings.change_point_moving_s, settings,
    )  # fmt: skip
    if ankle is None:
        return event
    above_m = motion.ankle_m[limb] - motion.toe_m[limb]
    since_toe_s, since_ankle_s = motion.t_s - event.t_s, motion.t_s - ankle.at_s
    before = since_toe_s > -settings.ankle_before_from_s
    before &= since_toe_s < settings.ankle_before_to_s
    after = since_ankle_s > settings.ankle_after_from_s
    after &= since_ankle_s < settings.ankle_after_to_s
    known = np.isfinite(above_m)
    if not (known & before).any() or not (known & after).any():
        return event
    lost_m = float(np.mean(above_m[known & before]) - np.median(above_m[known & after]))
    lag_s = settings.ankle_on_lag_s + settings.ankle_on_lag_s_per_m * lost_m
    model_sd_s = _slowed_sd_s(seen.ankle_on_sd_s, ankle, settings)
    sd_s = _sd_s(motion, ankle, model_sd_s, settings)
    return average_events(event, Event(ankle.at_s - lag_s, sd_s))


def _toe_off(
    motion: Motion, left: ChangePoint, seen: FootSettings, settings: ContactSettings
) -> Event:
    """Return toe-off as the toes show it, the less surely the more slowly they leave."""
    model_sd_s = _slowed_sd_s(seen.toe_off_sd_s, left, settings)
    return Event(left.at_s - seen.toe_off_late_s, _sd_s(motion, left, model_sd_s, settings))


def heels_fastest_s(
    motion: Motion, limbs: Sequence[Limb], between_s: tuple[float, float], settings: ContactSettings
) -> float | None:
    """Return when the heels of feet that leave together rise fastest: until they leave.

    Parameters
    ----------
    limbs : the feet that left; hidden ones are not asked
    between_s : from when until when it is looked for

    Returns
    -------
    float
        Seconds; None where no heel is seen to rise fastest in between

    Notes
    -----
    O'Connor et al. 2007 (Gait & Posture 25:469-474, from memory) place toe-off where the foot's
    centre rises fastest. The heel is taken, since the pose model lets the toes creep with it.
    """
    limbs = [limb for limb in limbs if motion.seen[limb] >= settings.hidden_visibility]
    if not limbs:
        return None
    reach_s = 3 * settings.heel_half_window_s  # definition: holds all that the fits reach
    near = within(motion.t_s, between_s[0] - reach_s, between_s[1] + reach_s)
    t_s = motion.t_s[near]
    heel_m = np.mean([motion.heel_m[limb][near] for limb in limbs], axis=0)
    speed = local_polynomial(t_s, heel_m, settings.heel_half_window_s, 1)[1]
    asked = np.zeros(len(t_s), dtype=bool)
    asked[within(t_s, *between_s)] = True
    highest = _highest(np.where(asked & np.isfinite(speed), speed, -np.inf), speed)
    return None if highest is None else float(np.interp(highest, np.arange(len(t_s)), t_s))


def _highest(asked: FloatArray, series: FloatArray) -> float | None:
    """Return the place, between samples, of the highest asked sample; None if it is no top."""
    top = int(np.argmax(asked)) if len(asked) else 0
    if not 0 < top < len(series) - 1:
        return None
    before, at, after = series[top - 1 : top + 2]
    bend = before - 2 * at + after
    if not (at >= before and at >= after and bend < 0):
        return None
    return top + float(0.5 * (before - after) / bend)  # definition: top of their parabola


def _slowed_sd_s(model_sd_s: float, edge: ChangePoint, settings: ContactSettings) -> float:
    """Give the pose model's part in an edge at the speed with which a part of a foot moves there.

    What the model errs by is a height: of a part that moves slowly it costs more time.
    """
    usual_m_s = settings.jumping_speed_m_s
    return model_sd_s * max(1.0, usual_m_s / max(edge.speed_m_s, usual_m_s / settings.most_slowed))


def _sd_s(
    motion: Motion, change_point: ChangePoint, model_sd_s: float, settings: ContactSettings
) -> float:
    """Add up an event's uncertainty: of the fit, of the pose model, of the frame interval."""
    of_frame_s = settings.frame_share * motion.frame_s
    return float(np.linalg.norm([change_point.sd_s, model_sd_s, of_frame_s]))


def average_events(one: Event, other: Event) -> Event:
    """Average two readings of one event by their weights; half their distance is the least sd."""
    at_s, sd_s = weighted_mean((one.t_s, one.sd_s), (other.t_s, other.sd_s))
    return Event(at_s, max(sd_s, 0.5 * abs(one.t_s - other.t_s)))


def _toe_change_point(
    motion: Motion,
    limb: Limb,
    near_s: float,
    kind: Literal["landing", "leaving"],
    segment: tuple[int, int],
    sinking_m_s: float,
    settings: ContactSettings,
) -> ChangePoint | None:
    half_s = 0.5 * float(motion.t_s[segment[1]] - motion.t_s[segment[0]])
    moving_s = min(settings.change_point_moving_s, half_s)
    part = (f"{limb}_toe", motion.toe_m[limb])
    return _part_change_point(
        motion, part, near_s, kind, moving_s, settings, sinking_m_s=sinking_m_s
    )


def _part_change_point(
    motion: Motion,
    part: tuple[str, FloatArray],
    near_s: float,
    kind: Literal["landing", "leaving"],
    moving_s: float,
    settings: ContactSettings,
    fall_m_s2: float | None = None,
    sinking_m_s: float = 0.0,
) -> ChangePoint | None:
    """Fit a change point to one part of a foot, given by its landmark's name and its heights."""
    name, height_m = part
    rest_s = settings.leaving_rest_s if kind == "leaving" else settings.landing_rest_s
    return fit_change_point(
        motion.t_s,
        height_m,
        near_s,
        kind,
        ChangePointWindows(settings.change_point_search_s, moving_s, rest_s),
        motion.noise_m[name],
        fall_m_s2=motion.pull_m_s2 if fall_m_s2 is None else fall_m_s2,
        sinking_m_s=sinking_m_s,
        worst_misfit_m=settings.change_point_misfit_m,
        worst_misfit_sds=settings.noise_sds,
        worst_misfit_share=settings.leaving_misfit_share if kind == "leaving" else 0.0,
        step_s=motion.frame_s,
    )


def _heel_contact(
    motion: Motion, limb: Limb, toe_contact: Event | None, settings: ContactSettings
) -> Event | None:
    """Place heel contact near toe contact: the heel sinks at a steady speed, then rests."""
    if toe_contact is None:
        return None
    t_s, heel_m = motion.t_s, motion.heel_m[limb]
    since_s = t_s - toe_contact.t_s
    looked_at = (since_s > -settings.heel_before_s) & (since_s < settings.heel_after_s)
    around = np.flatnonzero(looked_at)
    if len(around) < settings.heel_fewest_frames or not np.isfinite(heel_m[around]).all():
        return None
    resting = max(2, int(settings.heel_rest_share * len(around)))
    level = float(np.median(heel_m[around[-resting:]]))
    rise = float(heel_m[around].max()) - level
    above = around[heel_m[around] > level + settings.heel_high_share * rise]
    if not len(above):
        return None
    heel = (f"{limb}_heel", heel_m)
    near_s = float(t_s[above[-1]]) + settings.heel_near_s
    change_point = _part_change_point(
        motion, heel, near_s, "landing", settings.heel_moving_s, settings, fall_m_s2=0.0
    )
    if change_point is None:
        return None
    sd_s = float(np.hypot(change_point.sd_s, settings.heel_model_sd_s))
    return Event(change_point.at_s + settings.heel_early_s, sd_s)


def _lift_s(
    t_s: FloatArray,
    height_m: FloatArray,
    rest: tuple[int, int],
    segment: tuple[int, int],
    settings: ContactSettings,
) -> float:
    """Estimate when a part left, or reached, the level of a rest beside a falling segment.

    A quarter of the way up to the top of a parabola of duration T is reached
    .067 T after it starts. Where the part does not rise (a step off a box) the
    rest's own end is taken.
    """
    leaving = rest[0] < segment[0]
    event = rest[1] if leaving else rest[0]
    arc = np.arange(min(event, segment[0]), max(event, segment[1]) + 1)
    arc = arc[np.isfinite(height_m[arc])]
    if not len(arc):
        return float(t_s[event])
    top = int(arc[np.nanargmax(height_m[arc])])
    level = float(np.nanmedian(height_m[rest[0] : rest[1] + 1]))
    side = arc[arc <= top] if leaving else arc[arc >= top][::-1]
    rise = float(height_m[top]) - level
    lifted_m = level + settings.lift_share * rise
    low = side[height_m[side] < lifted_m]
    if rise < settings.least_lift_m or not len(low) or low[-1] == top:
        return float(t_s[event])
    inner, outer = int(low[-1]), int(low[-1]) + (1 if leaving else -1)
    share = (lifted_m - height_m[inner]) / (height_m[outer] - height_m[inner])
    crossing_s = t_s[inner] + share * (t_s[outer] - t_s[inner])
    start_s = settings.lift_time_share * (t_s[segment[1]] - t_s[segment[0]])
    return float(crossing_s - start_s if leaving else crossing_s + start_s)
