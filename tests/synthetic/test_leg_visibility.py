"""What the picture does not show of the legs is refused or less certain; nothing else changes."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import numpy as np
import pytest
from numpy.testing import assert_allclose
from page import read_page
from stick_patient import jump_plan, make_analysis, make_clip, make_motion, make_poses

from landing_analysis.disturbances.applying import (
    disturbed_contacts,
    disturbed_measures,
    disturbed_reps,
)
from landing_analysis.disturbances.effects import NO_EFFECT, Effect, WiderEvents
from landing_analysis.disturbances.leg_visibility import (
    PART,
    contact_settings,
    judge_leg_visibility,
    leg_visibility_effect,
)
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people
from landing_analysis.measures.summaries import with_set
from landing_analysis.report.page import report_html
from landing_analysis.report.pictures import key_pictures
from landing_analysis.settings import (
    ContactSettings,
    LightSettings,
    MeasureSettings,
    PeopleSettings,
)
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LIMBS, Event, Light
from landing_analysis.wording import note_words, words_of

SETTINGS = LightSettings()
SUM_TOLERANCE = 1e-12
KNEE = ("knee_flexion", "fppa", "knee_over_toes", "knee_ankle")

# Grey levels read from rendered clips: knee, ankle, heel, toe of either limb, and within 9 cm
# of the knee and 12 cm of the thigh.
PLAIN = (56, 189, (145, 78, 89, 85, 150, 165))
COAT = (52, 188, (3, 75, 88, 101, 5, 15))
TROUSERS = (63, 188, (26, 70, 67, 143, 35, 160))
DARK = (28, 65, (43, 19, 22, 47, 44, 64))
NEARLY_BLACK = (15, 37, (26, 14, 14, 28, 26, 37))
SILHOUETTE = (10, 255, (200, 150, 196, 196, 230, 240))
LOST_FEET = (55, 189, (148, 48, 49, 11, 150, 165))
MIRROR = (*PLAIN, (32.0, 0.0))
FAINT_MIRROR = (84, 188, (125, 57, 60, 142, 130, 129), (8.0, 0.0))
HAND_HELD = (*PLAIN, (25.0, 20.0))


def light_of(
    body: float,
    around: float,
    steps: tuple[float, ...],
    floor: tuple[float, float] = (2.0, 0.0),
    looks: int = 5,
) -> Light:
    return Light(
        t_s=np.arange(looks) / 5.0,
        body_levels=np.full((looks, 1), float(body)),
        around_levels=np.full((looks, 1), float(around)),
        contrast_levels=np.tile(np.array(steps * 2, dtype=float), (looks, 1, 1)),
        floor_levels=np.tile(np.array(floor), (looks, 1, 1)),
    )


def legs_of(scene, near=None):
    return judge_leg_visibility(light_of(*scene), near, SETTINGS)


def effect_of(scene, near=None, *, exercise_given: bool = False) -> Effect:
    return leg_visibility_effect(legs_of(scene, near), SETTINGS, exercise_given=exercise_given)


def held_by(analysis, effect: Effect):
    return with_set(disturbed_measures(analysis.measures, (effect,)), MeasureSettings())


def notes_of(scene) -> dict[str, tuple[str, str]]:
    return {n.check: (n.state, note_words(n)) for n in effect_of(scene).notes}


@pytest.mark.parametrize(
    ("scene", "covered", "loose"),
    [(PLAIN, (), ()), (COAT, LIMBS, ()), (TROUSERS, (), LIMBS), (DARK, (), ()),
     (SILHOUETTE, (), ()), (LOST_FEET, (), ())],
)  # fmt: skip
def test_a_knee_without_an_outline_is_covered_and_a_faint_one_loose(scene, covered, loose):
    found = legs_of(scene)
    assert (found.covered, found.loose) == (covered, loose)


def test_only_the_near_knee_of_a_side_view_is_asked():
    light = light_of(*PLAIN)
    light.contrast_levels[:, :, [0, 4, 5]] = 2.0
    assert judge_leg_visibility(light, None, SETTINGS).covered == ("left",)
    assert judge_leg_visibility(light, "right", SETTINGS).covered == ()


def test_a_few_looks_without_an_outline_do_not_cover_a_knee():
    light = light_of(*PLAIN, looks=9)
    light.contrast_levels[:4, :, :] = 1.0
    assert judge_leg_visibility(light, None, SETTINGS).covered == ()


@pytest.mark.parametrize("light", [None, light_of(np.nan, np.nan, (np.nan,) * 6)])
def test_where_light_was_not_measured_nothing_is_said_or_changed(light):
    found = judge_leg_visibility(light, None, SETTINGS)
    assert found is None
    assert leg_visibility_effect(found, SETTINGS, exercise_given=False) == NO_EFFECT


@pytest.mark.parametrize("scene", [PLAIN, SILHOUETTE, HAND_HELD])
def test_legs_that_stand_out_keep_every_number(scene):
    analysis, effect = make_analysis(), effect_of(scene)
    assert held_by(analysis, effect) == analysis.measures
    assert disturbed_contacts(analysis.contacts, (effect,)) == analysis.contacts
    assert contact_settings(legs_of(scene), ContactSettings(), SETTINGS) == ContactSettings()


def test_angles_of_a_covered_knee_are_refused_with_the_reason_and_the_rest_kept():
    analysis = make_analysis()
    held = held_by(analysis, effect_of(COAT))
    for old, new in zip(analysis.measures.measures, held.measures, strict=True):
        if old.name.startswith(KNEE) and old.value is not None:
            assert new.value is None
            assert "outline" in words_of(new.reason)
            assert new.frames == ()
        else:
            assert new == old
    for rows in (held.summaries, held.comparisons):
        assert not any(row.name.startswith(KNEE) for row in rows)


@pytest.mark.parametrize(("view", "refused"), [("left_side", True), ("front", False)])
def test_the_time_of_a_covered_knee_is_refused_where_it_is_read_from_the_knee(view, refused):
    analysis = make_analysis(view=view)
    held = held_by(analysis, effect_of(COAT, "left" if view == "left_side" else None))
    times = [
        new.value
        for old, new in zip(analysis.measures.measures, held.measures, strict=True)
        if old.name == "time_to_peak_flexion" and old.limb == "left" and old.value is not None
    ]
    assert times
    assert all((value is None) == refused for value in times)


@pytest.mark.parametrize(
    ("scene", "view"),
    [
        (DARK, "front"),
        (TROUSERS, "front"),
        (DARK, "left_side"),
        (LOST_FEET, "left_side"),
        (LOST_FEET, "front"),
        (MIRROR, "left_side"),
    ],
)
def test_angles_of_a_poorly_seen_knee_keep_their_value_and_carry_a_named_part(scene, view):
    analysis = make_analysis(view=view)
    held = held_by(analysis, effect_of(scene))
    names = ("knee_flexion", "fppa")
    if scene is LOST_FEET:
        names = ("knee_flexion", "pelvis_shift", "knee_over_toes")
    widened = 0
    for old, new in zip(analysis.measures.measures, held.measures, strict=True):
        assert new.value == old.value
        if old.name.startswith(names) and old.value is not None:
            widened += 1
            assert new.parts[-1].name == PART
            assert_allclose(new.sd, hypot(old.sd, new.parts[-1].sd), atol=SUM_TOLERANCE)
            assert new.sd > old.sd
        else:
            assert new == old
    assert widened > 0


def test_averaging_over_reps_does_not_shrink_what_poorly_seen_legs_cost():
    analysis = make_analysis()
    held = held_by(analysis, effect_of(TROUSERS))
    means = [row for row in held.summaries if row.name == "fppa_peak_flexion"]
    assert means
    assert all(row.mean_sd > SETTINGS.loose_fppa_sd_deg for row in means)


def test_every_edge_of_contacts_and_flights_is_widened():
    contacts = make_analysis().contacts
    more = {"on": 0.02, "off": 0.03}
    wide = disturbed_contacts(contacts, (Effect(events=(WiderEvents(0.02, 0.03),)),))
    pairs = [
        (getattr(old, name), getattr(new, name), "off" if "off" in name else "on")
        for olds, news, names in (
            (contacts.contacts, wide.contacts, ("initial_contact", "toe_off", "toe_contact")),
            (contacts.flights, wide.flights, ("take_off", "landing")),
        )
        for old, new in zip(olds, news, strict=True)
        for name in names
    ]
    assert {edge for old, _, edge in pairs if old} == set(more)
    for old, new, edge in pairs:
        if old is None:
            assert new is None
            continue
        assert isinstance(new, Event)
        assert new.t_s == old.t_s
        assert_allclose(new.sd_s, hypot(old.sd_s, more[edge]), atol=SUM_TOLERANCE)


def test_the_darker_the_legs_the_wider_the_edges():
    fainter = [effect_of((28, 65, (level,) * 6)).events[0] for level in (120, 65, 45, 30)]
    assert fainter[0] == WiderEvents()
    assert np.all(np.diff([wider.landing_sd_s for wider in fainter]) > 0)
    assert np.all(np.diff([wider.take_off_sd_s for wider in fainter]) > 0)


def test_a_coat_makes_the_feet_count_more_than_the_body():
    plain = ContactSettings()
    changed = contact_settings(legs_of(COAT), plain, SETTINGS)
    assert changed.body_off_sd_s > plain.body_off_sd_s
    assert changed.off_before_body_s > plain.off_before_body_s
    assert changed.front == plain.front


def test_hops_whose_other_foot_is_lost_in_the_floor_are_refused_and_jumps_are_not():
    hops = make_analysis(exercise="hop", view="left_side").reps
    assert any(rep.used for rep in hops.reps)
    for scene in (LOST_FEET, NEARLY_BLACK, DARK, COAT):
        void = disturbed_reps(hops, (effect_of(scene, "left"),))
        assert not any(rep.used for rep in void.reps)
        assert all(rep.reason for rep in void.reps)
        for effect in (effect_of(scene, "left", exercise_given=True), effect_of(scene)):
            assert disturbed_reps(hops, (effect,)) == hops
    assert disturbed_reps(hops, (effect_of(PLAIN, "left"),)) == hops
    jumps = make_analysis(view="left_side").reps
    assert disturbed_reps(jumps, (effect_of(LOST_FEET, "left"),)) == jumps


@pytest.mark.parametrize(
    ("scene", "check", "state", "words"),
    [
        (PLAIN, "light", "good", "Patient 22 %, background 74 %"),
        (DARK, "light", "limited", "lights on"),
        (NEARLY_BLACK, "light", "poor", "lights on"),
        (SILHOUETTE, "light", "limited", "no window behind"),
        (COAT, "clothes", "poor", "Film in shorts"),
        (TROUSERS, "clothes", "limited", "Film in shorts"),
        (MIRROR, "floor", "limited", "Film on a dull floor"),
        (FAINT_MIRROR, "floor", "limited", "The image is not measured"),
        (LOST_FEET, "shoes and floor", "poor", "Film in shoes unlike the floor"),
    ],
)
def test_a_note_says_what_was_seen_and_how_to_film_better(scene, check, state, words):
    found = notes_of(scene)[check]
    assert found[0] == state
    assert words in found[1]


@pytest.mark.parametrize("scene", [PLAIN, HAND_HELD, (*PLAIN, (np.nan, np.nan))])
def test_a_good_clip_is_told_of_its_light_alone(scene):
    assert list(notes_of(scene)) == ["light"]


def test_an_analysis_and_its_page_give_no_angle_of_a_covered_knee():
    landmarks, _ = make_motion(jump_plan(3), "front", LIMBS)
    poses, clip = make_poses(landmarks), make_clip(landmarks, "P07_jumps.mp4")
    times_s = landmarks.t_s[::12]
    light = light_of(*COAT, looks=len(times_s))
    options = Options(limits=read_limits())
    people = link_people(poses, PeopleSettings())
    plain = analyse_people(clip, poses, people, options, "now")
    dressed = replace(poses, light=replace(light, t_s=times_s))
    analysis = analyse_people(clip, dressed, people, options, "now")
    assert [r.number for r in analysis.reps.reps] == [r.number for r in plain.reps.reps]
    fppa = [row for row in analysis.measures.measures if row.name == "fppa_peak_flexion"]
    assert fppa
    assert all(row.value is None for row in fppa)
    assert analysis.knee_angles is None
    text = read_page(report_html(analysis, key_pictures(analysis, {}), None)).text
    assert "Nothing of the leg's outline is seen at thigh and knee" in text
    assert "clothes" in text.lower()
