"""One-leg hops at body weight."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="hop",
    title="One-leg hops",
    name="hops",
    rep="hop",
    rung=60,  # order of the ladder: common practice, no source
    feet=1,
    signs=(
        Sign("feet", 1, 1, 0.3),  # two speak surely against it (choice)
        Sign("changes_foot", 0, 0, 0.3),  # the other foot speaks surely against it (choice)
        Sign("drop_legs", -2, 0.1, 0.04),  # not off a box: 0.08 m at most (choice)
    ),
)
