"""Real pictures in, and what becomes of them: rooms, blank walls, stored files, drawings."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pyarrow.parquet as pq
import pytest
from moved_camera import LANDMARKS, background, followed, moved_poses, room, sway_deg
from numpy.testing import assert_allclose
from stick_patient import make_clip, make_poses

from landing_analysis.camera.background import watch_background
from landing_analysis.camera.path import find_camera_path
from landing_analysis.camera.stabilisation import filmed_px
from landing_analysis.errors import TableError
from landing_analysis.landmarks.people import link_people
from landing_analysis.landmarks.storage import read_landmarks, write_landmarks
from landing_analysis.report.annotated import draw_frame
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, NO_PICTURE, Background, Frame, Poses
from landing_analysis.wording import words_of

SETTINGS = Settings()
FRAMES = 24
FOCAL_PX = 0.78 * 640
_WARP = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
SHIFTS_PX = np.round(10 * np.sin(np.arange(FRAMES) / 4)).astype(int)


def _patterned(seed: int = 2) -> np.ndarray:
    rng = np.random.default_rng(seed)
    rough = cv2.resize(rng.uniform(30, 220, (80, 60)).astype(np.float32), (600, 800))
    return cv2.cvtColor(rough.astype(np.uint8), cv2.COLOR_GRAY2RGB)


def _turned(pan: float) -> np.ndarray:
    """Return what carries a pixel of a panned camera to the scene around its unturned picture."""
    about = np.array([[np.cos(pan), 0, np.sin(pan)], [0, 1, 0], [-np.sin(pan), 0, np.cos(pan)]])
    lens = np.array([[FOCAL_PX, 0, 179.5], [0, FOCAL_PX, 319.5], [0, 0, 1]])
    wide = np.array([[FOCAL_PX, 0, 299.5], [0, FOCAL_PX, 399.5], [0, 0, 1]])
    return wide @ about @ np.linalg.inv(lens)


def _frames(scene: np.ndarray, shifts_px: np.ndarray, noise: float = 2.0) -> list[Frame]:
    rng = np.random.default_rng(3)
    frames = []
    for number, shift in enumerate(shifts_px):
        turn = _turned(np.arctan(shift / FOCAL_PX))
        cut = cv2.warpPerspective(scene, turn, (360, 640), flags=_WARP).astype(float)
        noisy = np.clip(cut + rng.normal(0, noise, cut.shape), 0, 255).astype(np.uint8)
        frames.append(Frame(number, number / 30, noisy))
    return frames


def _nobody(frames: int) -> Poses:
    empty = np.full((frames, 1, 33, 2), np.nan)
    return Poses(
        np.arange(frames) / 30, empty, np.zeros((frames, 1, 33)),
        np.full((frames, 1, 33, 3), np.nan), 360, 640, "none", "0",
    )  # fmt: skip


def _path(frames: list[Frame]):
    segments = []
    assert [
        frame.number for frame in watch_background(frames, segments, SETTINGS.background)
    ] == list(range(len(frames)))
    return find_camera_path(
        Background(len(frames), tuple(segments)), _nobody(len(frames)), (), SETTINGS.camera
    )


def test_a_panned_picture_of_a_room_is_followed_to_a_tenth_of_a_pixel():
    path = _path(_frames(_patterned(), SHIFTS_PX))
    assert path.state == "followed"
    moved = path.shift_px[:, 0] - path.shift_px[0, 0]
    assert_allclose(moved, SHIFTS_PX - SHIFTS_PX[0], atol=0.1)
    assert_allclose(path.shift_px[:, 1], path.shift_px[0, 1], atol=0.1)


def test_frames_without_their_picture_lie_between_the_others():
    frames = _frames(_patterned(), SHIFTS_PX)
    few = [frame if frame.number % 2 == 0 else frame._replace(rgb=NO_PICTURE) for frame in frames]
    every, second = _path(frames), _path(few)
    # Between two frames the path bends by 0.3 px, and shifts are whole pixels.
    assert second.known.all()
    assert_allclose(second.shift_px[: len(frames) - 1], every.shift_px[:-1], atol=1.0)


def test_a_tripod_before_a_room_stands_still():
    assert _path(_frames(_patterned(), np.zeros(FRAMES, dtype=int))).state == "still"


@pytest.mark.parametrize("noise", [0.0, 2.0, 6.0])
def test_a_blank_wall_is_no_room_however_noisy(noise):
    blank = np.full((800, 600, 3), 190, np.uint8)
    path = _path(_frames(blank, SHIFTS_PX, noise))
    assert path.state == "lost"
    assert "too little of the background has a pattern" in words_of(path.reason)


def test_a_dark_start_and_a_hand_before_the_lens_do_not_lose_the_rest():
    dark = _frames(_patterned() * 0, SHIFTS_PX, noise=0.0)
    frames = [*dark, *_frames(_patterned(), np.tile(SHIFTS_PX, 4))]
    hidden = range(60, 80)
    frames = [
        Frame(k, k / 30, frame.rgb * 0 + 60 if k in hidden else frame.rgb)
        for k, frame in enumerate(frames)
    ]
    path = _path(frames)
    assert path.state == "followed"
    assert not path.known[:FRAMES].any()
    assert not path.known[hidden].any()
    assert path.known[32:60].all()
    assert path.known[80:].all()


def test_a_cut_to_another_scene_ends_what_is_known():
    frames = _frames(_patterned(2), SHIFTS_PX) + _frames(_patterned(9), SHIFTS_PX)
    path = _path([frame._replace(number=k) for k, frame in enumerate(frames)])
    assert path.state in ("lost", "followed")
    assert not path.known[FRAMES + 2 :].any()


def test_a_background_of_other_frames_is_refused():
    points = followed(room(), sway_deg(0.5))
    with pytest.raises(TableError, match="all 12 frames"):
        Background(12, background(points).segments)


# --- stored landmarks --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shaken() -> Poses:
    turned = sway_deg(0.7)
    poses = moved_poses(turned)
    people = link_people(poses, SETTINGS.people)
    path = find_camera_path(background(followed(room(), turned)), poses, people, SETTINGS.camera)
    return replace(poses, camera=path)


def test_the_path_comes_back_as_it_was_stored(shaken, tmp_path):
    file = tmp_path / "landmarks.parquet"
    write_landmarks(file, shaken, make_clip(LANDMARKS, "P07.mp4"))
    path = read_landmarks(file)[1].camera
    for name in ("shift_px", "turn_deg", "zoom", "sd_px", "known"):
        assert_allclose(getattr(path, name), getattr(shaken.camera, name), rtol=0)
    assert (path.state, path.focal_px) == (shaken.camera.state, shaken.camera.focal_px)


def test_a_lost_path_comes_back_with_its_reason(shaken, tmp_path):
    poses = replace(make_poses(LANDMARKS), camera=_path(_frames(_patterned() * 0, SHIFTS_PX)))
    poses = replace(poses, camera=replace(poses.camera, **_stretched(poses)))
    write_landmarks(tmp_path / "x.parquet", poses, make_clip(LANDMARKS, "P07.mp4"))
    back = read_landmarks(tmp_path / "x.parquet")[1].camera
    assert (back.state, back.reason) == ("lost", poses.camera.reason)
    assert not back.known.any()


def _stretched(poses: Poses) -> dict[str, np.ndarray]:
    """Return the values of a lost path for as many frames as the poses have."""
    n = len(poses.t_s)
    nan = np.full(n, np.nan)
    return {"shift_px": np.full((n, 2), np.nan), "turn_deg": nan, "zoom": nan, "sd_px": nan,
            "known": np.zeros(n, dtype=bool)}  # fmt: skip


def test_landmarks_of_an_earlier_version_are_read_without_a_path(tmp_path):
    file = tmp_path / "old.parquet"
    write_landmarks(file, make_poses(LANDMARKS), make_clip(LANDMARKS, "P07.mp4"))
    table = pq.read_table(file)
    assert not any(name.startswith("camera") for name in table.column_names)
    metadata = {k: v.replace(b', "camera": null', b"") for k, v in table.schema.metadata.items()}
    assert metadata != table.schema.metadata
    pq.write_table(table.replace_schema_metadata(metadata), file)
    assert read_landmarks(file)[1].camera is None


# --- the whole analysis ------------------------------------------------------------------------


def _analysis(poses: Poses):
    clip = make_clip(LANDMARKS, "P07.mp4")
    people = link_people(poses, SETTINGS.people)
    return analyse_people(clip, poses, people, Options(), "2031-02-03T10:11:12+00:00")


def test_a_tripod_gives_the_very_same_numbers_as_never_looking():
    poses = make_poses(LANDMARKS)
    people = link_people(poses, SETTINGS.people)
    still = find_camera_path(
        background(followed(room(), np.zeros((len(poses.t_s), 3)))), poses, people,
        SETTINGS.camera,
    )  # fmt: skip
    looked, never = _analysis(replace(poses, camera=still)), _analysis(poses)
    assert still.state == "still"
    assert looked.measures == never.measures
    assert looked.contacts == never.contacts
    assert looked.tracks.raw_px.tobytes() == never.tracks.raw_px.tobytes()
    assert [note.check for note in looked.notes if note not in never.notes] == ["camera"]


def test_a_camera_that_shook_before_a_blank_wall_gives_angles_and_no_times():
    poses = moved_poses(sway_deg(1.0))
    people = link_people(poses, SETTINGS.people)
    blank = background(followed(room(5), sway_deg(1.0)))
    analysis = _analysis(
        replace(poses, camera=find_camera_path(blank, poses, people, SETTINGS.camera))
    )
    rows = {row.name: row for row in analysis.measures.measures}
    assert rows["flight_time"].value is None
    assert "film from a stand" in words_of(rows["flight_time"].reason)
    assert rows["fppa_peak_flexion"].value is not None
    assert analysis.tracks.down_sd_deg > 0.5
    assert [note.state for note in analysis.notes if note.check == "camera"] == ["poor"]


def test_lines_are_drawn_where_the_body_is_in_the_frame_as_filmed(shaken):
    analysis = _analysis(shaken)
    columns = [LANDMARK[name] for name in ("left_knee", "right_ankle", "left_shoulder")]
    away = []
    for frame in range(0, len(shaken.t_s), 10):
        drawn = filmed_px(analysis, analysis.tracks.raw_px, frame)[columns]
        away.append(drawn - shaken.xy_px[frame, 0, columns])
    assert_allclose(np.array(away), 0.0, atol=1e-6)
    in_reference = analysis.tracks.raw_px[::10][:, columns] - shaken.xy_px[::10, 0][:, columns]
    assert np.abs(in_reference).max() > 5


def test_the_annotated_frame_shows_the_leg_at_its_place(shaken):
    analysis = _analysis(shaken)
    frame = int(np.argmax(np.abs(shaken.camera.shift_px[:, 0])))
    grey = Frame(frame, float(shaken.t_s[frame]), np.full((1280, 720, 3), 128, np.uint8))
    picture = draw_frame(grey, analysis, None)
    x, y = shaken.xy_px[frame, 0, LANDMARK["left_knee"]].round().astype(int)
    assert (np.abs(picture[y - 3 : y + 4, x - 3 : x + 4].astype(int) - 128).max(axis=2) > 40).all()
