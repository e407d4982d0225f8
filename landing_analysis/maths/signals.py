"""Small tools for noisy samples on an uneven time base."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from landing_analysis.tables import BoolArray, FloatArray, IntArray

STEPS_AROUND = 19  # definition: of the running median, a third of a second at 60 frames/s
_BLOCK = 2048  # definition: windows sorted at once; for the memory, changes no value
MAD_TO_SD = 1.4826  # definition: standard deviation over median deviation, normal noise


def usual_steps_s(t_s: FloatArray) -> FloatArray:
    """Return the running median of the steps between samples, (n - 1,) seconds.

    The median of all would be wrong throughout a segment that was sampled at another rate.
    """
    steps_s = np.diff(t_s)
    if len(steps_s) <= STEPS_AROUND:
        return np.full(len(steps_s), np.median(steps_s))
    return running_median(steps_s, STEPS_AROUND // 2, "symmetric")


def running_median(y: FloatArray, reach: int, ends: Literal["edge", "symmetric"]) -> FloatArray:
    """Return the median of each sample and of ``reach`` on both sides, (n, ...).

    Parameters
    ----------
    y : (n, ...) samples; NaN counts as larger than any
    reach : samples
    ends : beyond them the last sample goes on (``edge``), or all come back (``symmetric``)
    """
    padding = [(reach, reach), *[(0, 0)] * (y.ndim - 1)]
    windows = sliding_window_view(np.pad(y, padding, mode=ends), 2 * reach + 1, axis=0)
    median: FloatArray = np.partition(windows, reach, axis=-1)[..., reach]
    return median


def running_percentile(y: FloatArray, percent: float, reach: int) -> FloatArray:
    """Return a percentile of each sample and of ``reach`` on both sides, (n,), itself a sample.

    Beyond the ends the last sample goes on.
    """
    width = 2 * reach + 1
    rank = min(int(width * percent / 100.0), width - 1)
    windows = sliding_window_view(np.pad(y, reach, mode="edge"), width)
    starts = range(0, len(windows), _BLOCK)
    blocks = (np.partition(windows[k : k + _BLOCK], rank, axis=1)[:, rank] for k in starts)
    return np.concatenate([np.empty(0), *blocks])


def local_polynomial(
    t_s: FloatArray,
    y: FloatArray,
    half_window_s: float,
    degree: int = 2,
    at: IntArray | None = None,
) -> FloatArray:
    """Fit a polynomial around every sample and return its value and derivatives there.

    Parameters
    ----------
    t_s : (n,) seconds, increasing, need not be even
    y : (n, ...) samples; NaN samples carry no weight
    half_window_s : samples farther away than this carry no weight; the window
        is widened to hold one sample more than the degree on each side
    degree : of the polynomial
    at : (m,) the samples to fit it around, None for all n

    Returns
    -------
    (degree + 1, m, ...) value, first derivative (per second), second derivative, ...;
    NaN where too few samples lie in the window

    Notes
    -----
    Weighted least squares with the tricube kernel of local regression
    (Cleveland WS. J Am Stat Assoc 1979;74:829-836; kernel from memory, sure).
    At the ends the window is one-sided and the derivatives are less certain.
    """
    t_s = np.asarray(t_s, dtype=float)
    n = len(t_s)
    centre = np.arange(n) if at is None else at
    flat = np.asarray(y, dtype=float).reshape(n, -1)
    result = np.full((degree + 1, len(centre), flat.shape[1]), np.nan)
    shape = (degree + 1, len(centre), *np.shape(y)[1:])
    if n <= degree:
        return result.reshape(shape)
    usual_s = usual_steps_s(t_s)
    step_s = np.concatenate([usual_s[:1], np.maximum(usual_s[:-1], usual_s[1:]), usual_s[-1:]])
    least_steps = degree / 2 + 1.6  # definition: holds a sample more than the degree on each side
    half_windows_s = np.maximum(half_window_s, least_steps * step_s)
    reach = int(np.ceil(np.max(half_windows_s) / usual_s.min())) + 1
    half_windows_s = half_windows_s[centre]
    index = centre[:, None] + np.arange(-reach, reach + 1)[None, :]
    inside = (index >= 0) & (index < n)
    index = np.clip(index, 0, n - 1)
    x = (t_s[index] - t_s[centre, None]) / half_windows_s[:, None]
    tricube = (1 - np.abs(np.clip(x, -1, 1)) ** 3) ** 3  # definition: of the kernel
    kernel = np.where(inside & (np.abs(x) < 1), tricube, 0.0)
    powers = x[..., None] ** np.arange(degree + 1)
    scale = [np.prod(np.arange(1, k + 1)) / half_windows_s**k for k in range(degree + 1)]
    normals_of: BoolArray | None = None  # whose samples were known; mostly those of all columns
    for column in range(flat.shape[1]):
        samples = flat[index, column]
        known = np.isfinite(samples)
        if normals_of is None or not np.array_equal(known, normals_of):
            normals_of = known
            weight = kernel * known
            enough = (weight > 0).sum(axis=1) > degree
            design = powers * weight[..., None]
            normal = np.einsum("nwi,nwj->nij", design, powers)
            normal[~enough] = np.eye(degree + 1)
        moment = np.einsum("nwi,nw->ni", design, np.where(known, samples, 0.0))
        coefficients = np.linalg.solve(normal + 1e-12 * np.eye(degree + 1), moment[..., None])
        coefficients[~enough] = np.nan
        for k in range(degree + 1):
            result[k, :, column] = coefficients[:, k, 0] * scale[k]
    return result.reshape(shape)


def noise_sd(y: FloatArray) -> FloatArray:
    """Estimate the standard deviation of white noise on smooth samples.

    Parameters
    ----------
    y : (n, ...) samples

    Returns
    -------
    (...) robust standard deviation from the third differences, NaN when fewer
    than eight differences are known

    Notes
    -----
    Third differences remove any local parabola, free fall included; noise of
    unit variance gives them a variance of 20. The median makes the few frames
    around an impact harmless.
    """
    samples = np.asarray(y, dtype=float)
    sd: FloatArray = np.full(samples.shape[1:], np.nan)
    differences = np.abs(np.diff(samples, n=3, axis=0))  # definition: third ones
    enough = np.isfinite(differences).sum(axis=0) >= 8  # definition: as the docstring says
    if enough.any():
        spread = np.nanmedian(differences[:, enough], axis=0)
        sd[enough] = MAD_TO_SD * spread / np.sqrt(20.0)  # definition: 1 + 9 + 9 + 1
    return sd


def within(t_s: FloatArray, from_s: float, until_s: float) -> slice:
    """Return which samples lie in a period, both ends included.

    Parameters
    ----------
    t_s : (n,) seconds, increasing
    """
    return slice(
        int(np.searchsorted(t_s, from_s)), int(np.searchsorted(t_s, until_s, side="right"))
    )


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """Return the segments of True as (first, last) sample numbers, both included."""
    padded = np.concatenate([[False], np.asarray(mask, dtype=bool), [False]])
    edges = np.flatnonzero(np.diff(padded.astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def close_gaps(t_s: FloatArray, mask: BoolArray, max_gap_s: float) -> BoolArray:
    """Set gaps of False between two segments of True when they last ``max_gap_s`` or less.

    Parameters
    ----------
    t_s : (n,) seconds
    mask : (n,) of bool
    max_gap_s : from the last True before to the first True after, less one frame

    Returns
    -------
    (n,) of bool
    """
    closed = np.array(mask, dtype=bool)
    for first, last in runs(~closed):
        inside = first > 0 and last < len(closed) - 1
        if inside and t_s[last] - t_s[first - 1] <= max_gap_s:
            closed[first : last + 1] = True
    return closed
