"""Notes on how a clip was filmed say what it costs and how to film it better."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from moved_camera import background, followed, moved_poses, room, sway_deg
from stick_patient import jump_plan, make_analysis, make_motion

from landing_analysis.camera.path import find_camera_path, lost
from landing_analysis.disturbances.camera_motion import STILL, CameraMotion
from landing_analysis.findings.framing import judge_framing
from landing_analysis.landmarks.people import link_people
from landing_analysis.reasons import Code, because
from landing_analysis.settings import Settings
from landing_analysis.tables import LIMBS
from landing_analysis.wording import note_words

SETTINGS = Settings()
LANDMARKS = make_motion(jump_plan(2), "front", LIMBS)[0]
ANALYSIS = make_analysis(reps=2)


def _notes(*, landmarks=LANDMARKS, path=None, cost=STILL, roll_deg=0.0, roll_sd_deg=0.6,
           analysis=ANALYSIS) -> dict[str, tuple[str, str]]:  # fmt: skip
    roll = np.radians(roll_deg)
    down = np.array([np.sin(roll), np.cos(roll)])
    tracks = replace(analysis.tracks, down=down, down_sd_deg=roll_sd_deg)
    found = judge_framing(
        analysis.clip,
        landmarks,
        tracks,
        analysis.view,
        path,
        cost,
        SETTINGS.framing,
        SETTINGS.tracks,
    )
    return {note.check: (note.state, note_words(note)) for note in found}


def test_a_level_well_filled_picture_is_good():
    notes = _notes()
    assert notes["roll"] == ("good", "The picture is level within 1 deg.")
    assert notes["feet in view"] == ("good", "Both feet stay inside the picture.")
    assert notes["distance"][0] == "good"
    assert "68 % of the picture's height" in notes["distance"][1]
    assert set(notes) == {"roll", "feet in view", "distance"}


def test_a_tilted_picture_is_told_with_what_is_corrected():
    state, text = _notes(roll_deg=-8.0, roll_sd_deg=0.6)["roll"]
    assert state == "limited"
    # 1.96 * 0.6 = 1.2 deg either way
    assert "by 8 deg (95 % interval 7 to 9)" in text
    assert "corrected in trunk lean, pelvis shift and knee over toes" in text
    assert "Level the phone" in text


def test_a_vertical_that_was_only_assumed_is_said_to_be_unknown():
    state, text = _notes(roll_sd_deg=SETTINGS.tracks.roll_sd_deg)["roll"]
    assert state == "limited"
    assert f"within {1.96 * SETTINGS.tracks.roll_sd_deg:.0f} deg only" in text


def test_feet_at_the_lower_edge_are_told():
    xy_px = LANDMARKS.xy_px.copy()
    xy_px[..., 1] += 1279 - np.nanmax(xy_px[..., 1])
    low = replace(LANDMARKS, xy_px=xy_px)
    state, text = _notes(landmarks=low)["feet in view"]
    assert state == "poor"
    assert "lower edge" in text
    assert "floor below the feet" in text


def test_a_small_patient_is_told_how_much_nearer():
    small = replace(LANDMARKS, xy_px=LANDMARKS.xy_px * 0.4 + 300)
    # the stick figure fills 64 % of 1280 px: 25 % at four tenths; 1 - 0.25 / 0.65 = 61 %
    height = np.nanpercentile(np.ptp(small.xy_px[..., 1], axis=1), 90) / 1280
    state, text = _notes(landmarks=small)["distance"]
    assert state == "limited"
    assert f"{100 * height:.0f} % of the picture's height" in text
    assert f"about {100 * (1 - height / 0.65):.0f} % nearer" in text


def _followed_path():
    turned = sway_deg(0.7)
    poses = moved_poses(turned)
    people = link_people(poses, SETTINGS.people)
    return find_camera_path(background(followed(room(), turned)), poses, people, SETTINGS.camera)


def test_a_camera_that_was_followed_is_told_with_what_is_left():
    path = _followed_path()
    state, text = _notes(path=path)["camera"]
    assert state == "limited"
    assert f"about {np.nanmedian(path.sd_px):.1f} px" in text
    assert "tripod" in text


def test_frames_that_could_not_be_placed_are_counted():
    path = _followed_path()
    known = path.known.copy()
    known[:30] = False
    text = _notes(path=replace(path, known=known))["camera"][1]
    assert f"In 30 of {len(known)} frames" in text


def test_feet_that_sway_in_the_steadied_picture_are_told():
    cost = CameraMotion(0.02, 0.7, 14.0, "it shook")
    state, text = _notes(path=_followed_path(), cost=cost)["camera"]
    assert state == "poor"
    assert "then sway by 14 px, so it was not the room" in text
    assert "times are not given" in text


@pytest.mark.parametrize(
    ("cost", "state", "words"),
    [
        (CameraMotion(sway_px=1.4), "limited", "sway by 1.4 px only"),
        (CameraMotion(0.008, 0.5, 9.0), "poor", "less certain by 8 ms"),
        (CameraMotion(0.012, 0.5, 9.0, "it shook"), "poor", "sway by 9 px, so it moved"),
        (CameraMotion(0.012, 1.0, None, "it shook"), "poor", "a phone in the hand is taken"),
    ],
)
def test_a_camera_that_could_not_be_followed_says_why_and_what_it_costs(cost, state, words):
    path = lost(len(LANDMARKS.t_s), 1000.0, because(Code.BACKGROUND_PLAIN))
    got, text = _notes(path=path, cost=cost)["camera"]
    assert got == state
    assert words in text
    assert "too little of the background has a pattern" in text
    assert "strips of tape" in text
    assert ("times are not given" in text) == (cost.no_times is not None)
