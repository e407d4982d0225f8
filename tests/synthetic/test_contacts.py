"""Contacts and reps against a jumper whose instants are known exactly."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from jumper import FLOOR_PX, PX_PER_M, G, jump_set, standing_with

from landing_analysis.contacts.events import find_contacts, match_events
from landing_analysis.contacts.falls import body_events, falling_segments
from landing_analysis.contacts.feet import foot_visibility_of, read_motion
from landing_analysis.maths.change_point import ChangePointWindows, fit_change_point
from landing_analysis.maths.statistics import Z_95
from landing_analysis.reps.grouping import group_reps
from landing_analysis.settings import Settings
from landing_analysis.tables import LANDMARK, LIMBS, Contacts, Landmarks, Tracks
from landing_analysis.tracks.cleaning import clean_tracks
from landing_analysis.wording import note_words, words_of

# The jumper's toes and body stop at once; real ones sink on.
SETTINGS = Settings(
    contacts=replace(Settings().contacts, toe_sinking_m_s=1e-6, body_on_early_s=1e-6)
)
FLIGHTS_S = [0.30, 0.33, 0.28, 0.36, 0.31]
CONTACTS_S = [0.28, 0.33, 0.25, 0.40]
# The instants are exact and the landmarks carry 1.5 px of noise at 450 px/m; a foot
# that lands at 1.5 m/s moves 11 px in a 60 Hz frame, so that 5 ms is 1.7 standard
# deviations of one sample.
EDGE_TOLERANCE_S = 0.008
# Toes that rest and toes that leave differ less than toes that land: the start is slow.
TOE_OFF_TOLERANCE_S = 0.012


def _analyse(landmarks: Landmarks) -> tuple[Tracks, Contacts]:
    tracks = clean_tracks(landmarks, SETTINGS.tracks)
    return tracks, find_contacts(tracks, SETTINGS.contacts)


@pytest.mark.parametrize("rate_hz", [30.0, 60.0, 120.0, 240.0])
def test_every_contact_of_a_jump_set_is_found_between_frames(rate_hz):
    jumper = jump_set(FLIGHTS_S, CONTACTS_S, rate_hz=rate_hz, noise_px=1.5)
    _, contacts = _analyse(jumper.landmarks)
    for limb in LIMBS:
        found = [c for c in contacts.contacts if c.limb == limb]
        np.testing.assert_allclose(
            [c.initial_contact.t_s for c in found],
            jumper.initial_contact_s[limb],
            atol=EDGE_TOLERANCE_S if rate_hz > 30 else 2 * EDGE_TOLERANCE_S,
        )
        np.testing.assert_allclose(
            [c.toe_off.t_s for c in found if c.toe_off],
            jumper.toe_off_s[limb],
            atol=TOE_OFF_TOLERANCE_S if rate_hz > 30 else 2 * TOE_OFF_TOLERANCE_S,
        )


def test_claimed_edge_uncertainty_covers_the_real_error():
    misses = total = 0
    for seed in range(6):
        jumper = jump_set(FLIGHTS_S, CONTACTS_S, noise_px=2.0, seed=seed)
        _, contacts = _analyse(jumper.landmarks)
        for limb in LIMBS:
            found = [c.initial_contact for c in contacts.contacts if c.limb == limb]
            for event, true_s in zip(found, jumper.initial_contact_s[limb], strict=True):
                total += 1
                misses += abs(event.t_s - true_s) > 1.96 * event.sd_s
    assert misses <= 0.1 * total


def test_a_hop_set_has_contacts_of_the_hopping_foot_only():
    jumper = jump_set(FLIGHTS_S, CONTACTS_S, limbs=("left",), noise_px=1.5)
    tracks, contacts = _analyse(jumper.landmarks)
    reps = group_reps(contacts, tracks, SETTINGS.reps)
    assert [c.limb for c in contacts.contacts] == ["left"] * 5
    assert reps.exercise == "hop"
    assert reps.limb == "left"


def test_the_order_in_which_feet_land_is_seen():
    jumper = jump_set(FLIGHTS_S, CONTACTS_S, lead_s=0.03, noise_px=1.5)
    _, contacts = _analyse(jumper.landmarks)
    left, right = (
        np.array([c.initial_contact.t_s for c in contacts.contacts if c.limb == limb])
        for limb in LIMBS
    )
    np.testing.assert_allclose(right - left, 0.03, atol=2 * EDGE_TOLERANCE_S)


def test_a_held_landing_has_no_toe_off_and_says_so():
    jumper = jump_set([0.3], [], noise_px=1.5)
    _, contacts = _analyse(jumper.landmarks)
    assert {c.limb for c in contacts.contacts} == {"left", "right"}
    for contact in contacts.contacts:
        assert contact.toe_off is None
        assert "held landing" in words_of(contact.toe_off_reason)


def test_reps_are_counted_from_one_in_order():
    jumper = jump_set(FLIGHTS_S, CONTACTS_S, noise_px=1.5)
    tracks, contacts = _analyse(jumper.landmarks)
    reps = group_reps(contacts, tracks, SETTINGS.reps)
    assert [rep.number for rep in reps.reps] == [1, 2, 3, 4, 5]
    assert all(rep.used for rep in reps.reps)
    assert reps.exercise == "jump"


def _cut(landmarks: Landmarks, first_s: float, last_s: float) -> Landmarks:
    keep = (landmarks.t_s >= first_s) & (landmarks.t_s <= last_s)
    return Landmarks(
        landmarks.t_s[keep],
        landmarks.xy_px[keep],
        landmarks.visibility[keep],
        landmarks.world_m[keep],
        landmarks.width_px,
        landmarks.height_px,
    )


def test_reps_cut_off_by_the_clip_are_refused_with_the_reason():
    jumper = jump_set(FLIGHTS_S, CONTACTS_S, noise_px=1.0)
    first_s = 1.0 + 0.15  # half-way through the first flight
    last_s = jumper.initial_contact_s["left"][-1] - 0.12  # in the last flight
    tracks, contacts = _analyse(_cut(jumper.landmarks, first_s, last_s))
    reps = group_reps(contacts, tracks, SETTINGS.reps).reps
    assert [rep.used for rep in reps] == [False, True, True, True, False]
    assert words_of(reps[0].reason) == "the clip starts in the air"
    assert words_of(reps[-1].reason) == "the clip ends in the air"


T_S = np.arange(0.0, 8.0, 1 / 60)
STILL = np.zeros_like(T_S)
MOVEMENTS = {
    "standing still": (STILL, {"left": STILL, "right": STILL}),
    "slow squats": (
        -0.2 * (1 - np.cos(2 * np.pi * T_S / 2.5)),
        {"left": STILL, "right": STILL},
    ),
    "quick squats": (
        -0.12 * (1 - np.cos(2 * np.pi * T_S / 0.9)),
        {"left": STILL, "right": STILL},
    ),
    "heel raises": (
        0.04 * (1 - np.cos(2 * np.pi * T_S / 1.2)),
        {"left": STILL, "right": STILL},
    ),
    "stepping from foot to foot": (
        0.015 * np.sin(2 * np.pi * T_S / 0.6),
        {
            "left": 0.12 * np.maximum(np.sin(2 * np.pi * T_S / 1.2), 0),
            "right": 0.12 * np.maximum(-np.sin(2 * np.pi * T_S / 1.2), 0),
        },
    ),
    "standing on one leg, the other swinging": (
        0.01 * np.sin(2 * np.pi * T_S),
        {"left": STILL, "right": 0.3 + 0.2 * np.sin(2 * np.pi * T_S / 0.8)},
    ),
}


@pytest.mark.parametrize("movement", MOVEMENTS)
def test_movement_without_flight_makes_no_contact(movement):
    body, toes = MOVEMENTS[movement]
    tracks, contacts = _analyse(standing_with(body, toes, T_S))
    assert contacts.contacts == ()
    assert contacts.flights == ()
    reps = group_reps(contacts, tracks, SETTINGS.reps)
    assert reps.reps == ()
    assert "No flight" in note_words(reps.notes[0])


def test_a_clip_too_slow_for_flights_says_so():
    jumper = jump_set(FLIGHTS_S, CONTACTS_S, rate_hz=10.0)
    _, contacts = _analyse(jumper.landmarks)
    assert contacts.contacts == ()
    assert "frames/s is too slow" in note_words(contacts.notes[0])


def test_a_hinge_is_found_on_exact_samples():
    t_s = np.arange(0.0, 0.4, 1 / 60)
    corner_s = 0.2037
    s = np.maximum(corner_s - t_s, 0)
    change_point = fit_change_point(
        t_s,
        0.1 + 1.5 * s - 9.81 * s**2 / 2,
        0.19,
        "landing",
        ChangePointWindows(0.07, 0.09, 0.08),
        0.001,
        fall_m_s2=9.81,
        worst_misfit_m=0.01,
        worst_misfit_sds=3.0,
        step_s=1 / 60,
    )
    np.testing.assert_allclose(
        (change_point.at_s, change_point.level_m), (corner_s, 0.1), atol=0.001
    )


def test_matching_is_one_to_one_and_closest_first():
    assert match_events([1.0, 1.1], [1.06], 0.1) == [(1, 0)]
    assert match_events([1.0, 2.0], [2.01, 1.02, 3.0], 0.1) == [(0, 1), (1, 0)]
    assert match_events([], [1.0], 0.1) == []


@pytest.mark.parametrize("limbs", [LIMBS, ("right",)])
@pytest.mark.parametrize("flight_s", [0.10, 0.12, 0.14, 0.17])
def test_flights_shorter_than_a_step_are_found_and_none_invented(limbs, flight_s):
    # Invented motion, truth by construction; 1 px is what the pose model's toes scatter by.
    found = invented = asked = 0
    for contact_s, seed in product((0.15, 0.25, 0.45), (0, 1)):
        jumper = jump_set([flight_s] * 4, [contact_s] * 3, limbs, noise_px=1.0, seed=seed)
        tracks = clean_tracks(jumper.landmarks, Settings().tracks)
        flights = find_contacts(tracks, Settings().contacts).flights
        true_s = np.array(jumper.initial_contact_s[limbs[0]])
        pairs = match_events(true_s, np.array([f.landing.t_s for f in flights]), 0.08)
        asked, found = asked + len(true_s), found + len(pairs)
        invented += len(flights) - len(pairs)
    assert invented == 0
    assert found >= 0.85 * asked


@pytest.mark.parametrize(
    ("flight_s", "noise_px", "least"),
    [(0.085, 1.0, 0.95), (0.085, 2.5, 0.5), (0.10, 2.5, 0.9), (0.12, 2.5, 0.95)],
)
def test_both_feet_together_show_flights_that_drown_in_the_noise_of_one(flight_s, noise_px, least):
    found = invented = asked = 0
    for seed in range(3):
        contacts_s = list(np.random.default_rng(seed).uniform(0.15, 0.45, 3))
        jumper = jump_set([flight_s] * 4, contacts_s, noise_px=noise_px, seed=seed + 1)
        tracks = clean_tracks(jumper.landmarks, Settings().tracks)
        flights = find_contacts(tracks, Settings().contacts).flights
        true_s = np.array(jumper.initial_contact_s["left"])
        pairs = match_events(true_s, np.array([f.landing.t_s for f in flights]), 0.08)
        asked, found = asked + len(true_s), found + len(pairs)
        invented += len(flights) - len(pairs)
    assert invented == 0
    assert found >= least * asked


def test_a_body_that_bobs_on_its_feet_does_not_fly_however_slowly_its_points_wander():
    # Invented: falls of half to nearly all of gravity; points wander over some 0.1 s by 4 px.
    t_s = np.arange(0.0, 8.0, 1 / 60)
    slowly = np.exp(-0.5 * (np.arange(-12, 13) / 4.0) ** 2)
    slowly /= np.linalg.norm(slowly)
    for seed in range(8, 16):
        rng = np.random.default_rng(seed)
        body, at_s = np.zeros_like(t_s), 1.0
        while at_s < 7.0:
            lasts_s = rng.uniform(0.2, 0.35)
            size_m = rng.uniform(0.5, 0.95) * 9.81 * (lasts_s / np.pi) ** 2 / 2
            body += size_m * np.sin(np.pi * np.clip((t_s - at_s) / lasts_s, 0, 1)) ** 2
            at_s += lasts_s + rng.uniform(0.1, 0.4)
        stood = standing_with(body, {limb: np.zeros_like(t_s) for limb in LIMBS}, t_s, 0.5)
        white = rng.normal(0.0, 4.0, stood.xy_px.shape)
        wander = np.apply_along_axis(np.convolve, 0, white, slowly, "same")
        tracks = clean_tracks(replace(stood, xy_px=stood.xy_px + wander), Settings().tracks)
        assert find_contacts(tracks, Settings().contacts).flights == ()


@pytest.mark.parametrize(("other_sinks_m", "limbs"), [(0.085, LIMBS), (0.0, ("left",))])
def test_a_foot_that_sinks_no_more_than_the_one_that_stands_has_landed_too(other_sinks_m, limbs):
    # Seen from the right; toes sink steadily for 0.25 s, the near ones by more than they may alone.
    jumper = jump_set([0.4, 0.4], [0.6], noise_px=1.0, seed=3)
    landmarks, landed_s = jumper.landmarks, jumper.initial_contact_s["left"][-1]
    xy_px = landmarks.xy_px.copy()
    for limb, sinks_m in (("left", other_sinks_m), ("right", 0.083)):
        sunk_px = PX_PER_M * sinks_m * 1.25 * np.clip((landmarks.t_s - landed_s) / 0.25, 0, 1)
        for part in ("toe", "heel", "ankle"):
            xy_px[:, LANDMARK[f"{limb}_{part}"], 1] += sunk_px
    tracks = clean_tracks(replace(landmarks, xy_px=xy_px), Settings().tracks)
    seen = foot_visibility_of("right_side", "right")
    contacts = find_contacts(tracks, Settings().contacts, seen).contacts
    last = [c.limb for c in contacts if abs(c.initial_contact.t_s - landed_s) < 0.05]
    assert sorted(last) == sorted(limbs)


def test_where_in_a_frame_the_body_begins_and_ends_to_fall_is_read():
    # Invented motion without noise; the same jump filmed 30 times a second, begun an eighth later.
    jumper = jump_set([0.3], [], rate_hz=240.0)
    ends_s = []
    for first in range(8):
        every = {
            key: getattr(jumper.landmarks, key)[first::8]
            for key in ("t_s", "xy_px", "visibility", "world_m")
        }
        tracks = clean_tracks(replace(jumper.landmarks, **every), Settings().tracks)
        motion = read_motion(tracks, Settings().contacts)
        falls = [
            body_events(motion, segment, Settings().contacts)
            for segment in falling_segments(motion, Settings().contacts)
        ]
        flight = min(falls, key=lambda fall: abs(fall.on.t_s - jumper.initial_contact_s["left"][0]))
        ends_s.append((flight.off.t_s, flight.on.t_s))
    assert np.ptp(ends_s, axis=0).max() < 0.012  # by whole frames: 0.03 and more


@pytest.mark.parametrize(("flight_s", "least"), [(0.10, 0.75), (0.12, 0.95)])
def test_a_hop_that_its_toes_alone_hardly_show_is_known_by_how_fast_the_body_falls(flight_s, least):
    # Invented motion, truth by construction: one foot, 2.5 px of noise.
    found = invented = asked = 0
    for contact_s, seed in product((0.15, 0.25, 0.45), range(3)):
        jumper = jump_set([flight_s] * 4, [contact_s] * 3, ("right",), noise_px=2.5, seed=seed)
        tracks = clean_tracks(jumper.landmarks, Settings().tracks)
        flights = find_contacts(tracks, Settings().contacts).flights
        true_s = np.array(jumper.initial_contact_s["right"])
        pairs = match_events(true_s, np.array([f.landing.t_s for f in flights]), 0.08)
        asked, found = asked + len(true_s), found + len(pairs)
        invented += len(flights) - len(pairs)
    assert invented == 0
    assert found >= least * asked


def test_toes_that_creep_up_with_the_heel_do_not_make_toe_off_early():
    # Invented motion, truth by construction: flights of 0.12 s; toes creep up by 12 mm in the 60 ms
    # before they leave and fly no higher, and heels rise until then, as the pose model shows both.
    early_s, claimed_s = [], []
    for seed in range(6):
        flights_s = [0.12] * 5
        jumper = jump_set(flights_s, [0.26, 0.3, 0.34, 0.28], noise_px=1.0, seed=seed)
        xy_px, t_s = jumper.landmarks.xy_px.copy(), jumper.landmarks.t_s
        for limb in LIMBS:
            landed_s = np.array(jumper.initial_contact_s[limb])
            left_s = landed_s - flights_s
            toe_m, heel_m = np.zeros_like(t_s), np.zeros_like(t_s)
            for off_s, on_s in zip(left_s, landed_s, strict=True):
                creeps, flies = (t_s > off_s - 0.06) & (t_s <= off_s), (t_s > off_s) & (t_s < on_s)
                toe_m[creeps] = 0.012 * (t_s[creeps] - off_s + 0.06) / 0.06
                share = (t_s[flies] - off_s) / 0.12
                toe_m[flies] = 0.012 * (1 - share) + 0.5 * G * 0.12**2 * share * (1 - share)
                rises = (t_s > off_s - 0.09) & (t_s <= off_s)
                heel_m[rises] = 0.05 * ((t_s[rises] - off_s + 0.09) / 0.09) ** 2
                heel_m[flies] = 0.05 * (1 - share) + 0.5 * G * 0.12**2 * share * (1 - share)
            noise_px = np.random.default_rng(seed).normal(0.0, 1.0, (2, len(t_s)))
            for part, height_m, off_px in zip(
                ("toe", "heel"), (toe_m, heel_m), noise_px, strict=True
            ):
                xy_px[:, LANDMARK[f"{limb}_{part}"], 1] = FLOOR_PX - height_m * PX_PER_M + off_px
        tracks = clean_tracks(replace(jumper.landmarks, xy_px=xy_px), Settings().tracks)
        for contact in find_contacts(tracks, Settings().contacts).contacts:
            if contact.toe_off:
                left_s = np.array(jumper.toe_off_s[contact.limb])
                early_s.append(np.abs(left_s - contact.toe_off.t_s).min())
                claimed_s.append(contact.toe_off.sd_s)
    assert len(early_s) >= 40
    assert np.sqrt(np.mean(np.square(early_s))) < 0.02  # by the toes alone 0.04
    assert np.mean(np.array(early_s) < Z_95 * np.array(claimed_s)) >= 0.95


def test_a_contact_in_which_a_flight_was_missed_has_no_toe_off_and_says_why():
    # Invented motion, truth by construction; flights of 0.09 s in 2.5 px of noise, of which toes
    # are asked for more than they can show.
    deaf = replace(Settings().contacts, arc_log_odds=1000.0)
    spanning = 0
    for seed in range(8):
        jumper = jump_set([0.3, 0.25, 0.09, 0.3], [0.3, 0.26, 0.28], noise_px=2.5, seed=seed)
        tracks = clean_tracks(jumper.landmarks, Settings().tracks)
        contacts = find_contacts(tracks, deaf)
        reps = group_reps(contacts, tracks, Settings().reps)
        for limb, left_s in jumper.toe_off_s.items():
            own = [contact for contact in contacts.contacts if contact.limb == limb]
            landed_s = np.array([contact.initial_contact.t_s for contact in own])
            pairs = match_events(np.array(jumper.initial_contact_s[limb]), landed_s, 0.1)
            for row, column in pairs:
                contact = own[column]
                if row == len(left_s):  # held
                    continue
                if contact.toe_off:
                    assert abs(contact.toe_off.t_s - left_s[row]) < 0.1
                    continue
                spanning += 1
                assert "a short flight may have been missed" in words_of(contact.toe_off_reason)
                (rep,) = (rep for rep in reps.reps if contact in rep.contacts)
                assert rep.used
                assert rep.next_flight is None
    assert spanning >= 4


@pytest.mark.parametrize("limbs", [LIMBS, ("right",)])
def test_a_heel_raise_of_which_the_body_falls_back_is_no_flight(limbs):
    # The body rises and falls by 5 cm in 0.3 s while the toes stay; a held foot goes along.
    t_s = np.arange(0.0, 5.0, 1 / 60)
    body = np.zeros_like(t_s)
    for start_s in (1.0, 2.0, 3.0, 3.35):
        phase = np.clip((t_s - start_s) / 0.3, 0.0, 1.0)
        body += 0.05 * np.sin(np.pi * phase) ** 2
    toes = {limb: np.zeros_like(t_s) if limb in limbs else 0.3 + body for limb in LIMBS}
    for noise_px in (1.0, 2.5):
        tracks = clean_tracks(standing_with(body, toes, t_s, noise_px), Settings().tracks)
        assert find_contacts(tracks, Settings().contacts).flights == ()
