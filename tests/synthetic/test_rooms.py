"""Drawn rooms: the patient's truth is that of the motion, wherever they stand and turn."""

from __future__ import annotations

import numpy as np
import pytest
from synthetic_patients.camera import Camera
from synthetic_patients.rooms import ROOMS, facing, play_room, room_truth
from synthetic_patients.walking import STEP_M, Path

BY_NAME = {room.name: room for room in ROOMS}
NEAR_M = 1e-9


def test_a_turned_body_before_the_camera_is_one_seen_from_another_place():
    """Turning the body to its left is walking the camera round it to its right."""
    room = BY_NAME["turns_90"]
    _, patient, _ = play_room(room)
    t_s = np.array([4.9, 5.2])
    own = patient.on_the_spot.joints(t_s)
    turned = facing(room.scene.camera, 90.0)
    assert (turned.view, turned.yaw_deg) == ("right_side", 0.0)
    for name, points in patient.joints(t_s).items():
        np.testing.assert_allclose(
            room.scene.camera.project(points), turned.project(own[name]), atol=1e-6
        )


@pytest.mark.parametrize(
    ("turn_deg", "view", "yaw_deg"),
    [
        (0.0, "front", 0.0),
        (20.0, "front", -20.0),
        (180.0, "back", 0.0),
        (-80.0, "left_side", -10.0),
    ],
)
def test_the_view_follows_the_turn(turn_deg, view, yaw_deg):
    seen = facing(Camera(view="front"), turn_deg)
    assert seen.view == view
    assert abs(seen.yaw_deg - yaw_deg) < 1e-9


def test_each_rep_of_a_turning_patient_has_its_own_view_in_the_truth():
    room = BY_NAME["turns_180"]
    truth = room_truth(room, play_room(room)[0])
    assert [rep["view"] for rep in truth["reps"]] == ["front"] * 3 + ["back"] * 2


def test_walking_in_shifts_the_landings_and_nothing_else():
    room = BY_NAME["walks_in_and_out"]
    performance, patient, _ = play_room(room)
    landing = performance.landings[0]
    assert landing.initial_contact_s > room.start_s
    at_s = np.array([landing.lowest_s])
    there = patient.joints(at_s)
    own = patient.base.joints(at_s - room.start_s)
    for name, points in own.items():
        np.testing.assert_allclose(there[name], points, atol=NEAR_M)


def test_a_walkers_planted_foot_stays_where_it_is():
    """At full stride a foot on the floor moves back under the body as fast as the body goes."""
    room = BY_NAME["crosses_in_front"]
    walker = play_room(room)[2][0]
    t_s = np.arange(1.2, 2.2, 0.01)
    ankle = walker.joints(t_s)["left_ankle"]
    planted = ankle[:, 2] < ankle[:, 2].min() + 1e-6
    assert planted.sum() > 20
    steps = np.diff(ankle[:, :2], axis=0)[planted[1:] & planted[:-1]]
    assert np.abs(steps).max() < 0.02 * STEP_M


def test_a_path_of_one_knot_is_a_place():
    path = Path(((0.0, 1.0, 2.0, 30.0),))
    np.testing.assert_allclose(path(np.array([0.0, 9.0])), [[1.0, 2.0, 30.0]] * 2)
    assert path.walked(np.array([0.0, 9.0]))[1].max() == 0.0
