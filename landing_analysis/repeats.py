"""Frames -> which of them show the picture before them once more, and must not be measured twice.

Editors and messengers fill a clip up to another rate by showing frames again. Such a frame
is no second look at the body.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from landing_analysis.signals import runs
from landing_analysis.tables import BoolArray, FloatArray, Frame, Picture

_SAMPLES = 180  # along the picture's shorter side
_BLOCK = 8  # samples: a twentieth of the shorter side, about a lower leg
_SAME_LEVELS = 1.0  # of 255; coding a picture again changes a block's mean by less (choice)
_MOVED_LEVELS = 4.0  # a limb that moves by a tenth of a block changes it by more (choice)
_LONGEST_RUN = 3  # 15 frames/s shown at 60; more in a row is a still scene (choice)
_THROUGHOUT = 0.1  # of the frames in motion: then repeats are the clip's making (choice)
_NEARLY = 0.75  # of the rate that is left


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
    A frame like the last one is a repeat where the body moves before and after it. A
    scene in which nothing moves for longer is no repeat: nothing is lost by measuring
    it. Where repeats make up a tenth of the moving frames the clip was filled up
    throughout, and its still parts are thinned to the same rate.
    """
    same = changes < _SAME_LEVELS
    repeats = np.zeros(len(t_s), dtype=bool)
    for first, last in runs(same):
        moved_before = first > 0 and changes[first - 1] > _MOVED_LEVELS
        moves_after = last + 1 < len(same) and changes[last + 1] > _MOVED_LEVELS
        if last - first < _LONGEST_RUN and moved_before and moves_after:
            repeats[first : last + 1] = True
    moving = repeats | (changes > _MOVED_LEVELS)
    if repeats.sum() <= _THROUGHOUT * moving.sum():
        return repeats
    kept_s = t_s[moving & ~repeats]
    least_s = _NEARLY * float(np.median(np.diff(kept_s))) if len(kept_s) > 1 else 0.0
    last_s = -np.inf
    for k in range(len(t_s)):
        if same[k] and t_s[k] - last_s < least_s:
            repeats[k] = True
        if not repeats[k]:
            last_s = float(t_s[k])
    return repeats
