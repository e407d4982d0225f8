"""The benchmark's matrix: every scene can be performed, is split, and has a lasting fingerprint."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from synthetic_patients.clips import scene_truth
from synthetic_patients.matrix import (
    CONDITIONS,
    FREE_LEGS,
    MATRIX,
    SHORT,
    SPLIT,
    choose,
    is_filmed,
    play_entry,
    remarks,
    scene_hash,
)
from synthetic_patients.truth import frame_truth

PICTURE_MARGIN_PX = 70  # joints lie under the skin: the whole body is in the picture
WANTED_S = 1e-4  # truth files round times to 10 microseconds


def test_the_matrix_holds_at_least_sixty_scenes_with_a_seed_each():
    assert len(MATRIX) >= 60
    assert len({entry.scene.seed for entry in MATRIX.values()}) == len(MATRIX)


def test_each_body_is_on_one_side_of_the_split_and_both_sides_see_the_same_conditions():
    conditions = {"tune": Counter(), "hold": Counter()}
    for entry in MATRIX.values():
        assert entry.split == SPLIT[entry.scene.patient.body]
        conditions[entry.split][entry.condition] += 1
    assert conditions["tune"] == conditions["hold"]
    assert set(conditions["hold"]) >= {condition.name for condition in (*CONDITIONS, *FREE_LEGS)}


def test_the_matrix_spans_what_it_states():
    cameras = [entry.scene.camera for entry in MATRIX.values()]
    assert {camera.view for camera in cameras} == {"front", "back", "left_side", "right_side"}
    assert {camera.fps for camera in cameras} == {30.0, 60.0, 120.0, 240.0}
    yaws, rolls = ([abs(getattr(c, f"{k}_deg")) for c in cameras] for k in ("yaw", "roll"))
    assert 15 < max(yaws) <= 20
    assert 6 < max(rolls) <= 8
    heights = [camera.height_m for camera in cameras]
    assert min(heights) < 0.65
    assert max(heights) > 1.25


@pytest.mark.parametrize("name", MATRIX)
def test_every_scene_can_be_performed_as_it_is_written(name):
    entry = MATRIX[name]
    performance = play_entry(entry)
    t_s = np.arange(0, performance.motion.duration_s, 0.01)
    performance.motion.joints(t_s)
    camera = entry.scene.camera
    seen = frame_truth(performance.motion, camera, t_s[::5])
    assert seen["joints_px"].min() > PICTURE_MARGIN_PX
    size = np.array([camera.width_px, camera.height_px])
    assert (size - seen["joints_px"]).min() > PICTURE_MARGIN_PX
    truth = scene_truth(entry.scene, performance)
    leaps = performance.leaps
    assert_allclose(
        [rep["flight_time_s"] for rep in truth["reps"]],
        [leap.flight_s for leap in leaps], atol=WANTED_S,
    )  # fmt: skip
    assert {contact["limb"] for contact in truth["contacts"]} == set(entry.scene.support)
    assert truth["reps"][-1]["lowest_pelvis_s"] < performance.motion.duration_s < 8.0
    for rep in truth["reps"]:
        for landing in rep["landing"].values():
            assert 0 < landing["knee_flexion_initial_contact_deg"] < 60
            assert 20 < landing["knee_flexion_peak_deg"] < 120


def test_a_scenes_fingerprint_lasts():
    # Frozen: a change here means that rendered clips no longer show these scenes.
    assert [scene_hash(MATRIX[name].scene) for name in SHORT] == [
        "a9cd709e32098a6a",
        "281520078bd66576",
        "a6cd22c6477af0e0",
        "04404e9d3014eb85",
    ]


def test_a_fingerprint_follows_the_scene():
    scene = MATRIX[SHORT[0]].scene
    turned = replace(scene, camera=replace(scene.camera, yaw_deg=scene.camera.yaw_deg + 0.01))
    assert len({scene_hash(scene), scene_hash(turned), scene_hash(replace(scene, seed=1))}) == 3


def test_scenes_are_chosen_by_split_and_name():
    assert {entry.name for entry in choose("short")} == set(SHORT)
    assert {entry.split for entry in choose("hold")} == {"hold"}
    assert len(choose("tune", "hops")) == len(choose("hold", "hops")) == 4 + 2 * len(FREE_LEGS)
    assert [entry.name for entry in choose(None, SHORT[0])] == [SHORT[0]]
    assert choose(None, "no such scene") == ()


def test_a_clip_counts_as_filmed_only_with_the_truth_of_the_same_scene(tmp_path):
    from synthetic_patients.clips import write_truth

    entry = MATRIX[SHORT[0]]
    performance = play_entry(entry)
    truth = scene_truth(entry.scene, performance) | remarks(entry)
    assert not is_filmed(entry, performance, tmp_path)
    (tmp_path / f"{entry.name}.mp4").write_bytes(b"")
    write_truth(tmp_path / f"{entry.name}.truth.json", truth)
    assert is_filmed(entry, performance, tmp_path)
    write_truth(tmp_path / f"{entry.name}.truth.json", truth | {"seed": 0})
    assert not is_filmed(entry, performance, tmp_path)
