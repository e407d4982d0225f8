"""Still landings of the `crowd`: postures drawn at random, with exact truth.

A body's offset is learnt from stills as well as from motion, and a still costs a twentieth of
a landing. Stills come in *shots*: one camera, one stance and one set of limbs, the first two
in quiet standing. All shots of a body are the frames of one clip, so that they are compressed
as a phone does it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from synthetic_patients.body import Body, FloatArray
from synthetic_patients.camera import Camera, View
from synthetic_patients.choreography import STANDING_FLEXION_DEG, frontal_angle_deg
from synthetic_patients.crowd import Member, dressed_body
from synthetic_patients.motion import (
    POSTURE,
    SIGN,
    Curve,
    HeldFoot,
    Keys,
    Motion,
    Stance,
    bend_leg,
    leg_length,
)
from synthetic_patients.script import LIMBS, Limb
from synthetic_patients.truth import fppa_deg, knee_flexion_deg

FPS = 5.0
SEED = 40_961
_NOW = np.zeros(1)
_SIZE_PX = (480, 854)
"""The model looks at 256 px; a body of 300 to 450 px loses nothing and draws twice as fast."""
_SOLE_M = 0.002
_MOST_TURN_RAD = 0.85
"""A knee goes no farther round its leg's line than this, inward or outward."""


@dataclass(frozen=True)
class Plan:
    """How often one view and stance is filmed: shots, and stills in each besides standing."""

    view: View
    support: tuple[Limb, ...]
    shots: int
    stills: int


PLANS: tuple[Plan, ...] = (
    Plan("front", LIMBS, 2, 7),
    Plan("front", ("left",), 1, 6),
    Plan("front", ("right",), 1, 6),
    Plan("left_side", LIMBS, 1, 6),
    Plan("left_side", ("left",), 1, 5),
    Plan("right_side", LIMBS, 1, 6),
    Plan("right_side", ("right",), 1, 5),
    Plan("back", LIMBS, 1, 6),
    Plan("back", ("left",), 1, 4),
    Plan("back", ("right",), 1, 4),
)
VIEWS: tuple[View, ...] = tuple(dict.fromkeys(plan.view for plan in PLANS))


def most_stills(views: Collection[View]) -> int:
    """Count the stills of one body; a tenth is left out, where a foot would go into the floor."""
    return sum(plan.shots * (2 + plan.stills) for plan in PLANS if plan.view in views)


@dataclass(frozen=True)
class Posture:
    """One still; angles in degrees, as `script.LimbPlan` and `motion.POSTURE` name them."""

    flexion: dict[Limb, float]
    inward: dict[Limb, float]
    toe_pitch: float
    toe_out: float
    stance_half_m: float
    behind_m: float
    shift_pct: float
    roll: float
    trunk_flexion: float
    trunk_lean: float
    head: float
    arm: float
    arm_out: float
    elbow: float
    free_thigh: float
    free_knee: float


@dataclass(frozen=True)
class Still:
    """One picture to be: of which shot, in what posture, through which camera, how blurred."""

    shot: int
    standing: bool
    support: tuple[Limb, ...]
    posture: Posture
    motion: Motion
    camera: Camera
    blur_px: int


def stills_of(body: Body, seed: int) -> Iterator[Still]:
    """Draw the postures and cameras of one body; the same seed always gives the same."""
    rng = np.random.default_rng([SEED, seed])
    shot = 0
    for plan in PLANS:
        for _ in range(plan.shots):
            camera = _camera(plan.view, rng)
            stance = _stance(plan.support, rng)
            for number in range(2 + plan.stills):
                standing = number < 2
                # The first time on both feet, so that hops know such a standing too.
                support = LIMBS if number == 0 else plan.support
                draw = _standing if standing else _landing
                posture = draw(stance, support, rng)
                motion = _posed(body, support, posture)
                blur_px = 1 if standing else int(rng.integers(1, 5))
                if _above_the_floor(motion):
                    yield Still(shot, standing, support, posture, motion, camera, blur_px)
            shot += 1


def _above_the_floor(motion: Motion) -> bool:
    """Tell whether a foot that is held up clears the floor; a deep leg may let it through."""
    joints = motion.joints(_NOW)
    ends = (joints[f"{limb}_{part}"][0, 2] for limb in LIMBS for part in ("toe_tip", "heel"))
    return min(ends) > -_SOLE_M


