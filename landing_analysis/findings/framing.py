"""(Landmarks as filmed, Tracks, CameraPath) -> Notes: how the clip was filmed, and how better.

The height of the lens is not among them: from one picture it cannot be told apart from the
camera's tilt.
"""

from __future__ import annotations

import math

import numpy as np

from landing_analysis.definitions import FRONTAL_VIEWS
from landing_analysis.disturbances.camera_motion import CameraMotion
from landing_analysis.maths.statistics import Z_95
from landing_analysis.reasons import Code, because
from landing_analysis.settings import FramingSettings, TrackSettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    CameraPath,
    Clip,
    FloatArray,
    Landmarks,
    Note,
    QualityState,
    Tracks,
    ViewEstimate,
)

_FEET = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("heel", "toe")]
_LEG = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("hip", "knee", "ankle")]
_FEET_CHECK = "feet in view"


def judge_framing(
    clip: Clip,
    filmed: Landmarks,
    tracks: Tracks,
    view: ViewEstimate,
    path: CameraPath | None,
    motion: CameraMotion,
    settings: FramingSettings,
    assumed: TrackSettings,
) -> tuple[Note, ...]:
    """Say what the way of filming costs the numbers, and how to film better next time.

    Parameters
    ----------
    clip : of whose frames the rest is
    filmed : of the patient, in the frames as filmed
    tracks : with the vertical that free fall and standing gave
    view : from where the camera sees the patient
    path, motion : of the camera, None and still where nobody looked
    settings : FramingSettings
    assumed : what is taken for the vertical where nothing was measured

    Returns
    -------
    tuple of Note
    """
    notes = (
        _camera(tracks, path, motion, settings),
        _roll(tracks, view, settings, assumed),
        _cut_off(clip, filmed, tracks, settings),
        _size(clip, filmed, tracks, settings),
    )
    return tuple(note for note in notes if note is not None)


# --- the camera's motion -----------------------------------------------------------------------


def _camera(
    tracks: Tracks, path: CameraPath | None, motion: CameraMotion, settings: FramingSettings
) -> Note | None:
    if path is None:
        return None
    if path.state == "still":
        return Note("camera", "good", (because(Code.CAMERA_STILL),))
    if path.state == "followed" and motion.sway_px is None:
        return _followed(tracks, path, settings)
    return _lost(path, motion)


def _followed(tracks: Tracks, path: CameraPath, settings: FramingSettings) -> Note:
    known = path.known
    swing_deg = float(np.degrees(np.ptp(path.shift_px[known], axis=0).max() / path.focal_px))
    left_px = float(np.nanmedian(path.sd_px))
    unplaced = int((~known).sum())
    small = (
        not unplaced
        and swing_deg <= settings.small_swing_deg
        and left_px <= settings.small_rest_share * tracks.leg_px
    )
    remark = because(
        Code.CAMERA_FOLLOWED,
        swing_deg=swing_deg,
        turn_deg=float(np.ptp(path.turn_deg[known])),
        left_px=left_px,
        unplaced=unplaced,
        frames=len(known),
    )
    return Note("camera", "good" if small else "limited", (remark,))


def _lost(path: CameraPath, motion: CameraMotion) -> Note:
    why = path.reason.code if path.reason else None
    if motion.event_sd_s == 0.0:
        remark = because(Code.CAMERA_LOST_STILL, why=why, sway_px=motion.sway_px)
        return Note("camera", "limited", (remark,))
    if path.state == "followed":
        found = because(Code.CAMERA_FOLLOWED_WRONGLY, sway_px=motion.sway_px)
    else:
        found = because(Code.CAMERA_LOST, why=why, sway_px=motion.sway_px)
    cost = because(
        Code.CAMERA_NOT_TAKEN_OUT,
        followed=path.state == "followed",
        event_sd_ms=1000 * motion.event_sd_s,
        times=motion.no_times is None,
        turn_sd_deg=motion.turn_sd_deg,
    )
    return Note("camera", "poor", (found, cost))


# --- the picture -------------------------------------------------------------------------------


