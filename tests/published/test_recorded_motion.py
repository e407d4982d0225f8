"""A body driven by open motion capture keeps what the recording shows.

Source: CMU Graphics Lab Motion Capture Database (mocap.cs.cmu.edu, created with NSF EIA-0196217),
converted to BVH; see tests/data/ATTRIBUTION.md.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from synthetic_patients.body import load_body
from synthetic_patients.choreography import Performance
from synthetic_patients.mocap import (
    RecordedMotion,
    apparent_gravity_m_s2,
    perform_recording,
    read_bvh,
)

RECORDINGS = Path(__file__).parents[1] / "data"
TRUE_RATE_HZ = 120.0  # read: an intermediate source says 60 Hz; free fall shows 120 Hz
FREE_FALL_M_S2 = 0.9  # marker noise, and the pelvis is not the centre of mass
FLIGHT_S = 0.03

TWO_SEGMENTS = """HIERARCHY
ROOT Hips
{
  OFFSET 0 0 0
  CHANNELS 6 Xposition Yposition Zposition Zrotation Yrotation Xrotation
  JOINT LeftUpLeg
  {
    OFFSET 1 0 0
    CHANNELS 3 Zrotation Yrotation Xrotation
    End Site
    {
      OFFSET 0 -2 0
    }
  }
  JOINT RightUpLeg
  {
    OFFSET -1 0 0
    CHANNELS 3 Zrotation Yrotation Xrotation
    End Site
    {
      OFFSET 0 -2 0
    }
  }
}
MOTION
Frames: 2
Frame Time: 0.0166667
0 0 0 0 0 0 0 0 0 0 0 0
0 9 0 0 0 0 0 0 -90 0 0 0
"""


@pytest.fixture(scope="module")
def recorded() -> Performance:
    return _performed("cmueval_train_jumping_2")


def _performed(name: str) -> Performance:
    recording = read_bvh(RECORDINGS / f"{name}.bvh", TRUE_RATE_HZ)
    return perform_recording(load_body("tall_woman"), recording)


def test_a_bvh_file_is_turned_to_our_axes(tmp_path):
    path = tmp_path / "two.bvh"
    path.write_text(TWO_SEGMENTS, encoding="utf-8")
    joints = read_bvh(path, TRUE_RATE_HZ).joints
    assert_allclose(joints["LeftUpLeg"], [[0, 1, 9]], atol=1e-12)
    assert_allclose(joints["RightUpLegEnd"], [[0, -1, 7]], atol=1e-12)
    # The left leg's Xrotation of -90 deg lifts it forwards: the file's z, our x.
    assert_allclose(joints["LeftUpLegEnd"], [[2, 1, 9]], atol=1e-12)


def test_a_bvh_file_with_missing_channels_is_refused(tmp_path):
    path = tmp_path / "short.bvh"
    path.write_text(
        TWO_SEGMENTS.replace("-90 0 0 0", "-90 0 0").replace(
            "0 0 0 0 0 0 0 0 0 0 0 0", "0 0 0 0 0 0 0 0 0 0 0"
        ),
        encoding="utf-8",
    )
    with pytest.raises(ValueError, match="channels"):
        read_bvh(path, TRUE_RATE_HZ)


# read: the first two-leg jumps fly 270 to 365 ms; median pelvis acceleration in flight 9.2 m/s2.
def test_recorded_jumps_fly_as_long_as_the_source_says(recorded):
    jumps = [leap.flight_s for leap in recorded.leaps if len(leap.limbs) == 2]
    first = np.array(jumps[:4])
    assert (first > 0.270 - FLIGHT_S).all()
    assert (first < 0.365 + FLIGHT_S).all()


# read: one high vertical jump of 508 ms.
def test_the_recorded_high_jump_flies_as_long_as_the_source_says():
    assert_allclose([leap.flight_s for leap in _performed("cmueval_train_jumping_5").leaps],
                    [0.508], atol=FLIGHT_S)  # fmt: skip


def test_a_recorded_pelvis_falls_freely(recorded):
    assert_allclose(apparent_gravity_m_s2(recorded), 9.81, atol=FREE_FALL_M_S2)


# read: three hops on the left limb, then three on the right.
def test_recorded_hops_are_hops_of_the_right_limb(recorded):
    hops = [next(iter(leap.limbs)) for leap in recorded.leaps if len(leap.limbs) == 1]
    assert hops == ["left"] * 3 + ["right"] * 3


def test_a_recorded_body_stands_on_the_floor(recorded):
    assert isinstance(recorded.motion, RecordedMotion)
    for toe, heel in recorded.motion.sole_heights(np.linspace(0, 0.4, 10)).values():
        assert_allclose(toe, 0, atol=0.01)
        assert_allclose(heel, 0, atol=0.01)
