"""How high the drawn shoes of a synthetic patient are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from synthetic_patients.motion import Motion


def sole_heights_m(motion: Motion, limb: str, t_s: np.ndarray) -> np.ndarray:
    """Height of the lowest shoe point at each time above what the foot lands on.

    From the surface that is drawn, of which only the shoe is placed.
    """
    body = motion.body
    left = body.points[:, 1] > 0
    shoe = np.flatnonzero((body.materials == 4) & (left == (limb == "left")))
    foot = replace(body, points=body.points[shoe], weights=body.weights[shoe])
    rotations, origins = motion.segments(t_s)
    return np.array([foot.place(r, o)[:, 2].min() for r, o in zip(rotations, origins, strict=True)])
