"""What the day's plan says of which exercise a clip shows, on scenes seen from their joints."""

from __future__ import annotations

from dataclasses import replace

import pytest
from ladder_figures import analysed

from landing_analysis.report.header import header_facts
from landing_analysis.settings import Settings

SETTINGS = Settings()


def what(name: str, planned: tuple[str, ...], given: str | None = None) -> tuple[str | None, str]:
    decided = analysed(name, planned, given)[0].decided
    return decided.exercise, decided.exercise_origin


def test_from_the_side_alternating_jumps_are_told_from_bounds_by_how_little_they_come_nearer():
    alone, _ = analysed("tall_woman_alternating_jumps_side")
    assert alone.decided.exercise == "alternating_jump"
    assert alone.decided.exercise_confidence > SETTINGS.signs.sure_share


def test_where_the_motion_does_not_tell_surely_the_plan_does():
    name, plan = "tall_woman_alternating_jumps_side", ("sled_jump", "alternating_jump")
    nothing_tells_the_way_aside = replace(SETTINGS.signs, size_over_s=1e-6)
    unsure = replace(SETTINGS, signs=nothing_tells_the_way_aside)
    alone, _ = analysed(name, settings=unsure)
    assert alone.decided.exercise_confidence < SETTINGS.signs.sure_share
    planned, _ = analysed(name, plan, settings=unsure)
    assert (planned.decided.exercise, planned.decided.exercise_origin) == (plan[1], "plan")
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
