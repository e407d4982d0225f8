"""Tracks -> Contacts: initial contact and toe-off per limb, between frames.

The recipe
----------
1. The body's middle (mean of hips and shoulders) is differentiated twice. A
   stretch in which it accelerates downward by more than half of gravity is a
   candidate flight. The scale comes from the body's own leg length.
2. For each foot the toes are followed. A foot *landed* from the candidate when
   its toes stop and then stay; it *took off* into it when they stayed and then
   move. A foot that only swings, or a body that drops while its toes stay
   (squat, heel raise, countermovement), makes no flight.
3. A flight needs at least one foot that landed, or took off at the end of the
   clip, and a time in the air that a jump can have.
4. Each edge is then placed between frames by the fit of a hinge: a part of the
   foot that moves on a free-fall arc and rests from one instant on (landing),
   or rests and moves from one instant on (toe-off). Toes and heel are fitted
   apart; initial contact is the earlier, toe-off the toes'.
5. The standard uncertainty of an edge is what the fit's residuals allow, with
   the model's own part added.

Nobody gives a floor height: rest is judged from each foot's own movement, so a
step from a box and a slow drift toward the camera change nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from landing_analysis.definitions import GRAVITY_M_S2
from landing_analysis.errors import TableError
from landing_analysis.hinge import Hinge, HingeWindows, fit_hinge
from landing_analysis.settings import ContactSettings, FootSettings
from landing_analysis.signals import close_gaps, local_polynomial, runs
from landing_analysis.statistics import Z_95, weighted_mean
from landing_analysis.tables import (
    LANDMARK,
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
    View,
)

Sight = Literal["front", "near", "far", "behind"]
IN_FULL_SIGHT: Mapping[Limb, Sight] = {"left": "front", "right": "front"}

_HELD = "held landing: the foot stayed on the ground until the clip ended"
_UNSEEN = "the foot was not seen to leave the ground before the next flight"


@dataclass(frozen=True)
class _Motion:
    """Heights in metres (up positive) and what follows from them, on the clip's time base."""

    t_s: FloatArray
    body_m: FloatArray
    body_acceleration: FloatArray
    toe_m: dict[Limb, FloatArray]
    heel_m: dict[Limb, FloatArray]
    ankle_m: dict[Limb, FloatArray]
    resting: dict[Limb, BoolArray]
    seen: dict[Limb, FloatArray]
    noise_m: dict[str, float]


@dataclass(frozen=True)
class _Edges:
    """What one foot did around one candidate flight; None where it did not.

    The levels are the heights at which the toes rested before and after.
    """

    toe_off: Event | None = None
    toe_contact: Event | None = None
    heel_contact: Event | None = None
    level_before_m: float = float("nan")
    level_after_m: float = float("nan")

    @property
    def initial_contact(self) -> Event | None:
        """Toe contact, or heel contact where that is surely the earlier."""
        toe, heel = self.toe_contact, self.heel_contact
        if toe and heel and toe.t_s - heel.t_s > Z_95 * float(np.hypot(toe.sd_s, heel.sd_s)):
            return heel
        return toe


def sights_of(view: View, near_limb: Limb | None) -> Mapping[Limb, Sight]:
    """Say how each foot is seen in a view: the far one of a side view half hidden."""
    if near_limb is not None:
        return {limb: "near" if limb == near_limb else "far" for limb in LIMBS}
    return dict.fromkeys(LIMBS, "behind") if view == "back" else IN_FULL_SIGHT


