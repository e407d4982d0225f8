"""Running in place with each thigh drawn up to level or above."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="high_knees",
    title="High knees",
    name="high knees",
    rep="step",
    rung=100,
    feet=1,
    counted_in="seconds",
)
