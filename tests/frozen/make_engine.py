"""Freezes what the publisher's own engine sees in some frames of the sample clips.

    python tests/frozen/make_engine.py

in an environment of its own with mediapipe 0.10.32 and av, which the package does not need.
"""

from __future__ import annotations

from pathlib import Path

import av
import mediapipe as mp
import numpy as np
from mediapipe.tasks.python import BaseOptions, vision

ROOT = Path(__file__).parents[2]
BUNDLE = ROOT / "landing_analysis" / "data" / "pose_full.task"
CLIPS = ("p01_jumps_front", "p02_hops_right_side", "sled_p01_left_side", "run_p01_left_side")
EVERY = 60


def main() -> None:
    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=str(BUNDLE)), num_poses=3
    )
    seen = {}
    with vision.PoseLandmarker.create_from_options(options) as landmarker:
        for name in CLIPS:
            with av.open(str(ROOT / "sample_clips" / f"{name}.mp4")) as container:
                for number, frame in enumerate(container.decode(video=0)):
                    if number % EVERY == 0:
                        rgb = frame.to_ndarray(format="rgb24")
                        seen[f"{name} {number}"] = _people(landmarker, rgb)
    np.savez_compressed(Path(__file__).with_name("engine.npz"), **seen)


def _people(landmarker: vision.PoseLandmarker, rgb: np.ndarray) -> np.ndarray:
    """Return (people, 33, 6): x and y from the first pixel's edge, visibility, metres."""
    found = landmarker.detect(mp.Image(image_format=mp.ImageFormat.SRGB, data=rgb))
    height, width = rgb.shape[:2]
    people = [
        [
            (p.x * width, p.y * height, p.visibility, w.x, w.y, w.z)
            for p, w in zip(points, places, strict=True)
        ]
        for points, places in zip(found.pose_landmarks, found.pose_world_landmarks, strict=True)
    ]
    return np.array(people, dtype=np.float32).reshape(-1, 33, 6)


if __name__ == "__main__":
    main()
