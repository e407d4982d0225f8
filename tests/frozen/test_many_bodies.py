"""What the learnt offsets leave on the fifteen bodies that were held out of their fit.

``many_bodies.npz`` holds what the pose model saw of rendered still landings (invented bodies,
`sample_clips/synthetic_patients/crowd.py`), with their truth; made by ``python -m
tests.accuracy.bodies freeze``.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from accuracy.bodies import FROZEN, left_of, rows_of_shot, stored_shots
from numpy.testing import assert_allclose
from stick_patient import make_analysis

from landing_analysis.maths.statistics import Z_95
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.measures.offsets import read_offsets
from landing_analysis.measures.summaries import OFFSET_PARTS
from landing_analysis.settings import OffsetSettings, Settings

OFFSETS = read_offsets("offsets.json")
VIEWS = ("front", "back")
MOST_SHARE_LEFT = {"front": 0.85, "back": 0.5}
"""Of the reading's RMS error."""
LEAST_COVERAGE = 0.90


@pytest.fixture(scope="module")
def rows():
    return [row for shot in stored_shots(Path(FROZEN)) for row in rows_of_shot(*shot)]


def _rms(values):
    return float(np.sqrt(np.nanmean(np.square(values))))


def test_the_table_holds_bodies_that_were_not_fitted_to(rows):
    assert {row.member.split for row in rows} == {"held_out"}
    assert len({row.member.number for row in rows}) >= 12


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("standing", [True, False])
def test_what_is_left_is_less_than_what_is_read(rows, view, standing):
    chosen = [row for row in rows if row.view == view]
    left = left_of(chosen, OFFSETS.form(view, standing=standing))
    known = np.isfinite(left)
    read = np.array([row.error_deg for row in chosen])
    assert known.mean() > 0.7
    share = MOST_SHARE_LEFT[view] + (0.0 if standing else 0.07)
    assert _rms(left[known]) < share * _rms(read[known])


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("one_leg", [False, True])
def test_claimed_intervals_cover_what_is_left(rows, view, one_leg):
    form = OFFSETS.form(view, standing=True)
    left = left_of([r for r in rows if r.view == view and r.one_leg == one_leg], form)
    claimed = Z_95 * math.hypot(*form.sds_deg.values())
    assert np.mean(np.abs(left[np.isfinite(left)]) < claimed) >= LEAST_COVERAGE


@pytest.mark.parametrize("view", VIEWS)
def test_offsets_are_not_taken_off_unless_the_settings_name_them(view):
    analysis = make_analysis(view)
    of_set, estimate = analysis.reps, analysis.view
    named = replace(Settings(), offsets=OffsetSettings(file="offsets.json"))
    off, on = (
        {(row.rep, row.name, row.limb): row for row in measured.measures}
        for measured in (
            measure_reps(of_set, analysis.tracks, estimate, settings)
            for settings in (Settings(), named)
        )
    )
    assert all(row.reading is None for row in off.values())
    taken = {key: row for key, row in on.items() if row.reading is not None}
    assert taken
    for key, row in taken.items():
        assert_allclose(row.reading, off[key].value)
        assert row.value != row.reading
        assert set(OFFSET_PARTS.values()) <= {part.name for part in row.parts}
    for key in on.keys() - taken.keys():
        assert on[key] == off[key]
