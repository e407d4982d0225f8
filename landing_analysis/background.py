"""Frames -> Stretches: points of a still picture, found again in every frame.

Nothing is fitted here: while frames stream by, nobody knows yet who stands in them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from landing_analysis.tables import Frame, Picture, Stretch

_LONG_SIDE_PX = 640  # of the small grey picture that is searched (choice: speed)
_CELLS = (16, 24, 32)  # along the long side; the best corner of each cell is followed
_ENOUGH, _MOST = 80, 100  # points; finer cells are tried for fewer
_WINDOW_PX = 15  # of the small picture, matched around each point
_LEVELS = 3  # halvings of it: points are found up to 50 small pixels from where expected
_LEAST_CORNER = 2e-5  # of cv2.cornerMinEigenVal; weaker ones add few that stay (rendered clips)
_UNLIKE_LEVELS = 12.0  # grey levels between what was looked for and what was found
_LEAST_IN_VIEW = 0.6  # of the points; fewer and the reference picture is renewed
_FEWEST = 12  # points found; fewer for `_LOST_FRAMES` and the reference picture is renewed
_LOST_FRAMES = 12

_Points = NDArray[np.float32]


def watch_background(frames: Iterable[Frame], stretches: list[Stretch]) -> Iterator[Frame]:
    """Pass frames on and follow points of a reference picture through them.

    Parameters
    ----------
    frames : in order
    stretches : is filled once the frames are used up

    Notes
    -----
    Points are always looked for as they were in the reference picture, so that no drift
    builds up (pyramidal Lucas-Kanade search, through OpenCV), near where the other
    points' motion lets them be expected. The reference is renewed when it has left the
    picture; the first row of a stretch then belongs to the same frame as the last row
    of the one before.
    """
    follower: _Follower | None = None
    for number, frame in enumerate(frames):
        grey, scale = _small_grey(frame.rgb)
        if follower is None:
            follower = _Follower(grey, number, scale)
        elif follower.follow(grey):
            stretches.append(follower.stretch())
            follower = _Follower(grey, number, scale)
        yield frame
    if follower is not None:
        stretches.append(follower.stretch())


def _small_grey(rgb: Picture) -> tuple[Picture, float]:
    """Return a small grey picture and how many pixels of the frame one of its pixels is."""
    height, width = rgb.shape[:2]
    scale = max(1.0, max(height, width) / _LONG_SIDE_PX)
    size = (max(1, round(width / scale)), max(1, round(height / scale)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if scale > 1 else rgb
    grey: Picture = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    return grey, scale


class _Follower:
    """Looks for the points of one reference picture in the frames after it."""

    def __init__(self, grey: Picture, first_frame: int, scale: float) -> None:
        self._scale = scale
        self._first_frame = first_frame
        self._picture = grey
        self._reference = _corners(grey)
        self._size = np.array(grey.shape[::-1], dtype=np.float32)
        self._moved = np.eye(2, 3, dtype=np.float32)
        self._rows = [self._reference]
        self._lost_for = 0

    def follow(self, grey: Picture) -> bool:
        """Look for the points in one frame; True when the reference should be renewed."""
        if not len(self._reference):
            self._rows.append(self._reference)
            self._lost_for += 1
            return self._lost_for >= _LOST_FRAMES
        expected = self._reference @ self._moved[:, :2].T + self._moved[:, 2]
        found, status, unlike = cv2.calcOpticalFlowPyrLK(
            self._picture, grey, self._reference, expected.copy(),
            winSize=(_WINDOW_PX, _WINDOW_PX), maxLevel=_LEVELS,
            criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 10, 0.03),
            flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
        )  # fmt: skip
        good = (status.ravel() == 1) & (unlike.ravel() < _UNLIKE_LEVELS)
        good &= ((found > 0) & (found < self._size - 1)).all(axis=1)
        self._rows.append(np.where(good[:, None], found, np.float32(np.nan)))
        if good.sum() >= _FEWEST:
            moved, _ = cv2.estimateAffinePartial2D(
                self._reference[good], found[good], ransacReprojThreshold=1.5
            )
            if moved is not None:
                self._moved = moved.astype(np.float32)
        self._lost_for = 0 if good.sum() >= _FEWEST else self._lost_for + 1
        in_view = ((expected > 0) & (expected < self._size - 1)).all(axis=1).mean()
        return bool(in_view < _LEAST_IN_VIEW) or self._lost_for >= _LOST_FRAMES

    def stretch(self) -> Stretch:
        """Return what was found, in pixels of the frame (origin: middle of its first pixel)."""
        small = np.stack(self._rows)
        return Stretch(self._first_frame, (small + 0.5) * np.float32(self._scale) - 0.5)


def _corners(grey: Picture) -> _Points:
    """Return the best corners of a picture, spread over it, (n, 2) small pixels."""
    strength = np.asarray(cv2.cornerMinEigenVal(grey, 5), dtype=np.float32)
    found: list[tuple[float, int, int]] = []
    for cells in _CELLS:
        found = _best_of_cells(strength, max(4, max(grey.shape) // cells))
        if len(found) >= _ENOUGH:
            break
    best = sorted(found, reverse=True)[:_MOST]
    return np.array([place for _, *place in best], dtype=np.float32).reshape(-1, 2)


def _best_of_cells(strength: NDArray[np.float32], side: int) -> list[tuple[float, int, int]]:
    """Return strength, column and row of the best corner of each square cell."""
    rim = _WINDOW_PX // 2 + 1
    best = []
    for top in range(rim, strength.shape[0] - rim - side // 2, side):
        for left in range(rim, strength.shape[1] - rim - side // 2, side):
            bottom, right = (
                min(start + side, size - rim)
                for start, size in zip((top, left), strength.shape, strict=True)
            )
            cell = strength[top:bottom, left:right]
            row, column = np.unravel_index(int(cell.argmax()), cell.shape)
            if cell[row, column] > _LEAST_CORNER:
                best.append((float(cell[row, column]), left + int(column), top + int(row)))
    return best
