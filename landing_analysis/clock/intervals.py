"""Frame times -> what they say by themselves: the usual interval, gaps, another rate, real time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from landing_analysis.maths.signals import MAD_TO_SD, usual_steps_s
from landing_analysis.settings import ClockSettings
from landing_analysis.tables import FloatArray


@dataclass(frozen=True)
class Gap:
    """Frames are missing between two instants of the clip."""

    start_s: float
    end_s: float

    @property
    def length_s(self) -> float:
        """Time from the last frame before the gap to the first one after it."""
        return self.end_s - self.start_s


def find_gaps(t_s: FloatArray, settings: ClockSettings) -> tuple[Gap, ...]:
    """Find where frames are missing.

    Parameters
    ----------
    t_s : (n_frames,) seconds, increasing
    settings : ClockSettings

    Returns
    -------
    tuple of Gap
        Where an interval is longer than usual by ``settings.gap_share``, and longer than
        the clip's jitter. A frame that only came late is none: the next interval is then
        shorter by as much.
    """
    steps_s = np.diff(t_s)
    usual_s = usual_steps_s(t_s)
    jitter_s = MAD_TO_SD * float(np.median(np.abs(steps_s - usual_s)))
    padded = np.concatenate([[np.inf], steps_s, [np.inf]])
    with_shorter_s = steps_s + np.minimum(padded[:-2], padded[2:])
    long = steps_s > np.maximum(
        settings.gap_share * usual_s, usual_s + settings.jitter_sds * jitter_s
    )
    missing = long & (with_shorter_s > (1 + settings.gap_share) * usual_s)
    return tuple(Gap(float(t_s[k]), float(t_s[k + 1])) for k in np.flatnonzero(missing))


def rate_ratio(t_s: FloatArray) -> float:
    """Return the longest usual interval over the shortest: 1 for an even clip."""
    usual_s = usual_steps_s(t_s)
    return float(usual_s.max() / usual_s.min())


def slow_frames(t_s: FloatArray, settings: ClockSettings) -> FloatArray:
    """Return by how much each interval is longer than those of the fastest segment.

    Returns
    -------
    (n_frames - 1,) 1 in the fastest segment. If every frame was filmed at one rate, this
    is how many times slower than there the clip plays.
    """
    usual_s = usual_steps_s(t_s)
    slower: FloatArray = usual_s / usual_s.min()
    slower[slower < settings.other_rate_ratio] = 1.0
    return slower


def real_time_s(t_s: FloatArray, slowed_by: FloatArray | float) -> FloatArray:
    """Return the times of a slowed clip in real time, counted from its own first time.

    Parameters
    ----------
    t_s : (n_frames,) seconds of the clip
    slowed_by : (n_frames - 1,) for each interval, or one number for all
    """
    steps_s = np.diff(t_s) / slowed_by
    return np.concatenate([t_s[:1], t_s[0] + np.cumsum(steps_s)])
