"""Loads, drives and glides of a slide board, on both drawn bodies, seen from their joints."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from ladder_figures import analysed
from synthetic_patients.ladder import LADDER, play_step

NAMES = ("slim_woman_slide_board", "short_man_slide_board")
GOAL_S = 0.030


@pytest.mark.parametrize("name", NAMES)
def test_every_load_after_the_first_drive_is_found_in_time_and_none_invented(name):
    analysis, truth = analysed(name)
    loads = truth["loads"]
    assert (analysis.decided.exercise, len(analysis.reps.bouts)) == ("slide_board", 1)
    found = analysis.contacts.contacts
    assert [contact.limb for contact in found] == [load["limb"] for load in loads[1:]]
    begins_s = [
        contact.initial_contact.t_s - load["start_s"]
        for contact, load in zip(found, loads[1:], strict=True)
    ]
    ends_s = [
        contact.toe_off.t_s - load["end_s"]
        for contact, load in zip(found[:-1], loads[1:-1], strict=True)
    ]
    assert np.median(np.abs(begins_s)) < GOAL_S
    assert np.median(np.abs(ends_s)) < GOAL_S
    assert found[-1].toe_off is None


@pytest.mark.parametrize("name", NAMES)
def test_a_glide_lasts_from_the_drives_end_to_the_other_foots_stop(name):
    analysis, truth = analysed(name)
    loads = truth["loads"]
    rows = [row for row in analysis.measures.measures if row.name == "glide_time"]
    true_s = [after["start_s"] - load["end_s"] for load, after in pairwise(loads[1:])]
    read = [row for row in rows if row.value is not None]
    assert [row.limb for row in read] == [load["limb"] for load in loads[1:-1]]
    errors_s = [row.value - at_s for row, at_s in zip(read, true_s, strict=True)]
    assert np.median(np.abs(errors_s)) < GOAL_S
    drives = [row for row in analysis.measures.measures if row.name == "drive_time" and row.value]
    true_s = [load["end_s"] - load["deepest_s"] for load in loads[1:-1]]
    errors_s = [row.value - lasted_s for row, lasted_s in zip(drives, true_s, strict=True)]
    assert np.median(np.abs(errors_s)) < GOAL_S


@pytest.mark.parametrize("name", NAMES)
def test_pelvis_height_tells_how_deep_each_load_is(name):
    analysis, truth = analysed(name)
    joints = play_step(LADDER[name]).motion.joints(
        np.array([0.0, *(load["deepest_s"] for load in truth["loads"][1:])])
    )
    hip, knee, ankle = (joints[f"left_{part}"][0] for part in ("hip", "knee", "ankle"))
    leg_m = np.linalg.norm(knee - hip) + np.linalg.norm(ankle - knee)
    true_pct = [
        100 * (joints["mid_hip"][k, 2] - joints[f"{load['limb']}_ankle"][k, 2]) / leg_m
        for k, load in enumerate(truth["loads"][1:], start=1)
    ]
    rows = [row for row in analysis.measures.measures if row.name == "pelvis_height"]
    assert [row.limb for row in rows] == [load["limb"] for load in truth["loads"][1:]]
    errors_pct = np.array([row.value - true for row, true in zip(rows, true_pct, strict=True)])
    assert np.abs(errors_pct).max() < 4.0
    assert np.ptp(errors_pct) < 3.0, "one load against the other errs by less"
    assert (np.abs(errors_pct) < 1.96 * np.array([row.sd for row in rows])).all()
