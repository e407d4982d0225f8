"""Which leg lands on a sled: a leg drawn up before the one that stands hides it.

The pose model then puts both legs where the near one is (rendered clips). Landmarks are those of
the ladder's scenes as a perfect pose model would give them, with 1.5 px of noise, and the far leg
laid over the near one as it does, so that truth is known to the last digit.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from ladder_figures import figure
from stick_patient import make_clip, make_poses

from landing_analysis.contacts.events import find_contacts, match_events
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.landmarks.people import link_people
from landing_analysis.reasons import Code
from landing_analysis.reps.recognising import confidence_of, recognise
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    Analysis,
    Landmarks,
    Limb,
    Rep,
    Reps,
    other_limb,
)
from landing_analysis.tracks.gravity import measure_free_fall
from landing_analysis.tracks.pull import along_rails

SETTINGS = Settings()
IN_TURN = "slim_woman_sled_alternating"
ON_ONE = "heavy_man_sled_hops"
_PARTS = ("knee", "ankle", "heel", "toe")
_GLIDES_S = 0.12
"""In which the model's far leg goes over to the near one's place, and back."""
_BESIDE_PX = 12.0
RAILS_DEG = 4.0


def near_limb(name: str) -> Limb:
    return analysed_as(name, hidden=False)[0].view.near_limb


def with_far_leg_hidden(landmarks: Landmarks, truth: dict[str, Any], near: Limb) -> Landmarks:
    """Lay the far leg beside the near one while it alone stands on the plate."""
    share = np.zeros(len(landmarks.t_s))
    stays = [c for c in truth["contacts"] if c["limb"] != near and c["toe_off_s"]]
    for contact in stays:
        begins_s, ends_s = contact["initial_contact_s"], contact["toe_off_s"]
        inside_s = np.minimum(landmarks.t_s - begins_s, ends_s - landmarks.t_s)
        share = np.maximum(share, np.clip(1 + inside_s / _GLIDES_S, 0, 1))
    assert stays
    xy_px = landmarks.xy_px.copy()
    for part in _PARTS:
        own, seen = (LANDMARK[f"{limb}_{part}"] for limb in (other_limb(near), near))
        beside_px = xy_px[:, seen] + np.array([-_BESIDE_PX, 0.0])
        xy_px[:, own] += share[:, None] * (beside_px - xy_px[:, own])
    return replace(landmarks, xy_px=xy_px)


@cache
def analysed_as(name: str, *, hidden: bool) -> tuple[Analysis, dict[str, Any]]:
    landmarks, truth = figure(name)
    if hidden:
        landmarks = with_far_leg_hidden(landmarks, truth, near_limb(name))
    size = {"width_px": landmarks.width_px, "height_px": landmarks.height_px}
    clip, poses = replace(make_clip(landmarks, "sled.mp4"), **size), make_poses(landmarks)
    people = link_people(poses, SETTINGS.people)
    return analyse_people(clip, poses, people, Options(), "now"), truth


def test_a_leg_hidden_by_the_one_drawn_up_before_it_is_the_one_that_lands():
    analysis, truth = analysed_as(IN_TURN, hidden=True)
    for limb in LIMBS:
        true_s = np.array([c["initial_contact_s"] for c in truth["contacts"] if c["limb"] == limb])
        found = [c for c in analysis.contacts.contacts if c.limb == limb]
        found_s = np.array([c.initial_contact.t_s for c in found])
        pairs = match_events(true_s, found_s, 0.1)
        assert len(pairs) == len(true_s) == len(found)
        sds_s = np.array([found[j].initial_contact.sd_s for _, j in pairs])
        assert (np.abs([found_s[j] - true_s[i] for i, j in pairs]) < 3 * sds_s).all()


def test_leg_to_leg_landings_are_one_bout_and_called_so_though_a_leg_is_hidden():
    analysis, _ = analysed_as(IN_TURN, hidden=True)
    assert analysis.decided.exercise == "sled_alternating"
    assert [bout.exercise for bout in analysis.reps.bouts] == ["sled_alternating"]


def test_of_a_hidden_leg_that_landed_times_alone_are_given():
    analysis, _ = analysed_as(IN_TURN, hidden=True)
    near = near_limb(IN_TURN)
    hidden = [c for c in analysis.contacts.contacts if c.other_leg_seen]
    assert {c.limb for c in hidden} == {other_limb(near)}
    assert all(c.heel_contact is None for c in hidden)
    angles = [m for m in analysis.measures.measures if m.unit == "deg" and m.limb != near]
    assert all(m.value is None for m in angles if m.limb is not None)


@pytest.mark.parametrize("name", [ON_ONE, IN_TURN])
def test_legs_that_are_seen_apart_are_not_taken_for_hidden_ones(name):
    """A near foot on the plate is one that stands there; only away from it does the other tell."""
    analysis, truth = analysed_as(name, hidden=False)
    near = near_limb(name)
    on_near = [c for c in analysis.contacts.contacts if c.limb == near]
    assert len(on_near) == sum(c["limb"] == near for c in truth["contacts"])
    assert not any(c.other_leg_seen for c in on_near)


def test_a_foot_away_from_the_plate_is_asked_only_of_a_lying_body():
    analysis, _ = analysed_as(IN_TURN, hidden=True)
    seen = foot_visibility_of(analysis.view.view, analysis.view.near_limb)
    for turns, asked in ((0, False), (1, True)):
        tracks = replace(analysis.tracks, turns=turns)
        contacts = find_contacts(tracks, SETTINGS.contacts, seen).contacts
        assert any(contact.other_leg_seen for contact in contacts) == asked


# --- what is done there ------------------------------------------------------------------------


def recognised_as(change: dict[int, tuple[Limb, ...]]) -> tuple[Reps, list[Code]]:
    """Recognise the reps of leg-to-leg landings anew, some landing on other feet."""
    analysis, _ = analysed_as(IN_TURN, hidden=False)
    reps = [_landing_on(rep, change.get(rep.number)) for rep in analysis.reps.reps]
    reps = [
        replace(rep, flight=replace(rep.flight, take_off_limbs=before.limbs))
        for before, rep in zip(reps[:1] + reps, reps, strict=False)
    ]
    given = Reps("sled_hop", None, tuple(reps))
    told = recognise(given, analysis.tracks, analysis.view, SETTINGS.signs, lies=True)
    return told, [remark.code for note in told.notes for remark in note.remarks]


def _landing_on(rep: Rep, limbs: tuple[Limb, ...] | None) -> Rep:
    if limbs is None:
        return rep
    contacts = tuple(replace(rep.contacts[0], limb=limb) for limb in limbs)
    return replace(rep, limbs=limbs, contacts=contacts, used=True, reason=None)


def test_single_landings_on_both_feet_cut_no_set_in_pieces():
    told, _ = recognised_as({5: LIMBS, 7: LIMBS})
    assert [bout.exercise for bout in told.bouts] == ["sled_alternating"]
    assert {rep.number for rep in told.reps if rep.limbs == LIMBS and rep.used} == set()
    assert told.reps[4].reason.code == Code.TWO_FEET_IN_HOPS


def test_legs_that_half_of_the_landings_take_for_each_other_leave_it_not_sure():
    """Right, left, and then left alone, as one clip was read: hops, but not for certain."""
    told, notes = recognised_as(dict.fromkeys((3, 5), ("left",)))
    sure = confidence_of(told)
    assert told.exercise in ("sled_hop", "sled_alternating")
    assert sure is not None
    assert sure < SETTINGS.signs.sure_share
    assert Code.EXERCISE_NOT_SURE in notes


def test_who_stands_does_nothing_of_what_is_done_on_a_sled():
    analysis, _ = analysed_as(IN_TURN, hidden=False)
    given = replace(analysis.reps, bouts=(), notes=())
    told = recognise(given, analysis.tracks, analysis.view, SETTINGS.signs, lies=False)
    assert not {rep.exercise for rep in told.reps} & {"sled_jump", "sled_hop", "sled_alternating"}


# --- where the plate is ------------------------------------------------------------------------


def test_the_rails_are_read_from_the_carriage_though_hips_go_with_the_legs():
    """Hips that go to and fro across the rails turn the way of a fall more than that of a set."""
    analysis, truth = analysed_as(IN_TURN, hidden=False)
    tracks, down = analysis.tracks, np.array(truth["surface"]["down_px"])
    across = np.array([-down[1], down[0]])
    raw_px = tracks.raw_px.copy()
    for limb in LIMBS:
        sway_px = 6.0 * np.sin(2 * np.pi * 1.1 * tracks.t_s)
        raw_px[:, LANDMARK[f"{limb}_hip"]] += sway_px[:, None] * across
    swayed = replace(tracks, raw_px=raw_px)
    rails = along_rails(swayed, analysis.contacts, SETTINGS.lying)
    fall = measure_free_fall(swayed, analysis.contacts, SETTINGS.gravity)
    assert rails is not None
    assert fall is not None
    fallen = fall.acceleration_px_s2 / np.linalg.norm(fall.acceleration_px_s2)
    rails_deg, fallen_deg = (np.degrees(np.arccos(way @ down)) for way in (rails, fallen))
    assert rails_deg < RAILS_DEG < fallen_deg


def test_a_trunk_that_stays_shows_no_rails():
    analysis, _ = analysed_as(IN_TURN, hidden=False)
    raw_px = np.broadcast_to(analysis.tracks.raw_px[:1], analysis.tracks.raw_px.shape)
    still = replace(analysis.tracks, raw_px=raw_px)
    assert along_rails(still, analysis.contacts, SETTINGS.lying) is None
