"""Tracks -> in which frames the frontal-plane projection angle of a leg can be read, and why not.

The angle is a projection. A thigh that points at the camera is short in the picture, and a leg
turned by a degree then changes the angle by several; a foot that points away from the camera
carries the knee over it outward, however well hip, knee and foot are lined up.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from landing_analysis.maths.kinematics import fppa_deg, tilt_tangent, turned_leg_fppa_deg
from landing_analysis.reasons import Code, Reason, because
from landing_analysis.settings import AlignmentSettings
from landing_analysis.tables import LANDMARK, BoolArray, FloatArray, Limb, Tracks

Doubts = tuple[tuple[Reason, BoolArray], ...]


def fppa_doubts(tracks: Tracks, limb: Limb, settings: AlignmentSettings) -> Doubts:
    """Say in which frames of a front or back view the FPPA of a limb cannot be read.

    Parameters
    ----------
    tracks : Tracks
    limb : the patient's own
    settings : AlignmentSettings

    Returns
    -------
    tuple of (reason, (n_frames,) True where it holds), the weightiest reason first

    Notes
    -----
    Each segment is held against its own length in the picture when it stands, the 90th
    percentile over the clip. Limits: a clip without a straight leg shows no such length; a foot
    is judged by its reach across the picture alone, so that one lifted on its toes looks less
    turned.
    """
    shape = read_shape(tracks, limb, settings)
    with np.errstate(invalid="ignore"):
        return (
            (because(Code.LEG_FORESHORTENED), shape.gain > settings.most_turn_gain),
            (because(Code.FOOT_TURNED), shape.over_foot_deg > settings.most_over_foot_deg),
            (
                because(Code.LEG_UNSTEADY),
                _scatter_deg(tracks, limb, settings) > settings.most_scatter_deg,
            ),
        )


class LegShape(NamedTuple):
    """How a leg lies to the camera, (n_frames,) each.

    ``gain`` is by how many degrees a leg turned by one degree changes the FPPA;
    ``over_foot_deg`` the FPPA that a knee bent straight over its foot would show, unsigned.
    """

    gain: FloatArray
    over_foot_deg: FloatArray


def read_shape(tracks: Tracks, limb: Limb, settings: AlignmentSettings) -> LegShape:
    """Read from the lengths of thigh, shank and foot in the picture how a leg lies."""
    hip, knee, ankle, heel, toe = (
        tracks.xy_px[:, LANDMARK[f"{limb}_{part}"]]
        for part in ("hip", "knee", "ankle", "heel", "toe")
    )
    across = np.array([tracks.down[1], -tracks.down[0]])
    foot_px = settings.foot_share_of_leg * tracks.leg_px
    standing = settings.standing_percentile
    thigh, shank = (tilt_tangent(_share(part, standing)) for part in (knee - hip, ankle - knee))
    foot_sine = np.clip(np.abs((toe - heel) @ across) / foot_px, 0, 1)
    return LegShape(thigh + shank, turned_leg_fppa_deg(thigh, shank, foot_sine))


def without_doubtful(deg: FloatArray, doubts: Doubts) -> FloatArray:
    """Return (n_frames,) degrees with NaN where the angle cannot be read."""
    doubtful = np.any([where for _, where in doubts], axis=0)
    return np.where(doubtful, np.nan, deg)


def doubt_at(doubts: Doubts, frames: tuple[int, ...]) -> Reason | None:
    """Return the weightiest reason that holds in half of the frames or more, None where none."""
    chosen = np.array(frames, dtype=int)
    return next((why for why, where in doubts if 2 * where[chosen].sum() >= len(chosen)), None)


def _share(segment: FloatArray, standing_percentile: float) -> FloatArray:
    """Return the seen length of a segment over its length when it stands, (n_frames,)."""
    length = np.linalg.norm(segment, axis=1)
    known = length[np.isfinite(length)]
    standing_px = float(np.percentile(known, standing_percentile)) if len(known) else np.nan
    share: FloatArray = length / standing_px
    return share


def _scatter_deg(tracks: Tracks, limb: Limb, settings: AlignmentSettings) -> FloatArray:
    """Return how far the angle strays from its low-passed self around each frame, RMS."""
    hip, knee, ankle = (LANDMARK[f"{limb}_{part}"] for part in ("hip", "knee", "ankle"))
    unfiltered, smooth = (
        fppa_deg(points[:, hip], points[:, knee], points[:, ankle], limb, from_behind=False)
        for points in (tracks.raw_px, tracks.xy_px)
    )
    squares = (unfiltered - smooth) ** 2
    known = np.isfinite(squares)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, squares, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    reach_s = settings.scatter_reach_s
    first = np.searchsorted(tracks.t_s, tracks.t_s - reach_s)
    last = np.searchsorted(tracks.t_s, tracks.t_s + reach_s, side="right")
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter: FloatArray = np.sqrt((total[last] - total[first]) / (count[last] - count[first]))
    return scatter
