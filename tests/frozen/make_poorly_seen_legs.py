"""Store the landmarks and the light of two rendered clips in which the legs are poorly seen.

Run from the project's root once ``python -m tests.accuracy.light`` has made its clips:

    python -m tests.frozen.make_poor_support build/light
"""

from __future__ import annotations

import json
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np

from landing_analysis.landmarks.storage import read_landmarks
from landing_analysis.tables import Light

CLIPS = ("short_man_jumps_side_long_coat", "heavy_man_jumps_side_dark_floor")
STORE = Path(__file__).with_name("poorly_seen_legs.npz")


def store(folder: Path) -> None:
    """Write pixels to 0.1, visibility to 1/255, metres to 1 mm and the light to 0.1 levels."""
    arrays: dict[str, np.ndarray] = {}
    for name in CLIPS:
        _, poses = read_landmarks(folder / f"{name}.landmarks.parquet")
        if poses.light is None or poses.xy_px.shape[1] != 1:
            raise ValueError(f"{name} has no light or more than one person; make it again.")
        arrays[f"{name}.t_s"] = poses.t_s
        arrays[f"{name}.xy_px"] = np.rint(10 * poses.xy_px[:, 0]).astype(np.int16)
        arrays[f"{name}.visibility"] = np.rint(255 * poses.visibility[:, 0]).astype(np.uint8)
        arrays[f"{name}.world_m"] = np.rint(1000 * poses.world_m[:, 0]).astype(np.int16)
        for item in fields(Light):
            arrays[f"{name}.light.{item.name}"] = np.round(getattr(poses.light, item.name), 1)
        arrays[f"{name}.light.t_s"] = poses.light.t_s
        truth = json.loads((folder / f"{name}.truth.json").read_text(encoding="utf-8"))
        arrays[f"{name}.initial_contact_s"] = np.array(
            [c["initial_contact_s"] for c in truth["contacts"]]
        )
        arrays[f"{name}.left"] = np.array([c["limb"] == "left" for c in truth["contacts"]])
    np.savez_compressed(STORE, **arrays)  # type: ignore[arg-type]


if __name__ == "__main__":
    store(Path(sys.argv[1]))
