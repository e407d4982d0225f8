"""Which frames are worth a look, from what was seen in those that were looked at before.

First everybody in some twelve frames a second and, as soon as the looks around it are back, up to
sixty a second where somebody moves, or where not just one person is in view: both in one pass
over the clip. Then, in clips of more, every frame around what is timed or read at an instant.
In the first pass the detector is asked in the looks at everybody and midway between two of them;
one person in between is looked at in a window that is interpolated (`windows`).
What lies between two looks, in both of which the same person is alone, is interpolated, and
marked so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from landing_analysis.landmarks.windows import InWindow, between
from landing_analysis.progress import Progress
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    N_LANDMARKS,
    BoolArray,
    FloatArray,
    Frame,
    IntArray,
    Seen,
)

_PARTS = (
    *([LANDMARK[f"{limb}_{part}"] for part in ("ankle", "heel", "toe")] for limb in LIMBS),
    [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("hip", "knee")],
)
_LEGS = [[LANDMARK[f"{limb}_{part}"] for part in ("hip", "knee", "ankle")] for limb in LIMBS]
_GAPS_TO_TELL = 3  # definition: its own, and one on each side


def steps(fps: float, settings: PoseSettings) -> tuple[int, ...]:
    """Return, for each round, that each of its so many frames may be looked at; 1 at the end."""
    rates_hz = (settings.first_hz, settings.moving_hz)
    each = (step_of(fps, rate_hz, settings) for rate_hz in rates_hz)
    rounds = [step for step in each if step > 1]
    return (*rounds, 1)


def step_of(fps: float, rate_hz: float, settings: PoseSettings) -> int:
    """Return one of how many frames makes up a rate, at least 1."""
    return max(1, int(fps / rate_hz + settings.step_tolerance))


class _Look(NamedTuple):
    """What tells movement: whether one person was alone, and where hips, knees and feet were."""

    t_s: float
    alone: bool
    parts: FloatArray
    leg_px: float

    @classmethod
    def of(cls, seen: Seen) -> _Look:
        alone = len(seen.people) == 1
        body = seen.people[0, :, :2] if alone else np.full((N_LANDMARKS, 2), np.nan)
        legs = [np.linalg.norm(np.diff(body[leg], axis=0), axis=1).sum() for leg in _LEGS]
        parts = np.stack([body[part].mean(axis=0) for part in _PARTS])
        return cls(seen.t_s, alone, parts, float(max(legs)))

    def moved_px(self, to: _Look) -> float:
        return float(np.linalg.norm(to.parts - self.parts, axis=1).max())


class Movement:
    """Says of a moment, some looks later, whether somebody moves or not just one person is seen.

    Attributes
    ----------
    known_until_s : looks to come change nothing before this
    """

    def __init__(self, settings: PoseSettings) -> None:
        self._settings = settings
        self._looks: deque[_Look] = deque(maxlen=_GAPS_TO_TELL + 1)
        self._periods: deque[tuple[float, float]] = deque()
        self.known_until_s = -np.inf

    def add(self, seen: Seen) -> None:
        """Take in the next look."""
        self._looks.append(_Look.of(seen))
        if len(self._looks) == 1:
            self._periods.append((-np.inf, seen.t_s))
            return
        if len(self._looks) > 2:
            self._judge(self._looks[0], self._looks[-3], self._looks[-2], self._looks[-1])
        self.known_until_s = self._looks[-2].t_s - self._settings.around_motion_s

    def end(self) -> None:
        """Take in that no look follows."""
        looks = list(self._looks)[-3:]
        if len(looks) > 1:
            self._judge(looks[0], looks[-2], looks[-1], looks[-1])
        self._periods.append((looks[-1].t_s if looks else -np.inf, np.inf))
        self.known_until_s = np.inf

    def at(self, t_s: float) -> bool:
        """Say so of a moment before `known_until_s`; of later ones later."""
        while self._periods and self._periods[0][1] < t_s:
            self._periods.popleft()
        return any(start_s <= t_s <= end_s for start_s, end_s in self._periods)

    def _judge(self, first: _Look, before: _Look, after: _Look, last: _Look) -> None:
        """Tell of one gap whether the one person at both ends has not moved.

        Nor from one look further before it to one further after it: slow motion moves little
        in one gap.
        """
        moved_px = before.moved_px(after)
        if np.isfinite(further_px := first.moved_px(last)):
            moved_px = max(moved_px, further_px)
        still = moved_px < self._settings.moved_legs * after.leg_px
        if not (before.alone and after.alone and still):
            around_s = self._settings.around_motion_s
            self._periods.append((before.t_s - around_s, after.t_s + around_s))


class FirstPass:
    """Chooses frames while they stream by, each as soon as the looks around it are back.

    What is chosen depends on what was seen, and not on when it was known.

    Parameters
    ----------
    rounds : from `steps`
    known : what an earlier, stopped search has seen
    progress : told of every frame that may be looked at and is not
    settings : PoseSettings
    """

    def __init__(
        self,
        rounds: tuple[int, ...],
        known: Sequence[Seen],
        progress: Progress,
        settings: PoseSettings,
    ) -> None:
        self._everywhere, self._moving = rounds[0], rounds[:2][-1]
        per_gap = max(1, self._everywhere // self._moving)
        self._midway = self._moving * (per_gap // 2)
        self._known = {one.number: one for one in known}
        self._progress = progress
        self._settings = settings
        self._movement = Movement(settings)
        self._due: set[int] = set()  # of those with the detector
        self._detected: dict[int, Seen] = {}
        self._held: deque[Frame] = deque()  # until it can be told whether they are looked at
        self._windowless: deque[Frame] = deque()  # until the looks beside them are back
        self._most_held = max(1, per_gap - 1) * (_GAPS_TO_TELL + 1 + settings.workers)

    def chosen(self, frames: Iterable[Frame]) -> Iterator[Frame | InWindow | None]:
        """Yield the frames to be looked at; None to wait for an answer first.

        Parameters
        ----------
        frames : of the clip, in order, with the pictures of those that may be looked at
        """
        for frame in frames:
            if frame.number % self._everywhere == 0:
                yield from self._everybody(frame)
            elif frame.number % self._moving == 0:
                self._held.append(frame)
            yield from self._told()
            while self._due and len(self._held) + len(self._windowless) >= self._most_held:
                yield None
                yield from self._told()
        while self._due:
            yield None
            yield from self._told()
        self._movement.end()
        yield from self._told()
        while self._due:
            yield None
            yield from self._told()

    def noted(self, found: Iterable[Seen]) -> Iterator[Seen]:
        """Pass on what is seen, in the order in which it was asked for."""
        for one in found:
            if one.number in self._due:
                self._due.remove(one.number)
                self._take_in(one)
            yield one

    def _take_in(self, one: Seen) -> None:
        self._detected[one.number] = one
        if one.number % self._everywhere == 0:
            self._movement.add(one)

    def _everybody(self, frame: Frame) -> Iterator[Frame]:
        if frame.number in self._known:
            self._take_in(self._known[frame.number])
            self._progress.advance(1)
        else:
            self._due.add(frame.number)
            yield frame

    def _told(self) -> Iterator[Frame | InWindow]:
        """Yield of the frames that are held those with movement, as far as that can be told."""
        while self._held and self._held[0].t_s < self._movement.known_until_s:
            frame = self._held.popleft()
            midway = frame.number % self._everywhere == self._midway
            if not self._movement.at(frame.t_s):
                self._progress.advance(1)
            elif frame.number in self._known:
                if midway:
                    self._take_in(self._known[frame.number])
                self._progress.advance(1)
            elif midway:
                self._due.add(frame.number)
                yield frame
            else:
                self._windowless.append(frame)
        yield from self._with_windows()

    def _with_windows(self) -> Iterator[Frame | InWindow]:
        """Yield frames between two looks with the detector that are back, or that never were."""
        while self._windowless:
            frame = self._windowless[0]
            gap = frame.number - frame.number % self._everywhere
            midway, end = gap + self._midway, gap + self._everywhere
            if self._held and self._held[0].number <= midway:
                return
            if self._due & {gap, midway, end}:
                return
            self._windowless.popleft()
            before, after = (gap, midway) if frame.number < midway else (midway, end)
            yield self._in_window(
                frame,
                self._detected.get(before) or self._detected.get(gap),
                self._detected.get(after) or self._detected.get(end),
            )
            for number in [number for number in self._detected if number < gap]:
                del self._detected[number]

    def _in_window(self, frame: Frame, before: Seen | None, after: Seen | None) -> Frame | InWindow:
        """Return a frame with the window that the looks beside it give; without, if they do not."""
        if before is None or after is None:
            return frame
        window_px = between(before, after, frame.t_s, self._settings.most_window_change)
        return frame if window_px is None else InWindow(frame, window_px)


def timed_frames(
    numbers: IntArray,
    t_s: FloatArray,
    seen: Sequence[Seen],
    moments_s: FloatArray,
    settings: PoseSettings,
) -> BoolArray:
    """Say where a moment is near, or not just one person is seen at both neighbouring looks.

    Parameters
    ----------
    numbers, t_s : (n_frames,) of all frames
    seen : what was seen in some of them, in order
    moments_s : the times that count
    settings : PoseSettings

    Returns
    -------
    (n_frames,)
    """
    gap = np.searchsorted([one.number for one in seen], numbers)  # the one before that look
    around_s = settings.around_moment_s
    return _unknown(seen)[gap] | _within(t_s, moments_s - around_s, moments_s + around_s)


def mirrored_frames(
    t_s: FloatArray, lowest_s: Sequence[float], standing: BoolArray, settings: PoseSettings
) -> BoolArray:
    """Say which frames are looked at mirrored as well: about lowest points, and some of standing.

    Parameters
    ----------
    t_s : (n_frames,)
    lowest_s : of the landings
    standing : (n_frames,) where the body stands quietly
    settings : PoseSettings

    Returns
    -------
    (n_frames,)
    """
    chosen = np.zeros(len(t_s), dtype=bool)
    quiet = np.flatnonzero(standing)
    spread = np.linspace(0, len(quiet) - 1, min(settings.mirrored_standing, len(quiet)))
    chosen[quiet[spread.round().astype(int)]] = True
    steps = int(settings.mirrored_reach_s * settings.mirrored_hz)
    beside_s = np.arange(-steps, steps + 1) / settings.mirrored_hz
    for lowest in lowest_s:
        near = np.abs(t_s[:, None] - lowest - beside_s).argmin(axis=0) if len(t_s) else []
        chosen[near] = True
    return chosen


def _within(t_s: FloatArray, from_s: FloatArray, to_s: FloatArray) -> BoolArray:
    """Say which times lie in any of the periods, ends included."""
    changes = np.zeros(len(t_s) + 1, dtype=int)
    np.add.at(changes, np.searchsorted(t_s, from_s), 1)
    np.add.at(changes, np.searchsorted(t_s, to_s, side="right"), -1)
    return np.asarray(changes[:-1].cumsum() > 0)


def _unknown(seen: Sequence[Seen]) -> BoolArray:
    """Say of each gap whether what lies in it cannot be told from its ends."""
    alone = np.array([False, *(len(one.people) == 1 for one in seen), False])
    return np.asarray(~(alone[1:] & alone[:-1]))
