"""Make ``rooms/*.npz``: what the pose model sees of drawn rooms, with the patient's truth.

    python tests/frozen/make_rooms.py DIR

``DIR`` holds clips of ``python -m synthetic_patients rooms --out DIR`` and the landmarks
that ``python -m tests.accuracy.people --out DIR`` has stored beside them.

Each table holds ``xy`` (n_frames, n_slots, n, 2), tenths of a pixel, of the landmarks that the
stages read, ``visibility`` in hundredths, ``world`` (n_frames, n_slots, 4, 3) of shoulders and
hips in millimetres, -32768 where nobody is seen; ``t_s`` and the picture's size; and of the
truth ``true_xy`` (n_frames, 8, 2) of `PARTS`, ``landing_s`` and ``views`` of each rep.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from drawn_rooms import PARTS, ROOMS, pack_poses, packed

from landing_analysis.landmarks.storage import read_landmarks

NAMES = (
    "turns_90", "crosses_in_front", "crosses_side_view", "crosses_closely", "crosses_back_view",
    "stands_beside", "two_alike", "walks_in_and_out",
)  # fmt: skip


def main() -> None:
    """Cut the stored landmarks of a folder down to what the tests need."""
    folder = Path(sys.argv[1])
    ROOMS.mkdir(exist_ok=True)
    for name in NAMES:
        _, poses = read_landmarks(folder / f"{name}.landmarks.parquet")
        truth = json.loads((folder / f"{name}.truth.json").read_text(encoding="utf-8"))
        with np.load(folder / f"{name}.truth.npz") as arrays:
            joints, true_px = list(arrays["joints"]), arrays["joints_px"][:, 0]
        np.savez_compressed(
            ROOMS / f"{name}.npz",
            **pack_poses(poses),
            true_xy=packed(true_px[:, [joints.index(part) for part in PARTS]], 10.0),
            landing_s=np.array([r["take_off_s"] + r["flight_time_s"] for r in truth["reps"]]),
            views=np.array([rep["view"] for rep in truth["reps"]]),
        )


if __name__ == "__main__":
    main()
