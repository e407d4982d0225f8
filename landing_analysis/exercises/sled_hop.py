"""One-leg hops at reduced load, lying on a sled."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="sled_hop",
    title="One-leg hops on the sled",
    name="sled hops",
    rep="sled hop",
    rung=30,  # order of the ladder: common practice, no source
    feet=1,
    load="reduced",
    signs=(
        Sign("feet", 1, 1, 0.3),  # two speak surely against it (choice)
        Sign("changes_foot", 0, 0, 0.3),  # the other foot speaks surely against it (choice)
    ),
)
