"""What is true of a clip, read from its motion and camera, never from its pictures."""

from __future__ import annotations

from typing import Any

import numpy as np

from synthetic_patients.body import JOINTS, FloatArray
from synthetic_patients.camera import Camera
from synthetic_patients.choreography import Landing, Performance
from synthetic_patients.lying import Lying
from synthetic_patients.motion import SIGN, AnyMotion
from synthetic_patients.script import LIMBS, Limb

SCHEMA_VERSION = 1
FLAT_PITCH_DEG = 3.0
"""A foot landing within this pitch of level is called flat."""
HELD_S = 0.4
"""A held landing's contact is searched until this long after its lowest point."""
_STEP_S = 0.001

Joints = dict[str, FloatArray]


def knee_flexion_deg(joints: Joints, limb: Limb) -> FloatArray:
    """Give true 3-D knee flexion (n,) from joint centres; 0 = straight."""
    thigh = joints[f"{limb}_knee"] - joints[f"{limb}_hip"]
    shank = joints[f"{limb}_ankle"] - joints[f"{limb}_knee"]
    cross = np.linalg.norm(np.cross(thigh, shank), axis=-1)
    return np.asarray(np.rad2deg(np.arctan2(cross, (thigh * shank).sum(-1))))


def fppa_deg(joints_2d: Joints, limb: Limb, patient_left: float) -> FloatArray:
    """FPPA (n,) of projected hip, knee and ankle, y downwards; positive = knee inward.

    ``patient_left`` is +1 where the patient's left lies towards +x of the
    picture (seen from the front), -1 from the back.
    """
    thigh = joints_2d[f"{limb}_knee"] - joints_2d[f"{limb}_hip"]
    shank = joints_2d[f"{limb}_ankle"] - joints_2d[f"{limb}_knee"]
    cross = thigh[:, 0] * shank[:, 1] - thigh[:, 1] * shank[:, 0]
    return np.asarray(
        -SIGN[limb] * patient_left * np.rad2deg(np.arctan2(cross, (thigh * shank).sum(-1)))
    )


def _square_on(joints: Joints) -> Joints:
    """Parallel projection to the frontal plane seen from the front: x = left, y = down."""
    return {name: np.stack([p[:, 1], -p[:, 2]], axis=1) for name, p in joints.items()}


def _through(camera: Camera, joints: Joints, t_s: FloatArray) -> Joints:
    if camera.sway_deg == 0:
        return {name: camera.project(p) for name, p in joints.items()}
    together = np.stack(list(joints.values()), axis=1)
    seen = [camera.project(places, t) for places, t in zip(together, t_s, strict=True)]
    return dict(zip(joints, np.stack(seen, axis=1), strict=True))


def _number(value: float, digits: int = 4) -> float:
    return round(float(value), digits)


def _landing_truth(motion: AnyMotion, camera: Camera, landing: Landing) -> dict[str, Any]:
    """Angles of one limb in one contact."""
    limb = landing.limb
    end_s = landing.toe_off_s or min(landing.lowest_s + HELD_S, motion.duration_s)
    t_s = np.arange(landing.initial_contact_s, end_s, _STEP_S)
    joints = motion.joints(t_s)
    flexion = knee_flexion_deg(joints, limb)
    peak = int(np.argmax(flexion))
    frontal = camera.view in ("front", "back")
    seen = fppa_deg(_through(camera, joints, t_s), limb, 1.0 if camera.view == "front" else -1.0)
    square_on = fppa_deg(_square_on(joints), limb, 1.0)
    contact_s = None if landing.toe_off_s is None else landing.toe_off_s - landing.initial_contact_s
    truth: dict[str, Any] = {
        "contact_time_s": None if contact_s is None else _number(contact_s, 5),
        "knee_flexion_initial_contact_deg": _number(flexion[0], 2),
        "knee_flexion_peak_deg": _number(flexion[peak], 2),
        "peak_flexion_s": _number(t_s[peak], 4),
    }
    for prefix, angle in (("fppa", seen if frontal else None), ("fppa_square_on", square_on)):
        for name, at in (("initial_contact", 0), ("peak_flexion", peak)):
            truth[f"{prefix}_{name}_deg"] = None if angle is None else _number(angle[at], 2)
        truth[f"{prefix}_most_inward_deg"] = None if angle is None else _number(angle.max(), 2)
    return truth


