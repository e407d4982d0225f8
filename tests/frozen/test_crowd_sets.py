"""FPPA of bodies that were held out, in motion: the whole analysis against the truth.

``crowd_sets/*.npz`` hold what the pose model saw of drawn sets (invented bodies,
`sample_clips/synthetic_patients/sets.py`), with their truth; made by ``python -m
tests.accuracy.bodies freeze``.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from accuracy.coverage import AS_READ, INWARD, KINDS, claims, moving_sets
from accuracy.verdicts import CLEAR_DEG

from landing_analysis.findings.judging import verdict
from landing_analysis.findings.limits import read_limits
from landing_analysis.settings import Settings

LEAST_COVERAGE = 0.90
MOST_CLAIMED = 1.6
"""Times the error of the same reps: bodies that were drawn and filmed alike vary less than people
(a choice)."""
(LIMIT,) = (one for one in read_limits(None) if (one.finding, one.measure) == INWARD)
SETTINGS = {"as read": AS_READ, "corrected": Settings()}
pytestmark = pytest.mark.slow


@cache
def _sets(how: str):
    return moving_sets(SETTINGS[how])


@cache
def _claims(how: str):
    return claims(_sets(how))


def _rms_deg(how: str, view: str, kind: str) -> float:
    errors = [c.error_deg for c in _claims(how) if (c.view, c.kind) == (view, kind)]
    return float(np.sqrt(np.mean(np.square(errors))))


@pytest.mark.parametrize("how", SETTINGS)
@pytest.mark.parametrize("view", ["front", "back"])
@pytest.mark.parametrize("kind", KINDS)
def test_claimed_intervals_cover_moving_sets(how, view, kind):
    group = [c for c in _claims(how) if (c.view, c.kind) == (view, kind)]
    assert len(group) >= 8
    assert np.mean([claim.covered for claim in group]) >= LEAST_COVERAGE


@pytest.mark.parametrize("view", ["front", "back"])
@pytest.mark.parametrize("kind", KINDS[:2])
def test_no_more_is_claimed_than_people_may_err_by(view, kind):
    group = [c for c in _claims("corrected") if (c.view, c.kind) == (view, kind)]
    claimed_deg = np.sqrt(np.mean([claim.same_reps_sd_deg**2 for claim in group]))
    assert claimed_deg < MOST_CLAIMED * _rms_deg("corrected", view, kind)


@pytest.mark.parametrize(("view", "least_told"), [("front", 0.9), ("back", 0.7)])
def test_a_knee_that_is_clearly_inward_is_told(view, least_told):
    # The limit of 10 deg is the package's; 4 deg beyond it is what this project wants told.
    called = {beyond: [] for beyond in (True, False)}
    for one in _sets("corrected"):
        for row, true in zip(one.rows, one.true, strict=True):
            if one.view == view and abs(true - LIMIT.value) >= CLEAR_DEG:
                called[true > LIMIT.value].append(verdict(row.value, row.sd, LIMIT))
    inward, within = called[True], called[False]
    assert min(len(inward), len(within)) >= 20
    assert inward.count("above") >= least_told * len(inward)
    assert inward.count("cannot tell") <= 0.05 * len(inward)
    assert not {"above", "probably above"} & set(within)


@pytest.mark.parametrize("view", ["front", "back"])
def test_means_of_sets_are_nearer_to_the_truth_when_corrected(view):
    most_share = {"front": 0.7, "back": 0.5}[view]
    mean = KINDS[1]
    assert _rms_deg("corrected", view, mean) < most_share * _rms_deg("as read", view, mean)
