"""What an exercise is, in one declaration: all that the rest of the program knows of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

SignName = Literal[
    "feet",
    "changes_foot",
    "step_s",
    "thigh_deg",
    "shank_deg",
    "side_legs",
    "drop_legs",
    "own_drop_legs",
    "rebounds",
    "slide_legs",
]
"""What can be seen of one rep, see `reps.signs`."""


class AtLeast(float):
    """What was seen of a rep where more of it was not seen, and may have been larger."""


class Sign(NamedTuple):
    """A range in which what is seen of a rep speaks for an exercise.

    ``soft`` is how far outside the range it is as likely as not, in its own unit.
    """

    name: SignName
    low: float
    high: float
    soft: float

    def speaks_for(self, seen: Mapping[SignName, float], steepness: float) -> float:
        """Return from 0, surely against, to 1, surely for; one half where nothing was seen.

        Of a value that is only known to be no smaller, half of the most that it may say.
        """
        value = seen.get(self.name, math.nan)
        if math.isnan(value):
            return 0.5  # definition: neither for nor against
        if isinstance(value, AtLeast):
            most = max(float(value), 0.5 * (self.low + self.high))  # definition: the middle
            return 0.5 * self.speaks_for({self.name: most}, steepness)  # definition: half
        inside = min(value - self.low, self.high - value)  # negative outside
        return 1.0 / (1.0 + math.exp(-steepness * (inside / self.soft + 1.0)))


@dataclass(frozen=True)
class Entry:
    """One exercise of the impact programme.

    Attributes
    ----------
    code : as in tables, options and JSON; lower case with underscores
    title : how pages head its sets, "Two-leg jumps"
    name : the same in a running sentence, "jumps"
    rep : what is counted, in the singular, "jump"
    rung : its place on the ladder from reduced load to single-leg and quick; pages go by it
    feet : how many feet a rep lands on, None where it may be either
    load : what the landing carries
    counted_in : whether it is prescribed in reps or in seconds
    rebounds : whether each landing off a box is followed by one that is told apart from it
    stays_down : whether it may be done without leaving the ground
    signs : by which a rep is recognised, all of them; none where it must be given
    measures : that it has beyond the common ones, see `definitions`
    without : measures of its reps that would say nothing
    findings : names of the findings that its values are held against
    leading : its most telling measures, the first one that a clip shows leads
    """

    code: str
    title: str
    name: str
    rep: str
    rung: int
    feet: Literal[1, 2] | None
    load: Literal["body weight", "reduced"] = "body weight"
    counted_in: Literal["reps", "seconds"] = "reps"
    rebounds: bool = False
    stays_down: bool = False
    signs: tuple[Sign, ...] = ()
    measures: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    findings: tuple[str, ...] = (
        "knee_inward", "knee_outward", "target_flexion", "stiff_landing", "heel_first_landing",
        "knees_together", "side_difference", "long_ground_contact",
    )  # fmt: skip
    leading: tuple[str, ...] = ("knee_flexion_peak", "fppa_peak_flexion", "contact_time")

    def likeness(self, seen: Mapping[SignName, float], steepness: float) -> float:
        """Return how well a rep fits, 0 to 1: the weakest of its signs; 0 without any.

        ``steepness`` is how fast a sign stops to speak for it beyond the edge of its range.
        """
        return min((sign.speaks_for(seen, steepness) for sign in self.signs), default=0.0)
