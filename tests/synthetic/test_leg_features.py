"""What an FPPA's offset goes by besides the angle itself, and what is then claimed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stick_patient import make_analysis

from landing_analysis.definitions import is_fppa
from landing_analysis.measures.geometry import Bearings, frontal_geometry
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.measures.offsets import Sight, leg_features, read_offsets, set_offset
from landing_analysis.measures.summaries import NOISE, POSTURE
from landing_analysis.settings import Settings
from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS

SETTINGS = Settings()
LEG_PX = 400.0


def _legs(right_ankle_up_px: float = 0.0) -> np.ndarray:
    """Return one frame from the front: the left knee 40 px inward, the right one straight."""
    points = np.zeros((1, N_LANDMARKS, 2))
    for limb, x, inward in (("left", 250.0, -40.0), ("right", 150.0, 0.0)):
        up = right_ankle_up_px if limb == "right" else 0.0
        for part, dx, y in (
            ("hip", 0.0, 100.0), ("knee", inward, 300.0 - up / 2), ("ankle", 0.0, 500.0 - up)
        ):  # fmt: skip
            points[0, LANDMARK[f"{limb}_{part}"]] = x + dx, y
    return points


def test_the_other_limb_is_told_of_while_it_stands():
    bearings = Bearings(np.array([0.0, 1.0]), LEG_PX)
    left, right = (frontal_geometry(_legs(), limb, False, bearings) for limb in LIMBS)
    assert left["fppa_deg"][0] == pytest.approx(2 * np.rad2deg(np.arctan(0.2)))
    assert right["other_fppa_deg"][0] == left["fppa_deg"][0]
    assert left["other_fppa_deg"][0] == pytest.approx(0.0)
    assert left["hips_legs"][0] == pytest.approx(0.25)
    lifted = _legs(right_ankle_up_px=100.0)
    lifted[0, LANDMARK["right_knee"], 0] += 30.0
    assert frontal_geometry(lifted, "left", False, bearings)["other_fppa_deg"][0] == 0.0


def test_world_landmarks_are_those_of_the_limb_that_tracks_name():
    analysis = make_analysis("back")
    n = len(analysis.tracks.t_s)
    swapped = np.arange(n) >= n // 2
    tracks = replace(analysis.tracks, swapped=swapped)
    left = np.where(swapped, -3.0, 8.0)
    right = np.where(swapped, -8.0, 3.0)
    left[10:13] = np.nan
    legs = leg_features(tracks, "back", SETTINGS, Sight({"left": left, "right": right}))
    assert_allclose(legs["left"]["world_fppa_deg"], 8.0)
    assert_allclose(legs["right"]["world_fppa_deg"], 3.0)


def test_a_set_is_left_as_read_where_what_its_form_goes_by_was_not_seen():
    analysis = make_analysis("back")
    assert "world_fppa_deg" in read_offsets("offsets.json").form("back", standing=True).names
    offset = set_offset(analysis.reps, analysis.tracks, "back", SETTINGS)
    assert offset.is_outside
    assert not offset.deg


@pytest.mark.parametrize("noise_px", [0.2, 20.0])
def test_landmark_noise_is_not_claimed_twice(noise_px):
    analysis = make_analysis("front")
    tracks = replace(analysis.tracks, noise_px=np.full(N_LANDMARKS, noise_px))
    offset = set_offset(analysis.reps, tracks, "front", SETTINGS)
    measured = measure_reps(analysis.reps, tracks, analysis.view, SETTINGS)
    rows = [row for row in measured.measures if is_fppa(row.name) and row.value is not None]
    assert rows
    for row in rows:
        parts = {part.name: part.sd for part in row.parts}
        both_deg = np.hypot(parts[NOISE], parts[POSTURE])
        assert both_deg == pytest.approx(max(parts[NOISE], offset.sds_deg["posture"]))
