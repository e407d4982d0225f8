"""What the numbers mean with which the two networks of a pose bundle answer.

The layout of the numbers and the limits below belong to the networks as they were trained; both
are public with them (Apache License 2.0) and hold for all their sizes. That this reads them as the
publisher's own engine does is checked in tests/frozen/test_engine.py.
"""

from __future__ import annotations

import numpy as np

from landing_analysis.landmarks.windows import WINDOW_VALUES
from landing_analysis.tables import N_LANDMARKS, FloatArray

VALUES = 6  # definition: x, y in pixels, visibility, world x, y, z in metres

# The detector: cells across its picture, and how many boxes begin in the middle of each.
_CELLS = ((28, 2), (14, 2), (7, 6))  # definition: of the network
ANCHORS = sum(cells**2 * boxes for cells, boxes in _CELLS)
BOX_VALUES = 12  # definition: x and y of what is named below, and of two more points
_CENTRE, _SIZE = 0, 1
_MIDDLE_AND_TOP = [2, 3]  # definition: mid-hip, and a point above it that says size and turn
_LIKELY = 0.5  # definition: score from which a box counts
_SAME_BODY = 0.3  # definition: share of two boxes' union that they have in common
_LARGEST_LOGIT = 100.0  # definition: of the network
_WINDOW = 2.5  # definition: side of the window, in distances from mid-hip to the second point

# The landmark network.
POINTS = 39  # definition: the 33 landmarks and six that help to follow a body
POINT_VALUES = 5  # definition: x, y, z in pixels of the cut-out, logits of visible and of there
PLACE_VALUES = 3  # definition: x, y, z in metres
MAP_CELLS = 64  # definition: across each landmark's map of logits
_REACH = 3  # definition: cells around a landmark in which its map refines it
_THERE = 0.5  # definition: probability from which a body is there
_SURE = 0.5  # definition: a map that is nowhere more certain refines nothing


