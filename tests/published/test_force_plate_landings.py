"""Contacts from markers, projected to a side view as if tracked, against force plates.

Source: drop jumps and squats of one person, markers at 100 Hz and one force plate
per foot, from the repository keenon/nimblephysics, data/grf/Subject4. The terms of
the data are not stated, so the files stay outside the project and the checks skip
where they are absent.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from landing_analysis.contacts import find_contacts
from landing_analysis.settings import Settings
from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, Landmarks
from landing_analysis.tracks import clean_tracks

LAB = Path(__file__).parents[3] / "shared" / "data" / "lab"
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
FORCE_THRESHOLD_N = 20.0
# Force and markers share one 100 Hz clock: an edge of the force lies anywhere in the
# 10 ms before the first sample beyond the threshold.
LANDING_TOLERANCE_S = 0.010
# The toe marker sits on top of the foot, behind its tip, and rises 5 to 10 mm before the force
# is gone: toe-off reads 9 ms early on average.
TOE_OFF_TOLERANCE_S = 0.016


def _record(name: str):
    path = LAB / f"nimble_{name}.npz"
    if not path.exists():
        pytest.skip("shared force-plate records are not beside this checkout")
    return np.load(path)


def _side_view(record, noise_px: float, seed: int = 1) -> Landmarks:
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


def _force_edges_s(record, limb: str, kind: str) -> np.ndarray:
    on = (record[f"fz_{limb}"] > FORCE_THRESHOLD_N).astype(int)
    after = np.flatnonzero(np.diff(on) == (1 if kind == "on" else -1)) + 1
    return record["force_t"][after] - 0.005  # the middle of the sample interval it lies in


@pytest.mark.parametrize("noise_px", [0.0, 2.0])
@pytest.mark.parametrize("name", ["DJ1", "DJ2"])
def test_edges_of_drop_jumps_agree_with_force(name, noise_px):
    record = _record(name)
    settings = Settings()
    tracks = clean_tracks(_side_view(record, noise_px), settings.tracks)
    found = find_contacts(tracks, settings.contacts).contacts
    for limb in LIMBS:
        first = next(c for c in found if c.limb == limb)
        landing_s = _force_edges_s(record, limb, "on")[0]
        toe_off_s = _force_edges_s(record, limb, "off")[0]
        np.testing.assert_allclose(first.initial_contact.t_s, landing_s, atol=LANDING_TOLERANCE_S)
        assert first.toe_off is not None
        np.testing.assert_allclose(first.toe_off.t_s, toe_off_s, atol=TOE_OFF_TOLERANCE_S)


def test_body_weight_squats_make_no_flight():
    record = _record("squats1")
    settings = Settings()
    tracks = clean_tracks(_side_view(record, 2.0), settings.tracks)
    assert find_contacts(tracks, settings.contacts).flights == ()
