"""Tracks -> Tracks with landmarks of the leg where a person put them. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from landing_analysis.camera.stabilisation import cut, into_reference
from landing_analysis.corrections import are_swapped, place_px
from landing_analysis.landmarks.lying import laid_back, rotated
from landing_analysis.settings import ByHandSettings
from landing_analysis.tables import LANDMARK, CameraPath, Correction, FloatArray, Tracks, other_limb


def placed_by_hand(
    tracks: Tracks,
    corrections: Iterable[Correction],
    clip_t_s: FloatArray,
    camera: CameraPath | None,
    size_px: tuple[int, int],
    settings: ByHandSettings,
) -> Tracks:
    """Move landmarks to where a person put them.

    Parameters
    ----------
    tracks : Tracks
    corrections : in force
    clip_t_s : (n_frames,) seconds, as a player shows the clip
    camera : its path, None where nobody looked
    size_px : width and height of the picture
    settings : ByHandSettings

    Returns
    -------
    Tracks
        The very same without such a correction.

    Notes
    -----
    A landmark that is off in one frame is off alike in its neighbours, and angles are read from
    several frames: the same move is made in all frames within ``reach_s``, and fades out over
    as much again, sooner where the next one of the same landmark is near.
    """
    corrections = tuple(corrections)
    moves = [one for one in corrections if one.what == "landmark" and one.new]
    if not moves:
        return tracks
    swapped = are_swapped(corrections)
    as_filmed = laid_back(tracks, *size_px)
    raw, smooth, filled = tracks.raw_px.copy(), tracks.xy_px.copy(), tracks.filled.copy()
    columns = [_column(one, swapped) for one in moves]
    frames = [int(np.argmin(np.abs(clip_t_s - (one.player_s or 0.0)))) for one in moves]
    for one, column, frame in zip(moves, columns, frames, strict=True):
        others = [f for c, f in zip(columns, frames, strict=True) if c == column and f != frame]
        gap_s = min((abs(tracks.t_s[f] - tracks.t_s[frame]) for f in others), default=np.inf)
        reach_s = min(settings.reach_s, 0.5 * gap_s)
        away_s = np.abs(tracks.t_s - tracks.t_s[frame])
        share = np.clip(2.0 - away_s / reach_s, 0.0, 1.0)[:, None] if reach_s > 0 else (
            (away_s == 0).astype(float)[:, None]
        )  # fmt: skip
        new_px = _in_reference(np.array(place_px(one.new or "")), camera, size_px, frame)
        move_px = rotated(new_px - as_filmed.xy_px[frame, column], tracks.turns)
        raw[:, column] += share * move_px
        smooth[:, column] += share * move_px
        filled[share[:, 0] == 1.0, column] = False
    return replace(tracks, raw_px=raw, xy_px=smooth, filled=filled)


def _column(one: Correction, swapped: bool) -> int:
    limb = one.limb or "left"  # a landmark of a leg always names one
    return LANDMARK[f"{other_limb(limb) if swapped else limb}_{one.part}"]


def _in_reference(
    xy_px: FloatArray, camera: CameraPath | None, size_px: tuple[int, int], frame: int
) -> FloatArray:
    if camera is None:
        return xy_px
    one = cut(camera, np.arange(len(camera.known)) == frame)
    carried: FloatArray = into_reference(xy_px[None, None], one, size_px)[0, 0]
    return carried