def windows_of(
    boxes: FloatArray, scores: FloatArray, side_px: int, to_px: FloatArray, max_people: int
) -> FloatArray:
    """Return the windows of the detector's answer, the likeliest first.

    Parameters
    ----------
    boxes : (2254, 12) in pixels of its picture, from where each box begins
    scores : (2254,) logits
    side_px : of its picture
    to_px : (2, 3) `windows.to_picture` of its picture
    max_people : windows at most

    Returns
    -------
    (people, 4)
        As in `windows`. Boxes of the same body are averaged by their scores.
    """
    chance = _sigmoid(np.clip(scores, -_LARGEST_LOGIT, _LARGEST_LOGIT))
    likely = np.flatnonzero(chance >= _LIKELY)
    likely = likely[np.argsort(-chance[likely], kind="stable")]
    weights = chance[likely]
    pairs = boxes[likely].reshape(-1, BOX_VALUES // 2, 2)
    pairs[:, np.arange(BOX_VALUES // 2) != _SIZE] += side_px * _ANCHORS[likely][:, None]
    low, high = (pairs[:, _CENTRE] + way * pairs[:, _SIZE] / 2 for way in (-1, 1))
    windows: list[FloatArray] = []
    left = np.arange(len(likely))
    while len(left) and len(windows) < max_people:
        first = left[0]
        same = _in_common(low[left], high[left], low[first], high[first]) > _SAME_BODY
        same[0] = True
        body = np.average(pairs[left[same]], axis=0, weights=weights[left[same]])
        windows.append(_window(body[_MIDDLE_AND_TOP] @ to_px[:, :2].T + to_px[:, 2]))
        left = left[~same]
    return np.array(windows).reshape(-1, WINDOW_VALUES)


def is_there(chance: float) -> bool:
    """Say whether the landmark network sees a body at all."""
    return chance >= _THERE


def body_of(
    points: FloatArray, places: FloatArray, maps: FloatArray, side_px: int, to_px: FloatArray
) -> FloatArray:
    """Return the body of the landmark network's answer.

    Parameters
    ----------
    points : (39 * 5,) in pixels of the cut-out
    places : (39 * 3,) in metres, upright in the cut-out
    maps : (64, 64, 39) logits of where each point is
    side_px : of the cut-out
    to_px : (2, 3) `windows.to_picture` of its window

    Returns
    -------
    (33, 6)
        x and y in pixels from the centre of the picture's top-left pixel, visibility, and
        x, y, z in metres from mid-hip, upright in the picture.
    """
    points = points.reshape(POINTS, POINT_VALUES)[:N_LANDMARKS]
    cut_out_px = side_px * _refined(points[:, :2] / side_px, maps[..., :N_LANDMARKS])
    upright = to_px[:, :2] / np.hypot(*to_px[:, 0])
    body = np.empty((N_LANDMARKS, VALUES))
    # The networks count from the outer edge of the first pixel.
    body[:, :2] = cut_out_px @ to_px[:, :2].T + to_px[:, 2] - 0.5
    body[:, 2] = _sigmoid(points[:, 3])
    body[:, 3:] = places.reshape(POINTS, PLACE_VALUES)[:N_LANDMARKS]
    body[:, 3:5] = body[:, 3:5] @ upright.T
    return body


def _anchors() -> FloatArray:
    """Return (2254, 2) where boxes begin, row by row, in sides of the detector's picture."""
    found = []
    for cells, boxes in _CELLS:
        middle = (np.arange(cells) + 0.5) / cells
        x, y = np.meshgrid(middle, middle)
        found.append(np.repeat(np.column_stack([x.ravel(), y.ravel()]), boxes, axis=0))
    return np.concatenate(found)


_ANCHORS = _anchors()


def _in_common(
    low: FloatArray, high: FloatArray, low_one: FloatArray, high_one: FloatArray
) -> FloatArray:
    """Return what share of their union boxes, (n, 2) corners, have in common with one box."""
    overlap = np.clip(np.minimum(high, high_one) - np.maximum(low, low_one), 0, None).prod(axis=1)
    union = (high - low).prod(axis=1) + (high_one - low_one).prod() - overlap
    share: FloatArray = np.divide(overlap, union, out=np.zeros_like(overlap), where=union > 0)
    return share


def _window(middle_and_top_px: FloatArray) -> FloatArray:
    """Return the window, (4,), from mid-hip and the point that says size and turn, (2, 2)."""
    middle, top = middle_and_top_px
    right, down = top - middle
    return np.array([*middle, _WINDOW * np.hypot(right, down), np.arctan2(right, -down)])


def _refined(at: FloatArray, maps: FloatArray) -> FloatArray:
    """Return places, (n, 2) of 0 to 1, drawn to where their maps are certain around them."""
    cell = (at * MAP_CELLS).astype(int)
    around = np.arange(-_REACH, _REACH + 1)
    column, row = (cell[:, axis, None] + around for axis in range(2))
    inside = [(index >= 0) & (index < MAP_CELLS) for index in (column, row)]
    last = MAP_CELLS - 1
    logits = maps[
        np.clip(row, 0, last)[:, :, None],
        np.clip(column, 0, last)[:, None, :],
        np.arange(len(at))[:, None, None],
    ]
    chance = _sigmoid(logits) * (inside[1][:, :, None] & inside[0][:, None, :])
    sure = (chance.max(axis=(1, 2)) >= _SURE) & ((cell >= 0) & (cell <= last)).all(axis=1)
    whole = np.where(sure, chance.sum(axis=(1, 2)), 1)
    drawn = np.column_stack(
        [
            np.einsum("nrc,nc->n", chance, column),
            np.einsum("nrc,nr->n", chance, row),
        ]
    )
    return np.where(sure[:, None], drawn / (MAP_CELLS * whole)[:, None], at)


def _sigmoid(logits: FloatArray) -> FloatArray:
    return np.asarray(1 / (1 + np.exp(-logits)))