def find_contacts(
    tracks: Tracks, settings: ContactSettings, sights: Mapping[Limb, Sight] = IN_FULL_SIGHT
) -> Contacts:
    """Find every ground contact that follows a flight, and every flight.

    Parameters
    ----------
    tracks : Tracks
    settings : ContactSettings
    sights : how each foot is seen, from `sights_of`

    Returns
    -------
    Contacts
        In order of initial contact. Standing before the first flight is no
        contact: its initial contact is not in the clip.

    Notes
    -----
    See the module's text for the recipe. Foot rules in the literature use the
    speed or acceleration of heel and toe (Hreljac & Stergiou 2000, doi
    10.1007/BF02345744; O'Connor 2007); the free-fall gate and the hinge fit are
    this project's own. Limits: a landing without a stop of the toes (a slide) is
    missed; a flight under ``min_flight_s`` is not told from a heel raise.
    """
    if tracks.rate_hz < settings.min_rate_hz:
        text = (
            f"{tracks.rate_hz:.0f} frames/s is too slow to tell a flight from a step; "
            f"film at 60 frames/s or more."
        )
        return Contacts((), (), (Note("frame rate", "poor", text),))
    motion = _motion(tracks, settings)
    one_behind_other = "far" in sights.values()
    highest_m = settings.far_foot_m if one_behind_other else settings.held_foot_m
    candidates = [
        (
            stretch,
            {limb: _foot_edges(motion, limb, stretch, settings, sights[limb]) for limb in LIMBS},
        )
        for stretch in _falling_stretches(motion, settings)
    ]
    held = _held_limb(motion, [edges for _, edges in candidates], highest_m)
    contacts: list[Contact] = []
    flights: list[Flight] = []
    for stretch, both in candidates:
        edges = _believable(motion, _grounded(both, held, settings), stretch, settings)
        edges = _rescued(motion, _helped(edges, settings), stretch, held, settings)
        edges = _paired(motion, edges, stretch, highest_m, settings)
        flight = _resolve_flight(motion, edges, stretch, settings)
        if flight is None:
            continue
        flights.append(flight)
        contacts = [_with_toe_off(contact, edges[contact.limb].toe_off) for contact in contacts]
        contacts += [_landing(limb, edges[limb]) for limb in flight.landing_limbs]
    ordered = sorted(contacts, key=lambda contact: contact.initial_contact.t_s)
    return Contacts(tuple(ordered), tuple(flights))


def _motion(tracks: Tracks, settings: ContactSettings) -> _Motion:
    height = -(tracks.raw_px @ tracks.down) / tracks.px_per_m
    middle = ("left_hip", "right_hip", "left_shoulder", "right_shoulder")
    body = np.mean([height[:, LANDMARK[name]] for name in middle], axis=0)
    resting = {}
    for limb in LIMBS:
        toes_m = tracks.raw_px[:, LANDMARK[f"{limb}_toe"]] / tracks.px_per_m
        velocity = local_polynomial(tracks.t_s, toes_m, 0.04, 1)[1]
        with np.errstate(invalid="ignore"):
            slow = np.hypot(*velocity.T) < settings.rest_speed_m_s
        resting[limb] = close_gaps(tracks.t_s, slow, settings.rest_gap_s)
    return _Motion(
        t_s=tracks.t_s,
        body_m=body,
        body_acceleration=local_polynomial(tracks.t_s, body, 0.07, 2)[2],
        toe_m={limb: height[:, LANDMARK[f"{limb}_toe"]] for limb in LIMBS},
        heel_m={limb: height[:, LANDMARK[f"{limb}_heel"]] for limb in LIMBS},
        ankle_m={limb: height[:, LANDMARK[f"{limb}_ankle"]] for limb in LIMBS},
        resting=resting,
        seen={limb: tracks.visibility[:, LANDMARK[f"{limb}_toe"]] for limb in LIMBS},
        noise_m={
            name: float(tracks.noise_px[LANDMARK[name]]) / tracks.px_per_m
            for name in (f"{limb}_{part}" for limb in LIMBS for part in ("toe", "heel", "ankle"))
        },
    )


def _falling_stretches(motion: _Motion, settings: ContactSettings) -> list[tuple[int, int]]:
    """Return candidate flights: the body's middle falls, and somewhere in it falls freely."""
    g = GRAVITY_M_S2
    with np.errstate(invalid="ignore"):
        falling = motion.body_acceleration < -settings.falling_share * g
        descending = motion.body_acceleration < -settings.falling_edge_share * g
    descending = close_gaps(motion.t_s, descending, settings.falling_gap_s)
    return [
        (first, last)
        for first, last in runs(descending)
        if falling[first : last + 1].any()
        and motion.t_s[last] - motion.t_s[first] >= 0.5 * settings.min_flight_s
    ]


