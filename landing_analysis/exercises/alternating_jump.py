"""Jumps that leave from one leg and land on the other."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="alternating_jump",
    title="Alternating leg-to-leg jumps",
    name="alternating jumps",
    rep="jump",
    rung=50,
    feet=1,
)
