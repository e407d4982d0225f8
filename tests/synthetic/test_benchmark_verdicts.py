"""The benchmark's counts of verdicts and its lines against the goals, on made-up documents."""

from __future__ import annotations

import pytest
from accuracy.goals import goals_as_markdown
from accuracy.scoring import Error, Score
from accuracy.table import Facts
from accuracy.verdicts import Verdict, judge_clip, verdict_table

from landing_analysis.findings.judging import Favoured

LIMIT_DEG = 10.0


def documents(true_deg: float, value_deg: float, verdict: str, shift_pct: float = 0.0):
    """An analysis and a truth of one landing of the left foot, filmed from the front."""
    finding = {
        "name": "knee_inward", "rep": 1, "limb": "left", "verdict": verdict, "value": value_deg,
        "limit": LIMIT_DEG,
    }  # fmt: skip
    analysis = {"reps": [{"number": 1, "flight": {"landing_s": 1.0}}], "findings": [finding]}
    truth = {
        "view": "front",
        "reps": [
            {"exercise": "jump", "take_off_s": 0.7, "flight_time_s": 0.3,
             "pelvis_shift_pct": shift_pct,
             "landing": {"left": {"fppa_peak_flexion_deg": true_deg}}}
        ],
    }  # fmt: skip
    return analysis, truth


NONE = Favoured("none", certain=False)


@pytest.mark.parametrize(
    ("true_deg", "value_deg", "verdict", "said"),
    [
        (15.0, 16.0, "above", {"knee_inward": "yes", "knee_inward_reading": "yes"}),
        (15.0, 9.0, "within", {"knee_inward": "no", "knee_inward_reading": "no"}),
        (15.0, 11.0, "cannot tell", {"knee_inward": "cannot tell", "knee_inward_reading": "yes"}),
        (13.0, 9.0, "within", {}),  # 3 deg from the limit: no verdict on it can be wrong
    ],
)
def test_a_verdict_on_an_inward_knee_is_held_against_its_true_angle(
    true_deg, value_deg, verdict, said
):
    found = judge_clip("a.mp4", *documents(true_deg, value_deg, verdict), NONE)
    assert {v.kind: v.said for v in found} == said
    assert all(v.true == "yes" for v in found)


def test_a_favoured_limb_counts_only_where_one_is_favoured():
    said = Favoured("right", certain=False)
    assert judge_clip("a.mp4", *documents(13.0, 13.0, "within", 9.0), said) == ()
    found = judge_clip("a.mp4", *documents(13.0, 13.0, "within", -12.0), said)
    assert {v.kind: (v.said, v.true) for v in found} == {
        "favoured_limb": ("right", "right"), "favoured_limb_certain": ("cannot tell", "right")
    }  # fmt: skip


def test_verdicts_are_counted_right_wrong_and_undecided():
    said = ("yes", "no", "cannot tell", "yes")
    judged = [("hold", Verdict("a.mp4", "knee_inward", word, "yes")) for word in said]
    (row,) = verdict_table(judged)
    assert (row.split, row.right, row.wrong, row.cannot_tell) == ("hold", 2, 1, 1)
    assert row.right_pct == 50.0


def test_short_flights_stand_apart_from_the_goals_of_the_others():
    def facts(short: bool) -> Facts:
        return Facts("a.mp4", "hold", "short_man", "front", 60.0, 1 / 120, 0.0, short)

    late = Error("a.mp4", "initial_contact", "left", None, 0.004, 0.01, 1.0)
    early = Error("a.mp4", "initial_contact", "left", None, -0.1, 0.01, 1.0)
    scored = [
        (facts(short=False), Score("a.mp4", 10, 0, 0, 5, 5, (late,))),
        (facts(short=True), Score("b.mp4", 8, 2, 1, 4, 3, (early,))),
    ]
    page = goals_as_markdown(scored, [])
    assert "10 of 10 (100.0 %), 0 invented" in page
    assert "6 of 8 (75.0 %), 1 invented" in page
    assert "median 4.0, 95 % within 4.0, bias +4.0 ms (n 1)" in page
