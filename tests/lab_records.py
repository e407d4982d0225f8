"""Markers and force plates of real drop jumps and squats, projected to a side or front view.

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


def side_view(record, noise_px: float, seed: int = 1, every: int = 1) -> Landmarks:
    """Return the markers as landmarks of a clip filmed from the right side.

    ``every`` keeps every so many of the 100 samples of a second.
    """
    forward = _forward(record)
    return _seen(record, lambda point: point @ forward, noise_px, seed, every)


def front_view(record, noise_px: float, seed: int = 1, every: int = 1) -> Landmarks:
    """Return the markers as landmarks of a clip filmed from the front."""
    left = np.cross([0.0, 1.0, 0.0], _forward(record))
    return _seen(record, lambda point: point @ left, noise_px, seed, every)


def _forward(record) -> np.ndarray:
    names, position = [str(name) for name in record["names"]], record["pos_m"]
    forward = np.nanmean(
        position[:, names.index("L_toe")] - position[:, names.index("L_calc")], axis=0
    )
    forward[1] = 0
    return forward / np.linalg.norm(forward)


def _seen(record, across, noise_px: float, seed: int, every: int) -> Landmarks:
    names, position = [str(name) for name in record["names"]], record["pos_m"]
    xy = np.full((len(record["t"]), N_LANDMARKS, 2), 300.0)
    for limb, parts in MARKERS.items():
        for part, marker in parts.items():
            point = position[:, names.index(marker)]
            xy[:, LANDMARK[f"{limb}_{part}"], 0] = 360 + PX_PER_M * across(point)
            xy[:, LANDMARK[f"{limb}_{part}"], 1] = 1100 - PX_PER_M * point[:, 1]
    xy += np.random.default_rng(seed).normal(0.0, noise_px, xy.shape)
    kept = slice(seed % every, None, every)
    n = len(record["t"][kept])
    return Landmarks(
        record["t"][kept],
        xy[kept],
        np.ones((n, N_LANDMARKS)),
        np.zeros((n, N_LANDMARKS, 3)),
        720,
        1280,
    )
