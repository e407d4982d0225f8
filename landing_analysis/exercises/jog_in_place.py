"""Jogging in place."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="jog_in_place",
    title="Jogging in place",
    name="jogging in place",
    rep="step",
    rung=90,  # order of the ladder: common practice, no source
    feet=1,
    counted_in="seconds",
    signs=(
        Sign("feet", 1, 1, 0.3),  # two speak surely against it (choice)
        Sign("changes_foot", 1, 1, 0.3),  # the same foot again speaks surely against it (choice)
        Sign("step_s", 0.1, 0.45, 0.04),  # 130 a minute and more; jogging has 150 to 180 (choice)
        Sign("thigh_deg", -20, 52, 6),  # stays well below level (choice)
        Sign("shank_deg", -30, 80, 6),  # stays below level (choice)
    ),
    measures=("step_rate", "thigh_angle_peak", "heel_height_peak"),
    without=("jump_height", "reactive_strength_index", "knee_flexion_target_difference"),
    findings=("knee_inward", "knee_outward", "side_difference", "long_ground_contact"),
    leading=("contact_time", "flight_time", "step_rate"),
)
