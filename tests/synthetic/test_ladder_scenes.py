"""The known truth of the exercises' scenes is itself checked here, without drawing."""

from __future__ import annotations

import itertools
import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from soles import sole_heights_m
from synthetic_patients.choreography import Performance
from synthetic_patients.clips import play
from synthetic_patients.ladder import LADDER, SAMPLES, ladder_truth, play_step
from synthetic_patients.lying import Lying
from synthetic_patients.motion import Motion, Stance

SAMPLE_FOLDER = Path(__file__).parents[2] / "sample_clips"
FLOOR_M = 0.0015
LEAPING = ("slim_woman_sled_alternating", "heavy_man_high_knees", "slim_woman_lateral_bounds",
           "heavy_man_tuck_jumps")  # fmt: skip


@cache
def played(name: str) -> Performance:
    return play(LADDER[name].scene)


def upright(performance: Performance) -> Motion:
    motion = performance.motion
    base = motion.base if isinstance(motion, Lying) else motion
    assert isinstance(base, Motion)
    return base


@pytest.mark.parametrize("name", LEAPING)
def test_feet_rest_on_the_surface_and_are_never_below_it(name):
    motion = upright(played(name))
    for limb in ("left", "right"):
        heights = sole_heights_m(motion, limb, np.arange(0, motion.duration_s, 0.02))
        assert heights.min() > -FLOOR_M
        for stance in [work for work in motion.feet[limb] if isinstance(work, Stance)][1:]:
            at_s = np.linspace(stance.start_s, min(stance.end_s, motion.duration_s) - 1e-6, 12)
            assert_allclose(sole_heights_m(motion, limb, at_s), 0, atol=FLOOR_M)


@pytest.mark.parametrize("name", LEAPING)
def test_the_pelvis_falls_with_the_pull_of_its_surface(name):
    performance, step_s = played(name), 1e-3
    pull_m_s2 = ladder_truth(LADDER[name], play_step(LADDER[name]))["surface"]["pull_m_s2"]
    for number, leap in enumerate(performance.leaps, start=1):
        landing = next(x for x in performance.landings if x.leap == number)
        t_s = np.arange(landing.take_off_s, landing.take_off_s + leap.flight_s, step_s)
        z = upright(performance).mid_hip(t_s)[:, 2]
        assert_allclose(np.diff(z, 2) / step_s**2, -pull_m_s2, atol=2e-3)


def test_a_body_on_a_sled_keeps_its_line():
    motion = upright(played("slim_woman_sled_alternating"))
    across = motion.mid_hip(np.arange(0, motion.duration_s, 0.02))[:, :2]
    assert_allclose(np.ptp(across, axis=0), 0, atol=0.02)


def test_the_plate_of_a_sled_lies_sideways_in_the_picture():
    step = LADDER["slim_woman_sled_jumps"]
    truth = ladder_truth(step, play_step(step))
    assert abs(truth["surface"]["down_px"][0]) > 0.99


def test_bouts_of_a_run_follow_each_other_without_a_gap():
    step = LADDER["slim_woman_run"]
    bouts = ladder_truth(step, play_step(step))["bouts"]
    assert [bout["exercise"] for bout in bouts] == [
        "jog_in_place", "high_knees", "heel_kicks", "jog_in_place"
    ]  # fmt: skip
    assert all(a["end_s"] == b["start_s"] for a, b in itertools.pairwise(bouts))


def test_weight_is_shifted_from_limb_to_limb_as_the_pelvis_passes_the_middle():
    performance = played("heavy_man_weight_shifts")
    motion, loads = upright(performance), performance.loads
    for before, after in itertools.pairwise(loads):
        assert before.end_s == after.start_s
        assert before.limb != after.limb
        at = motion.joints(np.array([before.end_s]))
        middle = (at["left_ankle"] + at["right_ankle"]) / 2
        assert_allclose(at["mid_hip"][0, 1], middle[0, 1], atol=1e-3)


def test_a_sliding_foot_stands_still_between_stop_and_drive():
    performance = played("slim_woman_slide_board")
    for load in performance.loads[1:-1]:
        t_s = np.linspace(load.start_s + 0.05, load.end_s, 20)
        ankle = upright(performance).foot(load.limb, t_s).ankle
        assert_allclose(np.ptp(ankle, axis=0), 0, atol=1e-3)


@pytest.mark.parametrize("name", SAMPLES)
def test_committed_truth_is_what_the_scene_gives(name):
    stored = json.loads((SAMPLE_FOLDER / f"{name}.truth.json").read_text(encoding="utf-8"))
    step = SAMPLES[name]
    assert stored == json.loads(json.dumps(ladder_truth(step, play_step(step))))


def test_high_knees_lift_the_thigh_and_kicks_the_heel():
    def swings(name: str) -> list[dict]:
        return ladder_truth(LADDER[name], play_step(LADDER[name]))["swings"]

    knees, kicks = swings("heavy_man_high_knees"), swings("slim_woman_heel_kicks")
    assert np.median([swing["thigh_peak_deg"] for swing in knees]) > 60
    assert np.median([swing["thigh_peak_deg"] for swing in kicks]) < 40
    assert np.median([swing["heel_peak_m"] for swing in kicks]) > 0.35
