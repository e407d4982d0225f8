"""Things that stand in the room or move with the patient: a sled, a box, a slide board."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from synthetic_patients.body import FloatArray
from synthetic_patients.lying import Lying
from synthetic_patients.motion import AnyMotion
from synthetic_patients.script import Place

_SIDES = np.array(list(product((-1.0, 1.0), repeat=3)))
BACK_M = 0.125
"""From the hips to the surface that a body lies on."""
BOX_FRONT_M = 0.24
"""A box ends that far ahead of the ankles that stand on it."""
_WOOD, _GREY, _STEEL, _PAD = (
    (0.62, 0.50, 0.36), (0.30, 0.33, 0.37), (0.56, 0.58, 0.60), (0.13, 0.14, 0.16)
)  # fmt: skip


@dataclass(frozen=True)
class Slab:
    """A block of one colour.

    Attributes
    ----------
    centre_m, half_m : (3,) middle and half sizes
    colour : RGB 0..1
    lying : in whose axes the block stands, those of the room without
    carried : moves with the hips
    """

    centre_m: FloatArray
    half_m: FloatArray
    colour: tuple[float, float, float]
    lying: Lying | None = None
    carried: bool = False

    def mesh(self, t_s: float) -> tuple[FloatArray, FloatArray]:
        """Give the corners and outward normals of its 12 triangles, (36, 3) each."""
        corners, normals = [], []
        for axis, sign in product(range(3), (-1.0, 1.0)):
            face = _SIDES[_SIDES[:, axis] == sign]
            corners.append(face[[0, 1, 2, 2, 1, 3]])
            normals.append(np.tile(sign * np.eye(3)[axis], (6, 1)))
        points = self.centre_m + self.half_m * np.concatenate(corners)
        outward = np.concatenate(normals)
        if self.lying is None:
            return points, outward
        if self.carried:
            base = self.lying.base
            points = points + (base.mid_hip(np.array([t_s])) - base.mid_hip(np.zeros(1)))[0]
        return self.lying.to_room(points), outward @ self.lying.turned.T


def furniture(place: Place, motion: AnyMotion) -> tuple[Slab, ...]:
    """Return what stands at a place."""
    things: tuple[Slab, ...] = ()
    if isinstance(motion, Lying):
        things += sled_of(motion)
    if place.box_m:
        things += (box_under(BOX_FRONT_M, place.box_m),)
    if place.board_m:
        things += slide_board(place.board_m / 2)
    return things


def sled_of(lying: Lying) -> tuple[Slab, ...]:
    """Plate, rails, carriage with shoulder pads, and feet of a sled, about a body that rests."""
    joints = lying.base.joints(np.zeros(1))
    hip, shoulder, ankle = (joints[name][0] for name in ("mid_hip", "left_shoulder", "left_ankle"))
    back_m, head_m = hip[0] - BACK_M, joints["head"][0][2]

    def block(
        centre: tuple[float, float, float], half: tuple[float, float, float],
        colour: tuple[float, float, float], *, carried: bool = False,
    ) -> Slab:  # fmt: skip
        return Slab(np.array(centre), np.array(half), colour, lying, carried)

    bed_from_m, bed_to_m = hip[2] - 0.12, head_m + 0.14
    middle_m, half_m = 0.5 * (bed_from_m + bed_to_m), 0.5 * (bed_to_m - bed_from_m)
    plate_half_m = 0.5 * (ankle[0] + 0.34 - back_m)
    parts = [
        block((back_m - 0.04, 0, middle_m), (0.04, 0.27, half_m), _PAD, carried=True),
        block((back_m + plate_half_m, 0, -0.025), (plate_half_m, 0.36, 0.025), _WOOD),
    ]
    for sign in (-1.0, 1.0):
        pad_z_m = shoulder[2] + 0.09
        parts += [
            block((back_m + 0.09, sign * 0.13, pad_z_m), (0.09, 0.05, 0.03), _PAD, carried=True),
            block((back_m - 0.11, sign * 0.22, 0.95), (0.03, 0.03, 1.0), _STEEL),
        ]
    ends = [lying.to_room(np.array([back_m - 0.14, 0, z_m])) for z_m in (0.05, 1.75)]
    parts += [
        Slab(np.array([x, sign * 0.22, z / 2]), np.array([0.03, 0.03, z / 2]), _STEEL)
        for x, _, z in ends for sign in (-1.0, 1.0)
    ]  # fmt: skip
    return tuple(parts)


def box_under(front_m: float, height_m: float) -> Slab:
    """Return a box whose front edge is that far ahead of the origin."""
    centre, half = (front_m - 0.22, 0, height_m / 2), (0.22, 0.30, height_m / 2)
    return Slab(np.array(centre), np.array(half), _WOOD)


def slide_board(half_width_m: float) -> tuple[Slab, ...]:
    """Return a board along the patient's left and right, with a bumper at each end."""
    board = Slab(np.array([0.05, 0, -0.006]), np.array([0.30, half_width_m, 0.006]), _GREY)
    bumpers = (
        Slab(np.array([0.05, sign * (half_width_m + 0.04), 0.03]), np.array([0.30, 0.04, 0.03]),
             _WOOD)
        for sign in (-1.0, 1.0)
    )  # fmt: skip
    return (board, *bumpers)
