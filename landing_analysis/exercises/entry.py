"""What an exercise is, in one declaration: all that the rest of the program knows of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


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
    """

    code: str
    title: str
    name: str
    rep: str
    rung: int
    feet: Literal[1, 2] | None
    load: Literal["body weight", "reduced"] = "body weight"
    counted_in: Literal["reps", "seconds"] = "reps"
