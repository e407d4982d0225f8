"""Plots written as SVG stand where their numbers say, and say what they stand for."""

from __future__ import annotations

import re

import numpy as np
import pytest
from matplotlib.ticker import MaxNLocator

from landing_analysis.report.axes import Axes, Box, Figure, Margins, new_figure

BOX = Box(left=10.0, top=20.0, width=100.0, height=50.0)


def _drawn(axes: Axes) -> str:
    return Figure(200.0, 100.0, (axes,)).svg("plot", "what it shows")


def _paths(svg: str, colour: str) -> list[str]:
    return re.findall(rf'<path d="([^"]*)"[^>]*stroke="{colour}"', svg)


def _said(svg: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", svg)


def test_limits_are_the_corners_and_the_missing_breaks_a_line():
    axes = Axes(BOX)
    axes.set_xlim(0, 4)
    axes.set_ylim(-1, 1)
    axes.plot([0, 1, 2, 3, 4], [-1, 0, np.nan, 0, 1], colour="#123456", width=1.0)
    (path,) = _paths(_drawn(axes), "#123456")
    assert path == "M10.00 70.00L35.00 45.00M85.00 45.00L110.00 20.00"


def test_intervals_reach_as_far_as_they_say_and_fit_in():
    axes = Axes(BOX)
    axes.errorbar([1.0], [5.0], yerr=[2.0], colour="#123456", marker="o", fill="white")
    low, high = axes.get_ylim()
    assert low < 3.0
    assert high > 7.0
    per_unit = BOX.height / (high - low)
    bar = _paths(_drawn(axes), "#123456")[0]
    ends = [float(number) for number in re.findall(r"[ML][\d.]+ ([\d.]+)", bar)]
    assert abs(ends[0] - ends[1]) == pytest.approx(4.0 * per_unit, abs=0.02)  # two decimals


@pytest.mark.parametrize("seed", range(40))
def test_ticks_stand_where_matplotlib_puts_them(seed):
    """Source: the locator of that plotting library, asked for the same range."""
    rng = np.random.default_rng(seed)
    low = float(rng.normal(0.0, 50.0))
    high = low + float(10.0 ** rng.uniform(-2.0, 3.0))
    most = int(rng.integers(2, 10))
    axes = Axes(BOX)
    axes.set_ylim(low, high)
    axes.y.most = most
    ours = [tick for tick, _ in axes.y.named_ticks(BOX.height, 1.0)]
    locator = MaxNLocator(nbins=most, steps=[1, 2, 2.5, 5, 10], min_n_ticks=2)
    theirs = [float(tick) for tick in locator.tick_values(low, high) if low <= tick <= high]
    np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-9 * (high - low))


@pytest.mark.parametrize(
    ("ticks", "said"),
    [
        ([0.0, 0.5, 1.0], ["0.0", "0.5", "1.0"]),
        ([-10.0, 0.0, 10.0], ["−10", "0", "10"]),
        ([0.275, 0.375], ["0.275", "0.375"]),
        ([60.0], ["60"]),
        ([0.1 + 0.2, 0.4], ["0.3", "0.4"]),
    ],
)
def test_ticks_say_their_number_with_as_many_decimals_as_one_needs(ticks, said):
    axes = Axes(BOX)
    axes.set_xlim(-100, 100)
    axes.set_xticks([])
    axes.set_ylim(-100, 100)
    axes.set_yticks(ticks)
    assert _said(_drawn(axes)) == said


def test_one_value_alone_and_none_at_all_can_be_drawn():
    for values in ([], [0.0], [7.0]):
        axes = Axes(BOX)
        axes.plot(values, values, colour="#123456", width=1.0)
        assert "nan" not in _drawn(axes)
        assert "inf" not in _drawn(axes)


def test_words_of_others_cannot_become_marks_of_the_page():
    axes = Axes(BOX)
    axes.set_heading("<b>", "&")
    axes.text(0, 0, "<script>")
    svg = Figure(1.0, 1.0, (axes,)).svg("plot", 'a "<b>"')
    assert "<b>" not in svg
    assert "<script>" not in svg
    assert 'aria-label="a &quot;&lt;b&gt;&quot;"' in svg


def test_plots_share_the_figure_out_between_the_margins():
    margins = Margins(left=1.0, right=0.5, bottom=0.25, top=0.25, across=0.5, down=0.5)
    figure = new_figure(4.0, 3.0, rows=2, columns=2, margins=margins)
    boxes = [one.box for one in figure.axes]
    assert [(box.left, box.top) for box in boxes] == [(72, 18), (180, 18), (72, 126), (180, 126)]
    assert {(box.width, box.height) for box in boxes} == {(72.0, 72.0)}
    assert boxes[3].left + boxes[3].width == figure.width - 36.0
    assert boxes[3].top + boxes[3].height == figure.height - 18.0
