"""Stored landmarks of drawn rooms, with the patient's truth; made by ``frozen/make_rooms.py``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, Poses

ROOMS = Path(__file__).parent / "frozen" / "rooms"
NOBODY = -32768
PARTS = [f"{limb}_{part}" for limb in LIMBS for part in ("shoulder", "hip", "knee", "ankle")]
KEPT = [
    LANDMARK["nose"],
    *(
        LANDMARK[f"{limb}_{part}"]
        for part in ("shoulder", "hip", "knee", "ankle", "heel", "toe")
        for limb in LIMBS
    ),
]
TURNED = [LANDMARK[f"{limb}_{part}"] for part in ("shoulder", "hip") for limb in LIMBS]


def packed(values: np.ndarray, scale: float) -> np.ndarray:
    return np.where(np.isfinite(values), np.round(scale * values), NOBODY).astype(np.int16)


def unpacked(values: np.ndarray, scale: float) -> np.ndarray:
    return np.where(values == NOBODY, np.nan, values / scale)


def pack_poses(poses: Poses) -> dict[str, np.ndarray]:
    """Cut poses down to what the stages read, in whole numbers; `make_rooms` says which."""
    return {
        "xy": packed(poses.xy_px[:, :, KEPT], 10.0),
        "visibility": np.round(100 * poses.visibility[:, :, KEPT]).astype(np.uint8),
        "world": packed(poses.world_m[:, :, TURNED], 1000.0),
        "t_s": poses.t_s,
        "size_px": np.array([poses.width_px, poses.height_px]),
    }


def unpack_poses(data: Mapping[str, np.ndarray]) -> Poses:
    """Return what `pack_poses` has cut down; what was left out lies on the nose."""
    n_frames, n_slots = data["xy"].shape[:2]
    xy = np.full((n_frames, n_slots, N_LANDMARKS, 2), np.nan)
    world = np.full((n_frames, n_slots, N_LANDMARKS, 3), np.nan)
    visibility = np.zeros((n_frames, n_slots, N_LANDMARKS))
    xy[:] = unpacked(data["xy"][:, :, :1], 10.0)
    xy[:, :, KEPT] = unpacked(data["xy"], 10.0)
    visibility[:, :, KEPT] = data["visibility"] / 100.0
    world[:, :, TURNED] = unpacked(data["world"], 1000.0)
    width_px, height_px = (int(size) for size in data["size_px"])
    return Poses(
        data["t_s"], xy, visibility, world, width_px, height_px, "pose_full.task", "0" * 64
    )


def read_room(name: str) -> tuple[Poses, dict[str, np.ndarray]]:
    """Return the poses of a room, and its truth: ``true_px``, ``landing_s``, ``views``."""
    with np.load(ROOMS / f"{name}.npz") as data:
        truth = {
            "true_px": unpacked(data["true_xy"], 10.0),
            "landing_s": data["landing_s"],
            "views": data["views"],
        }
        return unpack_poses(data), truth
