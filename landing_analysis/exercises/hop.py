"""One-leg hops at body weight."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="hop",
    title="One-leg hops",
    name="hops",
    rep="hop",
    rung=60,
    feet=1,
)
