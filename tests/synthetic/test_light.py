"""Brightness and contrast read from drawn pictures whose grey levels are known."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from stick_patient import jump_plan, make_motion, make_poses

from landing_analysis.landmarks.light import light_of_person, measure_light, watch_light
from landing_analysis.landmarks.people import link_people
from landing_analysis.settings import LookSettings, PeopleSettings
from landing_analysis.tables import LANDMARK, LIGHT_PARTS, LIMBS, Frame

LANDMARKS, _ = make_motion(jump_plan(2), "front", LIMBS)
POSES = make_poses(LANDMARKS)
LEVEL_TOLERANCE = 1.0  # grey levels: rounding to whole ones

_SEGMENTS = [(f"{limb}_{a}", f"{limb}_{b}") for limb in LIMBS
             for a, b in (("shoulder", "hip"), ("hip", "knee"), ("knee", "ankle"),
                          ("ankle", "toe"), ("ankle", "heel"))]  # fmt: skip


def _picture(frame: int, body: int, around: int, thickness: int = 40) -> np.ndarray:
    rgb = np.full((POSES.height_px, POSES.width_px, 3), around, np.uint8)
    points = np.rint(POSES.xy_px[frame, 0]).astype(int)
    for start, end in _SEGMENTS:
        ends = [tuple(int(x) for x in points[LANDMARK[name]]) for name in (start, end)]
        cv2.line(rgb, *ends, (body,) * 3, thickness)
    return rgb


def _frames(body: int, around: int, every: int = 1, **drawn):
    for number in range(0, len(POSES.t_s), every):
        yield Frame(number, float(POSES.t_s[number]), _picture(number, body, around, **drawn))


def _light(body: int, around: int, **drawn):
    looks = []
    for _ in watch_light(_frames(body, around, every=6, **drawn), looks, LookSettings()):
        pass
    return measure_light(looks, POSES, LookSettings())


@pytest.mark.parametrize(("body", "around"), [(60, 190), (10, 250), (25, 30)])
def test_the_grey_levels_of_body_and_background_are_read(body, around):
    light = _light(body, around)
    assert_allclose(np.median(light.body_levels), body, atol=LEVEL_TOLERANCE)
    assert_allclose(np.median(light.around_levels), around, atol=LEVEL_TOLERANCE)


def test_the_contrast_is_that_of_the_leg_against_what_is_behind_it():
    light = _light(60, 190)
    assert light.contrast_levels.shape == (len(light.t_s), 1, 2 * len(LIGHT_PARTS))
    assert_allclose(np.median(light.contrast_levels, axis=0), 130, atol=LEVEL_TOLERANCE)


def test_cloth_wider_than_the_knee_leaves_no_contrast_there():
    light = _light(60, 190, thickness=200)
    knee, thigh_12cm = (
        light.contrast_levels[:, 0, [place, place + len(LIGHT_PARTS)]]
        for place in map(LIGHT_PARTS.index, ("knee", "thigh_12cm"))
    )
    assert_allclose(np.median(knee), 0, atol=LEVEL_TOLERANCE)
    assert np.median(thigh_12cm) >= 0


def test_a_floor_that_changes_in_front_of_the_feet_is_told_from_a_still_one():
    floor_row = int(np.nanmax(POSES.xy_px[:, 0, :, 1]))
    middle = int(POSES.xy_px[0, 0, LANDMARK["left_heel"], 0])

    def frames(flicker: int):
        for number in range(0, len(POSES.t_s), 6):
            rgb = _picture(number, 60, 190)
            rgb[floor_row + 30 :, middle - 150 : middle + 150] = 120 + flicker * (number // 12 % 2)
            yield Frame(number, float(POSES.t_s[number]), rgb)

    for flicker, low, high in ((0, 0, 1), (40, 15, 45)):
        looks = []
        for _ in watch_light(frames(flicker), looks, LookSettings()):
            pass
        in_front, beside = np.nanmedian(
            measure_light(looks, POSES, LookSettings()).floor_levels[:, 0], axis=0
        )
        assert low <= in_front <= high
        assert beside <= 1


def test_frames_pass_unchanged_and_in_order():
    looks = []
    frames = list(_frames(60, 190, every=30))
    passed = list(watch_light(iter(frames), looks, LookSettings()))
    assert [frame.number for frame in passed] == [frame.number for frame in frames]
    assert all(one.rgb is other.rgb for one, other in zip(passed, frames, strict=True))


def test_a_long_clip_is_looked_at_a_bounded_number_of_times_from_start_to_end():
    grey = np.full((48, 27, 3), 90, np.uint8)
    looks = []
    for _ in watch_light((Frame(k, k / 10.0, grey) for k in range(20_000)), looks, LookSettings()):
        pass
    assert 64 <= len(looks) <= 128
    steps_s = np.diff([look.t_s for look in looks])
    assert looks[0].t_s == 0.0
    assert 2000.0 - looks[-1].t_s < 2 * steps_s.max()


def test_nobody_in_the_picture_leaves_levels_missing():
    nobody = replace(POSES, xy_px=np.full_like(POSES.xy_px, np.nan))
    looks = []
    for _ in watch_light(_frames(60, 190, every=60), looks, LookSettings()):
        pass
    light = measure_light(looks, nobody, LookSettings())
    assert np.isnan(light.body_levels).all()
    assert np.isnan(light.contrast_levels).all()


def test_a_person_at_the_edge_of_the_picture_is_read_as_far_as_they_are_in_it():
    aside = replace(POSES, xy_px=POSES.xy_px + np.array([0.9 * POSES.width_px, 0.0]))
    looks = []
    for _ in watch_light(_frames(60, 190, every=60), looks, LookSettings()):
        pass
    light = measure_light(looks, aside, LookSettings())
    assert np.isfinite(light.around_levels).all()


@pytest.mark.parametrize("shift", [(-3, 0), (3, 0), (0, -3), (0, 3)])
def test_a_person_whom_the_model_puts_outside_the_picture_has_no_contrast(shift):
    away = np.array(shift) * [POSES.width_px, POSES.height_px]
    looks = []
    for _ in watch_light(_frames(60, 190, every=60), looks, LookSettings()):
        pass
    light = measure_light(looks, replace(POSES, xy_px=POSES.xy_px + away), LookSettings())
    assert np.isnan(light.contrast_levels).all()
    assert np.isnan(light.floor_levels).all()


def test_no_frames_and_frames_that_were_left_out_give_no_light():
    assert measure_light([], POSES, LookSettings()) is None
    looks = []
    for _ in watch_light(iter([Frame(0, -5.0, _picture(0, 60, 190))]), looks, LookSettings()):
        pass
    assert measure_light(looks, POSES, LookSettings()) is None


def test_each_person_gets_the_light_of_the_slot_they_were_seen_in():
    light = _light(60, 190)
    empty = np.full_like(POSES.xy_px, np.nan)
    even = (np.arange(len(POSES.t_s)) % 2 == 0)[:, None, None, None]
    both = replace(
        POSES,
        xy_px=np.concatenate([np.where(even, POSES.xy_px, empty),
                              np.where(even, empty, POSES.xy_px)], axis=1),
        visibility=np.repeat(POSES.visibility, 2, axis=1),
        world_m=np.repeat(POSES.world_m, 2, axis=1),
    )  # fmt: skip
    frames = np.searchsorted(POSES.t_s, light.t_s)
    mark = np.where(frames % 2 == 0, 60.0, 61.0)
    levels = np.stack([mark, mark], axis=1)
    levels[frames % 2 == 0, 1] = np.nan
    levels[frames % 2 == 1, 0] = np.nan
    slots = replace(
        light, body_levels=levels, around_levels=np.repeat(light.around_levels, 2, axis=1),
        contrast_levels=np.repeat(light.contrast_levels, 2, axis=1),
        floor_levels=np.repeat(light.floor_levels, 2, axis=1),
    )  # fmt: skip
    person = link_people(both, PeopleSettings())[0]
    of_person = light_of_person(replace(both, light=slots), person, PeopleSettings())
    assert_allclose(of_person.body_levels[:, 0], mark, rtol=0)
    assert light_of_person(POSES, person, PeopleSettings()) is None
