"""(Background, Poses) -> CameraPath: how the camera turned, from what is not on people."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from landing_analysis.camera.fit import Placed, fit_frames, joined
from landing_analysis.camera.stabilisation import into_reference, rotation_toward
from landing_analysis.definitions import GRAVITY_M_S2
from landing_analysis.maths.signals import local_polynomial, runs
from landing_analysis.reasons import Code, Reason, because
from landing_analysis.settings import CameraSettings
from landing_analysis.tables import (
    LANDMARK,
    Background,
    BoolArray,
    CameraPath,
    FloatArray,
    IntArray,
    Landmarks,
    Poses,
    Segment,
)

_SHOULDERS = [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]
_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]
_TURNED_AWAY = because(Code.CAMERA_TURNED_AWAY)


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
    5. Segments are chained by the frame that they share.

    The focal length is that of a phone's main lens, or what large turns say. Limits: a
    camera that is carried along moves near and far things differently; what that leaves
    is in ``sd_px`` only as far as the points disagree. A rolling shutter is not undone.
    """
    off_people = [_off_people(segment, poses, settings) for segment in background.segments]
    assumed_px = settings.focal_share * max(poses.width_px, poses.height_px)
    focal_px = _focal_px(background, off_people, poses, assumed_px, settings)
    fit = _chained(background, off_people, poses, focal_px, settings)
    known = fit.known
    if known.mean() < settings.least_known_share:
        return lost(len(known), assumed_px, _commonest(fit.reasons))
    path = _relative_to_middle(fit, poses, focal_px)
    path = _bridged(path, poses.t_s, settings)
    for person in people:
        if _falls_along(path, person, settings):
            return lost(len(known), assumed_px, because(Code.BACKGROUND_FELL))
    if not _moves(path, poses, settings):
        return _still(path)
    return path


def lost(n_frames: int, focal_px: float, reason: Reason) -> CameraPath:
    """Return the path of a camera of which nothing is known."""
    nan = np.full(n_frames, np.nan)
    known = np.zeros(n_frames, dtype=bool)
    return CameraPath(
        "lost", np.full((n_frames, 2), np.nan), nan, nan, nan, known, focal_px, reason
    )


# --- which points are not on people ------------------------------------------------------------


def _off_people(segment: Segment, poses: Poses, settings: CameraSettings) -> BoolArray:
    """Say which points, (n, n_points), were found and are not on or near anybody."""
    frames = slice(segment.first_frame, segment.first_frame + len(segment.xy_px))
    points = segment.xy_px
    near = np.zeros(points.shape[:2], dtype=bool)
    directions = settings.outline_directions
    angles = np.arange(directions) * 2 * np.pi / directions
    ways = np.stack([np.cos(angles), np.sin(angles)])
    for start in range(0, len(points), settings.block_frames):
        block = slice(start, min(start + settings.block_frames, len(points)))
        bodies = poses.xy_px[frames][block]
        for slot in range(bodies.shape[1]):
            near[block] |= _near_body(points[block].astype(float), bodies[:, slot], ways, settings)
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
    margin = settings.near_person_torsos + settings.above_person_torsos * np.maximum(-ways[1], 0)
    margin_px = np.maximum(torso_px, height_px / settings.body_torsos)[:, None] * margin
    with np.errstate(invalid="ignore"):
        outline = (body @ ways).max(axis=1) + margin_px
        inside: BoolArray = (points @ ways <= outline[:, None]).all(axis=2)
    return inside


def _spread(near: BoolArray, reach: int) -> BoolArray:
    """Carry True to the frames ``reach`` before and after."""
    padded = np.pad(near.astype(np.int32), ((reach + 1, reach), (0, 0))).cumsum(axis=0)
    around: BoolArray = padded[2 * reach + 1 :] - padded[: -2 * reach - 1] > 0
    return around


# --- the path ----------------------------------------------------------------------------------


