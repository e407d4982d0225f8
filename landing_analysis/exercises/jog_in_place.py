"""Jogging in place."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="jog_in_place",
    title="Jogging in place",
    name="jogging in place",
    rep="step",
    rung=90,
    feet=1,
    counted_in="seconds",
)