def _camera(view: View, rng: np.random.Generator) -> Camera:
    height_m, distance_m = rng.uniform(0.5, 1.4), rng.uniform(2.2, 3.4)
    aim_m = rng.uniform(0.85, 1.05)
    return Camera(
        view=view,
        yaw_deg=float(np.clip(rng.normal(0, 6), -18, 18)),
        roll_deg=float(rng.normal(0, 1.5)),
        pitch_deg=float(np.rad2deg(np.arctan2(aim_m - height_m, distance_m))),
        height_m=height_m,
        distance_m=distance_m,
        offset_m=float(rng.normal(0, 0.12)),
        focal_equivalent_mm=float(rng.uniform(25, 29)),
        width_px=_SIZE_PX[0],
        height_px=_SIZE_PX[1],
        fps=FPS,
        noise_levels=float(rng.uniform(1, 4)),
    )


@dataclass(frozen=True)
class _Stance:
    """What the stills of a shot share."""

    half_m: float
    toe_out: float
    flexion: float
    inward: dict[Limb, float]
    free_thigh: float
    free_knee: float


def _stance(support: Sequence[Limb], rng: np.random.Generator) -> _Stance:
    inward = {limb: rng.uniform(-6, 20) for limb in LIMBS}
    return _Stance(
        half_m=rng.uniform(0.07, 0.20) if len(support) == 2 else 0.02,
        toe_out=rng.uniform(-2, 18),
        flexion=rng.uniform(30, 75),
        inward=inward,
        free_thigh=rng.uniform(-20, 65),
        free_knee=rng.uniform(30, 110),
    )


def _standing(stance: _Stance, support: Sequence[Limb], rng: np.random.Generator) -> Posture:
    flexion = {limb: float(np.clip(rng.normal(STANDING_FLEXION_DEG, 2), 5, 14)) for limb in LIMBS}
    return Posture(
        flexion=flexion,
        inward={limb: rng.normal(0, 1) for limb in LIMBS},
        toe_pitch=0.0,
        toe_out=stance.toe_out,
        stance_half_m=stance.half_m if len(support) == 1 else rng.uniform(0.07, 0.16),
        behind_m=-0.03 + rng.normal(0, 0.01),
        shift_pct=rng.normal(0, 2),
        roll=rng.normal(0, 0.7),
        trunk_flexion=rng.normal(4, 2),
        trunk_lean=rng.normal(0, 1),
        head=rng.normal(0, 4),
        arm=rng.normal(4, 5),
        arm_out=rng.normal(10, 3),
        elbow=rng.uniform(5, 30),
        free_thigh=stance.free_thigh,
        free_knee=stance.free_knee,
    )


def _landing(stance: _Stance, support: Sequence[Limb], rng: np.random.Generator) -> Posture:
    middle = float(np.clip(rng.normal(stance.flexion, 22), 7, 100))
    apart = rng.normal(0, 2.5) if len(support) == 2 else 0.0
    flexion = {limb: max(middle + SIGN[limb] * apart, 5.5) for limb in LIMBS}
    inward = {
        limb: float(np.clip(stance.inward[limb] + rng.normal(0, 4), -10, 25)) for limb in LIMBS
    }
    on_toes = rng.random() < (0.5 if middle < 35 else 0.15)
    return Posture(
        flexion=flexion,
        inward=inward,
        toe_pitch=rng.uniform(4, 25) if on_toes else 0.0,
        toe_out=stance.toe_out + rng.normal(0, 2),
        stance_half_m=stance.half_m,
        behind_m=0.02 + 0.0016 * max(middle - 40, 0) + rng.normal(0, 0.035),
        shift_pct=rng.normal(0, 8) if len(support) == 2 else 0.0,
        roll=rng.normal(0, 1.5 if len(support) == 2 else 5.0),
        trunk_flexion=6 + 0.42 * middle + rng.normal(0, 10),
        trunk_lean=rng.normal(0, 4),
        head=rng.normal(0, 8),
        arm=rng.uniform(-50, 80),
        arm_out=rng.uniform(5, 45),
        elbow=rng.uniform(5, 90),
        free_thigh=stance.free_thigh + rng.normal(0, 8),
        free_knee=float(np.clip(stance.free_knee + rng.normal(0, 10), 10, 120)),
    )


