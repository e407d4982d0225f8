"""Bounds, or shifts of weight, from one leg to the other and back."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="lateral_bound",
    title="Lateral bounds in place",
    name="lateral bounds",
    rep="bound",
    rung=70,  # order of the ladder: common practice, no source
    feet=1,
    counted_in="seconds",
    stays_down=True,
    signs=(
        Sign("feet", 1, 1, 0.3),  # two speak surely against it (choice)
        Sign("changes_foot", 1, 1, 0.3),  # the same foot again speaks surely against it (choice)
        Sign("step_s", 0.42, 5, 0.03),  # slower than jogging steps: 145 a minute (choice)
        Sign("side_legs", 0.45, 5, 0.06),  # 0.37 m and more (choice)
        Sign("slide_legs", -1, 0.15, 0.03),  # feet stay within 0.12 m while they stand (choice)
    ),
    measures=("step_rate", "pelvis_travel", "pelvis_height"),
    leading=("fppa_peak_flexion", "knee_flexion_peak", "contact_time"),
)
