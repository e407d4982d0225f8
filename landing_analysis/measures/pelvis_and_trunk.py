"""Where the pelvis is over the feet, and how the trunk leans: (Scene, Rep) -> Reading."""

from __future__ import annotations

import math

import numpy as np

from landing_analysis.maths.kinematics import tilt_deg
from landing_analysis.measures.instants import (
    at_lowest,
    contact_of,
    fitted_parts,
    not_seen,
    stance,
    tilted_px,
    window_on_ground_s,
)
from landing_analysis.measures.readings import largest_value
from landing_analysis.measures.scene import (
    BodyReader,
    LimbReader,
    Reading,
    Scene,
    not_measurable,
)
from landing_analysis.measures.summaries import NOISE, OFFSET, VERTICAL
from landing_analysis.reasons import Code
from landing_analysis.tables import Limb, Rep


def _pelvis_shift(scene: Scene, rep: Rep) -> Reading:
    ankles_px, stance_px = stance(scene, rep)
    names = ("left_hip", "right_hip", "left_ankle", "right_ankle")
    apart_px = scene.middle("hip") - scene.middle("ankle")
    percent = 100.0 * scene.toward_left / ankles_px
    at, fit = at_lowest(scene, rep, percent * scene.across(apart_px), *names)
    noise_px = 0.5 * math.hypot(*scene.noise(*names))
    carried_px = tilted_px(scene, rep, apart_px, *names)
    parts = (
        *fitted_parts(fit, 100.0 * noise_px / stance_px, at),
        (VERTICAL, 100.0 * carried_px / stance_px),
        (OFFSET, scene.settings.measures.pelvis_shift_offset_sd_pct),
    )
    return Reading(fit.value, parts, fit.frames)


def _pelvis_travel(scene: Scene, rep: Rep) -> Reading:
    names = ("left_hip", "right_hip")
    limb = rep.limbs[0]
    contact = contact_of(rep, limb)
    outward = scene.toward_left * (1.0 if limb == "left" else -1.0)
    pelvis = outward * scene.across(scene.middle("hip")) * 100.0 / scene.tracks.leg_px
    start_s, end_s = contact.initial_contact.t_s, window_on_ground_s(scene, rep, contact)[1]
    left_s = start_s - scene.settings.signs.way_before_s
    t_s, reach_s = scene.tracks.t_s, scene.settings.measures.peak_reach_s
    found = largest_value(t_s, pelvis, pelvis, (start_s, end_s), reach_s, scene.step_s)
    back = largest_value(t_s, -pelvis, -pelvis, (left_s, start_s), reach_s, scene.step_s)
    if found is None or back is None:
        raise not_seen(scene, names, (left_s, end_s), "from foot to foot")
    noise = 100.0 * 0.5 * math.hypot(*scene.noise(*names)) / scene.tracks.leg_px
    parts = (
        (NOISE, noise * math.hypot(found[1].gain, back[1].gain)),
        (OFFSET, scene.settings.signs.heel_offset_sd_pct_of_leg),
    )
    return Reading(found[1].value + back[1].value, parts, (*back[1].frames, *found[1].frames))


def _pelvis_height(scene: Scene, rep: Rep, limb: Limb) -> Reading:
    contact_of(rep, limb)
    names = ("left_hip", "right_hip", f"{limb}_ankle")
    percent = 100.0 / scene.tracks.leg_px
    height = (scene.points(f"{limb}_ankle") - scene.middle("hip")) @ scene.tracks.down
    at, fit = at_lowest(scene, rep, percent * height, *names)
    left, right, ankle = scene.noise(*names)
    parts = (
        *fitted_parts(fit, percent * math.hypot(0.5 * left, 0.5 * right, ankle), at),
        (OFFSET, scene.settings.measures.pelvis_height_offset_sd_pct),
    )
    return Reading(fit.value, parts, fit.frames)


def _trunk(scene: Scene, rep: Rep, sign: float) -> Reading:
    if scene.tracks.turns:
        raise not_measurable(Code.RESTS_ON_CARRIAGE)
    names = ("left_hip", "right_hip", "left_shoulder", "right_shoulder")
    hips, shoulders = scene.middle("hip"), scene.middle("shoulder")
    angle = sign * tilt_deg(hips, shoulders, scene.tracks.down)
    at, fit = at_lowest(scene, rep, angle, *names)
    frame = fit.frames[len(fit.frames) // 2]
    length_px = float(np.linalg.norm(shoulders[frame] - hips[frame]))
    noise_px = 0.5 * math.hypot(*scene.noise(*names))
    parts = (
        *fitted_parts(fit, math.degrees(noise_px / length_px), at),
        (VERTICAL, scene.tracks.down_sd_deg),
        (OFFSET, scene.settings.measures.trunk_offset_sd_deg),
    )
    return Reading(fit.value, parts, fit.frames)


def _trunk_lean(scene: Scene, rep: Rep) -> Reading:
    return _trunk(scene, rep, scene.toward_left)


def _trunk_flexion(scene: Scene, rep: Rep) -> Reading:
    # Seen from their left side a person faces the left of the picture.
    return _trunk(scene, rep, -1.0 if scene.view.view == "left_side" else 1.0)


LIMB_READERS: dict[str, LimbReader] = {"pelvis_height": _pelvis_height}

BODY_READERS: dict[str, BodyReader] = {
    "pelvis_shift": _pelvis_shift,
    "pelvis_travel": _pelvis_travel,
    "trunk_lean": _trunk_lean,
    "trunk_flexion": _trunk_flexion,
}
