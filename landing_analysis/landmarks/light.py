"""(Frames, Poses) -> Light: how bright patient and background are, how the legs stand out.

Small grey pictures are kept while frames stream to the pose model, a few a second and
never more than a bounded number; what the model saw then says where to look in them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from landing_analysis.tables import (
    LANDMARK,
    LIGHT_PARTS,
    LIMBS,
    FloatArray,
    Frame,
    Landmarks,
    Light,
    Limb,
    Picture,
    Poses,
)

_SAMPLES = 240  # along the picture's shorter side; a shoe is 15 of them
_LOOK_EVERY_S = 0.2  # light changes slowly (choice)
_MOST_LOOKS = 128  # 13 MB; a longer clip is looked at less often
_LUMA = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)  # Rec. 709
_REACH_LEGS = {"9cm": 0.11, "12cm": 0.14, "": 0.08}  # of a patch; a leg is 0.83 m (choice)
_DOWN_THIGH = 0.6  # from hip to knee; a knee under a coat is drawn down to its hem
_BESIDE_LEGS = (0.15, 0.75)  # from the body's box to the sides: 12 to 60 cm of background (choice)
_SAME_PX = 1.0
_FLOOR_LEGS = (0.12, 0.45)  # in the picture below the feet: 10 to 37 cm in front of them (choice)
_MARGIN_LEGS, _ASIDE_LEGS = 0.05, 0.3  # around the feet, and to what counts as beside (choice)
_FOR_USUAL = 32  # looks that tell how the floor looks most of the time
_FEWEST_PIXELS = 60
_FEET = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("ankle", "heel", "toe")]
_LINES = (("shoulder", "hip"), ("hip", "knee"), ("knee", "ankle"))
_LEG = [[LANDMARK[f"{limb}_{part}"] for part in ("hip", "knee", "ankle")] for limb in LIMBS]
_PATCHES = [(limb, *part.partition("_")[::2]) for limb in LIMBS for part in LIGHT_PARTS]


@dataclass(frozen=True)
class Look:
    """One small grey picture: its time and every ``step``-th pixel."""

    t_s: float
    step: int
    grey: Picture


def watch_light(frames: Iterable[Frame], looks: list[Look]) -> Iterator[Frame]:
    """Pass frames on and keep a small grey picture of some of them.

    Parameters
    ----------
    frames : in order
    looks : grows to a bounded number; when it is full every second one is dropped and
        from then on half as many are kept
    """
    every_s, last_s = _LOOK_EVERY_S, -np.inf
    for frame in frames:
        if frame.t_s - last_s >= every_s:
            last_s = frame.t_s
            looks.append(_look(frame))
            if len(looks) > _MOST_LOOKS:
                del looks[1::2]
                every_s *= 2
        yield frame


def _look(frame: Frame) -> Look:
    step = max(1, min(frame.rgb.shape[:2]) // _SAMPLES)
    return Look(frame.t_s, step, (frame.rgb[::step, ::step] @ _LUMA).astype(np.uint8))


def measure_light(looks: list[Look], poses: Poses) -> Light | None:
    """Read how bright each person and what is beside them are, and how the legs stand out.

    Parameters
    ----------
    looks : from `watch_light`
    poses : of the same clip; looks at frames that were left out are skipped

    Returns
    -------
    Light, None when there was nothing to look at
    """
    frames = np.searchsorted(poses.t_s, [look.t_s for look in looks])
    kept = [
        (int(frame), look)
        for frame, look in zip(frames, looks, strict=True)
        if frame < len(poses.t_s) and poses.t_s[frame] == look.t_s
    ]
    if not kept:
        return None
    n_slots = poses.xy_px.shape[1]
    body, around = (np.full((len(kept), n_slots), np.nan) for _ in range(2))
    contrast = np.full((len(kept), n_slots, len(_PATCHES)), np.nan)
    floor = np.full((len(kept), n_slots, 2), np.nan)
    usual = np.median([look.grey for _, look in kept[:: len(kept) // _FOR_USUAL + 1]], axis=0)
    floor_px = _floor_rows(poses, [frame for frame, _ in kept])
    for row, (frame, look) in enumerate(kept):
        for slot in range(n_slots):
            xy = poses.xy_px[frame, slot] / look.step
            if np.isfinite(xy[:, 0]).all():
                body[row, slot], around[row, slot] = _brightness(look.grey, xy)
                contrast[row, slot] = _contrasts(look.grey, xy)
                change = np.abs(look.grey - usual)
                floor[row, slot] = _floor_changes(change, xy, floor_px[slot] / look.step)
    return Light(
        t_s=np.array([look.t_s for _, look in kept]),
        body_levels=body,
        around_levels=around,
        contrast_levels=contrast,
        floor_levels=floor,
    )


def _floor_rows(poses: Poses, frames: list[int]) -> FloatArray:
    """Return the lowest row, (n_slots,), that the feet of a slot reach in the picture."""
    feet = poses.xy_px[frames][:, :, _FEET, 1].max(axis=2)
    lowest: FloatArray = np.where(np.isfinite(feet), feet, -np.inf).max(axis=0)
    return lowest


def _floor_changes(change: FloatArray, xy: FloatArray, floor_row: float) -> tuple[float, float]:
    """Return how much the floor in front of the feet changed, and the floor beside it.

    The 90th percentile over the pixels; the quieter side counts. NaN outside the picture.
    """
    leg = _leg_length(xy)
    top, bottom = (max(round(floor_row + share * leg), 0) for share in _FLOOR_LEGS)
    left = float(xy[_FEET, 0].min()) - _MARGIN_LEGS * leg
    right = float(xy[_FEET, 0].max()) + _MARGIN_LEGS * leg
    width, aside = right - left, _ASIDE_LEGS * leg

    def changed(start: float, end: float) -> float:
        box = change[top:bottom, max(round(start), 0) : max(round(end), 0)]
        return float(np.percentile(box, 90)) if box.size >= _FEWEST_PIXELS else np.nan

    beside = (
        changed(left - aside - 2 * width, left - aside),
        changed(right + aside, right + aside + 2 * width),
    )
    return changed(left, right), float(np.fmin(*beside))


def _leg_length(xy: FloatArray) -> float:
    return float(
        max(np.linalg.norm(np.diff(xy[columns], axis=0), axis=1).sum() for columns in _LEG)
    )


def _brightness(grey: Picture, xy: FloatArray) -> tuple[float, float]:
    """Return the median grey level along trunk and legs, and beside the body."""
    shares = np.linspace(0.0, 1.0, 12)[:, None]
    points = np.concatenate(
        [
            xy[LANDMARK[f"{limb}_{start}"]] * (1 - shares) + xy[LANDMARK[f"{limb}_{end}"]] * shares
            for limb in LIMBS
            for start, end in _LINES
        ]
    )
    reach = [share * _leg_length(xy) for share in _BESIDE_LEGS]
    top, bottom = (int(np.clip(y, 0, len(grey))) for y in (xy[:, 1].min(), xy[:, 1].max()))
    left, right = xy[:, 0].min(), xy[:, 0].max()
    width = grey.shape[1]
    beside = []
    for edges in ((left - reach[1], left - reach[0]), (right + reach[0], right + reach[1])):
        first, last = (int(np.clip(x, 0, width)) for x in edges)
        beside.append(grey[top:bottom, first:last].ravel())
    background = np.concatenate(beside)
    return (
        float(np.median(_at(grey, points))) if len(_at(grey, points)) else np.nan,
        float(np.median(background)) if len(background) else np.nan,
    )


def _at(grey: Picture, points: FloatArray) -> Picture:
    """Return the grey levels at those points that lie in the picture."""
    columns, rows = np.rint(points).astype(int).T
    inside = (rows >= 0) & (rows < grey.shape[0]) & (columns >= 0) & (columns < grey.shape[1])
    levels: Picture = grey[rows[inside], columns[inside]]
    return levels


def _contrasts(grey: Picture, xy: FloatArray) -> FloatArray:
    """Return the range of grey levels (5th to 95th percentile) in every patch."""
    leg = _leg_length(xy)
    found = np.full(len(_PATCHES), np.nan)
    for place, (limb, part, size) in enumerate(_PATCHES):
        reach = max(2, round(_REACH_LEGS[size] * leg))
        x, y = np.rint(_place(xy, limb, part)).astype(int)
        rows, columns = (
            slice(max(at - reach, 0), max(at + reach + 1, 0)) for at in (int(y), int(x))
        )
        patch = grey[rows, columns]
        if patch.size:
            low, high = np.percentile(patch, (5, 95))
            found[place] = high - low
    return found


def _place(xy: FloatArray, limb: Limb, part: str) -> FloatArray:
    point: FloatArray = xy[LANDMARK[f"{limb}_{'knee' if part == 'thigh' else part}"]]
    if part == "thigh":
        hip = xy[LANDMARK[f"{limb}_hip"]]
        point = hip + _DOWN_THIGH * (point - hip)
    return point


def light_of_person(poses: Poses, person: Landmarks) -> Light | None:
    """Return the light on one person: that of the slot in which they were seen.

    Parameters
    ----------
    poses : with the light of every slot, or without
    person : one of those told apart in ``poses``

    Returns
    -------
    Light with a single slot, None where it was not measured
    """
    light = poses.light
    if light is None:
        return None
    frames = np.searchsorted(poses.t_s, light.t_s)
    known = frames < len(poses.t_s)
    frames = frames[known]
    away = np.abs(poses.xy_px[frames] - person.xy_px[frames, None]).max(axis=(2, 3))
    mine = np.where(np.isfinite(away), away, np.inf)
    slots, seen = mine.argmin(axis=1), mine.min(axis=1) < _SAME_PX
    rows = np.flatnonzero(known)[seen], slots[seen]
    return Light(
        t_s=light.t_s[rows[0]],
        body_levels=light.body_levels[rows][:, None],
        around_levels=light.around_levels[rows][:, None],
        contrast_levels=light.contrast_levels[rows][:, None],
        floor_levels=light.floor_levels[rows][:, None],
    )
