"""Two-leg jumps with the knees drawn up to the chest in flight."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="tuck_jump",
    title="Tuck jumps",
    name="tuck jumps",
    rep="tuck jump",
    rung=140,
    feet=2,
)
