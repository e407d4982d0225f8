"""The exercises of an impact programme, from a sled to bounds: scenes, split and truth.

Every exercise is filmed on one body for tuning and on one held out; the sled, and the run of
several exercises, on all four. The split is that of `matrix`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any, Literal

import numpy as np

from synthetic_patients.body import Body
from synthetic_patients.camera import Camera, View
from synthetic_patients.choreography import Load, Performance
from synthetic_patients.clips import film, play, scene_truth
from synthetic_patients.lying import Lying
from synthetic_patients.matrix import SPLIT, Split, scene_hash
from synthetic_patients.motion import SIGN, Motion, Swing
from synthetic_patients.scenes import P01, P02, P03, P04, Patient, Scene, Script
from synthetic_patients.script import (
    ANYWHERE,
    LIMBS,
    Action,
    FreeLeg,
    Glide,
    Limb,
    LimbPlan,
    Place,
    Shift,
    Sled,
    Stand,
    Stride,
)
from synthetic_patients.truth import knee_flexion_deg

Range = tuple[float, float]
SERIES = 40_000
"""Start of the seeds."""
AFTER_LOWEST_S = 0.5
FREE_LEG = FreeLeg(90.0, 112.0)
"""Of a hop on the sled: off the plate."""
BOARD_M, TRAVEL_M = 1.15, 0.62
SHARP = ((0.0, 0.0),)
"""One picture of each exposure, as in bright light."""
_GRID_S = 0.002


@dataclass(frozen=True)
class Way:
    """How the strides of one exercise look; pairs are ranges to draw from.

    Attributes
    ----------
    lands : on both feet, on the same one, or on one after the other
    thigh_deg, knee_deg : of the leg in the air, about the middle of its way; None = as it falls
    aside_m : from a foot's first place to where it lands, outwards
    """

    exercise: str
    lands: Literal["both", "same", "in turn"]
    flight_s: Range
    contact_s: Range
    flexion_deg: Range
    start_deg: Range = (14.0, 19.0)
    pitch_deg: Range = (8.0, 14.0)
    thigh_deg: Range | None = None
    knee_deg: Range = (70.0, 80.0)
    trunk_deg: float = 14.0
    aside_m: float = 0.0
    reach_m: float = 0.0


SLED_JUMPS = Way("sled_jump", "both", (0.36, 0.46), (0.42, 0.52), (52, 68), (18, 24), (12, 20))
SLED_TURNS = Way("sled_alternating", "in turn", (0.30, 0.38), (0.46, 0.56), (48, 60), (16, 22),
                 (10, 16), (66, 78), (96, 108))  # fmt: skip
SLED_HOPS = Way("sled_hop", "same", (0.30, 0.38), (0.44, 0.54), (46, 58), (16, 22), (10, 16))
TURNS = Way("alternating_jump", "in turn", (0.26, 0.31), (0.32, 0.38), (45, 52), (16, 21),
            (11, 17), (22, 32), (90, 102), 22.0, -0.06)  # fmt: skip
BOUNDS = Way("lateral_bound", "in turn", (0.24, 0.29), (0.38, 0.45), (48, 58), (18, 23), (10, 16),
             (12, 20), (84, 96), 26.0, 0.14, 0.12)  # fmt: skip
JOG = Way("jog_in_place", "in turn", (0.09, 0.12), (0.24, 0.28), (30, 35), (12, 16), (5, 9),
          (18, 28), (82, 96), 8.0, -0.06)  # fmt: skip
KNEES = Way("high_knees", "in turn", (0.07, 0.11), (0.24, 0.28), (29, 33), (12, 16), (5, 9),
            (68, 88), (88, 102), 4.0, -0.06)  # fmt: skip
KICKS = Way("heel_kicks", "in turn", (0.07, 0.11), (0.24, 0.28), (29, 33), (12, 16), (5, 9),
            (-4, 8), (104, 120), 8.0, -0.06)  # fmt: skip
TUCKS = Way("tuck_jump", "both", (0.46, 0.52), (0.40, 0.46), (62, 70), (18, 23), (13, 20),
            (72, 92), (95, 112), 28.0)  # fmt: skip


def strides(way: Way, count: int, *, first: int = 0, landed: int = 0, held: bool = True) -> Script:
    """Write one bout; the last landing is on both feet, or on the one that hops, and held.

    ``first`` of the limbs lands first, the other one next.
    """

    def script(rng: np.random.Generator) -> list[Action]:
        one: Limb = LIMBS[0] if way.lands == "same" else LIMBS[first]
        actions: list[Action] = []
        for rep in range(count):
            last = held and rep == count - 1
            in_turn = LIMBS[(first + rep) % 2]
            limbs = {"both": LIMBS, "same": (one,), "in turn": LIMBS if last else (in_turn,)}
            lead = len(limbs[way.lands]) == 2
            flexion_deg = rng.uniform(*way.flexion_deg)
            deep_deg = flexion_deg + (12 if last and way.lands == "in turn" else 0)
            plans = {
                limb: LimbPlan(deep_deg - rng.uniform(0, 3), rng.normal(1, 1.5),
                               rng.uniform(0, 9), rng.uniform(*way.pitch_deg))
                for limb in limbs[way.lands]
            }  # fmt: skip
            aside = 0.0
            if way.lands == "in turn" and not lead and rep + landed < 2:
                aside = way.aside_m if in_turn == "left" else -way.aside_m
            actions.append(
                Stride(
                    flight_s=rng.uniform(*way.flight_s),
                    contact_s=0.6 if last else rng.uniform(*way.contact_s),
                    limbs=plans,
                    flexion_initial_contact_deg=rng.uniform(*way.start_deg),
                    landing_lead_s=rng.uniform(-0.01, 0.01) if lead else 0.0,
                    trunk_flexion_deg=way.trunk_deg + rng.normal(0, 1.5),
                    trunk_lean_deg=rng.normal(0, 1),
                    left_m=aside,
                    arm_swing=0.4,
                    held=last,
                    exercise=way.exercise,
                    swing=_swing(way, rng),
                    reach_m=0.0 if lead else way.reach_m,
                )
            )
        return actions

    return script


def _swing(way: Way, rng: np.random.Generator) -> FreeLeg | None:
    if way.thigh_deg is None:
        return None
    return FreeLeg(rng.uniform(*way.thigh_deg), rng.uniform(*way.knee_deg))


def bouts(*parts: tuple[Way, int]) -> Script:
    """Write bouts in a row, without a pause, between quiet standing; legs go on taking turns."""

    def script(rng: np.random.Generator) -> list[Action]:
        actions: list[Action] = [Stand(0.6)]
        first, landed = int(rng.integers(2)), 0
        for number, (way, count) in enumerate(parts, start=1):
            turn, held = (first + landed) % 2, number == len(parts)
            actions += strides(way, count, first=turn, landed=landed, held=held)(rng)
            landed += count
        return [*actions, Stand(0.5)]

    return script


def shifts(count: int) -> Script:
    """Write weight shifts from limb to limb."""

    def script(rng: np.random.Generator) -> list[Action]:
        moves = [
            Shift(LIMBS[rep % 2], rng.uniform(50, 62), rng.uniform(0.75, 1.0),
                  rng.uniform(0.5, 0.6))
            for rep in range(count)
        ]  # fmt: skip
        return [Stand(0.6), *moves, Stand(0.8)]

    return script


def glides(count: int) -> Script:
    """Write slides from end to end of a board, beginning at the patient's right."""

    def script(rng: np.random.Generator) -> list[Action]:
        moves = [
            Glide(LIMBS[rep % 2], TRAVEL_M, rng.uniform(60, 70), rng.uniform(0.38, 0.48),
                  rng.uniform(0.30, 0.40), rng.uniform(0.30, 0.40))
            for rep in range(count)
        ]  # fmt: skip
        return [Stand(0.5), *moves, Stand(0.8)]

    return script


