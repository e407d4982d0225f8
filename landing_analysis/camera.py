"""(Background, Poses) -> CameraPath: how the camera turned, and points carried between pictures.

The camera is taken to turn about its lens and to zoom. A pixel of a frame is a ray; the
ray is turned into the axes of the reference picture and meets that picture again. At a
small turn this is a shift, a turn and a change of scale of the picture.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from landing_analysis.definitions import GRAVITY_M_S2
from landing_analysis.settings import CameraSettings
from landing_analysis.signals import local_polynomial, runs
from landing_analysis.tables import (
    LANDMARK,
    Background,
    BoolArray,
    CameraPath,
    FloatArray,
    Landmarks,
    Poses,
    Stretch,
)

_SHOULDERS = [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]
_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]
_DIRECTIONS = 16  # of the lines that enclose a body
_BLOCK = 1000  # frames that are fitted at once
_COARSE, _FINE = 12, 8  # rounds of the fit: of least absolute, then of trimmed squares
_TUKEY = 4.685  # 95 % efficient on normal noise (Beaton & Tukey 1974; from memory, sure)
_ZOOM_PRIOR = 0.1  # as a logarithm, so that points on a line do not zoom at will
_FALL_WINDOW_S = 0.07


class _Fit(NamedTuple):
    """Camera axes of each frame in those of a reference picture.

    ``rotation`` (n, 3, 3), ``zoom`` (n,), ``sd_px`` (n,), ``known`` (n,), ``reason`` (n,).
    """

    rotation: FloatArray
    zoom: FloatArray
    sd_px: FloatArray
    known: BoolArray
    reasons: tuple[str, ...]


def find_camera_path(
    background: Background,
    poses: Poses,
    people: tuple[Landmarks, ...],
    settings: CameraSettings,
) -> CameraPath:
    """Fit the camera's turning to the points that are not on people.

    Parameters
    ----------
    background : of all frames of ``poses``
    poses : everybody seen, in the frames as filmed
    people : from `link_people`, to ask whether the path falls with one of them
    settings : CameraSettings

    Returns
    -------
    CameraPath
        Relative to the frame in the middle of what the camera did.

    Notes
    -----
    1. Points that are on or near anybody, in the frame or in the reference picture, are
       left out, so that a patterned shirt is never taken for the wall.
    2. Three angles and the zoom of each frame are fitted to the others (Gauss-Newton;
       least absolute, then Tukey's trimmed squares, so that a minority that moves by
       itself does not count).
    3. A frame is not known when few points agree, when they crowd together, or when the
       fit is loose at the body.
    4. A path that falls with somebody who jumps follows that body and is thrown away: a
       camera does not fall freely.
    5. Stretches are chained by the frame that they share.

    The focal length is that of a phone's main lens, or what large turns say. Limits: a
    camera that is carried along moves near and far things differently; what that leaves
    is in ``sd_px`` only as far as the points disagree. A rolling shutter is not undone.
    """
    focal_px = settings.focal_share * max(poses.width_px, poses.height_px)
    off_people = [_off_people(stretch, poses, settings) for stretch in background.stretches]
    focal_px = _focal_px(background, off_people, poses, focal_px, settings)
    fit = _chained(background, off_people, poses, focal_px, settings)
    known = fit.known
    if known.mean() < settings.least_known_share:
        return lost(len(known), focal_px, _commonest(fit.reasons))
    path = _relative_to_middle(fit, poses, focal_px)
    path = _bridged(path, poses.t_s, settings)
    for person in people:
        if _falls_along(path, person, settings):
            reason = "what could be followed fell together with the body, so it was not the room"
            return lost(len(known), focal_px, reason)
    if not _moves(path, poses, settings):
        return _still(path)
    return path


def lost(n_frames: int, focal_px: float, reason: str) -> CameraPath:
    """Return the path of a camera of which nothing is known."""
    nan = np.full(n_frames, np.nan)
    known = np.zeros(n_frames, dtype=bool)
    return CameraPath(
        "lost", np.full((n_frames, 2), np.nan), nan, nan, nan, known, focal_px, reason
    )


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


# --- carrying points over ----------------------------------------------------------------------


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
    middle = _middle(size_px)
    flat = xy_px.reshape(len(xy_px), -1, 2)
    rays = _rays(flat, middle, path.focal_px * zoom)
    carried = _seen(np.einsum("nij,npj->npi", rotation, rays), middle, path.focal_px)
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
    middle = _middle(size_px)
    rays = _rays(xy_px.reshape(1, -1, 2), middle, np.array([path.focal_px]))
    turned = np.einsum("nji,npj->npi", rotation, rays)
    carried = _seen(turned, middle, path.focal_px * zoom[:, None])
    return carried.reshape(xy_px.shape)


def _middle(size_px: tuple[int, int]) -> FloatArray:
    return (np.array(size_px, dtype=float) - 1) / 2


def _rays(xy_px: FloatArray, middle: FloatArray, focal_px: FloatArray) -> FloatArray:
    """Return the rays (n, p, 3) of pixels (n, p, 2) under focal lengths (n,)."""
    flat = (xy_px - middle) / focal_px[:, None, None]
    return np.concatenate([flat, np.ones_like(flat[..., :1])], axis=-1)


def _seen(rays: FloatArray, middle: FloatArray, focal_px: float | FloatArray) -> FloatArray:
    """Return the pixels (n, p, 2) at which rays (n, p, 3) meet a picture."""
    flat = rays[..., :2] / rays[..., 2:]
    seen: FloatArray = flat * np.expand_dims(np.asarray(focal_px), -1) + middle
    return seen


def _axes(path: CameraPath) -> tuple[FloatArray, FloatArray]:
    """Return rotations (n, 3, 3) and zoom (n,) of a path."""
    return _rotation(path.shift_px / path.focal_px, np.radians(path.turn_deg)), path.zoom


def _rotation(toward: FloatArray, turn_rad: FloatArray) -> FloatArray:
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
    return tip @ roll


def _path_of(fit: _Fit, focal_px: float) -> CameraPath:
    """Return rotations as shift and turn."""
    toward = fit.rotation[:, :2, 2] / fit.rotation[:, 2:, 2]
    tip = _rotation(toward, np.zeros(len(toward)))
    roll = np.swapaxes(tip, 1, 2) @ fit.rotation
    return CameraPath(
        "followed",
        toward * focal_px,
        np.degrees(np.arctan2(roll[:, 1, 0], roll[:, 0, 0])),
        fit.zoom,
        fit.sd_px,
        fit.known,
        focal_px,
    )


# --- which points are not on people ------------------------------------------------------------


def _off_people(stretch: Stretch, poses: Poses, settings: CameraSettings) -> BoolArray:
    """Say which points, (n, n_points), were found and are not on or near anybody."""
    frames = slice(stretch.first_frame, stretch.first_frame + len(stretch.xy_px))
    points = stretch.xy_px.astype(float)
    near = np.zeros(points.shape[:2], dtype=bool)
    angles = np.arange(_DIRECTIONS) * 2 * np.pi / _DIRECTIONS
    ways = np.stack([np.cos(angles), np.sin(angles)])
    for start in range(0, len(points), _BLOCK):
        block = slice(start, min(start + _BLOCK, len(points)))
        bodies = poses.xy_px[frames][block]
        for slot in range(bodies.shape[1]):
            near[block] |= _near_body(points[block], bodies[:, slot], ways, settings)
    steps_s = np.diff(poses.t_s)
    usual_s = float(np.median(steps_s)) if len(steps_s) else 1.0
    reach = round(settings.near_person_s / usual_s)
    off: BoolArray = np.isfinite(points[..., 0]) & ~_spread(near, reach) & ~near[0]
    return off


def _near_body(
    points: FloatArray, body: FloatArray, ways: FloatArray, settings: CameraSettings
) -> BoolArray:
    """Say which points (n, p) lie within a margin of the outline of a body (n, 33, 2)."""
    torso_px = np.linalg.norm(body[:, _SHOULDERS].mean(1) - body[:, _HIPS].mean(1), axis=1)
    height_px = np.ptp(body[..., 1], axis=1)
    # Seen bent over, a torso looks short; a body is about four torsos high.
    margin_px = settings.near_person_torsos * np.maximum(torso_px, height_px / 4)
    with np.errstate(invalid="ignore"):
        outline = (body @ ways).max(axis=1) + margin_px[:, None]
        inside: BoolArray = (points @ ways <= outline[:, None]).all(axis=2)
    return inside


def _spread(near: BoolArray, reach: int) -> BoolArray:
    """Carry True to the frames ``reach`` before and after."""
    padded = np.pad(near.astype(np.int32), ((reach + 1, reach), (0, 0))).cumsum(axis=0)
    around: BoolArray = padded[2 * reach + 1 :] - padded[: -2 * reach - 1] > 0
    return around


# --- the fit -----------------------------------------------------------------------------------


def _fit_stretch(
    stretch: Stretch,
    off_people: BoolArray,
    poses: Poses,
    focal_px: float,
    settings: CameraSettings,
) -> _Fit:
    """Place every frame of a stretch in its reference picture."""
    parts = []
    for start in range(0, len(stretch.xy_px), _BLOCK):
        block = slice(start, min(start + _BLOCK, len(stretch.xy_px)))
        frames = slice(stretch.first_frame + block.start, stretch.first_frame + block.stop)
        parts.append(
            _fit_frames(
                stretch.xy_px[0].astype(float),
                stretch.xy_px[block].astype(float),
                off_people[block],
                _bodies(poses.xy_px[frames], poses),
                (poses.width_px, poses.height_px),
                focal_px,
                settings,
            )
        )
    joined = [np.concatenate([part[k] for part in parts]) for k in range(4)]
    return _Fit(*joined, sum((part.reasons for part in parts), ()))  # type: ignore[arg-type]


def _bodies(xy_px: FloatArray, poses: Poses) -> FloatArray:
    """Return four corners around everybody in each frame, (n, 4, 2); the picture's without any."""
    whole = np.array([[0.0, 0.0], [poses.width_px, poses.height_px]])
    flat = xy_px.reshape(len(xy_px), -1, 2)
    seen = np.isfinite(flat[..., :1])
    low = np.where(seen, flat, np.inf).min(axis=1)
    high = np.where(seen, flat, -np.inf).max(axis=1)
    nobody = ~np.isfinite(low[:, 0])
    low[nobody], high[nobody] = whole
    low, high = np.clip(low, *whole), np.clip(high, *whole)
    return np.stack([low, np.stack([high[:, 0], low[:, 1]], 1), high,
                     np.stack([low[:, 0], high[:, 1]], 1)], axis=1)  # fmt: skip