def _foot_edges(
    motion: _Motion,
    limb: Limb,
    stretch: tuple[int, int],
    settings: ContactSettings,
    sight: Sight,
) -> _Edges:
    """Place toe-off, toe contact and heel contact of one foot around a candidate flight."""
    t_s, toe_m = motion.t_s, motion.toe_m[limb]
    first, last = stretch
    lead_s = settings.max_landing_lead_s
    rests = [
        (start, stop)
        for start, stop in runs(motion.resting[limb])
        if t_s[stop] - t_s[start] >= settings.min_rest_s
    ]
    # A rest inside the stretch is the top of the arc; a foot on the ground rests beyond it.
    before = [rest for rest in rests if rest[0] < first and rest[1] < last]
    after = [rest for rest in rests if rest[1] > last and rest[0] > first]
    left = landed = None
    if before and t_s[before[-1][1]] >= t_s[first] - lead_s:
        near_s = _lift_s(t_s, toe_m, before[-1], stretch)
        left = _toe_hinge(motion, limb, near_s, "leaving", stretch, settings)
    if after and t_s[after[0][0]] <= t_s[last] + lead_s:
        near_s = _lift_s(t_s, toe_m, after[0], stretch)
        landed = _toe_hinge(motion, limb, near_s, "landing", stretch, settings)
    seen = _seen(motion, limb, sight, settings)
    toe_contact = _toe_contact(motion, limb, landed, seen, settings)
    toe_off = left and Event(
        left.at_s - seen.toe_off_late_s, _sd_s(motion, left, seen.toe_off_sd_s, settings)
    )
    return _Edges(
        toe_off,
        toe_contact,
        _heel_contact(motion, limb, toe_contact, settings),
        left.level_m if left else float("nan"),
        landed.level_m if landed else float("nan"),
    )


def _seen(motion: _Motion, limb: Limb, sight: Sight, settings: ContactSettings) -> FootSettings:
    """Return what the pose model makes of a foot seen so; a hidden one counts as far."""
    hidden = float(np.nanmean(motion.seen[limb])) < settings.hidden_visibility
    sights: dict[Sight, FootSettings] = {
        "front": settings.front, "near": settings.near,
        "far": settings.far, "behind": settings.behind,
    }  # fmt: skip
    return sights["far" if hidden and sight != "behind" else sight]


def _toe_contact(
    motion: _Motion, limb: Limb, toe: Hinge | None, seen: FootSettings, settings: ContactSettings
) -> Event | None:
    """Average what toes and ankle say of a landing.

    The ankle's fall breaks off after the toes touch, the later the more the foot pointed
    down: the height that the ankle loses against the toes tells by how much.
    """
    if toe is None:
        return None
    event = Event(toe.at_s - seen.toe_on_late_s, _sd_s(motion, toe, seen.toe_on_sd_s, settings))
    near_s = event.t_s + settings.ankle_on_lag_s + 0.015
    ankle = _part_hinge(
        motion, (f"{limb}_ankle", motion.ankle_m[limb]), near_s, "landing",
        settings.hinge_moving_s, settings,
    )  # fmt: skip
    if ankle is None:
        return event
    above_m = motion.ankle_m[limb] - motion.toe_m[limb]
    before = (motion.t_s > event.t_s - 0.05) & (motion.t_s < event.t_s + 0.02)
    after = (motion.t_s > ankle.at_s + 0.03) & (motion.t_s < ankle.at_s + 0.12)
    known = np.isfinite(above_m)
    if not (known & before).any() or not (known & after).any():
        return event
    lost_m = float(np.mean(above_m[known & before]) - np.median(above_m[known & after]))
    lag_s = settings.ankle_on_lag_s + settings.ankle_on_lag_s_per_m * lost_m
    sd_s = _sd_s(motion, ankle, seen.ankle_on_sd_s, settings)
    return _averaged(event, Event(ankle.at_s - lag_s, sd_s))


