"""One measure over all visits -> the line through them: what changes per four weeks, if anything.

A slow change shows in a line long before two visits differ by more than they can show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from landing_analysis.maths.lines import FittedLine, fit_line
from landing_analysis.settings import TrendSettings
from landing_analysis.trend.changes import why_not_comparable
from landing_analysis.trend.visits import VisitMean

DAYS = 28
"""The change is told per four weeks."""

_SETTINGS = TrendSettings()


@dataclass(frozen=True)
class Course:
    """The line through one limb's values, or limb against limb.

    ``visits`` are those it rests on, by day; ``left_out`` counts those of the series that are
    not filmed and analysed like the last one. The line's x is days since the first of them.
    """

    visits: tuple[VisitMean, ...]
    left_out: int
    line: FittedLine

    @property
    def per_four_weeks(self) -> float:
        """The change per four weeks, in the measure's unit."""
        return DAYS * self.line.slope

    @property
    def half_width(self) -> float:
        """Half of the 95 % interval of `per_four_weeks`."""
        return DAYS * self.line.reach * self.line.slope_sd

    @property
    def by_hand(self) -> bool:
        """Whether any of its visits rests on contacts or landmarks that a person set."""
        return any(visit.by_hand for visit in self.visits)

    @property
    def is_sure(self) -> bool:
        """Whether the interval leaves out zero: only then a change is put into words."""
        return abs(self.per_four_weeks) > self.half_width

    def at(self, days: float) -> tuple[float, float]:
        """Return the line's height some days after its first visit, and its band's half-width."""
        return self.line.at(days)


def course_of(
    series: Sequence[VisitMean], settings: TrendSettings = _SETTINGS
) -> Course | None:  # fmt: skip
    """Lay a line through a series of visits.

    Parameters
    ----------
    series : one measure of one limb, or limb against limb, by day
    settings : TrendSettings

    Returns
    -------
    Course or None with fewer than ``settings.fewest_visits`` visits like the last one

    Notes
    -----
    Each visit weighs by what is new at it (`VisitMean.varying_sd`) and by the visits' own
    scatter about the line, see `maths.lines.fit_line`. Limits: a straight line; a change that
    comes and goes within the visits is scatter to it.
    """
    alike = tuple(
        visit for visit in series if why_not_comparable(visit, series[-1], settings) is None
    )
    if len(alike) < settings.fewest_visits:
        return None
    days = [(visit.day - alike[0].day).days for visit in alike]
    values, sds = zip(*((visit.value, visit.varying_sd) for visit in alike), strict=True)
    if not all(math.isfinite(sd) and sd > 0 for sd in sds):
        return None
    return Course(alike, len(series) - len(alike), fit_line(days, values, sds))