def _fit_frames(
    reference: FloatArray,
    points: FloatArray,
    used: BoolArray,
    bodies: FloatArray,
    size_px: tuple[int, int],
    focal_px: float,
    settings: CameraSettings,
) -> _Fit:
    """Fit rotation and zoom of n frames at once.

    ``reference`` (p, 2) and ``points`` (n, p, 2) pixels, ``used`` (n, p), ``bodies`` (n, 4, 2).
    """
    n = len(points)
    middle = _middle(size_px)
    rotation, zoom = np.tile(np.eye(3), (n, 1, 1)), np.ones(n)
    counted = used & np.isfinite(reference[:, 0]) & np.isfinite(points[..., 0])
    enough = counted.sum(axis=1) >= settings.fewest_points
    floor_px = settings.least_residual_share * max(size_px)
    weight = np.where(counted & enough[:, None], 1.0, 0.0)
    filled = np.where(counted[..., None], points, reference)
    scale_px = np.full(n, floor_px)
    for round_ in range(_COARSE + _FINE):
        design, residual = _linear(reference, filled, rotation, zoom, middle, focal_px)
        size = np.linalg.norm(residual, axis=2)
        scale_px = np.maximum(_scale(size, weight > 0 if round_ else counted), floor_px)
        if round_ < _COARSE:
            weight = np.where(counted, 1 / np.maximum(size, floor_px), 0.0)
        else:
            far = np.clip(size / (_TUKEY * scale_px[:, None]), 0, 1)
            weight = np.where(counted, (1 - far**2) ** 2, 0.0)
        step = _solve(design, residual, weight, focal_px)
        rotation = _turned(step[:, :3]) @ rotation
        zoom = zoom * np.exp(step[:, 3])
    design, residual = _linear(reference, filled, rotation, zoom, middle, focal_px)
    size = np.linalg.norm(residual, axis=2)
    agreeing = counted & (size < _TUKEY * scale_px[:, None])
    sd_px = _sd_at(bodies, design, weight, rotation, zoom, scale_px, middle, focal_px, settings)
    reasons = _reasons(counted, agreeing, points, sd_px, size_px, settings)
    known = np.array([not reason for reason in reasons])
    return _Fit(rotation, zoom, sd_px, known, reasons)


