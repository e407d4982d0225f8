"""The benchmark's matrix: every condition filmed on every body, each scene from its own seed.

A condition states ranges; a scene's seed draws from them. Two bodies are for
tuning, two are held out. The split was chosen before anything was tuned on this
matrix; settings older than it had seen other clips of all four bodies.

Left out because the choreography cannot do it: deep knees in short contacts, shallow knees
in long ones, travelling jumps and a fall.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal

import numpy as np

from synthetic_patients.body import Body
from synthetic_patients.camera import Camera, View
from synthetic_patients.choreography import Performance
from synthetic_patients.clips import film, play, scene_truth
from synthetic_patients.scenes import PATIENTS, Patient, Scene, Script
from synthetic_patients.script import (
    ANYWHERE,
    HELD_BEHIND,
    LIMBS,
    Action,
    FreeLeg,
    Leap,
    Limb,
    LimbPlan,
    Squat,
    Stand,
    Step,
)

Range = tuple[float, float]
Split = Literal["tune", "hold", "others"]
"""What a scene is for; ``others`` are bodies of the crowd that no angle was fitted to."""

SPLIT: dict[str, Split] = {
    "slim_woman": "tune", "heavy_man": "tune", "short_man": "hold", "tall_woman": "hold"
}  # fmt: skip
AFTER_LOWEST_S = 0.5
"""A clip ends this long after the lowest point of its last, held landing."""
AIM_M = 0.9
"""The lens points at this height over the landing place."""
HELD_FLIGHT_S = (0.2, 0.3, 0.4, 0.55)
HELD_CONTACT_S = (0.45, 0.45, 0.45, 0.60)
HELD_FLEXION_DEG = (50.0, 55.0, 65.0, 80.0)
"""A held landing that a flight of each length can end in, on every body."""
SERIES = {"tune": 10_000, "hold": 30_000}
"""Start of the seeds. Once held-out scenes have been looked at, a new series makes new ones."""
REDRAWN: dict[str, int] = {
    "heavy_man_jumps_front_roll_high": 7,
    "heavy_man_jumps_front_yaw": 1,
    "slim_woman_jumps_front_240fps": 1,
    "slim_woman_short_flights_front": 1,
    "heavy_man_jumps_side_missed_rep": 1,
    "short_man_jumps_front_yaw": 1,
    "tall_woman_jumps_front_varus_dull": 1,
    "tall_woman_jumps_side": 1,
}
"""Scenes whose first draw the body cannot do, or that missed the largest roll: redraws."""
_DIGITS = 9


@dataclass(frozen=True)
class Condition:
    """What is done and how it is filmed; pairs are ranges to draw from.

    Attributes
    ----------
    view : ``side`` is the left side for one half of the bodies, the right for the other
    exposure_share : shutter time over frame interval
    yaw_deg, roll_deg : sizes; the sign changes from body to body
    flight_s, contact_s, flexion_deg, inward_deg : of each rep; ``flexion_deg`` at its
        peak, ``inward_deg`` the FPPA there
    pitch_deg : of the foot at initial contact, positive = toes first
    lead_s, shift_pct : sizes, towards the limb that is not the surgical one
    between : after the second landing
    hopping, free_leg : which leg of a side view hops, and how the other is held
    dull : shirt, shorts and shoes hardly differ from wall and floor
    """

    name: str
    view: Literal["front", "back", "side"]
    exercise: Literal["jump", "hop"] = "jump"
    reps: int = 3
    fps: float = 60.0
    exposure_share: float = 0.5
    noise_levels: float = 2.0
    yaw_deg: Range = (0.0, 3.0)
    roll_deg: Range = (0.0, 1.0)
    sway_deg: float = 0.0
    height_m: Range = (0.7, 1.1)
    distance_m: Range = (2.5, 3.0)
    flight_s: Range = (0.27, 0.33)
    contact_s: Range = (0.30, 0.38)
    flexion_deg: Range = (50.0, 62.0)
    flexion_initial_contact_deg: Range = (17.0, 24.0)
    pitch_deg: Range = (12.0, 25.0)
    inward_deg: Range = (0.0, 10.0)
    lead_s: Range = (0.0, 0.012)
    shift_pct: Range = (0.0, 8.0)
    between: Literal["nothing", "pause", "squat", "step"] = "nothing"
    hopping: Literal["near", "far"] = "near"
    free_leg: FreeLeg = HELD_BEHIND
    dull: bool = False


CONDITIONS: tuple[Condition, ...] = (
    Condition("jumps_front", "front"),
    Condition("jumps_front_yaw", "front", yaw_deg=(5, 20)),
    Condition("jumps_front_roll_high", "front", roll_deg=(3, 8), height_m=(1.2, 1.4)),
    Condition("jumps_front_low_far_30fps", "front", reps=4, fps=30, height_m=(0.5, 0.65),
              distance_m=(3.2, 3.6), contact_s=(0.42, 0.55), flexion_deg=(64, 78)),
    Condition("jumps_front_varus_dull", "front", inward_deg=(-10, -2), dull=True),
    Condition("jumps_front_valgus_blur", "front", inward_deg=(8, 20), exposure_share=0.95,
              noise_levels=4.0),
    Condition("jumps_front_favoured_handheld", "front", sway_deg=0.5, lead_s=(0.015, 0.05),
              shift_pct=(8, 20)),
    Condition("jumps_front_240fps", "front", reps=2, fps=240),
    Condition("jumps_back_favoured", "back", lead_s=(0.015, 0.05), shift_pct=(8, 20)),
    Condition("jumps_back_yaw_120fps", "back", reps=2, fps=120, yaw_deg=(5, 15)),
    Condition("hops_front", "front", "hop", flight_s=(0.22, 0.28), contact_s=(0.28, 0.34),
              flexion_deg=(40, 50), inward_deg=(0, 14)),
    Condition("jumps_side", "side"),
    Condition("jumps_side_deep", "side", flight_s=(0.38, 0.45), contact_s=(0.58, 0.7),
              flexion_deg=(80, 110), height_m=(0.9, 1.1)),
    Condition("jumps_side_yaw_30fps", "side", reps=4, fps=30, yaw_deg=(5, 20),
              pitch_deg=(12, 22)),
    Condition("rebounds_side_120fps", "side", reps=3, fps=120, contact_s=(0.15, 0.2),
              flexion_deg=(26, 31), flight_s=(0.3, 0.34)),
    Condition("landings_side_flat", "side", pitch_deg=(-8, 2), exposure_share=0.15),
    Condition("hops_side", "side", "hop", flight_s=(0.22, 0.28), contact_s=(0.28, 0.34),
              flexion_deg=(40, 50)),
    Condition("low_jumps_side", "side", reps=4, flight_s=(0.21, 0.25), contact_s=(0.28, 0.34),
              flexion_deg=(42, 50), pitch_deg=(5, 10)),
    Condition("short_flights_front", "front", reps=4, flight_s=(0.085, 0.17),
              contact_s=(0.26, 0.3), flexion_deg=(30, 34), flexion_initial_contact_deg=(12, 18),
              pitch_deg=(3, 8), inward_deg=(0, 6)),
    Condition("short_flights_side", "side", reps=4, flight_s=(0.085, 0.17),
              contact_s=(0.26, 0.3), flexion_deg=(30, 34), flexion_initial_contact_deg=(12, 18),
              pitch_deg=(3, 8)),
    Condition("high_jumps_side_240fps", "side", reps=2, fps=240, flight_s=(0.5, 0.55),
              contact_s=(0.34, 0.42), flexion_deg=(66, 74), distance_m=(2.9, 3.2)),
)  # fmt: skip
"""Filmed on all four bodies."""

INTERLUDES: tuple[Condition, ...] = (
    Condition("jumps_front_pause", "front", between="pause"),
    Condition("jumps_side_missed_rep", "side", between="squat"),
    Condition("jumps_side_stumble", "side", between="step"),
)
"""Longer, so filmed on one body of each split."""
INTERLUDE_BODIES = ("heavy_man", "tall_woman")

_HOPS = Condition("", "side", "hop", flight_s=(0.22, 0.28), contact_s=(0.28, 0.34),
                  flexion_deg=(40, 50))  # fmt: skip
FREE_LEGS: tuple[Condition, ...] = (
    replace(_HOPS, name="hops_side_behind_240fps", fps=240, reps=2),
    replace(_HOPS, name="hops_side_far_high_behind_240fps", fps=240, reps=2, hopping="far",
            free_leg=FreeLeg(4, 110)),
    replace(_HOPS, name="hops_side_low_behind_120fps", fps=120, free_leg=FreeLeg(-20, 30)),
    replace(_HOPS, name="hops_side_far_behind", hopping="far", free_leg=FreeLeg(-8, 55)),
    replace(_HOPS, name="hops_side_in_front_240fps", fps=240, reps=2, free_leg=FreeLeg(52, 60)),
    replace(_HOPS, name="hops_side_far_in_front_120fps", fps=120, hopping="far",
            free_leg=FreeLeg(62, 90)),
    replace(_HOPS, name="hops_side_low_in_front_30fps", fps=30, reps=4,
            free_leg=FreeLeg(60, 30), distance_m=(3.4, 3.7)),
    replace(_HOPS, name="hops_side_far_high_in_front", hopping="far", free_leg=FreeLeg(70, 110)),
)  # fmt: skip
"""Hops by rate, by the leg that hops and by how the other is held, filmed on all bodies."""


@dataclass(frozen=True)
class Entry:
    """One scene of the matrix with its place in it."""

    scene: Scene
    condition: str
    split: Split

    @property
    def name(self) -> str:
        """Name of the clip, without suffix."""
        return self.scene.name


# --- from a condition to a scene ---------------------------------------------------------------


def _script(condition: Condition, surgical: Limb, support: tuple[Limb, ...]) -> Script:
    toward = 1.0 if surgical == "right" else -1.0
    single = len(support) == 1

    def leap(rng: np.random.Generator, held: bool) -> Leap:
        flight_s, flexion = rng.uniform(*condition.flight_s), rng.uniform(*condition.flexion_deg)
        contact_s = rng.uniform(*condition.contact_s)
        if held:
            calm = float(np.interp(flight_s, HELD_FLIGHT_S, HELD_FLEXION_DEG))
            contact_s = float(np.interp(flight_s, HELD_FLIGHT_S, HELD_CONTACT_S))
            contact_s = 0.7 if flexion > calm + 10 else contact_s
            flexion = max(flexion, calm)
        plans: dict[Limb, LimbPlan] = {}
        for limb in support:
            less = rng.uniform(0, 4) if limb == surgical and not single else 0.0
            inward = rng.uniform(*condition.inward_deg)
            plans[limb] = LimbPlan(
                flexion - less, 0.3 * inward + rng.normal(0, 1.5), inward,
                rng.uniform(*condition.pitch_deg),
            )  # fmt: skip
        start = min(rng.uniform(*condition.flexion_initial_contact_deg), flexion - 6)
        return Leap(
            flight_s=flight_s,
            contact_s=contact_s,
            limbs=plans,
            flexion_initial_contact_deg=start,
            flexion_flight_deg=34.0 if single else start + 5,
            landing_lead_s=0.0 if single else toward * rng.uniform(*condition.lead_s),
            take_off_lead_s=0.0 if single else toward * rng.uniform(0, 0.01),
            pelvis_shift_pct=0.0 if single else toward * rng.uniform(*condition.shift_pct),
            trunk_flexion_deg=rng.normal(22 if single else 32, 3),
            trunk_lean_deg=toward * rng.normal(2, 1.5),
            forward_m=rng.normal(0, 0.012),
            arm_swing=0.4 if single else 1.0,
            held=held,
        )

    def script(rng: np.random.Generator) -> list[Action]:
        actions: list[Action] = [Stand(0.5)]
        for rep in range(1, condition.reps + 1):
            interrupted = rep == 2 and condition.between != "nothing"
            actions.append(leap(rng, held=interrupted or rep == condition.reps))
            actions += _interlude(condition.between, rng) if interrupted else []
        return actions

    return script


def _interlude(kind: str, rng: np.random.Generator) -> list[Action]:
    if kind == "squat":
        plans: dict[Limb, LimbPlan] = {limb: LimbPlan(rng.uniform(50, 70)) for limb in ("left",)}
        plans["right"] = LimbPlan(plans["left"].flexion_peak_deg - 2)
        return [Stand(0.3), Squat(plans, 1.3), Stand(0.3)]
    if kind == "step":
        return [Stand(0.2), Step("left", 0.12, duration_s=0.9), Step("right", 0.12), Stand(0.3)]
    return [Stand(rng.uniform(1.5, 2.0))]


def _camera(condition: Condition, sign: float, seed: int) -> Camera:
    rng = np.random.default_rng([seed, 1])
    views: dict[str, View] = {
        "front": "front", "back": "back", "side": "left_side" if sign > 0 else "right_side"
    }  # fmt: skip
    height_m, distance_m = rng.uniform(*condition.height_m), rng.uniform(*condition.distance_m)
    return Camera(
        view=views[condition.view],
        yaw_deg=sign * rng.uniform(*condition.yaw_deg),
        roll_deg=-sign * rng.uniform(*condition.roll_deg),
        pitch_deg=float(np.rad2deg(np.arctan2(AIM_M - height_m, distance_m))),
        height_m=height_m,
        distance_m=distance_m,
        fps=float(condition.fps),
        exposure_s=condition.exposure_share / condition.fps,
        noise_levels=condition.noise_levels,
        sway_deg=condition.sway_deg,
    )


def _dressed(patient: Patient, dull: bool) -> Patient:
    if not dull:
        return patient
    return replace(
        patient, shirt=(0.66, 0.67, 0.66), shorts=(0.55, 0.56, 0.57), shoe=(0.47, 0.49, 0.51)
    )


def entry_of(condition: Condition, number: int, patient: Patient) -> Entry:
    """Build a scene; seed = series + 1000 x patient + 100 x redraws + condition."""
    patient_number = list(PATIENTS).index(patient.code) + 1
    name, split = f"{patient.body}_{condition.name}", SPLIT[patient.body]
    seed = SERIES[split] + 1000 * patient_number + 100 * REDRAWN.get(name, 0) + number
    scene = scene_of(condition, name, patient, seed, 1.0 if patient_number % 2 else -1.0)
    return Entry(scene, condition.name, split)


def scene_of(condition: Condition, name: str, patient: Patient, seed: int, sign: float) -> Scene:
    """Film a condition with a patient; ``sign`` +1 shows the left side in side views, -1 the right.

    It is the sign of the phone's turn as well.
    """
    near, far = LIMBS if sign > 0 else LIMBS[::-1]
    hopping = near if condition.hopping == "near" else far
    support = (hopping,) if condition.exercise == "hop" else LIMBS
    surgical: Limb = patient.surgical_side or "left"
    return Scene(
        name,
        _dressed(patient, condition.dull),
        _script(condition, surgical, support),
        seed,
        _camera(condition, sign, seed),
        support,
        condition.free_leg,
    )


def _matrix() -> dict[str, Entry]:
    entries = [
        entry_of(condition, number, patient)
        for number, condition in enumerate((*CONDITIONS, *INTERLUDES, *FREE_LEGS), start=1)
        for patient in PATIENTS.values()
        if condition not in INTERLUDES or patient.body in INTERLUDE_BODIES
    ]
    return {entry.name: entry for entry in entries}


MATRIX: dict[str, Entry] = _matrix()
"""All scenes by name."""

SHORT: tuple[str, ...] = (
    "slim_woman_jumps_side_yaw_30fps", "heavy_man_hops_side", "short_man_jumps_front",
    "tall_woman_jumps_front_low_far_30fps",
)  # fmt: skip
"""A handful for a quick look."""


# --- filming -----------------------------------------------------------------------------------


def scene_hash(scene: Scene) -> str:
    """Fingerprint of all that defines a scene: patient, script, seed, camera."""
    actions = scene.script(np.random.default_rng(scene.seed))
    definition = {
        "name": scene.name,
        "patient": asdict(scene.patient),
        "actions": [[type(action).__name__, asdict(action)] for action in actions],
        "seed": scene.seed,
        "camera": asdict(scene.camera),
        "support": list(scene.support),
    }
    if scene.free_leg != HELD_BEHIND:
        definition["free_leg"] = asdict(scene.free_leg)
    if scene.place != ANYWHERE:
        definition["place"] = asdict(scene.place)
    text = json.dumps(_rounded(definition), sort_keys=True)
    return sha256(text.encode()).hexdigest()[:16]


def _rounded(value: Any) -> Any:
    """Plain values with floats cut to digits that every machine agrees on."""
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(item) for item in value]
    return round(float(value), _DIGITS) if isinstance(value, float) else value


def play_entry(entry: Entry, body: Body | None = None) -> Performance:
    """Perform a scene, on another body than the patient's if told, until soon after it landed."""
    performance = play(entry.scene, body)
    last_s = max(landing.lowest_s for landing in performance.landings)
    end_s = min(performance.motion.duration_s, last_s + AFTER_LOWEST_S)
    return replace(performance, motion=replace(performance.motion, duration_s=end_s))


