"""Landmarks -> ViewEstimate: from where the camera sees the patient."""

from __future__ import annotations

import numpy as np

from landing_analysis.settings import ViewSettings
from landing_analysis.tables import LANDMARK, FloatArray, Landmarks, Limb, View, ViewEstimate

SQUARE_ON_DEG: dict[View, float] = {
    "front": 0.0,
    "right_side": 90.0,
    "back": 180.0,
    "left_side": -90.0,
}
"""Turn of the pelvis to the patient's own left at which each view is square on."""

_NEAR_LIMB: dict[View, Limb] = {"left_side": "left", "right_side": "right"}


def estimate_view(
    landmarks: Landmarks, settings: ViewSettings, view: View | None = None
) -> ViewEstimate:
    """Estimate the view and how far the patient is turned out of it.

    Parameters
    ----------
    landmarks : Landmarks
        Of the patient, with metric landmarks.
    settings : ViewSettings
    view : the clinician's choice, None to decide here

    Returns
    -------
    ViewEstimate

    Notes
    -----
    The turn is that of the lines through both shoulders and both hips in the
    model's metric landmarks, seen from above, averaged over the clip. On rendered
    patients it was within 2 to 8 degrees of the truth; see DEVELOPERS.md. Limit: a
    back view is told from a front view by these lines alone.
    """
    yaw_deg = _frame_yaw_deg(landmarks)
    mean_deg = _circular_mean_deg(yaw_deg)
    nearest = min(SQUARE_ON_DEG, key=lambda name: abs(_wrapped_deg(mean_deg - SQUARE_ON_DEG[name])))
    off_deg = _wrapped_deg(mean_deg - SQUARE_ON_DEG[nearest])
    if not np.isfinite(mean_deg):
        nearest, off_deg = "front", float("nan")
        reason = "the body's turn could not be seen"
        decided: View = "oblique"
    elif abs(off_deg) > settings.square_on_within_deg:
        decided = "oblique"
        reason = f"turned {abs(off_deg):.0f} deg out of the {nearest.replace('_', ' ')} view"
    else:
        decided = nearest
        reason = f"pelvis and shoulders within {settings.square_on_within_deg:.0f} deg of square-on"
    if view is not None:
        decided, reason = view, "given by the clinician"
        if view != "oblique" and np.isfinite(mean_deg):
            off_deg = _wrapped_deg(mean_deg - SQUARE_ON_DEG[view])
    return ViewEstimate(
        view=decided,
        yaw_deg=float(off_deg),
        yaw_sd_deg=settings.yaw_sd_deg,
        near_limb=_NEAR_LIMB.get(decided),
        reason=reason,
        frame_yaw_deg=yaw_deg,
    )


def _frame_yaw_deg(landmarks: Landmarks) -> FloatArray:
    """Return the turn to the patient's own left per frame, 0 when facing the camera."""
    lines = [
        landmarks.world_m[:, LANDMARK[f"left_{part}"]]
        - landmarks.world_m[:, LANDMARK[f"right_{part}"]]
        for part in ("shoulder", "hip")
    ]
    across = lines[0] + lines[1]
    # Facing the camera the left end is to the right of the picture; turned to the own left
    # it goes away from the camera.
    yaw: FloatArray = np.degrees(np.arctan2(across[:, 2], across[:, 0]))
    return yaw


def _circular_mean_deg(angles_deg: FloatArray) -> float:
    known = np.radians(angles_deg[np.isfinite(angles_deg)])
    if not len(known):
        return float("nan")
    return float(np.degrees(np.arctan2(np.median(np.sin(known)), np.median(np.cos(known)))))


def _wrapped_deg(angle_deg: float) -> float:
    return (angle_deg + 180.0) % 360.0 - 180.0