def _scale(size: FloatArray, counted: BoolArray) -> FloatArray:
    """Return a robust standard deviation of one component, (n,), of residuals' sizes (n, p)."""
    some = counted.any(axis=1)
    scale = np.zeros(len(size))
    with_nan = np.where(counted[some], size[some], np.nan)
    scale[some] = np.nanmedian(with_nan, axis=1) / 1.1774  # of a Rayleigh distribution
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
    rays = _rays(points, middle, focal_px * zoom)
    x, y, z = np.moveaxis(np.einsum("nij,npj->npi", rotation, rays), -1, 0)
    x, y = x / z, y / z
    missing = reference - (np.stack([x, y], axis=-1) * focal_px + middle)
    # d/d log zoom: the ray's x and y shrink before it is turned
    shrink = -np.einsum("nij,npj->npi", rotation[:, :, :2], rays[..., :2]) / z[..., None]
    design = np.stack(
        [
            np.stack([-x * y, 1 + x * x, -y, shrink[..., 0] - x * shrink[..., 2]], axis=-1),
            np.stack([-1 - y * y, x * y, x, shrink[..., 1] - y * shrink[..., 2]], axis=-1),
        ],
        axis=-2,
    )
    return focal_px * design, missing


def _normal(design: FloatArray, weight: FloatArray, focal_px: float) -> FloatArray:
    normal = np.einsum("np,npki,npkj->nij", weight, design, design)
    normal[:, 3, 3] += weight.sum(axis=1) * (0.01 * focal_px / _ZOOM_PRIOR * 0.01) ** 2
    normal[:, range(4), range(4)] += 1e-6 * focal_px**2
    return normal


