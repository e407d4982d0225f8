"""Landings held after a step off a box."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="step_down",
    title="Step-down landings",
    name="step-downs",
    rep="step-down",
    rung=120,
    feet=None,
    signs=(Sign("drop_legs", 0.17, 2, 0.04), Sign("rebounds", 0, 0, 0.3)),
)
