"""One place per exercise: what an entry says is all that the program knows of it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from click.testing import CliRunner
from stick_patient import make_analysis

from landing_analysis.commands.main import main
from landing_analysis.corrections import makes_sense
from landing_analysis.exercises import EXERCISES
from landing_analysis.exercises.entry import Entry
from landing_analysis.pages.words import exercise_words
from landing_analysis.report.parts import exercise_words as set_words
from landing_analysis.trend.alike import ONE_WAY

INVENTED = Entry(
    code="star_jump", title="Star jumps", name="star jumps", rep="star jump", rung=45, feet=2
)


@pytest.fixture
def star_jumps(monkeypatch) -> Entry:
    monkeypatch.setitem(EXERCISES, INVENTED.code, INVENTED)
    return INVENTED


def test_codes_are_those_of_their_entries_in_the_order_of_the_ladder():
    assert [one.code for one in EXERCISES.values()] == list(EXERCISES)
    rungs = [one.rung for one in EXERCISES.values()]
    assert rungs == sorted(set(rungs))
    assert {"jump", "hop", "sled_jump", "slide_board", "high_knees"} <= set(EXERCISES)


def test_an_exercise_that_is_added_is_known_everywhere(star_jumps):
    assert makes_sense("exercise", star_jumps.code)
    analysis = make_analysis()
    decided = replace(analysis.decided, exercise=star_jumps.code)
    reps = tuple(replace(rep, exercise=star_jumps.code) for rep in analysis.reps.reps)
    done = replace(analysis, decided=decided, reps=replace(analysis.reps, reps=reps))
    assert set_words(done) == exercise_words(star_jumps.code, ONE_WAY) == "Star jumps"


def test_every_exercise_can_be_given_by_option():
    told = CliRunner().invoke(main, ["analyse", "--help"]).output
    assert all(code.replace("_", "-") in told.replace("\n", "") for code in EXERCISES if code)