def _solve(
    design: FloatArray, residual: FloatArray, weight: FloatArray, focal_px: float
) -> FloatArray:
    """Return the weighted least-squares step, (n, 4)."""
    moment = np.einsum("np,npki,npk->ni", weight, design, residual)
    step: FloatArray = np.linalg.solve(_normal(design, weight, focal_px), moment[..., None])[..., 0]
    return np.clip(step, -0.3, 0.3)


def _turned(angles: FloatArray) -> FloatArray:
    """Return the rotations (n, 3, 3) by small rotation vectors (n, 3) radians (Rodrigues)."""
    size = np.linalg.norm(angles, axis=1)
    x, y, z = (angles / np.maximum(size, 1e-12)[:, None]).T
    no = np.zeros_like(x)
    cross = np.stack([no, -z, y, z, no, -x, -y, x, no], axis=1).reshape(-1, 3, 3)
    sin, cos = np.sin(size)[:, None, None], np.cos(size)[:, None, None]
    return np.eye(3) + sin * cross + (1 - cos) * (cross @ cross)


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
    shared = np.linalg.inv(_normal(design, weight, focal_px))
    at, _ = _linear(np.zeros(2), bodies, rotation, zoom, middle, focal_px)
    spread = np.einsum("npki,nij,npkj->npk", at, shared, at).max(axis=(1, 2))
    sd: FloatArray = scale_px * np.sqrt(settings.points_per_witness * spread)
    return sd


