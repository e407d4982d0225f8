"""Two-leg jumps at body weight."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="jump",
    title="Two-leg jumps",
    name="jumps",
    rep="jump",
    rung=40,  # order of the ladder: common practice, no source
    feet=2,
    signs=(
        Sign("feet", 2, 2, 0.3),  # one speaks surely against it (choice)
        Sign("thigh_deg", -20, 50, 8),  # knees are not drawn up (choice)
        Sign("drop_legs", -2, 0.1, 0.04),  # not off a box: 0.08 m at most (choice)
    ),
    findings=(*Entry.findings, "limb_offloading"),
)
