"""Whether the hip leads the knee as a leg is drawn up: which of them is bent halfway first."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from landing_analysis.tables import FloatArray


class Halfway(NamedTuple):
    """When an angle has grown by half of its whole growth, and how fast it grows there.

    ``frames`` are those beside it.
    """

    at_s: float
    deg_per_s: float
    frames: tuple[int, int]


def halfway(t_s: FloatArray, angle_deg: FloatArray, swing: slice) -> Halfway | None:
    """Return when an angle first reaches the middle between its start and its top in a swing.

    Parameters
    ----------
    t_s, angle_deg : (n_frames,) seconds and degrees
    swing : frames in which the leg is in the air

    Returns
    -------
    Halfway
        None where a part of the way up was not seen, or there is none.
    """
    inside = angle_deg[swing]
    if not np.isfinite(inside).any():
        return None
    way = inside[: int(np.nanargmax(inside)) + 1]
    if len(way) < 2 or not np.isfinite(way).all():  # definition: a start and a top
        return None
    start = int(np.argmin(way))
    middle_deg = 0.5 * (way[start] + way[-1])
    above = start + int(np.argmax(way[start:] >= middle_deg))
    if above == start:
        return None
    frame = swing.start + above
    step_s, grown_deg = t_s[frame] - t_s[frame - 1], way[above] - way[above - 1]
    at_s = float(t_s[frame] - step_s * (way[above] - middle_deg) / grown_deg)
    return Halfway(at_s, float(grown_deg / step_s), (frame - 1, frame))
