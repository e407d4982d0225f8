"""Who is who after two bodies have met in the picture, on invented points."""

from __future__ import annotations

import numpy as np
import pytest
from jumper import jump_set

from landing_analysis.landmarks.people import choose_patient, link_people
from landing_analysis.settings import PeopleSettings
from landing_analysis.tables import LANDMARK, Landmarks, Poses

SETTINGS = PeopleSettings()
FLOOR_PX = np.array([360.0, 1100.0])
TORSO_PX = 220.0


@pytest.fixture(scope="module")
def jumper() -> Landmarks:
    person = jump_set([0.3] * 4, [0.35] * 3, noise_px=1.0).landmarks
    shoulders = person.xy_px[:, [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]]
    person.xy_px[:, LANDMARK["nose"]] = shoulders.mean(axis=1) - [0.0, 60.0]
    return person


def _walker(person: Landmarks, speed_px_s: float, at_s: float, scale: float = 1.0) -> np.ndarray:
    """A stiff body that is where the patient stands at one instant."""
    still = FLOOR_PX + scale * (person.xy_px[0] - FLOOR_PX)
    x = speed_px_s * (person.t_s - at_s)
    return still[None] + np.stack([x, np.zeros_like(x)], axis=1)[:, None, :]


def _poses(person: Landmarks, own: np.ndarray, other: np.ndarray, seed: int) -> Poses:
    """Two people in slots that are dealt anew in every frame."""
    rng = np.random.default_rng(seed)
    xy = np.stack([own, other], axis=1)
    for frame in range(len(xy)):
        xy[frame] = xy[frame, rng.permutation(2)]
    seen = np.isfinite(xy[..., 0]).astype(float)
    return Poses(person.t_s, xy, seen, np.zeros((*xy.shape[:3], 3)), 720, 1280, "none", "0")


def _frames_of(person: Landmarks, truth: np.ndarray, within_px: float = 1e-9) -> tuple[int, int]:
    """Frames in which a followed person is the true one, and in which somebody else."""
    hip = LANDMARK["left_hip"]
    known = np.isfinite(person.xy_px[:, hip, 0])
    own = np.abs(person.xy_px[:, hip] - truth[:, hip]).max(axis=1) < within_px
    return int((known & own).sum()), int((known & ~own).sum())


@pytest.mark.parametrize("speed_px_s", [-500.0, 500.0, 900.0])
@pytest.mark.parametrize("scale", [1.0, 1.3])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_one_who_crosses_in_front_does_not_take_the_patient_along(jumper, speed_px_s, scale, seed):
    """While they overlap only the nearer one is seen, as with the real model."""
    other = _walker(jumper, speed_px_s, at_s=2.2, scale=scale)
    own = jumper.xy_px.copy()
    own[np.abs(speed_px_s * (jumper.t_s - 2.2)) < 0.7 * TORSO_PX] = np.nan
    other[np.abs(speed_px_s * (jumper.t_s - 2.2)) > 3 * TORSO_PX] = np.nan
    people = link_people(_poses(jumper, own, other, seed), SETTINGS)
    patient = choose_patient(people, SETTINGS)
    right, wrong = _frames_of(patient.landmarks, jumper.xy_px)
    assert wrong == 0
    assert right >= 0.95 * np.isfinite(own[:, 0, 0]).sum()
    assert patient.people == 2


def test_one_who_passes_behind_is_found_again_as_the_same_person(jumper):
    other = _walker(jumper, 500.0, at_s=2.2, scale=0.8)
    other[np.abs(jumper.t_s - 2.2) < 0.25] = np.nan
    other[np.abs(jumper.t_s - 2.2) > 1.2] = np.nan
    people = link_people(_poses(jumper, jumper.xy_px.copy(), other, 3), SETTINGS)
    assert len(people) == 2
    assert _frames_of(people[0], jumper.xy_px) == (len(jumper.t_s), 0)


def test_a_body_drawn_between_two_people_is_no_third_person(jumper):
    """Beside each other, the model now and then draws a second body half-way or on the first."""
    beside = _walker(jumper, 0.0, at_s=0.0, scale=0.9) + np.array([1.6 * TORSO_PX, 0.0])
    rng = np.random.default_rng(5)
    own = jumper.xy_px
    for frame in rng.permutation(len(own))[: len(own) // 3]:
        share = rng.uniform(0.0, 0.5)
        beside[frame] = own[frame] + share * (beside[frame] - own[frame])
    people = link_people(_poses(jumper, own.copy(), beside, 4), SETTINGS)
    assert len(people) == 2
    # Nearer than this two bodies are taken for one that was seen twice.
    assert _frames_of(people[0], own, SETTINGS.twice_torsos * TORSO_PX)[1] == 0


def test_two_who_jump_alike_leave_the_choice_in_doubt(jumper):
    beside = jumper.xy_px + np.array([2.0 * TORSO_PX, 0.0])
    patient = choose_patient(
        link_people(_poses(jumper, jumper.xy_px.copy(), beside, 6), SETTINGS), SETTINGS
    )
    assert patient.doubt is not None
    smaller = FLOOR_PX + 0.6 * (jumper.xy_px - FLOOR_PX) + np.array([2.0 * TORSO_PX, 0.0])
    sure = choose_patient(
        link_people(_poses(jumper, jumper.xy_px.copy(), smaller, 6), SETTINGS), SETTINGS
    )
    assert sure.doubt is None
