"""Loose trousers and a long coat over a body: cloth that hides the knee and trails behind it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from synthetic_patients.body import SEGMENTS, SIDES, Body, FloatArray

_SHIRT, _SHORTS = 1, 2
_INSIDE_M = 0.1
_AROUND, _ALONG = 40, 48
_LEG_SEGMENTS = [
    SEGMENTS.index(name)
    for name in (
        "pelvis", "abdomen", *(side + part for side in SIDES for part in ("thigh", "shank"))
    )
]  # fmt: skip


def in_loose_trousers(body: Body) -> Body:
    """Put wide trousers on a body: a tube round each leg whose lower half trails.

    The tube is 2 to 4 cm wider than the leg, bends softly over 20 cm about the knee and
    hides the skin beneath it.
    """
    for side in SIDES:
        hip, knee, ankle = (body.joints[side + joint] for joint in ("hip", "knee", "ankle"))
        top_m, hem_m = hip[2] - 0.03, ankle[2] + 0.01
        down = np.linspace(0.0, 1.0, _ALONG)
        height = top_m + down * (hem_m - top_m)
        middle = np.stack(
            [np.interp(-height, [-hip[2], -knee[2], -ankle[2]], [p[k] for p in (hip, knee, ankle)])
             for k in (0, 1)], axis=1,
        )  # fmt: skip
        width = np.interp(down, [0.0, 0.5, 1.0], [0.105, 0.092, 0.085]) * body.stature_m / 1.75
        thigh = _rising(height, knee[2] - 0.10, knee[2] + 0.10)
        pelvis = _rising(height, hip[2] - 0.12, hip[2] + 0.02)
        weights = np.zeros((_ALONG, len(SEGMENTS)))
        weights[:, SEGMENTS.index("pelvis")] = pelvis
        weights[:, SEGMENTS.index(side + "thigh")] = thigh * (1 - pelvis)
        weights[:, SEGMENTS.index(side + "shank")] = (1 - thigh) * (1 - pelvis)
        body = _with_tube(body, height, middle, width, width, weights, 0.4 * down**1.5, _SHORTS)
    return _without_legs(body, body.joints["left_ankle"][2] + 0.03, body.joints["left_hip"][2])


def in_long_coat(body: Body) -> Body:
    """Put a coat on a body that reaches from the waist to below the knees.

    Its front is pushed by the thighs, its back hangs; the lower half trails.
    """
    hip, knee, waist = (body.joints[name] for name in ("left_hip", "left_knee", "waist"))
    down = np.linspace(0.0, 1.0, _ALONG)
    height = waist[2] + 0.06 + down * (knee[2] - 0.16 - waist[2])
    middle = np.tile([body.joints["mid_hip"][0] + 0.02, 0.0], (_ALONG, 1))
    size = body.stature_m / 1.75
    girth = float(np.abs(body.points[body.materials == _SHORTS, 1]).max())
    deep = np.interp(down, [0.0, 0.3, 1.0], [0.15, 0.18, 0.24]) * size
    wide = np.interp(down, [0.0, 0.3, 1.0], [girth - 0.02, girth + 0.04, girth + 0.12])
    turn = np.linspace(0, 2 * np.pi, _AROUND, endpoint=False)
    legs = 1 - _rising(height, knee[2] + 0.05, hip[2] + 0.03)
    front = 0.5 + 0.5 * np.cos(turn)
    share = legs[:, None] * (0.4 + 0.6 * front[None])
    left = _rising(np.sin(turn), -0.7, 0.7)
    weights = np.zeros((_ALONG, _AROUND, len(SEGMENTS)))
    weights[..., SEGMENTS.index("pelvis")] = 1 - share
    weights[..., SEGMENTS.index("left_thigh")] = share * left
    weights[..., SEGMENTS.index("right_thigh")] = share * (1 - left)
    coat = _with_tube(
        body, height, middle, deep, wide, weights.reshape(-1, len(SEGMENTS)), 0.4 * down**2, _SHIRT
    )
    return _without_legs(coat, float(height[-1]) + 0.04, waist[2])


def _rising(values: FloatArray, start: float, end: float) -> FloatArray:
    share = np.clip((values - start) / (end - start), 0.0, 1.0)
    return np.asarray(share * share * (3 - 2 * share))


def _with_tube(
    body: Body,
    height: FloatArray,
    middle: FloatArray,
    deep: FloatArray,
    wide: FloatArray,
    weights: FloatArray,
    trailing: FloatArray,
    material: int,
) -> Body:
    """Add rings of cloth, from top to hem; ``weights`` are per ring or per point."""
    turn = np.linspace(0, 2 * np.pi, _AROUND, endpoint=False)
    rings = np.empty((len(height), _AROUND, 3))
    rings[..., 0] = middle[:, :1] + deep[:, None] * np.cos(turn)
    rings[..., 1] = middle[:, 1:] + wide[:, None] * np.sin(turn)
    rings[..., 2] = height[:, None]
    points = rings.reshape(-1, 3)
    if len(weights) == len(height):
        weights = np.repeat(weights, _AROUND, axis=0)
    fields = np.full((len(points), 3), -1.0)
    fields[:, material - 1] = _INSIDE_M
    old = np.zeros(len(body.points)) if body.trailing is None else body.trailing
    return replace(
        body,
        points=np.concatenate([body.points, points]),
        triangles=np.concatenate([body.triangles, _wall(len(height)) + len(body.points)]),
        weights=np.concatenate([body.weights, weights]),
        fields=np.concatenate([body.fields, fields]),
        materials=np.concatenate([body.materials, np.full(len(points), material, np.uint8)]),
        trailing=np.concatenate([old, np.repeat(trailing, _AROUND)]),
    )


def _wall(rings: int) -> NDArray[np.int64]:
    """Triangles between neighbouring rings."""
    ring, place = np.meshgrid(np.arange(rings - 1), np.arange(_AROUND), indexing="ij")
    a = ring * _AROUND + place
    b = ring * _AROUND + (place + 1) % _AROUND
    one = np.stack([a, b, a + _AROUND], axis=-1)
    other = np.stack([b, b + _AROUND, a + _AROUND], axis=-1)
    return np.concatenate([one.reshape(-1, 3), other.reshape(-1, 3)]).astype(np.int64)


def _without_legs(body: Body, low_m: float, high_m: float) -> Body:
    """Hide skin and shorts under the cloth, so that nothing pokes through it."""
    height = body.points[:, 2]
    of_leg = body.weights[:, _LEG_SEGMENTS].sum(axis=1) > 0.5
    body_itself = body.fields.min(axis=1) > -0.99
    hidden = of_leg & body_itself & (height > low_m) & (height < high_m)
    fields = body.fields.copy()
    fields[hidden & (body.materials == 0), 0] = _INSIDE_M
    fields[hidden & (body.materials == _SHORTS), 1] = -_INSIDE_M
    return replace(body, fields=fields)
