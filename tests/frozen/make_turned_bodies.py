"""Make ``turned_bodies.npz``: what the pose model sees of rendered bodies at known turns.

    python tests/frozen/make_turned_bodies.py CLIPS_FOLDER

Needs the package and what ``sample_clips/README.md`` names for drawing. Twelve frames
from quiet standing to deep landings of each of five sets are drawn from 38 places
around the patient (ten to fifteen minutes); a clip that is already in the folder is
not drawn again.

The table holds, per clip: patient, view, ``turn_deg`` (of the true pelvis to the own
left, 0 when facing the camera) and ``lines_m`` (12, 2, 2), the model's shoulder and hip
line, each from right to left, x to the right in the picture and z away from the camera.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "sample_clips"))

from synthetic_patients.camera import Camera, View
from synthetic_patients.clips import play
from synthetic_patients.looks import Look
from synthetic_patients.render import Renderer, write_clip
from synthetic_patients.scenes import P02, SCENES, Scene, jump_set
from synthetic_patients.truth import frame_truth

from landing_analysis.landmarks.pose import find_poses
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import LANDMARK
from landing_analysis.video.clips import read_clip, read_frames

FRAMES = 12
SETS = {
    "P01": SCENES["p01_jumps_front"],
    "P02": Scene(
        "p02_jumps", P02, jump_set(6, "left", inward_deg=(3.0, 9.0)), 777, Camera(distance_m=2.9)
    ),
    "P03": SCENES["p03_jumps_front"],
    "P04": SCENES["p04_jumps_back"],
    "H02": SCENES["p02_hops_left_front"],
}
PLACES: dict[View, tuple[int, ...]] = {
    "front": (-40, -30, -20, -15, -10, -6, -3, 0, 3, 6, 10, 15, 20, 30, 40),
    "back": (-30, -20, -10, -5, 0, 5, 10, 20, 30),
    "left_side": (-30, -20, -10, 0, 10, 20, 30),
    "right_side": (-30, -20, -10, 0, 10, 20, 30),
}


def main() -> None:
    """Draw, look, and write the table."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    rows = [row for name, scene in SETS.items() for row in _rows(folder, name, scene)]
    patients, views, turns_deg, lines_m = zip(*rows, strict=True)
    np.savez_compressed(
        Path(__file__).with_name("turned_bodies.npz"),
        patient=patients,
        view=views,
        turn_deg=np.array(turns_deg, dtype=np.float32),
        lines_m=np.array(lines_m, dtype=np.float32),
    )


def _rows(folder: Path, name: str, scene: Scene) -> Iterator[tuple[str, str, float, np.ndarray]]:
    performance = play(scene)
    motion, patient = performance.motion, scene.patient
    look = Look(patient.skin, patient.shirt, patient.shorts, patient.hair, patient.shoe)
    jitter_s = np.random.default_rng(5).uniform(-0.08, 0.08, FRAMES)
    t_s = np.linspace(0.3, motion.duration_s - 0.3, FRAMES) + jitter_s
    for view, yaws_deg in PLACES.items():
        for yaw_deg in yaws_deg:
            camera = replace(scene.camera, view=view, yaw_deg=float(yaw_deg))
            clip = folder / f"{name}_{view}_{yaw_deg:+d}.mp4"
            if not clip.exists():
                renderer = Renderer(motion.body, look, camera)
                noise = np.random.default_rng(1)
                write_clip(clip, (renderer.frame(motion, float(t), noise) for t in t_s), 5.0)
                renderer.close()
            yield name, view, _true_turn_deg(frame_truth(motion, camera, t_s), camera), _lines(clip)


def _true_turn_deg(truth: dict[str, np.ndarray], camera: Camera) -> float:
    names = list(truth["joints"])
    left, right = (truth["joints_m"][:, names.index(f"{limb}_hip")] for limb in ("left", "right"))
    across, to_camera = left - right, camera.position_m() - (left + right) / 2
    facing = np.arctan2(-across[:, 0], across[:, 1])
    turn = facing - np.arctan2(to_camera[:, 1], to_camera[:, 0])
    return float(np.degrees(np.median(np.angle(np.exp(1j * turn)))))


def _lines(path: Path) -> np.ndarray:
    world = find_poses(read_frames(path), read_clip(path), PoseSettings(max_people=1)).world_m
    lines = [
        world[:, 0, LANDMARK[f"left_{part}"]] - world[:, 0, LANDMARK[f"right_{part}"]]
        for part in ("shoulder", "hip")
    ]
    return np.stack(lines, axis=1)[:, :, [0, 2]]


if __name__ == "__main__":
    main()
