"""Bounds, or shifts of weight, from one leg to the other and back."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="lateral_bound",
    title="Lateral bounds in place",
    name="lateral bounds",
    rep="bound",
    rung=70,
    feet=1,
    counted_in="seconds",
)
