"""A camera's turning is found from the room, never from who jumps in it, and taken out exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from moved_camera import (
    CONTACTS,
    FOCAL_PX,
    HEIGHT_PX,
    LANDMARKS,
    MIDDLE_PX,
    T_S,
    WIDTH_PX,
    background,
    filmed,
    followed,
    moved_poses,
    room,
    rotations,
    segment,
    sway_deg,
)
from numpy.testing import assert_allclose

from landing_analysis.camera.path import find_camera_path
from landing_analysis.camera.stabilisation import as_filmed, cut, into_reference, stabilised
from landing_analysis.disturbances.applying import disturbed_contacts, disturbed_tracks
from landing_analysis.disturbances.camera_motion import STILL, camera_effect, camera_motion
from landing_analysis.landmarks.people import link_people
from landing_analysis.settings import CameraSettings, Settings
from landing_analysis.tables import LANDMARK, Background, CameraPath, Segment
from landing_analysis.tracks.cleaning import clean_tracks
from landing_analysis.wording import words_of

SIZE_PX = (WIDTH_PX, HEIGHT_PX)
STILL_DEG = np.zeros((len(T_S), 3))
CAMERA = CameraSettings()


def _path(points: Background, poses) -> CameraPath:
    return find_camera_path(points, poses, link_people(poses, Settings().people), CAMERA)


def _left_px(path: CameraPath, turned_deg: np.ndarray, focal_px: float = FOCAL_PX) -> np.ndarray:
    """Return how far a body's points are from where a camera like the reference's sees them."""
    body = np.array([[250.0, 300], [470, 300], [360, 640], [250, 1100], [470, 1100]])
    seen = filmed(np.broadcast_to(body, (len(T_S), 5, 2)), turned_deg, focal_px)
    carried = into_reference(seen, path, SIZE_PX)
    size = np.linalg.norm(path.shift_px, axis=1) + np.abs(path.turn_deg)
    reference = int(np.nanargmin(size))
    return np.linalg.norm(carried - seen[reference], axis=2)


def test_points_come_back_from_the_reference_picture():
    n = 5
    path = CameraPath(
        "followed", np.array([[0, 0], [40, -20], [-90, 5], [0, 60], [7, 7.0]]),
        np.array([0, 3, -5, 0.5, 10.0]), np.array([1, 1.02, 0.97, 1, 1.1]), np.full(n, 0.1),
        np.ones(n, dtype=bool), 990.0,
    )  # fmt: skip
    points = np.random.default_rng(1).uniform(0, 1200, (n, 33, 2))
    carried = into_reference(points, path, SIZE_PX)
    assert np.abs(carried[1:] - points[1:]).min(axis=(1, 2)).max() > 0.01
    for frame in range(n):
        back = as_filmed(carried[frame], path, SIZE_PX, frame)
        assert_allclose(back, points[frame], atol=1e-8)


def test_a_small_turn_is_a_shift_and_a_turn_of_the_picture():
    # worked by hand: the middle moves by the shift; a point 100 px to the right of the middle
    # is turned clockwise (down, y grows) by 100 sin(2 deg) = 3.49 px
    path = CameraPath("followed", np.array([[10.0, 0.0]]), np.array([2.0]), np.ones(1),
                      np.zeros(1), np.ones(1, dtype=bool), 1e6)  # fmt: skip
    points = np.array([[[359.5, 639.5], [459.5, 639.5]]])
    carried = into_reference(points, path, SIZE_PX)[0]
    assert_allclose(carried[0], [369.5, 639.5], atol=0.01)
    assert_allclose(carried[1] - carried[0], [99.94, 3.49], atol=0.01)


@pytest.mark.parametrize("rms_deg", [0.3, 0.7, 1.5])
def test_sway_is_found_from_the_room(rms_deg):
    turned = sway_deg(rms_deg)
    poses = moved_poses(turned)
    path = _path(background(followed(room(), turned)), poses)
    left = _left_px(path, turned)
    assert path.state == "followed"
    assert path.known.all()
    # of up to 18 px per degree: a third of a pixel, as claimed
    assert np.sqrt((left**2).mean()) < 0.35
    assert np.mean(left < 2.45 * path.sd_px[:, None]) > 0.9


def test_points_that_move_by_themselves_do_not_count():
    turned = sway_deg(0.7)
    points = np.broadcast_to(room(120), (len(T_S), 120, 2)).copy()
    points[:, :30, 0] += 60 * np.sin(2 * np.pi * 0.5 * T_S)[:, None]  # a curtain in the wind
    path = _path(background(followed(points, turned)), moved_poses(turned))
    assert path.state == "followed"
    assert np.sqrt((_left_px(path, turned) ** 2).mean()) < 0.5


@pytest.mark.parametrize("lens", [1.0, 1.9])
def test_a_slow_pan_shows_how_long_the_lens_is(lens):
    turned = sway_deg(0.1)
    turned[:, 0] += np.linspace(-5, 5, len(T_S)) / lens
    focal_px = lens * FOCAL_PX
    poses = moved_poses(turned, focal_px)
    path = _path(background(followed(room(150), turned, focal_px)), poses)
    assert path.state == "followed"
    assert_allclose(path.focal_px, focal_px, rtol=0.2)
    assert np.sqrt((_left_px(path, turned, focal_px) ** 2).mean()) < 0.6


def test_points_on_edges_hold_across_and_slide_along():
    turned = sway_deg(0.7)
    points = np.broadcast_to(room(), (len(T_S), 90, 2)).copy()
    grip = np.tile(np.eye(2, dtype=np.float32), (90, 1, 1))
    for axis, some in ((0, slice(0, 30)), (1, slice(30, 60))):  # floor lines and door frames
        points[:, some, axis] += 20 * np.sin(3 * T_S)[:, None]
        grip[some, axis, axis] = 0.001
    seen, poses = followed(points, turned), moved_poses(turned)
    path = _path(Background(len(T_S), (Segment(0, seen, grip),)), poses)
    assert path.state == "followed"
    assert np.sqrt((_left_px(path, turned) ** 2).mean()) < 0.6
    as_corners = _path(background(seen), poses)
    assert as_corners.state == "lost"


def test_zoom_is_told_from_the_room():
    zoom = 1 + 0.03 * np.sin(2 * np.pi * 0.7 * T_S)
    turned = sway_deg(0.2)
    path = _path(background(followed(room(), turned, zoom=zoom)), moved_poses(turned))
    assert_allclose(path.zoom / path.zoom[0], zoom / zoom[0], atol=0.002)


def test_the_reference_is_renewed_without_a_jump():
    turned = sway_deg(0.1)
    turned[:, 0] += np.linspace(0, 14, len(T_S))
    half = len(T_S) // 2
    rng = np.random.default_rng(5)
    wide = rng.uniform([-300, 20], [WIDTH_PX + 600, HEIGHT_PX - 20], (260, 2))
    first = followed(wide, turned[: half + 1])
    second = followed(wide, turned[half:], seed=9)
    path = _path(Background(len(T_S), (segment(first), segment(second, half))), moved_poses(turned))
    assert path.known.all()
    assert np.sqrt((_left_px(path, turned) ** 2).mean()) < 0.8
    assert np.abs(np.diff(path.shift_px[half - 2 : half + 3, 0])).max() < 3


# --- who is not the room -----------------------------------------------------------------------


def _shirt(turned_deg: np.ndarray, points: int = 60) -> np.ndarray:
    """Return points of a patterned shirt, which jump with the patient."""
    rng = np.random.default_rng(8)
    torso = LANDMARKS.xy_px[:, [LANDMARK["left_shoulder"], LANDMARK["right_hip"]]]
    share = rng.uniform(0, 1, (points, 2))
    on_body = torso[:, :1] + share * (torso[:, 1:] - torso[:, :1])
    return followed(on_body, turned_deg)


def test_a_shirt_before_a_blank_wall_is_not_the_room():
    turned = sway_deg(0.5)
    path = _path(background(_shirt(turned)), moved_poses(turned))
    assert path.state == "lost"
    assert "too little of the background" in words_of(path.reason)


def test_a_patterned_shirt_does_not_outvote_the_room():
    points = np.concatenate([_shirt(STILL_DEG, 200), followed(room(60), STILL_DEG)], axis=1)
    assert _path(background(points), moved_poses(STILL_DEG)).state == "still"


def test_what_falls_with_the_patient_is_not_the_room():
    """A second jumper, whom the model did not see, fills the picture: a mirror on the wall."""
    fall = LANDMARKS.xy_px[:, LANDMARK["left_hip"], 1]
    points = np.broadcast_to(room(), (len(T_S), 90, 2)).copy()
    points[..., 1] += (fall - np.median(fall))[:, None]
    path = _path(background(followed(points, STILL_DEG)), moved_poses(STILL_DEG))
    assert path.state == "lost"
    assert "fell together with the body" in words_of(path.reason)


def test_a_camera_that_tilts_after_the_jump_is_followed():
    fall = LANDMARKS.xy_px[:, LANDMARK["left_hip"], 1]
    turned = sway_deg(0.1)
    turned[:, 1] -= np.degrees(0.5 * (fall - np.median(fall)) / FOCAL_PX)
    path = _path(background(followed(room(), turned)), moved_poses(turned))
    assert path.state == "followed"
    assert np.sqrt((_left_px(path, turned) ** 2).mean()) < 0.4


@pytest.mark.parametrize(
    ("points", "reason"),
    [
        (room(8), "too little of the background"),
        (np.random.default_rng(2).uniform([5, 100], [50, 160], (40, 2)), "close together"),
    ],
)
def test_few_or_crowded_points_place_no_frame(points, reason):
    turned = sway_deg(0.5)
    path = _path(background(followed(points, turned)), moved_poses(turned))
    assert path.state == "lost"
    assert reason in words_of(path.reason)
    assert not path.known.any()


# --- what is known of single frames ------------------------------------------------------------


def test_a_short_blackout_is_bridged_and_a_long_one_is_not():
    turned = sway_deg(0.5)
    points = followed(room(), turned)
    points[100:104] = np.nan
    points[150:180] = np.nan
    path = _path(background(points), moved_poses(turned))
    assert path.known[100:104].all()
    assert path.sd_px[101] > path.sd_px[99]
    assert not path.known[150:180].any()
    person = stabilised(link_people(moved_poses(turned), Settings().people)[0], path)
    assert np.isnan(person.xy_px[160]).all()
    assert np.isfinite(person.xy_px[190]).all()


# --- what it costs -----------------------------------------------------------------------------


def test_a_camera_on_a_tripod_changes_nothing_at_all():
    poses = moved_poses(STILL_DEG)
    path = _path(background(followed(room(), STILL_DEG)), poses)
    person = link_people(poses, Settings().people)[0]
    tracks = clean_tracks(person, Settings().tracks)
    motion = camera_motion(tracks, CONTACTS, path, CAMERA)
    assert path.state == "still"
    assert stabilised(person, path) is person
    assert motion == STILL
    assert disturbed_tracks(tracks, (camera_effect(motion),)).down_sd_deg == tracks.down_sd_deg
    assert disturbed_contacts(CONTACTS, (camera_effect(motion),)) == CONTACTS


def test_steadied_landmarks_are_those_of_a_still_camera():
    turned = sway_deg(0.7)
    poses = moved_poses(turned)
    path = _path(background(followed(room(), turned)), poses)
    person = link_people(poses, Settings().people)[0]
    still = LANDMARKS.xy_px - LANDMARKS.xy_px[0, LANDMARK["left_toe"]]
    carried = stabilised(person, path).xy_px
    carried = carried - carried[0, LANDMARK["left_toe"]]
    shaken = person.xy_px - person.xy_px[0, LANDMARK["left_toe"]]
    # what is left is the reference's own small tilt and a fraction of a pixel
    assert np.nanstd(carried - still) < 0.15 * np.nanstd(shaken - still)


def test_a_lens_that_a_hand_carries_along_hardly_touches_an_edge_or_the_vertical():
    """Patient at 2.6 m, wall at 4.5 m, lens 1 m above the floor, moved by 1 cm (SD)."""
    lens_m, turned = 0.01 * sway_deg(1.0), sway_deg(0.5)
    axes = rotations(turned)

    def seen(points_m):
        rays = np.einsum("nji,npj->npi", axes, points_m - lens_m[:, None])
        return FOCAL_PX * rays[..., :2] / rays[..., 2:] + MIDDLE_PX

    rays = np.column_stack([(room(140) - MIDDLE_PX) / FOCAL_PX, np.ones(140)])
    floor = np.where(rays[:, 1] > 0.01, 1.0 / np.maximum(rays[:, 1], 0.01), 9.0)
    body = np.dstack([(LANDMARKS.xy_px - MIDDLE_PX) / FOCAL_PX, np.ones(LANDMARKS.xy_px.shape[:2])])
    poses = moved_poses(turned)
    poses = replace(poses, xy_px=seen(2.6 * body)[:, None])
    points = seen(np.broadcast_to(rays * np.minimum(floor, 4.5)[:, None], (len(T_S), 140, 3)))
    points[~((points > 0) & (points < SIZE_PX)).all(axis=2)] = np.nan
    path = _path(background(points.astype(np.float32)), poses)
    carried = into_reference(poses.xy_px[:, 0], path, SIZE_PX)
    left = carried - LANDMARKS.xy_px
    upper, ankles = left[:, [11, 12, 23, 24]].mean(axis=1), left[:, [27, 28]].mean(axis=1)
    turn_deg = np.degrees((upper - ankles)[:, 0] / 450)
    toe_px = left[:, [31, 32], 1].mean(axis=1)
    assert path.state == "followed"
    assert np.std(turn_deg) < 0.1
    assert np.sqrt(np.mean((toe_px[6:] - toe_px[:-6]) ** 2)) < 1.0
    assert np.std(toe_px) > 1.0  # it is there, only slow


def _lost(turned: np.ndarray):
    poses = moved_poses(turned)
    tracks = clean_tracks(link_people(poses, Settings().people)[0], Settings().tracks)
    path = _path(background(_shirt(turned)), poses)
    return tracks, path


def test_feet_that_stand_tell_that_a_lost_camera_was_still():
    tracks, path = _lost(STILL_DEG)
    motion = camera_motion(tracks, CONTACTS, path, CAMERA)
    assert path.state == "lost"
    assert (motion.event_sd_s, motion.turn_sd_deg) == (0.0, 0.0)
    assert motion.sway_px is not None
    assert motion.sway_px < 0.01 * tracks.leg_px


def test_feet_that_sway_widen_every_edge_and_the_vertical():
    tracks, path = _lost(sway_deg(0.7))
    motion = camera_motion(tracks, CONTACTS, path, CAMERA)
    effects = (camera_effect(motion),)
    wider, plain = disturbed_contacts(CONTACTS, effects), CONTACTS
    assert motion.turn_sd_deg > 0.1
    assert disturbed_tracks(tracks, effects).down_sd_deg > tracks.down_sd_deg
    for got, before in zip(wider.contacts, plain.contacts, strict=True):
        assert got.initial_contact.sd_s > before.initial_contact.sd_s
        assert got.initial_contact.t_s == before.initial_contact.t_s
        assert (got.toe_off is None) == (before.toe_off is None)


def test_a_curtain_that_fills_the_picture_is_betrayed_by_feet_that_stand():
    points = np.broadcast_to(room(), (len(T_S), 90, 2)).copy()
    points[..., 0] += 25 * np.sin(2 * np.pi * 0.8 * T_S)[:, None]
    poses = moved_poses(STILL_DEG)
    path = _path(background(followed(points, STILL_DEG)), poses)
    person = stabilised(link_people(poses, Settings().people)[0], path)
    tracks = clean_tracks(person, Settings().tracks)
    motion = camera_motion(tracks, CONTACTS, path, CAMERA)
    assert path.state == "followed"
    assert motion.sway_px is not None
    assert motion.no_times is not None


def test_nobody_standing_takes_a_hand_for_granted():
    tracks, path = _lost(STILL_DEG)
    short = replace(CONTACTS, flights=())
    motion = camera_motion(tracks, short, path, CAMERA)
    assert motion.sway_px is None
    assert_allclose(motion.turn_sd_deg, CAMERA.hand_turn_deg, rtol=0.05)


def test_a_path_can_be_cut_to_some_frames():
    turned = sway_deg(0.5)
    path = _path(background(followed(room(), turned)), moved_poses(turned))
    kept = np.arange(len(T_S)) % 2 == 0
    assert_allclose(cut(path, kept).turn_deg, path.turn_deg[kept], rtol=0)
