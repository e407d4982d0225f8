"""Two-leg jumps at reduced load, lying on a sled against elastic cords."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="sled_jump",
    title="Two-leg jumps on the sled",
    name="sled jumps",
    rep="sled jump",
    rung=10,  # order of the ladder: common practice, no source
    feet=2,
    load="reduced",
    signs=(
        Sign("feet", 2, 2, 0.3),  # one speaks surely against it (choice)
    ),
    findings=(*Entry.findings, "limb_offloading"),
)
