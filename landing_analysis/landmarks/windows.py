"""Windows: the square of the picture in which the landmark network looks for one body.

A window is (4,): its centre x and y and its side in pixels, counted from the outer edge of the
picture's first pixel, and the turn of its top side in radians, clockwise. The detector lays one
around everybody whom it sees. Between two of its windows around one person another is interpolated,
at half of a look's cost (tests/accuracy/methods/pose_engine.md).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from landing_analysis.tables import FloatArray, Frame, Seen

WINDOW_VALUES = 4


class InWindow(NamedTuple):
    """A frame to be looked at in one window, (4,), without the detector."""

    frame: Frame
    window_px: FloatArray


class Relaid(NamedTuple):
    """How the detector's windows are laid anew: what is kept of their side, and what is added.

    Attributes
    ----------
    side_share : of a window's side that is left
    lower : by which it lies lower, in its own sides
    turn : radians, clockwise
    """

    side_share: float
    lower: float
    turn: float

    def of(self, windows_px: FloatArray) -> FloatArray:
        """Return windows, (n, 4), laid anew."""
        x, y, side, turn = windows_px.T
        new = x, y + self.lower * side, self.side_share * side, turn + self.turn
        return np.stack(new, axis=-1)


def to_picture(window_px: FloatArray, size_px: int) -> FloatArray:
    """Return (2, 3) what takes points of a cut-out, so many pixels wide, to the picture."""
    x, y, side, turn = window_px
    scale = side / size_px
    turned = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    origin = np.array([x, y]) - turned @ np.full(2, size_px / 2)
    return np.column_stack([turned, origin])


def between(before: Seen, after: Seen, t_s: float, most_change: float) -> FloatArray | None:
    """Return the window, (4,), of a moment between two looks with windows of the detector.

    Parameters
    ----------
    before, after : the looks
    t_s : the moment
    most_change : of place and side, in sides of the smaller window

    Returns
    -------
    (4,) or None
        None where not one and the same person is alone in both.
    """
    ends = [one.windows_px for one in (before, after) if one.windows_px is not None]
    if [len(windows) for windows in ends] != [1, 1] or np.isnan(ends).any():
        return None
    first, last = ends[0][0], ends[1][0].copy()
    last[3] = first[3] + (last[3] - first[3] + np.pi) % (2 * np.pi) - np.pi
    if np.abs(last[:3] - first[:3]).max() > most_change * min(first[2], last[2]):
        return None
    share = (t_s - before.t_s) / (after.t_s - before.t_s)
    window: FloatArray = first + share * (last - first)
    return window
