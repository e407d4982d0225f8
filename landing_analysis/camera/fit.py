"""Points of a reference picture and of frames -> how the camera was turned in each frame."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from landing_analysis.camera.stabilisation import middle_of, rays_of
from landing_analysis.reasons import Code, Reason, because
from landing_analysis.settings import CameraSettings
from landing_analysis.tables import BoolArray, FloatArray


class Placed(NamedTuple):
    """Frames in the axes of a reference picture.

    ``rotation`` (n, 3, 3) of the camera, ``zoom`` (n,), ``sd_px`` (n,) of a carried point
    at the bodies, ``known`` (n,), and ``reasons`` (n,) why not, else None.
    """

    rotation: FloatArray
    zoom: FloatArray
    sd_px: FloatArray
    known: BoolArray
    reasons: tuple[Reason | None, ...]


def joined(parts: Sequence[Placed]) -> Placed:
    """Put frames behind each other."""
    return Placed(
        np.concatenate([part.rotation for part in parts]),
        np.concatenate([part.zoom for part in parts]),
        np.concatenate([part.sd_px for part in parts]),
        np.concatenate([part.known for part in parts]),
        tuple(reason for part in parts for reason in part.reasons),
    )


def fit_frames(
    reference: FloatArray,
    grip: FloatArray,
    points: FloatArray,
    used: BoolArray,
    bodies: FloatArray,
    size_px: tuple[int, int],
    focal_px: float,
    settings: CameraSettings,
) -> Placed:
    """Fit rotation and zoom of n frames at once.

    ``reference`` (p, 2) and ``points`` (n, p, 2) pixels, ``grip`` (p, 2, 2) as in `Segment`,
    ``used`` (n, p), ``bodies`` (n, 4, 2).
    """
    n = len(points)
    middle = middle_of(size_px)
    rotation, zoom = np.tile(np.eye(3), (n, 1, 1)), np.ones(n)
    counted = used & np.isfinite(reference[:, 0]) & np.isfinite(points[..., 0])
    reference = np.where(np.isfinite(reference), reference, middle)
    enough = counted.sum(axis=1) >= settings.fewest_points
    floor_px = settings.least_residual_share * max(size_px)
    weight = np.where(counted & enough[:, None], 1.0, 0.0)
    filled = np.where(counted[..., None], points, reference)
    scale_px = np.full(n, floor_px)

    def gripped() -> tuple[FloatArray, FloatArray]:
        design, residual = _linear(reference, filled, rotation, zoom, middle, focal_px)
        return grip @ design, (grip @ residual[..., None])[..., 0]

    for round_ in range(settings.coarse_rounds + settings.fine_rounds):
        design, residual = gripped()
        size = np.linalg.norm(residual, axis=2)
        scale_px = np.maximum(_scale(size, weight > 0 if round_ else counted), floor_px)
        if round_ < settings.coarse_rounds:
            weight = np.where(counted, 1 / np.maximum(size, floor_px), 0.0)
        else:
            far = np.clip(size / (settings.trimmed_at_sds * scale_px[:, None]), 0, 1)
            weight = np.where(counted, (1 - far**2) ** 2, 0.0)
        step = _solve(design, residual, weight, focal_px, settings)
        rotation = _turned(step[:, :3]) @ rotation
        zoom = zoom * np.exp(step[:, 3])
    design, residual = gripped()
    size = np.linalg.norm(residual, axis=2)
    least_px = settings.agreeing_within_share * max(size_px)
    agree_px = np.maximum(settings.trimmed_at_sds * scale_px, least_px)
    agreeing = counted & (size < agree_px[:, None])
    sd_px = _sd_at(bodies, design, weight, rotation, zoom, scale_px, middle, focal_px, settings)
    reasons = _reasons(counted, agreeing, points, sd_px, size_px, settings)
    known = np.array([reason is None for reason in reasons])
    return Placed(rotation, zoom, sd_px, known, reasons)


def _scale(size: FloatArray, counted: BoolArray) -> FloatArray:
    """Return a robust standard deviation of one component, (n,), of residuals' sizes (n, p)."""
    some = counted.any(axis=1)
    scale = np.zeros(len(size))
    with_nan = np.where(counted[some], size[some], np.nan)
    median = 1.1774  # definition: of a Rayleigh distribution with a scale of 1
    scale[some] = np.nanmedian(with_nan, axis=1) / median
    return scale


