"""Drives from side to side on a slide board, without flight."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="slide_board",
    title="Slide board",
    name="slide board",
    rep="glide",
    rung=80,
    feet=1,
    counted_in="seconds",
    leading=("fppa_peak_flexion", "knee_flexion_peak", "contact_time"),
)
