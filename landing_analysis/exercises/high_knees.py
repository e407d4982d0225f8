"""Running in place with each thigh drawn up to level or above."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="high_knees",
    title="High knees",
    name="high knees",
    rep="step",
    rung=100,  # order of the ladder: common practice, no source
    feet=1,
    counted_in="seconds",
    signs=(
        Sign("feet", 1, 1, 0.3),  # two speak surely against it (choice)
        Sign("changes_foot", 1, 1, 0.3),  # the same foot again speaks surely against it (choice)
        Sign("step_s", 0.1, 0.55, 0.06),  # 110 a minute and more (choice)
        Sign("thigh_deg", 62, 180, 6),  # nearly level, 90, and above (choice)
    ),
    measures=("step_rate", "thigh_angle_peak", "heel_height_peak", "hip_lead_time"),
    without=("jump_height", "reactive_strength_index", "knee_flexion_target_difference"),
    findings=("knee_inward", "knee_outward", "side_difference", "long_ground_contact"),
    leading=("thigh_angle_peak", "contact_time", "flight_time"),
)
