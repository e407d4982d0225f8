"""(Clip, Tracks, View, Contacts, Reps) -> Notes: what the clip's quality costs the numbers."""

from __future__ import annotations

import numpy as np

from landing_analysis.definitions import FRONTAL_VIEWS
from landing_analysis.gravity import FreeFall, slow_motion_factor
from landing_analysis.kinematics import false_fppa_deg, interval_sd_s
from landing_analysis.settings import QualitySettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    Clip,
    Note,
    QualityState,
    Reps,
    Tracks,
    ViewEstimate,
)

_LEG = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("hip", "knee", "ankle", "toe")]
_FEET = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("heel", "toe")]
_BENT_DEG = 60.0  # the flexion at which false valgus is worked out for the reader


def judge_clip(
    clip: Clip,
    tracks: Tracks,
    view: ViewEstimate,
    reps: Reps,
    free_fall: FreeFall | None,
    settings: QualitySettings,
) -> tuple[Note, ...]:
    """Say how good a clip is for measuring, check by check.

    Parameters
    ----------
    clip, tracks, view, reps : of one clip
    free_fall : None when no flight was long enough
    settings : QualitySettings

    Returns
    -------
    tuple of Note
    """
    notes = (
        _frame_rate(clip, settings),
        _clock(clip, settings),
        _view(view, settings),
        _landmarks(tracks, settings),
        _feet(tracks, settings),
        _count(reps, settings),
        _speed(tracks, free_fall, settings),
    )
    return tuple(note for note in notes if note is not None)


def _graded(value: float, good: float, limited: float) -> QualityState:
    """Grade a share or a rate of which more is better."""
    return "good" if value >= good else "limited" if value >= limited else "poor"


def _frame_rate(clip: Clip, settings: QualitySettings) -> Note:
    fps = clip.median_fps
    step_ms = 1000.0 / fps
    text = (
        f"{fps:.0f} frames/s: one frame is {step_ms:.0f} ms, and counting frames alone would "
        f"know an interval to {1000 * interval_sd_s(1.0 / fps):.0f} ms (standard uncertainty)."
    )
    state = _graded(fps, settings.good_rate_hz, settings.limited_rate_hz)
    return Note("frame rate", state, text)


def _clock(clip: Clip, settings: QualitySettings) -> Note | None:
    steps_s = np.diff(clip.t_s)
    usual_s = float(np.median(steps_s))
    gaps = np.flatnonzero(steps_s > settings.gap_share * usual_s)
    if len(gaps) == 0:
        return None
    longest = int(gaps[np.argmax(steps_s[gaps])])
    text = (
        f"{len(gaps)} gaps between frames, the longest {1000 * steps_s[longest]:.0f} ms at "
        f"{clip.t_s[longest]:.2f} s; events beside a gap are less certain."
    )
    return Note("clock", "limited", text)


def _view(view: ViewEstimate, settings: QualitySettings) -> Note:
    if view.view == "oblique":
        text = "Oblique: neither knee flexion nor FPPA can be measured; film square-on."
        return Note("view", "poor", text)
    turned_deg = abs(view.yaw_deg)
    if not np.isfinite(turned_deg):
        return Note("view", "limited", "The turn of the body could not be seen.")
    if turned_deg <= settings.square_on_deg:
        return Note("view", "good", f"Within {settings.square_on_deg:.0f} deg of square-on.")
    text = f"Turned by {turned_deg:.0f} deg"
    if view.view in FRONTAL_VIEWS:
        false_deg = abs(float(false_fppa_deg(_BENT_DEG, turned_deg)))
        text += (
            f": a knee bent by {_BENT_DEG:.0f} deg would then show up to {false_deg:.0f} deg of "
            "false FPPA, of opposite sign in the two limbs"
        )
    return Note("view", "limited", text + ". Film square-on.")


def _landmarks(tracks: Tracks, settings: QualitySettings) -> Note:
    seen = float(np.isfinite(tracks.raw_px[:, _LEG, 0]).all(axis=1).mean())
    text = f"Both legs were seen in {100 * seen:.0f} % of the frames"
    bridged = int(tracks.filled[:, _LEG].any(axis=1).sum())
    if bridged:
        text += f", {bridged} of them with short gaps bridged"
    swapped = int(tracks.swapped.sum())
    if swapped:
        text += f"; left and right were exchanged back in {swapped}"
    state = _graded(seen, settings.good_seen_share, settings.limited_seen_share)
    return Note("landmarks", state, text + ".")


def _feet(tracks: Tracks, settings: QualitySettings) -> Note | None:
    visibility = tracks.visibility[:, _FEET]
    hidden = float((visibility < settings.clear_visibility).all(axis=1).mean())
    if hidden <= settings.hidden_share:
        return None
    text = (
        f"The feet are unclear in {100 * hidden:.0f} % of the frames; keep them in the picture "
        "and in the light."
    )
    return Note("feet", "limited", text)


def _count(reps: Reps, settings: QualitySettings) -> Note | None:
    used = sum(rep.used for rep in reps.reps)
    if used == 0 or used >= settings.enough_reps:
        return None
    text = (
        f"{used} used rep{'s' if used > 1 else ''}; a mean of {settings.enough_reps} or more is "
        "steadier (Ortiz 2007)."
    )
    return Note("count of reps", "limited", text)


def _speed(tracks: Tracks, free_fall: FreeFall | None, settings: QualitySettings) -> Note | None:
    if free_fall is None:
        return None
    factor, sd = slow_motion_factor(tracks, free_fall)
    if abs(factor - 1.0) <= max(settings.speed_share, 3 * sd):
        return None
    text = (
        f"Bodies fall as if the clip played {factor:.1f} times slower than life. Either it is a "
        "slow-motion export, and all times are wrong, or the stature is; share the original clip."
    )
    return Note("speed", "poor", text)
