"""Where heads are in each frame, and how they are made unrecognisable."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np

from landing_analysis.tables import (
    LANDMARK,
    LANDMARK_NAMES,
    FloatArray,
    Landmarks,
    Picture,
    Poses,
)

_HEAD = [LANDMARK[name] for name in LANDMARK_NAMES[: LANDMARK["left_shoulder"]]]
_SHOULDERS = [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]
_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]
_REACH = 2.3  # of the farthest head landmark: they stop short of hair and chin (choice)
_SHARE_OF_TRUNK = 0.38  # a head is at least this wide on each side of its middle (choice)
_MOSAIC = 6  # cells across a head; too few to know anyone by


def find_heads(poses: Poses, people: Iterable[Landmarks]) -> FloatArray:
    """Return a circle around every head that may be in a frame.

    Parameters
    ----------
    poses : everybody that the model saw, so that a passer-by is covered too
    people : those who were told apart, each followed through missed frames

    Returns
    -------
    (n_frames, n, 3) centre x, centre y and radius in pixels, NaN where there is none
    """
    slots = [head_circles(poses.xy_px[:, slot]) for slot in range(poses.xy_px.shape[1])]
    followed = [through_gaps(head_circles(person.xy_px)) for person in people]
    return np.stack([*slots, *followed], axis=1)


def head_circles(xy_px: FloatArray) -> FloatArray:
    """Return a circle around one person's head in every frame.

    Parameters
    ----------
    xy_px : (n_frames, 33, 2) pixels, NaN where not seen

    Returns
    -------
    (n_frames, 3) centre x, centre y and radius in pixels, NaN where not seen
    """
    head = xy_px[:, _HEAD]
    seen = np.isfinite(head[..., 0]).any(axis=1)
    circles = np.full((len(xy_px), 3), np.nan)
    if not seen.any():
        return circles
    middle = np.nanmean(head[seen], axis=1)
    reach = np.nanmax(np.linalg.norm(head[seen] - middle[:, None], axis=2), axis=1)
    trunk = xy_px[:, _SHOULDERS].mean(axis=1) - xy_px[:, _HIPS].mean(axis=1)
    length = np.linalg.norm(trunk, axis=1)
    usual = float(np.nanmedian(length)) if np.isfinite(length).any() else 0.0
    circles[seen, :2] = middle
    circles[seen, 2] = np.maximum(_REACH * reach, _SHARE_OF_TRUNK * usual)
    return circles


def through_gaps(circles: FloatArray) -> FloatArray:
    """Fill missed frames, so that no single one of them shows a face.

    Parameters
    ----------
    circles : (n_frames, 3)

    Returns
    -------
    (n_frames, 3) with the circle between its neighbours in a gap and the nearest
    one before the first and after the last; unchanged when the head is never seen
    """
    seen = np.isfinite(circles[:, 0])
    if not seen.any():
        return circles
    frames = np.arange(len(circles))
    filled = [np.interp(frames, frames[seen], column[seen]) for column in circles.T]
    return np.stack(filled, axis=1)


def blur_heads(rgb: Picture, circles: FloatArray) -> Picture:
    """Return a picture in which every head is a coarse mosaic.

    Parameters
    ----------
    rgb : (height, width, 3)
    circles : (n, 3) centre x, centre y and radius in pixels of this picture; those
        that are not finite are left out
    """
    blurred = rgb.copy()
    height, width = rgb.shape[:2]
    for x, y, radius in circles:
        if not np.isfinite([x, y, radius]).all():
            continue
        left, right = max(0, int(x - radius)), min(width, int(x + radius) + 1)
        top, bottom = max(0, int(y - radius)), min(height, int(y + radius) + 1)
        if left >= right or top >= bottom:
            continue
        patch = blurred[top:bottom, left:right]
        few = cv2.resize(patch, (_MOSAIC, _MOSAIC), interpolation=cv2.INTER_AREA)
        coarse = cv2.resize(few, patch.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        mask = np.zeros(patch.shape[:2], np.uint8)
        cv2.circle(mask, (round(x) - left, round(y) - top), round(radius), 1, -1)
        patch[mask > 0] = coarse[mask > 0]
    return blurred
