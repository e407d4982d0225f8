"""Frames of the crowd's sets that carry a knee flexion: side views of jumps and of hops.

Standing, around the near foot's initial contact, and around the deepest flexion of its knee: what
the pose model errs by there, as it sees them and mirrored (`tests/accuracy/side_flexion.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from synthetic_patients.choreography import Performance
from synthetic_patients.clips import scene_truth, write_truth
from synthetic_patients.crowd import CROWD
from synthetic_patients.landings import FPS, STANDING
from synthetic_patients.looks import Look
from synthetic_patients.script import LIMBS, Limb
from synthetic_patients.sets import ONE_PICTURE, SetPlan, play_set, set_scene

Moment = Literal["standing", "contact", "peak"]
MOMENTS: tuple[Moment, ...] = ("standing", "contact", "peak")
_SEED = 99
_MOST_INWARD_DEG = 18.0
_DRAWS = 6
"""How often a body that cannot do a set is given another."""
_STANDING_S = 0.03 + 0.07 * np.arange(6)
_AROUND_CONTACT_S = np.arange(-4, 5) / 60.0
_AROUND_PEAK_S = np.arange(-2, 3) / 30.0
_FRAME_S = 1.0 / 60.0


@dataclass(frozen=True)
class Frames:
    """Instants of frames, (n,) each; ``moment`` is an index of `MOMENTS`, ``rep`` of the reps."""

    t_s: np.ndarray
    moment: np.ndarray
    rep: np.ndarray


def side_plans(visit: int = 1) -> Iterator[SetPlan]:
    """Yield two sets of each body: jumps from one side, hops on the other limb from the other."""
    for number in range(len(CROWD)):
        near: Limb = "left" if number % 2 else "right"
        far: Limb = "right" if near == "left" else "left"
        inward = np.random.default_rng([_SEED, number]).uniform(0.0, _MOST_INWARD_DEG, 2)
        of_both = float(inward[0]), float(inward[1])
        yield SetPlan(number, f"{near}_side", LIMBS, of_both, visit=visit)
        yield SetPlan(number, f"{far}_side", (far,), (of_both[1], of_both[1]), visit=visit)


def near_limb(plan: SetPlan) -> Limb:
    """Return the limb on the camera's side."""
    return "left" if plan.view == "left_side" else "right"


def side_frames(plan: SetPlan, truth: dict[str, Any]) -> Frames:
    """Return which instants of a set are drawn, off its events by up to half a frame."""
    limb = near_limb(plan)
    t_s, moment, of_rep = [_STANDING_S], [np.zeros(len(_STANDING_S))], [STANDING] * len(_STANDING_S)
    for number, rep in enumerate(truth["reps"]):
        contact_s = min(
            one["initial_contact_s"]
            for one in truth["contacts"]
            if one["limb"] == limb and one["initial_contact_s"] > rep["take_off_s"]
        )
        late_s = np.random.default_rng([set_scene(plan).seed, number]).uniform(-0.5, 0.5) * _FRAME_S
        peak_s = rep["landing"][limb]["peak_flexion_s"]
        for index, (at_s, around_s) in enumerate(
            ((contact_s, _AROUND_CONTACT_S), (peak_s, _AROUND_PEAK_S)), start=1
        ):
            t_s.append(at_s + late_s + around_s)
            moment.append(np.full(len(around_s), index))
            of_rep += [number] * len(around_s)
    return Frames(np.concatenate(t_s), np.concatenate(moment).astype(int), np.array(of_rep))


def play_side_set(plan: SetPlan, bodies: Path) -> tuple[SetPlan, Performance]:
    """Perform a set, or the first of a few draws that the body can do.

    Raises
    ------
    ValueError
        If it can do none.
    """
    for draw in range(_DRAWS):
        drawn = replace(plan, draw=draw)
        try:
            return drawn, play_set(drawn, bodies)
        except ValueError:
            continue
    raise ValueError(f"{plan.name}: the body can do none of {_DRAWS} draws")


def film_side_landings(plan: SetPlan, bodies: Path, folder: Path) -> Path:
    """Draw the frames of one set into a clip, one after the other, with their truth beside it.

    The truth is that of the set, with ``frame_s``, ``frame_kind`` and ``frame_rep`` of each frame.

    Raises
    ------
    ValueError
        If the body cannot do the set.
    """
    from synthetic_patients.render import Renderer, write_clip

    folder.mkdir(parents=True, exist_ok=True)
    drawn, performance = play_side_set(plan, bodies)
    scene = set_scene(drawn)
    truth = scene_truth(scene, performance)
    frames = side_frames(drawn, truth)
    patient = scene.patient
    look = Look(patient.skin, patient.shirt, patient.shorts, patient.hair, patient.shoe)
    motion, noise = performance.motion, np.random.default_rng(scene.seed)
    renderer = Renderer(motion.body, look, scene.camera, shifts_px=ONE_PICTURE)
    clip = folder / f"{plan.name}.mp4"
    try:
        write_clip(clip, (renderer.frame(motion, float(at_s), noise) for at_s in frames.t_s), FPS)
    finally:
        renderer.close()
    told = {
        "frame_s": frames.t_s.tolist(),
        "frame_kind": frames.moment.tolist(),
        "frame_rep": frames.rep.tolist(),
    }
    write_truth(clip.with_suffix(".truth.json"), truth | told)
    return clip
