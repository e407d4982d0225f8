"""Landmarks -> ViewEstimate: from where the camera sees the patient."""

from __future__ import annotations

from typing import TypeVar

import numpy as np

from landing_analysis.maths.signals import local_polynomial, runs
from landing_analysis.reasons import Code, because
from landing_analysis.settings import ViewSettings
from landing_analysis.tables import (
    LANDMARK,
    BoolArray,
    FloatArray,
    Landmarks,
    Limb,
    View,
    ViewEstimate,
)

Angle = TypeVar("Angle", float, FloatArray)

SQUARE_ON_DEG: dict[View, float] = {
    "front": 0.0,
    "right_side": 90.0,  # definition: a quarter of a turn
    "back": 180.0,  # definition: half a turn
    "left_side": -90.0,  # definition: the other way
}
"""Turn of the pelvis to the patient's own left at which each view is square on."""

NEAR_LIMB: dict[View, Limb] = {"left_side": "left", "right_side": "right"}
"""The limb closer to the camera in each side view."""


def estimate_view(
    landmarks: Landmarks,
    settings: ViewSettings,
    view: View | None = None,
    within: BoolArray | None = None,
) -> ViewEstimate:
    """Estimate the view and how far the patient is turned out of it.

    Parameters
    ----------
    landmarks : Landmarks
        Of the patient, with metric landmarks.
    settings : ViewSettings
    view : the clinician's choice, None to decide here
    within : (n_frames,) frames that decide where the patient turns, None for all

    Returns
    -------
    ViewEstimate

    Notes
    -----
    The turn is that of the lines through both shoulders and both hips in the
    model's metric landmarks, seen from above, less what the model is known to add
    to it; the yaw is the median over the clip. Of a patient who turns within the clip
    it is the median over the frames of the view that most frames are square-on to: a
    median between two views is neither. Its uncertainty is the scatter that
    was left on rendered patients, 2.1 degrees from the front and 4 from elsewhere;
    see tests/accuracy/methods. Limit: rendered patients, not people, and one pose model.
    """
    yaw_deg = _frame_yaw_deg(landmarks, settings)
    mean_deg = middle_deg(yaw_deg)
    turns = _turns(landmarks.t_s, yaw_deg, mean_deg, settings)
    if turns:
        mean_deg = _main_deg(yaw_deg if within is None else yaw_deg[within], settings)
    nearest = nearest_view(mean_deg) if np.isfinite(mean_deg) else "front"
    off_deg = float(wrapped_deg(mean_deg - SQUARE_ON_DEG[nearest]))
    mostly = turns and view is None
    if not np.isfinite(mean_deg):
        off_deg = float("nan")
        reason = because(Code.TURN_NOT_SEEN, mostly=mostly)
        decided: View = "oblique"
    elif abs(off_deg) > settings.square_on_within_deg:
        decided = "oblique"
        reason = because(
            Code.TURNED_OUT_OF_VIEW, turned_deg=abs(off_deg), view=nearest, mostly=mostly
        )
    else:
        decided = nearest
        reason = because(Code.SQUARE_ON, within_deg=settings.square_on_within_deg, mostly=mostly)
    if view is not None:
        decided, reason = view, because(Code.GIVEN_BY_CLINICIAN)
        if view != "oblique" and np.isfinite(mean_deg):
            off_deg = float(wrapped_deg(mean_deg - SQUARE_ON_DEG[view]))
    return ViewEstimate(
        view=decided,
        yaw_deg=float(off_deg),
        yaw_sd_deg=_yaw_sd_deg(nearest if view in (None, "oblique") else view, settings),
        near_limb=NEAR_LIMB.get(decided),
        reason=reason,
        frame_yaw_deg=yaw_deg,
        middle_deg=mean_deg,
        turns=turns,
    )


def nearest_view(yaw_deg: float) -> View:
    """Return the square-on view that is nearest to a turn to the own left."""
    return min(SQUARE_ON_DEG, key=lambda name: abs(wrapped_deg(yaw_deg - SQUARE_ON_DEG[name])))


