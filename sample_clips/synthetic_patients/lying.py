"""A body laid on a sled: the same motion with its vertical along the rails."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_patients.body import Body, FloatArray
from synthetic_patients.motion import AnyMotion, joints_of, turn
from synthetic_patients.script import Sled


@dataclass(frozen=True)
class Lying:
    """A motion laid on its back, the feet towards +x, face up.

    Attributes
    ----------
    base : upright motion of a sled; its floor is the plate
    """

    base: AnyMotion
    sled: Sled
    duration_s: float

    @property
    def body(self) -> Body:
        """Skeleton and surfaces."""
        return self.base.body

    @property
    def turned(self) -> FloatArray:
        """Rotation (3, 3) from the motion's axes to those of the room."""
        zero = np.zeros(1)
        return np.asarray(turn(zero, zero + np.deg2rad(self.sled.incline_deg - 90.0))[0])

    @property
    def shift_m(self) -> FloatArray:
        """Where the origin of the motion's axes lies in the room."""
        rest = self.base.mid_hip(np.zeros(1))[0]
        middle = np.array([0.0, 0.0, self.sled.height_m])
        return np.asarray(middle - self.turned @ rest)

    def to_room(self, points_m: FloatArray) -> FloatArray:
        """Points (..., 3) of the motion's axes in the room."""
        return np.asarray(points_m @ self.turned.T + self.shift_m)

    def mid_hip(self, t_s: FloatArray) -> FloatArray:
        """Mid-hip (n, 3), metres."""
        return self.to_room(self.base.mid_hip(t_s))

    def segments(self, t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Rotations (n, n_segments, 3, 3) and origins (n, n_segments, 3) of all segments."""
        rotations, origins = self.base.segments(t_s)
        return self.turned @ rotations, self.to_room(origins)

    def joints(self, t_s: FloatArray) -> dict[str, FloatArray]:
        """Joint name to position (n, 3), metres, at times (n,)."""
        return joints_of(self.body, *self.segments(t_s))
