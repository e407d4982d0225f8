"""Knee flexion in a side view, from the angle at the knee and from how far hip and ankle are apart.

The pose model reads a bent knee truly where it seen the near leg as a left one, and 5 to 8 degrees
low where it seen a right one with the other knee beside it (drawn bodies). So a right leg is looked
at mirrored as well at its lowest points, and read from there (`second_look`).

The distance from hip to ankle over that of the straight leg gives flexion without the knee point,
which strays to the other knee; it is blunt in a straight leg and sharp in a bent one. Both are
averaged, weighted by their uncertainties.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from landing_analysis.maths.kinematics import flexion_deg, flexion_from_seen_deg
from landing_analysis.settings import KneeSettings
from landing_analysis.tables import LANDMARK, BoolArray, FloatArray, Limb, Rep, other_limb

Leg = tuple[FloatArray, FloatArray, FloatArray]
_HIP, _ANKLE = 0, 2  # definition: the first and the third point of a leg


class SecondLook(NamedTuple):
    """What a look at the mirrored picture makes of a leg, frame by frame, NaN without one.

    Attributes
    ----------
    added_deg : (n_frames,) by what its angle at the knee is larger than that of the tracks
    shortened : (n_frames,) its distance from hip to ankle over that of the tracks
    """

    added_deg: FloatArray
    shortened: FloatArray


_NOTHING = (0.0, 1.0)
"""Of a second look: neither added nor shortened."""
_NO_SECOND_LOOK = SecondLook(*(np.full(1, value) for value in _NOTHING))


def second_look(tracked_px: FloatArray, mirrored_px: FloatArray, limb: Limb) -> SecondLook:
    """Return what looks at the mirrored picture make of a leg.

    Parameters
    ----------
    tracked_px : (n_frames, 33, 2) of the tracks, to which it is added: a single look as filmed may
        have taken one leg for the other, which tracking mends
    mirrored_px : (n_frames, 33, 2) turned back, NaN where no mirrored picture was looked at
    limb : whose knee

    Notes
    -----
    The mirrored look may take the legs for one another as well: its leg is the one whose ankle is
    nearer to that of the tracks, both seen from between the hips, as tracks may be stabilised.
    """
    other = other_limb(limb)
    tracked = _leg_of(tracked_px, limb)
    own, others = _leg_of(mirrored_px, limb), _leg_of(mirrored_px, other)
    hips_px, tracked_hips_px = _between_hips(mirrored_px), _between_hips(tracked_px)
    there_px = tracked[_ANKLE] - tracked_hips_px
    away_px = [np.linalg.norm(leg[_ANKLE] - hips_px - there_px, axis=-1) for leg in (own, others)]
    with np.errstate(invalid="ignore"):
        mirrored = np.where((away_px[1] < away_px[0])[:, None], others, own)
    lengths_px = [np.linalg.norm(leg[_ANKLE] - leg[_HIP], axis=-1) for leg in (mirrored, tracked)]
    with np.errstate(invalid="ignore", divide="ignore"):
        shortened = lengths_px[0] / lengths_px[1]
    return SecondLook(flexion_deg(*mirrored) - flexion_deg(*tracked), shortened)


def _between_hips(points_px: FloatArray) -> FloatArray:
    """Return (n_frames, 2)."""
    middle_px: FloatArray = points_px[:, [LANDMARK["left_hip"], LANDMARK["right_hip"]]].mean(axis=1)
    return middle_px


class LandingLooks(NamedTuple):
    """What the second looks of one landing make of a leg, and how surely by how they differ."""

    added_deg: float
    shortened: float
    added_sd_deg: float


def looks_of_landing(
    second: SecondLook, seen: BoolArray, settings: KneeSettings
) -> LandingLooks | None:
    """Return the means of the looks that can be of the leg tracked; None of fewer than half.

    Parameters
    ----------
    second : from `second_look`
    seen : (n_frames,) those of the landing that have one
    settings : KneeSettings
    """
    alike = seen & (np.abs(second.added_deg) <= settings.most_between_looks_deg)
    if 2 * alike.sum() < seen.sum():
        return None
    added_deg, shortened = (float(values[alike].mean()) for values in second)
    added_sd_deg = float(second.added_deg[alike].std() / math.sqrt(alike.sum()))
    return LandingLooks(added_deg, shortened, added_sd_deg)


def _leg_of(points_px: FloatArray, limb: Limb) -> FloatArray:
    """Return (3, n_frames, 2), hip, knee and ankle."""
    return np.stack([points_px[:, LANDMARK[f"{limb}_{p}"]] for p in ("hip", "knee", "ankle")])


class Seen(NamedTuple):
    """How a knee is seen, frame by frame or in one frame: on one leg alone, as a right leg."""

    on_one_leg: BoolArray
    as_right: BoolArray


class NearKnee(NamedTuple):
    """How the knee near to the camera is read, frame by frame.

    Attributes
    ----------
    straight_px : from `straight_leg_px`
    seen : on one leg in landings on it alone, as a right one unless read from second looks
    second : what second looks make of it: the means of a landing's looks at its lowest point,
        fading to nothing at its initial contact and toe-off, where a leg is straighter
    added_sd_deg : (n_frames,) how surely that is known, by how these looks differ
    apart : (n_frames,) landings in which the two looks cannot be of the same leg
    """

    straight_px: float
    seen: Seen
    second: SecondLook
    added_sd_deg: FloatArray
    apart: BoolArray

    def flexion_deg(self, leg: Leg, yaw_deg: float, settings: KneeSettings) -> FloatArray:
        """Return (n_frames,) its flexion, see `side_flexion_deg`."""
        return side_flexion_deg(leg, self.straight_px, yaw_deg, settings, self.seen, self.second)

    def offset_sd_deg(self, flexion: float, frame: int, settings: KneeSettings) -> float:
        """Return what the pose model adds to the uncertainty of a flexion in a frame, degrees."""
        seen = Seen(*(each[frame] for each in self.seen))
        angle_sd, distance_sd = _sds_deg(np.array(flexion), settings, seen)
        sd_deg = float(angle_sd)
        if np.isfinite(self.straight_px):
            both_sd = float((angle_sd**-2.0 + distance_sd**-2.0) ** -0.5)
            sd_deg = max(both_sd, settings.least_sd_deg)
        return math.hypot(sd_deg, float(self.added_sd_deg[frame]))


def near_knee(
    leg: Leg,
    limb: Limb,
    reps: tuple[Rep, ...],
    t_s: FloatArray,
    settings: KneeSettings,
    second: SecondLook | None = None,
) -> NearKnee:
    """Say how the near knee is read in a clip.

    Parameters
    ----------
    leg : its hip, knee and ankle, low-passed, (n_frames, 2) pixels each
    limb : which it is
    reps : of the clip
    t_s : (n_frames,) seconds
    settings : KneeSettings
    second : from `second_look`, None where no mirrored picture was looked at
    """
    knots = {float(t_s[0]): _NOTHING, float(t_s[-1]): _NOTHING}
    one_leg, looked_at, apart = np.zeros((3, len(t_s)), dtype=bool)
    added_sd_deg = np.zeros(len(t_s))
    for rep in reps:
        contact = rep.contact(limb)
        if contact is None:
            continue
        start_s = contact.initial_contact.t_s
        end_s = contact.toe_off.t_s if contact.toe_off else float(t_s[-1])
        landing = (t_s >= start_s) & (t_s <= end_s)
        knots |= {start_s: _NOTHING, end_s: _NOTHING}
        if len(rep.limbs) == 1:
            one_leg |= landing
        if second is None or not (seen := landing & np.isfinite(second.added_deg)).any():
            continue
        looks = looks_of_landing(second, seen, settings)
        if looks is None:
            apart |= landing
            continue
        looked_at |= landing
        values = looks.added_deg, looks.shortened
        knots |= {float(t_s[frame]): values for frame in np.flatnonzero(seen)}
        added_sd_deg[landing] = looks.added_sd_deg
    at_s = sorted(knots)
    at_knots = np.array([knots[one] for one in at_s])
    return NearKnee(
        straight_leg_px(leg, settings, stands_alone(limb, reps, t_s)),
        Seen(one_leg, (limb == "right") & ~looked_at),
        SecondLook(*(np.interp(t_s, at_s, each) for each in at_knots.T)),
        added_sd_deg,
        apart,
    )


def stands_alone(limb: Limb, reps: tuple[Rep, ...], t_s: FloatArray) -> BoolArray:
    """Return in which frames a limb alone carries a body that goes from foot to foot.

    Parameters
    ----------
    limb : which
    reps : of the clip
    t_s : (n_frames,) seconds
    """
    alone = np.zeros(len(t_s), dtype=bool)
    for rep in reps:
        contact = rep.contact(limb)
        if rep.is_bound and contact is not None and contact.toe_off is not None:
            alone |= (t_s >= contact.initial_contact.t_s) & (t_s <= contact.toe_off.t_s)
    return alone


def straight_leg_px(leg: Leg, settings: KneeSettings, alone: BoolArray | None = None) -> float:
    """Return the distance from hip to ankle of the straight leg.

    Parameters
    ----------
    leg : hip, knee and ankle, (n, 2) pixels each
    settings : KneeSettings
    alone : frames in which it alone carries the body, see `stands_alone`

    Returns
    -------
    The median over the frames in which the knee is nearly straight, each stretched
    by what little it is bent; NaN when the clip shows too few such frames

    Notes
    -----
    A foot that lands alone comes under the body, so that its leg leans away from the camera and
    looks 2 to 4 % shorter than where both feet stand (rendered), which the distance would
    take for 6 to 10 degrees of flexion. There the frames ``alone`` tell the length, though the
    knee is seldom as straight in them.
    """
    hip, _, ankle = leg
    bent = flexion_deg(*leg) + settings.low_reading_deg
    with np.errstate(invalid="ignore"):
        nearly = bent < settings.nearly_straight_deg
        if alone is not None:
            own = alone & (bent < settings.nearly_straight_alone_deg)
            nearly = own if own.sum() >= settings.fewest_straight_frames else nearly
    if nearly.sum() < settings.fewest_straight_frames:
        return float("nan")
    distance = np.linalg.norm(ankle - hip, axis=1)[nearly]
    return float(np.median(distance / np.cos(np.radians(bent[nearly]) / 2)))


def side_flexion_deg(
    leg: Leg,
    straight_px: float,
    yaw_deg: float,
    settings: KneeSettings,
    seen: Seen,
    second: SecondLook = _NO_SECOND_LOOK,
) -> FloatArray:
    """Return knee flexion frame by frame.

    Parameters
    ----------
    leg : hip, knee and ankle of the near limb, (n, 2) pixels each
    straight_px : from `straight_leg_px`; NaN leaves the angle at the knee alone
    yaw_deg : turn away from the square-on side view, taken as ``settings.largest_yaw_deg`` at most
    settings : KneeSettings
    seen : how, (n,) each
    second : what looks that show it as a left leg make of it

    Returns
    -------
    (n,) degrees, 0 is straight

    Notes
    -----
    Equal segments give flexion = 2 acos(distance / straight length). Unequal ones
    (thigh over shank 0.996 in Drillis & Contini; memory, sure) change it by less
    than a tenth of a degree. Yaw shortens the angle at the knee and is undone
    there; it hardly changes the distance, which is nearly vertical.
    """
    hip, _, ankle = leg
    turn_deg = float(np.clip(yaw_deg, -settings.largest_yaw_deg, settings.largest_yaw_deg))
    seen_deg = flexion_deg(*leg) + second.added_deg
    by_angle = flexion_from_seen_deg(seen_deg + _low_reading_deg(seen_deg, settings), turn_deg)
    if not np.isfinite(straight_px):
        return by_angle
    length_px = second.shortened * np.linalg.norm(ankle - hip, axis=-1)
    ratio = np.clip(length_px / straight_px, 0.0, 1.0)
    by_distance = np.degrees(2 * np.arccos(ratio))
    angle_sd, distance_sd = _sds_deg(0.5 * (by_angle + by_distance), settings, seen)
    weight = angle_sd**2 / (angle_sd**2 + distance_sd**2)
    flexion: FloatArray = by_angle + weight * (by_distance - by_angle)
    return flexion


def _low_reading_deg(seen_deg: FloatArray, settings: KneeSettings) -> FloatArray:
    """Return by how much an angle at the knee reads low."""
    beyond_deg = np.maximum(seen_deg - settings.low_until_deg, 0.0)
    low_deg = settings.low_reading_deg - settings.low_lost_per_deg * beyond_deg
    return np.maximum(low_deg, min(settings.least_low_reading_deg, settings.low_reading_deg))


def _sds_deg(
    flexion: FloatArray, settings: KneeSettings, seen: Seen
) -> tuple[FloatArray, FloatArray]:
    """Return the standard uncertainties of both readings at a flexion."""
    bent = np.clip(flexion, settings.least_bent_deg, settings.most_bent_deg)
    beyond = np.clip(bent - settings.distance_from_deg, 0.0, None)
    doubts = np.add(seen.on_one_leg, seen.as_right, dtype=int)
    by_angle = settings.angle_sd_deg + np.take(settings.sd_per_deg, doubts) * beyond
    share = np.where(seen.on_one_leg, settings.alone_distance_sd_share, settings.distance_sd_share)
    by_distance = np.degrees(2 * share / np.tan(np.radians(bent) / 2))
    # Near straight the hip point's own wandering outweighs the distance: its weight fades out.
    start_deg, full_deg = settings.distance_from_deg, settings.distance_full_deg
    weight = (bent - start_deg) / (full_deg - start_deg)
    weight = np.clip(weight, settings.least_distance_weight, 1.0)
    return by_angle, by_distance / np.sqrt(weight)
