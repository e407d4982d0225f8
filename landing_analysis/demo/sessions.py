"""What was entered of the invented patients' visits: plans that climb, symptoms, ticks.

Every value is a choice that makes the pages show something; none comes from a patient.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from landing_analysis.demo.stories import Story

_FILMED = ("jump 6x8 rest 60 load body", "hop 2x8 rest 60 load body")
"""What is filmed at each visit (`invent`), and so in each plan."""

_LADDER: tuple[tuple[str, ...], ...] = (
    ("sled_jump 3x20 rest 60 load 3 red",),
    ("sled_jump 3x20 rest 45 load 2 red", "sled_alternating 2x20 rest 60 load 2 red"),
    ("sled_hop 3x20 rest 60 load 2 red", "lateral_bound 2x20s rest 60"),
    ("alternating_jump 3x20 rest 60 load body", "slide_board 2x20s rest 60"),
    ("lateral_bound 2x30s rest 60", "jog_in_place 2x20s rest 60"),
    ("jog_in_place 2x30s rest 45", "high_knees 2x20s rest 60", "heel_kicks 2x20s rest 60"),
    ("step_down 3x8 rest 60 box 20", "drop_jump 3x8 rest 60 box 20"),
)
"""What a visit's plan holds besides, visit after visit."""

_TICKS: tuple[tuple[str, ...], ...] = (
    (), ("sled_jump",), ("sled_alternating",), ("sled_hop",), ("jump", "slide_board"),
    ("lateral_bound",), ("jog_in_place",),
)  # fmt: skip

_CALM: dict[str, Any] = {
    "before": {"pain": 0, "effusion": "0", "soreness": "none"},
    "during": {"pain": 0, "soreness": "none"},
    "after": {"pain": 0, "effusion": "0", "soreness": "none"},
    "next_morning": {"pain": 0, "effusion": "0", "soreness": "none"},
}
_TOLD: dict[tuple[str, int], dict[str, Any]] = {
    ("DEMO1", 6): {
        "went_well": "You land quietly now, toes first.",
        "work_on": "Let the left knee bend as far as the right one.",
        "note": "new shoes",
    },
    ("DEMO3", 2): {
        "during": {"pain": 2, "soreness": "warm-up only"},
        "after": {"pain": 1, "effusion": "trace", "soreness": "none"},
        "modified": ["sled hops: two sets instead of three, ache below the kneecap"],
    },
    ("DEMO4", 6): {
        "before": {"pain": 1, "effusion": "trace", "soreness": "sore"},
        "during": {"pain": 4, "soreness": "throughout"},
        "after": {"pain": 3, "effusion": "1+", "soreness": "sore", "distress": "gave way once"},
        "modified": ["step-downs: from 10 cm instead of 20, on request"],
        "stopped": ["drop jumps: not begun, the knee gave way in a hop"],
        "note": "slept badly, long day on the feet before",
    },
    ("DEMO5", 4): {"during": {"pain": 0, "soreness": "warm-up only"}},
}
_WHO = "T1"
_FIRST_CONFIDENCE = 4


@dataclass(frozen=True)
class InventedSession:
    """What was entered of one visit, in the form of `sessions.session_of`, and its ticks."""

    day: date
    by: str
    plain: dict[str, Any]
    ticks: tuple[str, ...]


def invent_sessions(story: Story, last_day: date) -> Iterator[InventedSession]:
    """Yield the sessions of a story, in order; a story of one visit has none."""
    if len(story.days_before) < len(_LADDER):
        return
    for visit, before in enumerate(story.days_before):
        is_last = visit == len(story.days_before) - 1
        told = _TOLD.get((story.code, visit), {})
        states = {
            moment: {**values, **told.get(moment, {})}
            for moment, values in _CALM.items()
            if not (is_last and moment == "next_morning")
        }
        states["before"]["confidence"] = min(_FIRST_CONFIDENCE + visit, 9)
        yield InventedSession(
            day=last_day - timedelta(days=before),
            by=_WHO,
            plain={**told, "plan": [*_FILMED, *_LADDER[visit]], **states},
            ticks=_TICKS[visit],
        )
