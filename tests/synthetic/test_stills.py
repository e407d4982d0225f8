"""Still landings of many bodies: each is as it was asked for, and the splits stay apart."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from numpy.testing import assert_allclose
from synthetic_patients.body import load_body
from synthetic_patients.choreography import frontal_angle_deg
from synthetic_patients.crowd import CROWD
from synthetic_patients.script import LIMBS
from synthetic_patients.stills import VIEWS, most_stills, stills_of, truth_of

BODY = load_body("slim_woman")
NOW = np.zeros(1)
WITHIN_DEG = 0.05
SOLE_M = 0.002


@pytest.fixture(scope="module")
def stills():
    return list(stills_of(BODY, 3))


def test_every_limb_that_stands_is_bent_as_asked_for(stills):
    assert 0.8 * most_stills(VIEWS) < len(stills) <= most_stills(VIEWS)
    for still in stills:
        wanted = [still.posture.flexion[limb] for limb in still.support]
        truth = truth_of(still)
        assert_allclose(truth[truth[:, 2] == 1, 1], wanted, atol=WITHIN_DEG)


def test_knees_lie_inward_as_asked_for_where_a_leg_can_show_it(stills):
    shown = 0
    for still in stills:
        joints = still.motion.joints(NOW)
        for limb in still.support:
            leg = (joints[f"{limb}_{part}"] for part in ("hip", "knee", "ankle"))
            angle = float(frontal_angle_deg(limb, *leg)[0])
            wanted = still.posture.inward[limb]
            shown += abs(angle - wanted) < WITHIN_DEG
            assert abs(angle) < abs(wanted) + 12  # a straight leg cannot show much of it
    assert shown > 0.8 * sum(len(still.support) for still in stills)


def test_no_sole_goes_through_the_floor_and_a_standing_toe_is_on_it(stills):
    for still in stills:
        joints = still.motion.joints(NOW)
        for limb in LIMBS:
            lowest_m = min(joints[f"{limb}_{part}"][0, 2] for part in ("toe_tip", "heel"))
            assert lowest_m > -SOLE_M
            if limb in still.support:
                assert lowest_m < SOLE_M


def test_the_same_seed_gives_the_same_stills_and_another_one_others(stills):
    again, other = (next(stills_of(BODY, seed)) for seed in (3, 4))
    assert again.posture == stills[0].posture
    assert other.posture != stills[0].posture


def test_clothes_are_spread_over_the_splits_and_bodies_differ():
    splits = Counter(member.split for member in CROWD)
    assert splits["held_out"] >= 12
    for split in splits:
        worn = {member.clothes for member in CROWD if member.split == split}
        assert worn == {"shorts", "leggings", "trousers", "loose trousers"}
    statures_m = [member.shape.stature_m for member in CROWD]
    assert min(statures_m) < 1.57
    assert max(statures_m) > 1.93
    assert len({member.name for member in CROWD}) == len(CROWD)