def _contact_truth(landing: Landing) -> dict[str, Any]:
    """Give the times of one contact, continuous."""
    settled_s = landing.initial_contact_s + landing.settle_s
    heel_first, flat = landing.pitch_deg < 0, abs(landing.pitch_deg) <= FLAT_PITCH_DEG
    first_s = landing.initial_contact_s
    return {
        "limb": landing.limb,
        "initial_contact_s": _number(first_s, 5),
        "toe_off_s": None if landing.toe_off_s is None else _number(landing.toe_off_s, 5),
        "first_part": "flat" if flat else "heel" if heel_first else "toe",
        "toe_contact_s": _number(settled_s if heel_first else first_s, 5),
        "heel_contact_s": _number(first_s if heel_first else settled_s, 5),
    }


def _posture_truth(motion: AnyMotion, lowest_s: float, two_limbs: bool) -> dict[str, Any]:
    """Pelvis and trunk at the lowest pelvis point."""
    at = {name: p[0] for name, p in motion.joints(np.array([lowest_s])).items()}
    shoulders = (at["left_shoulder"] + at["right_shoulder"]) / 2
    trunk = shoulders - at["mid_hip"]
    ankles = at["left_ankle"] - at["right_ankle"]
    middle = (at["left_ankle"] + at["right_ankle"]) / 2
    shift = 100 * (at["mid_hip"] - middle)[1] / ankles[1]
    lies = isinstance(motion, Lying)
    return {
        "lowest_pelvis_s": _number(lowest_s, 4),
        "pelvis_shift_pct": _number(shift, 2) if two_limbs and not lies else None,
        "trunk_lean_deg": None if lies else _number(np.rad2deg(np.arctan2(trunk[1], trunk[2])), 2),
        "trunk_flexion_deg": (
            None if lies else _number(np.rad2deg(np.arctan2(trunk[0], trunk[2])), 2)
        ),
    }


def clip_truth(performance: Performance, camera: Camera) -> dict[str, Any]:
    """Contacts and reps of a clip; the schema is described in ``sample_clips/README.md``."""
    motion, reps = performance.motion, []
    for number, leap in enumerate(performance.leaps, start=1):
        landings = [x for x in performance.landings if x.leap == number]
        first_s = min(x.initial_contact_s for x in landings)
        starts = {x.limb: x.initial_contact_s for x in landings}
        two = len(landings) == 2
        reps.append(
            {
                "number": number,
                "exercise": "jump" if two else "hop",
                "limbs": [limb for limb in LIMBS if limb in leap.limbs],
                "take_off_s": _number(landings[0].take_off_s, 5),
                "flight_time_s": _number(first_s - landings[0].take_off_s, 5),
                "landing_lead_s": _number(starts["right"] - starts["left"], 5) if two else None,
                **_posture_truth(motion, landings[0].lowest_s, two),
                "landing": {x.limb: _landing_truth(motion, camera, x) for x in landings},
            }
        )
    return {
        "contacts": [
            _contact_truth(x)
            for x in sorted(performance.landings, key=lambda x: x.initial_contact_s)
        ],
        "reps": reps,
    }


def frame_truth(motion: AnyMotion, camera: Camera, t_s: FloatArray) -> dict[str, Any]:
    """Per-frame arrays for benchmarks.

    Returns
    -------
    dict with ``t_s`` (n,), ``joints`` (names), ``joints_px`` (n, n_joints, 2)
    and ``joints_m`` (n, n_joints, 3)
    """
    joints = motion.joints(t_s)
    seen = _through(camera, joints, t_s)
    return {
        "t_s": t_s,
        "joints": np.array(JOINTS),
        "joints_px": np.stack([seen[name] for name in JOINTS], axis=1),
        "joints_m": np.stack([joints[name] for name in JOINTS], axis=1),
    }
