"""How a leg is drawn up before it lands: (Scene, Rep, Limb) -> Reading."""

from __future__ import annotations

import math

import numpy as np

from landing_analysis.maths.kinematics import flexion_deg
from landing_analysis.measures.hip_lead import halfway
from landing_analysis.measures.instants import contact_of, interval, not_seen, window_on_ground_s
from landing_analysis.measures.readings import Fit, largest_value, value_at
from landing_analysis.measures.scene import LEG, Instant, LimbReader, Reading, Scene
from landing_analysis.measures.summaries import NOISE, OFFSET, VERTICAL
from landing_analysis.reps.signs import is_beside_gap, segment_tilts_deg, swing_of
from landing_analysis.tables import LANDMARK, FloatArray, Limb, Rep


def _swing_peak(
    scene: Scene, rep: Rep, limb: Limb, samples: FloatArray, names: tuple[str, ...]
) -> Fit:
    """Read the largest value of a signal while a limb was in the air before its landing."""
    contact_of(rep, limb)
    t_s, swing = scene.tracks.t_s, swing_of(limb, rep, scene.tracks, scene.settings.signs)
    window_s = float(t_s[swing][0]), float(t_s[swing][-1])
    reach_s = scene.settings.measures.peak_reach_s
    found = largest_value(t_s, samples, samples, window_s, reach_s, scene.step_s)
    top = int(np.nanargmax(samples[swing])) if found else 0
    if found is None or is_beside_gap(samples[swing], top):
        raise not_seen(scene, names, window_s, "in the air")
    return found[1]


def _thigh_angle_peak(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    tilt_deg, _ = segment_tilts_deg(scene.tracks, limb, scene.settings.signs)
    names = (f"{limb}_hip", f"{limb}_knee")
    fit = _swing_peak(scene, rep, limb, tilt_deg, names)
    noise_px = math.hypot(*scene.noise(*names))
    thigh_px = 0.5 * scene.tracks.leg_px
    level = max(math.sin(math.radians(fit.value)), scene.settings.signs.least_sine)
    noise_deg = math.degrees(noise_px / thigh_px)
    parts = (
        (NOISE, noise_deg * fit.gain / level),
        (OFFSET, scene.settings.signs.thigh_offset_sd_deg / level),
        (VERTICAL, scene.tracks.down_sd_deg),
    )
    return Reading(fit.value, parts, fit.frames)


def _heel_height_peak(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    contact = contact_of(rep, limb)
    name = f"{limb}_heel"
    height_px = -(scene.tracks.xy_px[:, LANDMARK[name]] @ scene.tracks.down)
    percent = 100.0 / scene.tracks.leg_px
    fit = _swing_peak(scene, rep, limb, percent * height_px, (name,))
    window_s = window_on_ground_s(scene, rep, contact)
    middle_s = 0.5 * (window_s[0] + window_s[1])
    reach_s = scene.settings.measures.peak_reach_s
    stands = value_at(scene.tracks.t_s, percent * height_px, middle_s, reach_s, scene.step_s)
    if stands is None:
        raise not_seen(scene, (name,), window_s, "during the landing")
    (noise_px,) = scene.noise(name)
    parts = (
        (NOISE, percent * noise_px * math.hypot(fit.gain, stands.gain)),
        (OFFSET, scene.settings.signs.heel_offset_sd_pct_of_leg),
    )
    return Reading(fit.value - stands.value, parts, (*fit.frames, *stands.frames))


def _hip_lead_time(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    contact_of(rep, limb)
    signs, t_s = scene.settings.signs, scene.tracks.t_s
    swing = swing_of(limb, rep, scene.tracks, signs)
    tilt_deg, _ = segment_tilts_deg(scene.tracks, limb, signs)
    thigh = halfway(t_s, tilt_deg, swing)
    knee = halfway(t_s, flexion_deg(*scene.smooth_leg(limb)), swing)
    if thigh is None or knee is None:
        names = tuple(f"{limb}_{part}" for part in LEG)
        raise not_seen(scene, names, (float(t_s[swing][0]), float(t_s[swing][-1])), "in the air")
    level = max(math.sin(math.radians(float(tilt_deg[thigh.frames[1]]))), signs.least_sine)
    thigh_sd_s = signs.thigh_offset_sd_deg / level / thigh.deg_per_s
    knee_sd_s = scene.settings.knee.angle_sd_deg / knee.deg_per_s
    own_sd_s = signs.halfway_frame_share * scene.step_s
    start, end = (
        Instant(one.at_s, own_sd_s, sd_s) for one, sd_s in ((thigh, thigh_sd_s), (knee, knee_sd_s))
    )
    return interval(scene, start, end, scale=1000.0)  # definition: ms in a second


LIMB_READERS: dict[str, LimbReader] = {
    "thigh_angle_peak": _thigh_angle_peak,
    "heel_height_peak": _heel_height_peak,
    "hip_lead_time": _hip_lead_time,
}
