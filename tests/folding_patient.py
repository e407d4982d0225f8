"""A patient of sticks who folds: tuck jumps, deep landings and bows, seen from any side.

Invented motion. In the air the body's centre of mass flies on an exact parabola whatever the
posture, with the segment masses of Winter (Biomechanics and Motor Control of Human Movement,
table 4.1, after Dempster; numbers from memory, sure); on the ground the knees bend as the
centre of mass sinks. The body has its own axes (x forward, y to the patient's left, z up,
metres). Turning the patient to their own left by 90 deg shows their right side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, Landmarks

G = 9.81
SHANK_M, THIGH_M, TRUNK_M, ANKLE_M = 0.42, 0.42, 0.50, 0.09
UPPER_ARM_M, FOREARM_M = 0.30, 0.27
PX_PER_M = 420.0
FLOOR_PX = 1150.0
CENTRE_PX = 360.0
UPRIGHT_DEG, BENT_DEG = 5.0, 25.0
"""Knee flexion at take-off, and at landing."""


@dataclass(frozen=True)
class Jump:
    """One jump: seconds and degrees. The trunk follows the knees in air and on the ground."""

    flight_s: float = 0.5
    contact_s: float = 0.5
    tuck_knee_deg: float = 120.0
    tuck_trunk_deg: float = 45.0
    landing_trunk_deg: float = 40.0


@dataclass(frozen=True)
class Folded:
    """What `folding_set` performs: joints (n, 3) by name, and the true edges of its flights."""

    t_s: np.ndarray
    joints: dict[str, np.ndarray]
    flights_s: tuple[tuple[float, float], ...]


def folding_set(jumps: list[Jump], rate_hz: float = 60.0, before_s: float = 1.2) -> Folded:
    """Stand, do all jumps, and hold the last landing."""
    edges, at_s = [], before_s
    for jump in jumps:
        edges.append((at_s, at_s + jump.flight_s))
        at_s += jump.flight_s + jump.contact_s
    t_s = np.arange(0.0, at_s + 1.0, 1.0 / rate_hz)
    high_m, low_m = _height_m(UPRIGHT_DEG), _height_m(BENT_DEG)
    times, heights, speeds = [0.0, before_s - 1.0], [high_m, high_m], [0.0, 0.0]
    knee = np.full_like(t_s, UPRIGHT_DEG)
    trunk = np.full_like(t_s, 3.0)
    lowest_s, push_s = before_s - 0.3, 0.3
    for (start, stop), jump in zip(edges, jumps, strict=True):
        leaves_m_s = (low_m - high_m) / jump.flight_s + G * jump.flight_s / 2
        lands_m_s = leaves_m_s - G * jump.flight_s
        times += [lowest_s, start, stop]
        heights += [high_m - min(0.28, 0.5 * leaves_m_s * push_s), high_m, low_m]
        speeds += [0.0, leaves_m_s, lands_m_s]
        share = np.sin(np.pi * np.clip((t_s - start) / jump.flight_s, 0, 1)) ** 2
        base = UPRIGHT_DEG + (BENT_DEG - UPRIGHT_DEG) * np.clip((t_s - start) / jump.flight_s, 0, 1)
        flying = (t_s >= start) & (t_s <= stop)
        knee[flying] = (base + (jump.tuck_knee_deg - base) * share)[flying]
        landed = np.sin(np.pi * np.clip((t_s - stop) / jump.contact_s, 0, 1)) ** 2
        trunk += (jump.tuck_trunk_deg - 3.0) * share + (jump.landing_trunk_deg - 3.0) * landed
        push_s = 0.5 * jump.contact_s
        lowest_s = stop + push_s
    last = jumps[-1]
    times += [edges[-1][1] + 0.5 * last.contact_s, edges[-1][1] + last.contact_s + 0.3, t_s[-1] + 1]
    heights += [high_m - 0.25, high_m, high_m]
    speeds += [0.0, 0.0, 0.0]
    mass_m = CubicHermiteSpline(times, heights, speeds)(t_s)
    in_air = np.zeros(len(t_s), dtype=bool)
    for (start, stop), jump in zip(edges, jumps, strict=True):
        s, flying = t_s - start, (t_s >= start) & (t_s <= stop)
        leaves_m_s = (low_m - high_m) / jump.flight_s + G * jump.flight_s / 2
        mass_m[flying] = (high_m + leaves_m_s * s - G * s**2 / 2)[flying]
        in_air |= flying
    # On the ground the knees bend until the centre of mass, with this trunk, is as low as it is.
    bends = np.linspace(0.0, 150.0, 301)
    for frame in np.flatnonzero(~in_air):
        above = _height_m(bends, trunk[frame])
        knee[frame] = np.interp(-mass_m[frame], -above, bends)
    joints = posture(knee, trunk)
    raised = np.where(in_air, mass_m - centre_of_mass(joints)[:, 2], 0.0)
    joints = {name: place + raised[:, None] * [0, 0, 1] for name, place in joints.items()}
    return Folded(t_s, joints, tuple(edges))


def bow(trunk_deg: float = 100.0, times: int = 2, rate_hz: float = 60.0) -> Folded:
    """Bend the trunk toward the floor on straight legs, and come up again."""
    t_s = np.arange(0.0, 1.0 + 2.0 * times, 1.0 / rate_hz)
    share = np.sin(np.pi * np.clip((t_s - 0.5) / (2.0 * times), 0, 1) * times) ** 2
    joints = posture(np.full_like(t_s, 10.0), 3.0 + (trunk_deg - 3.0) * share)
    return Folded(t_s, joints, ())


def posture(knee_deg: np.ndarray, trunk_deg: np.ndarray) -> dict[str, np.ndarray]:
    """Return joints (n, 3) of a body whose toes stand on the floor."""
    knee, trunk = np.radians(np.asarray(knee_deg, float)), np.radians(trunk_deg)
    shank = 0.35 * knee
    zero = np.zeros_like(knee)

    def step(angle: np.ndarray, length_m: float) -> np.ndarray:
        return length_m * np.stack([np.sin(angle) + zero, zero, np.cos(angle) + zero], axis=-1)

    joints = {}
    for limb in LIMBS:
        left = np.array([0.0, 1.0 if limb == "left" else -1.0, 0.0])
        ankle = step(zero, ANKLE_M) + 0.12 * left
        knee_at = ankle + step(shank, SHANK_M)
        hip = knee_at + step(shank - knee, THIGH_M) - 0.02 * left
        shoulder = hip + step(trunk + zero, TRUNK_M) + 0.08 * left
        elbow = shoulder - step(0.3 * trunk - 0.2 + zero, UPPER_ARM_M) + 0.03 * left
        wrist = elbow - step(0.3 * trunk - 0.9 + zero, FOREARM_M)
        hand = dict.fromkeys(("pinky", "index", "thumb"), wrist)
        head = shoulder - 0.18 * left + step(trunk + zero, 0.20)
        face = head + step(trunk + np.pi / 2, 0.10)
        joints |= {
            f"{limb}_{part}": place
            for part, place in (
                ("ankle", ankle), ("knee", knee_at), ("hip", hip), ("shoulder", shoulder),
                ("elbow", elbow), ("wrist", wrist), *hand.items(),
                ("toe", ankle + np.array([0.16, 0.0, -ANKLE_M])),
                ("heel", ankle + np.array([-0.05, 0.0, -ANKLE_M])),
                ("ear", head + 0.07 * left), ("eye", face + 0.03 * left),
                ("eye_inner", face + 0.02 * left), ("eye_outer", face + 0.04 * left),
            )
        }  # fmt: skip
        joints[f"mouth_{limb}"] = face + 0.02 * left - step(trunk + zero, 0.05)
    joints["nose"] = 0.5 * (joints["left_eye"] + joints["right_eye"])
    return joints


def centre_of_mass(joints: dict[str, np.ndarray]) -> np.ndarray:
    """Return (n, 3): trunk with head and neck .578 of the mass, each arm .050, each leg .161."""
    middle = {
        part: 0.5 * (joints[f"left_{part}"] + joints[f"right_{part}"])
        for part in ("shoulder", "hip", "knee", "ankle", "toe", "elbow", "wrist")
    }
    parts = (
        (0.578, "hip", "shoulder", 0.66), (0.056, "shoulder", "elbow", 0.436),
        (0.044, "elbow", "wrist", 0.682), (0.200, "hip", "knee", 0.433),
        (0.093, "knee", "ankle", 0.433), (0.029, "ankle", "toe", 0.5),
    )  # fmt: skip
    return sum(mass * (middle[a] + share * (middle[b] - middle[a])) for mass, a, b, share in parts)


def seen_from(folded: Folded, turn_deg: float, noise_px: float = 1.5, seed: int = 1) -> Landmarks:
    """Return landmarks of the patient turned to their own left by ``turn_deg``."""
    turn = np.radians(turn_deg)
    n = len(folded.t_s)
    xy, world = np.zeros((n, N_LANDMARKS, 2)), np.zeros((n, N_LANDMARKS, 3))
    middle = 0.5 * (folded.joints["left_hip"] + folded.joints["right_hip"])
    for name, place in folded.joints.items():
        across = place[:, 0] * np.sin(turn) + place[:, 1] * np.cos(turn)
        xy[:, LANDMARK[name], 0] = CENTRE_PX + PX_PER_M * across
        xy[:, LANDMARK[name], 1] = FLOOR_PX - PX_PER_M * place[:, 2]
        own = place - middle
        away = own[:, 1] * np.sin(turn) - own[:, 0] * np.cos(turn)
        across = own[:, 0] * np.sin(turn) + own[:, 1] * np.cos(turn)
        world[:, LANDMARK[name]] = np.stack([across, -own[:, 2], away], axis=1)
    xy += np.random.default_rng(seed).normal(0.0, noise_px, xy.shape)
    return Landmarks(folded.t_s, xy, np.ones((n, N_LANDMARKS)), world, 720, 1280)


def _height_m(knee_deg: np.ndarray | float, trunk_deg: float = 3.0) -> np.ndarray:
    return centre_of_mass(posture(np.asarray(knee_deg, float), trunk_deg))[..., 2]
