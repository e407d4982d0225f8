"""Sets of recorded human jumps are counted as exactly from the front as from the sides.

Source of the motion: CMU Graphics Lab Motion Capture Database (mocap.cs.cmu.edu, created with
NSF EIA-0196217), `../data/ATTRIBUTION.md`. It is put on a sample clip's invented body, and its
joints are projected through a phone's lens with noise: everything but the pose model's own
errors is as filmed.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stick_patient import make_clip, make_poses
from synthetic_patients.body import load_body
from synthetic_patients.camera import Camera
from synthetic_patients.camera import View as CameraView
from synthetic_patients.choreography import Performance
from synthetic_patients.mocap import perform_recording, read_bvh

from landing_analysis.landmarks.people import link_people
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, Landmarks

RECORDING = Path(__file__).parents[1] / "data" / "cmueval_train_jumping_2.bvh"
TRUE_RATE_HZ = 120.0
FIRST_FOUR_S, NEXT_SEVEN_S = (0.4, 3.95), (7.25, 12.05)
LANDING_S = 0.06
"""Recorded soles meet the floor within 10 ms, the tool's foot within two frames at 30 a second."""
_PARTS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "eye")
_JOINTS = {f"{limb}_{part}": f"{limb}_{part}" for limb in LIMBS for part in _PARTS}
_JOINTS |= {f"{limb}_toe": f"{limb}_toe_tip" for limb in LIMBS}


@cache
def _performed() -> Performance:
    return perform_recording(load_body("tall_woman"), read_bvh(RECORDING, TRUE_RATE_HZ))


def _seen(view: CameraView, rate_hz: float, span_s: tuple[float, float]) -> Landmarks:
    camera = Camera(view=view, distance_m=3.0, height_m=1.0, fps=rate_hz)
    t_s = np.arange(*span_s, 1.0 / rate_hz)
    joints_m = _performed().motion.joints(t_s)
    xy, world = np.zeros((len(t_s), N_LANDMARKS, 2)), np.zeros((len(t_s), N_LANDMARKS, 3))
    for name, index in LANDMARK.items():
        place_m = joints_m[_JOINTS.get(name, "head")]
        xy[:, index] = camera.project(place_m)
        world[:, index] = (place_m - joints_m["mid_hip"]) @ camera.rotation().T
    xy += np.random.default_rng(1).normal(0.0, 1.5, xy.shape)
    visible = np.ones((len(t_s), N_LANDMARKS))
    return Landmarks(t_s - t_s[0], xy, visible, world, camera.width_px, camera.height_px)


def _true_landings_s(span_s: tuple[float, float]) -> np.ndarray:
    first_s: dict[int, float] = {}
    for landing in _performed().landings:
        if span_s[0] < landing.take_off_s and landing.initial_contact_s < span_s[1]:
            at_s = landing.initial_contact_s - span_s[0]
            first_s[landing.leap] = min(at_s, first_s.get(landing.leap, np.inf))
    return np.array(sorted(first_s.values()))


@pytest.mark.parametrize("rate_hz", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("view", ["front", "left_side", "right_side"])
@pytest.mark.parametrize("span_s", [FIRST_FOUR_S, NEXT_SEVEN_S], ids=["first_four", "next_seven"])
def test_a_recorded_set_is_one_persons_and_each_jump_counts_once(span_s, view, rate_hz):
    landmarks = _seen(view, rate_hz, span_s)
    poses, options = make_poses(landmarks), Options()
    people = link_people(poses, options.settings.people)
    analysis = analyse_people(make_clip(landmarks, "set.mp4"), poses, people, options, "")
    assert analysis.decided.people == 1
    found_s = [rep.flight.landing.t_s for rep in analysis.reps.reps if rep.flight.landing]
    assert_allclose(found_s, _true_landings_s(span_s), atol=LANDING_S)
