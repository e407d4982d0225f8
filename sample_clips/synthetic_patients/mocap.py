"""Drive a body by recorded human motion (BVH files of an open motion-capture database).

Directions of trunk, arms and legs come from the recording, lengths from the
body. Hips and ankles keep the recorded path, scaled by leg length, so that free
fall and landings stay as recorded; knees follow by inverse kinematics in the
recorded plane of the leg. The floor is found from the recorded feet; a foot of
another shape than the recorded one may sink into it by some millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline

from synthetic_patients.body import Body, FloatArray, frame_from_up, unit
from synthetic_patients.choreography import Landing, Performance
from synthetic_patients.motion import chain_trunk, joints_of, leg_bones, stack_segments
from synthetic_patients.script import LIMBS, Leap, Limb, LimbPlan

_NAME: dict[Limb, str] = {"left": "Left", "right": "Right"}
STANDING_S = 0.5
"""Quiet standing at a recording's beginning, where floor and level feet are read."""
DOWN_M, UP_M = 0.030, 0.045
"""A sole is down below the one height, until it is above the other."""
TOUCH_M = 0.010
"""A contact begins and ends where the sole is this far above its place at rest."""
EDGE_S = 0.05
"""Left out at both ends of a flight when gravity is fitted."""
INITIAL_CONTACT_UNCERTAINTY_S, TOE_OFF_UNCERTAINTY_S = 0.010, 0.025
"""Standard uncertainty of contacts read from recorded heights; a toe leaves slowly. A choice."""
_AXIS = {"X": 0, "Y": 1, "Z": 2}


@dataclass(frozen=True)
class Recording:
    """Joint positions of a recording.

    Attributes
    ----------
    rate_hz : true sampling rate
    joints : joint name of the file to positions (n, 3) in the file's unit; axes
        turned to x forward, y left, z up as far as the first frame tells
    """

    rate_hz: float
    joints: dict[str, FloatArray]


def _rotation(axis: str, angle_deg: FloatArray) -> FloatArray:
    """Rotations (n, 3, 3) about one axis of the file."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    out = np.tile(np.eye(3), (len(angle_deg), 1, 1))
    i, j = [(1, 2), (2, 0), (0, 1)][_AXIS[axis]]
    out[:, i, i] = out[:, j, j] = c
    out[:, i, j], out[:, j, i] = -s, s
    return out


def read_bvh(path: Path, rate_hz: float, first: int = 1, last: int | None = None) -> Recording:
    """Read frames ``first`` to ``last`` of a BVH file and turn them to our axes.

    ``rate_hz`` is given, not read: intermediate sources misstate it. Frame 0 is
    a rest pose, hence ``first`` = 1.

    Raises
    ------
    ValueError
        If the file's motion does not fit its joints.
    """
    tree, motion = path.read_text(encoding="utf-8").split("MOTION")
    words = iter(tree.split())
    names: list[str] = []
    parents: list[int] = []
    offsets: list[list[float]] = []
    channels: list[list[str]] = []
    open_joints: list[int] = []
    for word in words:
        if word in ("ROOT", "JOINT", "End"):
            label = next(words)
            parent = open_joints[-1] if open_joints else -1
            names.append(names[parent] + "End" if word == "End" else label)
            parents.append(parent)
            channels.append([])
        elif word == "{":
            open_joints.append(len(names) - 1)
        elif word == "}":
            open_joints.pop()
        elif word == "OFFSET":
            offsets.append([float(next(words)) for _ in range(3)])
        elif word == "CHANNELS":
            channels[-1] = [next(words) for _ in range(int(next(words)))]
    rows = np.array([line.split() for line in motion.strip().splitlines()[2:]], float)[first:last]
    if rows.shape[1] != sum(len(c) for c in channels):
        raise ValueError(
            f"{path.name} holds {rows.shape[1]} channels; its joints need another number"
        )
    columns = iter(rows.T)
    places: list[FloatArray] = []
    turns: list[FloatArray] = []
    for parent, offset, names_of_channels in zip(parents, offsets, channels, strict=True):
        place = np.tile(np.array(offset), (len(rows), 1))
        turn = np.tile(np.eye(3), (len(rows), 1, 1))
        for channel in names_of_channels:
            values = next(columns)
            if channel.endswith("position"):
                place[:, _AXIS[channel[0]]] = values
            else:
                turn = turn @ _rotation(channel[0], values)
        if parent >= 0:
            place = places[parent] + (turns[parent] @ place[..., None])[..., 0]
            turn = turns[parent] @ turn
        places.append(place)
        turns.append(turn)
    return Recording(rate_hz, _upright(dict(zip(names, places, strict=True))))


def _upright(joints: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """File axes (y up) to ours, the patient facing +x on average of the hips' line."""
    across = (joints["LeftUpLeg"] - joints["RightUpLeg"]).mean(axis=0)
    left = unit(np.array([across[0], 0.0, across[2]]))
    up = np.array([0.0, 1.0, 0.0])
    axes = np.stack([np.cross(left, up), left, up])
    middle = joints["Hips"].mean(axis=0) * np.array([1.0, 0.0, 1.0])
    return {name: (place - middle) @ axes.T for name, place in joints.items()}


