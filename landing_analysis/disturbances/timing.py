"""(TimeBase, gaps, frame rate) -> Effect: what the clip's clock cannot carry."""

from __future__ import annotations

from landing_analysis.clock.intervals import Gap
from landing_analysis.definitions import TIMES
from landing_analysis.disturbances.effects import Effect, Suppressed, Unseen
from landing_analysis.reasons import Code, because
from landing_analysis.settings import ClockSettings
from landing_analysis.tables import TimeBase

SHORT_INTERVALS = frozenset({"inter_limb_delay", "toe_to_heel_interval"})
"""Measures of the order of 20 ms, less than a frame at slow rates."""


def timing_effect(
    time_base: TimeBase, gaps: tuple[Gap, ...], rate_hz: float, settings: ClockSettings
) -> Effect:
    """Say what the clock leaves open and what the frame rate cannot show.

    Parameters
    ----------
    time_base, gaps : of the clip
    rate_hz : frames per second of real time
    settings : ClockSettings

    Returns
    -------
    Effect
        No time at all while the time base is in doubt; no intervals of the order of 20 ms
        below ``settings.timing_rate_hz``; no comparison of the limbs' times whose
        difference is less than one frame; no reps in which frames are missing for longer
        than ``settings.void_gap_s``.
    """
    frame_ms = 1000.0 / rate_hz
    suppressed = [Suppressed(TIMES, time_base.doubt)] if time_base.doubt else []
    if rate_hz < settings.timing_rate_hz:
        reason = because(Code.SHORTER_THAN_A_FRAME, frame_ms=frame_ms)
        suppressed.append(Suppressed(SHORT_INTERVALS, reason))
    return Effect(
        unseen=tuple(
            Unseen(
                gap.start_s,
                gap.end_s,
                because(Code.FRAMES_MISSING_IN_REP, missing_s=gap.length_s),
            )
            for gap in gaps
            if gap.length_s > settings.void_gap_s
        ),
        suppressed=tuple(suppressed),
        least_difference_s=1.0 / rate_hz,
        too_alike=because(Code.LESS_THAN_A_FRAME_APART, frame_ms=frame_ms),
    )
