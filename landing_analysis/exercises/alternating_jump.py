"""Jumps that leave from one leg and land on the other."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="alternating_jump",
    title="Alternating leg-to-leg jumps",
    name="alternating jumps",
    rep="jump",
    rung=50,
    feet=1,
    signs=(
        Sign("feet", 1, 1, 0.3),
        Sign("changes_foot", 1, 1, 0.3),
        Sign("step_s", 0.5, 5, 0.04),
        Sign("side_legs", -1, 0.35, 0.06),
    ),
    measures=("step_rate",),
)
