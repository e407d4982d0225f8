"""One patient's body: a skeleton of rigid segments and the surfaces that follow it.

Axes everywhere in this package: x forward, y to the patient's left, z up,
metres, floor at z = 0. A segment's pose is a rotation whose columns are its
forward, left and up axes (up = from the distal towards the proximal joint) and
the position of its proximal joint.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

SIDES = ("left_", "right_")
SEGMENTS: tuple[str, ...] = (
    "pelvis", "abdomen", "chest", "neck", "head",
    *(side + part for side in SIDES
      for part in ("upper_arm", "forearm", "thigh", "shank", "foot", "toes")),
)  # fmt: skip
JOINTS: tuple[str, ...] = (
    "mid_hip", "waist", "thorax", "neck", "head",
    *(side + joint for side in SIDES
      for joint in ("shoulder", "elbow", "wrist", "eye", "hip", "knee", "ankle", "mtp",
                    "toe_tip", "heel")),
)  # fmt: skip
SEGMENT_ORIGIN: dict[str, str] = {
    "pelvis": "mid_hip", "abdomen": "waist", "chest": "thorax", "neck": "neck", "head": "head",
    **{side + part: side + joint for side in SIDES for part, joint in (
        ("upper_arm", "shoulder"), ("forearm", "elbow"), ("thigh", "hip"), ("shank", "knee"),
        ("foot", "ankle"), ("toes", "mtp"))},
}  # fmt: skip
"""The joint each segment turns about."""


def unit(vectors: FloatArray) -> FloatArray:
    """Vectors (..., 3) scaled to length 1."""
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def frame_from_up(up: FloatArray, left: FloatArray) -> FloatArray:
    """Rotation (..., 3, 3) whose up axis is ``up`` and whose left axis is nearest ``left``."""
    up = unit(up)
    left = unit(left - (left * up).sum(-1, keepdims=True) * up)
    return np.stack([np.cross(left, up), left, up], axis=-1)


@dataclass(frozen=True)
class Body:
    """Rest-pose surfaces and skeleton of one patient.

    Attributes
    ----------
    points : (n, 3) rest positions in metres
    triangles : (m, 3) indices into ``points``
    weights : (n, n_segments) share of each segment in each point, rows sum to 1
    fields : (n, 3) signed distance in metres to the edge of shirt, shorts, hair
        (positive inside); for shoes the height above the sole
    materials : (n,) 0 skin, 1 shirt, 2 shorts or trousers, 3 hair, 4 shoe
    joints : joint name to rest position (3,)
    stature_m : barefoot stature
    trailing : (n,) share of an earlier posture in each point of loose cloth, None without
    """

    name: str
    points: FloatArray
    triangles: NDArray[np.int64]
    weights: FloatArray
    fields: FloatArray
    materials: NDArray[np.uint8]
    joints: dict[str, FloatArray]
    stature_m: float
    trailing: FloatArray | None = None

    def length_m(self, start: str, end: str) -> float:
        """Distance between two joints in the rest pose."""
        return float(np.linalg.norm(self.joints[end] - self.joints[start]))

    def rest_rotations(self) -> FloatArray:
        """Rotation of every segment in the rest pose, (n_segments, 3, 3)."""
        rotations = np.tile(np.eye(3), (len(SEGMENTS), 1, 1))
        left = np.array([0.0, 1.0, 0.0])
        for side in SIDES:
            shoulder, elbow, wrist, hip, knee, ankle = (
                self.joints[side + j]
                for j in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")
            )
            elbow_axis = np.cross(wrist - elbow, elbow - shoulder)
            for part, up, axis in (
                ("upper_arm", shoulder - elbow, elbow_axis), ("forearm", elbow - wrist, elbow_axis),
                ("thigh", hip - knee, left), ("shank", knee - ankle, left),
            ):  # fmt: skip
                rotations[SEGMENTS.index(side + part)] = frame_from_up(up, axis)
        return rotations

    def place(self, rotations: FloatArray, origins: FloatArray) -> FloatArray:
        """Surface points of one posture by linear blend skinning.

        Parameters
        ----------
        rotations : (n_segments, 3, 3)
        origins : (n_segments, 3) metres

        Returns
        -------
        (n, 3) metres
        """
        turn = rotations @ self.rest_rotations().transpose(0, 2, 1)
        rest_origins = np.array([self.joints[SEGMENT_ORIGIN[s]] for s in SEGMENTS])
        shift = origins - np.einsum("sij,sj->si", turn, rest_origins)
        blended = self.weights @ np.concatenate([turn.reshape(-1, 9), shift], axis=1)
        turned = np.einsum("nij,nj->ni", blended[:, :9].reshape(-1, 3, 3), self.points)
        return np.asarray(turned + blended[:, 9:])

    def place_trailing(
        self,
        now: tuple[FloatArray, FloatArray],
        earlier: tuple[FloatArray, FloatArray],
    ) -> FloatArray:
        """Surface points (n, 3) of a posture, loose cloth drawn toward an earlier one.

        Parameters
        ----------
        now, earlier : rotations and origins as for `place`; of the earlier posture only
            how the legs stood to the pelvis matters
        """
        placed = self.place(*now)
        if self.trailing is None:
            return placed
        before = self.place(*earlier) + (now[1][0] - earlier[1][0])
        return np.asarray(placed + self.trailing[:, None] * (before - placed))

    def normals(self, placed: FloatArray) -> FloatArray:
        """Give unit normals (n, 3) of placed surface points."""
        corners = placed[self.triangles]
        face = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        total = np.empty_like(placed)
        flat = self.triangles.ravel()
        for axis in range(3):
            total[:, axis] = np.bincount(flat, np.repeat(face[:, axis], 3), len(placed))
        return np.asarray(total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12))


def load_body(name: str, folder: Path = Path(__file__).parent / "bodies") -> Body:
    """Read ``<name>.npz``, by default of the four bodies that come with this package.

    Raises
    ------
    FileNotFoundError
        If no body of that name was exported.
    """
    with np.load(folder / f"{name}.npz") as data:
        weights = np.zeros((len(data["points"]), len(SEGMENTS)))
        share = data["weights"].astype(float)
        np.put_along_axis(
            weights,
            data["weight_segments"].astype(int),
            share / share.sum(1, keepdims=True),
            axis=1,
        )
        return Body(
            name=name,
            points=data["points"].astype(float),
            triangles=data["triangles"].astype(np.int64),
            weights=weights,
            fields=data["fields"].astype(float),
            materials=data["materials"],
            joints=dict(zip(JOINTS, data["joints"].astype(float), strict=True)),
            stature_m=float(data["stature_m"]),
        )
