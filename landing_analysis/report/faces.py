"""Where heads are in each frame, and how they are made unrecognisable."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import cv2
import numpy as np

from landing_analysis.tables import (
    LANDMARK,
    LANDMARK_NAMES,
    FloatArray,
    IntArray,
    Landmarks,
    Picture,
    Poses,
)

_HEAD = [LANDMARK[name] for name in LANDMARK_NAMES[: LANDMARK["left_shoulder"]]]
_SHOULDERS = [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]
_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]
_REACH = 2.6  # of the farthest head landmark: they stop short of hair and chin (choice)
_SHARE_OF_TRUNK = 0.45  # a head is at least this wide on each side of its middle (choice)
_MOSAIC = 6  # cells across a head; too few to know anyone by
_HELD_S = 0.5  # a head is there before the model finds it, and after it loses it (choice)
_LOST_S = 1.0  # one found again within this is the same head (choice)
_SPEED_OVER_S = 0.25  # over which a head's speed is read (choice)
_REACH_RADII, _REACH_RADII_PER_S = 1.5, 4.0  # from where a head should be: a fast walk (choice)


def find_heads(poses: Poses, people: Iterable[Landmarks]) -> FloatArray:
    """Return a circle around every head that may be in a frame.

    Parameters
    ----------
    poses : everybody that the model saw in any frame, measured or not, upright or not, so
        that a passer-by is covered too
    people : those who were told apart, each followed through missed frames

    Returns
    -------
    (n_frames, n, 3) centre x, centre y and radius in pixels, NaN where there is none

    Notes
    -----
    A head is covered wherever the model sees it, in the frames that miss it between, for
    half a second before and after along its way, growing with the time, and that of somebody
    who is seen in much of the clip in all frames. Limit: a face that the model never
    finds, as of a fourth person or of one whose body is hidden, stays as it is.
    """
    followed = [through_gaps(head_circles(person.xy_px)) for person in people]
    return np.stack([*_lanes(poses.t_s, _heads_seen(poses)), *followed], axis=1)


@dataclass(eq=False)
class _Head:
    """One head while it is followed: its frames and its circles in them."""

    frames: list[int] = field(default_factory=list)
    circles: list[FloatArray] = field(default_factory=list)

    def at_px(self, t_s: FloatArray, frame: int, *, back: bool = False) -> FloatArray:
        """Return the head's middle some time after its last frame, or before its first."""
        last, step = (0, 1) if back else (len(self.frames) - 1, -1)
        known_s = t_s[self.frames[last]]
        k = last
        while 0 <= k + step < len(self.frames) and (
            abs(t_s[self.frames[k + step]] - known_s) <= _SPEED_OVER_S
        ):
            k += step
        gap_s = t_s[frame] - known_s
        moved_px = np.zeros(2)
        if k != last:
            moved_px = self.circles[last][:2] - self.circles[k][:2]
            moved_px *= gap_s / (known_s - t_s[self.frames[k]])
        return self.circles[last][:2] + moved_px


def _heads_seen(poses: Poses) -> list[_Head]:
    """Follow every head from frame to frame; whose it is does not matter."""
    by_slot = [
        head_circles(poses.xy_px[:, slot], one_person=False) for slot in range(poses.xy_px.shape[1])
    ]
    seen = np.stack(by_slot, axis=1) if by_slot else np.empty((len(poses.t_s), 0, 3))
    heads: list[_Head] = []
    live: list[_Head] = []
    for frame, circles in enumerate(seen):
        live = [h for h in live if poses.t_s[frame] - poses.t_s[h.frames[-1]] <= _LOST_S]
        free = list(live)
        for circle in circles[np.isfinite(circles[:, 0])]:
            head = _nearest(free, circle, poses.t_s, frame)
            if head is None:
                head = _Head()
                heads.append(head)
                live.append(head)
            else:
                free.remove(head)
            head.frames.append(frame)
            head.circles.append(circle)
    return heads


