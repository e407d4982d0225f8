"""Drop jumps: off a box, a landing and a rebound."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="drop_jump",
    title="Drop jumps",
    name="drop jumps",
    rep="drop jump",
    rung=130,
    feet=2,
    rebounds=True,
    signs=(
        Sign("feet", 2, 2, 0.3),
        Sign("drop_legs", 0.17, 2, 0.04),
        Sign("rebounds", 1, 1, 0.3),
    ),
    findings=(*Entry.findings, "limb_offloading"),
)
