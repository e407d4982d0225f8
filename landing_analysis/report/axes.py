"""Plots as SVG: axes with lines, bars, areas, marks and words, in the look of the report.

A page holds ten plots, and change over visits hundreds: written straight as SVG, each takes some
milliseconds. Lengths are points, 1/72 inch, y down; text stays text, in the page's own font.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Literal, NamedTuple

import numpy as np

from landing_analysis.report.style import INK, MUTED, PALE, RULE, Line, Marker
from landing_analysis.tables import FloatArray

_FONT = 9.0
_FRAME, _GRID, _TICK = 0.7, 0.5, 0.8  # widths of lines
_TICK_LONG, _TICK_PAD, _LABEL_PAD = 3.5, 3.5, 4.0
_ASCENT_EM, _DESCENT_EM, _LINE_EM = 0.76, 0.24, 1.2  # of common sans-serif faces
_NARROW_EM, _WIDE_EM = 0.32, 0.64  # a point; a digit
_ROOM_X_EM, _ROOM_Y_EM = 3.0, 2.0  # that a tick's number takes along its axis
_MOST_TICKS = 9
_MARGIN = 0.05  # of what is shown, left free at each end
_HATCH = 4.8  # from one line to the next
_POINTS_PER_IN = 72.0
_HEADING, _REMARK, _HEADING_PAD = 9.5, 9.0, 5.0
_HEADING_LETTERS = 52  # that fit over a panel of the report at full size
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_ON_STEP = 1e-3  # of a step; nearer than that a tick stands at what it says
_DASHES = {"-": (), "--": (3.7, 1.6), ":": (1.0, 2.0)}  # in widths of the line

Values = Sequence[float] | FloatArray
Across = Literal["left", "center", "right"]
Upright = Literal["bottom", "center", "top", "baseline"]


class Box(NamedTuple):
    """A place on the page, points."""

    left: float
    top: float
    width: float
    height: float


@dataclass
class _Axis:
    """One direction of a plot: what is shown of it, and where its ticks stand."""

    low: float = math.inf
    high: float = -math.inf
    limits: tuple[float, float] | None = None
    margin: float = _MARGIN
    ticks: list[float] | None = None
    names: list[str] | None = None
    most: int | None = None
    tick_long: float = _TICK_LONG
    label: str = ""

    def take_in(self, values: FloatArray) -> None:
        known = values[np.isfinite(values)]
        if len(known):
            self.low = min(self.low, float(known.min()))
            self.high = max(self.high, float(known.max()))

    def shown(self) -> tuple[float, float]:
        if self.limits is not None:
            return self.limits
        low, high = (self.low, self.high) if self.low <= self.high else (0.0, 1.0)
        if low == high:
            apart = _MARGIN * abs(low) or _MARGIN
            low, high = low - apart, high + apart
        free = self.margin * (high - low)
        return low - free, high + free

    def named_ticks(self, long: float, room: float) -> list[tuple[float, str]]:
        """Return where ticks stand and what they say, on an axis so many points long."""
        low, high = self.shown()
        if self.ticks is None:
            most = self.most or min(_MOST_TICKS, max(1, int(long / room)))
            ticks = _round_values(low, high, most)
        else:
            ticks = self.ticks
        names = self.names or _told(ticks)
        return [
            (tick, name) for tick, name in zip(ticks, names, strict=True) if low <= tick <= high
        ]


def _round_values(low: float, high: float, most: int) -> list[float]:
    """Return two or more round numbers from ``low`` to ``high``, in at most so many steps."""
    raw = (high - low) / most
    tens = 10.0 ** math.floor(math.log10(raw))
    steps = [tens * step for step in _STEPS]
    start = next(k for k, step in enumerate(steps) if step >= raw * (1 - _ON_STEP))
    ticks: list[float] = []
    for step in reversed([tens / 2, *steps[: start + 1]]):
        first, last = math.ceil(low / step - _ON_STEP), math.floor(high / step + _ON_STEP)
        ticks = [number * step for number in range(first, last + 1)]
        if len(ticks) > 1:
            break
    return ticks


def _told(ticks: Sequence[float]) -> list[str]:
    """Return what ticks say, all with as many decimals as one of them needs."""
    values = np.asarray(ticks, dtype=float)
    apart = np.diff(np.unique(values))
    near = _ON_STEP * float(apart.min() if len(apart) else max(abs(values).max(initial=0.0), 1.0))
    decimals = 0
    while np.any(np.abs(values - values.round(decimals)) > near):
        decimals += 1
    return [f"{value + 0.0:.{decimals}f}".replace("-", "−") for value in values.round(decimals)]


@dataclass
class Axes:
    """One plot: what is drawn on it is kept until its limits are known."""

    box: Box
    x: _Axis = field(default_factory=_Axis)
    y: _Axis = field(default_factory=_Axis)
    with_left_edge: bool = True
    with_x_names: bool = True
    _grid: bool = False
    _drawn: list[tuple[float, Callable[[], str]]] = field(default_factory=list)
    _words: list[Callable[[], str]] = field(default_factory=list)

    # --- limits and ticks ---

    def get_xlim(self) -> tuple[float, float]:
        """Return the least and the greatest x that is shown."""
        return self.x.shown()

    def get_ylim(self) -> tuple[float, float]:
        """Return the least and the greatest y that is shown."""
        return self.y.shown()

    def set_xlim(self, low: float, high: float) -> None:
        """Show x from ``low`` to ``high``."""
        self.x.limits = (float(low), float(high))

    def set_ylim(self, low: float, high: float) -> None:
        """Show y from ``low`` to ``high``."""
        self.y.limits = (float(low), float(high))

    def set_xticks(self, ticks: Values, names: Sequence[str] | None = None) -> None:
        """Put ticks at some x, with their numbers or other names, of one line or two."""
        self.x.ticks, self.x.names = [float(t) for t in ticks], list(names) if names else None

    def set_yticks(self, ticks: Values, names: Sequence[str] | None = None) -> None:
        """Put ticks at some y, with their numbers or other names."""
        self.y.ticks, self.y.names = [float(t) for t in ticks], list(names) if names else None

    def set_grid(self) -> None:
        """Draw a faint line at each tick of y."""
        self._grid = True

    # --- what is drawn ---

    def plot(
        self, x: Values, y: Values, line: Line = "-", *, colour: str, width: float,
        alpha: float = 1.0, zorder: float = 2.0,
    ) -> None:  # fmt: skip
        """Draw a line through points; it breaks where one is missing."""
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        self.x.take_in(x)
        self.y.take_in(y)
        look = _stroke(colour, width, line, alpha)
        self._add(zorder, lambda: f'<path d="{self._path(x, y)}" {look}/>')

    def errorbar(
        self, x: Values, y: Values, *, xerr: Values | None = None, yerr: Values | None = None,
        colour: str, marker: Marker, fill: str, size: float = 6.0, width: float = 1.0,
        cap: float = 0.0,
    ) -> None:  # fmt: skip
        """Draw marks with what their values may be off by, (n,) each."""
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        x_off = np.zeros(len(x)) if xerr is None else np.asarray(xerr, dtype=float)
        y_off = np.zeros(len(y)) if yerr is None else np.asarray(yerr, dtype=float)
        ends = np.stack([x - x_off, x + x_off]), np.stack([y - y_off, y + y_off])
        self.x.take_in(ends[0])
        self.y.take_in(ends[1])

        def bars() -> str:
            (x0, x1), (y0, y1) = self._at_x(ends[0]), self._at_y(ends[1])
            path = "".join(
                f"M{a:.2f} {b:.2f}L{c:.2f} {d:.2f}"
                for a, b, c, d in zip(x0, y0, x1, y1, strict=True)
            )
            caps = "" if not cap else "".join(
                f"M{a - cap:.2f} {b:.2f}h{2 * cap:g}"
                for a, b in zip([*x0, *x1], [*y0, *y1], strict=True)
            )  # fmt: skip
            drawn = f'<path d="{path}" {_stroke(colour, width)}/>'
            return drawn + (f'<path d="{caps}" {_stroke(colour, 1.0)}/>' if caps else "")

        def marks() -> str:
            path = "".join(
                _mark(marker, a, b, size / 2)
                for a, b in zip(self._at_x(x), self._at_y(y), strict=True)
            )
            return f'<path d="{path}" fill="{fill}" stroke="{colour}"/>'

        self._add(2.0, bars)
        self._add(2.0, marks)

    def fill_between(
        self, x: Values, low: Values, high: Values, *, colour: str, alpha: float, zorder: float
    ) -> None:
        """Fill what lies between two lines."""
        there, back = np.asarray(x, dtype=float), np.asarray(x, dtype=float)[::-1]
        y = np.concatenate([np.asarray(low, dtype=float), np.asarray(high, dtype=float)[::-1]])
        self.x.take_in(there)
        self.y.take_in(y)
        around = np.concatenate([there, back])
        self._add(
            zorder,
            lambda: f'<path d="{self._path(around, y)}Z" fill="{colour}" fill-opacity="{alpha}"/>',
        )

    def axhline(self, y: float, *, colour: str, width: float, line: Line = "-") -> None:
        """Draw a level line all across."""
        self.y.take_in(np.array([y]))
        look = _stroke(colour, width, line)
        left, right = self.box.left, self.box.left + self.box.width

        def drawn() -> str:
            at = self._at_y(np.array(y))
            return f'<path d="M{left:.2f} {at:.2f}H{right:.2f}" {look}/>'

        self._add(2.0, drawn)

    def shade(self, *, x: tuple[float, float] | None = None, y: tuple[float, float] | None = None,
              colour: str = PALE) -> None:  # fmt: skip
        """Shade all between two values of x, or of y, below everything else."""

        def drawn() -> str:
            x0, x1 = np.clip(self._at_x(np.array(x or self.get_xlim())), *self._x_ends())
            y0, y1 = np.clip(self._at_y(np.array(y or self.get_ylim())), *self._y_ends())
            return _rectangle(x0, y0, x1, y1, f'fill="{colour}" stroke="{colour}"')

        self._add(0.0, drawn)

    def rectangle(
        self, x: float, y: float, width: float, height: float, *, colour: str, fill: str,
        hatched: bool,
    ) -> None:  # fmt: skip
        """Draw a rectangle that limits take no notice of, filled or hatched."""

        def drawn() -> str:
            x0, x1 = self._at_x(np.array([x, x + width]))
            y0, y1 = self._at_y(np.array([y, y + height]))
            look = f'stroke="{colour}"'
            rectangle = _rectangle(x0, y0, x1, y1, f'fill="{fill}" {look}')
            return rectangle + (_hatching(x0, y0, x1, y1, look) if hatched else "")

        self._add(1.0, drawn)

    def text(
        self, x: float, y: float, text: str, *, across: Across = "left",
        upright: Upright = "baseline", size: float = _FONT, colour: str = INK,
        share: Literal["x", "y", ""] = "", moved: tuple[float, float] = (0.0, 0.0),
        turned: bool = False,
    ) -> None:  # fmt: skip
        """Write words.

        Parameters
        ----------
        x, y : where; of the direction ``share``, as a share of the plot from its left or bottom
        text : one line
        across, upright : which part of the words stands there
        size, colour : of the letters, points
        moved : by so many points to the right and up
        turned : to be read from below
        """

        def drawn() -> str:
            left = (
                self.box.left + x * self.box.width
                if share == "x" else float(self._at_x(np.array(x)))
            )  # fmt: skip
            top = (
                self.box.top + (1 - y) * self.box.height
                if share == "y" else float(self._at_y(np.array(y)))
            )  # fmt: skip
            if turned:  # centred on x, beginning at y
                shift = (0.5 - _DESCENT_EM) * size
                return _words(left + shift, top, text, "left", size, colour, turned=True)
            below = _BELOW_EM[upright] * size
            return _words(left + moved[0], top + below - moved[1], text, across, size, colour)

        self._words.append(drawn)

    def set_heading(self, text: str, right: str = "") -> None:
        """Write a heading above, and a remark at its right end."""
        shrink = min(1.0, _HEADING_LETTERS / (len(text) + len(right)))
        left, base, end = self.box.left, self.box.top - _HEADING_PAD, self._x_ends()[1]
        self._words += [
            lambda: _words(left, base, text, "left", _HEADING * shrink, bold=True),
            lambda: _words(end, base, right, "right", _REMARK * shrink),
        ]

    # --- as SVG ---

    def svg(self, name: str) -> str:
        """Return the plot; ``name`` is unique on the page."""
        left, top, width, height = self.box
        clip = f"{name}-clip"
        drawn = [
            f'<clipPath id="{clip}">{_rectangle(left, top, left + width, top + height)}</clipPath>',
            f'<g clip-path="url(#{clip})">',
            *(draw() for zorder, draw in self._in_order() if zorder < 1),
            self._grid_lines(),
            *(draw() for zorder, draw in self._in_order() if zorder >= 1),
            "</g>",
            self._frame(),
            *(write() for write in self._words),
        ]
        return "".join(drawn)

    def _in_order(self) -> list[tuple[float, Callable[[], str]]]:
        return sorted(self._drawn, key=lambda item: item[0])

    def _add(self, zorder: float, draw: Callable[[], str]) -> None:
        self._drawn.append((zorder, draw))

    def _grid_lines(self) -> str:
        if not self._grid:
            return ""
        path = "".join(
            f"M{self.box.left:.2f} {self._at_y(np.array(tick)):.2f}h{self.box.width:.2f}"
            for tick, _ in self._y_ticks()
        )
        return f'<path d="{path}" {_stroke(RULE, _GRID)}/>'

    def _frame(self) -> str:
        left, top, width, height = self.box
        bottom, centre = top + height, (left + left + width) / 2
        edges = f"M{left:.2f} {bottom:.2f}h{width:.2f}"
        if self.with_left_edge:
            edges += f"M{left:.2f} {top:.2f}v{height:.2f}"
        ticks, parts, lowest, widest = "", [], 0.0, 0.0
        below = self.x.tick_long + _TICK_PAD
        for tick, name in self._x_ticks():
            at = float(self._at_x(np.array(tick)))
            ticks += f"M{at:.2f} {bottom:.2f}v{self.x.tick_long:g}"
            if self.with_x_names:
                for number, line in enumerate(name.split("\n") if name else ()):
                    base = below + (_ASCENT_EM + number * _LINE_EM) * _FONT
                    parts.append(_words(at, bottom + base, line, "center"))
                    lowest = max(lowest, base + _DESCENT_EM * _FONT)
        beside = self.y.tick_long + _TICK_PAD
        for tick, name in self._y_ticks():
            at = float(self._at_y(np.array(tick)))
            ticks += f"M{left:.2f} {at:.2f}h{-self.y.tick_long:g}" if self.y.tick_long else ""
            parts.append(_words(left - beside, at + _ASCENT_EM / 2 * _FONT, name, "right"))
            widest = max(widest, beside + _width_em(name) * _FONT)
        if self.x.label:
            base = bottom + lowest + _LABEL_PAD + _ASCENT_EM * _FONT
            parts.append(_words(centre, base, self.x.label, "center"))
        if self.y.label:
            at = left - widest - _LABEL_PAD - _DESCENT_EM * _FONT
            middle = top + height / 2
            parts.append(_words(at, middle, self.y.label, "center", turned=True))
        drawn = f'<path d="{edges}" {_stroke(MUTED, _FRAME)} stroke-linecap="square"/>'
        return f'{drawn}<path d="{ticks}" {_stroke(MUTED, _TICK)}/>' + "".join(parts)

    def _x_ticks(self) -> list[tuple[float, str]]:
        return self.x.named_ticks(self.box.width, _ROOM_X_EM * _FONT)

    def _y_ticks(self) -> list[tuple[float, str]]:
        return self.y.named_ticks(self.box.height, _ROOM_Y_EM * _FONT)

    def _x_ends(self) -> tuple[float, float]:
        return self.box.left, self.box.left + self.box.width

    def _y_ends(self) -> tuple[float, float]:
        return self.box.top, self.box.top + self.box.height

    def _at_x(self, x: FloatArray) -> FloatArray:
        low, high = self.get_xlim()
        at: FloatArray = self.box.left + (x - low) / (high - low) * self.box.width
        return at

    def _at_y(self, y: FloatArray) -> FloatArray:
        low, high = self.get_ylim()
        at: FloatArray = self.box.top + (high - y) / (high - low) * self.box.height
        return at

    def _path(self, x: FloatArray, y: FloatArray) -> str:
        parts, pen = [], "M"
        for a, b in zip(self._at_x(x).tolist(), self._at_y(y).tolist(), strict=True):
            if math.isfinite(a) and math.isfinite(b):
                parts.append(f"{pen}{a:.2f} {b:.2f}")
                pen = "L"
            else:
                pen = "M"
        return "".join(parts)


@dataclass(frozen=True)
class Figure:
    """Plots that belong together."""

    width: float
    height: float
    axes: tuple[Axes, ...]

    def svg(self, name: str, description: str) -> str:
        """Return the figure to be put inside a page, as wide as there is room.

        Parameters
        ----------
        name : unique on the page; keeps the identifiers of two figures apart
        description : read aloud in place of the picture
        """
        drawn = "".join(one.svg(f"{name}-{k}") for k, one in enumerate(self.axes))
        return (
            f'<svg role="img" aria-label="{escape(description)}" '
            f'viewBox="0 0 {self.width:g} {self.height:g}">{drawn}</svg>'
        )


@dataclass(frozen=True)
class Margins:
    """Room around and between plots, inches."""

    left: float = 0.45
    right: float = 0.14
    bottom: float = 0.42
    top: float = 0.08
    across: float = 0.0
    down: float = 0.0


def new_figure(
    width_in: float,
    height_in: float,
    rows: int = 1,
    columns: int = 1,
    margins: Margins = Margins(),
) -> Figure:
    """Return a figure with its axes, row by row."""
    across_in = width_in - margins.left - margins.right - (columns - 1) * margins.across
    down_in = height_in - margins.top - margins.bottom - (rows - 1) * margins.down
    width_in_each, height_in_each = across_in / columns, down_in / rows
    axes = tuple(
        Axes(Box(*(
            _POINTS_PER_IN * inches
            for inches in (
                margins.left + column * (width_in_each + margins.across),
                margins.top + row * (height_in_each + margins.down),
                width_in_each,
                height_in_each,
            )
        )))
        for row in range(rows)
        for column in range(columns)
    )  # fmt: skip
    return Figure(_POINTS_PER_IN * width_in, _POINTS_PER_IN * height_in, axes)


# --- pieces ------------------------------------------------------------------------------------

_ANCHORS = {"left": "start", "center": "middle", "right": "end"}
_BELOW_EM: dict[Upright, float] = {
    "bottom": -_DESCENT_EM,
    "center": (_ASCENT_EM - _DESCENT_EM) / 2,
    "top": _ASCENT_EM,
    "baseline": 0.0,
}
"""How far below the place the letters' line lies."""


