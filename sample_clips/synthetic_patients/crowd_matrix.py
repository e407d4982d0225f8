"""The matrix's conditions of up to 60 frames/s, each on a body that no angle was fitted to."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from synthetic_patients.crowd import Member, dressed_body, patient_of, strangers
from synthetic_patients.matrix import (
    CONDITIONS,
    FREE_LEGS,
    INTERLUDES,
    Condition,
    Entry,
    film_entry,
    play_entry,
    scene_of,
)

SERIES = 91_000
"""Start of the seeds, and what bodies are chosen by; raise it once these scenes were looked at."""
REDRAWN: dict[str, int] = {
    "crowd_02_jumps_front": 1,
    "crowd_05_jumps_front_yaw": 1,
    "crowd_24_jumps_front_roll_high": 1,
    "crowd_46_jumps_side_deep": 1,
    "crowd_15_jumps_front_pause": 1,
}
"""Redraws of what the body cannot do."""
_HIGHEST_FPS = 60.0


def _entry(condition: Condition, number: int, member: Member) -> Entry:
    name = f"{member.name}_{condition.name}"
    seed = SERIES + 1000 * member.number + 100 * REDRAWN.get(name, 0) + number
    sign = 1.0 if np.random.default_rng([seed, 9]).random() < 0.5 else -1.0
    scene = scene_of(condition, name, patient_of(member), seed, sign)
    return Entry(scene, condition.name, "others")


def _matrix() -> dict[str, tuple[Entry, Member]]:
    conditions = [c for c in (*CONDITIONS, *INTERLUDES, *FREE_LEGS) if c.fps <= _HIGHEST_FPS]
    pairs = zip(conditions, strangers(SERIES), strict=False)
    entries = (
        (_entry(condition, number, member), member)
        for number, (condition, member) in enumerate(pairs, start=1)
    )
    return {entry.name: (entry, member) for entry, member in entries}


CROWD_MATRIX: dict[str, tuple[Entry, Member]] = _matrix()
"""All scenes by name, with who performs them."""


def film_crowd_entry(
    name: str, bodies: Path, folder: Path, advance: Callable[[], None] = lambda: None
) -> Path:
    """Render a scene into ``folder``: clip and truth."""
    entry, member = CROWD_MATRIX[name]
    return film_entry(entry, play_entry(entry, dressed_body(member, bodies)), folder, advance)
