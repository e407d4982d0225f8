"""The knee's angle around initial contact, landing by landing and as a mean with its spread.

For laying one set over another; no measure is read from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from landing_analysis.settings import CurveSettings
from landing_analysis.tables import LIMBS, Analysis, FloatArray, Limb

_DRAWN = CurveSettings()


@dataclass(frozen=True)
class AlignedCurves:
    """One limb's knee angle around its own initial contacts.

    Attributes
    ----------
    after_s : (n,) seconds of real time after initial contact, negative before it
    rep_deg : (n,) degrees of each rep that landed on the limb, by its number; NaN where not
        seen; signs as in `definitions`
    used : the reps behind the mean
    mean_deg : (n,) mean over the used reps, NaN where too few of them are seen
    sd_deg : (n,) standard deviation from rep to rep, NaN there and with one rep
    """

    limb: Limb
    after_s: FloatArray
    rep_deg: dict[int, FloatArray]
    used: tuple[int, ...]
    mean_deg: FloatArray
    sd_deg: FloatArray


def aligned_curves(
    analysis: Analysis, settings: CurveSettings = _DRAWN
) -> tuple[AlignedCurves, ...]:
    """Lay the landings of each limb over one another at initial contact.

    Parameters
    ----------
    analysis : Analysis
    settings : CurveSettings

    Returns
    -------
    tuple of AlignedCurves
        Of each limb that the view shows, the left one first. Empty where the view shows no knee
        angle, nothing landed, or the clip's time is in doubt, so that its curves would be drawn
        out or pressed together beside another clip's.

    Notes
    -----
    The mean and the band of one standard deviation about it are those of curves in gait
    laboratories (common practice, no source).
    """
    angles = analysis.knee_angles
    if angles is None or analysis.decided.time_base.doubt is not None:
        return ()
    steps = np.arange(
        -round(settings.before_s / settings.step_s), round(settings.after_s / settings.step_s) + 1
    )
    after_s = (settings.step_s * steps).astype(np.float64)
    found = (
        _of_limb(analysis, limb, angles.deg[limb], after_s, settings)
        for limb in LIMBS if limb in angles.deg
    )  # fmt: skip
    return tuple(one for one in found if one.rep_deg)


def _of_limb(
    analysis: Analysis, limb: Limb, deg: FloatArray, after_s: FloatArray, settings: CurveSettings
) -> AlignedCurves:
    landings = {
        rep: contact.initial_contact.t_s
        for rep in analysis.reps.reps
        for contact in rep.contacts
        if contact.limb == limb and limb in rep.limbs
    }
    curves = {
        rep: _at(on_s + after_s, analysis.tracks.t_s, deg, settings.longest_gap_s)
        for rep, on_s in landings.items()
    }
    seen = {rep: curve for rep, curve in curves.items() if np.isfinite(curve).any()}
    used = {rep.number: curve for rep, curve in seen.items() if rep.used}
    mean_deg, sd_deg = _mean_and_sd(list(used.values()), len(after_s), settings.least_share)
    by_number = {rep.number: curve for rep, curve in seen.items()}
    return AlignedCurves(limb, after_s, by_number, tuple(used), mean_deg, sd_deg)


def _at(
    at_s: FloatArray, t_s: FloatArray, deg: FloatArray, longest_gap_s: float
) -> FloatArray:  # fmt: skip
    """Read a curve between its frames, NaN outside them and across gaps."""
    known = np.isfinite(deg)
    if known.sum() < 2:
        return np.full(len(at_s), np.nan)
    t_s, deg = t_s[known], deg[known]
    after = np.searchsorted(t_s, at_s).clip(1, len(t_s) - 1)
    is_near = (t_s[after] - t_s[after - 1] <= longest_gap_s) & (at_s >= t_s[0]) & (at_s <= t_s[-1])
    return np.where(is_near, np.interp(at_s, t_s, deg), np.nan)


def _mean_and_sd(
    curves: list[FloatArray], n: int, least_share: float
) -> tuple[FloatArray, FloatArray]:
    mean_deg, sd_deg = np.full(n, np.nan), np.full(n, np.nan)
    if not curves:
        return mean_deg, sd_deg
    deg = np.array(curves)
    seen = np.isfinite(deg).sum(axis=0)
    enough = seen >= max(1, least_share * len(curves))
    mean_deg[enough] = np.nanmean(deg[:, enough], axis=0)
    spread = enough & (seen > 1)
    sd_deg[spread] = np.nanstd(deg[:, spread], axis=0, ddof=1)
    return mean_deg, sd_deg
