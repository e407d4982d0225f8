"""People -> those who stand upright: a body upside down is its reflection in the floor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from landing_analysis.reasons import Code, because
from landing_analysis.tables import LANDMARK, BoolArray, FloatArray, Landmarks, Note, Poses

_HEAD = [LANDMARK["nose"], LANDMARK["left_ear"], LANDMARK["right_ear"]]
_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]
_ANKLES = [LANDMARK["left_ankle"], LANDMARK["right_ankle"]]
_MOSTLY = 0.8  # of the frames in which somebody is seen (choice)


def without_reflections(
    people: tuple[Landmarks, ...],
) -> tuple[tuple[Landmarks, ...], tuple[Note, ...]]:
    """Leave out people who are upside down while somebody else is not.

    Parameters
    ----------
    people : told apart through the clip

    Returns
    -------
    people : those upright, in the same order; all where nobody is
    notes : one, when somebody was left out

    Notes
    -----
    A floor or a low mirror that gives back the body makes the pose model see a second
    person, head down, as large as the first and as restless. Upside down means that the
    head lies below the hips and these below the ankles in the picture, in most of the
    frames in which the person is seen. Limit: a mirror on the wall shows a person
    upright, whom nothing here can tell from a second one.
    """
    mirrored = [_is_upside_down(person) for person in people]
    if not any(mirrored) or all(mirrored):
        return people, ()
    upright = tuple(p for p, down in zip(people, mirrored, strict=True) if not down)
    return upright, (Note("reflection", "limited", (because(Code.REFLECTION),)),)


def upright_bodies(poses: Poses) -> Poses:
    """Leave out every body that is upside down in its frame, whoever it belongs to."""
    gone = _upside_down(poses.xy_px)
    return replace(poses, xy_px=np.where(gone[..., None, None], np.nan, poses.xy_px))


def _is_upside_down(person: Landmarks) -> bool:
    seen = np.isfinite(person.xy_px[:, _HEAD + _HIPS + _ANKLES, 1]).all(axis=1)
    return bool(seen.any()) and bool(_upside_down(person.xy_px[seen]).mean() > _MOSTLY)


def _upside_down(xy_px: FloatArray) -> BoolArray:
    """Say of bodies (..., 33, 2) whether the head is below the hips and these below the ankles."""
    head, hips, ankles = (xy_px[..., part, 1].mean(axis=-1) for part in (_HEAD, _HIPS, _ANKLES))
    with np.errstate(invalid="ignore"):
        down: BoolArray = (head > hips) & (hips > ankles)
    return down
