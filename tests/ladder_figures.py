"""Landmarks of the ladder's scenes as a perfect pose model would give them, with truth, undrawn."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
from stick_patient import make_clip, make_poses
from synthetic_patients.clips import frame_times_s
from synthetic_patients.ladder import LADDER, ladder_truth, play_step

from landing_analysis.landmarks.people import link_people
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, N_LANDMARKS, Analysis, Landmarks

_JOINTS = {
    **{
        f"{side}_{part}": f"{side}_{part}"
        for side in ("left", "right")
        for part in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "eye")
    },
    "left_toe": "left_toe_tip",
    "right_toe": "right_toe_tip",
    "nose": "head",
    "left_ear": "head",
    "right_ear": "head",
}
"""Landmark to joint; the others lie at the head."""


@cache
def figure(name: str, noise_px: float = 1.5) -> tuple[Landmarks, dict[str, Any]]:
    """Return landmarks of a scene at its camera's rate, with noise, and its truth."""
    step = LADDER[name]
    performance = play_step(step)
    camera, t_s = step.scene.camera, frame_times_s(step.scene, performance)
    joints = performance.motion.joints(t_s)
    rng = np.random.default_rng(step.scene.seed)
    xy_px = np.empty((len(t_s), N_LANDMARKS, 2))
    world_m = np.empty((len(t_s), N_LANDMARKS, 3))
    for landmark, column in LANDMARK.items():
        place = joints[_JOINTS.get(landmark, "head")]
        xy_px[:, column] = camera.project(place)
        world_m[:, column] = (place - joints["mid_hip"]) @ camera.rotation().T
    xy_px += rng.normal(0.0, noise_px, xy_px.shape)
    seen = np.ones((len(t_s), N_LANDMARKS))
    landmarks = Landmarks(t_s, xy_px, seen, world_m, camera.width_px, camera.height_px)
    return landmarks, ladder_truth(step, performance)


@cache
def analysed(
    name: str,
    planned: tuple[str, ...] = (),
    exercise: str | None = None,
    settings: Settings | None = None,
) -> tuple[Analysis, dict[str, Any]]:
    """Return the analysis of a scene's joints and its truth."""
    landmarks, truth = figure(name)
    size = {"width_px": landmarks.width_px, "height_px": landmarks.height_px}
    clip, poses = replace(make_clip(landmarks, f"{name}.mp4"), **size), make_poses(landmarks)
    options = Options(planned=planned, exercise=exercise, settings=settings or Settings())
    people = link_people(poses, options.settings.people)
    return analyse_people(clip, poses, people, options, "now"), truth
