"""Drop jumps: off a box, a landing and a rebound."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="drop_jump",
    title="Drop jumps",
    name="drop jumps",
    rep="drop jump",
    rung=130,  # order of the ladder: common practice, no source
    feet=2,
    rebounds=True,
    signs=(
        Sign("feet", 2, 2, 0.3),  # one speaks surely against it (choice)
        Sign("drop_legs", 0.17, 2, 0.04),  # off a box of 0.14 m and more (choice)
        Sign("rebounds", 1, 1, 0.3),  # a held landing speaks surely against it (choice)
    ),
    findings=(*Entry.findings, "limb_offloading"),
)
