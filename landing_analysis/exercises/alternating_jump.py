"""Jumps that leave from one leg and land on the other."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="alternating_jump",
    title="Alternating leg-to-leg jumps",
    name="alternating jumps",
    rep="jump",
    rung=50,  # order of the ladder: common practice, no source
    feet=1,
    signs=(
        Sign("feet", 1, 1, 0.3),  # two speak surely against it (choice)
        Sign("changes_foot", 1, 1, 0.3),  # the same foot again speaks surely against it (choice)
        Sign("step_s", 0.5, 5, 0.04),  # slower than running steps (choice)
        Sign("side_legs", -1, 0.35, 0.06),  # less to the side than a bound (choice)
    ),
    measures=("step_rate",),
)
