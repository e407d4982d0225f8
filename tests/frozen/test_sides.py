"""One limb against the other in sets of held-out bodies, as the pose model saw them.

The sets are those of `test_crowd_sets`; ``crowd_sets/truths.json`` holds what is true of their
contacts and of where the pelvis was, made by ``python -m tests.accuracy.favoured truths``.
"""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest
from accuracy.coverage import FROZEN_SETS
from accuracy.favoured import (
    SHIFT_PCT,
    TRUTHS,
    analysed,
    carried,
    frozen_sets,
    sides_of,
    true_limbs,
)

from landing_analysis.findings.judging import favoured_limb
from landing_analysis.maths.statistics import Z_95


def test_the_truths_are_those_of_the_frozen_sets():
    told = json.loads(TRUTHS.read_text(encoding="utf-8"))
    assert set(told) == {path.stem for path in FROZEN_SETS.glob("*.npz")}
    for name, truth in told.items():
        with np.load(FROZEN_SETS / f"{name}.npz") as stored:
            reps = json.loads(str(stored["reps"]))
        for key in ("take_off_s", "flight_time_s"):
            assert [rep[key] for rep in truth["reps"]] == [rep[key] for rep in reps]


def test_a_set_is_carried_by_what_is_asked_and_as_drawn_in_the_air():
    one = next(frozen_sets())
    moved = carried(one, SHIFT_PCT - one.shift_pct)
    assert moved.shift_pct == pytest.approx(SHIFT_PCT)
    apart = moved.poses.xy_px - one.poses.xy_px
    flies = [
        (one.poses.t_s > rep["take_off_s"])
        & (one.poses.t_s < rep["take_off_s"] + rep["flight_time_s"])
        for rep in one.truth["reps"]
    ]
    assert np.nanmax(np.abs(apart[np.any(flies, axis=0)])) == 0.0
    assert np.nanmax(np.abs(apart[:, :, 27:])) == 0.0  # feet stay


@cache
def _sides():
    return [found for one in frozen_sets() for found in sides_of(one, analysed(one))]


@pytest.mark.slow
@pytest.mark.parametrize("view", ["front", "back"])
def test_claimed_intervals_cover_limbs_against_each_other(view):
    group = [one for one in _sides() if one.view == view]
    errors = np.array([one.index_error_pct for one in group])
    sds = np.array([one.index_sd_pct for one in group])
    assert len(group) >= 10
    assert np.mean(np.abs(errors) <= Z_95 * sds) >= 0.9
    assert np.sqrt(np.mean(sds**2)) < 2.2 * np.sqrt(np.mean(errors**2))  # nor too wide
    apart_ms = np.array([one.apart_ms for one in group])
    assert np.sqrt(np.mean(apart_ms**2)) < 15.0  # the mean of three landings at 30 frames/s


@pytest.mark.slow
def test_the_limb_toward_which_a_body_is_carried_is_named():
    told = [
        (limb, favoured_limb(analysed(carried(one, sign * SHIFT_PCT - one.shift_pct)).findings))
        for one in list(frozen_sets())[::3]
        for limb, sign in true_limbs(one)
    ]
    assert len(told) >= 18
    assert np.mean([said.limb == limb for limb, said in told]) >= 0.95
    assert not [said for limb, said in told if said.certain and said.limb != limb]