def _sd_s(motion: _Motion, hinge: Hinge, model_sd_s: float, settings: ContactSettings) -> float:
    """Add up an edge's uncertainty: of the fit, of the pose model, of the frame interval."""
    frame_s = float(np.median(np.diff(motion.t_s)))
    return float(np.linalg.norm([hinge.sd_s, model_sd_s, settings.frame_share * frame_s]))


def _averaged(one: Event, other: Event) -> Event:
    """Average two readings of one event by their weights; half their distance is the least sd."""
    at_s, sd_s = weighted_mean((one.t_s, one.sd_s), (other.t_s, other.sd_s))
    return Event(at_s, max(sd_s, 0.5 * abs(one.t_s - other.t_s)))


def _toe_hinge(
    motion: _Motion,
    limb: Limb,
    near_s: float,
    kind: Literal["landing", "leaving"],
    stretch: tuple[int, int],
    settings: ContactSettings,
) -> Hinge | None:
    half_s = 0.5 * float(motion.t_s[stretch[1]] - motion.t_s[stretch[0]])
    moving_s = min(settings.hinge_moving_s, half_s)
    part = (f"{limb}_toe", motion.toe_m[limb])
    sinking_m_s = settings.toe_sinking_m_s if kind == "landing" else 0.0
    return _part_hinge(motion, part, near_s, kind, moving_s, settings, sinking_m_s=sinking_m_s)


def _part_hinge(
    motion: _Motion,
    part: tuple[str, FloatArray],
    near_s: float,
    kind: Literal["landing", "leaving"],
    moving_s: float,
    settings: ContactSettings,
    fall_m_s2: float = GRAVITY_M_S2,
    sinking_m_s: float = 0.0,
) -> Hinge | None:
    """Fit a hinge to one part of a foot, given by its landmark's name and its heights."""
    name, height_m = part
    rest_s = settings.leaving_rest_s if kind == "leaving" else settings.landing_rest_s
    return fit_hinge(
        motion.t_s,
        height_m,
        near_s,
        kind,
        HingeWindows(settings.hinge_search_s, moving_s, rest_s),
        motion.noise_m[name],
        fall_m_s2=fall_m_s2,
        sinking_m_s=sinking_m_s,
        worst_misfit_m=settings.hinge_misfit_m,
    )


