"""Visits that cannot be set against each other, and whom a week's list puts first."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from visits import FIRST_DAY, set_mean, visit

from landing_analysis.trend.alike import ONE_WAY, Landing, Landings, Way, ways
from landing_analysis.trend.changes import (
    PUBLISHED,
    MinimalChange,
    best_family,
    changes_in,
    followed,
    has_grown,
    judge_change,
    last_change,
    minimal_changes,
    whole_change,
    why_not_comparable,
)
from landing_analysis.trend.triage import FIRST_VISIT, SetFinding, VisitFacts, flags_to_look
from landing_analysis.trend.visits import side_means, visit_means

MINIMAL = PUBLISHED["fppa_peak_flexion"]


@pytest.mark.parametrize(
    ("then", "now", "why"),
    [
        ({}, {"view": "back"}, "filmed from the front and from the back"),
        ({}, {"frame_rate_hz": 30.0}, "filmed at 60 and at 30 frames/s"),
        ({}, {"yaw_deg": 9.0}, "turned 9 deg differently"),
        ({}, {"made_with": "before"}, "different versions, models or settings"),
        ({"corrected": True}, {}, "corrected in some sets and left as read in others"),
    ],
)
def test_no_change_is_told_between_visits_that_are_not_alike(then, now, why):
    found = judge_change(visit(0.0, **then), visit(40.0, week=1, **now), MINIMAL)
    assert not found.real
    assert found.needed is None
    assert found.outcome == "not comparable"
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
    assert found.outcome == "not judged"
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


def _grew(earlier, later, minimal=MINIMAL) -> bool:
    return has_grown(judge_change(earlier, later, minimal))


def test_limbs_grow_apart_only_by_a_real_change_and_to_either_side():
    assert _grew(visit(2.0), visit(12.0, week=1))
    assert _grew(visit(2.0), visit(-8.0, week=1))
    assert not _grew(visit(2.0), visit(10.0, week=1))
    assert not _grew(visit(-4.0), visit(4.0, week=1))
    assert not _grew(visit(2.0), visit(19.0, week=1, frame_rate_hz=30.0))
    assert not _grew(visit(2.0), visit(19.0, week=1), None)
    index, least = {"name": "contact_time", "sd": 2.0}, MinimalChange(5.0, "invented")
    assert _grew(visit(98.0, **index), visit(88.0, week=1, **index), least)
    assert not _grew(visit(88.0, **index), visit(99.0, week=1, **index), least)


# --- limb against limb -------------------------------------------------------------------------


def _of_limbs(number: int, left: float | None, right: float | None, **how) -> list:
    values = {"left": left, "right": right}
    return [
        set_mean(value, limb=limb, number=number, **how)
        for limb, value in values.items() if value is not None
    ]  # fmt: skip


def _side(sets, compared=(), limb="left"):
    visits = visit_means(sets)
    (side,) = side_means(visits, compared, limb)
    lead, other = (next(v for v in visits if v.limb == x) for x in
                   (limb, "right" if limb == "left" else "left"))  # fmt: skip
    return lead, other, side


def test_limbs_are_not_compared_where_one_cannot_be_compared_with_its_earlier_self():
    # From the sides each limb has clips of its own; as far as one turns to, the other turns from.
    def of_day(turn_deg: float, week: int) -> list:
        how = {"name": "knee_flexion_peak", "day": FIRST_DAY + timedelta(weeks=week)}
        left = set_mean(60.0, limb="left", view="left_side", number=1, yaw_deg=turn_deg, **how)
        right = set_mean(58.0, limb="right", view="right_side", number=2, yaw_deg=-turn_deg, **how)
        return [left, right]

    lead_then, other_then, then = _side(of_day(0.0, 0))
    lead_now, other_now, now = _side(of_day(12.0, 1))
    for pair in ((lead_then, lead_now), (other_then, other_now), (then, now)):
        assert "turned 12 deg differently" in why_not_comparable(*pair)
    assert why_not_comparable(then, _side(of_day(2.0, 1))[2]) is None


def test_the_difference_of_both_limbs_adds_up_where_a_set_shows_one_limb_only():
    compared = [set_mean(5.2, number=1, sd=1.0)]
    sets = [*_of_limbs(1, 6.2, 1.0), *_of_limbs(2, 9.0, None), *_of_limbs(3, None, -1.0)]
    lead, other, side = _side(sets, compared)
    assert (lead.value, other.value) == (6.2, 1.0)
    np.testing.assert_allclose((side.value, side.sd), (5.2, 1.0))
    assert (lead.left_out, other.left_out, side.left_out) == (1, 1, 2)
    assert not side.apart


def test_limb_symmetry_over_several_sets_is_that_of_the_two_values():
    how = {"name": "contact_time"}
    compared = [set_mean(150.0, number=1, sd=15.0, **how), set_mean(50.0, number=2, sd=5.0, **how)]
    sets = [*_of_limbs(1, 0.3, 0.2, **how), *_of_limbs(2, 0.2, 0.4, **how)]
    lead, other, side = _side(sets, compared)
    np.testing.assert_allclose(side.value, 100 * lead.value / other.value)
    np.testing.assert_allclose(side.sd, 0.1 * side.value)


def test_side_views_compare_the_limb_near_each_camera_and_say_so():
    how = {"name": "contact_time"}
    sets = [
        *_of_limbs(1, 0.30, 0.39, view="left_side", near_limb="left", **how),
        *_of_limbs(2, 0.20, 0.25, view="right_side", near_limb="right", **how),
    ]
    compared = [set_mean(77.0, number=1, view="left_side", **how)]
    lead, other, side = _side(sets, compared)
    assert (lead.value, other.value, side.apart) == (0.30, 0.25, True)
    np.testing.assert_allclose(side.value, 120.0)


def test_times_that_differ_by_less_than_a_frame_in_every_set_are_marked():
    how = {"name": "contact_time"}
    sets = [*_of_limbs(1, 0.30, 0.31, **how), *_of_limbs(2, 0.30, 0.40, **how)]
    assert _side(sets[:2])[2].within_a_frame
    assert not _side(sets, [set_mean(75.0, number=2, **how)])[2].within_a_frame


# --- what is not averaged ----------------------------------------------------------------------


def _landed(limbs: str, period_s: float, *, bound: bool | None = None, exercise="hop", code="P07"):
    feet = {"l": ("left",), "r": ("right",), "b": ("left", "right")}
    return Landings(code, exercise, tuple(
        Landing(feet[foot], bound and n > 0 if bound is not None else None, n * period_s)
        for n, foot in enumerate(limbs)
    ))  # fmt: skip


def test_landings_from_foot_to_foot_are_no_hops():
    sets = {
        1: _landed("llllll", 0.5, bound=False),
        2: _landed("lrlrlr", 0.5, bound=True),
        3: _landed("lrlrlr", 0.5),
        4: _landed("lllrrr", 0.5),
        5: _landed("lrlrlr", 0.5, bound=False),
        6: _landed("bbb", 0.5, exercise="jump"),
    }
    found = ways(sets)
    assert {number for number, way in found.items() if way.foot_to_foot} == {2, 3}
    assert {way.rhythm for way in found.values()} == {""}


def test_sets_in_grossly_different_rhythms_are_cut_at_the_widest_gap():
    sets = {n: _landed("lll", period_s) for n, period_s in enumerate((0.45, 0.5, 0.62, 1.3, 5.0))}
    found = [way.rhythm for way in ways(sets).values()]
    quick, slow, single = "a landing every 0.5 to 0.6 s", "a landing every 1.3 s", "one at a time"
    assert found == [quick, quick, quick, slow, single]


def test_pauses_between_single_landings_and_small_differences_keep_nothing_apart():
    sets = {1: _landed("bbb", 4.0), 2: _landed("bbb", 9.0), 3: _landed("b", 0.0)}
    assert set(ways(sets).values()) == {ONE_WAY}
    assert set(ways({1: _landed("lll", 0.5), 2: _landed("lll", 0.7)}).values()) == {ONE_WAY}


def test_a_set_without_a_rhythm_joins_none_of_several():
    sets = {1: _landed("ll", 0.5), 2: _landed("ll", 1.5), 3: _landed("l", 0.0)}
    assert ways(sets)[3].rhythm == "in an unknown rhythm"


def test_rhythms_of_other_patients_change_nothing():
    sets = {1: _landed("ll", 0.5), 2: _landed("ll", 1.5, code="P08")}
    assert set(ways(sets).values()) == {ONE_WAY}


def test_sets_done_in_different_ways_are_not_averaged_nor_followed_together():
    bounds = Way(foot_to_foot=True)
    sets = [set_mean(2.0, exercise="hop"), set_mean(8.0, exercise="hop", way=bounds)]
    assert [visit.value for visit in visit_means(sets)] == [2.0, 8.0]
    assert {(what.way, what.key.foot_to_foot) for what in followed(visit_means(sets))} == {
        (ONE_WAY, False), (bounds, True),
    }  # fmt: skip


# --- whom to look at first ---------------------------------------------------------------------


def _facts(week: int, *verdicts: str, unread: tuple[str, ...] = ()) -> VisitFacts:
    findings = tuple(
        SetFinding("jump", "knee_inward", "fppa_peak_flexion", "left", verdict, "FPPA 12 deg.")
        for verdict in verdicts
    )
    return VisitFacts(FIRST_DAY + timedelta(weeks=week), findings, unread)


def _kinds(visits, changes=(), week: int = 1) -> list[str]:
    first_day = FIRST_DAY + timedelta(weeks=week)
    return [reason.kind for reason in flags_to_look(visits, changes, first_day)]


def test_what_lay_outside_its_limit_before_is_no_new_finding():
    assert _kinds([_facts(0, "above"), _facts(1, "above")]) == []
    assert _kinds([_facts(0, "within"), _facts(1, "above")]) == ["new finding"]
    assert _kinds([_facts(0, "cannot tell"), _facts(1, "cannot tell")]) == []
    assert _kinds([_facts(0, "below"), _facts(1, "above")]) == ["new finding"]


def test_the_last_visit_that_judged_it_counts():
    assert _kinds([_facts(-1, "above"), _facts(0), _facts(1, "above")]) == []
    assert _kinds([_facts(-1, "above"), _facts(0, "within"), _facts(1, "above")]) != []


def test_what_a_first_visit_shows_is_no_news():
    (reason,) = flags_to_look([_facts(1, "above", "above")], (), FIRST_DAY)
    assert reason.kind == FIRST_VISIT
    assert _kinds([_facts(0, unread=("No rep could be used.",)), _facts(1, "above")]) == [
        FIRST_VISIT
    ]


def test_what_no_earlier_visit_judged_is_a_new_finding_and_said_to_be():
    other = SetFinding("hop", "knee_inward", "fppa_peak_flexion", "left", "within", "FPPA 2 deg.")
    visits = [VisitFacts(FIRST_DAY, (other,), ()), _facts(1, "above")]
    (reason,) = flags_to_look(visits, (), FIRST_DAY + timedelta(weeks=1))
    assert reason.kind == "new finding"
    assert reason.text.endswith("Not judged at any earlier visit.")


def test_what_hops_showed_is_no_news_of_bounds_and_the_reason_names_them():
    before, now = _facts(0, "within"), _facts(1, "above")
    now = replace(now, findings=tuple(replace(f, way=Way(True)) for f in now.findings))
    (reason,) = flags_to_look([before, now], (), FIRST_DAY + timedelta(weeks=1))
    assert reason.text.startswith("Two-leg jumps, from foot to foot: FPPA")
    assert reason.text.endswith("Not judged at any earlier visit.")


def test_findings_of_earlier_weeks_are_not_repeated():
    assert _kinds([_facts(0, "above")]) == []


def test_reasons_come_in_the_order_of_their_weight():
    changes = changes_in([visit(2.0), visit(12.0, week=1)], MINIMAL)
    visits = [_facts(0, "within"), _facts(1, "above", unread=("Both legs were hardly seen.",))]
    assert _kinds(visits, changes) == [
        "new finding", "side difference grown", "quality too poor to read",
    ]  # fmt: skip


def test_pain_or_swelling_comes_before_every_other_reason():
    warned = replace(_facts(1, "above"), warnings=("pain 3 of 10 after", "effusion 1+ after"))
    flags = flags_to_look([_facts(0, "within"), warned], (), FIRST_DAY + timedelta(weeks=1))
    assert [flag.kind for flag in flags] == ["pain or swelling", "new finding"]
    assert flags[0].text.endswith("pain 3 of 10 after; effusion 1+ after.")
    calm = flags_to_look([_facts(0, "within"), _facts(1, "within")], (), FIRST_DAY)
    assert calm == ()
