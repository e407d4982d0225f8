"""Frames -> which of them show the picture before them once more, and must not be measured twice.

Editors and messengers fill a clip up to another rate by showing frames again. Such a frame
is no second look at the body.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from landing_analysis.tables import BoolArray, FloatArray, Frame, Picture

_SAMPLES = 180  # along the picture's shorter side
_BLOCK = 8  # samples: a twentieth of the shorter side, about a lower leg
_MOVED_LEVELS = 10.0  # of 255: a limb in motion changes a block by more (rendered clips)
_SURE_RATIO = 10.0  # true repeats, coded again: 11 to 90; 27 clips without any: at most 7
_LEAST_LEVELS = 0.5  # rounding of the pictures
_LONGEST_RUN = 3  # 15 frames/s shown at 60; more in a row is a still scene (choice)
_THROUGHOUT = 0.1  # of the frames in motion: then repeats are the clip's making (choice)
_NEARLY = 0.8  # of the interval that is left


def watch_changes(frames: Iterable[Frame], changes: list[float]) -> Iterator[Frame]:
    """Pass frames on and note how much each differs from the one before.

    Parameters
    ----------
    frames : in order
    changes : grows by one number per frame, grey levels; infinite for the first
    """
    before: Picture | None = None
    for frame in frames:
        samples = _samples(frame.rgb)
        changes.append(np.inf if before is None else change_between(before, samples))
        before = samples
        yield frame


def _samples(rgb: Picture) -> Picture:
    step = max(1, min(rgb.shape[:2]) // _SAMPLES)
    return rgb[::step, ::step, 1].copy()


def change_between(before: Picture, after: Picture) -> float:
    """Return the largest mean change of a block of two grey pictures, in grey levels."""
    change = np.abs(after.astype(np.int16) - before)
    rows, columns = (size // _BLOCK * _BLOCK for size in change.shape)
    if not rows or not columns:
        return float(change.max())
    blocks = change[:rows, :columns].reshape(rows // _BLOCK, _BLOCK, columns // _BLOCK, _BLOCK)
    return float(blocks.mean(axis=(1, 3)).max())


def find_repeats(t_s: FloatArray, changes: FloatArray) -> BoolArray:
    """Say which frames show the picture before them once more.

    Parameters
    ----------
    t_s : (n_frames,) seconds
    changes : (n_frames,) from `watch_changes`

    Returns
    -------
    (n_frames,) of bool

    Notes
    -----
    A frame, or up to three in a row, that hardly change between frames that change
    much show the last picture again. Where they make up a tenth of the moving frames
    the clip was filled up throughout, and its quiet parts, in which no single frame
    can be told, are thinned to the interval that is left in the moving ones.
    """
    repeats = _between_moves(changes)
    moving = repeats | (changes > _MOVED_LEVELS)
    if repeats.sum() <= _THROUGHOUT * moving.sum():
        return repeats
    kept = np.flatnonzero(~repeats)
    steps_s, filled = np.diff(t_s[kept]), np.diff(kept) > 1
    least_s = _NEARLY * float(np.median(steps_s[filled]))
    last_s = -np.inf
    for k in range(len(t_s)):
        quiet = changes[k] <= _MOVED_LEVELS
        repeats[k] = repeats[k] or (quiet and t_s[k] - last_s < least_s)
        if not repeats[k]:
            last_s = float(t_s[k])
    return repeats


def _between_moves(changes: FloatArray) -> BoolArray:
    """Find short runs of frames that hardly change between frames that change much."""
    found = np.zeros(len(changes), dtype=bool)
    for length in range(1, _LONGEST_RUN + 1):
        for first in range(2, len(changes) - length):
            run = slice(first, first + length)
            around = min(changes[first - 1], changes[first + length])
            most = max(float(changes[run].max()), _LEAST_LEVELS)
            if around > max(_MOVED_LEVELS, _SURE_RATIO * most):
                found[run] = True
    return found
