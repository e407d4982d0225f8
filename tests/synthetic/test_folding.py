"""A patient who folds toward the camera is one person, and lands only where there is ground.

Sticks with known truth; postures from a slight bend to knees at the chest.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from folding_patient import (
    CENTRE_PX,
    FLOOR_PX,
    G,
    Jump,
    bow,
    centre_of_mass,
    folding_set,
    seen_from,
)
from jumper import bound_set, jump_set
from stick_patient import make_clip, make_poses

from landing_analysis.contacts.body import centre_of_mass_m, flown_through
from landing_analysis.contacts.events import find_contacts
from landing_analysis.landmarks.people import link_people
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, Analysis, Landmarks, Poses
from landing_analysis.tracks.cleaning import clean_tracks

SETTINGS = Settings()
RATES_HZ = (30.0, 60.0, 120.0)
FRONT_AND_SIDES_DEG = (0.0, 90.0, -90.0)
TUCK = Jump(flight_s=0.5)
DEEP = Jump(flight_s=0.35, contact_s=0.6, tuck_knee_deg=40, tuck_trunk_deg=15, landing_trunk_deg=80)
OFF_S, ON_S = 0.040, 0.025
"""Toe-off and landing of a folding stick against its truth; 1.5 px of noise are 4 mm."""


def _analysed(landmarks: Landmarks) -> Analysis:
    poses, options = make_poses(landmarks), Options()
    people = link_people(poses, options.settings.people)
    return analyse_people(make_clip(landmarks, "folds.mp4"), poses, people, options, "")


def _together(one: Landmarks, other: Landmarks) -> Poses:
    """Two people in slots that change places from frame to frame."""
    both = [(one, other) if frame % 2 else (other, one) for frame in range(len(one.t_s))]

    def slots(name: str) -> np.ndarray:
        return np.stack(
            [[getattr(who, name)[frame] for who in two] for frame, two in enumerate(both)]
        )

    return replace(
        make_poses(one),
        xy_px=slots("xy_px"),
        visibility=slots("visibility"),
        world_m=slots("world_m"),
    )


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("turn_deg", [0.0, 180.0, 90.0, -90.0, 40.0])
@pytest.mark.parametrize("trunk_deg", [60.0, 90.0, 120.0])
def test_who_bows_to_the_floor_stays_one_person(trunk_deg, turn_deg, rate_hz):
    poses = make_poses(seen_from(bow(trunk_deg, rate_hz=rate_hz), turn_deg))
    people = link_people(poses, SETTINGS.people)
    assert len(people) == 1
    assert np.isfinite(people[0].xy_px).all()


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_who_is_alone_stays_one_person_though_nothing_tells_that_they_fold(rate_hz):
    """Without metric landmarks the torso seems to shrink to a quarter."""
    bowing = seen_from(bow(75.0, rate_hz=rate_hz), 0.0)
    poses = make_poses(replace(bowing, world_m=np.zeros_like(bowing.world_m)))
    people = link_people(poses, SETTINGS.people)
    assert len(people) == 1
    assert np.isfinite(people[0].xy_px).all()


def test_a_body_twice_as_large_from_one_frame_to_the_next_is_somebody_else():
    patient = seen_from(bow(4.0, times=1), 0.0)
    middle_px = patient.xy_px[:, [LANDMARK["left_hip"], LANDMARK["right_shoulder"]]].mean(axis=1)
    around = middle_px[:, None] + 2.0 * (patient.xy_px - middle_px[:, None])
    later = (patient.t_s > 1.5)[:, None, None]
    poses = make_poses(replace(patient, xy_px=np.where(later, around, patient.xy_px)))
    assert len(link_people(poses, SETTINGS.people)) == 2


@pytest.mark.parametrize("turn_deg", [0.0, 90.0])
@pytest.mark.parametrize("scale", [0.8, 1.2])
def test_a_bystander_beside_who_bows_is_still_told_apart(scale, turn_deg):
    bowing = seen_from(bow(), turn_deg)
    upright = seen_from(bow(trunk_deg=4.0), turn_deg, seed=2)
    floor_px = np.array([CENTRE_PX, FLOOR_PX])
    beside_px = floor_px + scale * (upright.xy_px - floor_px) + np.array([500.0, 0.0])
    poses = _together(bowing, replace(upright, xy_px=beside_px))
    people = sorted(
        link_people(poses, SETTINGS.people), key=lambda person: float(person.xy_px[0, 0, 0])
    )
    assert len(people) == 2
    assert np.array_equal(people[0].xy_px, bowing.xy_px)
    assert np.array_equal(people[1].xy_px, beside_px)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("turn_deg", FRONT_AND_SIDES_DEG)
@pytest.mark.parametrize("jump", [TUCK, DEEP], ids=["tuck", "deep_landing"])
def test_every_jump_of_who_folds_is_counted_once_from_every_side(jump, turn_deg, rate_hz):
    folded = folding_set([jump] * 3, rate_hz)
    analysis = _analysed(seen_from(folded, turn_deg))
    assert analysis.decided.people == 1
    flights = [rep.flight for rep in analysis.reps.reps if rep.used]
    assert len(flights) == 3
    for flight, (off_s, on_s) in zip(flights, folded.flights_s, strict=True):
        assert abs(flight.take_off.t_s - off_s) < OFF_S
        assert abs(flight.landing.t_s - on_s) < ON_S


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("turn_deg", [0.0, 90.0])
@pytest.mark.parametrize("flight_s", [0.4, 0.6])
@pytest.mark.parametrize("knee_deg", [90, 140])
def test_a_tuck_of_any_depth_is_one_flight(knee_deg, flight_s, turn_deg, rate_hz):
    jump = Jump(flight_s=flight_s, tuck_knee_deg=knee_deg, tuck_trunk_deg=30 + knee_deg / 4)
    tracks = clean_tracks(
        seen_from(folding_set([jump] * 2, rate_hz), turn_deg, noise_px=3.0), SETTINGS.tracks
    )
    assert len(find_contacts(tracks, SETTINGS.contacts).flights) == 2


@pytest.mark.parametrize("rate_hz", [30.0, 60.0])
@pytest.mark.parametrize("flight_s", [0.2, 0.3])
@pytest.mark.parametrize("move", [jump_set, bound_set], ids=["rebounds", "bounds"])
def test_no_quick_rebound_is_taken_for_one_flight(move, flight_s, rate_hz):
    given = ([flight_s] * 5, [0.12] * 4) if move is jump_set else (5, flight_s, 0.12)
    jumper = move(*given, rate_hz=rate_hz, noise_px=3.0)
    tracks = clean_tracks(jumper.landmarks, SETTINGS.tracks, stature_m=1.70)
    never_joined = replace(SETTINGS.contacts, flown_share=np.inf)
    found, expected = (
        [flight.landing for flight in find_contacts(tracks, settings).flights]
        for settings in (SETTINGS.contacts, never_joined)
    )
    assert len(expected) >= 3
    assert found == expected


# The quickest rebounds, worked: two arcs, and a half sine between them that ends at their speeds.
@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("contact_s", [0.08, 0.12])
@pytest.mark.parametrize("flight_s", [0.10, 0.15, 0.30])
def test_a_body_on_the_ground_for_80_ms_did_not_fly_on(flight_s, contact_s, rate_hz):
    whole_s = 2 * flight_s + contact_s
    t_s = np.arange(0.0, whole_s, 1.0 / rate_hz)
    speed_m_s = G * flight_s / 2
    again_s = np.where(t_s < flight_s, t_s, t_s - flight_s - contact_s)
    arcs_m = speed_m_s * again_s - G * again_s**2 / 2
    phase = (t_s - flight_s) / contact_s
    under = (phase >= 0) & (phase <= 1)
    dip_m = -speed_m_s * contact_s / np.pi * np.sin(np.pi * phase)
    gap = tuple(np.flatnonzero(under)[[0, -1]])
    rebound_m = np.where(under, dip_m, arcs_m)
    one_arc_m = G * t_s * (t_s[-1] - t_s) / 2
    noise_m = np.random.default_rng(1).normal(0.0, 0.005, (2, len(t_s)))
    last, most = len(t_s) - 1, SETTINGS.contacts.flown_share
    assert flown_through(t_s, rebound_m + noise_m[0], 0, gap, last) < 0.5 * most
    assert flown_through(t_s, one_arc_m + noise_m[1], 0, gap, last) > 1.5 * most


def test_the_centre_of_mass_is_that_of_a_body_with_arms_and_head():
    """Against all segments of Winter's table; the tool counts head and arms with the trunk."""
    folded = folding_set([Jump(tuck_knee_deg=140, tuck_trunk_deg=60)] * 2)
    height_m = np.zeros((len(folded.t_s), N_LANDMARKS))
    for name, place in folded.joints.items():
        height_m[:, LANDMARK[name]] = place[:, 2]
    true_m = centre_of_mass(folded.joints)[:, 2]
    middle = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("hip", "shoulder")]
    own_m, middle_m = (
        np.ptp(found_m - true_m)
        for found_m in (centre_of_mass_m(height_m), height_m[:, middle].mean(axis=1))
    )
    assert own_m < 0.02
    assert middle_m > 0.10


def test_what_is_not_seen_has_no_centre_of_mass():
    height = np.ones((4, N_LANDMARKS))
    height[2, LANDMARK["left_ankle"]] = np.nan
    assert np.isfinite(centre_of_mass_m(height)).tolist() == [True, True, False, True]
