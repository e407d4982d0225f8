"""Falls of the body: those that may be flights, and when each takes off and lands."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from landing_analysis.contacts.body import flown_through
from landing_analysis.contacts.feet import Motion
from landing_analysis.maths.signals import close_gaps, runs
from landing_analysis.settings import ContactSettings
from landing_analysis.tables import Event


def falling_segments(motion: Motion, settings: ContactSettings) -> list[tuple[int, int]]:
    """Return candidate flights: the body's middle falls, and somewhere in it falls freely."""
    g = motion.pull_m_s2
    with np.errstate(invalid="ignore"):
        falling = motion.body_acceleration < -settings.falling_share * g
        descending = motion.body_acceleration < -settings.falling_edge_share * g
    descending = close_gaps(motion.t_s, descending, settings.falling_gap_s)
    return [
        (first, last)
        for first, last in _one_flight(motion, runs(descending), settings)
        if falling[first : last + 1].any()
        and motion.t_s[last] - motion.t_s[first] >= 0.5 * settings.min_flight_s
    ]


def _one_flight(
    motion: Motion, segments: list[tuple[int, int]], settings: ContactSettings
) -> list[tuple[int, int]]:
    """Join falls between which the centre of mass flew on: nothing was landed on there.

    Knees drawn up to the chest and stretched out again make the body's middle fall faster and
    slower than the body.
    """
    joined: list[tuple[int, int]] = []
    for first, last in segments:
        if joined:
            before = joined[-1]
            gap = (before[1] + 1, first - 1)
            flown = flown_through(motion.t_s, motion.mass_m, before[0], gap, last, motion.pull_m_s2)
            if flown > settings.flown_share:
                joined[-1] = (before[0], last)
                continue
        joined.append((first, last))
    return joined


def falls_freely(motion: Motion, segment: tuple[int, int], settings: ContactSettings) -> bool:
    """Say whether the body falls so fast and so long that nothing can carry it."""
    first, last = segment
    mean = float(np.nanmean(motion.body_acceleration[first : last + 1]))
    long = float(motion.t_s[last] - motion.t_s[first]) >= settings.sure_fall_s
    return long and mean < -settings.sure_fall_share * motion.pull_m_s2


class BodyEvents(NamedTuple):
    """Take-off and landing as the body shows them.

    ``off_until_s`` is later than take-off where the body began to fall more than once, as it
    may while the heel rises: a foot may have left at any of these beginnings.
    """

    off: Event
    off_until_s: float
    on: Event

    @property
    def last_off(self) -> Event:
        """When the last foot left: what interrupts a fall is that a foot still carries the body.

        Half of the time since it began first is its uncertainty, besides.
        """
        since_s = self.off_until_s - self.off.t_s
        return Event(self.off_until_s, float(np.hypot(self.off.sd_s, 0.5 * since_s)))


def body_events(motion: Motion, segment: tuple[int, int], settings: ContactSettings) -> BodyEvents:
    """Read take-off and landing from the body alone: where it begins and ends to fall.

    Its acceleration crosses the level of a fall between two frames.
    """
    first, last = segment
    level = -settings.falling_edge_share * motion.pull_m_s2
    rising = motion.body_acceleration[first : (first + last) // 2] >= level
    again = first + int(np.flatnonzero(rising)[-1]) + 1 if rising.any() else first
    late_s = settings.body_off_late_s
    return BodyEvents(
        Event(_crossed_s(motion, first - 1, level) + late_s, settings.body_off_sd_s),
        _crossed_s(motion, again - 1, level) + late_s,
        Event(_crossed_s(motion, last, level) - settings.body_on_early_s, settings.body_on_sd_s),
    )


def _crossed_s(motion: Motion, frame: int, level: float) -> float:
    """Return when the body's acceleration crosses a level between a frame and the next one.

    Halfway where it is not seen to do so.
    """
    t_s = motion.t_s
    if not 0 <= frame < len(t_s) - 1:
        beyond = 0.5 if frame >= 0 else -0.5  # definition: halfway
        return float(t_s[max(frame, 0)]) + beyond * motion.frame_s
    before, after = motion.body_acceleration[frame : frame + 2] - level
    share = before / (before - after) if before * after < 0 else 0.5  # definition: halfway
    return float(t_s[frame] + share * (t_s[frame + 1] - t_s[frame]))
