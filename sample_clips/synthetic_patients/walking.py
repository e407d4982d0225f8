"""A body moved about the room: walking with swinging legs, turning on the spot.

A plain gait, made for bystanders and for a patient who walks into the picture; nobody
measures it. The feet slide a little where a walk begins and ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.interpolate import PchipInterpolator

from synthetic_patients.body import Body, FloatArray
from synthetic_patients.choreography import Performance
from synthetic_patients.motion import SIGN, FootPose, Keys, Motion, joints_of, turn
from synthetic_patients.script import Limb

STEP_M = 0.5
LIFT_M = 0.08
DROP_M = 0.05
"""The pelvis is lower by this in a walk, so that the legs reach."""
ARM_DEG = 22.0
FULL_STEPS_M_S = 0.6
"""A walk slower than this takes shorter steps."""
_GRID_S = 0.01


@dataclass(frozen=True)
class Path:
    """Where a body is and how it is turned: knots of (t_s, forward_m, left_m, turn_deg).

    ``turn_deg`` is counter-clockwise seen from above, 0 = facing along +x.
    """

    knots: Sequence[tuple[float, float, float, float]] = ((0.0, 0.0, 0.0, 0.0),)

    def __call__(self, t_s: FloatArray) -> FloatArray:
        """Place and turn (n, 3) at times (n,)."""
        table = np.array(self.knots)
        if len(table) == 1:
            return np.repeat(table[:, 1:], len(t_s), axis=0)
        inside = np.clip(t_s, table[0, 0], table[-1, 0])
        return np.asarray(PchipInterpolator(table[:, 0], table[:, 1:])(inside))

    def walked(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Way walked in metres and speed in m/s, both (n,), at times (n,)."""
        end_s = max(float(np.max(t_s)), self.knots[-1][0]) + 2 * _GRID_S
        grid = np.arange(min(float(np.min(t_s)), self.knots[0][0]) - _GRID_S, end_s, _GRID_S)
        steps = np.linalg.norm(np.diff(self(grid)[:, :2], axis=0), axis=1)
        way = np.concatenate([[0.0], np.cumsum(steps)])
        speed = np.gradient(way, _GRID_S)
        return np.interp(t_s, grid, way), np.interp(t_s, grid, speed)


class OnTheSpot(Motion):
    """A motion that starts at ``start_s``, with the steps of a walk as if on a treadmill."""

    def __init__(self, base: Motion, path: Path, start_s: float, duration_s: float) -> None:
        super().__init__(base.body, duration_s, base.pelvis, base.posture, base.feet)
        self._base, self._path, self._start_s = base, path, start_s

    def _own_s(self, t_s: FloatArray) -> FloatArray:
        return np.clip(np.asarray(t_s, float) - self._start_s, 0.0, self._base.duration_s)

    def _stepping(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Phase of the left leg in periods and share of a full step."""
        way, speed = self._path.walked(t_s)
        return way / (2 * STEP_M), np.clip(speed / FULL_STEPS_M_S, 0.0, 1.0)

    def mid_hip(self, t_s: FloatArray) -> FloatArray:
        """Mid-hip (n, 3), metres, lower in a walk."""
        _, share = self._stepping(np.asarray(t_s, float))
        down = np.array([0.0, 0.0, DROP_M])
        return np.asarray(self._base.mid_hip(self._own_s(t_s)) - share[:, None] * down)

    def _angle(self, name: str, t_s: FloatArray) -> FloatArray:
        angle = self._base._angle(name, self._own_s(t_s))
        limb, _, part = name.partition("_")
        if part != "arm":
            return angle
        phase, share = self._stepping(t_s)
        sign = -1.0 if limb == "left" else 1.0
        return angle + sign * share * np.deg2rad(ARM_DEG) * np.cos(2 * np.pi * phase)

    def foot(self, limb: Limb, t_s: FloatArray) -> FootPose:
        """Pose of one foot at times (n,), moved by the steps."""
        pose = self._base.foot(limb, self._own_s(t_s))
        phase, share = self._stepping(np.asarray(t_s, float))
        u = (phase + (0.0 if SIGN[limb] > 0 else 0.5)) % 1.0
        v = np.clip(2 * u - 1, 0.0, 1.0)
        ahead = np.where(u < 0.5, 0.5 - 2 * u, -0.5 * np.cos(np.pi * v))
        up = LIFT_M * np.sin(np.pi * v)
        step = share[:, None] * np.stack([STEP_M * ahead, np.zeros_like(up), up], axis=1)
        return replace(pose, ankle=pose.ankle + step, mtp=pose.mtp + step)


@dataclass(frozen=True)
class Walker:
    """A body that goes along a path and performs its motion on the way.

    Attributes
    ----------
    base : what it does at the place where it stands, on a clock that starts at ``start_s``
    """

    base: Motion
    path: Path
    start_s: float
    duration_s: float

    @property
    def body(self) -> Body:
        """Skeleton and surfaces."""
        return self.base.body

    @cached_property
    def on_the_spot(self) -> OnTheSpot:
        """The same motion in the body's own axes, without place and turn."""
        return OnTheSpot(self.base, self.path, self.start_s, self.duration_s)

    def _moved(self, points: FloatArray, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Points (n, k, 3) in the room, and the turn (n, 3, 3)."""
        place = self.path(np.asarray(t_s, float))
        zero = np.zeros(len(place))
        turned = turn(zero, zero, np.deg2rad(place[:, 2]))
        shift = np.concatenate([place[:, :2], zero[:, None]], axis=1)
        return np.einsum("nij,nkj->nki", turned, points) + shift[:, None], turned

    def mid_hip(self, t_s: FloatArray) -> FloatArray:
        """Mid-hip (n, 3), metres."""
        return self._moved(self.on_the_spot.mid_hip(t_s)[:, None], t_s)[0][:, 0]

    def segments(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Rotations (n, n_segments, 3, 3) and origins (n, n_segments, 3) of all segments."""
        rotations, origins = self.on_the_spot.segments(t_s)
        placed, turned = self._moved(origins, t_s)
        return np.einsum("nij,nsjk->nsik", turned, rotations), placed

    def joints(self, t_s: FloatArray) -> dict[str, FloatArray]:
        """Joint name to position (n, 3), metres, at times (n,)."""
        return joints_of(self.body, *self.segments(t_s))


def later(performance: Performance, start_s: float, motion: Motion) -> Performance:
    """Move a performance's landings to a clock on which it begins at ``start_s``."""
    landings = tuple(
        replace(
            landing,
            initial_contact_s=landing.initial_contact_s + start_s,
            toe_off_s=None if landing.toe_off_s is None else landing.toe_off_s + start_s,
            lowest_s=landing.lowest_s + start_s,
            take_off_s=landing.take_off_s + start_s,
        )
        for landing in performance.landings
    )
    return Performance(motion, landings, performance.leaps)


def reaching(
    motion: Motion, limb: Limb, arm_deg: float, out_deg: float, elbow_deg: float
) -> Motion:
    """Hold one arm of a motion still, raised forwards and outwards."""
    posture = dict(motion.posture)
    for part, angle in (("arm", arm_deg), ("arm_out", out_deg), ("elbow", elbow_deg)):
        keys = Keys()
        keys.set(0.0, angle)
        posture[f"{limb}_{part}"] = keys
    return replace(motion, posture=posture)
