"""FPPA of bodies that were held out, in motion: the whole analysis against the truth.

``crowd_sets/*.npz`` hold what the pose model saw of drawn sets (invented bodies,
`sample_clips/synthetic_patients/sets.py`), with their truth; made by ``python -m
tests.accuracy.bodies freeze``.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from accuracy.coverage import AS_READ, KINDS, claims, moving_sets

from landing_analysis.settings import Settings

LEAST_COVERAGE = 0.90
SETTINGS = {"as read": AS_READ, "corrected": Settings()}
pytestmark = pytest.mark.slow


@cache
def _claims(how: str):
    return claims(moving_sets(SETTINGS[how]))


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
def test_means_of_sets_are_nearer_to_the_truth_when_corrected(view):
    most_share = {"front": 0.85, "back": 0.6}[view]
    mean = KINDS[1]
    assert _rms_deg("corrected", view, mean) < most_share * _rms_deg("as read", view, mean)
