"""The look of every plot and picture, and how a plot becomes part of a page.

Limbs differ by colour and by more than colour: the left is a circle, the right a
square; the surgical limb is filled and drawn solid, the other open and dashed.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING, Any

from landing_analysis.tables import Limb

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#22303c"
MUTED = "#5f6b76"
RULE = "#d5dade"
PALE = "#eef1f3"
LEFT = "#0072b2"  # blue and vermilion after Okabe and Ito (memory, sure), the latter darkened
RIGHT = "#c24e00"  # to a contrast of 4.9 on white

_HEADING_LETTERS = 52  # that fit over a panel of the report at full size

_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.size": 9.0,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "lines.markersize": 5.0,
    "legend.frameon": False,
}


@dataclass(frozen=True)
class LimbStyle:
    """How one limb is drawn everywhere."""

    colour: str
    marker: str
    line: str
    fill: str
    label: str


def limb_style(limb: Limb | None, surgical_side: Limb | None) -> LimbStyle:
    """Return the look of a limb; None is the whole body."""
    if limb is None:
        return LimbStyle(INK, "D", "-", INK, "whole body")
    colour, marker = (LEFT, "o") if limb == "left" else (RIGHT, "s")
    first = limb == (surgical_side or "left")
    role = "" if surgical_side is None else ", surgical" if first else ", non-surgical"
    return LimbStyle(
        colour, marker, "-" if first else "--", colour if first else "white", f"{limb}{role}"
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
) -> tuple[Figure, list[Axes]]:
    """Return a figure and its axes, row by row, in the look of the report."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    across = (width_in - margins.left - margins.right - (columns - 1) * margins.across) / columns
    down = (height_in - margins.top - margins.bottom - (rows - 1) * margins.down) / rows
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(width_in, height_in))
        grid = figure.subplots(rows, columns, squeeze=False)
    figure.subplots_adjust(
        left=margins.left / width_in,
        right=1 - margins.right / width_in,
        bottom=margins.bottom / height_in,
        top=1 - margins.top / height_in,
        wspace=margins.across / across,
        hspace=margins.down / down,
    )
    return figure, list(grid.ravel())


def set_heading(axes: Axes, text: str, right: str = "") -> None:
    """Write the heading of one plot, and a remark at its right end."""
    shrink = min(1.0, _HEADING_LETTERS / (len(text) + len(right)))
    axes.set_title(text, loc="left", fontsize=9.5 * shrink, fontweight="bold", pad=5)
    axes.set_title(right, loc="right", fontsize=9.0 * shrink, pad=5)


_ONE_AT_A_TIME = Lock()  # the library's settings are those of the whole process


def svg_text(figure: Figure, name: str, description: str) -> str:
    """Return a figure as SVG to be put inside a page.

    Parameters
    ----------
    figure : Figure
    name : unique on the page; keeps the identifiers of two figures apart
    description : read aloud in place of the picture

    Notes
    -----
    Text stays text, in the page's own font; the size follows the page's width;
    metadata, comments and addresses of document types are left out.
    """
    import matplotlib as mpl

    drawn = io.StringIO()
    with _ONE_AT_A_TIME, mpl.rc_context({**_STYLE, "svg.hashsalt": name}):
        figure.savefig(drawn, format="svg", transparent=True, metadata={"Date": None})
    text = drawn.getvalue()
    text = text[text.index("<svg") :]
    for pattern, replacement in _CLEANED:
        text = re.sub(pattern, replacement, text, flags=re.DOTALL)
    label = description.replace("&", "&amp;").replace('"', "&quot;")
    return text.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)


_CLEANED = (
    (r"<metadata>.*?</metadata>|<!--.*?-->", ""),
    (r"<defs>\s*<style.*?</style>\s*</defs>", ""),  # it would reach out to the whole page
    (r'<svg [^>]*viewBox="([^"]*)"[^>]*>', r'<svg viewBox="\1">'),
    (r"font-family: [^;\"]*;? ?", ""),
    (r'<g id="[^"]*">', "<g>"),
    (r"xlink:href", "href"),
    (r"(\d\.\d\d)\d+(?=[^<>]*>)", r"\1"),  # coordinates only, not what is read
    (r"\s*\n\s*", " "),
)
