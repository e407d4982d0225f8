"""Make ``sled.npz``: what the pose model sees of a drawn patient on a sled, with the truth.

    python tests/frozen/make_sled.py DIR

``DIR`` holds the clip of ``python -m synthetic_patients ladder slim_woman_sled_jumps --out DIR``
and the landmarks that ``python -m tests.accuracy.ladder --out DIR`` has stored beside it.
The table is that of `make_rooms` without joints; ``limb`` (0 left, 1 right), ``initial_contact_s``,
``toe_off_s`` (NaN when held) and ``knee_flexion_peak_deg`` (n_contacts,) are true.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from drawn_rooms import pack_poses

from landing_analysis.landmarks.storage import read_landmarks
from landing_analysis.tables import LIMBS

NAME = "slim_woman_sled_jumps"


def main() -> None:
    """Cut the stored landmarks of the clip down to what the test needs."""
    folder = Path(sys.argv[1])
    _, poses = read_landmarks(folder / f"{NAME}.landmarks.parquet")
    truth = json.loads((folder / f"{NAME}.truth.json").read_text(encoding="utf-8"))
    contacts = sorted(truth["contacts"], key=lambda c: (c["limb"], c["initial_contact_s"]))
    peaks = [
        rep["landing"][limb]["knee_flexion_peak_deg"] for limb in LIMBS for rep in truth["reps"]
    ]
    np.savez_compressed(
        Path(__file__).parent / "sled.npz",
        **pack_poses(poses),
        limb=np.array([LIMBS.index(c["limb"]) for c in contacts]),
        initial_contact_s=np.array([c["initial_contact_s"] for c in contacts]),
        toe_off_s=np.array([c["toe_off_s"] or np.nan for c in contacts]),
        knee_flexion_peak_deg=np.array(peaks),
    )


if __name__ == "__main__":
    main()
