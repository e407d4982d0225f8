"""Bounds, or shifts of weight, from one leg to the other and back."""

from landing_analysis.exercises.entry import Entry, Sign

EXERCISE = Entry(
    code="lateral_bound",
    title="Lateral bounds in place",
    name="lateral bounds",
    rep="bound",
    rung=70,
    feet=1,
    counted_in="seconds",
    stays_down=True,
    signs=(
        Sign("feet", 1, 1, 0.3),
        Sign("changes_foot", 1, 1, 0.3),
        Sign("step_s", 0.4, 5, 0.05),
        Sign("side_legs", 0.45, 5, 0.06),
        Sign("slide_legs", -1, 0.15, 0.03),
    ),
    measures=("step_rate", "pelvis_travel"),
    leading=("fppa_peak_flexion", "knee_flexion_peak", "contact_time"),
)
