"""CameraPath: points carried between a moving camera's frames and one picture of a still one.

The camera is taken to turn about its lens and to zoom. A pixel of a frame is a ray; the
ray is turned into the axes of the reference picture and meets that picture again. At a
small turn this is a shift, a turn and a change of scale of the picture.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from landing_analysis.tables import Analysis, BoolArray, CameraPath, FloatArray, Landmarks


def cut(path: CameraPath, kept: BoolArray) -> CameraPath:
    """Return the path of some of the frames, (n_frames,) of bool."""
    return replace(
        path,
        shift_px=path.shift_px[kept],
        turn_deg=path.turn_deg[kept],
        zoom=path.zoom[kept],
        sd_px=path.sd_px[kept],
        known=path.known[kept],
    )


def into_reference(xy_px: FloatArray, path: CameraPath, size_px: tuple[int, int]) -> FloatArray:
    """Carry points of the frames into the reference picture.

    Parameters
    ----------
    xy_px : (n_frames, ..., 2) pixels of the frames as filmed
    path : of the same frames
    size_px : width and height of the picture

    Returns
    -------
    (n_frames, ..., 2) pixels of the reference picture, NaN where the frame is not known;
    the very same array when the camera stood still or was lost
    """
    if path.state != "followed":
        return xy_px
    rotation, zoom = _axes(path)
    middle = middle_of(size_px)
    flat = xy_px.reshape(len(xy_px), -1, 2)
    rays = rays_of(flat, middle, path.focal_px * zoom)
    carried = seen_at(np.einsum("nij,npj->npi", rotation, rays), middle, path.focal_px)
    return carried.reshape(xy_px.shape)


def as_filmed(
    xy_px: FloatArray, path: CameraPath, size_px: tuple[int, int], frame: int
) -> FloatArray:
    """Carry points of the reference picture back into one frame, to draw them there.

    Parameters
    ----------
    xy_px : (..., 2) pixels of the reference picture
    path, size_px : as for `into_reference`
    frame : its number

    Returns
    -------
    (..., 2) pixels of the frame
    """
    if path.state != "followed":
        return xy_px
    one = cut(path, np.arange(len(path.known)) == frame)
    rotation, zoom = _axes(one)
    middle = middle_of(size_px)
    rays = rays_of(xy_px.reshape(1, -1, 2), middle, np.array([path.focal_px]))
    turned = np.einsum("nji,npj->npi", rotation, rays)
    carried = seen_at(turned, middle, path.focal_px * zoom[:, None])
    return carried.reshape(xy_px.shape)


def filmed_px(analysis: Analysis, xy_px: FloatArray, frame: int) -> FloatArray:
    """Return the points of one frame of the tracks, (33, 2), where they are in the frame itself.

    Parameters
    ----------
    analysis : whose tracks they are
    xy_px : (n_frames, 33, 2) of the tracks
    frame : its number
    """
    points: FloatArray = xy_px[frame]
    if analysis.camera is None:
        return points
    size_px = (analysis.clip.width_px, analysis.clip.height_px)
    return as_filmed(points, analysis.camera, size_px, frame)


def stabilised(person: Landmarks, path: CameraPath | None) -> Landmarks:
    """Return one person's landmarks in the reference picture, the same where nothing moved."""
    if path is None or path.state != "followed":
        return person
    size_px = (person.width_px, person.height_px)
    return replace(person, xy_px=into_reference(person.xy_px, path, size_px))


def middle_of(size_px: tuple[int, int]) -> FloatArray:
    """Return the middle of a picture of this width and height, pixels."""
    middle: FloatArray = (np.array(size_px, dtype=float) - 1) / 2
    return middle


def rays_of(xy_px: FloatArray, middle: FloatArray, focal_px: FloatArray) -> FloatArray:
    """Return the rays (n, p, 3) of pixels (n, p, 2) under focal lengths (n,)."""
    flat = (xy_px - middle) / focal_px[:, None, None]
    return np.concatenate([flat, np.ones_like(flat[..., :1])], axis=-1)


def seen_at(rays: FloatArray, middle: FloatArray, focal_px: float | FloatArray) -> FloatArray:
    """Return the pixels (n, p, 2) at which rays (n, p, 3) meet a picture."""
    flat = rays[..., :2] / rays[..., 2:]
    seen: FloatArray = flat * np.expand_dims(np.asarray(focal_px), -1) + middle
    return seen


def _axes(path: CameraPath) -> tuple[FloatArray, FloatArray]:
    """Return rotations (n, 3, 3) and zoom (n,) of a path."""
    return rotation_toward(path.shift_px / path.focal_px, np.radians(path.turn_deg)), path.zoom


def rotation_toward(toward: FloatArray, turn_rad: FloatArray) -> FloatArray:
    """Return (n, 3, 3): a turn about the lens's axis, then the shortest turn of that axis.

    ``toward`` (n, 2) is where the axis then points, as a place in a picture of focal length 1.
    """
    ray = np.concatenate([toward, np.ones((len(toward), 1))], axis=1)
    x, y, z = (ray / np.linalg.norm(ray, axis=1, keepdims=True)).T
    tip = np.empty((len(toward), 3, 3))
    share = 1 / (1 + z)
    tip[:, 0] = np.stack([1 - x * x * share, -x * y * share, x], axis=1)
    tip[:, 1] = np.stack([-x * y * share, 1 - y * y * share, y], axis=1)
    tip[:, 2] = np.stack([-x, -y, z], axis=1)
    cos, sin, no, one = np.cos(turn_rad), np.sin(turn_rad), 0 * turn_rad, 0 * turn_rad + 1
    roll = np.stack([cos, -sin, no, sin, cos, no, no, no, one], axis=1).reshape(-1, 3, 3)
    rotation: FloatArray = tip @ roll
    return rotation