def seen_as(yaw_deg: float, main: ViewEstimate, settings: ViewSettings) -> tuple[View, float]:
    """Name the view of a part of a clip, and the turn out of it.

    Parameters
    ----------
    yaw_deg : turn to the own left in that part, 0 when facing the camera
    main : of the whole clip; a view that the clinician gave against what was seen shifts
        that of every part
    settings : ViewSettings
    """
    turned_deg = abs(main.yaw_deg) if main.view != "oblique" else 0.0
    shift_deg = main.yaw_deg if turned_deg > settings.square_on_within_deg else 0.0
    nearest = nearest_view(yaw_deg - shift_deg)
    off_deg = float(wrapped_deg(yaw_deg - shift_deg - SQUARE_ON_DEG[nearest]))
    if abs(off_deg) > settings.square_on_within_deg:
        return "oblique", off_deg
    return nearest, off_deg


def _turns(t_s: FloatArray, yaw_deg: FloatArray, mean_deg: float, settings: ViewSettings) -> bool:
    """Say whether the patient is turned away from the clip's median for a while."""
    with np.errstate(invalid="ignore"):
        away = np.abs(wrapped_deg(yaw_deg - mean_deg)) > settings.turned_deg
    longest_s = max((t_s[last] - t_s[first] for first, last in runs(away)), default=0.0)
    return bool(longest_s >= settings.turned_s)


def _main_deg(yaw_deg: FloatArray, settings: ViewSettings) -> float:
    """Return the median yaw of the frames of the view that most are square-on to."""
    known = yaw_deg[np.isfinite(yaw_deg)]
    near = {
        view: known[np.abs(wrapped_deg(known - square)) <= settings.square_on_within_deg]
        for view, square in SQUARE_ON_DEG.items()
    }
    most = max(near.values(), key=len)
    return middle_deg(most if len(most) >= settings.least_main_share * len(known) else known)


def _frame_yaw_deg(landmarks: Landmarks, settings: ViewSettings) -> FloatArray:
    """Return the smoothed turn to the patient's own left per frame, 0 when facing the camera."""
    lines = [
        landmarks.world_m[:, LANDMARK[f"left_{part}"]]
        - landmarks.world_m[:, LANDMARK[f"right_{part}"]]
        for part in ("shoulder", "hip")
    ]
    across = lines[0] + lines[1]
    # Facing the camera the left end is to the right of the picture; turned to the own left
    # it goes away from the camera.
    turn = np.arctan2(across[:, 2], across[:, 0])
    turn = turn - _model_error_rad(turn, settings)
    both = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    cosine, sine = local_polynomial(landmarks.t_s, both, settings.smoothing_s, degree=0)[0].T
    yaw: FloatArray = np.where(np.isfinite(turn), np.degrees(np.arctan2(sine, cosine)), np.nan)
    return yaw


def _model_error_rad(turn: FloatArray, settings: ViewSettings) -> FloatArray:
    """Return what the pose model adds to the true turn, from the turn it shows."""
    error_deg = (
        settings.handed_deg * np.clip(np.cos(turn), 0, None) ** 2
        - settings.side_short_deg * np.sin(turn)
        + settings.oblique_long_deg * np.sin(2 * turn)
    )
    return np.radians(error_deg)


def _yaw_sd_deg(view: View, settings: ViewSettings) -> float:
    if view == "front":
        return settings.front_yaw_sd_deg
    return settings.back_yaw_sd_deg if view == "back" else settings.side_yaw_sd_deg


def middle_deg(angles_deg: FloatArray) -> float:
    """Return the median of angles (n,), NaN where none is known."""
    known = np.radians(angles_deg[np.isfinite(angles_deg)])
    if not len(known):
        return float("nan")
    return float(np.degrees(np.arctan2(np.median(np.sin(known)), np.median(np.cos(known)))))


def wrapped_deg(angle_deg: Angle) -> Angle:
    """Return angles between -180 and 180."""
    wrapped: Angle = (angle_deg + 180.0) % 360.0 - 180.0
    return wrapped
