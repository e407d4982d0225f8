"""Somebody else in the picture: what is refused, widened and said, on invented motion."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stick_patient import LIMBS, Plan, make_clip, make_motion, make_poses

from landing_analysis.disturbances.bystanders import (
    bystanders_effect,
    inside_picture,
    watch_bystanders,
    without_hidden,
)
from landing_analysis.landmarks.people import link_people
from landing_analysis.reasons import Code, because
from landing_analysis.settings import PeopleSettings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, Analysis, Landmarks, MeasuredPerson, Poses
from landing_analysis.wording import note_words, words_of

SETTINGS = PeopleSettings()
REPS = 5
SPEED_PX_S = 500.0
CROSSES_S = 2.3  # in the middle of the second rep
FLOOR = np.array([360.0, 1150.0])


@pytest.fixture(scope="module")
def patient() -> Landmarks:
    return make_motion([Plan(0.32, 0.36, 62.0, 6.0)] * REPS, "front", LIMBS)[0]


def _walker(patient: Landmarks, scale: float) -> np.ndarray:
    """A stiff body that crosses the patient's place, larger in front and smaller behind."""
    still = FLOOR + scale * (patient.xy_px[0] - FLOOR) + [0.0, 150.0 * (scale - 1.0)]
    x = SPEED_PX_S * (patient.t_s - CROSSES_S)
    walking = still[None] + np.stack([x, np.zeros_like(x)], axis=1)[:, None]
    walking[np.abs(x) > 450.0] = np.nan
    return walking


def _two(patient: Landmarks, own: np.ndarray, other: np.ndarray) -> Poses:
    poses = make_poses(patient)
    xy = np.stack([own, other], axis=1)
    seen = np.isfinite(xy[..., 0])
    world = np.where(seen[..., None], poses.world_m, np.nan)
    return replace(poses, xy_px=xy, visibility=seen.astype(float), world_m=world)


def _analysis(patient: Landmarks, poses: Poses, person: int | None = None) -> Analysis:
    people = link_people(poses, SETTINGS)
    return analyse_people(make_clip(patient, "two.mp4"), poses, people, Options(person=person), "")


def _note(analysis: Analysis, check: str = "other people"):
    return next((note for note in analysis.notes if note.check == check), None)


@pytest.fixture(scope="module")
def crossed(patient) -> Analysis:
    """Somebody crosses in front; the model sees the nearer one alone while they overlap."""
    own = patient.xy_px.copy()
    own[np.abs(SPEED_PX_S * (patient.t_s - CROSSES_S)) < 130.0] = np.nan
    return _analysis(patient, _two(patient, own, _walker(patient, 1.25)))


@pytest.fixture(scope="module")
def alone(patient) -> Analysis:
    return _analysis(patient, make_poses(patient))


def test_reps_behind_somebody_are_refused_with_the_reason(crossed, alone):
    assert all(rep.used for rep in alone.reps.reps)
    refused = [rep for rep in crossed.reps.reps if not rep.used]
    assert refused
    assert all(
        "in front of the patient and hid them at 1." in words_of(rep.reason) for rep in refused
    )
    clear = [rep for rep in crossed.reps.reps if rep.used]
    assert all(rep.flight.take_off.t_s > CROSSES_S or rep.flight.landing.t_s < 2.0 for rep in clear)


def test_reps_clear_of_an_occlusion_are_measured_as_if_alone(crossed, alone):
    landings = {round(rep.flight.landing.t_s, 2): rep.number for rep in alone.reps.reps}
    for rep in crossed.reps.reps[-2:]:
        same = landings[round(rep.flight.landing.t_s, 2)]
        for name in ("contact_time", "fppa_peak_flexion"):
            values = [
                [r.value for r in analysis.measures.measures
                 if (r.rep, r.name) == (number, name) and r.value is not None]
                for analysis, number in ((crossed, rep.number), (alone, same))
            ]  # fmt: skip
            np.testing.assert_allclose(values[0], values[1], atol=0.3)


def test_the_note_says_who_when_what_it_costs_and_how_to_overrule(crossed, alone):
    note = _note(crossed)
    assert note.state == "limited"
    expected = (
        "2 people", "the only one of 2 people who jumps", "not used",
        "may be missing from the count", "Film with nobody else", "--person N",
    )  # fmt: skip
    for words in expected:
        assert words in note_words(note)
    assert (_note(alone).state, note_words(_note(alone))) == ("good", "Nobody else was seen.")


def test_one_who_passes_behind_costs_no_rep(patient, alone):
    """The patient is seen throughout; the other is lost behind them."""
    other = _walker(patient, 0.8)
    other[np.abs(SPEED_PX_S * (patient.t_s - CROSSES_S)) < 130.0] = np.nan
    analysis = _analysis(patient, _two(patient, patient.xy_px.copy(), other))
    assert [rep.used for rep in analysis.reps.reps] == [True] * REPS
    assert [rep.flight.landing.t_s for rep in analysis.reps.reps] == pytest.approx(
        [rep.flight.landing.t_s for rep in alone.reps.reps], abs=0.002
    )