def _reasons(
    counted: BoolArray,
    agreeing: BoolArray,
    points: FloatArray,
    sd_px: FloatArray,
    size_px: tuple[int, int],
    settings: CameraSettings,
) -> tuple[str, ...]:
    """Say of each frame why it is not known; empty where it is."""
    places = np.where(agreeing[..., None], points, np.nan)
    found, agree = counted.sum(axis=1), agreeing.sum(axis=1)
    few = found < settings.fewest_points
    apart = (agree < settings.agreeing_share * found) | (agree < settings.fewest_points)
    enough = ~few & ~apart
    spread = np.zeros(len(points))
    spread[enough] = np.nanstd(places[enough], axis=1).min(axis=1) / min(size_px)
    reasons = np.full(len(points), "", dtype=object)
    reasons[sd_px > settings.worst_sd_share * max(size_px)] = (
        "the points that could be followed do not hold the picture firmly"
    )
    reasons[spread < settings.least_spread] = "the points that could be followed lie close together"
    reasons[apart] = "the points that could be followed move differently"
    reasons[few] = "too little of the background has a pattern that can be followed"
    return tuple(str(reason) for reason in reasons)


def _commonest(reasons: tuple[str, ...]) -> str:
    given = [reason for reason in reasons if reason]
    return max(set(given), key=given.count)


def _focal_px(
    background: Background,
    off_people: list[BoolArray],
    poses: Poses,
    assumed_px: float,
    settings: CameraSettings,
) -> float:
    """Return the focal length that large turns show, the assumed one where there are none."""
    return assumed_px


# --- the path ----------------------------------------------------------------------------------


def _chained(
    background: Background,
    off_people: list[BoolArray],
    poses: Poses,
    focal_px: float,
    settings: CameraSettings,
) -> _Fit:
    """Put the stretches behind each other by the frames that they share."""
    parts: list[_Fit] = []
    rotation, zoom, variance, held = np.eye(3), 1.0, 0.0, True
    for stretch, off in zip(background.stretches, off_people, strict=True):
        fit = _fit_stretch(stretch, off, poses, focal_px * zoom, settings)
        known = fit.known & held
        reasons = tuple(
            reason or ("" if held else "the camera turned away from all that could be followed")
            for reason in fit.reasons
        )
        fit = _Fit(
            rotation @ fit.rotation,
            zoom * fit.zoom,
            np.sqrt(fit.sd_px**2 + variance),
            known,
            reasons,
        )
        parts.append(fit)
        held = held and bool(fit.known[-1])
        if held:
            rotation, zoom, variance = fit.rotation[-1], float(fit.zoom[-1]), fit.sd_px[-1] ** 2
    ends = [slice(None, -1)] * (len(parts) - 1) + [slice(None)]
    joined = [
        np.concatenate([part[k][end] for part, end in zip(parts, ends, strict=True)])
        for k in range(4)
    ]
    reasons = sum((part.reasons[end] for part, end in zip(parts, ends, strict=True)), ())
    return _Fit(*joined, reasons)  # type: ignore[arg-type]


def _relative_to_middle(fit: _Fit, poses: Poses, focal_px: float) -> CameraPath:
    """Make the frame nearest to the middle of all known ones the reference picture."""
    path = _path_of(fit, focal_px)
    turned_px = np.radians(path.turn_deg) * 0.25 * (poses.width_px + poses.height_px)
    places = np.column_stack([path.shift_px, turned_px])
    places[~path.known] = np.nan
    away = np.linalg.norm(places - np.nanmedian(places, axis=0), axis=1)
    chosen = int(np.nanargmin(away))
    back = fit.rotation[chosen].T
    zoom = fit.zoom / fit.zoom[chosen]
    path = _path_of(fit._replace(rotation=back @ fit.rotation, zoom=zoom),
                    focal_px * float(fit.zoom[chosen]))  # fmt: skip
    unknown = ~path.known
    for values in (path.shift_px, path.turn_deg, path.zoom, path.sd_px):
        values[unknown] = np.nan
    return path


