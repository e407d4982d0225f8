"""The body as a whole: where its centre of mass is, and whether it flew through a gap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from landing_analysis.definitions import GRAVITY_M_S2
from landing_analysis.settings import ContactSettings
from landing_analysis.tables import LANDMARK, LIMBS, FloatArray

_SEGMENTS = (
    (0.678, "hip", "shoulder", 0.626),  # definition: head, arms and trunk
    (0.200, "hip", "knee", 0.433),  # definition: thigh
    (0.122, "knee", "ankle", 0.606),  # definition: shank and foot
)
"""Share of the body's mass of both sides, proximal and distal landmark, centre from proximal."""


_OF_BODY = (
    "body_half_window_s", "body_off_late_s", "body_off_sd_s", "body_on_early_s", "body_on_sd_s",
    "off_before_body_s", "off_after_body_s", "on_before_body_s",
)  # fmt: skip
"""Settings that say how long the body takes to begin and to end its fall."""


def slower(settings: ContactSettings, pull_m_s2: float) -> ContactSettings:
    """Return the settings for a body that cords pull less than gravity does.

    All that such a body does lasts longer by the square root of the ratio of the pulls, as a
    pendulum's swing does, and over that longer time noise hides its weaker accelerations no more.
    """
    longer = float(np.sqrt(GRAVITY_M_S2 / pull_m_s2))
    if longer <= 1.0:
        return settings
    times = {name: longer * getattr(settings, name) for name in _OF_BODY}
    return replace(settings, **times)


def centre_of_mass_m(height_m: FloatArray) -> FloatArray:
    """Return the height of the body's centre of mass.

    Parameters
    ----------
    height_m : (n_frames, N_LANDMARKS) heights, up positive

    Returns
    -------
    (n_frames,) in the unit of ``height_m``, NaN where a shoulder, hip, knee or ankle is not seen

    Notes
    -----
    Segment masses and centres: Winter DA, Biomechanics and Motor Control of Human Movement,
    table 4.1, after Dempster WT 1955 (from memory, sure). The middle of hips and shoulders
    lies 0.1 m lower against it when the knees are drawn up to the chest. Arms count as hanging.
    """
    middle = {
        part: np.mean([height_m[:, LANDMARK[f"{limb}_{part}"]] for limb in LIMBS], axis=0)
        for part in ("shoulder", "hip", "knee", "ankle")
    }
    total: FloatArray = np.sum(
        [
            mass * (middle[upper] + share * (middle[lower] - middle[upper]))
            for mass, upper, lower, share in _SEGMENTS
        ],
        axis=0,
    )
    return total


def flown_through(
    t_s: FloatArray,
    mass_m: FloatArray,
    start: int,
    gap: tuple[int, int],
    stop: int,
    pull_m_s2: float = GRAVITY_M_S2,
) -> float:
    """Say how far a body flew on through a gap between two falls.

    Parameters
    ----------
    t_s, mass_m : (n_frames,) seconds, and heights of the centre of mass in metres
    start, stop : frames in which the first fall begins and the second ends
    gap : first and last frame between them
    pull_m_s2 : what a body falls with

    Returns
    -------
    float
        1 where the body is, in the gap, as high above the line between both ends as one
        free-fall arc through both would carry it; 0 or less where something caught it
        there. NaN where it was not seen.

    Notes
    -----
    A ground contact of duration D between flights of T each puts the body at or below the
    line; one arc lies g (2 T + D)^2 / 8 above it: 0.18 m for two flights of 0.15 s and a
    contact of 0.08 s. So no knowledge of accelerations, which posture disturbs, is asked for.
    """
    inside = slice(gap[0], gap[1] + 1)
    since_s, until_s = t_s[inside] - t_s[start], t_s[stop] - t_s[inside]
    line_m = (until_s * mass_m[start] + since_s * mass_m[stop]) / (t_s[stop] - t_s[start])
    arc_m = 0.5 * pull_m_s2 * since_s * until_s
    above_m = (mass_m[inside] - line_m)[np.isfinite(mass_m[inside])]
    return float(np.mean(above_m) / np.mean(arc_m)) if len(above_m) else float("nan")
