"""A second look, at the mirrored picture, takes out of an FPPA what the model adds to one side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from stick_patient import jump_plan, make_analysis, make_clip, make_motion, make_poses

from landing_analysis.landmarks.choosing import mirrored_frames
from landing_analysis.landmarks.mirroring import relaid_closer, seen_mirrored
from landing_analysis.landmarks.people import link_people, sides_swapped
from landing_analysis.landmarks.storage import read_landmarks, write_landmarks
from landing_analysis.measures.offsets import Sight, second_look_deg, set_offset
from landing_analysis.settings import PoseSettings, Settings
from landing_analysis.stages import frames_to_mirror
from landing_analysis.tables import LANDMARK, LIMBS, Seen

SETTINGS = Settings()
KNEES = [LANDMARK["left_knee"], LANDMARK["right_knee"]]
LEAN_PX = 5.0
"""By which a one-sided pose model puts both knees to one side of the picture."""


def _one_sided(view: str = "front"):
    """Return a set as it is, as seen with both knees to one side, and as seen mirrored."""
    analysis = make_analysis(view)
    plain, mirrored = (analysis.tracks.xy_px.copy() for _ in range(2))
    plain[:, KNEES, 0] += LEAN_PX
    mirrored[:, KNEES, 0] -= LEAN_PX
    return analysis, plain, mirrored


def _sight(plain, mirrored) -> Sight:
    return Sight({}, second_look_deg(plain, mirrored, "front"))


def test_the_mean_of_both_looks_has_no_side():
    analysis, plain, mirrored = _one_sided()
    added = second_look_deg(plain, mirrored, "front")
    assert added["left"][0] == pytest.approx(-added["right"][0], abs=0.2)
    assert abs(added["left"][0]) > 0.5
    none = second_look_deg(analysis.tracks.xy_px, analysis.tracks.xy_px, "front")
    assert_allclose(none["left"], 0.0, atol=1e-9)


def test_limbs_of_a_set_are_told_as_without_the_models_side():
    analysis, plain, mirrored = _one_sided()
    tracks = replace(analysis.tracks, xy_px=plain)
    told = set_offset(analysis.reps, tracks, "front", SETTINGS, _sight(plain, mirrored))
    exact = set_offset(analysis.reps, analysis.tracks, "front", SETTINGS,
                       _sight(*[analysis.tracks.xy_px] * 2))  # fmt: skip
    once = set_offset(analysis.reps, tracks, "front", SETTINGS)
    read = second_look_deg(plain, 2 * analysis.tracks.xy_px - plain, "front")
    for limb in LIMBS:
        # What is told is the reading and the offset; the reading is off by -read.
        assert_allclose(told.deg[limb] - read[limb], exact.deg[limb], atol=0.3)
        assert np.abs(once.deg[limb] - read[limb] - exact.deg[limb]).max() > 0.5


def test_a_landing_without_a_second_look_leaves_the_set_with_plain_looks():
    analysis, plain, mirrored = _one_sided()
    tracks = replace(analysis.tracks, xy_px=plain)
    first = analysis.reps.reps[0]
    unseen = np.abs(tracks.t_s - first.peak_flexion_s) < 1.0
    mirrored[unseen] = np.nan
    with_gap = set_offset(analysis.reps, tracks, "front", SETTINGS, _sight(plain, mirrored))
    once = set_offset(analysis.reps, tracks, "front", SETTINGS)
    assert_array_equal(with_gap.deg["left"], once.deg["left"])
    assert with_gap.sds_deg == once.sds_deg


def test_frames_are_those_about_lowest_points_and_some_of_standing():
    t_s = np.arange(600) / 60.0
    standing = t_s < 1.0
    chosen = mirrored_frames(t_s, [3.0, 7.0], standing, PoseSettings())
    assert_allclose(t_s[chosen & ~standing], [3 - 1 / 30, 3, 3 + 1 / 30, 7 - 1 / 30, 7, 7 + 1 / 30])
    assert (chosen & standing).sum() == PoseSettings().mirrored_standing


def _to_mirror(view):
    landmarks, _ = make_motion(jump_plan(3), view, LIMBS)
    poses = make_poses(landmarks)
    return landmarks, frames_to_mirror(poses, link_people(poses, SETTINGS.people), SETTINGS)


def test_lowest_points_and_standing_are_looked_at_so_from_the_front():
    landmarks, found = _to_mirror("front")
    assert 9 <= found.frames.sum() <= 9 + PoseSettings().mirrored_standing
    assert_array_equal(found.patient.xy_px, landmarks.xy_px)


@pytest.mark.parametrize("view", ["back", "right_side"])
def test_lowest_points_alone_are_looked_at_so_from_behind_and_from_the_right(view):
    _, found = _to_mirror(view)
    assert found.frames.sum() == 9


def test_a_right_leg_that_stands_alone_is_looked_at_in_closer_windows():
    landmarks, _ = make_motion(jump_plan(3), "right_side", ("right",))
    poses = make_poses(landmarks)
    found = frames_to_mirror(poses, link_people(poses, SETTINGS.people), SETTINGS)
    assert found.closer.sum() == 9
    assert_array_equal(found.closer, found.frames)
    assert not any(_to_mirror(view)[1].closer.any() for view in ("right_side", "front", "back"))


def test_closer_windows_are_turned_to_where_the_mirrored_body_faces():
    settings = PoseSettings()
    relaid = relaid_closer(settings)
    x, y, side, turn = relaid.of(np.array([[200.0, 300.0, 100.0, 0.0]]))[0]
    assert (x, side) == (200.0, pytest.approx(100.0 * settings.relaid_side_share))
    assert y == pytest.approx(300.0 + 100.0 * settings.relaid_lower)
    # Mirrored it faces left: the top side goes to the left, against the clock.
    assert np.degrees(turn) == pytest.approx(-settings.relaid_forward_deg)


def test_the_left_side_is_not_looked_at_so():
    _, found = _to_mirror("left_side")
    assert found is None


def test_of_those_who_are_seen_mirrored_the_patient_is_taken():
    landmarks, _ = make_motion(jump_plan(1), "front", LIMBS)
    numbers = np.arange(len(landmarks.t_s))
    people = np.zeros((2, 33, 6))
    people[1, :, :2] = landmarks.xy_px[4] + 3.0
    people[0, :, :2] = landmarks.xy_px[4] + 400.0
    looks = [Seen(4, landmarks.t_s[4], people), Seen(5, landmarks.t_s[5], people[:1])]
    found = seen_mirrored(looks, numbers, landmarks, PoseSettings().mirrored_torsos)
    assert_allclose(found[4], landmarks.xy_px[4] + 3.0)
    assert np.isnan(np.delete(found, 4, axis=0)).all()


def test_mirrored_looks_are_stored_and_exchange_sides_with_the_body(tmp_path):
    landmarks, _ = make_motion(jump_plan(1), "front", LIMBS)
    mirrored = np.full_like(landmarks.xy_px, np.nan)
    mirrored[7] = landmarks.xy_px[7] + 1.0
    poses = replace(make_poses(landmarks), mirrored_px=mirrored)
    write_landmarks(tmp_path / "a.parquet", poses, make_clip(landmarks, "a.mp4"))
    _, again = read_landmarks(tmp_path / "a.parquet")
    assert_array_equal(again.mirrored_px, mirrored)
    swapped, _ = sides_swapped(poses, ())
    assert_array_equal(
        swapped.mirrored_px[:, LANDMARK["left_knee"]], mirrored[:, LANDMARK["right_knee"]]
    )
