"""The instant at which something that moves comes to rest, or sets off, between two samples."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

from landing_analysis.tables import FloatArray

TRIED_EVERY_S = 0.001  # definition: the steps of the search, far finer than what it can find


class ChangePoint(NamedTuple):
    """A corner in a height: when, how well placed, level at rest, and speed away from there."""

    at_s: float
    sd_s: float
    level_m: float
    speed_m_s: float = float("nan")


class ChangePointWindows(NamedTuple):
    """How far a change point is looked for and how much of both sides is fitted, seconds."""

    search_s: float
    moving_s: float
    resting_s: float


def fit_change_point(
    t_s: FloatArray,
    height_m: FloatArray,
    near_s: float,
    kind: Literal["landing", "leaving"],
    windows: ChangePointWindows,
    noise_m: float,
    *,
    fall_m_s2: float,
    sinking_m_s: float = 0.0,
    worst_misfit_m: float,
    worst_misfit_sds: float,
    worst_misfit_share: float = 0.0,
    step_s: float,
) -> ChangePoint | None:
    """Fit a corner between moving and resting.

    Parameters
    ----------
    t_s : (n,) seconds, increasing
    height_m : (n,) height of the part, metres, up positive
    near_s : where to look
    kind : ``landing`` (moves, then rests) or ``leaving`` (rests, then moves)
    windows : ChangePointWindows; each side is widened to hold at least two samples
    noise_m : standard deviation of one sample, NaN when not known
    fall_m_s2 : downward acceleration on the moving side
    sinking_m_s : speed at which the part still goes down while it rests after a landing, or
        already goes up before it leaves
    worst_misfit_m, worst_misfit_sds, worst_misfit_share : a larger residual than all three, the
        second in standard deviations of the noise, the third as a share of the way in the moving
        window at the fitted speed, is no change point
    step_s : usual interval between samples

    Returns
    -------
    ChangePoint or None when fewer than two samples lie on either side or no change point fits

    Notes
    -----
    With s the time away from the change point on the moving side and 0 on the resting side, and r
    the same on the resting side, height = level + speed * s - fall * s^2 / 2 - sinking * r;
    level and speed are solved by least squares for each instant tried, and the instant with
    the least squared residual wins. Its standard deviation is the half-width over which the misfit
    rises by one variance of a sample.
    """
    if not np.isfinite(near_s):
        return None
    sign = 1.0 if kind == "leaving" else -1.0
    two_samples_s = 2.6 * step_s  # definition: holds two samples wherever the corner lies
    moving_s, resting_s = (max(side, two_samples_s) for side in windows[1:])
    reach_s = windows.search_s + max(moving_s, resting_s)
    near = slice(*np.searchsorted(t_s, [near_s - reach_s, near_s + reach_s]))
    t_s, height_m = t_s[near], height_m[near]
    known = np.isfinite(height_m)
    best_s = near_s
    for _ in range(2):  # the second pass centres the windows on the first one's corner
        relative = sign * (t_s - best_s)
        chosen = known & (relative > -resting_s) & (relative < moving_s)
        tried = np.arange(near_s - windows.search_s, near_s + windows.search_s, TRIED_EVERY_S)
        tried = tried[np.abs(tried - best_s) < min(moving_s, resting_s) - step_s]
        relative_s = sign * (t_s[chosen][None, :] - tried[:, None])
        s, r = np.maximum(relative_s, 0.0), np.maximum(-relative_s, 0.0)
        both_sides = ((s > 0).sum(axis=1) >= 2) & ((s == 0).sum(axis=1) >= 2)
        tried, s, r = tried[both_sides], s[both_sides], r[both_sides]
        if not len(tried):
            return None
        target = height_m[chosen][None, :] + 0.5 * fall_m_s2 * s**2 + sinking_m_s * r
        mean_s, mean_h = s.mean(axis=1), target.mean(axis=1)
        away_s, away_h = s - mean_s[:, None], target - mean_h[:, None]
        speed = (away_s * away_h).sum(axis=1) / (away_s**2).sum(axis=1)
        misfit = ((away_h - speed[:, None] * away_s) ** 2).sum(axis=1)
        misfit[speed < 0] = np.inf
        best = int(np.argmin(misfit))
        if not np.isfinite(misfit[best]):
            return None
        best_s = float(tried[best])
    freedom = int(chosen.sum()) - 3  # definition: less level, speed and instant
    residual = float(misfit[best]) / max(freedom, 1)
    variance = float(np.fmax(noise_m**2, residual))
    way_m = float(speed[best] * moving_s)
    worst_m = max(worst_misfit_m, worst_misfit_share * way_m)
    if variance > np.fmax(worst_misfit_sds * noise_m, worst_m) ** 2:
        return None
    near_best = tried[misfit <= misfit[best] + variance]
    width_s = 0.5 * float(near_best[-1] - near_best[0]) + 0.5 * TRIED_EVERY_S
    level_m = float(mean_h[best] - speed[best] * mean_s[best])
    return ChangePoint(best_s, width_s, level_m, float(speed[best]))
