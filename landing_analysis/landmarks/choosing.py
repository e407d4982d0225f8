"""Which frames are worth a look, from what was seen in those that were looked at before.

A clip is looked at in rounds: first everybody in some twelve frames a second; then up to sixty
a second where somebody moves, or where not just one person is in view; then, in clips of
more, every frame around what is timed or read at an instant. What lies between two looks, in both
of which the same person is alone, is interpolated, and marked so.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from landing_analysis.settings import PoseSettings
from landing_analysis.tables import LANDMARK, LIMBS, BoolArray, FloatArray, IntArray, Seen

_PARTS = (
    *([LANDMARK[f"{limb}_{part}"] for part in ("ankle", "heel", "toe")] for limb in LIMBS),
    [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("hip", "knee")],
)
_LEGS = [[LANDMARK[f"{limb}_{part}"] for part in ("hip", "knee", "ankle")] for limb in LIMBS]


def steps(fps: float, settings: PoseSettings) -> tuple[int, ...]:
    """Return, for each round, that each of its so many frames may be looked at; 1 at the end."""
    rates_hz = (settings.first_hz, settings.moving_hz)
    each = (step_of(fps, rate_hz, settings) for rate_hz in rates_hz)
    rounds = [step for step in each if step > 1]
    return (*rounds, 1)


def step_of(fps: float, rate_hz: float, settings: PoseSettings) -> int:
    """Return one of how many frames makes up a rate, at least 1."""
    return max(1, int(fps / rate_hz + settings.step_tolerance))


def moving_frames(
    numbers: IntArray, t_s: FloatArray, seen: Sequence[Seen], settings: PoseSettings
) -> BoolArray:
    """Say where somebody moves, or not just one person is seen at both neighbouring looks.

    Parameters
    ----------
    numbers, t_s : (n_frames,) of all frames
    seen : what was seen in some of them, in order
    settings : PoseSettings

    Returns
    -------
    (n_frames,)
    """
    looks, gap = _gaps(numbers, seen)
    unknown = _unknown(seen)
    moving = unknown | ~_still(seen, settings)
    begins = np.flatnonzero(moving[1:-1])
    look_s = t_s[looks]
    around_s = settings.around_motion_s
    return unknown[gap] | _within(t_s, look_s[begins] - around_s, look_s[begins + 1] + around_s)


def timed_frames(
    numbers: IntArray,
    t_s: FloatArray,
    seen: Sequence[Seen],
    moments_s: FloatArray,
    settings: PoseSettings,
) -> BoolArray:
    """Say where a moment is near, or not just one person is seen at both neighbouring looks.

    Parameters and result as of `moving_frames`; ``moments_s`` are the times that count.
    """
    _, gap = _gaps(numbers, seen)
    around_s = settings.around_moment_s
    return _unknown(seen)[gap] | _within(t_s, moments_s - around_s, moments_s + around_s)


def _within(t_s: FloatArray, from_s: FloatArray, to_s: FloatArray) -> BoolArray:
    """Say which times lie in any of the periods, ends included."""
    changes = np.zeros(len(t_s) + 1, dtype=int)
    np.add.at(changes, np.searchsorted(t_s, from_s), 1)
    np.add.at(changes, np.searchsorted(t_s, to_s, side="right"), -1)
    return np.asarray(changes[:-1].cumsum() > 0)


def _gaps(numbers: IntArray, seen: Sequence[Seen]) -> tuple[list[int], list[int]]:
    """Return the index of the frame of each look, and for each frame the gap it lies in.

    Gap k lies before look k; the last one behind all of them.
    """
    looked = [one.number for one in seen]
    return (
        np.searchsorted(numbers, looked).tolist(),
        np.searchsorted(looked, numbers).tolist(),
    )


def _unknown(seen: Sequence[Seen]) -> BoolArray:
    """Say of each gap whether what lies in it cannot be told from its ends."""
    alone = np.array([False, *(len(one.people) == 1 for one in seen), False])
    return np.asarray(~(alone[1:] & alone[:-1]))


def _still(seen: Sequence[Seen], settings: PoseSettings) -> BoolArray:
    """Say of each gap whether the one person at both ends has not moved.

    Nor from one look further before it to one further after it: slow motion moves little
    in one gap.
    """
    bodies = np.array(
        [one.people[0, :, :2] if len(one.people) == 1 else np.full((33, 2), np.nan) for one in seen]
    ).reshape(-1, 33, 2)
    legs = [np.linalg.norm(np.diff(bodies[:, leg], axis=1), axis=2).sum(axis=1) for leg in _LEGS]
    leg_px = np.fmax(*legs)
    parts = np.stack([bodies[:, part].mean(axis=1) for part in _PARTS], axis=1)
    still = np.zeros(len(seen) + 1, dtype=bool)
    for gap in range(1, len(seen)):
        around = parts[max(gap - 2, 0) : gap + 2]
        moved_px = max(
            np.linalg.norm(parts[gap] - parts[gap - 1], axis=1).max(),
            np.linalg.norm(around[-1] - around[0], axis=1).max(),
        )
        still[gap] = moved_px < settings.moved_legs * leg_px[gap]
    return still