def _stroke(colour: str, width: float, line: Line = "-", alpha: float = 1.0) -> str:
    look = f'fill="none" stroke="{colour}"'
    look += "" if width == 1.0 else f' stroke-width="{width:g}"'
    look += "" if alpha == 1.0 else f' stroke-opacity="{alpha:g}"'
    if dashes := _DASHES[line]:
        look += f' stroke-dasharray="{" ".join(f"{width * dash:g}" for dash in dashes)}"'
    return look


def _rectangle(x0: float, y0: float, x1: float, y1: float, look: str = "") -> str:
    left, top, width, height = min(x0, x1), min(y0, y1), abs(x1 - x0), abs(y1 - y0)
    return f'<rect x="{left:.2f}" y="{top:.2f}" width="{width:.2f}" height="{height:.2f}" {look}/>'


def _hatching(x0: float, y0: float, x1: float, y1: float, look: str) -> str:
    """Return slanting lines inside a rectangle."""
    (left, right), (top, bottom) = sorted((x0, x1)), sorted((y0, y1))
    path = ""
    for foot in np.arange(left - (bottom - top), right, _HATCH)[1:]:
        # from (foot, bottom) up to the right, cut at both sides
        start, end = max(foot, left), min(foot + bottom - top, right)
        path += f"M{start:.2f} {bottom - (start - foot):.2f}L{end:.2f} {bottom - (end - foot):.2f}"
    return f'<path d="{path}" fill="none" {look}/>'