class RecordedMotion:
    """A recorded motion put on one of our bodies; offers what `motion.Motion` offers.

    Attributes
    ----------
    body : skeleton and surfaces
    duration_s : length of the recording
    """

    def __init__(self, body: Body, recording: Recording) -> None:
        self.body = body
        joints = recording.joints
        legs_m = np.mean([sum(leg_bones(body, limb + "_")) for limb in LIMBS])
        scale = legs_m / np.mean([_recorded_leg(joints, limb) for limb in LIMBS])
        t_s = np.arange(len(joints["Hips"])) / recording.rate_hz
        self.duration_s = float(t_s[-1])
        placed = {name: scale * place for name, place in joints.items()}
        middle = (placed["LeftUpLeg"] + placed["RightUpLeg"]) / 2
        self._paths = {name: CubicSpline(t_s, place) for name, place in placed.items()}
        self._middle = CubicSpline(t_s, middle)
        self._standing_s = t_s[t_s < STANDING_S]
        self._lift_m = dict.fromkeys(LIMBS, 0.0)
        for limb, heights in self.sole_heights(self._standing_s).items():
            self._lift_m[limb] -= float(np.median(np.mean(heights, axis=0)))

    def mid_hip(self, t_s: FloatArray) -> FloatArray:
        """Mid-hip (n, 3), metres."""
        lift_m = np.mean(list(self._lift_m.values()))
        return np.asarray(self._middle(t_s) + np.array([0.0, 0.0, lift_m]))

    def _at(self, name: str, t_s: FloatArray) -> FloatArray:
        return np.asarray(self._paths[name](t_s))

    def _pitch(self, start: str, end: str, t_s: FloatArray) -> FloatArray:
        """Pitch (n,) of a recorded bone, rad, from its place in standing, end down positive."""

        def against_floor(at_s: FloatArray) -> FloatArray:
            way = self._at(end, at_s) - self._at(start, at_s)
            return np.asarray(np.arctan2(-way[:, 2], np.hypot(way[:, 0], way[:, 1])))

        return np.asarray(against_floor(t_s) - np.median(against_floor(self._standing_s)))

    def _foot_turns(self, limb: Limb, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Rotations of foot and toes, (n, 3, 3) each."""
        name = _NAME[limb]
        foot = self._at(name + "ToeBase", t_s) - self._at(name + "Foot", t_s)
        yaw, pitch = np.arctan2(foot[:, 1], foot[:, 0]), self.foot_pitch(limb, t_s)
        toe_pitch = self._pitch(name + "ToeBase", name + "ToeBaseEnd", t_s)
        toe_pitch = np.clip(toe_pitch, pitch - np.deg2rad(45), pitch + np.deg2rad(10))
        return _yaw_pitch(yaw, pitch), _yaw_pitch(yaw, toe_pitch)

    def foot_pitch(self, limb: Limb, t_s: FloatArray) -> FloatArray:
        """Pitch (n,) of a foot against the floor, rad, toes down positive."""
        return self._pitch(_NAME[limb] + "Foot", _NAME[limb] + "ToeBase", t_s)

    def segments(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Rotations (n, n_segments, 3, 3) and origins (n, n_segments, 3) of all segments."""
        t_s = np.clip(np.asarray(t_s, float), 0, self.duration_s)
        rotations: dict[str, FloatArray] = {}
        origins: dict[str, FloatArray] = {}
        across = self._at("LeftUpLeg", t_s) - self._at("RightUpLeg", t_s)
        shoulders = self._at("LeftArm", t_s) - self._at("RightArm", t_s)
        low, high = self._at("Spine", t_s) - self._at("Hips", t_s), self._at("Neck1", t_s)
        chest = high - self._at("Spine", t_s)
        rotations["pelvis"] = _frame_from_left(across, low)
        rotations["abdomen"] = frame_from_up(low + chest, across + shoulders)
        rotations["chest"] = frame_from_up(chest, shoulders)
        head = self._at("HeadEnd", t_s) - high
        rotations["neck"] = frame_from_up(unit(chest) + unit(head), shoulders)
        rotations["head"] = frame_from_up(head, shoulders)
        origins["pelvis"] = self.mid_hip(t_s)
        chain_trunk(self.body, rotations, origins)
        for limb in LIMBS:
            self._place_arm(limb, t_s, rotations, origins)
            self._place_leg(limb, t_s, rotations, origins)
        return stack_segments(rotations, origins)

    def _place_arm(
        self,
        limb: Limb,
        t_s: FloatArray,
        rotations: dict[str, FloatArray],
        origins: dict[str, FloatArray],
    ) -> None:
        side, name, chest = limb + "_", _NAME[limb], rotations["chest"]
        shoulder, elbow, hand = (self._at(name + j, t_s) for j in ("Arm", "ForeArm", "Hand"))
        upper, fore = unit(elbow - shoulder), unit(hand - elbow)
        axis = np.cross(fore, upper) + 0.15 * chest[..., 1]
        rotations[side + "upper_arm"] = frame_from_up(-upper, axis)
        rotations[side + "forearm"] = frame_from_up(-fore, axis)
        joints = self.body.joints
        step = joints[side + "shoulder"] - joints["thorax"]
        origins[side + "upper_arm"] = origins["chest"] + chest @ step
        length_m = self.body.length_m(side + "shoulder", side + "elbow")
        origins[side + "forearm"] = origins[side + "upper_arm"] + length_m * upper

    def _place_leg(
        self,
        limb: Limb,
        t_s: FloatArray,
        rotations: dict[str, FloatArray],
        origins: dict[str, FloatArray],
    ) -> None:
        side, name = limb + "_", _NAME[limb]
        up_m = np.array([0.0, 0.0, self._lift_m[limb]])
        half_m = self.body.joints[side + "hip"][1]
        hip = origins["pelvis"] + half_m * rotations["pelvis"][..., 1]
        recorded_hip, recorded_knee, ankle = (
            self._at(name + j, t_s) + up_m for j in ("UpLeg", "Leg", "Foot")
        )
        ankle = ankle + (hip - recorded_hip) * np.array([1.0, 1.0, 0.0])
        thigh_m, shank_m = leg_bones(self.body, side)
        reach = ankle - hip
        length = np.linalg.norm(reach, axis=1, keepdims=True)
        longest = 0.999 * (thigh_m + shank_m)
        ankle = hip + reach * np.minimum(1.0, longest / length)
        length = np.minimum(length, longest)
        up = unit(hip - ankle)
        out = recorded_knee - (recorded_hip + self._at(name + "Foot", t_s) + up_m) / 2
        foot, toes = self._foot_turns(limb, t_s)
        out = unit(out - (out * up).sum(1, keepdims=True) * up)
        along = (thigh_m**2 - shank_m**2 + length**2) / (2 * length)
        knee = hip - along * up + np.sqrt(np.maximum(thigh_m**2 - along**2, 0)) * out
        hinge = np.cross(up, out)
        rotations[side + "thigh"] = frame_from_up(hip - knee, hinge)
        rotations[side + "shank"] = frame_from_up(knee - ankle, hinge + foot[..., 1])
        rotations[side + "foot"], rotations[side + "toes"] = foot, toes
        origins[side + "thigh"], origins[side + "shank"] = hip, knee
        origins[side + "foot"] = ankle
        step = self.body.joints[side + "mtp"] - self.body.joints[side + "ankle"]
        origins[side + "toes"] = ankle + foot @ step

    def joints(self, t_s: FloatArray) -> dict[str, FloatArray]:
        """Joint name to position (n, 3), metres, at times (n,)."""
        return joints_of(self.body, *self.segments(t_s))

    def sole_heights(self, t_s: FloatArray) -> dict[Limb, tuple[FloatArray, FloatArray]]:
        """Heights (n,) of the toe's tip and of the heel above the floor, metres, per limb."""
        joints = self.joints(t_s)
        return {
            limb: (joints[f"{limb}_toe_tip"][:, 2], joints[f"{limb}_heel"][:, 2]) for limb in LIMBS
        }


def _frame_from_left(left: FloatArray, up: FloatArray) -> FloatArray:
    """Rotation (n, 3, 3) whose left axis is ``left`` and whose up axis is nearest ``up``."""
    left = unit(left)
    up = unit(up - (up * left).sum(1, keepdims=True) * left)
    return np.stack([np.cross(left, up), left, up], axis=2)


def _intervals(height_m: FloatArray) -> list[tuple[int, int]]:
    """Sample ranges in which a sole is down, with hysteresis."""
    found: list[tuple[int, int]] = []
    start: int | None = None
    for i, height in enumerate(height_m):
        if start is None and height < DOWN_M:
            start = i
        elif start is not None and height > UP_M:
            found.append((start, i))
            start = None
    return found if start is None else [*found, (start, len(height_m))]


def _crossing(t_s: FloatArray, height_m: FloatArray, level_m: float, *, last: bool) -> float:
    """First fall below a level, or last rise above it, interpolated between samples."""
    below = np.flatnonzero(height_m < level_m)
    i, j = (below[-1], below[-1] + 1) if last else (below[0], below[0] - 1)
    if not 0 <= j < len(t_s):
        return float(t_s[i])
    return float(np.interp(level_m, [height_m[i], height_m[j]], [t_s[i], t_s[j]]))


def _touch_s(t_s: FloatArray, height_m: FloatArray, start: int, end: int) -> tuple[float, float]:
    """Find when one contact begins and ends."""
    rest_s = 0.06
    early = height_m[(t_s >= t_s[start]) & (t_s < t_s[start] + rest_s)].min()
    late = height_m[(t_s > t_s[end - 1] - rest_s) & (t_s <= t_s[end - 1])].min()
    wide = slice(max(start - 5, 0), min(end + 5, len(t_s)))
    return (
        _crossing(t_s[wide], height_m[wide], early + TOUCH_M, last=False),
        _crossing(t_s[wide], height_m[wide], late + TOUCH_M, last=True),
    )


def perform_recording(body: Body, recording: Recording) -> Performance:
    """Put a recording on a body and read its landings from the heights of toes and heels."""
    motion = RecordedMotion(body, recording)
    t_s = np.arange(int(motion.duration_s * 480)) / 480
    downs: list[tuple[float, float, Limb, float, float]] = []
    for limb, (toe, heel) in motion.sole_heights(t_s).items():
        lowest = np.minimum(toe, heel)
        for start, end in _intervals(lowest):
            on_s, off_s = _touch_s(t_s, lowest, start, end)
            pitch = float(np.rad2deg(np.interp(on_s, t_s, motion.foot_pitch(limb, t_s))))
            later = heel if toe[start] < heel[start] else toe
            under = (t_s >= on_s) & (t_s < off_s)
            settled = t_s[under][later[under] < later[under].min() + TOUCH_M]
            downs.append((on_s, off_s, limb, pitch, float(settled[0]) - on_s))
    return _with_leaps(motion, t_s, sorted(downs))


def apparent_gravity_m_s2(performance: Performance) -> float:
    """Fit the fall of mid-hip in two-leg flights; median.

    A recording scaled to a body of another size falls with another g: near 9.81
    only if the body's legs are about as long as the recorded person's.
    """
    falls = []
    for number, leap in enumerate(performance.leaps, start=1):
        if len(leap.limbs) == 2:
            off_s = next(x.take_off_s for x in performance.landings if x.leap == number)
            t_s = np.linspace(off_s + EDGE_S, off_s + leap.flight_s - EDGE_S, 30)
            height_m = performance.motion.mid_hip(t_s)[:, 2]
            falls.append(-2 * np.polyfit(t_s - t_s.mean(), height_m, 2)[0])
    return float(np.median(falls))


def _with_leaps(
    motion: RecordedMotion, t_s: FloatArray, downs: list[tuple[float, float, Limb, float, float]]
) -> Performance:
    """Group contacts into leaps: a leap begins where no foot is down."""
    landings: list[Landing] = []
    leaps: list[Leap] = []
    groups: list[list[tuple[float, float, Limb, float, float]]] = []
    for down in downs:
        if groups and down[0] < max(d[1] for d in groups[-1]):
            groups[-1].append(down)
        else:
            groups.append([down])
    end_s = float(t_s[-1])
    for before, group in pairwise(groups):
        take_off_s, on_s = max(d[1] for d in before), group[0][0]
        off_s = max(d[1] for d in group)
        inside = t_s[(t_s >= on_s) & (t_s <= off_s)]
        lowest_s = float(inside[np.argmin(motion.mid_hip(inside)[:, 2])])
        leaps.append(
            Leap(on_s - take_off_s, off_s - on_s, {limb: LimbPlan() for _, _, limb, _, _ in group})
        )
        landings += [
            Landing(len(leaps), limb, on, off if off < end_s - 0.01 else None, pitch, settle,
                    lowest_s, take_off_s)
            for on, off, limb, pitch, settle in group
        ]  # fmt: skip
    return Performance(motion, tuple(landings), tuple(leaps))


def _recorded_leg(joints: dict[str, FloatArray], limb: Limb) -> float:
    """Thigh plus shank of the recorded skeleton, in the file's unit."""
    hip, knee, ankle = (joints[_NAME[limb] + j] for j in ("UpLeg", "Leg", "Foot"))
    return float(
        np.median(np.linalg.norm(knee - hip, axis=1) + np.linalg.norm(ankle - knee, axis=1))
    )


def _yaw_pitch(yaw: FloatArray, pitch: FloatArray) -> FloatArray:
    """Rotations (n, 3, 3): pitch with the toes down positive, then yaw to the left."""
    ahead = np.stack(
        [np.cos(yaw) * np.cos(pitch), np.sin(yaw) * np.cos(pitch), -np.sin(pitch)], axis=1
    )
    left = np.stack([-np.sin(yaw), np.cos(yaw), np.zeros_like(yaw)], axis=1)
    return np.stack([ahead, left, np.cross(ahead, left)], axis=2)
