"""What a second look, at the mirrored picture, does for FPPA.

``landings.npz`` holds what the pose model saw of the frames around the lowest points of drawn sets
(invented bodies, `sample_clips/synthetic_patients/landings.py`), with their truth; made by ``python
-m tests.accuracy.mirrored freeze``.
"""

from __future__ import annotations

import numpy as np
import pytest
from accuracy.landing_rows import FROZEN_LANDINGS, read_landings
from accuracy.mirrored import TABLE
from accuracy.mirrored_table import FORMS, fitted, mirrored_page, rms, set_means, side_errors, told
from accuracy.still_rows import LOOKS, VIEWS
from numpy.testing import assert_allclose, assert_array_equal

from landing_analysis.landmarks.mirroring import turned_back
from landing_analysis.tables import LANDMARK, N_LANDMARKS

FORM = "reading and standing"


@pytest.fixture(scope="module")
def landings():
    return list(read_landings(FROZEN_LANDINGS))


@pytest.fixture(scope="module")
def means(landings):
    """Means of the sets of held-out bodies, by view and by what was looked at."""
    found = {}
    for view in VIEWS:
        seen = [one for one in landings if one.plan.view == view]
        held, others = ([one for one in seen if one.held_out is out] for out in (True, False))
        for looks in LOOKS:
            values = told(held, others, FORMS[FORM], looks)
            found[view, looks] = set_means(held, values)
    return found


def test_the_page_is_what_the_command_prints(landings):
    assert TABLE.read_text(encoding="utf-8") == mirrored_page(landings)


@pytest.mark.parametrize("view", VIEWS)
def test_limbs_differ_more_truly_with_the_mirrored_picture(means, view):
    plain, both = (rms(side_errors(means[view, looks])) for looks in LOOKS)
    assert both < 0.9 * plain


@pytest.mark.parametrize("view", VIEWS)
def test_a_set_errs_no_more_with_the_mirrored_picture(means, view):
    plain, both = (rms(one.error_deg for one in means[view, looks]) for looks in LOOKS)
    assert both < plain


def test_the_short_form_is_that_of_another_experiment(landings):
    # 1.18 reading - 0.71 standing + constants: fitted to 60 other drawn bodies by another
    # renderer, stills, plain and mirrored points averaged (issue 13 of this project).
    fit = [one for one in landings if one.plan.view == "front" and not one.held_out]
    _, reading, standing = fitted(fit, FORMS[FORM], "both").coefficients
    assert_allclose([reading, standing], [0.18, -0.71], atol=0.1)


def test_mirrored_points_are_turned_back_to_the_patients_own_left():
    points = np.zeros((1, N_LANDMARKS, 6))
    points[0, LANDMARK["right_knee"]] = [10.0, 50.0, 0.9, 0.1, 0.4, -0.2]
    there = turned_back(points, width_px=100)
    assert_allclose(there[0, LANDMARK["left_knee"]], [89.0, 50.0, 0.9, -0.1, 0.4, -0.2])
    assert_array_equal(turned_back(there, width_px=100), points)
