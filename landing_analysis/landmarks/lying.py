"""A body that lies in the picture is stood up by quarter turns, and what came of it laid back.

A patient on a sled lies on their back and pushes off an upright plate: the surface that the
feet land on stands at the side of the picture. Stood up, the plate is a floor, and every stage
after this one works as for a standing body. Only coordinates are turned, not pictures: the pose
model turns its own crop with the body. On rendered sleds (51 frames each) the near knee's flexion
erred on average by 2.2 deg as filmed and by 1.7 in turned pictures on one body, by 7.5 and 10.9
on another.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from landing_analysis.reasons import Code, because
from landing_analysis.settings import LyingSettings
from landing_analysis.tables import LANDMARK, FloatArray, Landmarks, MeasuredPerson, Tracks

_SHOULDERS = [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]
_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]
_FULL_TURN = 4
"""In quarter turns."""


def quarter_turns(landmarks: Landmarks, settings: LyingSettings) -> int:
    """Return how many quarter turns, counter-clockwise, stand a body upright in the picture.

    Parameters
    ----------
    landmarks : of one person, as filmed
    settings : LyingSettings

    Returns
    -------
    int
        1 or 3 where the trunk lies sideways for ``settings.least_share`` of the frames in which
        it is seen, most of them with the head to one side; 0 otherwise. A body upside down
        is left so.
    """
    trunk = landmarks.xy_px[:, _SHOULDERS].mean(axis=1) - landmarks.xy_px[:, _HIPS].mean(axis=1)
    trunk = trunk[np.isfinite(trunk).all(axis=1)]
    if not len(trunk):
        return 0
    sideways = np.abs(trunk[:, 0]) > np.abs(trunk[:, 1])
    if sideways.mean() < settings.least_share:
        return 0
    return 1 if np.median(trunk[:, 0]) > 0 else _FULL_TURN - 1


def the_one_who_lies(
    chosen: MeasuredPerson, people: tuple[Landmarks, ...], settings: LyingSettings
) -> MeasuredPerson:
    """Return the only one of several people who lies, where nobody was seen to jump.

    Somebody who stands beside a sled is mostly the larger one, and moves as little.
    """
    if chosen.reason.code != Code.LARGEST_NOBODY_JUMPS:
        return chosen
    lying = [number for number, one in enumerate(people) if quarter_turns(one, settings)]
    if len(lying) != 1:
        return chosen
    reason = because(Code.ONLY_ONE_WHO_LIES, people=len(people))
    return MeasuredPerson(lying[0] + 1, len(people), reason, people[lying[0]])


def stood_up(landmarks: Landmarks, turns: int) -> Landmarks:
    """Turn landmarks by quarter turns, counter-clockwise, together with the picture's frame."""
    if not turns:
        return landmarks
    sideways = turns % 2 == 1
    world_m = landmarks.world_m.copy()
    world_m[..., :2] = rotated(world_m[..., :2], turns)
    return replace(
        landmarks,
        xy_px=_turned(landmarks.xy_px, turns, landmarks.width_px, landmarks.height_px),
        world_m=world_m,
        width_px=landmarks.height_px if sideways else landmarks.width_px,
        height_px=landmarks.width_px if sideways else landmarks.height_px,
    )


def laid_back(tracks: Tracks, width_px: int, height_px: int) -> Tracks:
    """Return tracks as they lie in the picture as filmed, of that size, `Tracks.turns` undone."""
    back = -tracks.turns % _FULL_TURN
    if not back:
        return tracks
    size = (height_px, width_px) if back % 2 else (width_px, height_px)
    return replace(
        tracks,
        raw_px=_turned(tracks.raw_px, back, *size),
        xy_px=_turned(tracks.xy_px, back, *size),
        down=rotated(tracks.down, back),
        turns=0,
    )


def rotated(vectors: FloatArray, turns: int) -> FloatArray:
    """Vectors (..., 2), x right and y down, by quarter turns counter-clockwise."""
    for _ in range(turns):
        vectors = np.stack([vectors[..., 1], -vectors[..., 0]], axis=-1)
    return vectors


def _turned(points_px: FloatArray, turns: int, width_px: int, height_px: int) -> FloatArray:
    """Points (..., 2) of a picture of that size, by quarter turns counter-clockwise."""
    for _ in range(turns):
        points_px = rotated(points_px, 1) + np.array([0.0, width_px - 1.0])
        width_px, height_px = height_px, width_px
    return points_px
