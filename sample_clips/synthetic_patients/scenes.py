"""The named clips: who, what, filmed how. Every patient and number is invented."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from synthetic_patients.camera import Camera
from synthetic_patients.script import (
    ANYWHERE,
    HELD_BEHIND,
    LIMBS,
    Action,
    FreeLeg,
    HeelRaise,
    Leap,
    Limb,
    LimbPlan,
    Place,
    Squat,
    Stand,
    Step,
)

Script = Callable[[np.random.Generator], list[Action]]
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Patient:
    """An invented patient, known by a code.

    Colours are RGB 0..1.
    """

    code: str
    body: str
    surgical_side: Limb | None
    skin: Colour
    shirt: Colour
    shorts: Colour
    hair: Colour
    shoe: Colour


@dataclass(frozen=True)
class Scene:
    """One clip: the same patient, script and seed always give the same motion."""

    name: str
    patient: Patient
    script: Script
    seed: int
    camera: Camera = field(default_factory=Camera)
    support: Sequence[Limb] = LIMBS
    free_leg: FreeLeg = HELD_BEHIND
    place: Place = ANYWHERE


P01 = Patient("P-01", "slim_woman", "right", (0.78, 0.57, 0.46), (0.15, 0.44, 0.60),
              (0.15, 0.16, 0.20), (0.24, 0.15, 0.09), (0.78, 0.32, 0.18))  # fmt: skip
P02 = Patient("P-02", "heavy_man", "left", (0.55, 0.37, 0.28), (0.72, 0.70, 0.66),
              (0.14, 0.20, 0.34), (0.08, 0.06, 0.05), (0.20, 0.22, 0.24))  # fmt: skip
P03 = Patient("P-03", "short_man", "left", (0.84, 0.66, 0.55), (0.36, 0.47, 0.26),
              (0.22, 0.22, 0.25), (0.40, 0.27, 0.14), (0.85, 0.83, 0.78))  # fmt: skip
P04 = Patient("P-04", "tall_woman", "right", (0.45, 0.30, 0.22), (0.62, 0.24, 0.30),
              (0.10, 0.11, 0.14), (0.06, 0.05, 0.05), (0.90, 0.88, 0.84))  # fmt: skip
PATIENTS = {patient.code: patient for patient in (P01, P02, P03, P04)}


def jump_set(
    count: int,
    surgical: Limb,
    *,
    inward_deg: Sequence[float],
    shift_pct: float = 7.0,
    lead_s: float = 0.010,
    flight_s: float = 0.30,
    contact_s: float = 0.35,
    flexion_peak_deg: float = 66.0,
    foot_pitch_deg: float = 17.0,
) -> Script:
    """Two-leg jumps of a patient who favours one limb.

    Parameters
    ----------
    inward_deg : FPPA at peak flexion wanted of the surgical knee, rep by rep
    shift_pct, lead_s : towards the other limb, and how much earlier it lands
    """
    other: Limb = "left" if surgical == "right" else "right"
    toward = 1.0 if other == "left" else -1.0

    def script(rng: np.random.Generator) -> list[Action]:
        actions: list[Action] = [Stand(float(rng.uniform(0.8, 1.2)))]
        for rep in range(count):
            flexion = flexion_peak_deg + rng.normal(0, 3)
            plans = {
                surgical: LimbPlan(
                    flexion - rng.uniform(2, 4),
                    rng.normal(2, 1.5),
                    inward_deg[rep % len(inward_deg)],
                    foot_pitch_deg + rng.normal(0, 2),
                ),
                other: LimbPlan(
                    flexion,
                    rng.normal(0, 1.5),
                    rng.normal(2, 2.8),
                    foot_pitch_deg + rng.normal(0, 2),
                ),
            }
            held = rep == count - 1
            actions.append(
                Leap(
                    flight_s=flight_s + rng.normal(0, 0.012),
                    contact_s=0.75 if held else contact_s + rng.normal(0, 0.026),
                    limbs=plans,
                    flexion_initial_contact_deg=rng.normal(21, 2),
                    landing_lead_s=toward * max(lead_s + rng.normal(0, 0.004), 0.0),
                    take_off_lead_s=toward * rng.uniform(0, 0.006),
                    pelvis_shift_pct=toward * (shift_pct + rng.normal(0, 2)),
                    trunk_flexion_deg=rng.normal(32, 3),
                    trunk_lean_deg=toward * rng.normal(2, 1),
                    held=held,
                )
            )
        return [*actions, Stand(0.6)]

    return script


def hop_set(
    count: int,
    limb: Limb,
    *,
    inward_deg: float = 7.0,
    flight_s: float = 0.235,
    contact_s: float = 0.33,
    flexion_peak_deg: float = 50.0,
    foot_pitch_deg: float = 15.0,
) -> Script:
    """One-leg hops on the spot, the other foot held up behind."""

    def script(rng: np.random.Generator) -> list[Action]:
        actions: list[Action] = [Stand(float(rng.uniform(0.8, 1.2)))]
        for rep in range(count):
            held = rep == count - 1
            plan = LimbPlan(
                flexion_peak_deg + rng.normal(0, 2.5), rng.normal(0.3 * inward_deg, 1.5),
                inward_deg + rng.normal(0, 3.5), foot_pitch_deg + rng.normal(0, 2.5),
            )  # fmt: skip
            actions.append(
                Leap(
                    flight_s=flight_s + rng.normal(0, 0.012),
                    contact_s=0.7 if held else contact_s + rng.normal(0, 0.02),
                    limbs={limb: plan},
                    flexion_initial_contact_deg=rng.normal(20, 2),
                    flexion_flight_deg=34.0,
                    trunk_flexion_deg=rng.normal(22, 3),
                    trunk_lean_deg=(1 if limb == "left" else -1) * rng.normal(4, 1.5),
                    forward_m=rng.normal(0, 0.015),
                    arm_swing=0.4,
                    held=held,
                )
            )
        return [*actions, Stand(0.6)]

    return script


def squat_set(count: int) -> Script:
    """Squats without flight: no rep is to be found."""

    def script(rng: np.random.Generator) -> list[Action]:
        actions: list[Action] = [Stand(1.0)]
        for _ in range(count):
            peak = rng.normal(85, 5)
            plans: dict[Limb, LimbPlan] = {
                "left": LimbPlan(peak, fppa_peak_deg=rng.normal(2, 2)),
                "right": LimbPlan(peak - 2, fppa_peak_deg=rng.normal(6, 3)),
            }
            actions += [Squat(plans, float(rng.uniform(1.3, 1.9))), Stand(0.3)]
        return actions

    return script


def raises_and_steps(rng: np.random.Generator) -> list[Action]:
    """Heel raises and small steps: no rep is to be found."""
    return [
        Stand(0.8), HeelRaise(1.4, 26.0), HeelRaise(1.1, 30.0), Stand(0.4),
        Step("left", 0.14), Step("right", 0.14), Stand(0.3),
        Step("right", -0.12), Step("left", -0.14), Stand(0.5),
        HeelRaise(0.9, 24.0), Stand(0.5),
    ]  # fmt: skip


P01_JUMPS = jump_set(
    8, "right", inward_deg=(5.0, 9.0, 14.0, 6.0, 12.0, 8.0, 16.0, 10.0), shift_pct=16.0
)  # fmt: skip
"""P-01 favours the left limb and lets the surgical knee fall inward on some reps."""

P02_LEFT_HOPS = hop_set(8, "left", inward_deg=9.0)
P02_RIGHT_HOPS = hop_set(8, "right", inward_deg=4.0, flight_s=0.255, flexion_peak_deg=53.0)
P03_JUMPS = jump_set(
    8, "left", inward_deg=(3.0, 8.0, 12.0, 5.0), shift_pct=9.0, lead_s=0.014, foot_pitch_deg=9.0
)
P04_JUMPS = jump_set(
    7, "right", inward_deg=(7.0, 2.0, 11.0), shift_pct=5.0, flight_s=0.34, contact_s=0.38,
    flexion_peak_deg=72.0,
)  # fmt: skip

_FRONT_FAR = Camera(view="front", distance_m=2.9)
_LEFT_FAR = Camera(view="left_side", distance_m=2.9)
_RIGHT_FAR = Camera(view="right_side", distance_m=2.9)

SAMPLE_CLIPS: tuple[Scene, ...] = (
    Scene("p01_jumps_front", P01, P01_JUMPS, 101, Camera(view="front", distance_m=2.3)),
    Scene("p01_jumps_left_side", P01, P01_JUMPS, 101,
          Camera(view="left_side", distance_m=2.8, height_m=0.7, pitch_deg=1.0)),
    Scene("p02_hops_left_side", P02, P02_LEFT_HOPS, 201, _LEFT_FAR, ("left",)),
    Scene("p02_hops_right_side", P02, P02_RIGHT_HOPS, 202, _RIGHT_FAR, ("right",)),
)  # fmt: skip
"""The committed clips."""

TUNING_CLIPS: tuple[Scene, ...] = (
    Scene("p01_jumps_front_yaw10", P01, P01_JUMPS, 101, Camera(view="front", yaw_deg=10.0)),
    Scene("p01_jumps_front_roll5_30fps", P01, P01_JUMPS, 101,
          Camera(view="front", roll_deg=5.0, fps=30.0, exposure_s=1 / 60)),
    Scene("p02_hops_left_side_120fps", P02, hop_set(6, "left", inward_deg=9.0), 203,
          replace(_LEFT_FAR, fps=120.0, exposure_s=1 / 240), ("left",)),
    Scene("p02_hops_left_front", P02, P02_LEFT_HOPS, 201, _FRONT_FAR, ("left",)),
    Scene("p02_hops_right_front", P02, P02_RIGHT_HOPS, 202, _FRONT_FAR, ("right",)),
    Scene("p03_squats_front", P03, squat_set(4), 301, Camera(view="front")),
    Scene("p03_raises_and_steps_left_side", P03, raises_and_steps, 302, Camera(view="left_side")),
    Scene("p03_jumps_front", P03, P03_JUMPS, 303,
          Camera(view="front", height_m=0.7, pitch_deg=2.0)),
    Scene("p04_jumps_back", P04, P04_JUMPS, 401, Camera(view="back", distance_m=3.0)),
)  # fmt: skip
"""Clips for tuning and benchmarks, rendered on request."""

SCENES: dict[str, Scene] = {scene.name: scene for scene in (*SAMPLE_CLIPS, *TUNING_CLIPS)}
