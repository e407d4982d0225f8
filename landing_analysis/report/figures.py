"""Analysis -> plots, each a matplotlib `Figure`; they draw measures and compute none."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from landing_analysis.definitions import (
    DEFINITIONS,
    printed_decimals,
    printed_unit,
    printed_value,
)
from landing_analysis.exercises import taught_deg
from landing_analysis.findings.judging import COVERAGE, edges
from landing_analysis.measures.curves import CurveSet
from landing_analysis.report.sheet import target_of
from landing_analysis.report.style import (
    INK,
    MUTED,
    PALE,
    RULE,
    Margins,
    limb_style,
    new_figure,
    set_heading,
)
from landing_analysis.tables import (
    LIMBS,
    Analysis,
    Bout,
    Contact,
    Exercise,
    Limb,
    Limit,
    SetSummary,
    SideComparison,
    other_limb,
)

_PANEL_IN = 4.4
_ROW_S = 14.0  # of a clip on one line of the timeline
_DODGE = {"left": -0.13, "right": 0.13, None: 0.0}


def contact_curves_figure(analysis: Analysis, found: CurveSet) -> Figure:
    """Draw the knee's angle through ground contact: every rep thin, their mean thick.

    Parameters
    ----------
    analysis : Analysis
    found : from `curves.landing_curves`
    """
    limbs = [limb for limb in LIMBS if found.of(limb)]
    figure, panels = new_figure(
        _PANEL_IN, 2.6, 1, len(limbs), Margins(left=0.6, top=0.28, across=0.4)
    )
    for axes, limb in zip(panels, limbs, strict=True):
        style = limb_style(limb, analysis.decided.surgical_side)
        angles = [curve.angle_deg for curve in found.of(limb)]
        x = found.of(limb)[0].x
        for angle in angles:
            axes.plot(x, angle, color=style.colour, alpha=0.35, linewidth=0.8)
        axes.plot(x, np.mean(angles, axis=0), style.line, color=style.colour, linewidth=2.4)
        set_heading(axes, style.label.capitalize())
        axes.set_xlabel("% of ground contact" if found.axis == "%" else "s after contact")
        axes.margins(x=0)
    _share_y(panels)
    for axes in panels:
        if found.kind == "fppa":
            _mark_limits(axes, _limits(analysis, "fppa_peak_flexion", analysis.decided.exercise))
            axes.axhline(0, color=MUTED, linewidth=0.6)
        else:
            _mark_target(axes, target_of(analysis))
    panels[0].set_ylabel(
        "FPPA, deg (+ = knee inward)" if found.kind == "fppa" else "knee flexion, deg"
    )
    return figure


def rep_strip_figure(analysis: Analysis, name: str) -> Figure:
    """Draw one measure rep by rep with 95 % intervals and its limit.

    Parameters
    ----------
    analysis : Analysis
    name : of the measure; refused reps and rebounds are marked at the foot of the plot
    """
    several = len(analysis.reps.bouts) > 1
    figure, (axes,) = new_figure(_PANEL_IN, 2.0, margins=Margins(top=0.24 if several else 0.08))
    rows = [row for row in analysis.measures.measures if row.name == name]
    for limb in (*LIMBS, None):
        seen = [
            (r.rep, printed_value(r.value, name), printed_value(r.sd, name))
            for r in rows
            if r.limb == limb and r.value is not None and r.sd is not None
        ]
        if not seen:
            continue
        rep, value, sd = np.array(seen, dtype=float).T
        style = limb_style(limb, analysis.decided.surgical_side)
        axes.errorbar(
            rep + _DODGE[limb], value, COVERAGE * sd,
            color=style.colour, marker=style.marker, markerfacecolor=style.fill,
            linestyle="none", elinewidth=1.0, capsize=0, label=style.label,
        )  # fmt: skip
    numbers = [rep.number for rep in analysis.reps.reps]
    room = 0.15 * (max(numbers) - min(numbers) + 1)  # for the limit's name
    axes.set_xlim(min(numbers) - 0.6, max(numbers) + 0.4 + room)
    axes.set_xticks(numbers if len(numbers) <= 15 else numbers[::5])
    axes.set_xlabel("rep")
    _mark_reps(axes, analysis, name)
    apart = {rep.number: "not used" for rep in analysis.reps.reps if not rep.used}
    apart |= {rep.number: "rebound" for rep in analysis.reps.reps if rep.used and rep.rebound}
    for number, words in apart.items():
        axes.text(number, 0.02, words, rotation=90, color=MUTED, fontsize=7.5,
                  ha="center", va="bottom", transform=axes.get_xaxis_transform())  # fmt: skip
    _part_bouts(axes, analysis.reps.bouts)
    return figure


def sides_figure(analysis: Analysis) -> Figure | None:
    """Draw both limbs of every compared measure side by side, means with 95 % intervals.

    Returns
    -------
    Figure or None when nothing can be compared
    """
    compared = analysis.measures.comparisons
    if not compared:
        return None
    figure, panels = new_figure(
        _PANEL_IN, 0.82 * len(compared), len(compared), 1,
        Margins(left=0.42, right=0.1, bottom=0.24, top=0.24, down=0.48),
    )  # fmt: skip
    for axes, comparison in zip(panels, compared, strict=True):
        means = []
        for height, limb in enumerate(reversed(LIMBS)):
            summary = _summary(analysis, comparison.name, limb)
            if summary is None:
                continue
            style = limb_style(limb, analysis.decided.surgical_side)
            mean = printed_value(summary.mean, comparison.name)
            axes.errorbar(
                mean, height, xerr=COVERAGE * printed_value(summary.mean_sd, comparison.name),
                color=style.colour, marker=style.marker, markerfacecolor=style.fill,
                markersize=6.5, elinewidth=1.4, capsize=0,
            )  # fmt: skip
            means.append(mean)
        axes.plot(means, range(len(means)), color=MUTED, linewidth=0.8, zorder=0)
        definition = DEFINITIONS[comparison.name]
        set_heading(
            axes, f"{definition.label}{unit_words(comparison.name)}", comparison_words(comparison)
        )
        axes.set_yticks([0, 1], ["right", "left"])
        axes.set_ylim(-0.6, 1.6)
        axes.margins(x=0.1)
        axes.spines["left"].set_visible(False)
        axes.tick_params(axis="y", length=0)
        axes.locator_params(axis="x", nbins=5)
    return figure


def timeline_figure(analysis: Analysis) -> Figure:
    """Draw when each foot was on the ground, over the whole clip."""
    start_s, end_s = float(analysis.tracks.t_s[0]), float(analysis.tracks.t_s[-1])
    lines = max(1, math.ceil((end_s - start_s) / _ROW_S))
    length_s = (end_s - start_s) / lines
    figure, panels = new_figure(
        7.4, 0.9 * lines + 0.25, lines, 1, Margins(left=0.45, right=0.1, down=0.28)
    )
    for line, axes in enumerate(panels):
        from_s = start_s + line * length_s
        axes.set_xlim(from_s, from_s + length_s)
        axes.set_ylim(-0.6, 2.1)
        axes.set_yticks([0, 1], ["right", "left"])
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        for contact in analysis.contacts.contacts:
            if from_s - _ROW_S < contact.initial_contact.t_s < from_s + length_s:
                _draw_contact(axes, contact, analysis.decided.surgical_side)
        _number_reps(axes, analysis)
    real_time = analysis.decided.time_base.slowed_by == 1.0
    panels[-1].set_xlabel(
        "s of the clip" if real_time else "s in real time, from the clip's first frame"
    )
    return figure


def unit_words(name: str) -> str:
    """Return ", unit" as a measure is printed, for a heading; nothing for a plain ratio."""
    unit = printed_unit(name)
    return f", {unit}" if unit else ""


def comparison_words(comparison: SideComparison) -> str:
    """Return what a comparison says: the limb symmetry index, or the difference of the limbs."""
    reach = COVERAGE * comparison.sd
    if comparison.kind == "lsi":
        return f"LSI {comparison.value:.0f} ± {reach:.0f} % of the other limb"
    digits = printed_decimals(comparison.name)
    value, reach = (printed_value(x, comparison.name) for x in (comparison.value, reach))
    other = other_limb(comparison.limb)
    return f"{comparison.limb} − {other} {value:.{digits}f} ± {reach:.{digits}f}"


def _draw_contact(axes: Axes, contact: Contact, surgical_side: Limb | None) -> None:
    style = limb_style(contact.limb, surgical_side)
    height = 1 if contact.limb == "left" else 0
    start_s = contact.initial_contact.t_s
    held = contact.toe_off is None
    end_s = start_s + 0.6 if contact.toe_off is None else contact.toe_off.t_s
    axes.add_artist(Rectangle(  # not add_patch, which would work out limits that are set already
        (start_s, height - 0.31), end_s - start_s, 0.62, edgecolor=style.colour, linewidth=1.0,
        facecolor="white" if held else style.fill, hatch="/////" if held else None,
    ))  # fmt: skip


def _number_reps(axes: Axes, analysis: Analysis) -> None:
    low_s, high_s = axes.get_xlim()
    for rep in analysis.reps.reps:
        flight = rep.flight
        edge = flight.landing or flight.take_off
        if edge is None or not low_s <= edge.t_s < high_s:
            continue
        text = str(rep.number) if rep.used else f"({rep.number})"
        axes.text(edge.t_s, 1.55, text, ha="center", va="bottom", color=INK, fontsize=8.5)
        if flight.take_off and flight.landing:
            axes.axvspan(flight.take_off.t_s, flight.landing.t_s, color=PALE, zorder=0)


def _part_bouts(axes: Axes, bouts: tuple[Bout, ...]) -> None:
    """Draw where one bout ends and the next begins, each under its number."""
    if len(bouts) < 2:
        return
    axes.set_xlabel("rep; above, the number of its bout")
    for bout in bouts:
        first, last = min(bout.reps), max(bout.reps)
        if bout is not bouts[0]:
            axes.axvline(first - 0.5, color=RULE, linewidth=0.9, zorder=0)
        axes.text((first + last) / 2, 1.02, f"{bout.number}", color=INK, fontsize=8.5, ha="center",
                  va="bottom", transform=axes.get_xaxis_transform())  # fmt: skip


def _share_y(panels: Iterable[Axes]) -> None:
    axes = list(panels)
    low = min(a.get_ylim()[0] for a in axes)
    high = max(a.get_ylim()[1] for a in axes)
    for a in axes:
        a.set_ylim(low, high)
        a.grid(axis="y", color=RULE, linewidth=0.5)


Span = tuple[float, float]
"""Of a plot rep by rep, from and to which rep a line runs."""


def _mark_reps(axes: Axes, analysis: Analysis, name: str) -> None:
    """Draw limits and target over the reps of the exercises that are held against them."""

    def marks(exercise: Exercise | None) -> tuple[tuple[Limit, ...], float | None]:
        flexes = name == "knee_flexion_peak"
        target_deg = taught_deg(exercise, analysis.decided.target_flexion_deg) if flexes else None
        return _limits(analysis, name, exercise), target_deg

    of_bouts: list[tuple[tuple[tuple[Limit, ...], float | None], Span | None]] = [
        (marks(bout.exercise), (min(bout.reps) - 0.5, max(bout.reps) + 0.5))
        for bout in analysis.reps.bouts
    ]
    if len({marked for marked, _ in of_bouts}) < 2:
        of_bouts = [(marks(analysis.decided.exercise), None)]
    for (limits, target_deg), span in of_bouts:
        _mark_limits(axes, limits, span)
        _mark_target(axes, target_deg, span)


def _limits(analysis: Analysis, name: str, exercise: Exercise | None) -> tuple[Limit, ...]:
    """Return the limits of a measure that apply to an exercise; not those of side differences."""
    return tuple(
        limit
        for limit in analysis.limits
        if limit.measure == name and limit.finding != "side_difference"
        if limit.is_for(exercise)
    )


def _summary(analysis: Analysis, name: str, limb: Limb) -> SetSummary | None:
    return next((s for s in analysis.measures.summaries if s.name == name and s.limb == limb), None)


def _mark_limits(axes: Axes, limits: tuple[Limit, ...], span: Span | None = None) -> None:
    """Draw each edge and make room for it, the ground beyond it grey; over some reps only."""
    for limit in limits:
        low, high = edges(limit)
        bottom, top = axes.get_ylim()
        for of_limit, away in ((low, -1), (high, 1)):
            if of_limit is None:
                continue
            edge = printed_value(of_limit, limit.measure)
            margin = 0.14 * (top - bottom)
            bottom, top = min(bottom, edge - margin), max(top, edge + margin)
            _draw_line(axes, edge, span)
            from_x, to_x = span or axes.get_xlim()
            axes.fill_between([from_x, to_x], edge, edge + away * 1e6, color=PALE, zorder=0, lw=0)
            _name_line(axes, edge, f"limit {edge:g}".replace("-", "−"), span, above=away > 0)
        axes.set_ylim(bottom, top)


def _mark_target(axes: Axes, target_deg: float | None, span: Span | None = None) -> None:
    if target_deg is None:
        return
    bottom, top = axes.get_ylim()
    _draw_line(axes, target_deg, span)
    _name_line(axes, target_deg, f"target {target_deg:g}", span, above=True)
    axes.set_ylim(bottom, max(top, target_deg + 0.08 * (top - bottom)))


def _draw_line(axes: Axes, height: float, span: Span | None) -> None:
    axes.hlines(height, *(span or axes.get_xlim()), color=INK, linewidth=0.9, linestyle=(0, (1, 2)))


def _name_line(axes: Axes, height: float, text: str, span: Span | None, *, above: bool) -> None:
    axes.text(
        span[1] if span else axes.get_xlim()[1], height, text, ha="right",
        va="bottom" if above else "top", fontsize=7.5, color=INK,
    )  # fmt: skip
