"""The look of every plot and picture.

Limbs differ by colour and by more than colour: the left is a circle, the right a
square; the surgical limb is filled and drawn solid, the other open and dashed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from landing_analysis.tables import Limb

Line = Literal["-", "--", ":"]
Marker = Literal["o", "s", "D"]
"""Unbroken, dashed, dotted; a circle, a square, a diamond."""

INK = "#22303c"
MUTED = "#5f6b76"
RULE = "#d5dade"
PALE = "#eef1f3"
LEFT = "#0072b2"  # blue and vermilion after Okabe and Ito (memory, sure), the latter darkened
RIGHT = "#c24e00"  # to a contrast of 4.9 on white


@dataclass(frozen=True)
class LimbStyle:
    """How one limb is drawn everywhere."""

    colour: str
    marker: Marker
    line: Line
    fill: str
    label: str


def limb_style(limb: Limb | None, surgical_side: Limb | None) -> LimbStyle:
    """Return the look of a limb; None is the whole body."""
    if limb is None:
        return LimbStyle(INK, "D", "-", INK, "whole body")
    colour = LEFT if limb == "left" else RIGHT
    marker: Marker = "o" if limb == "left" else "s"
    first = limb == (surgical_side or "left")
    role = "" if surgical_side is None else ", surgical" if first else ", non-surgical"
    return LimbStyle(
        colour, marker, "-" if first else "--", colour if first else "white", f"{limb}{role}"
    )
