"""Drop jumps: off a box, a landing and a rebound."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="drop_jump",
    title="Drop jumps",
    name="drop jumps",
    rep="drop jump",
    rung=130,
    feet=2,
)
