"""Knee flexion in a side view, from the angle at the knee and from how far hip and ankle are apart.

The pose model's knee point strays when the other knee is beside it, and its hip point
lies in front of the joint: the angle at the knee then reads 4 degrees low in a straight
leg and up to 17 in a deep hop. The distance from hip to ankle over that of the straight
leg gives flexion without the knee point; it is blunt in a straight leg and sharp in a
bent one. Both are averaged, weighted by their uncertainties.
"""

from __future__ import annotations

import numpy as np

from landing_analysis.maths.kinematics import flexion_deg, flexion_from_seen_deg
from landing_analysis.settings import KneeSettings
from landing_analysis.tables import BoolArray, FloatArray, Limb, Rep

Leg = tuple[FloatArray, FloatArray, FloatArray]


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
    leg: Leg, straight_px: float, yaw_deg: float, settings: KneeSettings
) -> FloatArray:
    """Return knee flexion frame by frame.

    Parameters
    ----------
    leg : hip, knee and ankle of the near limb, (n, 2) pixels each
    straight_px : from `straight_leg_px`; NaN leaves the angle at the knee alone
    yaw_deg : turn away from the square-on side view, taken as ``settings.largest_yaw_deg`` at most
    settings : KneeSettings

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
    by_angle = flexion_from_seen_deg(flexion_deg(*leg) + settings.low_reading_deg, turn_deg)
    if not np.isfinite(straight_px):
        return by_angle
    ratio = np.clip(np.linalg.norm(ankle - hip, axis=-1) / straight_px, 0.0, 1.0)
    by_distance = np.degrees(2 * np.arccos(ratio))
    angle_sd, distance_sd = _sds_deg(0.5 * (by_angle + by_distance), settings)
    weight = angle_sd**2 / (angle_sd**2 + distance_sd**2)
    flexion: FloatArray = by_angle + weight * (by_distance - by_angle)
    return flexion


def offset_sd_deg(flexion: float, straight_px: float, settings: KneeSettings) -> float:
    """Return what the pose model adds to the uncertainty of a flexion, degrees."""
    angle_sd, distance_sd = _sds_deg(np.array(flexion), settings)
    if not np.isfinite(straight_px):
        return float(angle_sd)
    return max(float((angle_sd**-2.0 + distance_sd**-2.0) ** -0.5), settings.least_sd_deg)


def _sds_deg(flexion: FloatArray, settings: KneeSettings) -> tuple[FloatArray, FloatArray]:
    """Return the standard uncertainties of both readings at a flexion."""
    bent = np.clip(flexion, settings.least_bent_deg, settings.most_bent_deg)
    beyond = np.clip(bent - settings.distance_from_deg, 0.0, None)
    by_angle = settings.angle_sd_deg + settings.angle_sd_per_deg * beyond
    by_distance = np.degrees(2 * settings.distance_sd_share / np.tan(np.radians(bent) / 2))
    # Near straight the hip point's own wandering outweighs the distance: its weight fades out.
    start_deg, full_deg = settings.distance_from_deg, settings.distance_full_deg
    share = (bent - start_deg) / (full_deg - start_deg)
    share = np.clip(share, settings.least_distance_weight, 1.0)
    return by_angle, by_distance / np.sqrt(share)
