"""Make ``far_foot.npz``: recorded jumps and hops on a drawn body, as the pose model saw them.

    python -m tests.frozen.make_far_foot CLIPS_FOLDER

Needs the package and what ``sample_clips/README.md`` names for drawing. The motion is that of
``cmueval_train_jumping_2.bvh`` (``tests/data/ATTRIBUTION.md``); body and room are invented. Filmed
from the left side 120 times a second (eight minutes on two cores); a clip that is already in the
folder is not drawn again, nor searched again. What the table holds: `pose_tables`.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2] / "sample_clips"))

from pose_tables import PARTS, table_row
from synthetic_patients.body import load_body
from synthetic_patients.camera import Camera
from synthetic_patients.clips import film
from synthetic_patients.mocap import perform_recording, read_bvh
from synthetic_patients.scenes import PATIENTS, Scene

from landing_analysis.stages import Options
from tests.accuracy.stored import landmarks_of

NAME = "jumps_left_side"
RECORDING = Path(__file__).parents[1] / "data" / "cmueval_train_jumping_2.bvh"
RATE_HZ = 120


def main() -> None:
    """Draw, look, and write the table."""
    folder = Path(sys.argv[1])
    if not (folder / f"{NAME}.truth.json").exists():
        camera = Camera(
            view="left_side", distance_m=3.3, height_m=1.0, width_px=540, height_px=960,
            fps=RATE_HZ, exposure_s=1 / 240,
        )  # fmt: skip
        scene = Scene(NAME, PATIENTS["P-04"], lambda _: [], 0, camera)
        film(
            scene, perform_recording(load_body("tall_woman"), read_bvh(RECORDING, RATE_HZ)), folder
        )
    _, poses = landmarks_of(folder / f"{NAME}.mp4", Options())
    truth = json.loads((folder / f"{NAME}.truth.json").read_text(encoding="utf-8"))
    arrays = {"parts": np.array(PARTS), **dict(table_row(NAME, poses, truth))}
    np.savez_compressed(Path(__file__).with_name("far_foot.npz"), **arrays)  # type: ignore[arg-type]


if __name__ == "__main__":
    main()
