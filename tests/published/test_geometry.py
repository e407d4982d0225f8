"""Angles, yaw and free fall against worked values.

Each source stands beside its check with how far it was verified: `read` (seen in
the source), `derived` (computed from a stated formula), `memory`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from landing_analysis.contacts.events import find_contacts
from landing_analysis.definitions import GRAVITY_M_S2
from landing_analysis.maths.kinematics import (
    event_sd_s,
    false_fppa_deg,
    flexion_deg,
    flexion_from_seen_deg,
    flexion_from_shortening_deg,
    flexion_seen_deg,
    flight_height_m,
    flight_height_sd_m,
    fppa_deg,
    fppa_with_flexion_deg,
    interval_sd_s,
    tilt_deg,
)
from landing_analysis.settings import Settings
from landing_analysis.tracks.gravity import FreeFall, measure_free_fall, slow_motion_factor

PRINTED_TO_0_01_DEG = 0.005
PRINTED_TO_0_001_DEG = 0.0005


def _points(*pairs):
    return [np.array(pair, dtype=float) for pair in pairs]


def test_angle_between_two_segments_of_the_teaching_example():
    # BMC teaching notebooks, angle between segments (0,0)-(1,1) and (1.1,1)-(2.1,0): 90.0 deg.
    # Status: read. Here the second segment is moved to start where the first ends.
    hip, knee, ankle = _points((0, 0), (1, 1), (2, 0))
    np.testing.assert_allclose(flexion_deg(hip, knee, ankle), 90.0, atol=1e-9)


@pytest.mark.parametrize(
    ("points", "expected_deg"),
    [
        # Worked by hand from coordinates in metres, y up; status: derived.
        (((0.10, 0.90), (0.25, 0.50), (0.12, 0.10)), 38.560),
        (((0.0, 0.9), (0.0, 0.5), (0.0, 0.1)), 0.0),
        # Thigh and shank each 30 deg off the line, equal lengths; status: derived.
        (((0.0, 1.0), (0.5, 1.0 - np.sqrt(0.75)), (0.0, 1.0 - 2 * np.sqrt(0.75))), 60.0),
    ],
)
def test_knee_flexion_of_worked_coordinates(points, expected_deg):
    assert flexion_deg(*_points(*points)) == pytest.approx(expected_deg, abs=PRINTED_TO_0_001_DEG)


@pytest.mark.parametrize(
    ("limb", "points", "expected_deg"),
    [
        # Picture points, y down, the person faces the camera: 2 atan(10 / 200) and its like.
        # Sign: valgus positive (Willson 2006, Munro 2012, secondary page). Status: derived.
        ("right", ((300, 400), (310, 600), (300, 800)), 5.725),
        ("right", ((300, 400), (290, 600), (300, 800)), -5.725),
        ("left", ((420, 400), (410, 600), (420, 800)), 5.725),
        ("right", ((300, 400), (320, 590), (290, 800)), 14.139),
    ],
)
def test_fppa_of_worked_pixels(limb, points, expected_deg):
    front = fppa_deg(*_points(*points), limb, from_behind=False)
    assert front == pytest.approx(expected_deg, abs=PRINTED_TO_0_001_DEG)


def test_fppa_follows_the_limb_when_seen_from_behind():
    # Seen from behind left and right change places in the picture: the mirror image of a
    # front view is the back view of the same posture. Status: derived.
    front = _points((300, 400), (320, 590), (290, 800))
    behind = [np.array([720.0, 0.0]) + point * np.array([-1.0, 1.0]) for point in front]
    np.testing.assert_allclose(
        fppa_deg(*behind, "right", from_behind=True),
        fppa_deg(*front, "right", from_behind=False),
        atol=1e-9,
    )


def test_camera_roll_adds_nothing_to_fppa_and_all_of_itself_to_a_tilt():
    # Geometry of a rotation of the picture; status: derived.
    roll = np.radians(7.0)
    turn = np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    points = _points((300, 400), (320, 590), (290, 800))
    turned = [turn @ point for point in points]
    np.testing.assert_allclose(
        fppa_deg(*turned, "right", from_behind=False),
        fppa_deg(*points, "right", from_behind=False),
        atol=1e-9,
    )
    down = np.array([0.0, 1.0])
    before = tilt_deg(points[2], points[0], down)
    after = tilt_deg(turned[2], turned[0], down)
    np.testing.assert_allclose(after - before, 7.0, atol=1e-9)
    np.testing.assert_allclose(tilt_deg(turned[2], turned[0], turn @ down), before, atol=1e-9)


@pytest.mark.parametrize(
    ("flexion_deg_", "yaw_deg", "expected_deg"),
    [
        # 2 atan(tan(flexion/2) sin(yaw)): table of derived values.
        (20, 2, 0.71), (20, 20, 6.90),
        (40, 10, 7.23), (60, 5, 5.76),
        (60, 15, 17.00), (90, 10, 19.70), (90, 20, 37.76),
    ],
)  # fmt: skip
def test_yaw_turns_flexion_into_false_fppa(flexion_deg_, yaw_deg, expected_deg):
    seen = false_fppa_deg(flexion_deg_, yaw_deg)
    assert seen == pytest.approx(expected_deg, abs=PRINTED_TO_0_01_DEG)


@pytest.mark.parametrize(
    ("flexion_deg_", "yaw_deg", "expected_deg"),
    [
        # 2 atan(tan(flexion/2) cos(yaw)): table of derived values.
        (30, 45, 21.46), (60, 10, 59.24), (60, 30, 53.13), (60, 45, 44.42), (90, 20, 86.44),
    ],
)  # fmt: skip
def test_yaw_hides_flexion_in_a_side_view_and_is_undone(flexion_deg_, yaw_deg, expected_deg):
    seen = flexion_seen_deg(flexion_deg_, yaw_deg)
    assert seen == pytest.approx(expected_deg, abs=PRINTED_TO_0_01_DEG)
    np.testing.assert_allclose(flexion_from_seen_deg(seen, yaw_deg), flexion_deg_, atol=1e-9)


@pytest.mark.parametrize(
    ("off_axis_m", "distance_m", "expected_deg"),
    # Standing x off the optical axis at distance D is a yaw of atan(x / D); flexion 60 deg.
    # Status: derived.
    [(0.10, 1.5, 4.40), (0.15, 3.0, 3.30), (0.30, 3.0, 6.58), (0.30, 5.0, 3.96)],
)
def test_standing_beside_the_optical_axis_shows_false_fppa(off_axis_m, distance_m, expected_deg):
    yaw_deg = np.degrees(np.arctan2(off_axis_m, distance_m))
    assert false_fppa_deg(60.0, yaw_deg) == pytest.approx(expected_deg, abs=PRINTED_TO_0_01_DEG)


@pytest.mark.parametrize(
    ("flexion_", "yaw_deg"),
    # The yaw that costs one standard error of measurement of FPPA, 2.72 deg (Munro 2012, read);
    # yaw derived.
    [(20.0, 7.7), (40.0, 3.7), (60.0, 2.4), (90.0, 1.4)],
)
def test_yaw_that_costs_one_standard_error(flexion_, yaw_deg):
    low, high = false_fppa_deg(flexion_, yaw_deg - 0.1), false_fppa_deg(flexion_, yaw_deg + 0.1)
    assert low < 2.72 < high


def test_flexion_guessed_from_shortening_undoes_its_own_model():
    # Equal segments, each tilted by half of the flexion: seen / straight = cos(flexion / 2).
    for flexion_ in (0.0, 20.0, 60.0, 90.0):
        seen_px = 400.0 * np.cos(np.radians(flexion_) / 2)
        np.testing.assert_allclose(
            flexion_from_shortening_deg(seen_px, 400.0, 0.2), flexion_, atol=1e-9
        )
    assert flexion_from_shortening_deg(410.0, 400.0, 0.2) == 0.0


def test_flexion_enlarges_fppa():
    # Knee 0.08716 L off the line: 10.00 deg straight, 11.55 deg at 60 deg of flexion.
    # Status: derived.
    assert fppa_with_flexion_deg(0.08716, 0.0) == pytest.approx(10.00, abs=PRINTED_TO_0_01_DEG)
    assert fppa_with_flexion_deg(0.08716, 60.0) == pytest.approx(11.55, abs=PRINTED_TO_0_01_DEG)


@pytest.mark.parametrize(
    ("flight_s", "height_m"),
    # h = g t^2 / 8 with g = 9.81 (formula read in PMC9750644, Table 1; values derived).
    [(0.2, 0.04905), (0.3, 0.11036), (0.4, 0.19620), (0.5, 0.30656), (0.6, 0.44145)],
)
def test_height_from_flight_time(flight_s, height_m):
    assert flight_height_m(flight_s) == pytest.approx(height_m, abs=5e-6)


@pytest.mark.parametrize(
    ("true_m", "lower_m", "flight_s", "read_m"),
    # Landing d lower than take-off: t = sqrt(2 h / g) + sqrt(2 (h + d) / g); g t^2 / 8 is then
    # about d / 2 too high. Status: derived.
    [
        (0.20, 0.02, 0.4137, 0.2099), (0.20, 0.05, 0.4277, 0.2243),
        (0.20, 0.10, 0.4492, 0.2475), (0.30, 0.05, 0.5144, 0.3245),
    ],
)  # fmt: skip
def test_a_deeper_landing_reads_as_a_higher_jump(true_m, lower_m, flight_s, read_m):
    airborne_s = np.sqrt(2 * true_m / 9.81) + np.sqrt(2 * (true_m + lower_m) / 9.81)
    assert airborne_s == pytest.approx(flight_s, abs=5e-5)
    assert flight_height_m(airborne_s) == pytest.approx(read_m, abs=5e-5)
    assert flight_height_m(airborne_s) - true_m == pytest.approx(lower_m / 2, rel=0.06)


def test_height_uncertainty_at_60_frames_a_second():
    # 0.67 cm at 0.4 s and 60 frames/s: (g t / 4) times interval / sqrt(6). Status: derived.
    sd_m = flight_height_sd_m(0.4, interval_sd_s(1 / 60))
    assert sd_m == pytest.approx(0.0067, abs=5e-5)


@pytest.mark.parametrize(
    ("fps", "edge_ms", "interval_ms"),
    # Instants uniform within a frame: dt / sqrt(12) and dt / sqrt(6). Status: derived.
    [(30, 9.6, 13.6), (60, 4.8, 6.8), (120, 2.4, 3.4), (240, 1.2, 1.7)],
)
def test_what_counting_frames_can_show(fps, edge_ms, interval_ms):
    assert 1000 * event_sd_s(1 / fps) == pytest.approx(edge_ms, abs=0.05)
    assert 1000 * interval_sd_s(1 / fps) == pytest.approx(interval_ms, abs=0.05)


def test_free_fall_is_the_ruler(stick_tracks):
    # 4464 px/s2 of free fall are 4464 / 9.81 = 455 px per metre. Status: derived. The picture
    # of the invented jumper is enlarged until it falls like that.
    enlarged = 4464 / (9.81 * 450.0)
    tracks = replace(stick_tracks, raw_px=stick_tracks.raw_px * enlarged)
    contacts = find_contacts(stick_tracks, Settings().contacts)
    fall = measure_free_fall(tracks, contacts, Settings().gravity)
    assert fall is not None
    size = float(np.linalg.norm(fall.acceleration_px_s2))
    assert size == pytest.approx(4464, rel=0.01)
    assert size / GRAVITY_M_S2 == pytest.approx(455, rel=0.01)


def test_free_fall_slowed_eightfold_is_seen_as_such(stick_tracks):
    # Slowed 8 times, gravity falls to 9.81 / 64 = 0.153 m/s2. Status: derived.
    seen_px_s2 = np.array([0.0, 0.153 * stick_tracks.px_per_m])
    factor, sd = slow_motion_factor(stick_tracks, FreeFall(seen_px_s2, 0.02, 1.0, 5))
    assert factor == pytest.approx(8.0, abs=0.02)
    assert 0 < sd < 1
