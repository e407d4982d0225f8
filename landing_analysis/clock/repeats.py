"""Frames -> which of them show the picture before them once more, and must not be measured twice.

Editors and messengers fill a clip up to another rate by showing frames again. Such a frame
is no second look at the body.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from landing_analysis.settings import RepeatSettings
from landing_analysis.tables import BoolArray, FloatArray, Frame, Picture


def watch_changes(
    frames: Iterable[Frame], changes: list[float], settings: RepeatSettings
) -> Iterator[Frame]:
    """Pass frames on and note how much each differs from the one before.

    Parameters
    ----------
    frames : in order
    changes : grows by one number per frame, grey levels; infinite for the first
    settings : RepeatSettings
    """
    before: Picture | None = None
    for frame in frames:
        samples = frame.brightness
        if samples is None:
            samples = _samples(frame.rgb, settings.short_side_samples)
        change = np.inf if before is None else change_between(before, samples, settings)
        changes.append(change)
        before = samples
        yield frame


def _samples(rgb: Picture, short_side: int) -> Picture:
    step = max(1, min(rgb.shape[:2]) // short_side)
    return rgb[::step, ::step, 1].copy()


def change_between(before: Picture, after: Picture, settings: RepeatSettings) -> float:
    """Return the largest mean change of a block of two grey pictures, in grey levels."""
    change = np.abs(after.astype(np.int16) - before)
    side = settings.block_samples
    rows, columns = (size // side * side for size in change.shape)
    if not rows or not columns:
        return float(change.max())
    blocks = change[:rows, :columns].reshape(rows // side, side, columns // side, side)
    return float(blocks.mean(axis=(1, 3)).max())


def find_repeats(t_s: FloatArray, changes: FloatArray, settings: RepeatSettings) -> BoolArray:
    """Say which frames show the picture before them once more.

    Parameters
    ----------
    t_s : (n_frames,) seconds
    changes : (n_frames,) from `watch_changes`
    settings : RepeatSettings

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
    repeats = _between_moves(changes, settings)
    moving = repeats | (changes > settings.moved_levels)
    if repeats.sum() <= settings.throughout_share * moving.sum():
        return repeats
    kept = np.flatnonzero(~repeats)
    steps_s, filled = np.diff(t_s[kept]), np.diff(kept) > 1
    least_s = settings.nearly_share * float(np.median(steps_s[filled]))
    last_s = -np.inf
    for k in range(len(t_s)):
        quiet = changes[k] <= settings.moved_levels
        repeats[k] = repeats[k] or (quiet and t_s[k] - last_s < least_s)
        if not repeats[k]:
            last_s = float(t_s[k])
    return repeats


def _between_moves(changes: FloatArray, settings: RepeatSettings) -> BoolArray:
    """Find short runs of frames that hardly change between frames that change much."""
    found = np.zeros(len(changes), dtype=bool)
    for length in range(1, settings.longest_run_frames + 1):
        for first in range(2, len(changes) - length):
            run = slice(first, first + length)
            around = min(changes[first - 1], changes[first + length])
            most = max(float(changes[run].max()), settings.least_levels)
            if around > max(settings.moved_levels, settings.sure_ratio * most):
                found[run] = True
    return found
