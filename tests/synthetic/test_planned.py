"""What the day's plan says of which exercise a clip shows, on scenes seen from their joints."""

from __future__ import annotations

import pytest
from ladder_figures import analysed

from landing_analysis.report.header import header_facts
from landing_analysis.settings import Settings


def what(name: str, planned: tuple[str, ...], given: str | None = None) -> tuple[str | None, str]:
    decided = analysed(name, planned, given)[0].decided
    return decided.exercise, decided.exercise_origin


def test_from_the_side_alternating_jumps_are_not_sure_and_the_plan_makes_them_so():
    name, plan = "tall_woman_alternating_jumps_side", ("sled_jump", "alternating_jump")
    alone, _ = analysed(name)
    assert alone.decided.exercise_confidence < Settings().signs.sure_share
    assert what(name, plan) == ("alternating_jump", "plan")
    planned, _ = analysed(name, plan)
    assert dict(header_facts(planned))["Exercise"].endswith("(exercise from the plan)")


@pytest.mark.parametrize("planned", [("jump",), ("sled_jump", "slide_board"), ("high_knees",)])
def test_a_plan_against_which_the_motion_speaks_surely_decides_nothing(planned):
    assert what("short_man_jog_side", planned) == ("jog_in_place", "detected")


def test_what_a_person_gave_wins_over_the_plan():
    assert what("short_man_jog_side", ("jog_in_place",), "high_knees") == ("high_knees", "given")


@pytest.mark.parametrize(
    ("planned", "origins"),
    [
        (("jog_in_place", "high_knees", "heel_kicks"), {"plan", "detected"}),
        (("jog_in_place",), {"detected"}),
    ],
)
@pytest.mark.parametrize("name", ["short_man_run", "slim_woman_run"])
def test_a_clip_of_several_exercises_stays_one(name, planned, origins):
    analysis, _ = analysed(name, planned)
    assert analysis.decided.exercise_origin in origins
    assert [bout.exercise for bout in analysis.reps.bouts] == [
        "jog_in_place", "high_knees", "heel_kicks", "jog_in_place"
    ]  # fmt: skip
