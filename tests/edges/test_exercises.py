"""One place per exercise: what an entry says is all that the program knows of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from click.testing import CliRunner
from jumper import STATURE_M, jump_set
from stick_patient import make_analysis

from landing_analysis.commands.main import main
from landing_analysis.contacts.events import find_contacts
from landing_analysis.corrections import makes_sense
from landing_analysis.exercises import EXERCISES
from landing_analysis.exercises.entry import Entry, Sign
from landing_analysis.landmarks.view import estimate_view
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.pages.words import exercise_words
from landing_analysis.report.header import exercise_words as set_words
from landing_analysis.reps.grouping import group_reps
from landing_analysis.reps.recognising import recognise
from landing_analysis.settings import Settings
from landing_analysis.tracks.cleaning import clean_tracks
from landing_analysis.trend.alike import ONE_WAY

SETTINGS = Settings()
INVENTED = Entry(
    code="star_jump",
    title="Star jumps",
    name="star jumps",
    rep="star jump",
    rung=45,
    feet=2,
    signs=(Sign("feet", 2, 2, 0.3), Sign("thigh_deg", -20, 65, 3)),
    measures=("thigh_angle_peak",),
)


@pytest.fixture
def exercises() -> Iterator[dict[str, Entry]]:
    """The exercises, to be changed; afterwards they are as they were, and in their order."""
    kept = dict(EXERCISES)
    yield EXERCISES
    EXERCISES.clear()
    EXERCISES.update(kept)


@pytest.fixture
def star_jumps(exercises) -> Entry:
    exercises[INVENTED.code] = INVENTED
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


def test_an_exercise_that_is_added_is_recognised_and_measured(exercises, star_jumps):
    del exercises["jump"]  # whose signs the invented one has
    landmarks = jump_set([0.30, 0.33, 0.28], [0.28, 0.33], noise_px=1.5).landmarks
    tracks = clean_tracks(landmarks, SETTINGS.tracks, STATURE_M)
    view = estimate_view(landmarks, SETTINGS.view, "front")
    reps = group_reps(find_contacts(tracks, SETTINGS.contacts), tracks, SETTINGS.reps)
    reps = recognise(reps, tracks, view, SETTINGS.signs)
    assert [bout.exercise for bout in reps.bouts] == [INVENTED.code]
    names = {row.name for row in measure_reps(reps, tracks, view, SETTINGS).measures}
    assert "thigh_angle_peak" in names
    assert "step_rate" not in names
