"""Legs of bodies that stand squarely to the camera, as the pose model saw them, stay told apart.

``crowd_sets/*.npz``: jumps and hops of 15 invented bodies from front and back. Left and right of
the picture tell their legs apart in nearly every frame; in single ones the pose model puts a foot
in the other's place.
"""

from __future__ import annotations

import numpy as np
import pytest
from accuracy.coverage import FROZEN_SETS
from drawn_rooms import unpack_poses

from landing_analysis.settings import Settings
from landing_analysis.tables import LANDMARK
from landing_analysis.tracks.cleaning import leg_length_px, repair_swaps

SETTINGS = Settings().tracks
LEGS = [[LANDMARK[f"{limb}_{part}"] for part in ("hip", "knee", "ankle", "heel", "toe")]
        for limb in ("left", "right")]  # fmt: skip


def _seen(view):
    for path in sorted(FROZEN_SETS.glob(f"*_{view}*.npz")):
        with np.load(path) as stored:
            poses = unpack_poses(stored)
        yield poses.t_s, poses.xy_px[:, 0]


@pytest.mark.parametrize("view", ["front", "back"])
def test_legs_do_not_stay_exchanged(view):
    for t_s, xy_px in _seen(view):
        _, swapped = repair_swaps(t_s, xy_px, SETTINGS)
        assert swapped.sum() * np.median(np.diff(t_s)) < 0.1


@pytest.mark.parametrize("view", ["front", "back"])
def test_legs_that_were_exchanged_below_the_hips_are_exchanged_back(view):
    left, right = (leg[1:] for leg in LEGS)
    wrong, confused = 0, 0
    for number, (t_s, as_seen_px) in enumerate(_seen(view)):
        rng = np.random.default_rng(number)
        from_s = rng.uniform(0.5, t_s[-1] - 0.5)
        exchanged = (t_s > from_s) & (t_s < from_s + 0.12)
        xy_px = as_seen_px.copy()
        xy_px[np.ix_(exchanged, left)] = as_seen_px[np.ix_(exchanged, right)]
        xy_px[np.ix_(exchanged, right)] = as_seen_px[np.ix_(exchanged, left)]
        ankles = as_seen_px[:, left[1]] - as_seen_px[:, right[1]]
        apart = np.linalg.norm(ankles, axis=1) > 0.15 * leg_length_px(as_seen_px)
        _, swapped = repair_swaps(t_s, xy_px, SETTINGS)
        wrong += int(((swapped != exchanged) & apart).sum())
        confused += int((exchanged & apart).sum())
    assert wrong < 0.1 * confused