def _mark(marker: Marker, x: float, y: float, half: float) -> str:
    if marker == "o":
        across = f"{2 * half:g}"
        arc = f"a{half:g} {half:g} 0 1 0"
        return f"M{x - half:.2f} {y:.2f}{arc} {across} 0{arc} -{across} 0Z"
    if marker == "s":
        return f"M{x - half:.2f} {y - half:.2f}h{2 * half:g}v{2 * half:g}h{-2 * half:g}Z"
    reach = half * math.sqrt(2)
    return (
        f"M{x:.2f} {y - reach:.2f}"
        + "".join(
            f"l{right * reach:.2f} {down * reach:.2f}"
            for right, down in ((1, 1), (-1, 1), (-1, -1))
        )
        + "Z"
    )


def _words(
    x: float, y: float, text: str, across: Across, size: float = _FONT, colour: str = INK, *,
    bold: bool = False, turned: bool = False,
) -> str:  # fmt: skip
    if not text:
        return ""
    place = (
        f'transform="translate({x:.2f} {y:.2f}) rotate(-90)"'
        if turned else f'x="{x:.2f}" y="{y:.2f}"'
    )  # fmt: skip
    look = f"font-size: {size:.3g}px; text-anchor: {_ANCHORS[across]}; fill: {colour}"
    look += "; font-weight: 700" if bold else ""
    return f'<text style="{look}" {place}>{escape(text, quote=False)}</text>'


def _width_em(text: str) -> float:
    lines: Iterable[str] = text.split("\n")
    return max(sum(_NARROW_EM if one in ".,:" else _WIDE_EM for one in line) for line in lines)
