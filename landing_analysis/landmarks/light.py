"""(Frames, Poses) -> Light: how bright patient and background are, how the legs stand out.

Small grey pictures are kept while frames stream to the pose model, a few a second and
never more than a bounded number; what the model saw then says where to look in them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from landing_analysis.settings import LookSettings, PeopleSettings
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

_LUMA = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)  # definition: Rec. 709
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


def watch_light(
    frames: Iterable[Frame], looks: list[Look], settings: LookSettings
) -> Iterator[Frame]:
    """Pass frames on and keep a small grey picture of some of them.

    Parameters
    ----------
    frames : in order
    looks : grows to a bounded number; when it is full every second one is dropped and
        from then on half as many are kept
    settings : LookSettings
    """
    every_s, last_s = settings.every_s, -np.inf
    for frame in frames:
        if frame.has_picture and frame.t_s - last_s >= every_s:
            last_s = frame.t_s
            looks.append(_look(frame, settings.short_side_samples))
            if len(looks) > settings.most_looks:
                del looks[1::2]
                every_s *= 2
        yield frame


def _look(frame: Frame, short_side: int) -> Look:
    step = max(1, min(frame.rgb.shape[:2]) // short_side)
    return Look(frame.t_s, step, (frame.rgb[::step, ::step] @ _LUMA).astype(np.uint8))


def measure_light(looks: list[Look], poses: Poses, settings: LookSettings) -> Light | None:
    """Read how bright each person and what is beside them are, and how the legs stand out.

    Parameters
    ----------
    looks : from `watch_light`
    poses : of the same clip; looks at frames that were left out are skipped
    settings : LookSettings

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
    every = len(kept) // settings.usual_looks + 1
    usual = np.median([look.grey for _, look in kept[::every]], axis=0)
    floor_px = _floor_rows(poses, [frame for frame, _ in kept])
    for row, (frame, look) in enumerate(kept):
        for slot in range(n_slots):
            xy = poses.xy_px[frame, slot] / look.step
            if np.isfinite(xy[:, 0]).all():
                body[row, slot], around[row, slot] = _brightness(look.grey, xy, settings)
                contrast[row, slot] = _contrasts(look.grey, xy, settings)
                change = np.abs(look.grey - usual)
                floor_row = floor_px[slot] / look.step
                floor[row, slot] = _floor_changes(change, xy, floor_row, settings)
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


def _floor_changes(
    change: FloatArray, xy: FloatArray, floor_row: float, settings: LookSettings
) -> tuple[float, float]:
    """Return how much the floor in front of the feet changed, and the floor beside it.

    A high percentile over the pixels; the quieter side counts. NaN outside the picture.
    """
    leg = _leg_length(xy)
    ends_legs = settings.floor_from_legs, settings.floor_to_legs
    top, bottom = (max(round(floor_row + share * leg), 0) for share in ends_legs)
    left = float(xy[_FEET, 0].min()) - settings.floor_margin_legs * leg
    right = float(xy[_FEET, 0].max()) + settings.floor_margin_legs * leg
    width, aside = right - left, settings.floor_aside_legs * leg

    def changed(start: float, end: float) -> float:
        box = change[top:bottom, max(round(start), 0) : max(round(end), 0)]
        if box.size < settings.floor_fewest_pixels:
            return np.nan
        return float(np.percentile(box, settings.floor_percentile))

    beside = (
        changed(left - aside - 2 * width, left - aside),
        changed(right + aside, right + aside + 2 * width),
    )
    return changed(left, right), float(np.fmin(*beside))


def _leg_length(xy: FloatArray) -> float:
    return float(
        max(np.linalg.norm(np.diff(xy[columns], axis=0), axis=1).sum() for columns in _LEG)
    )


def _brightness(grey: Picture, xy: FloatArray, settings: LookSettings) -> tuple[float, float]:
    """Return the median grey level along trunk and legs, and beside the body."""
    shares = np.linspace(0.0, 1.0, settings.line_points)[:, None]
    points = np.concatenate(
        [
            xy[LANDMARK[f"{limb}_{start}"]] * (1 - shares) + xy[LANDMARK[f"{limb}_{end}"]] * shares
            for limb in LIMBS
            for start, end in _LINES
        ]
    )
    ends_legs = settings.beside_from_legs, settings.beside_to_legs
    reach = [share * _leg_length(xy) for share in ends_legs]
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


def _contrasts(grey: Picture, xy: FloatArray, settings: LookSettings) -> FloatArray:
    """Return the range of grey levels, without its tails, in every patch."""
    leg = _leg_length(xy)
    reach_legs = {
        "9cm": settings.patch_9cm_legs,
        "12cm": settings.patch_12cm_legs,
        "": settings.patch_legs,
    }
    within = (settings.patch_tail_pct, 100 - settings.patch_tail_pct)
    found = np.full(len(_PATCHES), np.nan)
    for place, (limb, part, size) in enumerate(_PATCHES):
        reach = max(2, round(reach_legs[size] * leg))
        x, y = np.rint(_place(xy, limb, part, settings.down_thigh_share)).astype(int)
        rows, columns = (
            slice(max(at - reach, 0), max(at + reach + 1, 0)) for at in (int(y), int(x))
        )
        patch = grey[rows, columns]
        if patch.size:
            low, high = np.percentile(patch, within)
            found[place] = high - low
    return found


def _place(xy: FloatArray, limb: Limb, part: str, down_thigh: float) -> FloatArray:
    point: FloatArray = xy[LANDMARK[f"{limb}_{'knee' if part == 'thigh' else part}"]]
    if part == "thigh":
        hip = xy[LANDMARK[f"{limb}_hip"]]
        point = hip + down_thigh * (point - hip)
    return point


def light_of_person(poses: Poses, person: Landmarks, settings: PeopleSettings) -> Light | None:
    """Return the light on one person: that of the slot in which they were seen.

    Parameters
    ----------
    poses : with the light of every slot, or without
    person : one of those told apart in ``poses``
    settings : PeopleSettings

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
    slots, seen = mine.argmin(axis=1), mine.min(axis=1) < settings.same_px
    rows = np.flatnonzero(known)[seen], slots[seen]
    return Light(
        t_s=light.t_s[rows[0]],
        body_levels=light.body_levels[rows][:, None],
        around_levels=light.around_levels[rows][:, None],
        contrast_levels=light.contrast_levels[rows][:, None],
        floor_levels=light.floor_levels[rows][:, None],
    )