def _linear(
    reference: FloatArray,
    points: FloatArray,
    rotation: FloatArray,
    zoom: FloatArray,
    middle: FloatArray,
    focal_px: float,
) -> tuple[FloatArray, FloatArray]:
    """Return how carried points move with the unknowns, (n, p, 2, 4), and what is missing."""
    rays = rays_of(points, middle, focal_px * zoom)
    x, y, z = np.moveaxis(rays @ np.swapaxes(rotation, 1, 2), -1, 0)
    x, y = x / z, y / z
    missing = reference - (np.stack([x, y], axis=-1) * focal_px + middle)
    # d/d log zoom: the ray's x and y shrink before it is turned
    shrink = -rays[..., :2] @ np.swapaxes(rotation[:, :, :2], 1, 2) / z[..., None]
    design = np.stack(
        [
            np.stack([-x * y, 1 + x * x, -y, shrink[..., 0] - x * shrink[..., 2]], axis=-1),
            np.stack([-1 - y * y, x * y, x, shrink[..., 1] - y * shrink[..., 2]], axis=-1),
        ],
        axis=-2,
    )
    return focal_px * design, missing


def _normal(
    design: FloatArray, weight: FloatArray, focal_px: float, settings: CameraSettings
) -> FloatArray:
    rows = (design * np.sqrt(weight)[..., None, None]).reshape(len(design), -1, 4)
    normal: FloatArray = np.swapaxes(rows, 1, 2) @ rows
    all_weight = weight.sum(axis=1) + 1e-6  # definition: above 0 in a frame without any point
    unknowns = range(normal.shape[1])
    damping = (settings.damping * focal_px) ** 2 * all_weight
    normal[:, unknowns, unknowns] += damping[:, None]
    return normal


def _solve(
    design: FloatArray,
    residual: FloatArray,
    weight: FloatArray,
    focal_px: float,
    settings: CameraSettings,
) -> FloatArray:
    """Return the weighted least-squares step, (n, 4)."""
    rows = (design * weight[..., None, None]).reshape(len(design), -1, 4)
    moment = np.swapaxes(rows, 1, 2) @ residual.reshape(len(residual), -1, 1)
    step = np.linalg.solve(_normal(design, weight, focal_px, settings), moment)[..., 0]
    damped: FloatArray = np.clip(step, -settings.largest_step, settings.largest_step)
    return damped


def _turned(angles: FloatArray) -> FloatArray:
    """Return the rotations (n, 3, 3) by small rotation vectors (n, 3) radians (Rodrigues)."""
    size = np.linalg.norm(angles, axis=1)
    x, y, z = (angles / np.maximum(size, 1e-12)[:, None]).T
    no = np.zeros_like(x)
    cross = np.stack([no, -z, y, z, no, -x, -y, x, no], axis=1).reshape(-1, 3, 3)
    sin, cos = np.sin(size)[:, None, None], np.cos(size)[:, None, None]
    turned: FloatArray = np.eye(3) + sin * cross + (1 - cos) * (cross @ cross)
    return turned


def _sd_at(
    bodies: FloatArray,
    design: FloatArray,
    weight: FloatArray,
    rotation: FloatArray,
    zoom: FloatArray,
    scale_px: FloatArray,
    middle: FloatArray,
    focal_px: float,
    settings: CameraSettings,
) -> FloatArray:
    """Return the standard uncertainty of a carried point at the worst corner of the bodies."""
    shared = np.linalg.inv(_normal(design, weight, focal_px, settings))
    at, _ = _linear(np.zeros(2), bodies, rotation, zoom, middle, focal_px)
    spread = np.einsum("npki,nij,npkj->npk", at, shared, at).max(axis=(1, 2))
    sd: FloatArray = scale_px * np.sqrt(settings.points_per_independent * spread)
    return sd


def _reasons(
    counted: BoolArray,
    agreeing: BoolArray,
    points: FloatArray,
    sd_px: FloatArray,
    size_px: tuple[int, int],
    settings: CameraSettings,
) -> tuple[Reason | None, ...]:
    """Say of each frame why it is not known; None where it is."""
    places = np.where(agreeing[..., None], points, np.nan)
    found, agree = counted.sum(axis=1), agreeing.sum(axis=1)
    few = found < settings.fewest_points
    apart = (agree < settings.agreeing_share * found) | (agree < settings.fewest_points)
    enough = ~few & ~apart
    spread = np.zeros(len(points))
    spread[enough] = np.nanstd(places[enough], axis=1).min(axis=1) / min(size_px)
    reasons = np.full(len(points), None, dtype=object)
    reasons[sd_px > settings.worst_sd_share * max(size_px)] = because(Code.BACKGROUND_NOT_FIRM)
    reasons[spread < settings.least_spread] = because(Code.BACKGROUND_CROWDED)
    reasons[apart] = because(Code.BACKGROUND_DISAGREES)
    reasons[few] = because(Code.BACKGROUND_PLAIN)
    return tuple(reasons)
