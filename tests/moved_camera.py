"""A stick patient and a room of points, filmed by a camera that turns: exact, without pictures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation
from stick_patient import jump_plan, make_motion, make_poses

from landing_analysis.tables import LIMBS, Background, Poses, Segment

WIDTH_PX, HEIGHT_PX = 720, 1280
MIDDLE_PX = np.array([359.5, 639.5])
FOCAL_PX = 998.4  # what is assumed of a phone's main lens at this size
LANDMARKS, CONTACTS = make_motion(jump_plan(2), "front", LIMBS)
T_S = LANDMARKS.t_s


def sway_deg(rms: float = 0.7) -> np.ndarray:
    """Return pan, tilt and roll, (n, 3), of a phone held in the hand."""
    waves = [np.sin(2 * np.pi * hz * T_S[:, None] + [0.3 + hz, 1.1 * hz, 2.0]) / hz
             for hz in (0.4, 0.9, 2.3, 7.0)]  # fmt: skip
    total = np.sum(waves, axis=0)
    return rms * total / total.std(axis=0)


def rotations(turned_deg: np.ndarray) -> np.ndarray:
    """Return camera axes in the room's, (n, 3, 3), from pan, tilt and roll in degrees."""
    return Rotation.from_euler("YXZ", turned_deg, degrees=True).as_matrix()


def filmed(points_px: np.ndarray, turned_deg: np.ndarray, focal_px: float = FOCAL_PX,
           zoom: np.ndarray | float = 1.0) -> np.ndarray:  # fmt: skip
    """Return where a turned camera sees points (n, p, 2) of the unturned picture."""
    rays = np.concatenate([(points_px - MIDDLE_PX) / focal_px, np.ones((*points_px.shape[:2], 1))],
                          axis=2)  # fmt: skip
    seen = np.einsum("nji,npj->npi", rotations(turned_deg), rays)
    scale = focal_px * np.broadcast_to(zoom, (len(seen),))[:, None, None]
    return scale * seen[..., :2] / seen[..., 2:] + MIDDLE_PX


def moved_poses(turned_deg: np.ndarray, focal_px: float = FOCAL_PX) -> Poses:
    """Return the stick patient as the turned camera films them."""
    poses = make_poses(LANDMARKS)
    xy = filmed(poses.xy_px[:, 0], turned_deg, focal_px)
    return replace(poses, xy_px=xy[:, None])


def room(points: int = 90, seed: int = 3) -> np.ndarray:
    """Return points of a still room all over the picture and around it, (points, 2) pixels."""
    rng = np.random.default_rng(seed)
    return rng.uniform([-200, 20], [WIDTH_PX + 200, HEIGHT_PX - 20], (points, 2))


def followed(
    points_px: np.ndarray, turned_deg: np.ndarray, focal_px: float = FOCAL_PX,
    noise_px: float = 0.1, zoom: np.ndarray | float = 1.0, seed: int = 4,
) -> np.ndarray:  # fmt: skip
    """Return the points as found in each frame, (n, p, 2) float32, NaN outside of the picture."""
    if points_px.ndim == 2:
        points_px = np.broadcast_to(points_px, (len(turned_deg), *points_px.shape))
    seen = filmed(points_px, turned_deg, focal_px, zoom)
    seen = seen + np.random.default_rng(seed).normal(0, noise_px, seen.shape)
    inside = ((seen > 0) & (seen < [WIDTH_PX, HEIGHT_PX])).all(axis=2)
    inside &= inside[0]
    return np.where(inside[..., None], seen, np.nan).astype(np.float32)


def segment(xy_px: np.ndarray, first_frame: int = 0) -> Segment:
    """Return corners, which hold in both directions."""
    grip = np.tile(np.eye(2, dtype=np.float32), (xy_px.shape[1], 1, 1))
    return Segment(first_frame, xy_px, grip)


def background(xy_px: np.ndarray) -> Background:
    return Background(len(xy_px), (segment(xy_px),))