def _posed(body: Body, support: Sequence[Limb], posture: Posture) -> Motion:
    """Place a body over its feet so that every limb has its flexion and its FPPA."""
    feet = {limb: _planted(body, limb, support, posture) for limb in support}
    ankles = {limb: foot.pose(body, limb + "_", _NOW).ankle[0] for limb, foot in feet.items()}
    xy = np.mean(list(ankles.values()), axis=0)[:2]
    xy = xy + np.array([-posture.behind_m, _sideways_m(ankles, posture)])
    height_m, roll = _pelvis(body, ankles, posture, xy)
    pelvis = (Curve((0.0, xy[0])), Curve((0.0, xy[1])), Curve((0.0, height_m)))
    held = HeldFoot(
        0.0, 1.0, _key(posture.free_thigh), _key(posture.free_knee), np.deg2rad(posture.toe_out)
    )
    motion = Motion(
        body, 1.0, pelvis, _keys(posture, roll), {limb: [feet.get(limb, held)] for limb in LIMBS}
    )
    for limb in support:
        motion.posture[f"{limb}_inward"].set(0.0, _inward_deg(motion, limb, posture))
    return motion


def _planted(body: Body, limb: Limb, support: Sequence[Limb], posture: Posture) -> Stance:
    joints = body.joints
    reach = joints[limb + "_mtp"] - joints[limb + "_ankle"]
    y = SIGN[limb] * (posture.stance_half_m if len(support) == 2 else 0.02)
    ball = np.array([reach[0], y, joints[limb + "_mtp"][2]])
    yaw_rad = SIGN[limb] * np.deg2rad(posture.toe_out)
    lift = Curve((0.0, np.deg2rad(posture.toe_pitch)))
    return Stance(0.0, 1.0, ball, yaw_rad, lift=lift)


def _sideways_m(ankles: dict[Limb, FloatArray], posture: Posture) -> float:
    """Give the pelvis' shift from over the feet; on one leg it stays over the foot."""
    if len(ankles) == 2:
        return float(posture.shift_pct / 100 * (ankles["left"][1] - ankles["right"][1]))
    (limb,) = ankles
    return -SIGN[limb] * 0.012


def _pelvis(
    body: Body, ankles: dict[Limb, FloatArray], posture: Posture, xy: FloatArray
) -> tuple[float, float]:
    """Mid-hip height (m) and roll (rad) that give each limb its flexion."""
    half_m, roll = body.joints["left_hip"][1], float(np.deg2rad(posture.roll))
    for _ in range(4):
        rise_m = {limb: _rise_m(body, limb, ankles[limb], posture, xy, roll) for limb in ankles}
        if len(ankles) == 1:
            (limb,) = ankles
            return rise_m[limb] - SIGN[limb] * half_m * float(np.sin(roll)), roll
        tilt = (rise_m["left"] - rise_m["right"]) / (2 * half_m)
        roll = float(np.arcsin(np.clip(tilt, -0.25, 0.25)))
    return float(np.mean(list(rise_m.values()))), roll


def _rise_m(
    body: Body, limb: Limb, ankle: FloatArray, posture: Posture, xy: FloatArray, roll: float
) -> float:
    """Height of a hip whose leg is as long as its flexion makes it."""
    length_m = leg_length(body, limb + "_", posture.flexion[limb])
    dx = xy[0] - ankle[0]
    dy = xy[1] + SIGN[limb] * body.joints["left_hip"][1] * np.cos(roll) - ankle[1]
    return float(ankle[2] + np.sqrt(length_m**2 - dx**2 - dy**2))


def _key(value: float) -> Keys:
    keys = Keys()
    keys.set(0.0, value)
    return keys


def _keys(posture: Posture, roll: float) -> dict[str, Keys]:
    values = dict.fromkeys(POSTURE, 0.0) | {
        "roll": float(np.rad2deg(roll)),
        "trunk_flexion": posture.trunk_flexion,
        "trunk_lean": posture.trunk_lean,
        "head": posture.head,
    }
    for limb in LIMBS:
        values[f"{limb}_arm"] = posture.arm
        values[f"{limb}_arm_out"] = posture.arm_out
        values[f"{limb}_elbow"] = posture.elbow
    return {name: _key(value) for name, value in values.items()}


