"""Frames of the crowd's `sets` that carry an FPPA: quiet standing, around the lowest points.

A sixth of the pictures, drawn in seconds: enough to learn how a look at the mirrored picture, or
another form of the offset, changes an angle that is read at the lowest point.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from synthetic_patients.clips import scene_truth, write_truth
from synthetic_patients.looks import Look
from synthetic_patients.sets import ONE_PICTURE, SetPlan, play_set, set_scene

FPS = 30.0
STANDING = -1
"""In the place of a rep's index."""
_STANDING_S = 0.03 + 0.07 * np.arange(6)
_AROUND = (-2, -1, 0, 1, 2)
"""Frames, of which the middle one is the nearest to the lowest point."""


def landing_times(plan: SetPlan, reps: list[dict[str, Any]]) -> tuple[np.ndarray, np.ndarray]:
    """Return (n,) the instants of the frames, and the index of each one's rep or `STANDING`.

    A set of hops begins on one foot, which is no quiet standing.
    """
    standing_s = _STANDING_S if len(plan.support) == 2 else np.zeros(0)
    middles_s = [round(rep["lowest_pelvis_s"] * FPS) / FPS for rep in reps]
    around_s = [[middle_s + frame / FPS for frame in _AROUND] for middle_s in middles_s]
    t_s = np.concatenate([standing_s, *around_s])
    of_rep = np.repeat(np.arange(len(reps)), len(_AROUND))
    return t_s, np.concatenate([np.full(len(standing_s), STANDING), of_rep])


def film_landings(plan: SetPlan, bodies: Path, folder: Path) -> Path:
    """Draw the frames of one set into a clip, one after the other, with their truth beside it.

    The truth is that of the set (`sets`), with ``frame_s`` and ``frame_rep`` of each frame.
    """
    from synthetic_patients.render import Renderer, write_clip

    folder.mkdir(parents=True, exist_ok=True)
    scene, performance = set_scene(plan), play_set(plan, bodies)
    truth = scene_truth(scene, performance)
    t_s, of_rep = landing_times(plan, truth["reps"])
    patient = scene.patient
    look = Look(patient.skin, patient.shirt, patient.shorts, patient.hair, patient.shoe)
    motion, noise = performance.motion, np.random.default_rng(scene.seed)
    renderer = Renderer(motion.body, look, scene.camera, shifts_px=ONE_PICTURE)

    def pictures() -> Iterator[np.ndarray]:
        for at_s in t_s:
            yield renderer.frame(motion, float(at_s), noise)

    clip = folder / f"{plan.name}.mp4"
    try:
        write_clip(clip, pictures(), FPS)
    finally:
        renderer.close()
    frames = {"frame_s": t_s.tolist(), "frame_rep": of_rep.tolist()}
    write_truth(clip.with_suffix(".truth.json"), truth | frames)
    return clip


def read_landing_truth(clip: Path) -> tuple[dict[str, Any], np.ndarray, np.ndarray]:
    """Read the truth beside a clip: all of it, and the frames' instants and reps."""
    truth = json.loads(clip.with_suffix(".truth.json").read_text(encoding="utf-8"))
    return truth, np.array(truth["frame_s"]), np.array(truth["frame_rep"])