def off_a_box(box_m: float, *, rebound: bool) -> Script:
    """Write a drop from a box, and a jump at once after it."""

    def script(rng: np.random.Generator) -> list[Action]:
        def plans() -> dict[Limb, LimbPlan]:
            return {
                limb: LimbPlan(rng.uniform(62, 70), 1.0, rng.uniform(0, 9), rng.uniform(12, 18))
                for limb in LIMBS
            }

        name = "drop_jump" if rebound else "step_down"
        drop = Stride(
            flight_s=rng.uniform(0.25, 0.28), contact_s=0.40 if rebound else 0.6, limbs=plans(),
            take_off_lead_s=rng.uniform(0.18, 0.24), landing_lead_s=rng.uniform(0, 0.015),
            forward_m=0.42, held=not rebound, exercise=name, reach_m=0.12, down_m=box_m,
        )  # fmt: skip
        up = Stride(0.34, 0.6, plans(), held=True, exercise=name)
        return [Stand(0.8), drop, *([up] if rebound else []), Stand(0.5)]

    return script


@dataclass(frozen=True)
class Rung:
    """One exercise as it is filmed.

    ``near`` is the limb that hops in side views, the near one; bodies by name.
    """

    name: str
    view: Literal["front", "side"]
    script: Script
    bodies: tuple[Patient, ...]
    place: Place = ANYWHERE
    yaw_deg: Range = (0.0, 3.0)
    single: bool = False


