"""Two-leg jumps with the knees drawn up to the chest in flight."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="tuck_jump",
    title="Tuck jumps",
    name="tuck jumps",
    rep="tuck jump",
    rung=140,  # order of the ladder: common practice, no source
    feet=2,
    signs=(
        Sign("feet", 2, 2, 0.3),  # one speaks surely against it (choice)
        Sign("thigh_deg", 68, 180, 6),  # nearly level, 90, and above (choice)
        Sign("drop_legs", -2, 0.1, 0.04),  # not off a box: 0.08 m at most (choice)
    ),
    measures=("thigh_angle_peak",),
    findings=(*Entry.findings, "limb_offloading"),
    leading=("knee_flexion_peak", "thigh_angle_peak", "fppa_peak_flexion"),
)
