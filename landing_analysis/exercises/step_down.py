"""Landings held after a step off a box."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="step_down",
    title="Step-down landings",
    name="step-downs",
    rep="step-down",
    rung=120,
    feet=None,
)
