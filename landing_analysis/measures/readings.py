"""A noisy signal read at an instant: value, noise gain, slope and the frames used.

An angle at an instant is not read from one frame. Around initial contact, where the
knee changes its speed at once, two straight lines that meet at the known instant are
fitted; elsewhere a parabola is.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from landing_analysis.settings import MeasureSettings
from landing_analysis.tables import FloatArray

_FEWEST = 4  # definition: one sample more than either fit has coefficients
_LEAST_STEPS = 2.2  # definition: holds two samples on each side


class Fit(NamedTuple):
    """A value read from several samples.

    ``gain`` is the noise of the value over the noise of one sample; ``slope`` the size
    of the signal's change per second there (mean of both sides at an impact).
    """

    value: float
    gain: float
    slope: float
    frames: tuple[int, ...]


def value_at_impact(
    t_s: FloatArray, samples: FloatArray, at_s: float, settings: MeasureSettings, step_s: float
) -> Fit | None:
    """Read a signal whose slope jumps at a known instant.

    Parameters
    ----------
    t_s, samples : (n,), NaN where missing
    at_s : the instant of the jump, seconds
    settings : MeasureSettings
    step_s : usual interval between samples

    Returns
    -------
    Fit or None when fewer than four samples are near, or none on one of the sides
    """
    least_s = _LEAST_STEPS * step_s
    start_s, stop_s = max(settings.before_impact_s, least_s), max(settings.after_impact_s, least_s)
    first, t_s, samples = _around(t_s, samples, at_s, max(start_s, stop_s), step_s)
    near = (t_s > at_s - start_s) & (t_s < at_s + stop_s) & np.isfinite(samples)
    s = t_s[near] - at_s
    if len(s) < _FEWEST or s[0] >= 0 or s[-1] <= 0:
        return None
    design = np.stack([np.ones_like(s), np.minimum(s, 0), np.maximum(s, 0)], axis=1)
    coefficients, gain = _solve(design, samples[near])
    slope = 0.5 * float(np.abs(coefficients[1:]).sum())
    return Fit(float(coefficients[0]), gain, slope, _numbers(near, first))


def value_at(
    t_s: FloatArray, samples: FloatArray, at_s: float, reach_s: float, step_s: float
) -> Fit | None:
    """Read a smooth signal at an instant by a parabola over ``reach_s`` on both sides.

    Returns
    -------
    Fit or None when fewer than four samples are near
    """
    reach_s = max(reach_s, _LEAST_STEPS * step_s)
    first, t_s, samples = _around(t_s, samples, at_s, reach_s, step_s)
    near = (np.abs(t_s - at_s) <= reach_s) & np.isfinite(samples)
    if near.sum() < _FEWEST:
        return None
    s = t_s[near] - at_s
    design = np.stack([np.ones_like(s), s, s**2], axis=1)
    coefficients, gain = _solve(design, samples[near])
    return Fit(float(coefficients[0]), gain, abs(float(coefficients[1])), _numbers(near, first))


def largest_value(
    t_s: FloatArray,
    samples: FloatArray,
    smooth: FloatArray,
    window_s: tuple[float, float],
    reach_s: float,
    step_s: float,
) -> tuple[float, Fit] | None:
    """Find the largest value in a window and read it by a parabola.

    Parameters
    ----------
    t_s, samples : (n,), NaN where missing
    smooth : (n,) the same signal low-passed; it only shows where to look
    window_s : first and last instant
    reach_s : half-width of the parabola
    step_s : usual interval between samples

    Returns
    -------
    (instant in seconds, Fit) or None when too few samples are known

    Notes
    -----
    The largest value of a noisy signal reads high; finding it in the low-passed
    signal and reading it by a fit keeps that small.
    """
    inside = (t_s >= window_s[0]) & (t_s <= window_s[1]) & np.isfinite(smooth)
    if inside.sum() < _FEWEST - 1:
        return None
    at_s = float(t_s[np.flatnonzero(inside)[np.argmax(smooth[inside])]])
    _, near_s, near_samples = _around(t_s, samples, at_s, reach_s, step_s)
    near = (np.abs(near_s - at_s) <= reach_s) & np.isfinite(near_samples)
    if near.sum() >= _FEWEST:
        bend, slope, _ = np.polyfit(near_s[near] - at_s, near_samples[near], 2)
        if bend < 0:
            shift_s = float(np.clip(-slope / (2 * bend), -0.5 * reach_s, 0.5 * reach_s))
            at_s = float(np.clip(at_s + shift_s, *window_s))
    found = value_at(t_s, samples, at_s, reach_s, step_s)
    return None if found is None else (at_s, found)


def _solve(design: FloatArray, samples: FloatArray) -> tuple[FloatArray, float]:
    """Least squares; return the coefficients and the noise gain of the first."""
    coefficients = np.asarray(np.linalg.lstsq(design, samples, rcond=None)[0], dtype=float)
    covariance = np.linalg.pinv(design.T @ design)
    return coefficients, float(np.sqrt(covariance[0, 0]))


def _around(
    t_s: FloatArray, samples: FloatArray, at_s: float, reach_s: float, step_s: float
) -> tuple[int, FloatArray, FloatArray]:
    """Cut out what may lie within reach: a long clip costs no more per reading than a short one.

    Returns
    -------
    number of the first frame, its and the following times and samples
    """
    first, end = np.searchsorted(t_s, [at_s - reach_s - step_s, at_s + reach_s + step_s])
    return int(first), t_s[first:end], samples[first:end]


def _numbers(chosen: np.ndarray, first: int) -> tuple[int, ...]:
    return tuple(first + int(frame) for frame in np.flatnonzero(chosen))
