"""Other people in the picture and a patient who turns, as the pose model saw drawn rooms.

Bodies and motions are invented; the tables were made by `make_rooms.py`. Limits are those that
``python -m tests.accuracy.people`` shows for these rooms, with room for other versions of the
numerics.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from drawn_rooms import PARTS, read_room
from stick_patient import make_clip

from landing_analysis.contacts.events import match_events
from landing_analysis.landmarks.people import link_people
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, Analysis, Landmarks
from landing_analysis.wording import note_words

WRONG_SHARE_OF_LEG = 0.25
USED = {
    "turns_90": 4, "crosses_in_front": 2, "crosses_side_view": 1, "crosses_closely": 1,
    "crosses_back_view": 2, "stands_beside": 3, "two_alike": 3, "walks_in_and_out": 3,
}  # fmt: skip
"""Reps that are used of each room; of four reps of a crossing two or three are hidden."""


@cache
def _analysis(name: str) -> Analysis:
    poses, _ = read_room(name)
    n_frames = len(poses.t_s)
    empty = np.zeros((n_frames, 33, 2)), np.zeros((n_frames, 33)), np.zeros((n_frames, 33, 3))
    clip = make_clip(Landmarks(poses.t_s, *empty, 1, 1), f"{name}.mp4")
    return analyse_people(clip, poses, link_people(poses, Options().settings.people), Options(), "")


def _states(analysis: Analysis) -> dict[str, str]:
    return {note.check: note.state for note in analysis.notes}


@pytest.mark.parametrize("name", USED)
def test_no_rep_is_invented_and_only_hidden_ones_are_missing(name):
    _, truth = read_room(name)
    landed_s = [r.flight.landing.t_s for r in _analysis(name).reps.reps if r.used]
    assert len(match_events(truth["landing_s"], np.array(landed_s), 0.06)) == USED[name]
    assert len(landed_s) == USED[name]


@pytest.mark.parametrize("name", USED)
def test_nobody_else_is_measured_in_any_used_rep(name):
    analysis = _analysis(name)
    tracks, (_, truth) = analysis.tracks, read_room(name)
    own = tracks.raw_px[:, [LANDMARK[part] for part in PARTS]]
    away = np.linalg.norm(own - truth["true_px"], axis=2)
    for rep in analysis.reps.reps:
        if rep.used:
            last_s = rep.peak_flexion_s + 0.1
            inside = (tracks.t_s > rep.flight.take_off.t_s - 0.1) & (tracks.t_s < last_s)
            assert np.nanmax(away[inside]) < WRONG_SHARE_OF_LEG * tracks.leg_px


@pytest.mark.parametrize("name", USED)
def test_landings_of_used_reps_lie_within_three_times_their_uncertainty(name):
    _, truth = read_room(name)
    for rep in _analysis(name).reps.reps:
        if rep.used:
            landing = rep.flight.landing
            error_s = np.abs(truth["landing_s"] - landing.t_s).min()
            assert error_s < 3 * landing.sd_s


def test_a_patient_who_turns_to_the_side_gives_each_rep_its_true_view():
    analysis = _analysis("turns_90")
    assert [rep.view for rep in analysis.reps.reps] == list(read_room("turns_90")[1]["views"])
    assert analysis.decided.view == "front"
    assert abs(analysis.decided.view_yaw_deg) < 5.0
    assert max(abs(rep.yaw_deg) for rep in analysis.reps.reps) < 6.0


def test_walking_in_and_out_gives_no_rep_and_no_turned_one():
    analysis = _analysis("walks_in_and_out")
    assert len(analysis.reps.reps) == 3
    assert analysis.decided.view == "front"
    assert "turning" not in _states(analysis)


def test_what_hides_the_patient_is_said_with_its_time():
    for name in (name for name in USED if name.startswith("crosses")):
        analysis = _analysis(name)
        note = next(note for note in analysis.notes if note.check == "other people")
        assert "in front of the patient and hid them" in note_words(note)
        assert note.state == "limited"
        assert analysis.decided.people == 2


def test_a_second_jumper_of_the_same_size_makes_the_clip_poor():
    assert _states(_analysis("two_alike"))["other people"] == "poor"
