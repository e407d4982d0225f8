"""The whole job on the sample clips, against the truth they were rendered from.

The goals: a contact within one frame of 60 Hz, half a frame at the median; flexion within 6
and FPPA within 4 degrees. What misses its goal is named as a known gap, and must go on missing
it: who closes one takes its name off the list.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from accuracy.scoring import Score, score_clip

CLIPS = Path(__file__).parents[2] / "sample_clips"
TRUTHS: dict[str, dict[str, Any]] = {
    path.name.removesuffix(".truth.json"): json.loads(path.read_text(encoding="utf-8"))
    for path in sorted(CLIPS.glob("*.truth.json"))
}
NAMES = [name for name, truth in TRUTHS.items() if "ladder" not in truth]
LADDER_NAMES = [name for name in TRUTHS if name not in NAMES]
FRAME_S = 1 / 60
FLEXION_GOAL_DEG = 6.0
FPPA_GOAL_DEG = 4.0
"""For 95 % of the reps, as README states it; this body is read rightly without correction."""
LADDER_MEDIAN_S = 0.015
LADDER_FLEXION_DEG = 3.0
"""The goals of the other exercises, at the median."""
SIDE_CLIPS = [name for name in NAMES if "side" in name]


@pytest.fixture(scope="session")
def scores(sample_reports) -> dict[str, Score]:
    found = {}
    for name, truth in TRUTHS.items():
        analysis = json.loads((sample_reports / name / "analysis.json").read_text())
        found[name] = score_clip(name, analysis, truth)
    return found


def _errors(score: Score, *quantities: str) -> np.ndarray:
    return np.array([abs(e.error) for e in score.errors if e.quantity in quantities])


@pytest.mark.parametrize("name", NAMES)
def test_every_contact_is_found_and_none_invented(scores, name):
    score = scores[name]
    assert (score.contacts_missed, score.contacts_invented) == (0, 0)
    assert score.reps_found == score.reps_true


@pytest.mark.parametrize("name", LADDER_NAMES)
def test_every_landing_of_the_other_exercises_is_found_in_time(scores, name):
    score = scores[name]
    assert (score.contacts_missed, score.contacts_invented) == (0, 0)
    assert score.reps_found == score.reps_true
    assert np.median(_errors(score, "initial_contact")) < LADDER_MEDIAN_S


@pytest.mark.parametrize("name", [name for name in LADDER_NAMES if "sled" in name])
def test_the_near_knee_of_the_other_exercises_is_near_the_truth_at_its_peak(scores, name):
    errors_deg = _errors(scores[name], "knee_flexion_peak")
    assert len(errors_deg)
    assert np.median(errors_deg) < LADDER_FLEXION_DEG


@pytest.mark.parametrize("name", NAMES)
def test_initial_contacts_lie_within_a_frame_and_half_a_frame_at_the_median(scores, name):
    errors_s = _errors(scores[name], "initial_contact")
    assert len(errors_s) == scores[name].contacts_true
    assert errors_s.max() <= FRAME_S
    assert np.median(errors_s) <= 0.5 * FRAME_S


def _flexion_cases(known_gaps: tuple[str, ...] = ()) -> list[Any]:
    """Each side clip with each flexion; the peaks of ``known_gaps`` are expected to miss."""
    gap = pytest.mark.xfail(reason="known gap: the other knee hangs beside the hopping one")
    return [
        pytest.param(name, quantity, marks=[gap] if peak and name in known_gaps else [])
        for name in SIDE_CLIPS
        for quantity, peak in (("knee_flexion_initial_contact", False), ("knee_flexion_peak", True))
    ]


@pytest.mark.parametrize(("name", "quantity"), _flexion_cases())
def test_knee_flexion_is_near_the_truth_at_the_median_and_as_sure_as_it_claims(
    scores, name, quantity
):
    errors = [error for error in scores[name].errors if error.quantity == quantity]
    assert np.median([abs(error.error) for error in errors]) <= 0.75 * FLEXION_GOAL_DEG
    assert all(abs(error.error) <= 3 * error.sd for error in errors)


@pytest.mark.parametrize(
    ("name", "quantity"), _flexion_cases(("p02_hops_left_side", "p02_hops_right_side"))
)
def test_knee_flexion_of_every_rep_is_near_the_truth(scores, name, quantity):
    assert _errors(scores[name], quantity).max() <= FLEXION_GOAL_DEG


@pytest.mark.parametrize(("name", "quantity"), _flexion_cases(("p02_hops_right_side",)))
def test_knee_flexion_is_given_for_every_rep(scores, name, quantity):
    assert len(_errors(scores[name], quantity)) >= scores[name].reps_true


@pytest.mark.parametrize("name", [name for name in NAMES if "front" in name])
def test_fppa_of_every_rep_is_near_the_truth(scores, name):
    for quantity in ("fppa_initial_contact", "fppa_peak_flexion"):
        errors_deg = _errors(scores[name], quantity)
        assert len(errors_deg) == scores[name].contacts_true
        assert np.percentile(errors_deg, 95) <= FPPA_GOAL_DEG
        assert np.median(errors_deg) <= 0.5 * FPPA_GOAL_DEG


def test_claimed_intervals_cover_the_truth(scores):
    errors = [error for name in NAMES for error in scores[name].errors]
    assert np.mean([error.covered for error in errors]) >= 0.90


@pytest.mark.parametrize("name", [name for name in NAMES if "jumps" in name])
def test_a_used_up_clip_writes_what_was_promised(sample_reports, name):
    written = {path.name for path in (sample_reports / name).iterdir()}
    assert {
        "report.html",
        "reps.csv",
        "annotated.mp4",
        "analysis.json",
        "landmarks.parquet",
    } <= written