def _inward_deg(motion: Motion, limb: Limb, posture: Posture) -> float:
    """Turn of the leg's plane that gives the wanted FPPA, or the nearest it can give."""
    hip, foot = motion.hip(limb, _NOW), motion.foot(limb, _NOW)

    def miss(turned_rad: float) -> float:
        knee, _ = bend_leg(
            motion.body, limb, hip, foot.ankle, np.array([turned_rad]),
            SIGN[limb] * np.deg2rad(posture.toe_out),
        )  # fmt: skip
        return float(frontal_angle_deg(limb, hip, knee, foot.ankle)[0] - posture.inward[limb])

    ends = (-_MOST_TURN_RAD, _MOST_TURN_RAD)
    misses = [miss(end) for end in ends]
    if misses[0] * misses[1] > 0:
        return float(np.rad2deg(ends[int(np.argmin(np.abs(misses)))]))
    return float(np.rad2deg(brentq(miss, *ends)))


def truth_of(still: Still) -> FloatArray:
    """Give (limb, 3) what is true of a still: FPPA in the picture, 3-D flexion, whether it stands.

    FPPA is of the joint centres through the camera, NaN in a side view; both are NaN in a
    limb that is held up.
    """
    joints = still.motion.joints(_NOW)
    seen = {name: still.camera.project(place) for name, place in joints.items()}
    frontal = still.camera.view in ("front", "back")
    patient_left = -1.0 if still.camera.view == "back" else 1.0
    truth = np.full((len(LIMBS), 3), np.nan)
    for row, limb in zip(truth, LIMBS, strict=True):
        row[2] = limb in still.support
        if limb in still.support:
            row[1] = knee_flexion_deg(joints, limb)[0]
        if limb in still.support and frontal:
            row[0] = fppa_deg(seen, limb, patient_left)[0]
    return truth


def _blurred(picture: NDArray[np.uint8], rows: int) -> NDArray[np.uint8]:
    """Smear a picture downward over some rows, as a moving body does; one smooths the edges."""
    total = picture.astype(np.uint16)
    for row in range(1, rows + 1):
        total[row:] += picture[:-row]
        total[:row] += picture[:1]
    return (total // (rows + 1)).astype(np.uint8)


def film_member(
    member: Member,
    bodies: Path,
    folder: Path,
    views: Collection[View] = VIEWS,
    advance: Callable[[], None] = lambda: None,
) -> Path:
    """Draw the stills of one body into one clip, with their truth beside it (``.truth.npz``).

    The truth holds, per still: ``shot``, ``standing``, ``view``, ``one_leg``, ``yaw_deg`` of
    the camera, and ``truth`` (n, 2, 3) as `truth_of` gives it, left limb first.
    """
    from synthetic_patients.render import Renderer, write_clip

    body = dressed_body(member, bodies)
    stills = [one for one in stills_of(body, member.number) if one.camera.view in views]
    noise = np.random.default_rng(SEED)
    clip = folder / f"{member.name}.mp4"
    renderer = Renderer(
        body, member.look, stills[0].camera, shifts_px=((0.0, 0.0),),
        surroundings=member.surroundings,
    )  # fmt: skip

    def pictures() -> Iterator[np.ndarray]:
        for still in stills:
            renderer.aim(still.camera)
            yield _blurred(renderer.frame(still.motion, 0.0, noise), still.blur_px)
            advance()

    try:
        write_clip(clip, pictures(), FPS, quality=int(noise.integers(20, 31)))
    finally:
        renderer.close()
    np.savez_compressed(
        clip.with_suffix(".truth.npz"),
        shot=np.array([still.shot for still in stills]),
        standing=np.array([still.standing for still in stills]),
        view=np.array([still.camera.view for still in stills]),
        one_leg=np.array([len(still.support) == 1 for still in stills]),
        yaw_deg=np.array([still.camera.yaw_deg for still in stills]),
        truth=np.array([truth_of(still) for still in stills]),
    )
    return clip
