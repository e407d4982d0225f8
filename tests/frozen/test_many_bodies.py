"""What the learnt offsets leave on the fifteen bodies that were held out of their fit.

``many_bodies.npz`` holds what the pose model saw of rendered still landings (invented bodies,
`sample_clips/synthetic_patients/crowd.py`), with their truth; made by ``python -m
tests.accuracy.bodies freeze``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from accuracy.bodies import all_rows, fit_form
from accuracy.coverage import KINDS, claims, held_out_stills, still_sets
from accuracy.still_rows import left_of
from numpy.testing import assert_allclose
from stick_patient import make_analysis

from landing_analysis.definitions import is_fppa
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.measures.offsets import Sight, offset_notes, read_offsets, set_offset
from landing_analysis.measures.summaries import OFFSET_PARTS
from landing_analysis.settings import OffsetSettings, Settings
from landing_analysis.tables import LANDMARK, LIMBS
from landing_analysis.wording import note_words

FILE = "offsets.json"
OFFSETS = read_offsets(FILE)
VIEWS = ("front", "back")
MOST_SHARE_LEFT = 0.86
"""Of the reading's RMS error."""
LEAST_COVERAGE = 0.90


@pytest.fixture(scope="module")
def rows():
    return held_out_stills()


def _rms(values):
    return float(np.sqrt(np.nanmean(np.square(values))))


def test_the_table_holds_bodies_that_were_not_fitted_to(rows):
    assert {row.member.split for row in rows} == {"held_out"}
    assert len({row.member.number for row in rows}) >= 12


@pytest.mark.parametrize("standing", [True, False])
def test_what_is_left_is_less_than_what_is_read(rows, standing):
    left = left_of(rows, OFFSETS.form("front", standing=standing))
    known = np.isfinite(left)
    read = np.array([row.error_deg for row in rows])
    assert known.mean() > 0.9
    share = MOST_SHARE_LEFT + (0.0 if standing else 0.05)
    assert _rms(left[known]) < share * _rms(read[known])


def test_a_knee_that_is_more_inward_reads_as_much_more_inward(rows):
    left = left_of(rows, OFFSETS.form("front", standing=True))
    true = np.array([row.true_deg for row in rows])
    known = np.isfinite(left)
    read_slope, slope = (
        np.polyfit(true[known], (true - missed)[known], 1)[0]
        for missed in (np.array([row.error_deg for row in rows]), left)
    )
    assert abs(slope - 1) < 0.6 * abs(read_slope - 1)


@pytest.mark.parametrize("files", ["", FILE])
@pytest.mark.parametrize("kind", KINDS)
def test_claimed_intervals_cover_still_landings(rows, files, kind):
    # What is claimed is of landings in motion; single stills on one leg err more (bodies.md).
    found = claims(still_sets(rows, _with(OffsetSettings(files, files))))
    group = [c for c in found if c.kind == kind]
    assert len(group) >= 20
    assert np.mean([claim.covered for claim in group]) >= LEAST_COVERAGE


def test_the_range_that_was_fitted_holds_knees_that_are_clearly_inward():
    # The goal of this project: readings from -10 to 20 deg.
    for standing in (True, False):
        form = OFFSETS.form("front", standing=standing, looks="both")
        reading = form.names.index("fppa_deg")
        assert form.least[reading] < -10.0 < 20.0 < form.most[reading]


def test_the_forms_are_those_that_the_kept_stills_and_landings_give():
    rows = [row for row in all_rows("both") if not row.held_out and row.view == "front"]
    form = OFFSETS.form("front", standing=True, looks="both")
    again = fit_form(rows, form.names, {})
    assert_allclose(again.weights, form.weights, atol=1e-3)
    assert_allclose(again.constant, form.constant, atol=1e-3)


@pytest.mark.parametrize("view", VIEWS)
def test_a_set_is_corrected_in_every_rep_and_keeps_its_readings(view):
    analysis = make_analysis(view)
    as_read, corrected = (
        {(row.rep, row.name, row.limb): row for row in measured.measures}
        for measured in (
            measure_reps(
                analysis.reps, analysis.tracks, analysis.view, _with(files), _sight(analysis)
            )
            for files in (OffsetSettings("", ""), OffsetSettings(FILE, FILE, inside_share=1e-6))
        )
    )
    assert all(row.reading is None for row in as_read.values())
    taken = {key for key, row in corrected.items() if row.reading is not None}
    assert taken == {key for key, row in as_read.items() if is_fppa(key[1]) and row.value}
    for key in taken:
        assert_allclose(corrected[key].reading, as_read[key].value)
        assert corrected[key].value != corrected[key].reading
    for key in as_read.keys() - taken:
        assert corrected[key] == as_read[key]


def test_a_set_outside_what_was_fitted_is_left_as_read_and_says_so():
    analysis = make_analysis("back")
    bent_in = analysis.tracks.xy_px.copy()
    bent_in[:, LANDMARK["left_knee"], 0] -= 0.5 * analysis.tracks.leg_px
    tracks = replace(analysis.tracks, xy_px=bent_in)
    offset = set_offset(analysis.reps, tracks, "back", Settings(), _sight(analysis))
    assert offset.is_outside
    measured = measure_reps(analysis.reps, tracks, analysis.view, Settings(), _sight(analysis))
    assert all(row.reading is None for row in measured.measures)
    (note,) = offset_notes(offset)
    assert "outside" in note_words(note)


@pytest.mark.parametrize("view", VIEWS)
def test_all_parts_of_the_error_are_told_apart_with_and_without_correction(view):
    analysis = make_analysis(view)
    for files in (OffsetSettings("", ""), OffsetSettings(FILE, FILE, inside_share=1e-6)):
        measured = measure_reps(
            analysis.reps, analysis.tracks, analysis.view, _with(files), _sight(analysis)
        )
        for row in measured.measures:
            if is_fppa(row.name) and row.value is not None:
                assert set(OFFSET_PARTS.values()) <= {part.name for part in row.parts}


def _sight(analysis) -> Sight:
    return Sight({limb: np.zeros(len(analysis.tracks.t_s)) for limb in LIMBS})


def _with(files: OffsetSettings) -> Settings:
    return replace(Settings(), offsets=files)
