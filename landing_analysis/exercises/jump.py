"""Two-leg jumps at body weight."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="jump",
    title="Two-leg jumps",
    name="jumps",
    rep="jump",
    rung=40,
    feet=2,
    signs=(
        Sign("feet", 2, 2, 0.3),
        Sign("thigh_deg", -20, 65, 10),
        Sign("drop_legs", -2, 0.1, 0.04),
    ),
    findings=(*Entry.findings, "limb_offloading"),
)
