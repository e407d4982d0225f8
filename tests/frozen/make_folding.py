"""Make ``folding/*.npz``: what the pose model sees of a drawn patient who folds, with the truth.

    PYTHONPATH=. python tests/frozen/make_folding.py DIR VIEW...

Draws `SET`, two tuck jumps of which the second is landed deeply, on an invented body, in DIR
(needs the packages for drawing, see ``sample_clips/README.md``), and finds the landmarks with
the tool's own search. Each table holds what `drawn_rooms.pack_poses` keeps, and ``flights_s``
(n, 2): take-off and landing of each flight as the drawn feet leave and meet the floor.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parents[1]))
sys.path.append(str(Path(__file__).parents[2] / "sample_clips"))

from accuracy.stored import landmarks_of
from drawn_rooms import pack_poses
from folding_patient import Folded, Jump, folding_set
from synthetic_patients.body import load_body
from synthetic_patients.camera import Camera
from synthetic_patients.clips import film
from synthetic_patients.mocap import Recording, perform_recording
from synthetic_patients.scenes import PATIENTS, Scene

from landing_analysis.stages import Options

FOLDING = Path(__file__).parent / "folding"
SET = [
    Jump(0.50, 0.50, tuck_knee_deg=120, tuck_trunk_deg=45, landing_trunk_deg=45),
    Jump(0.58, 0.60, tuck_knee_deg=130, tuck_trunk_deg=60, landing_trunk_deg=80),
]
MOTION_HZ, RATE_HZ, ENDS_S = 240.0, 30.0, 3.6


def main() -> None:
    """Draw the set from each view, find its landmarks, and store what the tests need."""
    folder, views = Path(sys.argv[1]), sys.argv[2:]
    FOLDING.mkdir(exist_ok=True)
    folded = folding_set(SET, MOTION_HZ, before_s=1.1)
    performance = perform_recording(load_body("tall_woman"), _recording(folded))
    flights_s = [
        (landing.take_off_s, landing.initial_contact_s)
        for number in range(1, len(performance.leaps) + 1)
        for landing in [next(x for x in performance.landings if x.leap == number)]
    ]
    for view in views:
        camera = Camera(
            view=view, distance_m=3.3, height_m=1.0, width_px=288, height_px=512,
            fps=RATE_HZ, exposure_s=1 / 240,
        )  # fmt: skip
        scene = Scene(f"folding_{view}", PATIENTS["P-04"], lambda _: [], 0, camera)
        clip = folder / f"{scene.name}.mp4"
        if not clip.exists():
            film(scene, performance, folder)
        _, poses = landmarks_of(clip, Options())
        np.savez_compressed(
            FOLDING / f"{view}.npz", **pack_poses(poses), flights_s=np.array(flights_s)
        )


def _recording(folded: Folded) -> Recording:
    """Return the sticks' joints under the names that a recorded motion has."""
    kept = folded.t_s <= ENDS_S
    own = {name: place[kept] for name, place in folded.joints.items()}
    hips, neck = (
        0.5 * (own[f"left_{part}"] + own[f"right_{part}"]) for part in ("hip", "shoulder")
    )
    trunk = neck - hips
    joints = {
        "Hips": hips + 0.02 * trunk,
        "Spine": hips + 0.25 * trunk,
        "Neck1": neck,
        "HeadEnd": neck + 0.6 * trunk,
    }
    for limb, name in (("left", "Left"), ("right", "Right")):
        toe = own[f"{limb}_toe"]
        joints |= {
            f"{name}UpLeg": own[f"{limb}_hip"],
            f"{name}Leg": own[f"{limb}_knee"],
            f"{name}Foot": own[f"{limb}_ankle"],
            f"{name}ToeBase": toe + np.array([-0.04, 0.0, 0.02]),
            f"{name}ToeBaseEnd": toe + np.array([0.03, 0.0, 0.02]),
            f"{name}Arm": own[f"{limb}_shoulder"],
            f"{name}ForeArm": own[f"{limb}_elbow"],
            f"{name}Hand": own[f"{limb}_wrist"],
        }
    return Recording(MOTION_HZ, joints)


if __name__ == "__main__":
    main()