def remarks(entry: Entry) -> dict[str, Any]:
    """Give what the truth file of a scene of the matrix says besides."""
    return {
        "matrix": {
            "condition": entry.condition, "body": entry.scene.patient.body, "split": entry.split,
            "scene_hash": scene_hash(entry.scene),
        }
    }  # fmt: skip


def is_filmed(entry: Entry, performance: Performance, folder: Path) -> bool:
    """Tell whether ``folder`` holds the clip of exactly this scene and motion."""
    truth = folder / f"{entry.name}.truth.json"
    if not (folder / f"{entry.name}.mp4").exists() or not truth.exists():
        return False
    wanted = scene_truth(entry.scene, performance) | remarks(entry)
    return bool(json.loads(truth.read_text(encoding="utf-8")) == json.loads(json.dumps(wanted)))


def film_entry(
    entry: Entry,
    performance: Performance,
    folder: Path,
    advance: Callable[[], None] = lambda: None,
) -> Path:
    """Render a scene of the matrix into ``folder``: clip and truth."""
    return film(entry.scene, performance, folder, remarks=remarks(entry), advance=advance)


def choose(split: str | None = None, only: str | None = None) -> tuple[Entry, ...]:
    """Scenes of one split (``tune``, ``hold``), the ``short`` ones, or all.

    Parameters
    ----------
    split : None for all
    only : the scene of this name, or else all whose names contain this text
    """
    return tuple(
        entry
        for entry in MATRIX.values()
        if (split is None or entry.split == split or (split == "short" and entry.name in SHORT))
        and (only is None or only == entry.name or (only not in MATRIX and only in entry.name))
    )