def _nearest(
    heads: list[_Head], circle: FloatArray, t_s: FloatArray, frame: int
) -> _Head | None:  # fmt: skip
    """Return the head that should be nearest to a circle, None when none is in reach."""
    best, least = None, np.inf
    for head in heads:
        reach = _REACH_RADII + _REACH_RADII_PER_S * (t_s[frame] - t_s[head.frames[-1]])
        away = float(np.linalg.norm(head.at_px(t_s, frame) - circle[:2])) / circle[2]
        if away <= min(reach, least):
            best, least = head, away
    return best


def _lanes(t_s: FloatArray, heads: list[_Head]) -> list[FloatArray]:
    """Lay heads side by side, those after one another into one lane of (n_frames, 3)."""
    lanes: list[FloatArray] = []
    for head in heads:
        first = int(np.searchsorted(t_s, t_s[head.frames[0]] - _HELD_S))
        end = int(np.searchsorted(t_s, t_s[head.frames[-1]] + _HELD_S, side="right"))
        lane = next((lane for lane in lanes if np.isnan(lane[first:end]).all()), None)
        if lane is None:
            lane = np.full((len(t_s), 3), np.nan)
            lanes.append(lane)
        lane[first:end] = _through(t_s, head, np.arange(first, end))
    return lanes


def _through(t_s: FloatArray, head: _Head, frames: IntArray) -> FloatArray:
    """Return a head's circles in frames, between those that saw it and beyond, where they grow."""
    known, known_s, at_s = np.array(head.circles), t_s[head.frames], t_s[frames]
    known[:, 2] = np.maximum(known[:, 2], np.median(known[:, 2]))
    circles = np.stack([np.interp(at_s, known_s, column) for column in known.T], axis=1)
    for row, frame in enumerate(frames):
        if not head.frames[0] <= frame <= head.frames[-1]:
            circles[row, :2] = head.at_px(t_s, frame, back=frame < head.frames[0])
    after = np.searchsorted(known_s, at_s)
    nearest_s = np.minimum(
        np.abs(at_s - known_s[np.minimum(after, len(known_s) - 1)]),
        np.abs(at_s - known_s[np.maximum(after - 1, 0)]),
    )
    circles[:, 2] *= 1.0 + nearest_s / _HELD_S
    return circles


def head_circles(xy_px: FloatArray, *, one_person: bool = True) -> FloatArray:
    """Return a circle around one head in every frame.

    Parameters
    ----------
    xy_px : (n_frames, 33, 2) pixels, NaN where not seen
    one_person : the same in all frames, whose trunk is as long when it leans to the camera

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
    length = np.nan_to_num(np.linalg.norm(trunk, axis=1))
    if one_person and length.any():
        length = np.maximum(length, np.median(length[length > 0]))
    circles[seen, :2] = middle
    circles[seen, 2] = np.maximum(_REACH * reach, _SHARE_OF_TRUNK * length[seen])
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


def blur_heads(rgb: Picture, circles: FloatArray) -> None:
    """Make every head in a picture a coarse mosaic.

    Parameters
    ----------
    rgb : (height, width, 3); changed in place
    circles : (n, 3) centre x, centre y and radius in pixels of this picture; those
        that are not finite are left out
    """
    height, width = rgb.shape[:2]
    for x, y, radius in circles[np.isfinite(circles).all(axis=1)]:
        left, right = max(0, int(x - radius)), min(width, int(x + radius) + 1)
        top, bottom = max(0, int(y - radius)), min(height, int(y + radius) + 1)
        if left >= right or top >= bottom:
            continue
        patch = rgb[top:bottom, left:right]
        few = cv2.resize(patch, (_MOSAIC, _MOSAIC), interpolation=cv2.INTER_AREA)
        coarse = cv2.resize(few, patch.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        mask = np.zeros(patch.shape[:2], np.uint8)
        cv2.circle(mask, (round(x) - left, round(y) - top), round(radius), 1, -1)
        cv2.copyTo(coarse, mask, patch)