_EVEN, _ODD, _ALL = (P01, P03), (P02, P04), (P01, P02, P03, P04)
_ON_SLED = Place(Sled())
_DRIVEN_OFF = 0.5 * TRAVEL_M

RUNGS: tuple[Rung, ...] = (
    Rung("sled_jumps", "side", bouts((SLED_JUMPS, 6)), _ALL, _ON_SLED),
    Rung("sled_jumps_inclined", "side", bouts((SLED_JUMPS, 6)), _ODD,
         Place(Sled(pull_m_s2=5.5, incline_deg=9.0, height_m=0.75)), (4.0, 10.0)),
    Rung("sled_alternating", "side", bouts((SLED_TURNS, 7)), _ALL, _ON_SLED),
    Rung("sled_hops", "side", bouts((SLED_HOPS, 6)), _ALL, _ON_SLED, single=True),
    Rung("alternating_jumps_front", "front", bouts((TURNS, 8)), _EVEN),
    Rung("alternating_jumps_side", "side", bouts((TURNS, 8)), _ODD),
    Rung("lateral_bounds", "front", bouts((BOUNDS, 8)), _EVEN),
    Rung("weight_shifts", "front", shifts(7), _ODD, Place(stance_half_m=0.25)),
    Rung("slide_board", "front", glides(5), _EVEN,
         Place(stance_half_m=0.17, start_left_m=-_DRIVEN_OFF, board_m=BOARD_M)),
    Rung("jog_side", "side", bouts((JOG, 12)), _EVEN),
    Rung("jog_front", "front", bouts((JOG, 12)), _ODD),
    Rung("high_knees", "side", bouts((KNEES, 12)), _ODD),
    Rung("heel_kicks", "side", bouts((KICKS, 12)), _EVEN),
    Rung("drop_jump", "side", off_a_box(0.25, rebound=True), _ODD, Place(box_m=0.25)),
    Rung("step_down", "side", off_a_box(0.20, rebound=False), _EVEN, Place(box_m=0.20)),
    Rung("tuck_jumps", "side", bouts((TUCKS, 5)), _ODD),
    Rung("run", "side", bouts((JOG, 6), (KNEES, 6), (KICKS, 6), (JOG, 5)), _ALL),
)  # fmt: skip


@dataclass(frozen=True)
class Step:
    """One scene of the ladder with its place in it."""

    scene: Scene
    rung: str
    split: Split

    @property
    def name(self) -> str:
        """Name of the clip, without suffix."""
        return self.scene.name


def camera_of(rung: Rung, sign: float, seed: int) -> Camera:
    """Place the phone for a rung; ``sign`` +1 films side views from the left, -1 from the right."""
    rng = np.random.default_rng([seed, 1])
    sideways: View = "left_side" if sign > 0 else "right_side"
    sled, wide = rung.place.sled, rung.place.board_m > 0
    camera = Camera(
        view="front" if rung.view == "front" else sideways,
        yaw_deg=sign * rng.uniform(*rung.yaw_deg),
        roll_deg=rng.uniform(-1, 1),
        height_m=rng.uniform(0.8, 1.0),
        distance_m=rng.uniform(2.3, 2.5) if sled or wide else rng.uniform(2.7, 3.0),
        exposure_s=1 / 240,
    )
    aim_m = sled.height_m if sled else 0.9
    camera = replace(
        camera,
        pitch_deg=float(np.rad2deg(np.arctan2(aim_m - camera.height_m, camera.distance_m))),
    )
    if sled or wide:
        camera = replace(camera, width_px=1280, height_px=720)
    if wide:
        camera = replace(camera, distance_m=3.0, focal_equivalent_mm=24.0)
    return replace(camera, offset_m=0.2 * sign) if sled else camera


