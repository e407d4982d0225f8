"""Make ``hops.npz``: what the pose model sees of rendered one-leg hops, up to 240 times a second.

    python -m tests.frozen.make_hops CLIPS_FOLDER

Needs the package and what ``sample_clips/README.md`` names for drawing. Four of the
benchmark's postures of the free leg, on the bodies for tuning, with the near or the far leg
hopping (ten minutes on two cores); a clip that is already in the folder is not drawn again,
nor searched again. What the table holds: `pose_tables`.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2] / "sample_clips"))

from pose_tables import PARTS, table_row
from synthetic_patients.clips import film
from synthetic_patients.matrix import FREE_LEGS, Entry, entry_of, play_entry
from synthetic_patients.scenes import PATIENTS

from landing_analysis.stages import Options
from tests.accuracy.stored import landmarks_of

BODIES = {"slim_woman": 500, "heavy_man": 600}
"""By the first of the numbers from which seeds are made."""
CHOSEN = (
    ("slim_woman", "hops_side_behind_240fps", "near", 240),
    ("slim_woman", "hops_side_far_in_front_120fps", "far", 60),
    ("slim_woman", "hops_side_far_behind", "far", 60),
    ("heavy_man", "hops_side_behind_240fps", "far", 60),
    ("heavy_man", "hops_side_low_behind_120fps", "far", 60),
    ("heavy_man", "hops_side_far_behind", "near", 60),
    ("heavy_man", "hops_side_far_in_front_120fps", "near", 60),
)
"""Body, the benchmark's condition, the leg that hops here, frames a second."""
STORE = Path(__file__).with_name("hops.npz")


def main() -> None:
    """Draw, look, and write the table."""
    folder = Path(sys.argv[1])
    arrays: dict[str, np.ndarray] = {"parts": np.array(PARTS)}
    for entry in _entries():
        if not (folder / f"{entry.name}.truth.json").exists():
            film(entry.scene, play_entry(entry), folder)
        _, poses = landmarks_of(folder / f"{entry.name}.mp4", Options())
        truth = json.loads((folder / f"{entry.name}.truth.json").read_text(encoding="utf-8"))
        arrays |= table_row(entry.name, poses, truth)
    np.savez_compressed(STORE, **arrays)  # type: ignore[arg-type]


def _entries() -> Iterator[Entry]:
    names = [condition.name for condition in FREE_LEGS]
    for body, name, hopping, fps in CHOSEN:
        number = names.index(name)
        condition = FREE_LEGS[number]
        knee_deg, forward = condition.free_leg.knee_deg, condition.free_leg.thigh_deg > 20
        where = "in_front" if forward else "behind"
        shortened = replace(
            condition, name=f"{hopping}_{where}_{knee_deg:.0f}", reps=2, fps=fps, hopping=hopping
        )
        patient = next(p for p in PATIENTS.values() if p.body == body)
        yield entry_of(shortened, BODIES[body] + number, patient)


if __name__ == "__main__":
    main()
