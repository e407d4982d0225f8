"""One-leg hops at reduced load, lying on a sled."""

from landing_analysis.exercises.entry import Entry

EXERCISE = Entry(
    code="sled_hop",
    title="One-leg hops on the sled",
    name="sled hops",
    rep="sled hop",
    rung=30,  # order of the ladder: common practice, no source
    feet=1,
    load="reduced",
)
