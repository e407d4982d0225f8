"""The view from metric landmarks that are turned by a known angle."""

from __future__ import annotations

import numpy as np
import pytest

from landing_analysis.landmarks.view import estimate_view
from landing_analysis.reasons import Code
from landing_analysis.settings import ViewSettings
from landing_analysis.tables import LANDMARK, N_LANDMARKS, Landmarks
from landing_analysis.wording import words_of

# Points without a pose model's habits; tests/frozen/test_turned_bodies.py has those.
SETTINGS = ViewSettings(handed_deg=1e-9, side_short_deg=1e-9, oblique_long_deg=1e-9)


def _turned(left_deg: float, noise_m: float = 0.0) -> Landmarks:
    """Landmarks of a person turned to their own left by ``left_deg`` from facing the camera."""
    n = 40
    world = np.zeros((n, N_LANDMARKS, 3))
    turn = np.radians(left_deg)
    for part, half_m in (("shoulder", 0.18), ("hip", 0.12)):
        left = half_m * np.array([np.cos(turn), 0.0, np.sin(turn)])
        world[:, LANDMARK[f"left_{part}"]] = left
        world[:, LANDMARK[f"right_{part}"]] = -left
    world += np.random.default_rng(2).normal(0.0, noise_m, world.shape)
    zeros = np.zeros((n, N_LANDMARKS, 2))
    return Landmarks(np.arange(n) / 30, zeros, np.ones((n, N_LANDMARKS)), world, 720, 1280)


@pytest.mark.parametrize(
    ("left_deg", "view", "yaw_deg", "near_limb"),
    [
        (0.0, "front", 0.0, None),
        (12.0, "front", 12.0, None),
        (-12.0, "front", -12.0, None),
        (180.0, "back", 0.0, None),
        (-170.0, "back", 10.0, None),
        # Turned to the own left the camera sees the right side.
        (90.0, "right_side", 0.0, "right"),
        (-90.0, "left_side", 0.0, "left"),
        (-80.0, "left_side", 10.0, "left"),
        (40.0, "oblique", 40.0, None),
        (-135.1, "oblique", 44.9, None),
    ],
)
def test_view_and_yaw_follow_the_turn(left_deg, view, yaw_deg, near_limb):
    found = estimate_view(_turned(left_deg, noise_m=0.005), SETTINGS)
    assert found.view == view
    assert found.yaw_deg == pytest.approx(yaw_deg, abs=1.0)
    assert found.near_limb == near_limb


def test_the_clinician_overrules_the_view():
    found = estimate_view(_turned(10.0), SETTINGS, view="back")
    assert (found.view, found.reason.code) == ("back", Code.GIVEN_BY_CLINICIAN)


def test_a_turn_that_was_not_seen_is_oblique_and_says_so():
    unseen = _turned(0.0)
    unseen.world_m[:] = np.nan
    found = estimate_view(unseen, SETTINGS)
    assert found.view == "oblique"
    assert words_of(found.reason) == "the body's turn could not be seen"
    assert np.isnan(found.yaw_deg)


def test_the_turn_is_followed_through_the_clip_without_its_noise():
    turning = np.linspace(-20.0, 20.0, 120)
    people = [_turned(float(angle)) for angle in turning]
    world = np.stack([person.world_m[0] for person in people])
    world += np.random.default_rng(4).normal(0.0, 0.02, world.shape)
    zeros = np.zeros((120, N_LANDMARKS, 2))
    clip = Landmarks(np.arange(120) / 30, zeros, np.ones((120, N_LANDMARKS)), world, 720, 1280)
    found = estimate_view(clip, SETTINGS)
    within = slice(15, -15)  # half a second at either end lacks one side of its window
    np.testing.assert_allclose(found.frame_yaw_deg[within], turning[within], atol=3.0)
    assert abs(found.yaw_deg) < 2.0
