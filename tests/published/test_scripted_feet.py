"""Scripted feet at toe-off and initial contact against those of a laboratory's drop jumps.

Source of the records: `lab_records`. The marker on top of the second toe's root is compared
with the ball of the scripted foot.
"""

from __future__ import annotations

import numpy as np
import pytest
from lab_records import MARKERS, lab_record
from scipy.interpolate import CubicSpline
from synthetic_patients.matrix import MATRIX, play_entry

FORCE_THRESHOLD_N = 20.0
SCENE = "slim_woman_high_jumps_side_240fps"
AT_TOE_OFF_S = np.array([-0.02, 0.0, 0.02, 0.04])
# The force ends anywhere in a 10 ms sample, in which a foot at 1.7 m/s rises by this much.
HEIGHT_TOLERANCE_M = 0.017
# The four real landings lie between .86 and 1.02 of the speed of the hips.
SPEED_SHARE = (0.6, 1.1)


def _lab_toes(name: str):
    """Yield toe and hip heights of each limb with its first toe-off and second landing."""
    record = lab_record(name)
    names = [str(marker) for marker in record["names"]]
    for limb, parts in MARKERS.items():
        loaded = (record[f"fz_{limb}"] > FORCE_THRESHOLD_N).astype(int)
        edges = np.diff(loaded)
        off_s = record["t"][np.flatnonzero(edges == -1)[0]] + 0.005
        on_s = record["t"][np.flatnonzero(edges == 1)[1]] + 0.005
        toe, hip = (
            _curve(record["t"], record["pos_m"][:, names.index(parts[part]), 1])
            for part in ("toe", "hip")
        )
        yield toe, hip, off_s, on_s


def _curve(t_s: np.ndarray, height_m: np.ndarray) -> CubicSpline:
    known = np.isfinite(height_m)
    return CubicSpline(t_s[known], height_m[known])


@pytest.fixture(scope="module")
def scripted():
    performance = play_entry(MATRIX[SCENE])
    landing = next(x for x in performance.landings if x.toe_off_s is not None)
    return performance.motion, landing


def _ball(motion, landing, t_s: np.ndarray) -> np.ndarray:
    return motion.joints(t_s)[f"{landing.limb}_mtp"][:, 2]


@pytest.mark.parametrize("name", ["DJ1", "DJ2"])
def test_a_scripted_foot_leaves_as_fast_as_a_real_one(name, scripted):
    motion, landing = scripted
    times_s = landing.toe_off_s + AT_TOE_OFF_S
    scripted_m = _ball(motion, landing, times_s) - _ball(motion, landing, times_s[:1] - 0.06)
    for toe, _, off_s, _ in _lab_toes(name):
        real_m = toe(off_s + AT_TOE_OFF_S) - toe(off_s - 0.08)
        np.testing.assert_allclose(scripted_m, real_m, atol=HEIGHT_TOLERANCE_M)


@pytest.mark.parametrize("name", ["DJ1", "DJ2"])
def test_a_scripted_foot_lands_as_fast_as_a_real_one(name, scripted):
    motion, landing = scripted
    before_s = landing.initial_contact_s - np.array([0.011, 0.001])
    foot = np.diff(_ball(motion, landing, before_s))[0] / 0.01
    share = foot / (np.diff(motion.mid_hip(before_s)[:, 2])[0] / 0.01)
    assert SPEED_SHARE[0] < share < SPEED_SHARE[1]
    for toe, hip, _, on_s in _lab_toes(name):
        real = toe(on_s - 0.006, 1) / hip(on_s - 0.006, 1)
        assert SPEED_SHARE[0] < real < SPEED_SHARE[1]
