"""Contacts and landmarks that a person set: what they change, what they leave, what says so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stick_patient import jump_plan, make_clip, make_motion, make_poses

from landing_analysis.corrections import added_contact, in_force, makes_sense, place_px
from landing_analysis.landmarks.people import link_people, sides_swapped
from landing_analysis.reasons import Code
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, LIMBS, Analysis, Contact, Correction, Limb

MOTION = make_motion(jump_plan(5), "front", LIMBS)[0]
CLIP, POSES = make_clip(MOTION, "P07.mp4"), make_poses(MOTION)
PEOPLE = link_people(POSES, Settings().people)
AT = "2026-03-05T08:00:00+00:00"
FRAME_S = float(np.median(np.diff(CLIP.t_s)))


def analyse(*corrections: Correction, **how: object) -> Analysis:
    options = Options(corrections=corrections, **how)
    return analyse_people(CLIP, POSES, PEOPLE, options, AT)


@pytest.fixture(scope="module")
def found() -> Analysis:
    return analyse()


def _contact(analysis: Analysis, limb: Limb, number: int) -> Contact:
    return [one for one in analysis.contacts.contacts if one.limb == limb][number]


def _about(what: str, contact: Contact, new: str, limb: Limb | None = None) -> Correction:
    at_s = contact.initial_contact.t_s
    return Correction(what, None, new, AT, limb=limb or contact.limb, player_s=at_s)


def _values(analysis: Analysis) -> dict:
    return {(m.rep, m.name, m.limb): m.value for m in analysis.measures.measures}


def test_without_anything_set_nothing_is_by_hand(found):
    assert not any(row.by_hand for row in found.measures.measures)
    assert not any(one.initial_contact.by_hand for one in found.contacts.contacts)


@pytest.mark.parametrize(("what", "sign"), [("initial contact", -1), ("toe-off", 1)])
def test_a_moved_edge_changes_contact_time_by_just_as_much(found, what, sign):
    contact = _contact(found, "left", 1)
    edge = contact.initial_contact if what == "initial contact" else contact.toe_off
    after = analyse(_about(what, contact, f"{edge.t_s + sign * 0.04:.6f}"))
    key = (2, "contact_time", "left")
    assert _values(after)[key] == pytest.approx(_values(found)[key] + 0.04, abs=1e-4)
    (row,) = [m for m in after.measures.measures if (m.rep, m.name, m.limb) == key]
    assert row.by_hand
    assert row.found == _values(found)[key]


def test_what_a_moved_contact_does_not_touch_stays_to_the_last_digit(found):
    contact = _contact(found, "left", 2)
    after = analyse(_about("initial contact", contact, f"{contact.initial_contact.t_s - 0.03:.6f}"))
    changed = {(m.rep, m.limb) for m in after.measures.measures if m.by_hand}
    assert {rep for rep, _ in changed} <= {2, 3}  # and the rep before, whose next flight it ends
    for key, value in _values(found).items():
        if key[0] not in (2, 3):
            assert _values(after)[key] == value


def test_an_edge_picked_by_eye_has_the_uncertainty_of_half_a_frame(found):
    contact = _contact(found, "left", 1)
    after = analyse(_about("initial contact", contact, f"{contact.initial_contact.t_s:.6f}"))
    event = _contact(after, "left", 1).initial_contact
    assert event.by_hand
    assert event.sd_s == pytest.approx(Settings().by_hand.picked_sd_frames * FRAME_S)


def test_a_flight_lands_with_the_first_foot_of_those_set(found):
    contact = _contact(found, "right", 1)
    first = found.contacts.flights[1].landing.t_s - 0.05
    after = analyse(_about("initial contact", contact, f"{first:.6f}"))
    assert after.contacts.flights[1].landing.t_s == pytest.approx(first, abs=1e-5)
    assert after.contacts.flights[0] == found.contacts.flights[0]


def test_a_landing_of_both_feet_that_is_deleted_is_stood_through(found):
    both = [_contact(found, limb, 1) for limb in LIMBS]
    after = analyse(*(_about("contact", one, "deleted") for one in both))
    assert len(after.reps.reps) == len(found.reps.reps) - 1
    before = _contact(found, "left", 0)
    merged = _contact(after, "left", 0)
    assert merged.initial_contact == before.initial_contact
    assert merged.toe_off == both[0].toe_off


def test_one_foot_that_is_deleted_leaves_the_landing_to_the_other(found):
    after = analyse(_about("contact", _contact(found, "right", 1), "deleted"))
    assert len(after.reps.reps) == len(found.reps.reps)
    assert after.contacts.flights[1].landing_limbs == ("left",)


def test_a_deleted_landing_that_is_added_again_counts_again(found):
    both = [_contact(found, limb, 1) for limb in LIMBS]
    take_off_s = found.contacts.flights[1].take_off.t_s
    added = [
        Correction(
            "contact", None,
            f"on {c.initial_contact.t_s:.6f} off {c.toe_off.t_s:.6f} from {take_off_s:.6f}",
            AT, limb=c.limb, player_s=round(c.initial_contact.t_s, 5) + 0.0001,
        )
        for c in both
    ]  # fmt: skip
    after = analyse(*(_about("contact", one, "deleted") for one in both), *added)
    assert len(after.reps.reps) == len(found.reps.reps)
    assert [rep.used for rep in after.reps.reps] == [rep.used for rep in found.reps.reps]
    key = (2, "contact_time", "left")
    assert _values(after)[key] == pytest.approx(_values(found)[key], abs=1e-4)
    flight = after.contacts.flights[1]
    assert flight.take_off.t_s == pytest.approx(take_off_s, abs=1e-5)


def test_a_correction_that_fits_no_contact_any_more_says_so_and_changes_nothing(found):
    lost = Correction("toe-off", None, "0.3", AT, limb="left", player_s=0.1)
    after = analyse(lost)
    assert _values(after) == _values(found)
    (note,) = [note for note in after.notes if note.check == "corrections"]
    assert note.remarks[0].code == Code.CORRECTED_CONTACT_GONE


def test_a_correction_fits_a_contact_that_is_found_a_little_later(found):
    contact = _contact(found, "left", 1)
    moved = _about("toe-off", contact, f"{contact.toe_off.t_s + 0.02:.6f}")
    later = replace(moved, player_s=moved.player_s - 0.5 * Settings().by_hand.same_contact_s)
    assert _values(analyse(later)) == _values(analyse(moved))


def test_a_moved_knee_takes_the_fppa_with_it_and_only_near_that_frame(found):
    rep = found.reps.reps[1]
    frame = int(np.argmin(np.abs(CLIP.t_s - rep.peak_flexion_s)))
    column = LANDMARK["left_knee"]
    x, y = found.tracks.xy_px[frame, column]
    leg_px = found.tracks.leg_px
    one = Correction(
        "landmark", None, f"{x - 0.05 * leg_px:.1f} {y:.1f}", AT, limb="left", part="knee",
        player_s=float(CLIP.t_s[frame]),
    )  # fmt: skip
    after = analyse(one)
    assert after.tracks.xy_px[frame, column, 0] == pytest.approx(x - 0.05 * leg_px, abs=0.1)
    far = np.abs(CLIP.t_s - CLIP.t_s[frame]) > 2 * Settings().by_hand.reach_s + FRAME_S
    np.testing.assert_array_equal(after.tracks.xy_px[far], found.tracks.xy_px[far])
    key = (2, "fppa_peak_flexion", "left")
    # A knee moved across by 5 % of the leg turns thigh and shank, of half a leg each, by
    # 2 atan(0.05 / 0.5), about 11.4 deg in all, and more where the bent leg looks shorter.
    assert 10.0 < abs(_values(after)[key] - _values(found)[key]) < 20.0
    # What is taken off an FPPA goes by the other limb's angle as well, a little.
    others = [m for m in after.measures.measures if m.by_hand and m.limb == "right"]
    assert all(m.name.startswith("fppa") for m in others)
    key = (2, "fppa_peak_flexion", "right")
    assert abs(_values(after)[key] - _values(found)[key]) < 4.0
    assert {m.rep for m in after.measures.measures if m.by_hand} == {2}


def test_contacts_stay_where_a_landmark_is_moved(found):
    toe = found.tracks.xy_px[200, LANDMARK["left_toe"]]
    one = Correction(
        "landmark", None, f"{toe[0] + 40:.1f} {toe[1] - 40:.1f}", AT, limb="left", part="toe",
        player_s=float(CLIP.t_s[200]),
    )  # fmt: skip
    assert analyse(one).contacts == found.contacts


def test_exchanged_sides_measure_the_other_limb(found):
    swapped = analyse(Correction("sides", None, "swapped", AT))
    assert swapped.view.view == "back"  # what was named left lies on the other side of the picture
    for part in ("hip", "knee", "ankle", "heel", "toe"):
        left, right = (LANDMARK[f"{limb}_{part}"] for limb in LIMBS)
        np.testing.assert_array_equal(swapped.tracks.raw_px[:, left], found.tracks.raw_px[:, right])
        np.testing.assert_array_equal(swapped.tracks.raw_px[:, right], found.tracks.raw_px[:, left])
    assert len(swapped.reps.reps) == len(found.reps.reps)


def test_a_contact_set_before_the_sides_were_exchanged_stays_with_its_foot(found):
    contact = _contact(found, "left", 1)
    moved = _about("initial contact", contact, f"{contact.initial_contact.t_s - 0.04:.6f}")
    after = analyse(moved, Correction("sides", None, "swapped", AT))
    assert [c.limb for c in after.contacts.contacts if c.initial_contact.by_hand] == ["right"]


def test_sides_exchanged_twice_are_as_before():
    poses, people = sides_swapped(*sides_swapped(POSES, PEOPLE))
    np.testing.assert_array_equal(poses.xy_px, POSES.xy_px)
    np.testing.assert_array_equal(people[0].xy_px, PEOPLE[0].xy_px)


def test_the_latest_on_one_contact_counts_and_taking_it_back_leaves_none():
    first = Correction("toe-off", None, "1.0", AT, limb="left", player_s=0.5)
    second = replace(first, new="1.1")
    other = replace(first, limb="right")
    assert in_force([first, other, second]) == (other, second)
    assert in_force([first, other, replace(second, new=None)]) == (other,)


@pytest.mark.parametrize(
    ("what", "new", "holds"),
    [
        ("contact", "deleted", True),
        ("contact", "on 3.2", True),
        ("contact", "on 3.2 off 3.5 from 2.9", True),
        ("contact", "on 3.2 off 3.1", False),
        ("contact", "on 3.2 from 3.3", False),
        ("contact", "off 3.2", False),
        ("initial contact", "3.217", True),
        ("initial contact", "-1", False),
        ("toe-off", "soon", False),
        ("landmark", "412.5 703", True),
        ("landmark", "412.5", False),
        ("landmark", "nan 3", False),
        ("sides", "swapped", True),
        ("sides", "left", False),
    ],
)
def test_words_that_make_no_sense_are_known(what, new, holds):
    assert makes_sense(what, new) is holds


def test_words_are_read_as_they_were_written():
    assert added_contact("on 3.2 off 3.5 from 2.9") == (3.2, 3.5, 2.9)
    assert added_contact("on 3.2 from 2.9") == (3.2, None, 2.9)
    assert place_px("412.5 -3") == (412.5, -3.0)