def _heel_contact(
    motion: _Motion, limb: Limb, toe_contact: Event | None, settings: ContactSettings
) -> Event | None:
    """Place heel contact near toe contact: the heel sinks at a steady speed, then rests."""
    if toe_contact is None:
        return None
    t_s, heel_m = motion.t_s, motion.heel_m[limb]
    around = np.flatnonzero((t_s > toe_contact.t_s - 0.08) & (t_s < toe_contact.t_s + 0.18))
    if len(around) < 5 or not np.isfinite(heel_m[around]).all():
        return None
    level = float(np.median(heel_m[around[-max(2, len(around) // 4) :]]))
    rise = float(heel_m[around].max()) - level
    above = around[heel_m[around] > level + 0.2 * rise]
    if not len(above):
        return None
    heel = (f"{limb}_heel", heel_m)
    near_s = float(t_s[above[-1]]) + 0.01
    hinge = _part_hinge(
        motion, heel, near_s, "landing", settings.heel_moving_s, settings, fall_m_s2=0.0
    )
    if hinge is None:
        return None
    sd_s = float(np.hypot(hinge.sd_s, settings.heel_model_sd_s))
    return Event(hinge.at_s + settings.heel_early_s, sd_s)


def _lift_s(
    t_s: FloatArray, height_m: FloatArray, rest: tuple[int, int], stretch: tuple[int, int]
) -> float:
    """Estimate when a part left, or reached, the level of a rest beside a falling stretch.

    A quarter of the way up to the top of a parabola of duration T is reached
    .067 T after it starts. Where the part does not rise (a step off a box) the
    rest's own end is taken.
    """
    leaving = rest[0] < stretch[0]
    edge = rest[1] if leaving else rest[0]
    arc = np.arange(min(edge, stretch[0]), max(edge, stretch[1]) + 1)
    arc = arc[np.isfinite(height_m[arc])]
    if not len(arc):
        return float(t_s[edge])
    top = int(arc[np.nanargmax(height_m[arc])])
    level = float(np.nanmedian(height_m[rest[0] : rest[1] + 1]))
    side = arc[arc <= top] if leaving else arc[arc >= top][::-1]
    rise = float(height_m[top]) - level
    low = side[height_m[side] < level + 0.25 * rise]
    if rise < 0.01 or not len(low) or low[-1] == top:
        return float(t_s[edge])
    inner, outer = int(low[-1]), int(low[-1]) + (1 if leaving else -1)
    share = (level + 0.25 * rise - height_m[inner]) / (height_m[outer] - height_m[inner])
    crossing_s = t_s[inner] + share * (t_s[outer] - t_s[inner])
    start_s = 0.067 * (t_s[stretch[1]] - t_s[stretch[0]])
    return float(crossing_s - start_s if leaving else crossing_s + start_s)


def _held_limb(
    motion: _Motion, candidates: list[dict[Limb, _Edges]], highest_m: float
) -> Limb | None:
    """Return the limb that is held up in hops: it seldom lands, and hangs above the other."""
    landed = {
        limb: sum(edges[limb].toe_contact is not None for edges in candidates) for limb in LIMBS
    }
    fewer, more = sorted(LIMBS, key=lambda limb: landed[limb])
    if landed[fewer] >= 0.5 * landed[more]:
        return None
    above_m = (motion.ankle_m[fewer] - motion.ankle_m[more])[motion.resting[more]]
    known = above_m[np.isfinite(above_m)]
    return fewer if len(known) and float(np.median(known)) > highest_m else None


def _grounded(
    edges: dict[Limb, _Edges], held: Limb | None, settings: ContactSettings
) -> dict[Limb, _Edges]:
    """Drop the edges of a foot that turned in the air while the other stood on the ground."""
    kept = dict(edges)
    for limb, other in (LIMBS, LIMBS[::-1]):
        own, opposite = edges[limb], edges[other]
        highest_m = settings.held_foot_m if limb == held else settings.far_foot_m
        if own.level_before_m - opposite.level_before_m > highest_m:
            kept[limb] = replace(kept[limb], toe_off=None)
        if own.level_after_m - opposite.level_after_m > highest_m:
            kept[limb] = replace(kept[limb], toe_contact=None, heel_contact=None)
    return kept


def _body_edges(
    motion: _Motion, stretch: tuple[int, int], settings: ContactSettings
) -> tuple[Event, Event]:
    """Read take-off and landing from the body alone: where it begins and ends to fall."""
    t_s = motion.t_s
    half_step_s = 0.5 * float(np.median(np.diff(t_s)))
    off_s = float(t_s[stretch[0]]) - half_step_s + settings.body_off_late_s
    on_s = float(t_s[stretch[1]]) + half_step_s - settings.body_on_early_s
    return Event(off_s, settings.body_off_sd_s), Event(on_s, settings.body_on_sd_s)


def _believable(
    motion: _Motion,
    edges: dict[Limb, _Edges],
    stretch: tuple[int, int],
    settings: ContactSettings,
) -> dict[Limb, _Edges]:
    """Let the body speak for a foot whose edge lies where the body shows none.

    A foot may land after the other one, but not long before the body stops falling, and
    it cannot leave long after the body began to fall.
    """
    off, on = _body_edges(motion, stretch, settings)
    believed = dict(edges)
    for limb, own in edges.items():
        if own.toe_off and not (
            -settings.off_before_body_s < own.toe_off.t_s - off.t_s < settings.off_after_body_s
        ):
            believed[limb] = replace(believed[limb], toe_off=off)
        if own.toe_contact and own.toe_contact.t_s < on.t_s - settings.on_before_body_s:
            believed[limb] = replace(believed[limb], toe_contact=on, heel_contact=None)
    return _with_body(believed, on)


def _with_body(edges: dict[Limb, _Edges], on: Event) -> dict[Limb, _Edges]:
    """Average the first landing with the body's; the other foot moves along.

    So the time between the feet stays as their own toes show it.
    """
    landed = {limb: own.toe_contact for limb, own in edges.items() if own.toe_contact}
    if not landed:
        return edges
    first = min(landed.values(), key=lambda event: event.t_s)
    averaged = _averaged(first, on)
    moved = dict(edges)
    for limb, toe in landed.items():
        if toe is not on:
            shifted_s = toe.t_s + averaged.t_s - first.t_s
            event = averaged if toe is first else Event(shifted_s, toe.sd_s)
            moved[limb] = replace(moved[limb], toe_contact=event)
    return moved


def _helped(edges: dict[Limb, _Edges], settings: ContactSettings) -> dict[Limb, _Edges]:
    """Draw the events of a hidden foot toward those of the other, which is seen far better.

    The feet of a two-leg jump leave and land within hundredths of a second of each
    other; that prior is averaged with the hidden foot's own reading by their weights.
    """

    def drawn(own: Event | None, other: Event | None) -> Event | None:
        if own is None or other is None:
            return own
        if own.sd_s <= max(1.5 * other.sd_s, settings.poor_edge_sd_s):
            return own
        other_sd_s = float(np.hypot(other.sd_s, settings.feet_apart_sd_s))
        return Event(*weighted_mean((own.t_s, own.sd_s), (other.t_s, other_sd_s)))

    return {
        limb: replace(
            edges[limb],
            toe_off=drawn(edges[limb].toe_off, edges[other].toe_off),
            toe_contact=drawn(edges[limb].toe_contact, edges[other].toe_contact),
        )
        for limb, other in (LIMBS, LIMBS[::-1])
    }


def _rescued(
    motion: _Motion,
    edges: dict[Limb, _Edges],
    stretch: tuple[int, int],
    held: Limb | None,
    settings: ContactSettings,
) -> dict[Limb, _Edges]:
    """Give a flight that the body shows beyond doubt the edges that the feet do not show.

    A body that falls freely for ``sure_fall_s`` is in the air, however badly its feet
    are seen. The ends of its fall then stand for the missing toe-offs or landings, with
    the wide uncertainty of such a guess.
    """
    t_s = motion.t_s
    start_s, end_s = float(t_s[stretch[0]]), float(t_s[stretch[1]])
    if not _falls_freely(motion, stretch, settings):
        return edges
    off, on = _body_edges(motion, stretch, settings)
    rescued = {limb: _outside(edges[limb], start_s, end_s) for limb in LIMBS}
    seen = [limb for limb in LIMBS if rescued[limb].toe_off or rescued[limb].toe_contact]
    limbs = seen or _lower_feet(motion, stretch, settings)
    limbs = [limb for limb in limbs if limb != held] or limbs
    cut_off_s = settings.cut_off_s
    if start_s - t_s[0] > cut_off_s and not any(e.toe_off for e in rescued.values()):
        for limb in limbs:
            rescued[limb] = replace(rescued[limb], toe_off=off)
    if t_s[-1] - end_s > cut_off_s and not any(e.toe_contact for e in rescued.values()):
        for limb in limbs:
            rescued[limb] = replace(rescued[limb], toe_contact=on)
    return rescued


def _falls_freely(motion: _Motion, stretch: tuple[int, int], settings: ContactSettings) -> bool:
    """Say whether the body falls so fast and so long that nothing can carry it."""
    first, last = stretch
    mean = float(np.nanmean(motion.body_acceleration[first : last + 1]))
    long = float(motion.t_s[last] - motion.t_s[first]) >= settings.sure_fall_s
    return long and mean < -settings.sure_fall_share * GRAVITY_M_S2


def _lifted(motion: _Motion, stretch: tuple[int, int], settings: ContactSettings) -> bool:
    """Say whether a foot's toes were higher during a fall than before and after it.

    A foot that stands at another height afterwards has left the ground as well. In a
    flight of a tenth of a second toes rise by a centimetre: no more than noise in one
    frame, but not over several.
    """
    t_s = motion.t_s
    start_s, end_s = float(t_s[stretch[0]]), float(t_s[stretch[1]])
    before = (t_s > start_s - 0.15) & (t_s < start_s)
    after = (t_s > end_s + 0.03) & (t_s < end_s + 0.15)
    inside = (t_s >= 0.5 * (start_s + end_s)) & (t_s <= end_s)
    in_air_s = max(end_s - start_s - settings.body_off_late_s, 0.0)
    least_m = settings.sure_rise_share * GRAVITY_M_S2 * in_air_s**2 / 8
    for limb in LIMBS:
        toe_m = motion.toe_m[limb]
        sides = [toe_m[side & np.isfinite(toe_m)] for side in (before, after)]
        known = [float(np.median(side)) for side in sides if len(side)]
        highest_m = float(np.fmax.reduce(toe_m[inside], initial=-np.inf))
        noise_m = motion.noise_m[f"{limb}_toe"] / np.sqrt(max(int(inside.sum()), 1))
        if not known or max(known) - min(known) > settings.held_foot_m:
            return True
        if highest_m - max(known) > max(3 * noise_m, least_m):
            return True
    return False


def _paired(
    motion: _Motion,
    edges: dict[Limb, _Edges],
    stretch: tuple[int, int],
    highest_m: float,
    settings: ContactSettings,
) -> dict[Limb, _Edges]:
    """Give a foot that stands beside the other one the edges that it does not show itself.

    A foot hidden behind the other leg can be seen to stand though not to land. Where it
    rests at the other's level before or after the flight, it left or landed with it.
    """
    t_s = motion.t_s
    sides = {
        "toe_off": (t_s > t_s[stretch[0]] - 0.14) & (t_s < t_s[stretch[0]] - 0.04),
        "toe_contact": (t_s > t_s[stretch[1]] + 0.04) & (t_s < t_s[stretch[1]] + 0.14),
    }
    paired = dict(edges)
    for limb, other in (LIMBS, LIMBS[::-1]):
        for edge, near in sides.items():
            seen = getattr(edges[other], edge)
            if getattr(edges[limb], edge) is not None or seen is None or not near.any():
                continue
            level = float(np.ptp(motion.toe_m[limb][near])) < settings.standing_range_m
            # A foot held up behind may hang its toes nearly to the floor, not its ankle.
            apart_m = [
                float(np.abs(np.median((part[limb] - part[other])[near])))
                for part in (motion.toe_m, motion.ankle_m)
            ]
            if level and max(apart_m) < highest_m:
                guess = Event(seen.t_s, float(np.hypot(seen.sd_s, settings.unseen_apart_sd_s)))
                own = paired[limb]
                paired[limb] = (
                    replace(own, toe_off=guess)
                    if edge == "toe_off"
                    else replace(own, toe_contact=guess)
                )
    return paired


def _outside(edges: _Edges, start_s: float, end_s: float) -> _Edges:
    """Drop edges that lie deep inside a fall, where no foot can leave or land."""
    margin_s = 0.35 * (end_s - start_s)
    if edges.toe_off and edges.toe_off.t_s > start_s + margin_s:
        edges = replace(edges, toe_off=None)
    if edges.toe_contact and edges.toe_contact.t_s < end_s - margin_s:
        edges = replace(edges, toe_contact=None, heel_contact=None)
    return edges


def _lower_feet(motion: _Motion, stretch: tuple[int, int], settings: ContactSettings) -> list[Limb]:
    """Return the foot, or both feet, that are down shortly after a fall."""
    after_s = motion.t_s - motion.t_s[stretch[1]]
    down = (after_s > 0.05) & (after_s < 0.2)
    levels = {limb: float(np.median(motion.toe_m[limb][down])) for limb in LIMBS if down.any()}
    known = {limb: level for limb, level in levels.items() if np.isfinite(level)}
    lowest = min(known.values(), default=0.0)
    return [limb for limb, level in known.items() if level - lowest < settings.held_foot_m]


def _resolve_flight(
    motion: _Motion,
    edges: dict[Limb, _Edges],
    stretch: tuple[int, int],
    settings: ContactSettings,
) -> Flight | None:
    """Turn one candidate into a flight, or None when a foot carried the body through it."""
    landings = {limb: e.initial_contact for limb, e in edges.items() if e.initial_contact}
    toe_offs = {limb: e.toe_off for limb, e in edges.items() if e.toe_off}
    first, last = stretch
    landing = min(_well_placed(landings), key=lambda event: event.t_s, default=None)
    take_off = max(_well_placed(toe_offs), key=lambda event: event.t_s, default=None)
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
        _falls_freely(motion, stretch, settings) and _lifted(motion, stretch, settings)
    ) or (
        not any(_carried(motion, edges, limb, start_s, end_s, settings) for limb in LIMBS)
        and _fell(motion, start_s, end_s, settings)
        and (not take_off or not landing or _rose(motion, edges, start_s, end_s, settings))
    )
    if not in_the_air:
        return None

    def together(events: dict[Limb, Event], with_s: float) -> tuple[Limb, ...]:
        lead = settings.max_landing_lead_s
        return tuple(limb for limb in events if abs(events[limb].t_s - with_s) <= lead)

    return Flight(
        take_off,
        landing,
        together(toe_offs, start_s) if take_off else (),
        together(landings, end_s) if landing else (),
        _fitted_gravity(motion, start_s, end_s),
    )


def _well_placed(events: dict[Limb, Event]) -> list[Event]:
    """Leave out the event of a hidden foot where the other foot's is placed far better."""
    best_s = min((event.sd_s for event in events.values()), default=0.0)
    return [event for event in events.values() if event.sd_s <= 2 * best_s]


def _carried(
    motion: _Motion,
    edges: dict[Limb, _Edges],
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
    other = edges["right" if limb == "left" else "left"]
    ground_m = np.fmax(other.level_before_m, other.level_after_m)
    if np.mean(height) - ground_m > settings.held_foot_m:
        return False
    if not np.isfinite(height).all():
        return False
    rise = height.max() - max(height[0], height[-1])
    expected = GRAVITY_M_S2 * (end_s - start_s) ** 2 / 8
    return bool(motion.resting[limb][inside].mean() > 0.6 and rise < 0.25 * expected)


def _fell(motion: _Motion, start_s: float, end_s: float, settings: ContactSettings) -> bool:
    """Say whether the body fell through the whole of a would-be flight, not only in a part."""
    inside = (motion.t_s >= start_s) & (motion.t_s <= end_s)
    mean = float(np.nanmean(motion.body_acceleration[inside])) if inside.any() else 0.0
    return mean < -settings.falling_mean_share * GRAVITY_M_S2


def _rose(
    motion: _Motion,
    edges: dict[Limb, _Edges],
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
    for limb, own in edges.items():
        if own.toe_off is None or own.toe_contact is None or not len(share):
            continue
        if np.isnan(own.level_before_m) or np.isnan(own.level_after_m):
            continue
        line = own.level_before_m + share * (own.level_after_m - own.level_before_m)
        rises_m.append(float(np.mean(motion.toe_m[limb][inside] - line)))
        noise_m.append(motion.noise_m[f"{limb}_toe"] / np.sqrt(len(share)))
    if not rises_m:
        return True
    expected_m = GRAVITY_M_S2 * (end_s - start_s) ** 2 / 12
    least_m = max(settings.least_rise_share * expected_m, 3 * max(noise_m))
    return bool(max(rises_m) > least_m)


def _fitted_gravity(motion: _Motion, start_s: float, end_s: float) -> float:
    inside = (motion.t_s >= start_s) & (motion.t_s <= end_s) & np.isfinite(motion.body_m)
    if inside.sum() < 4:
        return float("nan")
    return float(-2 * np.polyfit(motion.t_s[inside] - start_s, motion.body_m[inside], 2)[0])


def _landing(limb: Limb, edges: _Edges) -> Contact:
    contact = edges.initial_contact
    if contact is None:
        raise TableError(f"The {limb} foot is listed as landed without an initial contact.")
    return Contact(
        limb,
        contact,
        None,
        _HELD,
        edges.toe_contact,
        edges.heel_contact,
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
