"""Film a scene: motion, clip and truth file."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from synthetic_patients.body import Body, FloatArray, load_body
from synthetic_patients.choreography import Performance, perform
from synthetic_patients.furniture import furniture
from synthetic_patients.lying import Lying
from synthetic_patients.scenes import Scene
from synthetic_patients.truth import SCHEMA_VERSION, clip_truth, frame_truth


def play(scene: Scene, body: Body | None = None) -> Performance:
    """Perform the scene's motion, which depends on nothing but the scene and the body.

    That is the patient's, of the four that come with this package, unless another one is given.
    """
    script = scene.script(np.random.default_rng(scene.seed))
    performance = perform(
        body or load_body(scene.patient.body), script, scene.support,
        seed=scene.seed, free_leg=scene.free_leg, place=scene.place,
    )  # fmt: skip
    sled = scene.place.sled
    if sled is None:
        return performance
    motion = performance.motion
    return replace(performance, motion=Lying(motion, sled, motion.duration_s))


def frame_times_s(scene: Scene, performance: Performance) -> FloatArray:
    """Presentation times of all frames: the middle of each exposure."""
    return np.arange(int(performance.motion.duration_s * scene.camera.fps)) / scene.camera.fps


def scene_truth(scene: Scene, performance: Performance) -> dict[str, Any]:
    """Everything the truth file holds."""
    camera = scene.camera
    return {
        "schema_version": SCHEMA_VERSION,
        "clip": f"{scene.name}.mp4",
        "invented": True,
        "scenario": scene.patient.code,
        "seed": scene.seed,
        "fps": camera.fps,
        "frames": len(frame_times_s(scene, performance)),
        "view": camera.view,
        "camera": {
            "yaw_deg": camera.yaw_deg, "roll_deg": camera.roll_deg, "pitch_deg": camera.pitch_deg,
            "height_m": camera.height_m, "distance_m": camera.distance_m,
            "offset_m": camera.offset_m, "focal_px": round(camera.focal_px, 2),
            "exposure_s": round(camera.exposure_s, 6), "sway_deg": camera.sway_deg,
        },
        "stature_m": performance.motion.body.stature_m,
        "surgical_side": scene.patient.surgical_side,
        **clip_truth(performance, camera),
    }  # fmt: skip


def write_truth(path: Path, truth: dict[str, Any]) -> None:
    """Write a truth file whole or not at all."""
    partial = path.with_name(path.name + ".part")
    partial.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    partial.replace(path)


def film(
    scene: Scene,
    performance: Performance,
    folder: Path,
    *,
    remarks: dict[str, Any] | None = None,
    truth: dict[str, Any] | None = None,
    frame_arrays: bool = False,
    shifts_px: Sequence[tuple[float, float]] | None = None,
    advance: Callable[[], None] = lambda: None,
) -> Path:
    """Render a performed scene into ``folder``: the clip and its truth.

    Parameters
    ----------
    remarks : further keys for the truth file
    truth : what the truth file holds; by default `scene_truth`
    frame_arrays : also write ``<name>.truth.npz`` with the joints of every frame
    shifts_px : of the pictures that make one exposure; by default the renderer's
    advance : called after each frame

    Returns
    -------
    Path of the clip.
    """
    from synthetic_patients.looks import Look
    from synthetic_patients.render import SUB_FRAME_SHIFTS_PX, Renderer, write_clip

    folder.mkdir(parents=True, exist_ok=True)
    times_s = frame_times_s(scene, performance)
    patient = scene.patient
    look = Look(patient.skin, patient.shirt, patient.shorts, patient.hair, patient.shoe)
    things = furniture(scene.place, performance.motion)
    renderer = Renderer(
        performance.motion.body, look, scene.camera,
        shifts_px=shifts_px or SUB_FRAME_SHIFTS_PX, furniture=things,
    )  # fmt: skip
    noise = np.random.default_rng(scene.seed)

    def pictures() -> Iterator[np.ndarray]:
        for t_s in times_s:
            yield renderer.frame(performance.motion, float(t_s), noise)
            advance()

    clip = folder / f"{scene.name}.mp4"
    try:
        write_clip(clip, pictures(), scene.camera.fps)
    finally:
        renderer.close()
    known = scene_truth(scene, performance) if truth is None else truth
    write_truth(folder / f"{scene.name}.truth.json", known | (remarks or {}))
    if frame_arrays:
        arrays = frame_truth(performance.motion, scene.camera, times_s)
        np.savez_compressed(folder / f"{scene.name}.truth.npz", **arrays)
    return clip
