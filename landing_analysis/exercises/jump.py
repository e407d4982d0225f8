"""Two-leg jumps at body weight."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="jump",
    title="Two-leg jumps",
    name="jumps",
    rep="jump",
    rung=40,
    feet=2,
)