def test_a_neighbour_at_arms_length_widens_times_and_leaves_the_vertical_open(patient, alone):
    beside = np.repeat(patient.xy_px[:1], len(patient.t_s), axis=0) + np.array([340.0, 0.0])
    analysis = _analysis(patient, _two(patient, patient.xy_px.copy(), beside))
    for one, other in zip(analysis.contacts.contacts, alone.contacts.contacts, strict=True):
        widened = one.initial_contact.sd_s / other.initial_contact.sd_s
        assert widened == pytest.approx(SETTINGS.near_widens, rel=0.2)
    assert analysis.tracks.down_sd_deg > 3.0 > alone.tracks.down_sd_deg
    assert "stood close to the patient in 100 %" in note_words(_note(analysis))


def test_somebody_far_away_costs_nothing_and_is_named(patient):
    far = 0.2 * np.repeat(patient.xy_px[:1], len(patient.t_s), axis=0) - [30.0, -400.0]
    own = patient.xy_px + np.array([200.0, 0.0])
    analysis = _analysis(patient, _two(patient, own, far))
    assert _note(analysis).state == "good"
    assert analysis.measures == _analysis(patient, make_poses(replace(patient, xy_px=own))).measures


def test_a_second_body_drawn_on_the_patient_is_somebody_the_model_mixed(patient):
    """A spotter with a hand at the waist is drawn as the patient once more, or not at all."""
    twice = patient.xy_px + 2.0
    twice[len(twice) // 3 :] = np.nan
    poses = _two(patient, patient.xy_px.copy(), twice)
    (person,) = link_people(poses, SETTINGS)
    bystanders = watch_bystanders(person, poses, (person,), SETTINGS)
    assert bystanders.mixed.sum() == len(twice) // 3
    assert _note(_analysis(patient, poses)).state == "limited"


def test_somebody_larger_who_takes_the_patients_place_is_not_the_patient(patient):
    """The patient leaves unseen behind one who walks up and stays where they stood."""
    own, other = patient.xy_px.copy(), _walker(patient, 1.3)
    gone = patient.t_s > CROSSES_S - 0.25
    own[gone] = np.nan
    other[patient.t_s > CROSSES_S] = other[np.flatnonzero(patient.t_s > CROSSES_S)[0]]
    analysis = _analysis(patient, _two(patient, own, other))
    assert np.isnan(analysis.tracks.raw_px[gone]).all()
    assert "the only one of 2 people who jumps" in note_words(_note(analysis))


def test_one_who_comes_back_larger_is_suspected_to_be_somebody_else(patient):
    own = patient.xy_px.copy()
    after = patient.t_s > CROSSES_S
    own[after] = FLOOR + 1.3 * (own[after] - FLOOR)
    hidden = np.abs(patient.t_s - CROSSES_S) < 0.3
    own[hidden] = np.nan
    passing = np.where(hidden[:, None, None], patient.xy_px[:1] + np.array([20.0, 60.0]), np.nan)
    poses = _two(patient, own, passing)
    person = replace(patient, xy_px=own)
    bystanders = watch_bystanders(person, poses, (person,), SETTINGS)
    assert bystanders.occlusions[0].grew == pytest.approx(1.3, abs=0.03)
    chosen = MeasuredPerson(1, 1, because(Code.ONLY_PERSON), person)
    (note,) = bystanders_effect(chosen, bystanders, patient.t_s, SETTINGS).notes
    assert note.state == "poor"
    assert "1.3 times as large as before: it may be somebody else" in note_words(note).replace(
        f"{bystanders.occlusions[0].grew:.2f}", "1.3"
    )


def test_two_who_jump_alike_make_a_poor_clip_until_the_clinician_names_one(patient):
    poses = _two(patient, patient.xy_px - [150.0, 0.0], patient.xy_px + np.array([200.0, 0.0]))
    assert _note(_analysis(patient, poses)).state == "poor"
    named = _analysis(patient, poses, person=2)
    assert "This choice is not sure" not in note_words(_note(named))
    assert named.decided.patient_reason.code == Code.GIVEN_BY_CLINICIAN


def test_a_landmark_outside_the_picture_is_no_measurement(patient):
    right, left = LANDMARK["right_ankle"], LANDMARK["left_ankle"]
    xy = patient.xy_px.copy()
    xy[10:20, right, 1] = 1290.0  # below the lower edge of 1280 px
    cut = inside_picture(replace(patient, xy_px=xy))
    assert np.isnan(cut.xy_px[10:20, [right, LANDMARK["right_toe"]]]).all()
    assert np.isfinite(cut.xy_px[10:20, left]).all()
    assert np.isfinite(cut.xy_px[10:20, LANDMARK["right_knee"]]).all()


def test_a_body_half_outside_the_picture_is_not_measured(patient):
    cut = inside_picture(replace(patient, xy_px=patient.xy_px - [330.0, 0.0]))
    assert np.isnan(cut.xy_px).all()


def test_a_person_alone_and_inside_is_left_as_they_are(patient):
    poses = make_poses(patient)
    (person,) = link_people(poses, SETTINGS)
    bystanders = watch_bystanders(person, poses, (person,), SETTINGS)
    assert bystanders.alone
    assert inside_picture(without_hidden(person, bystanders)) is person
