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
_STAND = "Put the phone on a stand or a tripod"


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
        return Note("camera", "good", "The camera stood still.")
    if path.state == "followed" and motion.sway_px is None:
        return _followed(tracks, path, settings)
    return _lost(path, motion)


def _followed(tracks: Tracks, path: CameraPath, settings: FramingSettings) -> Note:
    known = path.known
    swing_deg = float(np.degrees(np.ptp(path.shift_px[known], axis=0).max() / path.focal_px))
    turn_deg = float(np.ptp(path.turn_deg[known]))
    left_px = float(np.nanmedian(path.sd_px))
    text = (
        f"The camera moved: it swung by up to {swing_deg:.1f} deg and turned about its axis by up "
        f"to {turn_deg:.1f} deg. That is taken out with the still background; about "
        f"{left_px:.1f} px of its turning are left and counted in."
    )
    unplaced = int((~known).sum())
    if unplaced:
        text += (
            f" In {unplaced} of {len(known)} frames the background could not be followed; they "
            "are not measured."
        )
    small = (
        not unplaced
        and swing_deg <= settings.small_swing_deg
        and left_px <= settings.small_rest_share * tracks.leg_px
    )
    return Note("camera", "good" if small else "limited", f"{text} {_STAND} for surer numbers.")


def _lost(path: CameraPath, motion: CameraMotion) -> Note:
    better = (
        f"{_STAND}, or have something with a pattern behind the patient: a poster, a shelf, "
        "strips of tape."
    )
    found = f"Whether the camera moved cannot be told from the background: {path.reason}."
    if motion.edge_sd_s == 0.0:
        quiet = (
            f" Feet that stand sway by {motion.sway_px:.1f} px only, so it was all but still and "
            "nothing is taken out."
        )
        return Note("camera", "limited", f"{found}{quiet} {better}")
    taken_out = "Nothing could be taken out"
    if path.state == "followed":
        found = "The camera seems to have moved, and what was taken for the room was followed."
        seen = f" But feet that stand then sway by {motion.sway_px:.0f} px, so it was not the room."
        taken_out = "What was taken out may be wrong"
    elif motion.sway_px is None:
        seen = " No standing before or after the set tells it either; a phone in the hand is taken."
    else:
        seen = f" Feet that stand sway by {motion.sway_px:.0f} px, so it moved."
    edges = f"each contact's edge is less certain by {1000 * motion.edge_sd_s:.0f} ms"
    if motion.no_times is not None:
        edges = "contact and flight times are not given"
    costs = (
        f" {taken_out}: {edges}, and the vertical is less certain by "
        f"{motion.turn_sd_deg:.1f} deg (standard uncertainty)."
    )
    return Note("camera", "poor", found + seen + costs + " " + better)


# --- the picture -------------------------------------------------------------------------------


def _roll(
    tracks: Tracks, view: ViewEstimate, settings: FramingSettings, assumed: TrackSettings
) -> Note:
    """Say how far the camera was tilted sideways, or that nothing told it."""
    sd_deg = tracks.down_sd_deg
    roll_deg = abs(math.degrees(math.atan2(tracks.down[0], tracks.down[1])))
    within_deg = Z_95 * sd_deg
    untold = sd_deg >= settings.measured_share * assumed.roll_sd_deg
    if untold or (roll_deg < within_deg and within_deg > settings.tilted_deg):
        return _untold_roll(within_deg, view, settings)
    if roll_deg < max(within_deg, settings.level_deg):
        return Note(
            "roll", "good", f"The picture is level within {max(within_deg, roll_deg):.0f} deg."
        )
    touched, told_by = "the forward tilt of the trunk", "free fall"
    if view.view in FRONTAL_VIEWS:
        touched = "trunk lean, pelvis shift and knee over toes"
        told_by = "free fall and standing"
    text = (
        f"The picture is tilted sideways by {roll_deg:.0f} deg (95 % interval "
        f"{max(roll_deg - within_deg, 0):.0f} to {roll_deg + within_deg:.0f}), told by "
        f"{told_by}. It is corrected in {touched}; what is not known of it is in their "
        "uncertainty."
    )
    state: QualityState = "limited" if roll_deg > settings.tilted_deg else "good"
    if state == "limited":
        text += " Level the phone by the lines or the level of its camera."
    return Note("roll", state, text)


def _untold_roll(within_deg: float, view: ViewEstimate, settings: FramingSettings) -> Note:
    known = f"known to within {within_deg:.0f} deg only"
    if view.view not in FRONTAL_VIEWS:
        text = (
            f"From the side the picture's sideways tilt is {known}: standing people lean forward. "
            "That is in the uncertainty of trunk flexion. Level the phone."
        )
        return Note("roll", "good", text)
    text = (
        f"Neither free fall nor quiet standing tells the picture's sideways tilt: it is {known}, "
        "which is in the uncertainty of trunk lean, pelvis shift and knee over toes. Level the "
        "phone, and let the patient stand still before and after the set."
    )
    return Note("roll", "good" if within_deg <= settings.tilted_deg else "limited", text)


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
        return Note(_FEET_CHECK, "good", "Both feet stay inside the picture.")
    edge = "lower" if below.sum() >= beside.sum() else "side"
    state: QualityState = "poor" if cut > settings.mostly_cut_share else "limited"
    text = (
        f"The feet touch the picture's {edge} edge in {100 * cut:.0f} % of the frames; what is "
        "cut off is guessed by the pose model, so contacts are less certain than they say. Leave "
        "a hand's breadth of floor below the feet."
    )
    return Note(_FEET_CHECK, state, text)


def _size(clip: Clip, filmed: Landmarks, tracks: Tracks, settings: FramingSettings) -> Note | None:
    """Say how large the patient is in the picture, and what a pixel of noise is worth."""
    height_px = _standing_height_px(filmed)
    noises_px = tracks.noise_px[_LEG]
    noise_px = float(np.nanmedian(noises_px)) if _any(noises_px) else math.nan
    if not np.isfinite([height_px, noise_px, tracks.leg_px]).all():
        return None
    share = height_px / clip.height_px
    # Both segments of the knee's angle, each half a leg long, between two noisy points.
    noise_deg = math.degrees(math.sqrt(6) * noise_px / (0.5 * tracks.leg_px))
    text = (
        f"The patient fills {100 * share:.0f} % of the picture's height: {noise_px:.1f} px of "
        f"landmark noise are {noise_deg:.1f} deg at a knee in a single frame."
    )
    if share >= settings.small_share:
        return Note("distance", "good", text)
    state: QualityState = "poor" if share < settings.tiny_share else "limited"
    nearer = 100 * (1 - share / settings.wanted_share)
    text += (
        f" Film from about {nearer:.0f} % nearer, so that the patient fills two thirds and a jump "
        "still fits in."
    )
    return Note("distance", state, text)


def _any(values: FloatArray) -> bool:
    return bool(np.isfinite(values).any())


def _standing_height_px(filmed: Landmarks) -> float:
    """Return the usual height from the eyes to the lower foot, NaN when never seen."""
    heights: FloatArray = np.ptp(filmed.xy_px[..., 1], axis=1)
    return float(np.nanpercentile(heights, 90)) if _any(heights) else math.nan
