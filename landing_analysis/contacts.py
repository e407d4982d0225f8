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

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from landing_analysis.definitions import GRAVITY_M_S2
from landing_analysis.errors import TableError
from landing_analysis.hinge import Hinge, HingeWindows, fit_hinge
from landing_analysis.settings import ContactSettings
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
)

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


def find_contacts(
    tracks: Tracks, settings: ContactSettings, *, from_the_side: bool = False
) -> Contacts:
    """Find every ground contact that follows a flight, and every flight.

    Parameters
    ----------
    tracks : Tracks
    settings : ContactSettings
    from_the_side : True in a side view, where the ankle is a second witness of
        initial contact

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
    candidates = [
        (
            stretch,
            {limb: _foot_edges(motion, limb, stretch, settings, from_the_side) for limb in LIMBS},
        )
        for stretch in _falling_stretches(motion, settings)
    ]
    held = _held_limb([edges for _, edges in candidates])
    contacts: list[Contact] = []
    flights: list[Flight] = []
    for stretch, both in candidates:
        edges = _helped(_grounded(both, held, settings), settings)
        edges = _rescued(motion, edges, stretch, held, settings)
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
    from_the_side: bool,
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
    toe_contact = _event(motion, limb, landed, "landing", settings)
    if from_the_side and toe_contact is not None:
        toe_contact = _with_ankle(motion, limb, toe_contact, settings)
    return _Edges(
        _event(motion, limb, left, "leaving", settings),
        toe_contact,
        _heel_contact(motion, limb, toe_contact, settings),
        left.level_m if left else float("nan"),
        landed.level_m if landed else float("nan"),
    )


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
    return _part_hinge(motion, part, near_s, kind, moving_s, settings)


def _part_hinge(
    motion: _Motion,
    part: tuple[str, FloatArray],
    near_s: float,
    kind: Literal["landing", "leaving"],
    moving_s: float,
    settings: ContactSettings,
    fall_m_s2: float = GRAVITY_M_S2,
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
        worst_misfit_m=settings.hinge_misfit_m,
    )


def _with_ankle(
    motion: _Motion, limb: Limb, toe_contact: Event, settings: ContactSettings
) -> Event:
    """Average toe contact with what the ankle says of it.

    Seen from the side the ankle's fall breaks off a little after the toes touch: 31 ms
    in force-plate drop jumps, 24 to 32 ms on rendered toe-first landings. It is tracked
    better than the toes; in a flat landing the lag is shorter, which its share of the
    uncertainty covers.
    """
    ankle = (f"{limb}_ankle", motion.ankle_m[limb])
    near_s = toe_contact.t_s + settings.ankle_lag_s
    hinge = _part_hinge(motion, ankle, near_s, "landing", settings.hinge_moving_s, settings)
    if hinge is None:
        return toe_contact
    ankle_sd_s = float(np.hypot(hinge.sd_s, settings.ankle_lag_sd_s))
    at_s, sd_s = weighted_mean(
        (toe_contact.t_s, toe_contact.sd_s), (hinge.at_s - settings.ankle_lag_s, ankle_sd_s)
    )
    apart_s = 0.5 * abs(toe_contact.t_s - hinge.at_s + settings.ankle_lag_s)
    return Event(at_s, max(sd_s, apart_s))


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
    event = _event(motion, limb, hinge, "landing", settings)
    if event is None:
        return None
    sd_s = float(np.hypot(event.sd_s, settings.heel_model_sd_s))
    return Event(event.t_s + settings.heel_early_s, sd_s)


def _event(
    motion: _Motion,
    limb: Limb,
    hinge: Hinge | None,
    kind: Literal["landing", "leaving"],
    settings: ContactSettings,
) -> Event | None:
    """Add to a hinge what the pose model makes of it, more where the foot is hidden."""
    if hinge is None:
        return None
    around = np.abs(motion.t_s - hinge.at_s) < 0.1
    hidden = float(np.mean(motion.seen[limb][around])) < settings.hidden_visibility
    if kind == "leaving":
        late_s, model_s = 0.0, settings.toe_off_model_sd_s
        hidden_s = settings.toe_off_hidden_sd_s
    else:
        late_s, model_s = settings.landing_late_s, settings.landing_model_sd_s
        hidden_s = settings.landing_hidden_sd_s
    sd_s = float(np.linalg.norm([hinge.sd_s, model_s, hidden_s if hidden else 0.0]))
    return Event(hinge.at_s - late_s, sd_s)


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


def _held_limb(candidates: list[dict[Limb, _Edges]]) -> Limb | None:
    """Return the limb that seldom lands while the other does: the one held up in hops."""
    landed = {
        limb: sum(edges[limb].toe_contact is not None for edges in candidates) for limb in LIMBS
    }
    fewer, more = sorted(LIMBS, key=lambda limb: landed[limb])
    return fewer if landed[fewer] < 0.5 * landed[more] else None


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


def _helped(edges: dict[Limb, _Edges], settings: ContactSettings) -> dict[Limb, _Edges]:
    """Draw the events of a hidden foot toward those of the other, which is seen far better.

    The feet of a two-leg jump leave and land within hundredths of a second of each
    other; that prior is averaged with the hidden foot's own reading by their weights.
    """

    def drawn(own: Event | None, other: Event | None) -> Event | None:
        if own is None or other is None or own.sd_s <= 2 * other.sd_s:
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
    mean = float(np.nanmean(motion.body_acceleration[stretch[0] : stretch[1] + 1]))
    if end_s - start_s < settings.sure_fall_s or mean > -settings.sure_fall_share * GRAVITY_M_S2:
        return edges
    rescued = {limb: _outside(edges[limb], start_s, end_s) for limb in LIMBS}
    seen = [limb for limb in LIMBS if rescued[limb].toe_off or rescued[limb].toe_contact]
    limbs = seen or _lower_feet(motion, stretch, settings)
    limbs = [limb for limb in limbs if limb != held] or limbs
    cut_off_s = settings.cut_off_s
    if start_s - t_s[0] > cut_off_s and not any(e.toe_off for e in rescued.values()):
        for limb in limbs:
            rescued[limb] = replace(rescued[limb], toe_off=Event(start_s, settings.body_edge_sd_s))
    if t_s[-1] - end_s > cut_off_s and not any(e.toe_contact for e in rescued.values()):
        for limb in limbs:
            rescued[limb] = replace(
                rescued[limb], toe_contact=Event(end_s, settings.body_edge_sd_s)
            )
    return rescued


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
    if any(_carried(motion, edges, limb, start_s, end_s, settings) for limb in LIMBS):
        return None
    if not _fell(motion, start_s, end_s, settings):
        return None
    if take_off and landing and not _rose(motion, edges, start_s, end_s, settings):
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
