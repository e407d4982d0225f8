"""FPPA and the knees over the feet, from front or back: (Scene, Rep[, Limb]) -> Reading."""

from __future__ import annotations

import math

import numpy as np

from landing_analysis.maths.kinematics import false_fppa_deg, flexion_from_shortening_deg
from landing_analysis.maths.statistics import Z_95
from landing_analysis.measures.alignment import doubt_at
from landing_analysis.measures.instants import (
    at_contact,
    at_largest,
    at_lowest,
    fitted_parts,
    knee_noise_deg,
    leg_names,
    stance,
    tilted_px,
)
from landing_analysis.measures.readings import Fit
from landing_analysis.measures.scene import (
    BodyReader,
    Instant,
    LimbReader,
    NotMeasurableError,
    Reading,
    Scene,
)
from landing_analysis.measures.summaries import NOISE, OFFSET, OFFSET_PARTS, VERTICAL, YAW
from landing_analysis.tables import Limb, Rep


def _fppa_reading(scene: Scene, limb: Limb, at: Instant, fit: Fit) -> Reading:
    _refuse_doubtful(scene, limb, fit)
    frame = fit.frames[len(fit.frames) // 2]
    hip, knee, ankle = (point[frame] for point in scene.leg(limb))
    seen_px = float(np.linalg.norm(knee - hip) + np.linalg.norm(ankle - knee))
    least_share = scene.settings.measures.least_leg_share
    flexion = flexion_from_shortening_deg(seen_px, scene.tracks.leg_px, least_share)
    sure_yaw_deg = max(0.0, abs(scene.yaw_deg) - Z_95 * scene.view.yaw_sd_deg)
    fitted = fitted_parts(fit, knee_noise_deg(scene, limb, fit), at)
    sds_deg = dict(scene.offset.sds_deg)
    # What was learnt of drawn pictures holds their noise, which is not to be claimed twice.
    noise_deg = dict(fitted)[NOISE]
    sds_deg["posture"] = math.sqrt(max(0.0, sds_deg["posture"] ** 2 - noise_deg**2))
    parts = (
        *fitted,
        (YAW, float(false_fppa_deg(flexion, sure_yaw_deg))),
        *((OFFSET_PARTS[part], sd) for part, sd in sds_deg.items()),
    )
    known_deg = scene.offset.at(limb, fit.frames)
    if known_deg is None:
        return Reading(fit.value, parts, fit.frames)
    return Reading(fit.value + known_deg, parts, fit.frames, fit.value)


def _refuse_doubtful(scene: Scene, limb: Limb, fit: Fit) -> None:
    doubt = doubt_at(scene.fppa_doubts(limb), fit.frames)
    if doubt is not None:
        raise NotMeasurableError(doubt)


def _fppa_at_contact(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    return _fppa_reading(scene, limb, *at_contact(scene, rep, limb, scene.fppa(limb)[0]))


def _fppa_at_peak(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    lowest = at_lowest(scene, rep, scene.fppa(limb)[0], *leg_names(limb))
    return _fppa_reading(scene, limb, *lowest)


def _fppa_peak_inward(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    # What cannot be read at the lowest point may have been the most inward.
    _fppa_at_peak(scene, rep, limb)
    return _fppa_reading(scene, limb, *at_largest(scene, rep, limb, *scene.fppa(limb)))


def _knee_over_toes_offset(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    names = (f"{limb}_knee", f"{limb}_toe")
    medial = scene.toward_left if limb == "right" else -scene.toward_left
    apart_px = scene.points(names[0]) - scene.points(names[1])
    percent = 100.0 / scene.tracks.leg_px
    at, fit = at_lowest(scene, rep, percent * medial * scene.across(apart_px), *names)
    parts = (
        *fitted_parts(fit, percent * math.hypot(*scene.noise(*names)), at),
        (VERTICAL, percent * tilted_px(scene, rep, apart_px, *names)),
        (OFFSET, scene.settings.measures.offset_sd_pct_of_leg),
    )
    return Reading(fit.value, parts, fit.frames)


def _knee_ankle_separation_ratio(scene: Scene, rep: Rep) -> Reading:
    ankles_px, stance_px = stance(scene, rep)
    names = ("left_knee", "right_knee")
    knees_px = np.abs(scene.across(scene.points(names[0]) - scene.points(names[1])))
    at, fit = at_lowest(scene, rep, knees_px / ankles_px, *names)
    noise_px = math.hypot(
        *scene.noise(*names),
        *(fit.value * noise for noise in scene.noise("left_ankle", "right_ankle")),
    )
    parts = (
        *fitted_parts(fit, noise_px / stance_px, at),
        (OFFSET, scene.settings.measures.ratio_offset_sd),
    )
    return Reading(fit.value, parts, fit.frames)


LIMB_READERS: dict[str, LimbReader] = {
    "fppa_initial_contact": _fppa_at_contact,
    "fppa_peak_flexion": _fppa_at_peak,
    "fppa_peak_inward": _fppa_peak_inward,
    "knee_over_toes_offset": _knee_over_toes_offset,
}

BODY_READERS: dict[str, BodyReader] = {
    "knee_ankle_separation_ratio": _knee_ankle_separation_ratio,
}
