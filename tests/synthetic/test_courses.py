"""Lines through visits of patients whose true course is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from visits import visit

from landing_analysis.demo.stories import FRONT, SIDE, Spread
from landing_analysis.measures.summaries import CLIP, LIMB, OFFSET, PERSON, SPREAD
from landing_analysis.tables import UncertaintyPart
from landing_analysis.trend.changes import PUBLISHED, judge_change, last_change
from landing_analysis.trend.courses import course_of

VISITS = 8
PATIENTS = 400
REPS, SETS = 8, 2
NEW_AT_A_VISIT_DEG = 1.5
"""Scatter of an FPPA from visit to visit, sd: what of eight reps of a body known from other days
is left (RMS 1.4 in 60 rendered bodies, what is the person's own in it), and the person's days."""


def _series(rng, slope: float, scatter: float, *, visits: int = VISITS, **how):
    """Return weekly visits of a person read wrong by as much each time, and by chance."""
    own = rng.normal(0.0, 2.0 * scatter)
    values = 5.0 + own + slope * np.arange(visits) + rng.normal(0.0, scatter, visits)
    sd = how.pop("sd", 2.0 * scatter)
    return [visit(float(v), week=week, sd=sd, **how) for week, v in enumerate(values)]


def _share_said(slope: float, scatter: float, seed: int = 1, **how) -> float:
    rng = np.random.default_rng(seed)
    courses = [course_of(_series(rng, slope, scatter, **how)) for _ in range(PATIENTS)]
    return float(np.mean([course is not None and course.is_sure for course in courses]))


def _within(share: float) -> float:
    """Return what a share of at most 5 % may reach by chance in so many patients, 99 %."""
    return 0.05 + 2.33 * np.sqrt(0.05 * 0.95 / PATIENTS) if share else 0.0


@pytest.mark.parametrize("claimed", [0.5, 1.5, 4.0])
@pytest.mark.parametrize("visits", [4, 8, 12])
def test_at_most_one_steady_patient_in_twenty_is_said_to_change(claimed, visits):
    share = _share_said(0.0, NEW_AT_A_VISIT_DEG, visits=visits, sd=claimed)
    assert share <= _within(0.05)


def test_a_knee_that_moves_by_a_degree_a_week_is_found_in_eight_visits():
    assert _share_said(1.0, NEW_AT_A_VISIT_DEG) >= 0.80


def _visit_scatter(spread: Spread) -> float:
    """Return how far a visit of two sets of eight reps strays."""
    return float(np.hypot(spread.set_sd, spread.rep_sd / np.sqrt(REPS)) / np.sqrt(SETS))


@pytest.mark.parametrize(
    ("name", "spread", "per_week"),
    [
        ("contact_time", FRONT["contact_time"], 0.004),
        ("knee_flexion_peak", SIDE["knee_flexion_peak"], 1.2),
        ("fppa_peak_flexion", FRONT["fppa_peak_flexion"], 1.0),
    ],
)
def test_invented_patients_courses_are_found(name, spread, per_week):
    scatter = _visit_scatter(spread)
    assert _share_said(per_week, scatter, name=name) >= 0.80
    assert _share_said(0.0, scatter, name=name) <= _within(0.05)


def test_a_slow_change_shows_long_before_two_visits_differ():
    series = _series(np.random.default_rng(4), 1.0, 0.8, sd=1.0)
    course = course_of(series)
    assert course.is_sure
    assert not last_change(series, PUBLISHED["fppa_peak_flexion"]).real
    assert abs(course.per_four_weeks - 4.0) < course.half_width
    assert course.at(0.0)[0] == pytest.approx(course.line.intercept)


def test_the_interval_of_the_change_covers_the_truth_nineteen_times_in_twenty():
    rng = np.random.default_rng(7)
    courses = [course_of(_series(rng, 0.5, NEW_AT_A_VISIT_DEG)) for _ in range(PATIENTS)]
    covered = np.mean([abs(c.per_four_weeks - 2.0) <= c.half_width for c in courses])
    assert 0.92 <= covered <= 0.98


def test_visits_made_otherwise_are_left_out_and_counted():
    series = [visit(float(week), week=week, frame_rate_hz=30.0) for week in range(2)]
    series += [visit(float(week), week=week) for week in range(2, 7)]
    course = course_of(series)
    assert (len(course.visits), course.left_out) == (5, 2)


def test_three_visits_are_no_line():
    series = [visit(float(week), week=week) for week in range(4)]
    assert course_of(series[:3]) is None
    assert course_of(series) is not None
    assert course_of([]) is None


def test_what_is_the_persons_own_cancels_between_two_visits():
    # Parts add as squares (JCGM 100:2008; memory, sure): of an offset of 2 deg, 34 % of whose
    # variance is the person's, sqrt(0.66) x 2 deg are new at each visit.
    parts = (UncertaintyPart(SPREAD, 0.5), UncertaintyPart(OFFSET, 2.0))
    sd = float(np.hypot(0.5, 2.0))
    known = [visit(0.0, sd=sd, parts=parts), visit(5.0, week=1, sd=sd, parts=parts)]
    unknown = [visit(0.0, sd=sd), visit(5.0, week=1, sd=sd)]
    minimal = replace(PUBLISHED["fppa_peak_flexion"], value=1.0)
    new_sd = np.sqrt(0.5**2 + 0.66 * 2.0**2)
    told_apart = (*parts[:1], *(UncertaintyPart(name, 2.0) for name in (PERSON, LIMB, CLIP)))
    assert visit(0.0, parts=told_apart).varying_sd == pytest.approx(np.hypot(0.5, 2.0))
    assert known[0].sd == pytest.approx(sd)
    assert judge_change(*known, minimal).sd == pytest.approx(np.sqrt(2) * new_sd)
    assert judge_change(*unknown, minimal).sd == pytest.approx(np.sqrt(2) * sd)
    assert (judge_change(*known, minimal).real, judge_change(*unknown, minimal).real) == (
        True, False,
    )  # fmt: skip
