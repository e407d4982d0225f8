"""Tracks -> the knee's angle frame by frame, for drawing: no measure is read from these."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from landing_analysis.definitions import FRONTAL_VIEWS, SIDE_VIEWS
from landing_analysis.maths.kinematics import fppa_deg
from landing_analysis.measures.alignment import fppa_doubts, without_doubtful
from landing_analysis.measures.knee import SecondLook, near_knee
from landing_analysis.measures.offsets import SetOffset
from landing_analysis.settings import CurveSettings, Settings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    Analysis,
    Contact,
    FloatArray,
    KneeAngles,
    Limb,
    Rep,
    Tracks,
    ViewEstimate,
)

_DRAWN = CurveSettings()


@dataclass(frozen=True)
class Curve:
    """The knee's angle of one landing.

    Attributes
    ----------
    x : (n,) per cent of ground contact, or seconds after initial contact
    angle_deg : (n,) degrees, signs as in `definitions`
    """

    rep: int
    limb: Limb
    x: FloatArray
    angle_deg: FloatArray


@dataclass(frozen=True)
class CurveSet:
    """All landings of a clip on one axis."""

    kind: Literal["flexion", "fppa"]
    axis: Literal["%", "s"]
    curves: tuple[Curve, ...]

    def of(self, limb: Limb) -> tuple[Curve, ...]:
        """Return the curves of one limb."""
        return tuple(curve for curve in self.curves if curve.limb == limb)


def knee_angles(
    tracks: Tracks,
    view: ViewEstimate,
    offset: SetOffset,
    settings: Settings,
    reps: tuple[Rep, ...] = (),
    second_look: SecondLook | None = None,
) -> KneeAngles | None:
    """Return the knee's angle frame by frame.

    Parameters
    ----------
    tracks, view : of one clip
    offset : from `set_offset`, added to FPPA
    settings, reps, second_look : as for the measures, so that curves and measures agree

    Returns
    -------
    KneeAngles
        From the low-passed tracks: flexion of the near limb in a side view,
        corrected as the measures are; FPPA of both limbs in a front or back view,
        where it can be read, less the pose model's offset; None in an oblique one.
    """
    if view.view in FRONTAL_VIEWS:
        return KneeAngles("fppa", {k: _fppa(tracks, view, k, offset, settings) for k in LIMBS})
    if view.view in SIDE_VIEWS and view.near_limb is not None:
        leg = _leg(tracks, view.near_limb)
        knee = near_knee(leg, view.near_limb, reps, tracks.t_s, settings.knee, second_look)
        flexion = knee.flexion_deg(leg, view.yaw_deg, settings.knee)
        return KneeAngles("flexion", {view.near_limb: flexion})
    return None


def _fppa(
    tracks: Tracks, view: ViewEstimate, limb: Limb, offset: SetOffset, settings: Settings
) -> FloatArray:
    angle = fppa_deg(*_leg(tracks, limb), limb, from_behind=view.view == "back")
    if offset.deg:
        angle = angle + offset.throughout_deg[limb]
    return without_doubtful(angle, fppa_doubts(tracks, limb, settings.alignment))


def _leg(tracks: Tracks, limb: Limb) -> tuple[FloatArray, FloatArray, FloatArray]:
    hip, knee, ankle = (
        tracks.xy_px[:, LANDMARK[f"{limb}_{part}"]] for part in ("hip", "knee", "ankle")
    )
    return hip, knee, ankle


def landing_curves(analysis: Analysis) -> CurveSet | None:
    """Cut the knee's angle into the landings of the used reps.

    Returns
    -------
    CurveSet or None when the view shows no knee angle or no landing was used
        On per cent of ground contact; landings without a toe-off are left out
        there. When none has a toe-off the axis is seconds after initial contact.
    """
    angles = analysis.knee_angles
    if angles is None:
        return None
    landings = [
        (rep.number, contact)
        for rep in analysis.reps.reps
        if rep.used
        for contact in rep.contacts
        if contact.limb in rep.limbs
    ]
    left_again = [(number, contact) for number, contact in landings if contact.toe_off]
    axis: Literal["%", "s"] = "%" if left_again else "s"
    curves = tuple(
        curve
        for number, contact in left_again or landings
        if (curve := _cut(number, contact, angles.deg.get(contact.limb), analysis.tracks.t_s))
    )
    return CurveSet(angles.kind, axis, curves) if curves else None


def _cut(
    number: int, contact: Contact, angle_deg: FloatArray | None, t_s: FloatArray
) -> Curve | None:
    if angle_deg is None:
        return None
    start_s = contact.initial_contact.t_s
    end_s = contact.toe_off.t_s if contact.toe_off else min(start_s + _DRAWN.held_s, float(t_s[-1]))
    around_s = _DRAWN.around_s
    known = np.isfinite(angle_deg) & (t_s > start_s - around_s) & (t_s < end_s + around_s)
    if known.sum() < _DRAWN.fewest_frames:
        return None
    edges_s = [start_s, *t_s[known & (t_s > start_s) & (t_s < end_s)], end_s]
    if float(np.diff(edges_s).max()) > _DRAWN.longest_gap_s:
        return None
    share = np.linspace(0.0, 1.0, _DRAWN.points)
    at_s = start_s + share * (end_s - start_s)
    angle = np.interp(at_s, t_s[known], angle_deg[known])
    x = 100.0 * share if contact.toe_off else at_s - start_s
    return Curve(number, contact.limb, x, angle)