def _step(rung: Rung, number: int, patient: Patient) -> Step:
    patient_number = [p.code for p in _ALL].index(patient.code) + 1
    name = f"{patient.body}_{rung.name}"
    seed = SERIES + 1000 * patient_number + 100 * REDRAWN.get(name, 0) + number
    sign = 1.0 if rung.single or patient_number % 2 else -1.0
    support: tuple[Limb, ...] = ("left",) if rung.single else LIMBS
    scene = Scene(
        name, patient, rung.script, seed, camera_of(rung, sign, seed),
        support, FREE_LEG, rung.place,
    )  # fmt: skip
    return Step(scene, rung.name, SPLIT[patient.body])


REDRAWN: dict[str, int] = {
    "heavy_man_sled_alternating": 2,
    "heavy_man_sled_hops": 2,
    "short_man_sled_hops": 2,
    "short_man_sled_jumps": 2,
    "tall_woman_sled_jumps": 3,
    "tall_woman_sled_jumps_inclined": 2,
    "short_man_sled_alternating": 5,
    "tall_woman_sled_hops": 5,
    "short_man_alternating_jumps_front": 2,
    "tall_woman_alternating_jumps_side": 3,
    "short_man_lateral_bounds": 3,
    "tall_woman_weight_shifts": 2,
    "short_man_slide_board": 2,
    "short_man_jog_side": 3,
    "tall_woman_jog_front": 3,
    "tall_woman_high_knees": 7,
    "short_man_heel_kicks": 3,
    "tall_woman_drop_jump": 3,
    "short_man_step_down": 2,
    "tall_woman_tuck_jumps": 3,
    "short_man_run": 2,
    "tall_woman_run": 1,
}
"""Redraws: the body cannot do the first draw, or held-out ones were looked at for a rule."""

LADDER: dict[str, Step] = {
    step.name: step
    for number, rung in enumerate(RUNGS, start=1)
    for patient in rung.bodies
    for step in (_step(rung, number, patient),)
}
"""All scenes by name."""

_SAMPLES = {
    "sled_p01_left_side": "slim_woman_sled_jumps",
    "bounds_p01_front": "slim_woman_lateral_bounds",
    "run_p01_left_side": "slim_woman_run",
}
SAMPLES: dict[str, Step] = {
    name: replace(LADDER[of], scene=replace(LADDER[of].scene, name=name))
    for name, of in _SAMPLES.items()
}
"""The committed clips: scenes for tuning under the patients' codes."""


# --- truth -------------------------------------------------------------------------------------


def play_step(step: Step, body: Body | None = None) -> Performance:
    """Perform a scene, on another body than the patient's if told, until soon after it landed."""
    performance = play(step.scene, body)
    if not performance.landings:
        return performance
    last_s = max(landing.lowest_s for landing in performance.landings)
    end_s = min(performance.motion.duration_s, last_s + AFTER_LOWEST_S)
    return replace(performance, motion=replace(performance.motion, duration_s=end_s))


def ladder_truth(step: Step, performance: Performance) -> dict[str, Any]:
    """Everything the truth file of a scene holds."""
    truth = scene_truth(step.scene, performance)
    for rep, leap in zip(truth["reps"], performance.leaps, strict=True):
        rep |= {"exercise": leap.exercise} if isinstance(leap, Stride) else {}
    return {
        **truth,
        "bouts": _bouts(truth["reps"], performance),
        "swings": _swings(performance),
        "loads": _loads(performance),
        "surface": _surface(step.scene),
        "box_height_m": step.scene.place.box_m or None,
        "ladder": {
            "rung": step.rung, "body": step.scene.patient.body, "split": step.split,
            "scene_hash": scene_hash(step.scene),
        },
    }  # fmt: skip


def _bouts(reps: list[dict[str, Any]], performance: Performance) -> list[dict[str, Any]]:
    """Find runs of one exercise, each from its first take-off or load to the next one's."""
    found = []
    for name, group in groupby(reps, lambda rep: rep["exercise"]):
        run = list(group)
        found.append(
            {"exercise": name, "start_s": run[0]["take_off_s"], "end_s": run[-1]["lowest_pelvis_s"],
             "reps": len(run)}
        )  # fmt: skip
    for before, after in pairwise(found):
        before["end_s"] = after["start_s"]
    if performance.loads:
        first, last = performance.loads[0], performance.loads[-1]
        found.append(
            {"exercise": first.exercise, "start_s": round(first.deepest_s, 4),
             "end_s": round(last.deepest_s, 4), "reps": len(performance.loads)}
        )  # fmt: skip
    return found


def _upright(performance: Performance) -> Motion:
    motion = performance.motion
    base = motion.base if isinstance(motion, Lying) else motion
    if not isinstance(base, Motion):
        message = "only a scripted motion has swings"
        raise TypeError(message)
    return base


