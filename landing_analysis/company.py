"""(Patient, Poses) -> Encounters: where somebody else is in the patient's way, and what it costs.

The pose model draws one body from what two have on the same spot, or gives the nearer one
alone. What it says of the patient while somebody else overlaps them in the picture is not
measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from landing_analysis.settings import PeopleSettings
from landing_analysis.signals import close_gaps, runs
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    BoolArray,
    Contacts,
    Flight,
    FloatArray,
    Landmarks,
    Note,
    Patient,
    Poses,
    QualityState,
    Rep,
    Reps,
)

Where = Literal["in front of", "behind", "beside"]

_FEET = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("ankle", "heel", "toe")]
_TRUNK = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("shoulder", "hip")]
_BODY = [*_TRUNK, *(LANDMARK[f"{limb}_knee"] for limb in LIMBS), *_FEET]
_HANDS = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("wrist", "index")]


@dataclass(frozen=True)
class Encounter:
    """A stretch of time in which somebody overlaps the patient in the picture."""

    start_s: float
    end_s: float
    where: Where


@dataclass(frozen=True)
class Company:
    """Who else is near the patient, frame by frame.

    Attributes
    ----------
    near : (n_frames,) somebody else stands close beside, without overlapping
    mixed : (n_frames,) the pose model drew a second body partly from the patient's
    touched : (n_frames,) somebody's hand is at the patient
    """

    encounters: tuple[Encounter, ...]
    near: BoolArray
    mixed: BoolArray
    touched: BoolArray


def watch_company(person: Landmarks, poses: Poses, settings: PeopleSettings) -> Company:
    """Find who is near one person, and where they overlap them.

    Parameters
    ----------
    person : whom the others are near to
    poses : of the same frames; times are those of ``person``
    settings : PeopleSettings

    Returns
    -------
    Company

    Notes
    -----
    Bodies are boxes around shoulders, hips, legs and feet; a person who is lost for a
    while is taken to be on the line between where they were and where they came back.
    Somebody whose feet are lower in the picture is nearer to the camera. Limit: somebody
    whom the model does not draw at all is not noticed.
    """
    t_s, own = person.t_s, person.xy_px[:, _BODY]
    leg_px = _height_px(own) or 1.0
    box = _bridged(t_s, _boxes(own), settings.lost_s)
    others = poses.xy_px[:, :, _BODY]
    apart = np.linalg.norm(others - own[:, None], axis=3)
    with np.errstate(invalid="ignore"):
        same = (apart < settings.same_share_of_body * leg_px).sum(axis=2)
        lost = ~np.isfinite(own[:, 0, 0])
        seen = np.isfinite(others[:, :, 0, 0])
        mixed = seen & (same >= settings.same_landmarks) & (same < len(_BODY))
        apart_box = _between(box[:, None], _boxes(others)) / leg_px
    itself = same == len(_BODY)
    real = seen & ~mixed & ~itself
    over = (real & (apart_box < settings.overlap_share_of_body)).any(axis=1)
    over = close_gaps(t_s, over | (lost & _beside(over)), settings.lost_s)
    near = (real & (apart_box < settings.near_share_of_body)).any(axis=1)
    hands = poses.xy_px[:, :, _HANDS]
    inside = (hands >= box[:, None, None, :2]) & (hands <= box[:, None, None, 2:])
    touched = (real & inside.all(axis=3).any(axis=2)).any(axis=1)
    floor_px = _floor_px(own, leg_px)
    encounters = tuple(
        Encounter(
            float(t_s[first]),
            float(t_s[last]),
            _where(poses, real & (apart_box < settings.overlap_share_of_body), first, last,
                   floor_px, leg_px),
        )
        for first, last in runs(over)
        if t_s[last] - t_s[first] >= settings.least_encounter_s
    )  # fmt: skip
    return Company(encounters, near, mixed.any(axis=1), touched)


def _boxes(points: FloatArray) -> FloatArray:
    """Return (..., 4): left, top, right, bottom of points (..., n, 2); NaN where unknown."""
    return np.concatenate([points.min(axis=-2), points.max(axis=-2)], axis=-1)


def _between(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return how far two boxes (..., 4) are apart in the picture; negative where they overlap."""
    right = np.maximum(other[..., 0] - one[..., 2], one[..., 0] - other[..., 2])
    down = np.maximum(other[..., 1] - one[..., 3], one[..., 1] - other[..., 3])
    apart: FloatArray = np.maximum(right, down)
    return apart


def _bridged(t_s: FloatArray, boxes: FloatArray, longest_s: float) -> FloatArray:
    """Carry boxes (n_frames, 4) across gaps that are not too long."""
    bridged = boxes.copy()
    known = np.flatnonzero(np.isfinite(boxes[:, 0]))
    for first, last in runs(~np.isfinite(boxes[:, 0])):
        before, after = known[known < first], known[known > last]
        if not len(before) or not len(after):
            ends = [before[-1]] if len(before) else [after[0]] if len(after) else []
            near = np.abs(t_s[first : last + 1] - t_s[ends[0]]) <= longest_s if ends else []
            bridged[first : last + 1][near] = boxes[ends[0]] if ends else np.nan
        elif t_s[after[0]] - t_s[before[-1]] <= 2 * longest_s:
            share = (t_s[first : last + 1] - t_s[before[-1]]) / (t_s[after[0]] - t_s[before[-1]])
            ends_px = boxes[[before[-1], after[0]]]
            bridged[first : last + 1] = ends_px[0] + share[:, None] * (ends_px[1] - ends_px[0])
    return bridged


def _beside(flags: BoolArray) -> BoolArray:
    """Return frames that touch a flagged one."""
    touching = flags.copy()
    touching[1:] |= flags[:-1]
    touching[:-1] |= flags[1:]
    return touching


def _height_px(body: FloatArray) -> float:
    """Return the usual height of a body from shoulders to feet, 0 when it is never seen."""
    heights = body[..., 1].max(axis=1) - body[..., 1].min(axis=1)
    return float(np.nanpercentile(heights, 90)) if np.isfinite(heights).any() else 0.0


def _floor_px(body: FloatArray, height_px: float) -> float:
    """Return how low in the picture a person's feet stand."""
    lowest = body[:, -len(_FEET) :, 1].max(axis=1)
    return float(np.nanpercentile(lowest, 80)) if np.isfinite(lowest).any() else height_px


def _where(
    poses: Poses, over: BoolArray, first: int, last: int, floor_px: float, height_px: float
) -> Where:
    """Say on which side of the patient somebody is who overlaps them in these frames."""
    feet = poses.xy_px[first : last + 1, :, _FEET, 1].max(axis=2)[over[first : last + 1]]
    lower = float(np.nanmedian(feet)) - floor_px if len(feet) else 0.0
    if abs(lower) < 0.04 * height_px:
        return "beside"
    return "in front of" if lower > 0 else "behind"
