"""Landmarks -> how a leg and its surroundings lie in the picture, as numbers without a unit.

From these the pose model's offset is worked out (`offsets`). The own limb counts as the left
one: left and right limbs, front and back views look alike. Lengths are in straight legs,
angles in tens of degrees.
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
PER_ANGLE_DEG = 10.0  # definition: angles count in tens of degrees


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
    Features; ``_x`` is positive toward the other limb, ``_y`` downward
    """
    own, other = _both(limb)
    medial = 1.0 if (limb == "right") != from_behind else -1.0

    def part(name: str, who: str) -> FloatArray:
        return points_px[:, LANDMARK[f"{who}_{name}"]]

    def fppa(who: Limb) -> FloatArray:
        hip, knee, ankle = (part(name, who) for name in ("hip", "knee", "ankle"))
        return fppa_deg(hip, knee, ankle, who, from_behind) / PER_ANGLE_DEG

    angle = fppa(own)
    features = {"fppa": angle, "other_fppa": fppa(other)}
    features |= _steps(
        {
            "thigh": (part("hip", own), part("knee", own)),
            "shank": (part("knee", own), part("ankle", own)),
            "foot": (part("heel", own), part("toe", own)),
            "hips": (part("hip", own), part("hip", other)),
            "shoulders": (part("shoulder", own), part("shoulder", other)),
            "trunk": (_middle(points_px, "shoulder"), _middle(points_px, "hip")),
            "other_thigh": (part("hip", other), part("knee", other)),
            "other_shank": (part("knee", other), part("ankle", other)),
            "ankles": (part("ankle", own), part("ankle", other)),
        },
        medial,
        bearings,
    )
    features["other_lifted"] = _lifted(features["ankles_y"])
    for name in ("thigh_y", "shank_y", "hips_x"):
        features[f"fppa_{name}"] = angle * features[name]
    features["fppa_fppa"] = angle**2
    return features


def standing_features(features: Features, standing: BoolArray) -> Features:
    """Return the knees' angles in quiet standing, for every frame.

    Parameters
    ----------
    features : from `frontal_geometry`
    standing : (n_frames,) where the body stands still on straight legs
    """
    return {
        f"standing_{name}": np.full(len(standing), np.median(features[name][standing]))
        for name in ("fppa", "other_fppa")
    }


def _lifted(ankles_y: FloatArray) -> FloatArray:
    """Return from 0 to 1 how surely the other foot is held up, beside this one or behind it."""
    lifted: FloatArray = np.clip(-ankles_y / _LIFTED_LEGS, 0.0, 1.0)
    return lifted


def _both(limb: Limb) -> tuple[Limb, Limb]:
    return limb, "right" if limb == "left" else "left"


def _middle(points_px: FloatArray, name: str) -> FloatArray:
    columns = [LANDMARK[f"{limb}_{name}"] for limb in ("left", "right")]
    middle: FloatArray = points_px[:, columns].mean(axis=1)
    return middle


def _steps(
    ends: dict[str, tuple[FloatArray, FloatArray]], sign: float, bearings: Bearings
) -> Features:
    """Return the step from each first point to its second, across and along gravity."""
    across = sign * np.array([bearings.down[1], -bearings.down[0]])
    steps = {name: (last - first) / bearings.leg_px for name, (first, last) in ends.items()}
    return {
        f"{name}_{axis}": step @ way
        for name, step in steps.items()
        for axis, way in (("x", across), ("y", bearings.down))
    }