def _roll(
    tracks: Tracks, view: ViewEstimate, settings: FramingSettings, assumed: TrackSettings
) -> Note:
    """Say how far the camera was tilted sideways, or that nothing told it."""
    sd_deg = tracks.down_sd_deg
    if tracks.turns:
        lies = because(Code.LIES_ON_SLED, within_deg=Z_95 * sd_deg)
        return Note("roll", "good", (lies,))
    roll_deg = abs(math.degrees(math.atan2(tracks.down[0], tracks.down[1])))
    within_deg = Z_95 * sd_deg
    untold = sd_deg >= settings.measured_share * assumed.roll_sd_deg
    if untold or (roll_deg < within_deg and within_deg > settings.tilted_deg):
        return _untold_roll(within_deg, view, settings)
    if roll_deg < max(within_deg, settings.level_deg):
        level = because(Code.PICTURE_LEVEL, within_deg=max(within_deg, roll_deg))
        return Note("roll", "good", (level,))
    much = roll_deg > settings.tilted_deg
    remark = because(
        Code.PICTURE_TILTED,
        roll_deg=roll_deg,
        within_deg=within_deg,
        frontal=view.view in FRONTAL_VIEWS,
        much=much,
    )
    return Note("roll", "limited" if much else "good", (remark,))


def _untold_roll(within_deg: float, view: ViewEstimate, settings: FramingSettings) -> Note:
    if view.view not in FRONTAL_VIEWS:
        return Note("roll", "good", (because(Code.TILT_UNKNOWN_SIDE, within_deg=within_deg),))
    state: QualityState = "good" if within_deg <= settings.tilted_deg else "limited"
    return Note("roll", state, (because(Code.TILT_UNKNOWN, within_deg=within_deg),))


def _cut_off(
    clip: Clip, filmed: Landmarks, tracks: Tracks, settings: FramingSettings
) -> Note | None:
    """Say in how many frames feet lie at or beyond the picture's edge."""
    seen = np.isfinite(filmed.xy_px[:, _FEET, 0]).any(axis=1)
    if not seen.any():
        return None
    feet = filmed.xy_px[seen][:, _FEET]
    edge_px = settings.edge_share_of_leg * tracks.leg_px
    with np.errstate(invalid="ignore"):
        below = (feet[..., 1] > clip.height_px - 1 - edge_px).any(axis=1)
        beside = ((feet[..., 0] < edge_px) | (feet[..., 0] > clip.width_px - 1 - edge_px)).any(
            axis=1
        )
    cut = float((below | beside).mean())
    if cut <= settings.cut_share:
        return Note(_FEET_CHECK, "good", (because(Code.FEET_INSIDE),))
    edge = "lower" if below.sum() >= beside.sum() else "side"
    state: QualityState = "poor" if cut > settings.mostly_cut_share else "limited"
    return Note(_FEET_CHECK, state, (because(Code.FEET_CUT_OFF, edge=edge, cut_pct=100 * cut),))


def _size(clip: Clip, filmed: Landmarks, tracks: Tracks, settings: FramingSettings) -> Note | None:
    """Say how large the patient is in the picture, and what a pixel of noise is worth."""
    along = 0 if tracks.turns else 1
    height_px = _standing_height_px(filmed, along)
    noises_px = tracks.noise_px[_LEG]
    noise_px = float(np.nanmedian(noises_px)) if _any(noises_px) else math.nan
    if not np.isfinite([height_px, noise_px, tracks.leg_px]).all():
        return None
    share = height_px / (clip.width_px, clip.height_px)[along]
    small = share < settings.small_share
    # Both segments of the knee's angle, each half a leg long, between two noisy points.
    of_angle = math.sqrt(6)  # definition: ends count once each, the knee doubly in both
    remark = because(
        Code.DISTANCE,
        share_pct=100 * share,
        noise_px=noise_px,
        noise_deg=math.degrees(of_angle * noise_px / (0.5 * tracks.leg_px)),
        nearer_pct=100 * (1 - share / settings.wanted_share) if small else None,
        lies=tracks.turns > 0,
    )
    if not small:
        return Note("distance", "good", (remark,))
    state: QualityState = "poor" if share < settings.tiny_share else "limited"
    return Note("distance", state, (remark,))


def _any(values: FloatArray) -> bool:
    return bool(np.isfinite(values).any())


def _standing_height_px(filmed: Landmarks, along: int) -> float:
    """Return the usual length from the eyes to the lower foot, NaN when never seen.

    ``along`` the picture's height (1), or its width (0) of a body that lies.
    """
    heights: FloatArray = np.ptp(filmed.xy_px[..., along], axis=1)
    if not _any(heights):
        return math.nan
    return float(np.nanpercentile(heights, 90))  # definition: the height when upright
