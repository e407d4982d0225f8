"""Clothes change what is seen of a drawn patient and nothing of how they move."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from synthetic_patients.body import SEGMENT_ORIGIN, SEGMENTS, load_body
from synthetic_patients.clothes import in_long_coat, in_loose_trousers

BODY = load_body("slim_woman")
POINT_TOLERANCE_M = 1e-9
DRESSES = (in_loose_trousers, in_long_coat)


def _standing():
    return BODY.rest_rotations(), np.array([BODY.joints[SEGMENT_ORIGIN[s]] for s in SEGMENTS])


@pytest.mark.parametrize("dress", DRESSES)
def test_the_body_beneath_stays_as_it_was(dress):
    dressed = dress(BODY)
    assert dressed.joints == BODY.joints
    placed = dressed.place(*_standing())
    assert_allclose(placed[: len(BODY.points)], BODY.points, atol=POINT_TOLERANCE_M)
    assert_allclose(dressed.weights.sum(axis=1), 1.0, atol=POINT_TOLERANCE_M)
    assert dressed.triangles.max() == len(dressed.points) - 1


def test_a_coat_reaches_below_the_knees_and_hides_the_skin_there():
    coat = in_long_coat(BODY)
    cloth = coat.points[len(BODY.points) :]
    knee = BODY.joints["left_knee"]
    assert cloth[:, 2].min() < knee[2]
    near = np.linalg.norm(BODY.points - knee, axis=1) < 0.05
    skin = near & (BODY.materials == 0)
    assert skin.any()
    assert (coat.fields[: len(BODY.points)][skin, 0] > 0.012).all()


@pytest.mark.parametrize("dress", DRESSES)
def test_cloth_trails_behind_an_earlier_posture_and_the_body_does_not(dress):
    dressed = dress(BODY)
    now = _standing()
    thigh = SEGMENTS.index("left_thigh")
    turned = now[0].copy()
    turned[thigh] = turned[thigh] @ np.array([[0.0, 0, 1], [0, 1, 0], [-1, 0, 0]])
    moved = dressed.place_trailing(now, (turned, now[1])) - dressed.place(*now)
    assert_allclose(moved[: len(BODY.points)], 0.0, atol=POINT_TOLERANCE_M)
    assert np.abs(moved[len(BODY.points) :]).max() > 0.02
    assert_allclose(dressed.place_trailing(now, now), dressed.place(*now), atol=POINT_TOLERANCE_M)
