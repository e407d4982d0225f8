"""A finished motion: every joint and segment of the body at any instant.

The pelvis (mid-hip) follows smooth curves; a foot is either planted or in the
air; the legs follow by two-bone inverse kinematics. Time is continuous, so the
truth is read between frames as well as at them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Protocol

import numpy as np
from scipy.interpolate import BPoly, PchipInterpolator

from synthetic_patients.body import (
    JOINTS,
    SEGMENT_ORIGIN,
    SEGMENTS,
    SIDES,
    Body,
    FloatArray,
    frame_from_up,
    unit,
)
from synthetic_patients.script import LIMBS, Limb

SIGN: dict[Limb, float] = {"left": 1.0, "right": -1.0}
"""Side of the body along the y axis."""
SETTLE_POWER = 1.6
"""A landed foot's pitch falls as (1 - s) to this power, s from 0 to 1 over the settling."""
STRAIGHTEST_KNEE_DEG = 5.0
"""A knee in the air comes no nearer to straight than this."""
_STRAIGHT_SOFTNESS_M = 0.002


class Curve:
    """A smooth curve through knots of (time, value, rate, acceleration), held at its ends."""

    def __init__(self, *knots: tuple[float, ...]) -> None:
        self._times_s: list[float] = []
        self._values: list[list[float]] = []
        self._poly: BPoly | None = None
        for knot in knots:
            self.add(*knot)

    def add(self, t_s: float, value: float, rate: float = 0.0, acceleration: float = 0.0) -> None:
        """Append a knot.

        Raises
        ------
        ValueError
            If the knot does not come after the last one.
        """
        if self._times_s and t_s <= self._times_s[-1]:
            message = f"knot at {t_s:.3f} s does not follow the one at {self._times_s[-1]:.3f} s"
            raise ValueError(message)
        self._times_s.append(t_s)
        self._values.append([value, rate, acceleration])
        self._poly = None

    @property
    def end_s(self) -> float:
        """Time of the last knot; minus infinity without knots."""
        return self._times_s[-1] if self._times_s else -np.inf

    @property
    def end_state(self) -> tuple[float, float, float]:
        """Value, rate and acceleration of the last knot."""
        value, rate, acceleration = self._values[-1]
        return value, rate, acceleration

    def __call__(self, t_s: FloatArray, order: int = 0) -> FloatArray:
        """Value, or a derivative, at times (n,); 0 without knots."""
        if len(self._times_s) < 2:
            value = self._values[0][0] if self._values and order == 0 else 0.0
            return np.full(len(t_s), value)
        if self._poly is None:
            self._poly = BPoly.from_derivatives(self._times_s, self._values)
        inside = np.clip(t_s, self._times_s[0], self._times_s[-1])
        return np.asarray(
            np.where((order > 0) & (inside != t_s), 0.0, self._poly(inside, nu=order))
        )


class Keys:
    """A curve without overshoot through posture keys (time, value)."""

    def __init__(self) -> None:
        self._keys: dict[float, float] = {}
        self._poly: PchipInterpolator | None = None

    def set(self, t_s: float, value: float) -> None:
        """Add a key, or replace the one at the same time."""
        self._keys[round(t_s, 6)] = value
        self._poly = None

    def __call__(self, t_s: FloatArray) -> FloatArray:
        """Value at times (n,); 0 without keys."""
        times = sorted(self._keys)
        if len(times) < 2:
            return np.full(len(t_s), self._keys[times[0]] if times else 0.0)
        if self._poly is None:
            self._poly = PchipInterpolator(times, [self._keys[t] for t in times])
        return np.asarray(self._poly(np.clip(t_s, times[0], times[-1])))


def turn(x_rad: FloatArray, y_rad: FloatArray, z_rad: FloatArray | float = 0.0) -> FloatArray:
    """Rotations (n, 3, 3): first about y (forwards), then x (to the right), then z."""
    cx, sx, cy, sy = np.cos(x_rad), np.sin(x_rad), np.cos(y_rad), np.sin(y_rad)
    cz, sz = np.cos(z_rad), np.sin(z_rad)
    zero, one = np.zeros_like(cx * cy), np.ones_like(cx * cy)
    cx, sx, cy, sy, cz, sz = (v * one for v in (cx, sx, cy, sy, cz, sz))
    about_y = np.stack([cy, zero, sy, zero, one, zero, -sy, zero, cy], -1).reshape(-1, 3, 3)
    about_x = np.stack([one, zero, zero, zero, cx, -sx, zero, sx, cx], -1).reshape(-1, 3, 3)
    about_z = np.stack([cz, -sz, zero, sz, cz, zero, zero, zero, one], -1).reshape(-1, 3, 3)
    return np.asarray(about_z @ about_x @ about_y)


