"""(Measures, TimeBase, rate) -> Measures without what the clip's clock cannot carry."""

from __future__ import annotations

from dataclasses import replace

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.measures.summaries import compare_sides, summarise
from landing_analysis.settings import ClockSettings
from landing_analysis.tables import (
    Limb,
    Measure,
    Measures,
    NotCompared,
    SetSummary,
    SideComparison,
    TimeBase,
)

_IN_SECONDS = {"s": 1.0, "ms": 0.001}
TIMES = frozenset(
    {name for name, item in DEFINITIONS.items() if item.unit in _IN_SECONDS}
    | {"jump_height", "reactive_strength_index"}
)
"""Measures that are times, or are worked out from times."""

SHORT_INTERVALS = ("landing_lead", "toe_to_heel_interval")
"""Measures of the order of 20 ms, less than a frame at slow rates."""


def withhold(
    measures: Measures,
    time_base: TimeBase,
    rate_hz: float,
    settings: ClockSettings,
    first_limb: Limb,
    shaken: str | None = None,
) -> Measures:
    """Take out what the time base leaves open and what the frame rate cannot show.

    Parameters
    ----------
    measures : Measures
    time_base : of the clip
    rate_hz : frames per second of life
    settings : ClockSettings
    first_limb : the limb that is named first in comparisons
    shaken : why the camera's motion leaves no times, None where it does

    Returns
    -------
    Measures
        With no time at all while the time base is in doubt or the camera shook; without
        intervals of the order of 20 ms below ``settings.timing_rate_hz``; and without a
        comparison of the limbs' times whose difference is less than one frame.
    """
    doubt = time_base.doubt or shaken
    rows = tuple(_row(row, doubt, rate_hz, settings) for row in measures.measures)
    summaries = summarise(rows)
    compared = compare_sides(rows, first_limb)
    kept = tuple(item for item in compared if not _within_a_frame(item, summaries, rate_hz))
    left_out = tuple(
        NotCompared(item.name, _frame_words(rate_hz)) for item in compared if item not in kept
    )
    return Measures(rows, summaries, kept, left_out)


def _row(row: Measure, doubt: str | None, rate_hz: float, settings: ClockSettings) -> Measure:
    if row.value is None:
        return row
    reason = None
    if doubt is not None and row.name in TIMES:
        reason = doubt
    elif row.name in SHORT_INTERVALS and rate_hz < settings.timing_rate_hz:
        reason = (
            f"one frame is {1000 / rate_hz:.0f} ms, more than what is asked for; "
            "film at 60 frames/s or more"
        )
    if reason is None:
        return row
    return replace(row, value=None, sd=None, parts=(), reason=f"not measurable: {reason}")


def _within_a_frame(
    item: SideComparison, summaries: tuple[SetSummary, ...], rate_hz: float
) -> bool:
    to_s = _IN_SECONDS.get(DEFINITIONS[item.name].unit)
    if to_s is None:
        return False
    means = [row.mean for row in summaries if row.name == item.name and row.limb is not None]
    return abs(means[0] - means[-1]) * to_s < 1.0 / rate_hz


def _frame_words(rate_hz: float) -> str:
    return f"the limbs differ by less than one frame ({1000 / rate_hz:.0f} ms)"
