"""People told apart and the patient chosen, on invented points."""

from __future__ import annotations

import numpy as np
import pytest
from jumper import jump_set

from landing_analysis.errors import NobodyFoundError, SettingsError
from landing_analysis.landmarks.people import choose_patient, link_people
from landing_analysis.reasons import Code
from landing_analysis.settings import PeopleSettings
from landing_analysis.tables import LANDMARK, N_LANDMARKS, Landmarks, Poses
from landing_analysis.wording import words_of

SETTINGS = PeopleSettings()
TORSO = [LANDMARK[n] for n in ("left_hip", "right_hip", "left_shoulder", "right_shoulder")]


def _moved(person: Landmarks, x_px: np.ndarray | float, scale: float = 1.0) -> np.ndarray:
    """Landmarks scaled about the floor and moved sideways."""
    floor = np.array([360.0, 1100.0])
    shift = np.stack([np.broadcast_to(x_px, len(person.t_s)), np.zeros(len(person.t_s))], axis=1)
    return floor + scale * (person.xy_px - floor) + shift[:, None, :]


def _poses(t_s: np.ndarray, *people: np.ndarray, seed: int = 0) -> Poses:
    """Put people into slots in an order that changes from frame to frame."""
    rng = np.random.default_rng(seed)
    xy = np.stack(people, axis=1)
    for frame in range(len(t_s)):
        xy[frame] = xy[frame, rng.permutation(len(people))]
    seen = np.isfinite(xy[..., 0]).astype(float)
    world = np.zeros((*xy.shape[:3], 3))
    return Poses(t_s, xy, seen, world, 720, 1280, "none", "0")


def _still(person: Landmarks) -> Landmarks:
    xy = np.repeat(person.xy_px[:1], len(person.t_s), axis=0)
    return Landmarks(person.t_s, xy, person.visibility, person.world_m, 720, 1280)


@pytest.fixture
def jumper() -> Landmarks:
    person = jump_set([0.3, 0.3, 0.3], [0.3, 0.3], noise_px=1.0).landmarks
    shoulders = person.xy_px[:, [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]]
    person.xy_px[:, LANDMARK["nose"]] = shoulders.mean(axis=1) - [0.0, 60.0]
    return person


def _is(person: Landmarks, xy: np.ndarray) -> bool:
    both = np.isfinite(person.xy_px[:, TORSO, 0]) & np.isfinite(xy[:, TORSO, 0])
    return bool(np.nanmax(np.abs((person.xy_px - xy)[:, TORSO, 0])[both]) < 1e-9)


def test_one_person_is_the_patient(jumper):
    patient = choose_patient(
        link_people(_poses(jumper.t_s, jumper.xy_px.copy()), SETTINGS), SETTINGS
    )
    assert (patient.number, patient.people) == (1, 1)
    assert words_of(patient.reason) == "the only person in view"


def test_the_one_who_jumps_is_the_patient_beside_a_larger_bystander(jumper):
    bystander = _moved(_still(jumper), 330.0, scale=1.2)
    own = jumper.xy_px.copy()
    people = link_people(_poses(jumper.t_s, bystander, own), SETTINGS)
    patient = choose_patient(people, SETTINGS)
    assert patient.people == 2
    assert _is(patient.landmarks, own)
    assert "only one of 2 people who jumps" in words_of(patient.reason)


def test_a_body_mixed_from_two_neighbours_is_not_the_patient(jumper):
    """Close together, the model gave a larger bystander the hips of the one who jumps."""
    mixed = _moved(_still(jumper), 200.0, scale=1.15)
    hips = [LANDMARK["left_hip"], LANDMARK["right_hip"]]
    mixed[:, hips] = _moved(jumper, 200.0, scale=1.15)[:, hips]
    own = jumper.xy_px.copy()
    patient = choose_patient(link_people(_poses(jumper.t_s, mixed, own), SETTINGS), SETTINGS)
    assert _is(patient.landmarks, own)


def test_the_largest_of_two_who_jump_is_the_patient(jumper):
    smaller = _moved(jumper, -330.0, scale=0.7)
    own = jumper.xy_px.copy()
    patient = choose_patient(link_people(_poses(jumper.t_s, smaller, own), SETTINGS), SETTINGS)
    assert _is(patient.landmarks, own)
    assert "largest of 2 people who jump" in words_of(patient.reason)


def test_identity_follows_the_patient_past_a_smaller_walker(jumper):
    walking = _moved(_still(jumper), np.linspace(-300.0, 300.0, len(jumper.t_s)), scale=0.6)
    own = jumper.xy_px.copy()
    patient = choose_patient(link_people(_poses(jumper.t_s, walking, own), SETTINGS), SETTINGS)
    assert _is(patient.landmarks, own)


def test_a_short_loss_does_not_make_a_second_person(jumper):
    own = jumper.xy_px.copy()
    own[40:50] = np.nan
    people = link_people(_poses(jumper.t_s, own), SETTINGS)
    assert len(people) == 1
    assert np.isnan(people[0].xy_px[45]).all()


def test_one_person_seen_twice_is_one_person(jumper):
    own = jumper.xy_px.copy()
    assert len(link_people(_poses(jumper.t_s, own, own + 3.0), SETTINGS)) == 1


def test_the_clinician_can_name_the_person(jumper):
    other = _moved(_still(jumper), 330.0)
    people = link_people(_poses(jumper.t_s, other, jumper.xy_px.copy()), SETTINGS)
    chosen = choose_patient(people, SETTINGS, number=2)
    assert (chosen.number, chosen.reason.code) == (2, Code.GIVEN_BY_CLINICIAN)
    with pytest.raises(SettingsError, match="Give 1 to 2"):
        choose_patient(people, SETTINGS, number=3)


def test_nobody_in_view_is_said_plainly():
    t_s = np.arange(30) / 30
    empty = np.full((30, N_LANDMARKS, 2), np.nan)
    with pytest.raises(NobodyFoundError, match="No person was found"):
        choose_patient(link_people(_poses(t_s, empty), SETTINGS), SETTINGS)
