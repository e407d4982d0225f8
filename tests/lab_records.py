"""Markers and force plates of real drop jumps and squats, projected to a side view.

Source: one person, markers at 100 Hz and one force plate per foot, from the repository
keenon/nimblephysics, data/grf/Subject4. The terms of the data are not stated, so the
files stay outside the project and the checks skip where they are absent.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from landing_analysis.tables import LANDMARK, N_LANDMARKS, Landmarks

LAB = Path(__file__).parents[2] / "shared" / "data" / "lab"
MARKERS = {
    "left": {
        "hip": "L_HJC",
        "knee": "L_knee",
        "ankle": "L_ankle",
        "heel": "L_calc",
        "toe": "L_toe",
        "shoulder": "L_Shoulder",
    },
    "right": {
        "hip": "R_HJC",
        "knee": "r_knee",
        "ankle": "r_ankle",
        "heel": "r_calc",
        "toe": "r_toe",
        "shoulder": "R_Shoulder",
    },
}
PX_PER_M = 450.0


def lab_record(name: str):
    """Return one record, or skip the test."""
    path = LAB / f"nimble_{name}.npz"
    if not path.exists():
        pytest.skip("shared force-plate records are not beside this checkout")
    return np.load(path)


def side_view(record, noise_px: float, seed: int = 1) -> Landmarks:
    """Return the markers as landmarks of a clip filmed from the right side."""
    names = [str(name) for name in record["names"]]
    position = record["pos_m"]
    forward = np.nanmean(
        position[:, names.index("L_toe")] - position[:, names.index("L_calc")], axis=0
    )
    forward[1] = 0
    forward /= np.linalg.norm(forward)
    n = len(record["t"])
    xy = np.full((n, N_LANDMARKS, 2), 300.0)
    for limb, parts in MARKERS.items():
        for part, marker in parts.items():
            point = position[:, names.index(marker)]
            xy[:, LANDMARK[f"{limb}_{part}"], 0] = 360 + PX_PER_M * (point @ forward)
            xy[:, LANDMARK[f"{limb}_{part}"], 1] = 1100 - PX_PER_M * point[:, 1]
    xy += np.random.default_rng(seed).normal(0.0, noise_px, xy.shape)
    return Landmarks(
        record["t"], xy, np.ones((n, N_LANDMARKS)), np.zeros((n, N_LANDMARKS, 3)), 720, 1280
    )