@dataclass(frozen=True)
class FootPose:
    """Ankle and ball of the foot (n, 3), pitch of foot and of toes (n,) rad, toe down positive."""

    ankle: FloatArray
    mtp: FloatArray
    pitch_rad: FloatArray
    toe_pitch_rad: FloatArray
    yaw_rad: float


@dataclass
class Stance:
    """A foot planted at one place from ``start_s`` to ``end_s``.

    ``lift`` and ``toe_lift`` (rad) raise the heel and, last, the ball of the
    foot; a landing adds ``landing_pitch_rad`` that settles to 0 in ``settle_s``;
    ``slide`` (m) moves the foot to the patient's left along the floor.
    """

    start_s: float
    end_s: float
    ball_m: FloatArray
    yaw_rad: float
    landing_pitch_rad: float = 0.0
    settle_s: float = 0.0
    lift: Curve = field(default_factory=Curve)
    toe_lift: Curve = field(default_factory=Curve)
    slide: Curve = field(default_factory=Curve)

    def pitch(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Pitch of the foot and of the toes, rad."""
        left = np.ones_like(t_s)
        if self.settle_s > 0:
            left = np.clip(1 - (t_s - self.start_s) / self.settle_s, 0, 1) ** SETTLE_POWER
        settling = self.landing_pitch_rad * left if self.settle_s > 0 else np.zeros_like(t_s)
        return settling + self.lift(t_s), self.toe_lift(t_s) + np.minimum(settling, 0)

    def pose(self, body: Body, side: str, t_s: FloatArray) -> FootPose:
        """Foot at times (n,): turned about the ball, the tip of the toes or the heel."""
        pitch, toe_pitch = self.pitch(t_s)
        zero = np.zeros_like(pitch)
        heading = turn(zero[:1], zero[:1], self.yaw_rad)[0]
        foot, toes = turn(zero, pitch, self.yaw_rad), turn(zero, toe_pitch, self.yaw_rad)
        ball, ankle, heel, tip = (
            body.joints[side + j] for j in ("mtp", "ankle", "heel", "toe_tip")
        )
        tip_at = self.ball_m + heading @ (tip - ball)
        heel_at = self.ball_m + heading @ (heel - ball)
        toes_down = (pitch >= 0)[:, None]
        mtp = np.where(toes_down, tip_at - toes @ (tip - ball), heel_at + foot @ (ball - heel))
        mtp = mtp + self.slide(t_s)[:, None] * np.array([0.0, 1.0, 0.0])
        return FootPose(mtp + foot @ (ankle - ball), mtp, pitch, toe_pitch, self.yaw_rad)


@dataclass(frozen=True)
class Swing:
    """A foot in the air: hip-to-ankle vector, pitch of foot and toes as curves."""

    start_s: float
    end_s: float
    reach: tuple[Curve, Curve, Curve]
    shorten_m: float
    lift: Curve
    toe_lift: Curve
    yaw_rad: float

    def pose(self, body: Body, side: str, t_s: FloatArray, hip: FloatArray) -> FootPose:
        """Foot at times (n,), the leg never straighter than `STRAIGHTEST_KNEE_DEG`."""
        reach = np.stack([axis(t_s) for axis in self.reach], axis=1)
        s = np.clip((t_s - self.start_s) / (self.end_s - self.start_s), 0, 1)
        length = np.linalg.norm(reach, axis=1)
        wanted = length - self.shorten_m * 16 * s**2 * (1 - s) ** 2
        longest = leg_length(body, side, STRAIGHTEST_KNEE_DEG)
        over = (wanted - longest) / _STRAIGHT_SOFTNESS_M
        wanted = wanted - _STRAIGHT_SOFTNESS_M * np.logaddexp(0, over)
        ankle = hip + reach * (wanted / length)[:, None]
        pitch, toe_pitch = self.lift(t_s), self.toe_lift(t_s)
        foot = turn(np.zeros_like(pitch), pitch, self.yaw_rad)
        mtp = ankle + foot @ (body.joints[side + "mtp"] - body.joints[side + "ankle"])
        return FootPose(ankle, mtp, pitch, toe_pitch, self.yaw_rad)


@dataclass(frozen=True)
class HeldFoot:
    """A foot held up: thigh (forward of the vertical) and knee angles as keys, degrees."""

    start_s: float
    end_s: float
    thigh_deg: Keys
    knee_deg: Keys
    yaw_rad: float

    def pose(self, body: Body, side: str, t_s: FloatArray, hip: FloatArray) -> FootPose:
        """Foot at times (n,)."""
        thigh, knee = np.deg2rad(self.thigh_deg(t_s)), np.deg2rad(self.knee_deg(t_s))
        zero = np.zeros_like(thigh)
        thigh_m, shank_m = leg_bones(body, side)
        down_thigh = np.stack([np.sin(thigh), zero, -np.cos(thigh)], axis=1)
        down_shank = np.stack([np.sin(thigh - knee), zero, -np.cos(thigh - knee)], axis=1)
        ankle = hip + thigh_m * down_thigh + shank_m * down_shank
        pitch = knee - thigh + np.deg2rad(12)
        foot = turn(zero, pitch, self.yaw_rad)
        mtp = ankle + foot @ (body.joints[side + "mtp"] - body.joints[side + "ankle"])
        return FootPose(ankle, mtp, pitch, pitch, self.yaw_rad)


Footwork = Stance | Swing | HeldFoot


def leg_bones(body: Body, side: str) -> tuple[float, float]:
    """Thigh and shank length, metres."""
    return body.length_m(side + "hip", side + "knee"), body.length_m(side + "knee", side + "ankle")


def leg_length(body: Body, side: str, flexion_deg: float) -> float:
    """Hip-to-ankle distance at a knee flexion, by the law of cosines."""
    thigh_m, shank_m = leg_bones(body, side)
    bend = np.cos(np.deg2rad(flexion_deg))
    return float(np.sqrt(thigh_m**2 + shank_m**2 + 2 * thigh_m * shank_m * bend))


def bend_leg(
    body: Body,
    limb: Limb,
    hip: FloatArray,
    ankle: FloatArray,
    inward_rad: FloatArray,
    yaw_rad: float,
) -> tuple[FloatArray, FloatArray]:
    """Knee (n, 3) and hinge axis (n, 3, pointing left) of a leg between hip and ankle.

    ``inward_rad`` turns the leg's plane about the line from hip to ankle,
    positive = knee towards the other leg.

    Raises
    ------
    ValueError
        If a leg cannot reach.
    """
    thigh_m, shank_m = leg_bones(body, limb + "_")
    length = np.linalg.norm(ankle - hip, axis=1, keepdims=True)
    if (length >= thigh_m + shank_m).any():
        short_mm = 1000 * (length.max() - thigh_m - shank_m)
        message = f"the {limb} leg would have to stretch by {short_mm:.1f} mm"
        raise ValueError(message)
    up = (hip - ankle) / length
    ahead = np.array([np.cos(yaw_rad), np.sin(yaw_rad), 0.0])
    ahead = unit(ahead - (up @ ahead)[:, None] * up)
    inward = -SIGN[limb] * np.cross(up, ahead)
    knee_way = np.cos(inward_rad)[:, None] * ahead + np.sin(inward_rad)[:, None] * inward
    along = (thigh_m**2 - shank_m**2 + length**2) / (2 * length)
    out = np.sqrt(np.maximum(thigh_m**2 - along**2, 0))
    return hip - along * up + out * knee_way, np.asarray(np.cross(up, knee_way))


POSTURE = (
    "roll", "trunk_flexion", "trunk_lean", "head",
    *(f"{limb}_{part}" for limb in LIMBS for part in ("arm", "arm_out", "elbow", "inward")),
)  # fmt: skip
"""Names of the posture keys, all in degrees."""


class AnyMotion(Protocol):
    """What truth and drawing need of a motion: joints and segments of a body at any instant."""

    body: Body
    duration_s: float

    def mid_hip(self, t_s: FloatArray) -> FloatArray:
        """Mid-hip (n, 3), metres."""

    def segments(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Rotations (n, n_segments, 3, 3) and origins (n, n_segments, 3) of all segments."""

    def joints(self, t_s: FloatArray) -> dict[str, FloatArray]:
        """Joint name to position (n, 3), metres."""


@dataclass
class Motion:
    """One patient's whole motion. Built by `choreography.perform`.

    Attributes
    ----------
    body : skeleton and surfaces
    duration_s : length of the clip
    pelvis : curves of mid-hip x, y, z in metres
    posture : keys by the names in `POSTURE`; ``roll`` positive = left hip up,
        ``inward`` = turn of the leg's plane, positive = knee inward
    feet : what each foot does, in order of time
    """

    body: Body
    duration_s: float
    pelvis: tuple[Curve, Curve, Curve]
    posture: Mapping[str, Keys]
    feet: Mapping[Limb, Sequence[Footwork]]

    def mid_hip(self, t_s: FloatArray) -> FloatArray:
        """Mid-hip (n, 3), metres."""
        return np.stack([axis(t_s) for axis in self.pelvis], axis=1)

    def _angle(self, name: str, t_s: FloatArray) -> FloatArray:
        return np.deg2rad(self.posture[name](t_s))

    def hip(self, limb: Limb, t_s: FloatArray) -> FloatArray:
        """Hip joint centre (n, 3), metres."""
        roll = self._angle("roll", t_s)
        half_m = self.body.joints["left_hip"][1]
        way = np.stack([np.zeros_like(roll), np.cos(roll), np.sin(roll)], axis=1)
        return np.asarray(self.mid_hip(t_s) + SIGN[limb] * half_m * way)

    def foot(self, limb: Limb, t_s: FloatArray) -> FootPose:
        """Pose of one foot at times (n,)."""
        t_s = np.asarray(t_s, float)
        work = self.feet[limb]
        starts = np.array([w.start_s for w in work])
        index = np.clip(np.searchsorted(starts, t_s, side="right") - 1, 0, len(work) - 1)
        ankle, mtp = np.empty((len(t_s), 3)), np.empty((len(t_s), 3))
        pitch, toes = np.empty(len(t_s)), np.empty(len(t_s))
        for i in np.unique(index):
            at = index == i
            part = work[i]
            if isinstance(part, Stance):
                pose = part.pose(self.body, limb + "_", t_s[at])
            else:
                pose = part.pose(self.body, limb + "_", t_s[at], self.hip(limb, t_s[at]))
            ankle[at], mtp[at] = pose.ankle, pose.mtp
            pitch[at], toes[at] = pose.pitch_rad, pose.toe_pitch_rad
        return FootPose(ankle, mtp, pitch, toes, work[0].yaw_rad)

    def segments(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Rotations (n, n_segments, 3, 3) and origins (n, n_segments, 3) of all segments."""
        t_s = np.asarray(t_s, float)
        rotations: dict[str, FloatArray] = {}
        origins: dict[str, FloatArray] = {}
        self._place_trunk(t_s, rotations, origins)
        for limb in LIMBS:
            self._place_arm(limb, t_s, rotations, origins)
            self._place_leg(limb, t_s, rotations, origins)
        return stack_segments(rotations, origins)

    def _place_trunk(
        self, t_s: FloatArray, rotations: dict[str, FloatArray], origins: dict[str, FloatArray]
    ) -> None:
        flexion, lean = self._angle("trunk_flexion", t_s), self._angle("trunk_lean", t_s)
        roll, head = self._angle("roll", t_s), self._angle("head", t_s)
        rotations["pelvis"] = turn(roll, 0.4 * flexion)
        rotations["abdomen"] = turn(0.5 * roll - 0.5 * lean, 0.75 * flexion)
        rotations["chest"] = turn(-lean, flexion)
        rotations["neck"] = turn(-0.6 * lean, 0.55 * flexion + 0.5 * head)
        rotations["head"] = turn(-0.3 * lean, 0.25 * flexion + head)
        origins["pelvis"] = self.mid_hip(t_s)
        chain_trunk(self.body, rotations, origins)

    def _place_arm(
        self,
        limb: Limb,
        t_s: FloatArray,
        rotations: dict[str, FloatArray],
        origins: dict[str, FloatArray],
    ) -> None:
        body, side = self.body, limb + "_"
        chest, sign = rotations["chest"], SIGN[limb]
        swing, out, elbow = (self._angle(side + p, t_s) for p in ("arm", "arm_out", "elbow"))
        way = np.stack(
            [np.sin(swing) * np.cos(out), sign * np.sin(out), -np.cos(swing) * np.cos(out)], axis=1
        )
        turned_in = np.deg2rad(25.0)
        axis = np.stack(
            [np.full_like(swing, sign * np.sin(turned_in)), np.full_like(swing, np.cos(turned_in)),
             np.zeros_like(swing)], axis=1,
        )  # fmt: skip
        axis = unit(axis - (axis * way).sum(1, keepdims=True) * way)
        ahead = np.cross(axis, -way)
        fore = np.cos(elbow)[:, None] * way + np.sin(elbow)[:, None] * ahead
        way, axis, fore = ((chest @ v[..., None])[..., 0] for v in (way, axis, fore))
        rotations[side + "upper_arm"] = frame_from_up(-way, axis)
        rotations[side + "forearm"] = frame_from_up(-fore, axis)
        shoulder = body.joints[side + "shoulder"] - body.joints["thorax"]
        origins[side + "upper_arm"] = origins["chest"] + chest @ shoulder
        upper_m = body.length_m(side + "shoulder", side + "elbow")
        origins[side + "forearm"] = origins[side + "upper_arm"] + upper_m * way

    def _place_leg(
        self,
        limb: Limb,
        t_s: FloatArray,
        rotations: dict[str, FloatArray],
        origins: dict[str, FloatArray],
    ) -> None:
        side = limb + "_"
        hip, foot = self.hip(limb, t_s), self.foot(limb, t_s)
        inward = self._angle(side + "inward", t_s)
        knee, hinge = bend_leg(self.body, limb, hip, foot.ankle, inward, foot.yaw_rad)
        zero = np.zeros_like(inward)
        rotations[side + "thigh"] = frame_from_up(hip - knee, hinge)
        rotations[side + "foot"] = turn(zero, foot.pitch_rad, foot.yaw_rad)
        rotations[side + "toes"] = turn(zero, foot.toe_pitch_rad, foot.yaw_rad)
        half_twisted = hinge + rotations[side + "foot"][..., 1]
        rotations[side + "shank"] = frame_from_up(knee - foot.ankle, half_twisted)
        origins[side + "thigh"], origins[side + "shank"] = hip, knee
        origins[side + "foot"], origins[side + "toes"] = foot.ankle, foot.mtp

    def joints(self, t_s: FloatArray) -> dict[str, FloatArray]:
        """Joint name to position (n, 3), metres, at times (n,)."""
        return joints_of(self.body, *self.segments(t_s))


def chain_trunk(
    body: Body, rotations: dict[str, FloatArray], origins: dict[str, FloatArray]
) -> None:
    """Place the trunk's segments on each other from the pelvis up, by their rotations."""
    rest = body.joints
    for below, above in pairwise(("pelvis", "abdomen", "chest", "neck", "head")):
        step = rest[SEGMENT_ORIGIN[above]] - rest[SEGMENT_ORIGIN[below]]
        origins[above] = origins[below] + rotations[below] @ step


def stack_segments(
    rotations: dict[str, FloatArray], origins: dict[str, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Rotations (n, n_segments, 3, 3) and origins (n, n_segments, 3) in the order of SEGMENTS."""
    return (
        np.stack([rotations[s] for s in SEGMENTS], axis=1),
        np.stack([origins[s] for s in SEGMENTS], axis=1),
    )


def joints_of(body: Body, rotations: FloatArray, origins: FloatArray) -> dict[str, FloatArray]:
    """Joint name to position (n, 3) from the segments' poses, metres."""
    placed: dict[str, FloatArray] = {}
    for segment, joint in SEGMENT_ORIGIN.items():
        placed[joint] = origins[:, SEGMENTS.index(segment)]
    rest, rest_rotations = body.joints, body.rest_rotations()
    ends = {"head": ("left_eye", "right_eye")} | {
        side + part: (side + end,)
        for side in SIDES
        for part, end in (("forearm", "wrist"), ("foot", "heel"), ("toes", "toe_tip"))
    }
    for segment, names in ends.items():
        i = SEGMENTS.index(segment)
        for name in names:
            step = rest_rotations[i].T @ (rest[name] - rest[SEGMENT_ORIGIN[segment]])
            placed[name] = origins[:, i] + rotations[:, i] @ step
    return {name: placed[name] for name in JOINTS}
