"""A right knee, read from the look that shows it as a left one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stick_patient import jump_plan, make_motion

from landing_analysis.contacts.events import find_contacts
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.measures.knee import SecondLook, near_knee, second_look
from landing_analysis.reps.grouping import group_reps
from landing_analysis.settings import Settings
from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS
from landing_analysis.tracks.cleaning import clean_tracks

SETTINGS = Settings()


@pytest.fixture(scope="module")
def hops():
    landmarks, _ = make_motion(jump_plan(3), "right_side", ("right",))
    tracks = clean_tracks(landmarks, SETTINGS.tracks, None)
    contacts = find_contacts(tracks, SETTINGS.contacts, foot_visibility_of("right_side", "right"))
    return tracks, group_reps(contacts, tracks, SETTINGS.reps, None).reps


def leg_of(hops):
    return tuple(hops[0].xy_px[:, LANDMARK[f"right_{p}"]] for p in ("hip", "knee", "ankle"))


def knee_of(hops, second):
    tracks, reps = hops
    return near_knee(leg_of(hops), "right", reps, tracks.t_s, SETTINGS.knee, second)


def looked_at(hops, added_deg, shortened=1.0):
    tracks, reps = hops
    second = SecondLook(*np.full((2, len(tracks.t_s)), np.nan))
    for rep in reps:
        frame = np.argmin(np.abs(tracks.t_s - rep.peak_flexion_s))
        second.added_deg[frame], second.shortened[frame] = added_deg, shortened
    return second


def test_what_a_second_look_adds_fades_to_nothing_at_contact_and_toe_off(hops):
    tracks, reps = hops
    knee = knee_of(hops, looked_at(hops, 8.0))
    for rep in reps[:-1]:
        contact = rep.contacts[0]
        ends_s = [contact.initial_contact.t_s, contact.toe_off.t_s]
        assert_allclose(np.interp(ends_s, tracks.t_s, knee.second.added_deg), 0.0, atol=1.0)
        assert_allclose(
            np.interp(rep.peak_flexion_s, tracks.t_s, knee.second.added_deg), 8.0, atol=1.0
        )


def test_a_second_look_with_hip_and_ankle_closer_reads_a_bent_knee_more_bent(hops):
    frame = np.argmin(np.abs(hops[0].t_s - hops[1][0].peak_flexion_s))
    as_filmed, closer = (
        knee_of(hops, looked_at(hops, 0.0, shortened)).flexion_deg(leg_of(hops), 0.0, SETTINGS.knee)
        for shortened in (1.0, 0.97)
    )
    assert 1.0 < closer[frame] - as_filmed[frame] < 6.0


def test_a_right_leg_without_a_second_look_is_read_less_surely(hops):
    _, reps = hops
    frame = np.argmin(np.abs(hops[0].t_s - reps[0].peak_flexion_s))
    plain, both = knee_of(hops, None), knee_of(hops, looked_at(hops, 8.0))
    claimed = [knee.offset_sd_deg(50.0, frame, SETTINGS.knee) for knee in (plain, both)]
    assert claimed[0] > claimed[1]


def test_looks_that_cannot_be_of_the_same_leg_are_not_believed(hops):
    knee = knee_of(hops, looked_at(hops, SETTINGS.knee.most_between_looks_deg + 1))
    assert knee.apart.any()
    assert_allclose(knee.second.added_deg, 0.0)
    assert_allclose(knee.second.shortened, 1.0)


def test_looks_that_differ_among_themselves_widen_the_claim(hops):
    tracks, reps = hops
    second = looked_at(hops, 8.0)
    frame = int(np.argmin(np.abs(tracks.t_s - reps[0].peak_flexion_s)))
    alike = knee_of(hops, second).offset_sd_deg(50.0, frame, SETTINGS.knee)
    second.added_deg[[frame - 1, frame + 1]] = [2.0, 14.0]
    second.shortened[[frame - 1, frame + 1]] = 1.0
    differing = knee_of(hops, second).offset_sd_deg(50.0, frame, SETTINGS.knee)
    assert differing > alike


def test_one_look_of_three_that_cannot_be_of_the_same_leg_is_left_out(hops):
    tracks, reps = hops
    second = looked_at(hops, 8.0)
    frame = int(np.argmin(np.abs(tracks.t_s - reps[0].peak_flexion_s)))
    second.added_deg[[frame - 1, frame + 1]] = [10.0, -40.0]
    second.shortened[[frame - 1, frame + 1]] = [1.0, 0.5]
    knee = knee_of(hops, second)
    assert not knee.apart.any()
    assert knee.second.added_deg[frame] == pytest.approx(9.0)
    assert knee.second.shortened[frame] == pytest.approx(1.0)


def test_a_left_leg_needs_no_second_look(hops):
    landmarks, _ = make_motion(jump_plan(3), "left_side", LIMBS)
    tracks = clean_tracks(landmarks, SETTINGS.tracks, None)
    leg = tuple(tracks.xy_px[:, LANDMARK[f"left_{p}"]] for p in ("hip", "knee", "ankle"))
    assert not near_knee(leg, "left", (), tracks.t_s, SETTINGS.knee).seen.as_right.any()


def test_a_mirrored_look_counts_by_what_it_shows_beyond_the_track():
    tracked, mirrored = np.full((2, 1, N_LANDMARKS, 2), np.nan)
    for points, knee in ((tracked, (105.0, 150.0)), (mirrored, (125.0, 150.0))):
        for limb in LIMBS:
            for part, at in (("hip", (100.0, 100.0)), ("knee", knee), ("ankle", (100.0, 200.0))):
                points[0, LANDMARK[f"{limb}_{part}"]] = at
    second = second_look(tracked, mirrored, "right")
    # Both triangles are isosceles: the bend is twice the angle of the thigh.
    beyond_deg = 2 * np.degrees(np.arctan(25 / 50) - np.arctan(5 / 50))
    assert_allclose(second.added_deg, beyond_deg)
    assert_allclose(second.shortened, 1.0)


@pytest.mark.parametrize("exchanged", [False, True])
@pytest.mark.parametrize("moved_px", [0.0, 70.0])
def test_the_leg_of_a_mirrored_look_is_that_whose_ankle_is_nearer(exchanged, moved_px):
    right = {"hip": (100.0, 100.0), "knee": (120.0, 150.0), "ankle": (100.0, 200.0)}
    left = {"hip": (100.0, 100.0), "knee": (130.0, 140.0), "ankle": (60.0, 160.0)}
    tracked, mirrored = np.full((2, 1, N_LANDMARKS, 2), np.nan)
    for part in right:
        tracked[0, LANDMARK[f"right_{part}"]] = right[part]
        tracked[0, LANDMARK[f"left_{part}"]] = left[part]
        limbs = ("left", "right") if exchanged else ("right", "left")
        for limb, leg in zip(limbs, (right, left), strict=True):
            mirrored[0, LANDMARK[f"{limb}_{part}"]] = leg[part]
    second = second_look(tracked, mirrored + moved_px, "right")
    assert_allclose(second.added_deg, 0.0, atol=1e-9)
    assert_allclose(second.shortened, 1.0)
