"""Landmarks -> how a leg lies in a front or back view, for the pose model's offset (`offsets`).

Left and right limbs, front and back views look alike; lengths are in straight legs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from landing_analysis.maths.kinematics import fppa_deg
from landing_analysis.tables import LANDMARK, LIMBS, BoolArray, FloatArray, Limb, other_limb

Features = dict[str, FloatArray]
"""Name to (n_frames,)."""

# Feet on the floor differ by less in height, seen from 0.5 to 1.4 m.
_LIFTED_LEGS = 0.12  # definition: of a feature whose weight is fitted with it (choice)


@dataclass(frozen=True)
class Bearings:
    """What the picture is read against: gravity (2,), and the straight leg's length in pixels."""

    down: FloatArray
    leg_px: float


def frontal_geometry(
    points_px: FloatArray, limb: Limb, from_behind: bool, bearings: Bearings
) -> Features:
    """Describe a leg seen from the front or the back, frame by frame.

    Parameters
    ----------
    points_px : (n_frames, 33, 2) landmarks
    limb : the patient's own
    from_behind : True when the camera sees the patient's back
    bearings : Bearings

    Returns
    -------
    Features
        ``fppa_deg`` as it is read; ``other_lifted`` from 0 to 1, how surely the other foot is
        held up; ``other_fppa_deg`` of the other limb, 0 where that is held up; ``hips_legs``, the
        distance of the hips across the picture; ``thigh_down_legs``, how far the knee is below
        the hip: less the more it is bent
    """
    other = other_limb(limb)

    def points(part: str) -> dict[Limb, FloatArray]:
        return {who: points_px[:, LANDMARK[f"{who}_{part}"]] for who in LIMBS}

    hips, knees, ankles = points("hip"), points("knee"), points("ankle")
    angle_deg = {
        who: fppa_deg(hips[who], knees[who], ankles[who], who, from_behind) for who in LIMBS
    }
    risen_legs = (ankles[limb] - ankles[other]) @ bearings.down / bearings.leg_px
    lifted = np.clip(risen_legs / _LIFTED_LEGS, 0.0, 1.0)
    return {
        "fppa_deg": angle_deg[limb],
        "other_lifted": lifted,
        "other_fppa_deg": angle_deg[other] * (1.0 - lifted),
        "hips_legs": np.linalg.norm(hips[limb] - hips[other], axis=1) / bearings.leg_px,
        "thigh_down_legs": (knees[limb] - hips[limb]) @ bearings.down / bearings.leg_px,
    }


def world_angle_deg(world_m: FloatArray, limb: Limb, from_behind: bool) -> FloatArray:
    """Return (n_frames,) the FPPA of the pose model's world landmarks, (n_frames, 33, 3).

    They are turned as the picture shows them, but guessed by the model apart from it.
    """
    hip, knee, ankle = (
        world_m[:, LANDMARK[f"{limb}_{part}"], :2] for part in ("hip", "knee", "ankle")
    )
    return fppa_deg(hip, knee, ankle, limb, from_behind)


def standing_feature(features: Features, standing: BoolArray) -> Features:
    """Return the knee's angle in quiet standing, for every frame.

    Parameters
    ----------
    features : from `frontal_geometry`
    standing : (n_frames,) where the body stands still on straight legs
    """
    angle_deg = float(np.median(features["fppa_deg"][standing]))
    return {"standing_fppa_deg": np.full(len(standing), angle_deg)}