def _swings(performance: Performance) -> list[dict[str, Any]]:
    """Give each way of a foot through the air and how high thigh and heel rose."""
    motion, found = _upright(performance), []
    for limb in LIMBS:
        for work in motion.feet[limb]:
            if not isinstance(work, Swing):
                continue
            t_s = np.arange(work.start_s, work.end_s, _GRID_S)
            joints = motion.joints(t_s)
            thigh = joints[f"{limb}_knee"] - joints[f"{limb}_hip"]
            forward = np.rad2deg(np.arctan2(thigh[:, 0], -thigh[:, 2]))
            heel, knee = joints[f"{limb}_heel"][:, 2], knee_flexion_deg(joints, limb)
            found.append(
                {
                    "limb": limb,
                    "start_s": round(work.start_s, 5),
                    "end_s": round(work.end_s, 5),
                    "thigh_peak_deg": round(float(forward.max()), 2),
                    "thigh_peak_at_s": round(float(t_s[forward.argmax()]), 4),
                    "heel_peak_m": round(float(heel.max()), 4),
                    "heel_peak_at_s": round(float(t_s[heel.argmax()]), 4),
                    "knee_flexion_peak_deg": round(float(knee.max()), 2),
                }
            )
    return sorted(found, key=lambda swing: swing["start_s"])


def _loads(performance: Performance) -> list[dict[str, Any]]:
    """Give each load without a flight: its times, and the knee at its deepest."""
    found: list[dict[str, Any]] = []
    middles_s = [_passes_middle_s(performance, *both) for both in pairwise(performance.loads)]
    over_s = [None, *middles_s, None]
    for number, load in enumerate(performance.loads):
        joints = performance.motion.joints(np.array([load.deepest_s]))
        times = {"start_s": load.start_s, "deepest_s": load.deepest_s, "end_s": load.end_s}
        found.append(
            {
                "exercise": load.exercise,
                "limb": load.limb,
                **{key: None if at is None else round(at, 5) for key, at in times.items()},
                "over_from_s": over_s[number],
                "over_until_s": over_s[number + 1],
                "knee_flexion_deg": round(float(knee_flexion_deg(joints, load.limb)[0]), 2),
            }
        )
    return found


def _passes_middle_s(performance: Performance, before: Load, after: Load) -> float:
    """Find when the pelvis passes the middle of the ankles between two loads."""
    t_s = np.arange(before.deepest_s, after.deepest_s, _GRID_S)
    joints = performance.motion.joints(t_s)
    middle = (joints["left_ankle"] + joints["right_ankle"]) / 2
    beyond = SIGN[after.limb] * (joints["mid_hip"] - middle)[:, 1] > 0
    return round(float(t_s[np.argmax(beyond)] - _GRID_S / 2), 4)


def _surface(scene: Scene) -> dict[str, Any]:
    """Say what pulls the body to what the feet land on, and where that is in the picture."""
    sled = scene.place.sled
    if sled is None:
        return {"kind": "floor", "pull_m_s2": 9.81}
    incline = np.deg2rad(sled.incline_deg)
    middle = np.array([0.0, 0.0, sled.height_m])
    to_plate = np.array([np.cos(incline), 0.0, -np.sin(incline)])
    ends = scene.camera.project(np.stack([middle - 0.3 * to_plate, middle + 0.3 * to_plate]))
    way = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    return {
        "kind": "sled plate", "pull_m_s2": sled.pull_m_s2,
        "down_px": [round(float(x), 4) for x in way],
        "rest_flexion_deg": sled.rest_flexion_deg, "incline_deg": sled.incline_deg,
    }  # fmt: skip


# --- filming -----------------------------------------------------------------------------------


def film_step(
    step: Step, folder: Path, advance: Callable[[], None] = lambda: None, body: Body | None = None
) -> Path:  # fmt: skip
    """Render a scene into ``folder``: clip, truth and the joints of every frame."""
    performance = play_step(step, body)
    return film(
        step.scene, performance, folder, truth=ladder_truth(step, performance),
        frame_arrays=True, shifts_px=SHARP, advance=advance,
    )  # fmt: skip


def choose(split: str | None = None, only: str | None = None) -> tuple[Step, ...]:
    """Scenes of one split, whose names contain a text; a committed clip by its whole name."""
    if only in SAMPLES:
        return (SAMPLES[only],)
    return tuple(
        step
        for step in LADDER.values()
        if (split is None or step.split == split) and (only is None or only in step.name)
    )
