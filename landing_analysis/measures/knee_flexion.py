"""Flexion of the near knee in a side view: (Scene, Rep, Limb) -> Reading."""

from __future__ import annotations

import math

import numpy as np

from landing_analysis.definitions import SIDE_VIEWS
from landing_analysis.maths.kinematics import flexion_from_seen_deg
from landing_analysis.measures.instants import (
    at_contact,
    at_largest,
    contact_of,
    fitted_parts,
    interval,
    knee_noise_deg,
    lands,
    window_on_ground_s,
)
from landing_analysis.measures.readings import Fit
from landing_analysis.measures.scene import (
    Instant,
    LimbReader,
    NotMeasurableError,
    Reading,
    Scene,
    not_measurable,
)
from landing_analysis.measures.summaries import LIMB, OFFSET, POSTURE, YAW
from landing_analysis.reasons import Code
from landing_analysis.settings import KneeSettings
from landing_analysis.tables import LIMBS, FloatArray, Limb, Rep, other_limb


def _flexion_reading(scene: Scene, limb: Limb, at: Instant, fit: Fit) -> Reading:
    turns_deg = np.abs(scene.yaw_deg) + np.array([0.0, scene.view.yaw_sd_deg])
    turns_deg = np.minimum(turns_deg, scene.settings.knee.largest_yaw_deg)
    straight, turned = flexion_from_seen_deg(fit.value, turns_deg)
    knee, frame = scene.near_knee, fit.frames[len(fit.frames) // 2]
    parts = (
        *fitted_parts(fit, knee_noise_deg(scene, limb, fit), at),
        (YAW, float(turned - straight)),
        *model_parts(
            knee.offset_sd_deg(fit.value, frame, scene.settings.knee), scene.settings.knee
        ),
    )
    return Reading(fit.value, parts, fit.frames)


def model_parts(sd_deg: float, settings: KneeSettings) -> tuple[tuple[str, float], ...]:
    """Split what the pose model adds: a limb's at every visit, a visit's, and each landing's."""
    limb_share = 1.0 - settings.visit_share - settings.posture_share
    shares = {LIMB: limb_share, OFFSET: settings.visit_share, POSTURE: settings.posture_share}
    return tuple((name, sd_deg * math.sqrt(share)) for name, share in shares.items())


def _refuse_other_leg(scene: Scene, rep: Rep, limb: Limb, fit: Fit) -> None:
    """Refuse a reading whose foot is not where the standing foot is.

    The pose model now and then takes a leg held up beside the standing one for it: its
    ankle then lies above the floor of the landing, or the other one below it.
    """
    contact, tracks = contact_of(rep, limb), scene.tracks
    start_s, end_s = window_on_ground_s(scene, rep, contact)
    landing = (tracks.t_s >= start_s) & (tracks.t_s <= end_s)
    heights = {k: -(scene.points(f"{k}_ankle") @ tracks.down) / tracks.px_per_m for k in LIMBS}
    knee = scene.settings.knee
    floors = {k: _low(h[landing], knee.floor_percentile) for k, h in heights.items()}
    frames = np.array(fit.frames)
    rising_s = end_s - knee.heel_rise_s if contact.toe_off else math.inf
    off_floor_s = np.clip(start_s - tracks.t_s[frames], 0.0, None)
    off_floor_s += np.clip(tracks.t_s[frames] - rising_s, 0.0, None)
    highest_m = floors[limb] + knee.standing_ankle_m + knee.falling_m_s * off_floor_s
    other = other_limb(limb)
    if (heights[limb][frames] > highest_m).any() or (
        floors[limb] - floors[other] > knee.standing_ankle_m
    ):
        raise not_measurable(Code.LEG_TAKEN_FOR_OTHER)


def _refuse_if_straightens(scene: Scene, rep: Rep, limb: Limb, peak: Instant) -> None:
    """Refuse a landing whose knee bends no further than at contact: another leg was seen there."""
    if peak.t_s - lands(scene, rep, limb).t_s < peak.single_sd_s:
        raise not_measurable(Code.KNEE_BENDS_NO_FURTHER)


def _low(heights_m: FloatArray, percentile: float) -> float:
    known = heights_m[np.isfinite(heights_m)]
    return float(np.percentile(known, percentile)) if len(known) else math.nan


def _flexion_at_contact(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    at, fit = at_contact(scene, rep, limb, scene.flexion[0])
    _refuse_other_leg(scene, rep, limb, fit)
    try:
        peak = at_largest(scene, rep, limb, *scene.flexion)[0]
    except NotMeasurableError:
        pass  # what asks for the peak says why there is none
    else:
        _refuse_if_straightens(scene, rep, limb, peak)
    extended_deg = _extended_deg(scene, at.t_s, fit.value)
    if rep.is_bound and extended_deg > scene.settings.measures.most_extended_deg:
        raise not_measurable(Code.KNEE_STILL_EXTENDING, extended_deg=extended_deg)
    reading = _flexion_reading(scene, limb, at, fit)
    hardly = extended_deg <= scene.settings.measures.least_extended_deg
    rounded_deg = 0.0 if hardly else scene.settings.measures.rounded_share * extended_deg
    if _is_quick_step(rep, scene.settings.contacts.steps.low_flight_s):
        rounded_deg = math.hypot(rounded_deg, scene.settings.measures.quick_step_contact_sd_deg)
    return _less_sure(reading, rounded_deg)


def _less_sure(reading: Reading, more_deg: float) -> Reading:
    """Claim more of what the pose model adds to a reading."""
    parts = tuple(
        (name, math.hypot(sd, more_deg) if name == OFFSET else sd) for name, sd in reading.parts
    )
    return reading._replace(parts=parts)


def _is_quick_step(rep: Rep, low_flight_s: float) -> bool:
    """Say whether a body left from, or landed on, one foot, and flew as low as quick steps may."""
    take_off, landing = rep.flight.take_off, rep.flight.landing
    from_both_to_both = len(rep.flight.take_off_limbs) == len(rep.contacts) == len(LIMBS)
    if not take_off or not landing or from_both_to_both:
        return False
    may_be_longer_s = math.hypot(take_off.sd_s, landing.sd_s)
    return landing.t_s - take_off.t_s - may_be_longer_s < low_flight_s


def _extended_deg(scene: Scene, at_s: float, flexion_deg: float) -> float:
    """Return by how much the near knee has just extended to a flexion, 0 where that is unknown."""
    t_s, flexion = scene.tracks.t_s, scene.flexion[0]
    before_s = at_s - scene.settings.measures.extends_s
    around = np.abs(t_s - before_s) <= 0.5 * scene.settings.measures.after_impact_s
    known = flexion[around & np.isfinite(flexion)]
    return float(np.median(known)) - flexion_deg if len(known) else 0.0


def _peak(scene: Scene, rep: Rep, limb: Limb) -> tuple[Instant, Fit]:
    at, fit = at_largest(scene, rep, limb, *scene.flexion)
    _refuse_other_leg(scene, rep, limb, fit)
    _refuse_if_straightens(scene, rep, limb, at)
    if scene.near_knee.apart[list(fit.frames)].any():
        raise not_measurable(Code.LEG_TAKEN_FOR_OTHER)
    return at, fit


def _flexion_peak(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    reading = _flexion_reading(scene, limb, *_peak(scene, rep, limb))
    if not rep.is_bound:
        return reading
    return _less_sure(reading, scene.settings.measures.passing_leg_sd_deg)


def _flexion_excursion(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    first, last = _flexion_at_contact(scene, rep, limb), _flexion_peak(scene, rep, limb)
    parts = tuple(
        (name, math.hypot(sd, dict(last.parts).get(name, 0.0))) for name, sd in first.parts
    )
    return Reading(last.value - first.value, parts, first.frames + last.frames)


def _flexion_target_difference(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    peak = _flexion_peak(scene, rep, limb)
    return peak._replace(value=peak.value - scene.settings.target_flexion_deg)


def _time_to_peak_flexion(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    start = lands(scene, rep, limb)
    if scene.view.view in SIDE_VIEWS and limb == scene.view.near_limb:
        return interval(scene, start, _peak(scene, rep, limb)[0])
    if rep.peak_flexion_s is None:
        raise not_measurable(Code.LOWEST_POINT_NOT_SEEN)
    sd_s = scene.settings.measures.peak_instant_sd_s
    return interval(scene, start, Instant(rep.peak_flexion_s, sd_s, 0.0))


LIMB_READERS: dict[str, LimbReader] = {
    "knee_flexion_initial_contact": _flexion_at_contact,
    "knee_flexion_peak": _flexion_peak,
    "knee_flexion_excursion": _flexion_excursion,
    "knee_flexion_target_difference": _flexion_target_difference,
    "time_to_peak_flexion": _time_to_peak_flexion,
}
