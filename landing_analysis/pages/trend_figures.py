"""Visits -> a plot of both limbs over time, with limb against limb below; computes no measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from landing_analysis.definitions import DEFINITIONS, printed_unit, printed_value
from landing_analysis.findings.judging import COVERAGE
from landing_analysis.pages.history import History
from landing_analysis.pages.words import short_day
from landing_analysis.report.figures import unit_words
from landing_analysis.report.style import (
    INK,
    MUTED,
    PALE,
    RULE,
    LimbStyle,
    Margins,
    limb_style,
    new_figure,
)
from landing_analysis.tables import Limb, other_limb
from landing_analysis.trend.changes import Followed, series_of, why_not_comparable
from landing_analysis.trend.courses import Course, course_of
from landing_analysis.trend.visits import VisitMean

LSI_LINE_PCT = 90.0
"""Conventional line of return-to-sport batteries, for instance Welling W et al. Knee Surg
Sports Traumatol Arthrosc 2018;26:3636-3644."""

_WIDTH_IN, _LIMBS_IN, _SIDES_IN = 4.6, 2.1, 1.5
_CLOSEST_TICKS_IN = 0.52
_RIGHT_IN = 0.42  # room for the name of a line
_DODGE_WEEKS = 0.07
_COURSE_POINTS = 33


@dataclass(frozen=True)
class Panel:
    """One measure over the visits.

    ``start`` is the day from which weeks are counted; ``limbs`` holds each limb's visits
    by day, None being the whole body, and ``sides`` limb against limb; ``courses`` and
    ``side_course`` are the lines through them, where there are enough visits.
    """

    name: str
    start: date
    since: str
    surgical_side: Limb | None
    limbs: dict[Limb | None, tuple[VisitMean, ...]]
    sides: tuple[VisitMean, ...]
    courses: dict[Limb | None, Course]
    side_course: Course | None


def panel_of(history: History, what: Followed) -> Panel:
    """Return what the plot of one measure over the visits shows."""
    limbs: dict[Limb | None, tuple[VisitMean, ...]] = {}
    for limb in (history.lead_limb, other_limb(history.lead_limb), None):
        found = series_of(history.visits, what, limb)
        if found:
            limbs[limb] = found
    surgery = history.patient.surgery_date
    sides = series_of(history.sides, what, history.lead_limb)
    return Panel(
        name=what.name,
        start=surgery or history.days[0],
        since="surgery" if surgery else "the first visit",
        surgical_side=history.patient.surgical_side,
        limbs=limbs,
        sides=sides,
        courses={
            limb: course for limb, visits in limbs.items() if (course := course_of(visits))
        },
        side_course=course_of(sides),
    )  # fmt: skip


def trend_figure(panel: Panel) -> Figure:
    """Draw a measure over the visits with 95 % intervals.

    Thin lines join only visits that can be compared; the line through all of them lies in its
    95 % band. A pencil stands beside what rests on contacts or landmarks set by hand. Where both
    limbs were seen, a second plot shows the limb symmetry index with the 90 % line, or the
    difference with zero.
    """
    rows = 2 if panel.sides else 1
    figure, axes = new_figure(
        _WIDTH_IN, _LIMBS_IN + 0.55 + (rows - 1) * _SIDES_IN, rows, 1,
        Margins(left=0.62, right=_RIGHT_IN, bottom=0.62, top=0.1, down=0.12),
    )  # fmt: skip
    _draw_limbs(axes[0], panel)
    if panel.sides:
        _draw_sides(axes[1], panel)
        axes[0].tick_params(labelbottom=False)
    _mark_visits(axes, panel)
    return figure


def _draw_limbs(axes: Axes, panel: Panel) -> None:
    for limb, visits in panel.limbs.items():
        dodge = {"left": -_DODGE_WEEKS, "right": _DODGE_WEEKS}.get(limb or "", 0.0)
        style = limb_style(limb, panel.surgical_side)
        _draw(axes, panel, visits, style, dodge)
        _draw_course(axes, panel, panel.courses.get(limb), style)
    axes.set_ylabel(printed_unit(panel.name))


def _draw_sides(axes: Axes, panel: Panel) -> None:
    style = LimbStyle(INK, "D", "-", INK, "")
    _draw(axes, panel, panel.sides, style, 0.0)
    _draw_course(axes, panel, panel.side_course, style)
    if DEFINITIONS[panel.name].compare == "lsi":
        _draw_index_lines(axes)
        axes.set_ylabel("LSI, %")
    else:
        axes.axhline(0, color=MUTED, linewidth=0.8)
        axes.set_ylabel(f"difference{unit_words(panel.name)}")


def _draw_index_lines(axes: Axes) -> None:
    low, high = axes.get_ylim()
    low, high = min(low, LSI_LINE_PCT - 6), max(high, 200 - LSI_LINE_PCT + 6)
    axes.axhline(100, color=MUTED, linewidth=0.8)
    for line, beyond in ((LSI_LINE_PCT, low - 100), (200 - LSI_LINE_PCT, high + 100)):
        axes.axhline(line, color=INK, linewidth=0.9, linestyle=(0, (1, 2)))
        axes.axhspan(line, beyond, color=PALE, zorder=0)
        axes.text(1.015, line, f"{line:.0f} %", transform=axes.get_yaxis_transform(),
                  va="center", fontsize=8, color=INK)  # fmt: skip
    axes.set_ylim(low, high)


def _draw(
    axes: Axes, panel: Panel, visits: Sequence[VisitMean], style: LimbStyle, dodge: float
) -> None:
    weeks = [_week(panel, visit.day) + dodge for visit in visits]
    values = [printed_value(visit.value, panel.name) for visit in visits]
    axes.errorbar(
        weeks, values, [COVERAGE * printed_value(v.sd, panel.name) for v in visits],
        color=style.colour, marker=style.marker, markerfacecolor=style.fill, markersize=5.5,
        linestyle="none", elinewidth=1.0, capsize=2.0,
    )  # fmt: skip
    for week, value, visit in zip(weeks, values, visits, strict=True):
        if visit.by_hand:
            axes.annotate("✎", (week, value), (4, 2), textcoords="offset points", fontsize=9,
                          color=INK)  # fmt: skip
    for k in range(len(visits) - 1):
        if why_not_comparable(visits[k], visits[k + 1]) is None:
            axes.plot(
                weeks[k : k + 2], values[k : k + 2],
                style.line, color=style.colour, linewidth=0.6, alpha=0.7,
            )  # fmt: skip


def _draw_course(axes: Axes, panel: Panel, course: Course | None, style: LimbStyle) -> None:
    """Draw the line through all visits with its 95 % band."""
    if course is None:
        return
    first = course.visits[0].day
    days = np.linspace(0.0, (course.visits[-1].day - first).days, _COURSE_POINTS)
    heights, reaches = np.array([course.at(float(day)) for day in days]).T
    weeks = _week(panel, first) + days / 7.0
    low, middle, high = (
        [printed_value(float(value), panel.name) for value in line]
        for line in (heights - reaches, heights, heights + reaches)
    )
    axes.fill_between(weeks, low, high, color=style.colour, alpha=0.13, linewidth=0, zorder=1)
    axes.plot(weeks, middle, style.line, color=style.colour, linewidth=1.6, zorder=2)


def _mark_visits(axes: Sequence[Axes], panel: Panel) -> None:
    """Put a tick at each visit, and name those that have room with week and date."""
    days = sorted({v.day for visits in (*panel.limbs.values(), panel.sides) for v in visits})
    weeks = [_week(panel, day) for day in days]
    first, last = weeks[0], weeks[-1]
    room = max(0.05 * (last - first), 0.7)
    per_week_in = (_WIDTH_IN - 0.62 - _RIGHT_IN) / (last - first + 2 * room)
    labels, named_at = [], -np.inf
    for week, day in zip(weeks, days, strict=True):
        has_room = (week - named_at) * per_week_in >= _CLOSEST_TICKS_IN
        labels.append(f"{week:.0f}\n{short_day(day)}" if has_room else "")
        named_at = week if has_room else named_at
    for one in axes:
        one.set_xlim(first - room, last + room)
        one.set_xticks(weeks, labels)
        one.grid(axis="y", color=RULE, linewidth=0.5)
        one.set_axisbelow(True)
        one.locator_params(axis="y", nbins=5)
    axes[-1].set_xlabel(f"weeks since {panel.since}, date of the visit")


def _week(panel: Panel, day: date) -> float:
    return (day - panel.start).days / 7.0