def _place(
    segment: Segment,
    off_people: BoolArray,
    poses: Poses,
    focal_px: float,
    settings: CameraSettings,
    rows: IntArray | None = None,
) -> Placed:
    """Place frames of a segment in its reference picture: those of ``rows``, all without."""
    rows = np.arange(len(segment.xy_px)) if rows is None else rows
    return joined(
        [
            fit_frames(
                segment.xy_px[0].astype(float),
                segment.grip.astype(float),
                segment.xy_px[some].astype(float),
                off_people[some],
                _around_bodies(poses.xy_px[segment.first_frame + some], poses),
                (poses.width_px, poses.height_px),
                focal_px,
                settings,
            )
            for some in np.array_split(rows, max(1, len(rows) // settings.block_frames))
        ]
    )


def _around_bodies(xy_px: FloatArray, poses: Poses) -> FloatArray:
    """Return four corners around everybody in each frame, (n, 4, 2); the picture's without any."""
    size_px = np.array([poses.width_px, poses.height_px], dtype=float)
    flat = xy_px.reshape(len(xy_px), -1, 2)
    seen = np.isfinite(flat[..., :1])
    low = np.clip(np.where(seen, flat, np.inf).min(axis=1), 0, size_px)
    high = np.clip(np.where(seen, flat, -np.inf).max(axis=1), 0, size_px)
    nobody = ~seen[..., 0].any(axis=1)
    low[nobody], high[nobody] = 0, size_px
    corners = [(low, low), (high, low), (high, high), (low, high)]
    return np.stack([np.stack([x[:, 0], y[:, 1]], axis=1) for x, y in corners], axis=1)


def _focal_px(
    background: Background,
    off_people: list[BoolArray],
    poses: Poses,
    assumed_px: float,
    settings: CameraSettings,
) -> float:
    """Return the focal length that large turns show, that of a main lens without such.

    A short lens segments the picture's rim as it turns, a long one does not: of some
    focal lengths the one with the least residuals is taken where it surely fits better.
    """
    moved_px = [_far_px(segment) for segment in background.segments]
    widest = int(np.argmax([most.max() for most in moved_px]))
    if moved_px[widest].max() < settings.focal_from_share * max(poses.width_px, poses.height_px):
        return assumed_px
    far = np.sort(np.argsort(moved_px[widest])[-settings.focal_frames :])
    tried_px = assumed_px * np.geomspace(
        settings.focal_least_share, settings.focal_most_share, settings.focal_steps
    )
    residual_px = []
    for focal_px in (assumed_px, *tried_px):
        segment, off = background.segments[widest], off_people[widest]
        placed = _place(segment, off, poses, focal_px, settings, far)
        sure = placed.known.mean() >= settings.least_known_share
        residual_px.append(float(np.median(placed.sd_px)) if sure else np.inf)
    best = int(np.argmin(residual_px))
    better = residual_px[best] < settings.focal_better_share * residual_px[0]
    return float([assumed_px, *tried_px][best]) if better else assumed_px


def _far_px(segment: Segment) -> FloatArray:
    """Return how far the middle one of the points has moved, (n,) pixels."""
    if not segment.xy_px.shape[1]:
        return np.zeros(len(segment.xy_px))
    moved = np.linalg.norm(segment.xy_px - segment.xy_px[0], axis=2).astype(float)
    found = np.isfinite(moved)
    middle = np.zeros(len(moved))
    some = found.any(axis=1)
    middle[some] = np.nanmedian(moved[some], axis=1)
    return middle


def _path_of(fit: Placed, focal_px: float) -> CameraPath:
    """Return rotations as shift and turn."""
    toward = fit.rotation[:, :2, 2] / fit.rotation[:, 2:, 2]
    tip = rotation_toward(toward, np.zeros(len(toward)))
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


def _commonest(reasons: tuple[Reason | None, ...]) -> Reason:
    given = [reason for reason in reasons if reason]
    return max(set(given), key=given.count)


def _chained(
    background: Background,
    off_people: list[BoolArray],
    poses: Poses,
    focal_px: float,
    settings: CameraSettings,
) -> Placed:
    """Put the segments behind each other by the frames that they share.

    The first segment that shows anything starts the chain; where a later one breaks off,
    nothing after it is known.
    """
    parts: list[Placed] = []
    rotation, zoom, variance, held, started = np.eye(3), 1.0, 0.0, True, False
    for segment, off in zip(background.segments, off_people, strict=True):
        own = _place(segment, off, poses, focal_px * zoom, settings)
        placed = Placed(
            rotation @ own.rotation,
            zoom * own.zoom,
            np.sqrt(own.sd_px**2 + variance),
            own.known & held,
            tuple(reason or (None if held else _TURNED_AWAY) for reason in own.reasons),
        )
        started = started or bool(own.known.any())
        held = (held and bool(own.known[-1])) or not started
        if held and started:
            rotation, zoom = placed.rotation[-1], float(placed.zoom[-1])
            variance = float(placed.sd_px[-1]) ** 2
        last = segment is background.segments[-1]
        parts.append(placed if last else _without_last(placed))
    return joined(parts)


def _without_last(placed: Placed) -> Placed:
    rotation, zoom, sd_px, known, reasons = placed
    return Placed(rotation[:-1], zoom[:-1], sd_px[:-1], known[:-1], reasons[:-1])


def _relative_to_middle(fit: Placed, poses: Poses, focal_px: float) -> CameraPath:
    """Make the frame nearest to the middle of all known ones the reference picture."""
    path = _path_of(fit, focal_px)
    half_side_px = 0.25 * (poses.width_px + poses.height_px)  # definition: mean of half sides
    turned_px = np.radians(path.turn_deg) * half_side_px
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
    """Place short segments of unknown frames between their neighbours."""
    known = path.known.copy()
    columns = np.column_stack([path.shift_px, path.turn_deg, path.zoom, path.sd_px])
    usual_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0
    for first, last in runs(~path.known):
        if first == 0 or last == len(known) - 1:
            continue
        before, after = first - 1, last + 1
        with_ends_s = settings.bridged_s + 1.5 * usual_s  # definition: to known frames, rounded
        if t_s[after] - t_s[before] > with_ends_s:
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
    heights_px = np.ptp(person.xy_px[..., 1], axis=1)
    height_px = np.nanpercentile(heights_px, 90)  # definition: the height when upright
    g_px_s2 = GRAVITY_M_S2 * height_px / settings.eyes_to_toes_m
    carried = into_reference(body[:, None], path, size_px)[:, 0]
    both = np.column_stack([body[:, 1], carried[:, 1]])
    filmed, left = local_polynomial(person.t_s, both, settings.fall_half_window_s, 2)[2].T
    with np.errstate(invalid="ignore"):
        falling = np.isfinite(left) & (filmed > settings.fall_least_share * g_px_s2)
        falling &= filmed < settings.fall_most_share * g_px_s2
    for first, last in runs(falling):
        if person.t_s[last] - person.t_s[first] < settings.falling_s:
            falling[first : last + 1] = False
    falling &= ~_spread(~path.known[:, None], settings.one_sided_frames)[:, 0]
    if not falling.any():
        return False
    taken = float(np.sum(filmed[falling] - left[falling]) / np.sum(filmed[falling]))
    return taken > settings.falls_along


def _moves(path: CameraPath, poses: Poses, settings: CameraSettings) -> bool:
    """Say whether the picture moves by more than what a tripod's may seem to."""
    known = path.known
    low, high = settings.judged_from_rim_share, 1 - settings.judged_from_rim_share
    corners = np.array([[low, low], [high, low], [low, high], [high, high]])
    size_px = (poses.width_px, poses.height_px)
    grid = np.tile(corners * size_px, (len(known), 1, 1))
    moved = np.linalg.norm(into_reference(grid, path, size_px) - grid, axis=2).max(axis=1)
    usual_px = settings.still_share * max(size_px)
    seeming_px = settings.surely_sds * float(np.median(path.sd_px[known]))
    seeming_px = float(np.clip(seeming_px, usual_px, 2 * usual_px))
    return bool(np.percentile(moved[known], settings.moved_percentile) > seeming_px)


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
