"""Landmarks -> how a leg lies in a front or back view, for the pose model's offset (`offsets`).

Left and right limbs, front and back views look alike; lengths are in straight legs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from landing_analysis.maths.kinematics import fppa_deg
from landing_analysis.tables import LANDMARK, BoolArray, FloatArray, Limb

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
        held up; ``thigh_down_legs``, how far the knee is below the hip: less the more it is bent
    """
    other: Limb = "right" if limb == "left" else "left"

    def part(name: str, who: Limb) -> FloatArray:
        return points_px[:, LANDMARK[f"{who}_{name}"]]

    hip, knee, ankle = (part(name, limb) for name in ("hip", "knee", "ankle"))
    risen_legs = (ankle - part("ankle", other)) @ bearings.down / bearings.leg_px
    return {
        "fppa_deg": fppa_deg(hip, knee, ankle, limb, from_behind),
        "other_lifted": np.clip(risen_legs / _LIFTED_LEGS, 0.0, 1.0),
        "thigh_down_legs": (knee - hip) @ bearings.down / bearings.leg_px,
    }


def standing_feature(features: Features, standing: BoolArray) -> Features:
    """Return the knee's angle in quiet standing, for every frame.

    Parameters
    ----------
    features : from `frontal_geometry`
    standing : (n_frames,) where the body stands still on straight legs
    """
    angle_deg = float(np.median(features["fppa_deg"][standing]))
    return {"standing_fppa_deg": np.full(len(standing), angle_deg)}
