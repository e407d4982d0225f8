"""Running in place with each heel drawn up to the buttock."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="heel_kicks",
    title="Heel kicks to the buttock",
    name="heel kicks",
    rep="step",
    rung=110,
    feet=1,
    counted_in="seconds",
)
