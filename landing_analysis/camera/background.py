"""Frames -> Segments: points of a still picture, found again in every frame.

Nothing is fitted here: while frames stream by, nobody knows yet who stands in them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from landing_analysis.settings import BackgroundSettings
from landing_analysis.tables import Frame, Picture, Segment

_Points = NDArray[np.float32]


def watch_background(
    frames: Iterable[Frame], segments: list[Segment], settings: BackgroundSettings
) -> Iterator[Frame]:
    """Pass frames on and follow points of a reference picture through them.

    Parameters
    ----------
    frames : in order
    segments : is filled once the frames are used up
    settings : BackgroundSettings

    Notes
    -----
    A patch is found where it differs from the one looked for by less than half of its own
    contrast: a search that finds nothing stays where it began and would say that all moved
    as expected. Points are always looked for as they were in the reference picture, so
    that no drift builds up (pyramidal Lucas-Kanade search, through OpenCV), near where the other
    points' motion lets them be expected. The reference is renewed when it has left the
    picture, not when it is only hidden for a while; the first row of a segment then
    belongs to the same frame as the last row of the one before. In frames that come without their
    picture points are taken to move evenly, and at the clip's end not at all.
    """
    follower: _Follower | None = None
    without = 0
    for number, frame in enumerate(frames):
        if not frame.has_picture:
            without += 1
            yield frame
            continue
        grey, scale = _small_grey(frame.rgb, settings.long_side_px)
        if follower is None:
            follower = _Follower(grey, number - without, scale, settings)
            follower.stay(without)
        elif follower.follow(grey, without):
            segments.append(follower.segment())
            follower = _Follower(grey, number, scale, settings)
        without = 0
        yield frame
    if follower is not None:
        follower.stay(without)
        segments.append(follower.segment())


def _small_grey(rgb: Picture, long_side_px: int) -> tuple[Picture, float]:
    """Return a small grey picture and how many pixels of the frame one of its pixels is."""
    height, width = rgb.shape[:2]
    scale = max(1.0, max(height, width) / long_side_px)
    size = (max(1, round(width / scale)), max(1, round(height / scale)))
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if scale > 1 else grey
    return np.asarray(small, dtype=np.uint8), scale


class _Follower:
    """Looks for the points of one reference picture in the frames after it."""

    def __init__(
        self, grey: Picture, first_frame: int, scale: float, settings: BackgroundSettings
    ) -> None:
        self._settings = settings
        self._scale = scale
        self._first_frame = first_frame
        self._picture = grey
        self._reference, self._grip = _points_to_follow(grey, settings)
        contrast = _contrast(grey, self._reference, settings.window_px)
        self._unlike_levels = settings.unlike_share * contrast
        self._size = np.array(grey.shape[::-1], dtype=np.float32)
        self._moved = np.eye(2, 3, dtype=np.float32)
        self._rows = _Rows(self._reference, settings.block_frames)
        self._last: _Points = self._reference

    def stay(self, frames: int) -> None:
        """Take the points to be where they last were, in so many frames."""
        for _ in range(frames):
            self._rows.append(self._last)

    def follow(self, grey: Picture, without: int) -> bool:
        """Look for the points in one frame; True when the reference should be renewed.

        Between it and the last one come ``without`` frames in which nobody looked.
        """
        settings = self._settings
        if len(self._reference) < settings.fewest_points:
            self._add(np.full_like(self._reference, np.nan), without)
            return len(self._rows) > settings.try_again_frames
        expected = self._reference @ self._moved[:, :2].T + self._moved[:, 2]
        found, status, unlike = cv2.calcOpticalFlowPyrLK(
            self._picture, grey, self._reference, expected.copy(),
            winSize=(settings.window_px, settings.window_px), maxLevel=settings.halvings,
            criteria=(
                cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT,
                settings.search_rounds, settings.search_settled_px,
            ),
            flags=cv2.OPTFLOW_USE_INITIAL_FLOW, minEigThreshold=settings.least_gradient,
        )  # fmt: skip
        good = (status.ravel() == 1) & (unlike.ravel() < self._unlike_levels)
        good &= ((found > 0) & (found < self._size - 1)).all(axis=1)
        self._add(np.where(good[:, None], found, np.float32(np.nan)), without)
        if good.sum() >= settings.fewest_points:
            moved, _ = cv2.estimateAffinePartial2D(
                self._reference[good],
                found[good],
                ransacReprojThreshold=settings.agreeing_within_px,
            )
            if moved is not None:
                self._moved = moved.astype(np.float32)
        in_view = ((expected > 0) & (expected < self._size - 1)).all(axis=1).mean()
        return bool(in_view < settings.least_in_view_share)

    def _add(self, row: _Points, without: int) -> None:
        for share in np.linspace(0, 1, without + 2, dtype=np.float32)[1:-1]:
            self._rows.append((1 - share) * self._last + share * row)
        self._rows.append(row)
        self._last = row

    def segment(self) -> Segment:
        """Return what was found, in pixels of the frame (origin: middle of its first pixel)."""
        xy_px = self._rows.all()
        xy_px += 0.5  # definition: from the middle of the first pixel to the picture's corner
        xy_px *= np.float32(self._scale)
        xy_px -= 0.5  # definition: and back
        return Segment(self._first_frame, xy_px, self._grip)


class _Rows:
    """Arrays of one shape, frame by frame, in blocks: small ones would scatter the memory."""

    def __init__(self, first: _Points, block_frames: int) -> None:
        self._block_frames = block_frames
        self._blocks: list[_Points] = []
        self._shape = first.shape
        self._count = 0
        self.append(first)

    def __len__(self) -> int:
        return self._count

    def append(self, row: _Points) -> None:
        place = self._count % self._block_frames
        if not place:
            self._blocks.append(np.empty((self._block_frames, *self._shape), np.float32))
        self._blocks[-1][place] = row
        self._count += 1

    def all(self) -> _Points:
        return np.concatenate(self._blocks)[: self._count]


def _points_to_follow(
    grey: Picture, settings: BackgroundSettings
) -> tuple[_Points, NDArray[np.float32]]:
    """Return the best point of each cell, (n, 2) small pixels, and its grip (n, 2, 2).

    A corner where the cell has one, else a point on an edge.
    """
    sobel_px = 3  # definition: the smallest Sobel operator
    eigen = cv2.cornerEigenValsAndVecs(grey, settings.gradient_block_px, sobel_px)
    larger, smaller = np.moveaxis(eigen[..., :2], 2, 0)
    edges = np.where(larger > settings.least_edge, larger, 0)
    strength = np.where(smaller > settings.least_corner, 1 + smaller, edges)
    points: list[tuple[int, int]] = []
    for cells in settings.cells:
        points = _best_of_cells(
            strength, max(settings.least_cell_px, max(grey.shape) // cells), settings
        )
        if len(points) >= settings.enough_points:
            break
    places = np.array(points, dtype=np.int64).reshape(-1, 2)
    of_points = eigen[places[:, 1], places[:, 0]]
    axes = of_points[:, 2:].reshape(-1, 2, 2)  # rows: directions of the larger and the smaller
    sizes = np.sqrt(of_points[:, :2] / np.maximum(of_points[:, :1], 1e-12))
    grip = np.einsum("pki,pk,pkj->pij", axes, sizes, axes)
    return places.astype(np.float32), grip.astype(np.float32)


def _contrast(grey: Picture, points: _Points, window_px: int) -> NDArray[np.float32]:
    """Return the mean deviation of the patch around each point, grey levels."""
    levels = grey.astype(np.float32)
    window = (window_px, window_px)
    deviation = cv2.blur(np.abs(levels - cv2.blur(levels, window)), window)
    columns, rows = points.astype(int).T
    return np.asarray(deviation[rows, columns], dtype=np.float32)


def _best_of_cells(
    strength: NDArray[np.float64], side: int, settings: BackgroundSettings
) -> list[tuple[int, int]]:
    """Return column and row of the strongest point of each square cell that has one."""
    rim = settings.window_px // 2 + 1
    best = []
    for top in range(rim, strength.shape[0] - rim - side // 2, side):
        for left in range(rim, strength.shape[1] - rim - side // 2, side):
            bottom, right = (
                min(start + side, size - rim)
                for start, size in zip((top, left), strength.shape, strict=True)
            )
            cell = strength[top:bottom, left:right]
            row, column = np.unravel_index(int(cell.argmax()), cell.shape)
            if cell[row, column] > 0:
                best.append((left + int(column), top + int(row)))
    return best
