"""Quick steps of the drawn bodies that settings were not chosen on, seen from their joints."""

from __future__ import annotations

import numpy as np
import pytest
from accuracy.scoring import Score, score_clip
from ladder_figures import analysed
from synthetic_patients.ladder import LADDER, play_step
from synthetic_patients.truth import knee_flexion_deg

from landing_analysis.reasons import Code
from landing_analysis.report.documents import analysis_document

SIDE = ("short_man_jog_side", "tall_woman_high_knees", "short_man_heel_kicks")
ALL = (*SIDE, "tall_woman_jog_front", "short_man_run")


def score(name: str) -> Score:
    analysis, truth = analysed(name)
    return score_clip(name, analysis_document(analysis), truth)


@pytest.mark.parametrize("name", ALL)
def test_every_landing_is_found_with_its_foot_and_in_time_and_none_invented(name):
    found = score(name)
    assert (found.contacts_missed, found.contacts_invented) == (0, 0)
    assert found.reps_found == found.reps_true
    for quantity in ("initial_contact", "toe_off"):
        assert np.median([abs(e.error) for e in found.errors if e.quantity == quantity]) < 0.015


@pytest.mark.parametrize("name", SIDE)
def test_a_knee_that_bends_under_one_foot_is_read_against_that_legs_own_length(name):
    errors = [e for e in score(name).errors if e.quantity == "knee_flexion_peak"]
    assert len(errors) >= 4
    # 3 deg are taken off what a pose model reads low; joints do not read low.
    assert np.median([abs(e.error) for e in errors]) < 4.0


def test_no_angle_is_given_at_contact_of_a_knee_that_extends_until_it_lands():
    analysis, _ = analysed("short_man_heel_kicks")
    near = analysis.view.near_limb
    rows = [
        row for row in analysis.measures.measures
        if row.name == "knee_flexion_initial_contact" and row.limb == near and row.rep is not None
    ]  # fmt: skip
    refused = [row for row in rows if row.value is None]
    assert len(refused) >= 4
    assert all(row.reason.code is Code.KNEE_STILL_EXTENDING for row in refused)


def test_which_of_hip_and_knee_leads_in_high_knees_is_told_within_what_is_claimed():
    name = "tall_woman_high_knees"
    analysis, truth = analysed(name)
    near = analysis.view.near_limb
    motion = play_step(LADDER[name]).motion
    rows = [
        (row, analysis.reps.reps[row.rep - 1]) for row in analysis.measures.measures
        if row.name == "hip_lead_time" and row.rep is not None and row.value is not None
    ]  # fmt: skip
    assert len(rows) >= 4
    errors = []
    for row, rep in rows:
        (swing,) = [
            one for one in truth["swings"]
            if one["limb"] == near and abs(one["end_s"] - rep.flight.landing.t_s) < 0.1
        ]  # fmt: skip
        t_s = np.arange(swing["start_s"], swing["end_s"], 0.001)
        joints = motion.joints(t_s)
        thigh = joints[f"{near}_knee"] - joints[f"{near}_hip"]
        lifted_deg = np.degrees(np.arccos(-thigh[:, 2] / np.linalg.norm(thigh, axis=1)))
        at_s = [_halfway_s(t_s, one) for one in (lifted_deg, knee_flexion_deg(joints, near))]
        errors.append((row.value - 1000.0 * (at_s[1] - at_s[0])) / row.sd)
    assert np.abs(errors).max() < 3.0
    assert np.median(np.abs(errors)) < 1.0


def _halfway_s(t_s: np.ndarray, angle_deg: np.ndarray) -> float:
    way = angle_deg[: angle_deg.argmax() + 1]
    start = int(way.argmin())
    return float(t_s[start + np.argmax(way[start:] >= 0.5 * (way[start] + way[-1]))])


@pytest.mark.parametrize("name", ALL)
def test_steps_tell_pace_contact_and_flight_of_both_limbs(name):
    analysis, truth = analysed(name)
    (first, *_) = analysis.reps.bouts
    rows = [row for row in analysis.measures.measures if row.rep in first.reps]
    for measure in ("contact_time", "flight_time"):
        assert {row.limb for row in rows if row.name == measure and row.value} >= {"left", "right"}
    landed_s = np.diff([c["initial_contact_s"] for c in truth["contacts"]][: len(first.reps)])
    pace = np.mean([row.value for row in rows if row.name == "step_rate" and row.value])
    assert abs(pace / (60.0 / landed_s.mean()) - 1.0) < 0.03
