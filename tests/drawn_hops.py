"""One-leg hops of the drawn patients as landmarks with a pose model's noise, without a picture.

Invented motion with known contacts: the benchmark's choreography through its camera. The noise
has a part from frame to frame and a larger one that lasts some hundredths of a second, so that
the same clip filmed at a higher rate is not smoother in time. It is a little larger than what
the model shows: toes on the ground stray by 2 to 12 mm on the sample and room clips, here by 5
to 13 mm.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from synthetic_patients.choreography import Performance
from synthetic_patients.matrix import FREE_LEGS, Entry, entry_of, play_entry
from synthetic_patients.scenes import PATIENTS
from synthetic_patients.script import FreeLeg
from synthetic_patients.truth import frame_truth

from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, Landmarks, Limb

JOINTS = {"shoulder": "shoulder", "hip": "hip", "knee": "knee", "ankle": "ankle", "heel": "heel",
          "toe": "toe_tip"}  # fmt: skip
POSTURES: dict[str, FreeLeg] = {
    "behind, knee 30": FreeLeg(-20, 30),
    "behind, knee 55": FreeLeg(-8, 55),
    "behind, knee 80": FreeLeg(8, 80),
    "behind, knee 110": FreeLeg(4, 110),
    "in front, knee 30": FreeLeg(60, 30),
    "in front, knee 60": FreeLeg(52, 60),
    "in front, knee 90": FreeLeg(62, 90),
    "in front, knee 110": FreeLeg(70, 110),
}
WHITE_PX = 1.0
SLOW_PX = {"near": 2.0, "far": 3.0}
SLOW_S = 0.04
FAR_VISIBILITY = 0.5


@cache
def hops(posture: str, patient: str, seed: int) -> tuple[Entry, Performance]:
    """Return the motion of three hops and the scene that it comes from."""
    condition = replace(FREE_LEGS[0], reps=3, free_leg=POSTURES[posture])
    entry = entry_of(condition, 700 + seed, PATIENTS[patient])
    return entry, play_entry(entry)


def seen_hops(
    posture: str, near: bool, rate_hz: float, patient: str = "P-01", seed: int = 1
) -> tuple[Landmarks, Limb, Limb, list[float]]:
    """Return landmarks, the limb that hops, the limb near the camera and the landings' times."""
    entry, performance = hops(posture, patient, seed)
    (hopping,) = entry.scene.support
    near_limb = hopping if near else next(limb for limb in LIMBS if limb != hopping)
    landings = [landing.initial_contact_s for landing in performance.landings]
    landmarks = seen(entry, performance, near_limb, rate_hz, seed)
    return landmarks, hopping, near_limb, landings


def seen(
    entry: Entry, performance: Performance, near_limb: Limb, rate_hz: float, seed: int
) -> Landmarks:
    """Return a side view of a performance."""
    camera = replace(entry.scene.camera, view=f"{near_limb}_side", fps=rate_hz)
    t_s = np.arange(0.0, performance.motion.duration_s, 1 / rate_hz)
    truth = frame_truth(performance.motion, camera, t_s)
    names, rng = list(truth["joints"]), np.random.default_rng(seed)
    xy = np.full((len(t_s), N_LANDMARKS, 2), 300.0)
    visibility = np.ones((len(t_s), N_LANDMARKS))
    for limb in LIMBS:
        foot_visibility = "near" if limb == near_limb else "far"
        for part, joint in JOINTS.items():
            place = truth["joints_px"][:, names.index(f"{limb}_{joint}")]
            slow = SLOW_PX[foot_visibility] * _slow(rng, t_s)
            xy[:, LANDMARK[f"{limb}_{part}"]] = place + slow + rng.normal(0, WHITE_PX, place.shape)
            if foot_visibility == "far":
                visibility[:, LANDMARK[f"{limb}_{part}"]] = FAR_VISIBILITY
    world_m = np.zeros((len(t_s), N_LANDMARKS, 3))
    return Landmarks(t_s, xy, visibility, world_m, camera.width_px, camera.height_px)


def _slow(rng: np.random.Generator, t_s: np.ndarray) -> np.ndarray:
    """Return (n, 2) noise of unit variance that is forgotten after ``SLOW_S``, at any rate."""
    keep = np.exp(-np.median(np.diff(t_s)) / SLOW_S)
    steps = rng.normal(0.0, 1.0, (len(t_s), 2))
    noise = steps.copy()
    for frame in range(1, len(t_s)):
        noise[frame] = keep * noise[frame - 1] + np.sqrt(1 - keep**2) * steps[frame]
    return noise
