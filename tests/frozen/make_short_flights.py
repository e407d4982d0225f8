"""Make ``short_flights.npz``: what the pose model sees of flights of 0.09 to 0.16 s.

    python -m tests.frozen.make_short_flights CLIPS_FOLDER

Needs the package and what ``sample_clips/README.md`` names for drawing. The benchmark's short
flights on the bodies for tuning, drawn from other seeds, 480 px wide and without blur (a minute
each); a clip that is already in the folder is not drawn again. What the table holds: `pose_tables`.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2] / "sample_clips"))

from pose_tables import PARTS, table_row
from synthetic_patients import matrix
from synthetic_patients.clips import film
from synthetic_patients.sets import ONE_PICTURE

from landing_analysis.stages import Options
from tests.accuracy.stored import landmarks_of

SERIES, DRAWS = 51_000, 12
CHOSEN = (
    "heavy_man_short_flights_front",
    "heavy_man_short_flights_side",
    "slim_woman_short_flights_front",
)
CONDITIONS = (*matrix.CONDITIONS, *matrix.INTERLUDES, *matrix.FREE_LEGS)
STORE = Path(__file__).with_name("short_flights.npz")


def main() -> None:
    """Draw, look, and write the table."""
    folder = Path(sys.argv[1])
    matrix.SERIES.update(tune=SERIES)
    arrays: dict[str, np.ndarray] = {"parts": np.array(PARTS)}
    for name in CHOSEN:
        clip = folder / f"{name}__{SERIES}.mp4"
        if not clip.with_suffix(".truth.json").exists():
            _draw(name, clip)
        _, poses = landmarks_of(clip, Options())
        truth = json.loads(clip.with_suffix(".truth.json").read_text(encoding="utf-8"))
        arrays |= table_row(name, poses, truth)
    np.savez_compressed(STORE, **arrays)  # type: ignore[arg-type]


def _draw(name: str, clip: Path) -> None:
    told = matrix.MATRIX[name]
    names = [condition.name for condition in CONDITIONS]
    number = names.index(told.condition)
    for draw in range(DRAWS):
        matrix.REDRAWN[name] = draw
        entry = matrix.entry_of(CONDITIONS[number], number + 1, told.scene.patient)
        try:
            performance = matrix.play_entry(entry)
        except ValueError:
            continue
        camera = replace(entry.scene.camera, width_px=480, height_px=854)
        scene = replace(entry.scene, name=clip.stem, camera=camera)
        film(scene, performance, clip.parent, shifts_px=ONE_PICTURE)
        return
    raise ValueError(f"{name}: the body can do none of {DRAWS} draws")


if __name__ == "__main__":
    main()
