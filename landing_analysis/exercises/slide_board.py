"""Drives from side to side on a slide board, without flight."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="slide_board",
    title="Slide board",
    name="slide board",
    rep="glide",
    rung=80,  # order of the ladder: common practice, no source
    feet=1,
    counted_in="seconds",
    stays_down=True,
    signs=(
        Sign("feet", 1, 1, 0.3),  # two speak surely against it (choice)
        Sign("changes_foot", 1, 1, 0.3),  # the same foot again speaks surely against it (choice)
        Sign("slide_legs", 0.25, 9, 0.04),  # feet glide 0.2 m and more (choice)
    ),
    measures=("step_rate", "pelvis_travel", "pelvis_height", "drive_time", "glide_time"),
    without=("flight_time", "jump_height", "reactive_strength_index", "toe_to_heel_interval"),
    leading=("fppa_peak_flexion", "pelvis_height", "contact_time", "drive_time"),
)
