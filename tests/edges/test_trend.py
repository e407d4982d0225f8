"""Visits that cannot be set against each other, and whom a week's list puts first."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from visits import FIRST_DAY, set_mean, visit

from landing_analysis.trend.changes import (
    PUBLISHED,
    best_family,
    has_grown,
    judge_change,
    last_change,
    minimal_changes,
    visit_means,
    whole_change,
    why_not_comparable,
)
from landing_analysis.trend.triage import FIRST_VISIT, SetFinding, VisitFacts, reasons_to_look

MINIMAL = PUBLISHED["fppa_peak_flexion"]


@pytest.mark.parametrize(
    ("then", "now", "why"),
    [
        ({}, {"view": "back"}, "filmed from the front and from the back"),
        ({}, {"frame_rate_hz": 30.0}, "filmed at 60 and at 30 frames/s"),
        ({}, {"yaw_deg": 9.0}, "turned 9 deg differently"),
        ({}, {"made_with": "before"}, "different versions, models or settings"),
    ],
)
def test_no_change_is_told_between_visits_that_are_not_alike(then, now, why):
    found = judge_change(visit(0.0, **then), visit(40.0, week=1, **now), MINIMAL)
    assert not found.real
    assert found.needed is None
    assert "not comparable" in found.why
    assert why in found.why


@pytest.mark.parametrize(
    "now",
    [
        {"frame_rate_hz": 59.94},
        {"yaw_deg": 6.0},
        {"yaw_deg": None, "yaw_sd_deg": None},
        {"name": "contact_time", "yaw_deg": 15.0},
    ],
)
def test_small_differences_of_filming_are_no_obstacle(now):
    then = {"name": now["name"]} if "name" in now else {}
    assert why_not_comparable(visit(0.0, **then), visit(1.0, week=1, **now)) is None


def test_no_change_is_told_without_a_known_limit():
    found = judge_change(visit(0.0), visit(40.0, week=1), None)
    assert not found.real
    assert "neither published nor known" in found.why


def test_a_clinics_own_limit_needs_enough_repeats():
    def repeated(visits: int) -> list:
        return [
            set_mean(float(k), name="trunk_lean", code=f"P{n}") for n in range(visits)
            for k in range(2)
        ]  # fmt: skip

    assert not minimal_changes(repeated(9))
    assert minimal_changes(repeated(10))


@pytest.mark.parametrize(
    "unlike",
    [{"week": 1}, {"limb": "right"}, {"made_with": "before"}, {"frame_rate_hz": 30.0},
     {"view": "back"}],
)  # fmt: skip
def test_only_sets_made_alike_on_one_day_are_repeats(unlike):
    sets = [
        set_mean(value, name="trunk_lean", code=f"P{n}", **how)
        for n in range(20)
        for value, how in ((0.0, {}), (9.0, unlike))
    ]
    assert not minimal_changes(sets)


def test_one_visit_has_no_change():
    series = [visit(1.0)]
    assert last_change(series, MINIMAL) is None
    assert whole_change(series, MINIMAL) is None


def test_sets_of_a_visit_are_averaged_without_claiming_less_uncertainty():
    (found,) = visit_means([set_mean(2.0, sd=3.0), set_mean(4.0, sd=4.0)])
    np.testing.assert_allclose((found.value, found.sd), (3.0, np.sqrt(12.5)))
    assert found.reps == 16


def test_a_limb_is_read_from_the_side_that_it_is_nearer_to():
    near = set_mean(0.30, name="contact_time", view="left_side", near_limb="left")
    far = set_mean(0.40, name="contact_time", view="right_side", near_limb="right")
    (found,) = visit_means([near, far])
    assert found.value == 0.30


def test_a_measure_is_followed_where_it_was_read_most_often():
    visits = visit_means([
        set_mean(0.3, name="contact_time", week=0),
        set_mean(0.3, name="contact_time", week=1),
        set_mean(0.3, name="contact_time", week=1, view="left_side", near_limb="left", sd=0.1),
    ])  # fmt: skip
    assert best_family(visits, "jump", "contact_time") == "front"
    assert best_family(visits, "hop", "contact_time") is None


def test_limbs_grow_apart_only_beyond_the_uncertainty_and_to_either_side():
    assert has_grown(visit(2.0), visit(4.0, week=1))
    assert has_grown(visit(2.0), visit(-4.0, week=1))
    assert not has_grown(visit(2.0), visit(3.0, week=1))
    assert not has_grown(visit(-4.0), visit(4.0, week=1))
    assert not has_grown(visit(2.0), visit(9.0, week=1, frame_rate_hz=30.0))
    index = {"name": "contact_time", "sd": 2.0}
    assert has_grown(visit(98.0, **index), visit(88.0, week=1, **index))
    assert not has_grown(visit(88.0, **index), visit(99.0, week=1, **index))


# --- whom to look at first ---------------------------------------------------------------------


def _facts(week: int, *verdicts: str, unread: tuple[str, ...] = ()) -> VisitFacts:
    findings = tuple(
        SetFinding("jump", "knee_inward", "fppa_peak_flexion", "left", verdict, "FPPA 12 deg.")
        for verdict in verdicts
    )
    return VisitFacts(FIRST_DAY + timedelta(weeks=week), findings, unread)


def _kinds(visits, sides=(), week: int = 1) -> list[str]:
    first_day = FIRST_DAY + timedelta(weeks=week)
    return [reason.kind for reason in reasons_to_look(visits, sides, first_day)]


def test_what_lay_outside_its_limit_before_is_no_new_finding():
    assert _kinds([_facts(0, "above"), _facts(1, "above")]) == []
    assert _kinds([_facts(0, "within"), _facts(1, "above")]) == ["new finding"]
    assert _kinds([_facts(0, "cannot tell"), _facts(1, "cannot tell")]) == []
    assert _kinds([_facts(0, "below"), _facts(1, "above")]) == ["new finding"]


def test_the_last_visit_that_judged_it_counts():
    assert _kinds([_facts(-1, "above"), _facts(0), _facts(1, "above")]) == []
    assert _kinds([_facts(-1, "above"), _facts(0, "within"), _facts(1, "above")]) != []


def test_what_a_first_visit_shows_is_no_news():
    (reason,) = reasons_to_look([_facts(1, "above", "above")], (), FIRST_DAY)
    assert reason.kind == FIRST_VISIT
    assert _kinds([_facts(0, unread=("No rep could be used.",)), _facts(1, "above")]) == [
        FIRST_VISIT
    ]


def test_what_no_earlier_visit_judged_is_a_new_finding_and_said_to_be():
    other = SetFinding("hop", "knee_inward", "fppa_peak_flexion", "left", "within", "FPPA 2 deg.")
    visits = [VisitFacts(FIRST_DAY, (other,), ()), _facts(1, "above")]
    (reason,) = reasons_to_look(visits, (), FIRST_DAY + timedelta(weeks=1))
    assert reason.kind == "new finding"
    assert reason.text.endswith("Not judged at any earlier visit.")


def test_findings_of_earlier_weeks_are_not_repeated():
    assert _kinds([_facts(0, "above")]) == []


def test_reasons_come_in_the_order_of_their_weight():
    sides = [visit(2.0), visit(9.0, week=1)]
    visits = [_facts(0, "within"), _facts(1, "above", unread=("Both legs were hardly seen.",))]
    assert _kinds(visits, sides) == [
        "new finding", "side difference grown", "quality too poor to read",
    ]  # fmt: skip