def _bridged(path: CameraPath, t_s: FloatArray, settings: CameraSettings) -> CameraPath:
    """Place short stretches of unknown frames between their neighbours."""
    known = path.known.copy()
    columns = np.column_stack([path.shift_px, path.turn_deg, path.zoom, path.sd_px])
    usual_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0
    for first, last in runs(~path.known):
        if first == 0 or last == len(known) - 1:
            continue
        before, after = first - 1, last + 1
        if t_s[after] - t_s[before] > settings.bridged_s + 1.5 * usual_s:
            continue
        share = (t_s[first : last + 1] - t_s[before]) / (t_s[after] - t_s[before])
        ends = columns[[before, after]]
        columns[first : last + 1] = ends[0] + share[:, None] * (ends[1] - ends[0])
        # Between its ends the camera may have been anywhere between them.
        columns[first : last + 1, 4] += 0.5 * float(np.linalg.norm(ends[1, :2] - ends[0, :2]))
        known[first : last + 1] = True
    return replace(
        path,
        shift_px=columns[:, :2],
        turn_deg=columns[:, 2],
        zoom=columns[:, 3],
        sd_px=columns[:, 4],
        known=known,
    )


def _falls_along(path: CameraPath, person: Landmarks, settings: CameraSettings) -> bool:
    """Say whether the path takes out of a body what is its free fall."""
    size_px = (person.width_px, person.height_px)
    body = person.xy_px[:, _SHOULDERS + _HIPS].mean(axis=1)
    height_px = np.nanpercentile(np.ptp(person.xy_px[..., 1], axis=1), 90)
    g_px_s2 = GRAVITY_M_S2 * height_px / 1.6  # from eyes to toes, of an adult (choice)
    carried = into_reference(body[:, None], path, size_px)[:, 0]
    both = np.column_stack([body[:, 1], carried[:, 1]])
    filmed, left = local_polynomial(person.t_s, both, _FALL_WINDOW_S, 2)[2].T
    with np.errstate(invalid="ignore"):
        falling = (filmed > 0.5 * g_px_s2) & (filmed < 2 * g_px_s2) & np.isfinite(left)
    for first, last in runs(falling):
        if person.t_s[last] - person.t_s[first] < settings.falling_s:
            falling[first : last + 1] = False
    if not falling.any():
        return False
    taken = float(np.sum(filmed[falling] - left[falling]) / np.sum(filmed[falling]))
    return taken > settings.falls_along


def _moves(path: CameraPath, poses: Poses, settings: CameraSettings) -> bool:
    """Say whether the picture moves by more than what a tripod's may seem to."""
    known = path.known
    corners = np.array([[0.25, 0.25], [0.75, 0.25], [0.25, 0.75], [0.75, 0.75]])
    size_px = (poses.width_px, poses.height_px)
    grid = np.tile(corners * size_px, (len(known), 1, 1))
    moved = np.linalg.norm(into_reference(grid, path, size_px) - grid, axis=2).max(axis=1)
    return bool(np.percentile(moved[known], 99) > settings.still_share * max(size_px))


def _still(path: CameraPath) -> CameraPath:
    """Return the path of a camera that stood still."""
    n_frames = len(path.known)
    sd_px = np.full(n_frames, float(np.nanmedian(path.sd_px)))
    return replace(
        path,
        state="still",
        shift_px=np.zeros((n_frames, 2)),
        turn_deg=np.zeros(n_frames),
        zoom=np.ones(n_frames),
        sd_px=sd_px,
        known=np.ones(n_frames, dtype=bool),
    )
