"""Landings from one leg to the other at reduced load, lying on a sled."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="sled_alternating",
    title="Alternating landings on the sled",
    name="alternating sled landings",
    rep="sled landing",
    rung=20,  # order of the ladder: common practice, no source
    feet=1,
    load="reduced",
    signs=(
        Sign("feet", 1, 1, 0.3),  # two speak surely against it (choice)
        Sign("changes_foot", 1, 1, 0.3),  # the same foot again speaks surely against it (choice)
    ),
)
