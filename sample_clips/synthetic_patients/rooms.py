"""Clips with other people in the room, and of a patient who turns round. All invented."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path as FilePath
from typing import Any, Literal

import numpy as np

from synthetic_patients.body import load_body
from synthetic_patients.camera import VIEW_AZIMUTH_DEG, Camera, View
from synthetic_patients.choreography import Performance, perform
from synthetic_patients.clips import scene_truth, write_truth
from synthetic_patients.motion import Motion
from synthetic_patients.scenes import P01, P02, P03, P04, Patient, Scene, Script
from synthetic_patients.script import LIMBS, Action, Leap, Limb, LimbPlan, Stand
from synthetic_patients.truth import clip_truth, frame_truth
from synthetic_patients.walking import Path, Walker, later, reaching

AIM_M = 0.9
AFTER_LOWEST_S = 0.45
SPEED_M_S = 1.3
SHARP = ((0.0, 0.0),)
"""One picture of each exposure, as in bright light: a third of the work."""


@dataclass(frozen=True)
class Bystander:
    """Somebody else in the room.

    Attributes
    ----------
    script : what they do where they stand
    hand : the arm that is held out forwards, and by how much in degrees; None = both hang
    """

    who: Patient
    path: Path
    script: Script = lambda _: [Stand(1.0)]
    seed: int = 1
    hand: tuple[Limb, float, float, float] | None = None


@dataclass(frozen=True)
class Room:
    """A scene with other people, or with a patient who moves about.

    Attributes
    ----------
    start_s : when the patient's script begins; before, they walk in
    end_s : length of the clip; None = soon after the last landing
    path : of the patient; they jump at the origin
    remark : what is shown, in one line
    split : settings were chosen on ``tune``; ``seen`` were looked at once before the rules
        were last changed, ``hold`` after
    """

    scene: Scene
    remark: str
    others: tuple[Bystander, ...] = ()
    path: Path = field(default_factory=Path)
    start_s: float = 0.0
    end_s: float | None = None
    split: Literal["tune", "seen", "hold"] = "tune"

    @property
    def name(self) -> str:
        """Name of the clip, without suffix."""
        return self.scene.name


def leaps(*groups: int, pause_s: float = 1.0, hop: Limb | None = None) -> Script:
    """Write groups of jumps, each ended by a held landing, with quiet standing between."""

    def script(rng: np.random.Generator) -> list[Action]:
        limbs: Sequence[Limb] = (hop,) if hop else LIMBS
        actions: list[Action] = [Stand(0.5)]
        for number, count in enumerate(groups):
            actions += [Stand(pause_s)] if number else []
            for rep in range(count):
                held = rep == count - 1
                plans = {
                    limb: LimbPlan(
                        rng.uniform(50, 58), rng.normal(1, 1.5), rng.uniform(0, 9),
                        rng.uniform(13, 22),
                    )
                    for limb in limbs
                }  # fmt: skip
                actions.append(
                    Leap(
                        flight_s=rng.uniform(0.27, 0.32),
                        contact_s=0.5 if held else rng.uniform(0.31, 0.37),
                        limbs=plans,
                        flexion_initial_contact_deg=rng.uniform(18, 23),
                        landing_lead_s=rng.uniform(-0.01, 0.01),
                        trunk_flexion_deg=rng.normal(31, 2),
                        trunk_lean_deg=rng.normal(1, 1),
                        held=held,
                    )
                )
        return actions

    return script


def _camera(view: View, distance_m: float = 3.2, yaw_deg: float = 0.0) -> Camera:
    height_m = 0.95
    return Camera(
        view=view,
        yaw_deg=yaw_deg,
        height_m=height_m,
        distance_m=distance_m,
        pitch_deg=float(np.rad2deg(np.arctan2(AIM_M - height_m, distance_m))),
        width_px=540,
        height_px=960,
    )


def _across(start_s: float, forward_m: float, leftwards: bool = True) -> Path:
    """Walk across a front view, through its middle at ``start_s``."""
    far_m = 1.9
    half_s = far_m / SPEED_M_S
    sign = 1.0 if leftwards else -1.0
    turn_deg = 90.0 * sign
    return Path(
        (
            (start_s - half_s, forward_m, -sign * far_m, turn_deg),
            (start_s + half_s, forward_m, sign * far_m, turn_deg),
        )
    )


_TURNS_S = 0.7

ROOMS: tuple[Room, ...] = (
    Room(
        Scene("turns_90", P01, leaps(2, 2, pause_s=0.4), 51, _camera("front", 2.9)),
        "turns to a side view after two of four jumps",
        path=Path(((2.75, 0, 0, 0), (2.75 + _TURNS_S, 0, 0, 90))),
    ),
    Room(
        Scene("turns_180", P03, leaps(3, 2, pause_s=0.4), 52, _camera("front", 2.9)),
        "turns his back after three of five jumps",
        path=Path(((3.4, 0, 0, 0), (3.4 + _TURNS_S, 0, 0, 180))),
    ),
    Room(
        Scene("crosses_in_front", P01, leaps(4), 53, _camera("front")),
        "somebody crosses in front during the second and third jump",
        (Bystander(P03, _across(1.75, 0.9)),),
    ),
    Room(
        Scene("walks_in_and_out", P04, leaps(3), 54, _camera("front")),
        "walks in from outside, turns, jumps three times, walks out",
        path=Path(((0.2, 0, -2.0, 90), (1.9, 0, 0, 90), (2.4, 0, 0, 0), (5.35, 0, 0, 0),
                   (5.85, 0, 0, 90), (7.5, 0, 2.0, 90))),
        start_s=2.3,
        end_s=7.6,
    ),
    Room(
        Scene("two_jump", P01, leaps(3), 55, _camera("front")),
        "a smaller second person jumps beside",
        (Bystander(P02, Path(((0, -0.7, 0.75, 0),)), leaps(4), 56),),
    ),
    Room(
        Scene("spotter", P04, leaps(3), 57, _camera("front")),
        "a spotter holds a hand at the waist",
        (Bystander(P02, Path(((0, -0.12, 0.62, -90),)), hand=("right", 38.0, 0.0, 8.0)),),
    ),
    Room(
        Scene("stands_beside", P03, leaps(3), 62, _camera("front")),
        "a larger bystander stands at arm's length, a little nearer to the camera",
        (Bystander(P02, Path(((0, 0.25, -0.68, 25),))),),
    ),
    Room(
        Scene("passes_behind", P02, leaps(3), 59, _camera("front")),
        "somebody of like size walks past behind",
        (Bystander(P04, _across(1.7, -0.8, leftwards=False)),),
    ),
    Room(
        Scene("crosses_side_view", P04, leaps(4), 64, _camera("left_side")),
        "somebody crosses between camera and patient in a side view",
        (Bystander(P01, Path(((0.3, -1.9, 0.9, 0), (3.2, 1.9, 0.9, 0)))),),
    ),
    Room(
        Scene("turns_to_front", P04, leaps(3, 1, pause_s=0.4), 71, _camera("left_side", 2.9)),
        "side view, faces the camera for the last of four jumps",
        path=Path(((3.4, 0, 0, 0), (3.4 + _TURNS_S, 0, 0, 90))),
        split="seen",
    ),
    Room(
        Scene("two_alike", P03, leaps(3), 72, _camera("front", 3.6)),
        "a second person of the same size jumps beside, as near to the camera",
        (Bystander(P01, Path(((0, 0.0, 0.9, 0),)), leaps(4), 76),),
        split="seen",
    ),
    Room(
        Scene("crosses_closely", P02, leaps(4), 74, _camera("front", 3.4)),
        "somebody of the patient's build crosses close in front",
        (Bystander(P03, _across(1.9, 0.45, leftwards=False)),),
        split="seen",
    ),
    Room(
        Scene("spotter_behind", P01, leaps(3), 75, _camera("left_side", 3.0)),
        "side view, a spotter behind holds a hand at the back",
        (Bystander(P03, Path(((0, -0.58, 0.0, 0),)), hand=("left", 45.0, 0.0, 8.0)),),
        split="seen",
    ),
    Room(
        Scene("crosses_to_the_right", P04, leaps(4), 81, _camera("front", 3.1)),
        "somebody crosses in front the other way, between two bodies' distances",
        (Bystander(P02, _across(2.3, 0.65, leftwards=False)),),
        split="seen",
    ),
    Room(
        Scene("crosses_back_view", P01, leaps(4), 82, _camera("back", 3.2)),
        "somebody of like size crosses close in front in a back view",
        (Bystander(P03, Path(((0.2, -0.5, 1.9, -90), (3.1, -0.5, -1.9, -90)))),),
        split="seen",
    ),
    Room(
        Scene("neighbour_on_the_left", P02, leaps(3), 83, _camera("front", 3.3)),
        "a bystander stands at arm's length on the other side",
        (Bystander(P04, Path(((0, 0.1, 0.7, -20),))),),
        split="hold",
    ),
    Room(
        Scene("crosses_right_side", P02, leaps(4), 101, _camera("right_side", 3.3)),
        "somebody crosses between camera and patient in the other side view",
        (Bystander(P01, Path(((0.4, 1.9, -0.6, 180), (3.4, -1.9, -0.6, 180)))),),
        split="seen",
    ),
    Room(
        Scene("crosses_slowly", P03, leaps(5), 102, _camera("front", 3.2)),
        "somebody crosses slowly and close in front",
        (Bystander(P01, Path(((0.2, 0.4, -1.3, 90), (3.6, 0.4, 1.5, 90)))),),
        split="hold",
    ),
)  # fmt: skip


def play_room(room: Room) -> tuple[Performance, Walker, tuple[Walker, ...]]:
    """Perform a room.

    Returns
    -------
    performance : of the patient in their own axes, on the clip's clock
    patient, others : as they move in the room
    """
    scene = room.scene
    own = perform(
        load_body(scene.patient.body), scene.script(np.random.default_rng(scene.seed)),
        scene.support, seed=scene.seed,
    )  # fmt: skip
    last_s = room.start_s + max(landing.lowest_s for landing in own.landings)
    end_s = room.end_s or last_s + AFTER_LOWEST_S
    patient = Walker(_motion(own), room.path, room.start_s, end_s)
    others = tuple(_bystander(other, end_s) for other in room.others)
    return later(own, room.start_s, patient.on_the_spot), patient, others


def _motion(performance: Performance) -> Motion:
    motion = performance.motion
    if not isinstance(motion, Motion):
        message = "a room plays scripts only"
        raise TypeError(message)
    return motion


def _bystander(other: Bystander, end_s: float) -> Walker:
    body, script = load_body(other.who.body), other.script(np.random.default_rng(other.seed))
    motion = _motion(perform(body, script, seed=other.seed))
    if other.hand:
        motion = reaching(motion, *other.hand)
    return Walker(motion, other.path, 0.0, end_s)


def facing(camera: Camera, turn_deg: float) -> Camera:
    """Return the camera as a body sees it that is turned to its own left."""
    azimuth = VIEW_AZIMUTH_DEG[camera.view] + camera.yaw_deg - turn_deg
    off = {view: (azimuth - at + 180.0) % 360.0 - 180.0 for view, at in VIEW_AZIMUTH_DEG.items()}
    view = min(off, key=lambda name: abs(off[name]))
    return replace(camera, view=view, yaw_deg=off[view])


def room_truth(room: Room, performance: Performance) -> dict[str, Any]:
    """Everything the truth file holds; each rep is seen from its own view."""
    camera = room.scene.camera
    truth = scene_truth(room.scene, performance)
    for number, rep in enumerate(truth["reps"]):
        turn_deg = float(room.path(np.array([rep["lowest_pelvis_s"]]))[0, 2])
        seen = facing(camera, turn_deg)
        truth["reps"][number] = {
            **clip_truth(performance, seen)["reps"][number],
            "view": seen.view,
            "yaw_deg": round(-seen.yaw_deg, 2),
        }
    return {**truth, "remark": room.remark, "people": 1 + len(room.others)}


def film_room(room: Room, folder: FilePath, advance: Callable[[], None] = lambda: None) -> FilePath:
    """Render a room: the clip, its truth, and every joint of everybody in every frame."""
    from synthetic_patients.looks import Look
    from synthetic_patients.render import Person, Renderer, write_clip

    folder.mkdir(parents=True, exist_ok=True)
    performance, patient, others = play_room(room)
    times_s = np.arange(int(patient.duration_s * room.scene.camera.fps)) / room.scene.camera.fps
    cast = [
        (room.scene.patient, patient),
        *((b.who, w) for b, w in zip(room.others, others, strict=True)),
    ]
    people = [
        Person(walker, Look(who.skin, who.shirt, who.shorts, who.hair, who.shoe))
        for who, walker in cast
    ]
    write_truth(folder / f"{room.name}.truth.json", room_truth(room, performance))
    arrays = [frame_truth(walker, room.scene.camera, times_s) for _, walker in cast]
    np.savez_compressed(
        folder / f"{room.name}.truth.npz",
        t_s=times_s,
        joints=arrays[0]["joints"],
        joints_px=np.stack([a["joints_px"] for a in arrays], axis=1).astype(np.float32),
    )
    renderer = Renderer(people[0].motion.body, people[0].look, room.scene.camera, people[1:], SHARP)
    noise = np.random.default_rng(room.scene.seed)

    def pictures() -> Iterator[np.ndarray]:
        for t_s in times_s:
            yield renderer.frame(patient, float(t_s), noise)
            advance()

    clip = folder / f"{room.name}.mp4"
    try:
        write_clip(clip, pictures(), room.scene.camera.fps)
    finally:
        renderer.close()
    return clip
