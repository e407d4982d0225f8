"""Landings held after a step off a box."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="step_down",
    title="Step-down landings",
    name="step-downs",
    rep="step-down",
    rung=120,  # order of the ladder: common practice, no source
    feet=None,
    signs=(
        Sign("drop_legs", 0.17, 2, 0.04),  # off a box of 0.14 m and more (choice)
        Sign("rebounds", 0, 0, 0.3),  # a rebound speaks surely against it (choice)
    ),
)
