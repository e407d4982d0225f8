"""A patient who lies on a sled: the plate is the floor, cords pull instead of gravity.

Landmarks are those of the ladder's scenes as a perfect pose model would give them, with 1.5 px
of noise, so that truth is known to the last digit.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from ladder_figures import figure
from numpy.testing import assert_allclose
from stick_patient import make_clip, make_poses

from landing_analysis.contacts.body import slower
from landing_analysis.contacts.events import match_events
from landing_analysis.landmarks.lying import (
    laid_back,
    quarter_turns,
    stood_up,
    the_one_who_lies,
)
from landing_analysis.landmarks.people import choose_patient, link_people
from landing_analysis.reasons import Code
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LIMBS, Analysis, Landmarks
from landing_analysis.tracks.cleaning import clean_tracks

SETTINGS = Settings()
SETS = {
    "slim_woman_sled_jumps": "sled_jump",
    "heavy_man_sled_jumps_inclined": "sled_jump",
    "slim_woman_sled_alternating": "sled_alternating",
    "heavy_man_sled_hops": "sled_hop",
}
MEDIAN_S = 0.012
"""Initial contact and toe-off against truth; a frame is 0.0167 s."""
PULL_SHARE = 0.15
"""The scale is that of a leg of usual length."""
PLATE_DEG = 5.0


@cache
def analysed(name: str) -> tuple[Analysis, dict[str, Any]]:
    landmarks, truth = figure(name)
    clip = replace(
        make_clip(landmarks, "sled.mp4"), width_px=landmarks.width_px, height_px=landmarks.height_px
    )
    poses = make_poses(landmarks)
    people = link_people(poses, SETTINGS.people)
    return analyse_people(clip, poses, people, Options(), "now"), truth


@pytest.mark.parametrize("name", SETS)
def test_every_contact_with_the_plate_is_found_and_none_invented(name):
    analysis, truth = analysed(name)
    errors_s: list[float] = []
    for limb in LIMBS:
        known = [c for c in truth["contacts"] if c["limb"] == limb]
        found = [c for c in analysis.contacts.contacts if c.limb == limb]
        true_s = np.array([c["initial_contact_s"] for c in known])
        found_s = np.array([c.initial_contact.t_s for c in found])
        pairs = match_events(true_s, found_s, 0.1)
        assert len(pairs) == len(known) == len(found)
        errors_s += [found_s[j] - true_s[i] for i, j in pairs]
        errors_s += [
            found[j].toe_off.t_s - known[i]["toe_off_s"]
            for i, j in pairs
            if found[j].toe_off and known[i]["toe_off_s"]
        ]
    assert np.median(np.abs(errors_s)) < MEDIAN_S


@pytest.mark.parametrize("name", SETS)
def test_reps_are_counted_and_named(name):
    analysis, truth = analysed(name)
    assert analysis.decided.exercise == SETS[name]
    assert len(analysis.reps.reps) == len(truth["reps"])


@pytest.mark.parametrize("name", SETS)
def test_plate_and_pull_are_read_from_the_flights(name):
    analysis, truth = analysed(name)
    surface, tracks = truth["surface"], analysis.tracks
    assert_allclose(tracks.pull_m_s2, surface["pull_m_s2"], rtol=PULL_SHARE)
    off_deg = np.degrees(np.arccos(np.clip(tracks.down @ surface["down_px"], -1, 1)))
    assert off_deg < PLATE_DEG


def test_tracks_lie_in_the_picture_as_filmed():
    analysis, _ = analysed("slim_woman_sled_jumps")
    landmarks, _ = figure("slim_woman_sled_jumps")
    assert_allclose(np.median(analysis.tracks.raw_px - landmarks.xy_px), 0, atol=0.1)


def test_the_sleds_set_up_is_said():
    analysis, truth = analysed("slim_woman_sled_jumps")
    (note,) = [note for note in analysis.notes if note.check == "sled set-up"]
    said = dict(note.remarks[0].numbers)
    assert_allclose(said["rest_deg"], truth["surface"]["rest_flexion_deg"], atol=5.0)
    peaks = [x["knee_flexion_peak_deg"] for r in truth["reps"] for x in r["landing"].values()]
    assert_allclose(said["landing_deg"], np.median(peaks), atol=6.0)


def test_no_height_is_read_from_a_flight_against_cords():
    analysis, _ = analysed("slim_woman_sled_jumps")
    rows = [row for row in analysis.measures.measures if row.name == "jump_height"]
    assert rows
    assert all(row.value is None and row.reason.code == Code.PULLED_BY_CORDS for row in rows)


def test_a_pull_weaker_than_gravity_is_no_slow_motion():
    analysis, _ = analysed("slim_woman_sled_jumps")
    assert analysis.decided.time_base.slowed_by == 1.0
    assert analysis.decided.time_base.doubt is None


def test_a_standing_body_is_not_turned():
    landmarks, _ = figure("heavy_man_high_knees")
    assert quarter_turns(landmarks, SETTINGS.lying) == 0


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turning_and_laying_back_cancel(turns):
    landmarks, _ = figure("slim_woman_sled_jumps")
    tracks = replace(clean_tracks(stood_up(landmarks, turns), SETTINGS.tracks), turns=turns)
    back = laid_back(tracks, landmarks.width_px, landmarks.height_px)
    assert_allclose(back.raw_px, clean_tracks(landmarks, SETTINGS.tracks).raw_px, atol=1e-6)


def test_a_body_stood_up_has_its_head_above():
    landmarks, _ = figure("slim_woman_sled_jumps")
    upright = stood_up(landmarks, quarter_turns(landmarks, SETTINGS.lying))
    assert quarter_turns(upright, SETTINGS.lying) == 0
    assert np.median(upright.xy_px[:, 0, 1]) < np.median(upright.xy_px[:, 27, 1])


def test_the_one_on_the_sled_is_the_patient_not_the_larger_one_beside():
    lying, _ = figure("slim_woman_sled_jumps")
    standing, _ = figure("heavy_man_high_knees")
    still = [
        np.repeat(part[:1], len(lying.t_s), axis=0)
        for part in (2.0 * standing.xy_px, standing.visibility, standing.world_m)
    ]
    beside = Landmarks(lying.t_s, *still, standing.width_px, standing.height_px)
    chosen = choose_patient((beside, lying), SETTINGS.people)
    assert chosen.number == 1
    assert the_one_who_lies(chosen, (beside, lying), SETTINGS.lying).number == 2


def test_a_weak_pull_gives_the_body_more_time():
    weak = slower(SETTINGS.contacts, 9.81 / 4)
    assert_allclose(weak.body_half_window_s, 2 * SETTINGS.contacts.body_half_window_s)
    assert slower(SETTINGS.contacts, 9.81) == SETTINGS.contacts
