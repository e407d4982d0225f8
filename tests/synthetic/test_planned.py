"""What the day's plan says of which exercise a clip shows, on scenes seen from their joints."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from ladder_figures import figure
from stick_patient import make_clip, make_poses

from landing_analysis.landmarks.people import link_people
from landing_analysis.report.header import header_facts
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import Analysis


@cache
def analysed(name: str, planned: tuple[str, ...] = (), exercise: str | None = None) -> Analysis:
    landmarks, _ = figure(name)
    size = {"width_px": landmarks.width_px, "height_px": landmarks.height_px}
    clip, poses = replace(make_clip(landmarks, f"{name}.mp4"), **size), make_poses(landmarks)
    options = Options(planned=planned, exercise=exercise)
    return analyse_people(clip, poses, link_people(poses, Settings().people), options, "now")


def what(analysis: Analysis) -> tuple[str | None, str]:
    return analysis.decided.exercise, analysis.decided.exercise_origin


def test_from_the_side_alternating_jumps_are_not_sure_and_the_plan_makes_them_so():
    alone = analysed("tall_woman_alternating_jumps_side")
    assert alone.decided.exercise_confidence < Settings().signs.sure_share
    planned = analysed("tall_woman_alternating_jumps_side", ("sled_jump", "alternating_jump"))
    assert what(planned) == ("alternating_jump", "plan")
    assert dict(header_facts(planned))["Exercise"].endswith("(exercise from the plan)")


@pytest.mark.parametrize("planned", [("jump",), ("sled_jump", "slide_board"), ("high_knees",)])
def test_a_plan_against_which_the_motion_speaks_surely_decides_nothing(planned):
    assert what(analysed("short_man_jog_side", planned)) == ("jog_in_place", "detected")


def test_what_a_person_gave_wins_over_the_plan():
    analysis = analysed("short_man_jog_side", ("jog_in_place",), "high_knees")
    assert what(analysis) == ("high_knees", "given")


@pytest.mark.parametrize(
    ("planned", "origin"),
    [
        (("jog_in_place", "high_knees", "heel_kicks"), {"plan", "detected"}),
        (("jog_in_place",), {"detected"}),
    ],
)
def test_a_clip_of_several_exercises_stays_one(planned, origin):
    for name in ("short_man_run", "slim_woman_run"):
        analysis = analysed(name, planned)
        assert analysis.decided.exercise_origin in origin
        assert [bout.exercise for bout in analysis.reps.bouts] == [
            "jog_in_place", "high_knees", "heel_kicks", "jog_in_place"
        ]  # fmt: skip
