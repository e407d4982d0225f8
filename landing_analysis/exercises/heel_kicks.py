"""Running in place with each heel drawn up to the buttock."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="heel_kicks",
    title="Heel kicks to the buttock",
    name="heel kicks",
    rep="step",
    rung=110,  # order of the ladder: common practice, no source
    feet=1,
    counted_in="seconds",
    signs=(
        Sign("feet", 1, 1, 0.3),  # two speak surely against it (choice)
        Sign("changes_foot", 1, 1, 0.3),  # the same foot again speaks surely against it (choice)
        Sign("step_s", 0.1, 0.55, 0.06),  # 110 a minute and more (choice)
        Sign("thigh_deg", -60, 50, 6),  # hangs, well below level (choice)
        Sign("shank_deg", 92, 200, 6),  # level, 90, and above: the heel is drawn up (choice)
    ),
    measures=("step_rate", "thigh_angle_peak", "heel_height_peak"),
    without=("jump_height", "reactive_strength_index", "knee_flexion_target_difference"),
    findings=("knee_inward", "knee_outward", "side_difference", "long_ground_contact"),
    leading=("heel_height_peak", "contact_time", "flight_time"),
)
