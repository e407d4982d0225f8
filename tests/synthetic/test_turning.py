"""A patient who turns within the clip: a view for each rep, and no mean across views."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stick_patient import LIMBS, Plan, make_clip, make_motion, make_poses

from landing_analysis.frames import reps_frame
from landing_analysis.landmarks.people import link_people
from landing_analysis.landmarks.view import estimate_view
from landing_analysis.measures.curves import landing_curves
from landing_analysis.report.documents import analysis_document
from landing_analysis.report.header import header_facts
from landing_analysis.report.rep_tables import rep_times
from landing_analysis.settings import ViewSettings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import Analysis, Landmarks, View
from landing_analysis.wording import note_words, words_of

TURN_S = 0.8
STEP_S = 1 / 60


def _plans(count: int) -> list[Plan]:
    return [Plan(0.32, 0.36, 62.0, 6.0)] * count


def _joined(*parts: Landmarks) -> Landmarks:
    """Play clips after one another, the body turning evenly between them."""
    t_s, arrays = [], {"xy_px": [], "visibility": [], "world_m": []}
    start_s = 0.0
    for part, following in zip(parts, (*parts[1:], None), strict=True):
        t_s.append(part.t_s + start_s)
        for name, held in arrays.items():
            held.append(getattr(part, name))
        start_s = float(t_s[-1][-1]) + STEP_S
        if following is not None:
            share = np.arange(STEP_S, TURN_S, STEP_S) / TURN_S
            t_s.append(start_s + np.arange(len(share)) * STEP_S)
            for name, held in arrays.items():
                before, after = getattr(part, name)[-1], getattr(following, name)[0]
                shape = (-1, *[1] * before.ndim)
                held.append(before + share.reshape(shape) * (after - before))
            start_s += len(share) * STEP_S
    joined = {name: np.concatenate(held) for name, held in arrays.items()}
    return Landmarks(np.concatenate(t_s), **joined, width_px=720, height_px=1280)


def _analysis(*parts: tuple[View, int], view: View | None = None) -> Analysis:
    landmarks = _joined(*(make_motion(_plans(count), name, LIMBS)[0] for name, count in parts))
    poses = make_poses(landmarks)
    people = link_people(poses, Options().settings.people)
    return analyse_people(make_clip(landmarks, "turns.mp4"), poses, people, Options(view=view), "")


@pytest.fixture(scope="module")
def turned() -> Analysis:
    return _analysis(("front", 3), ("right_side", 2))


def test_each_rep_has_its_own_view_and_the_clip_that_of_most(turned):
    assert turned.decided.view == "front"
    assert turned.view.turns
    assert [rep.view for rep in turned.reps.reps] == ["front"] * 3 + ["right_side"] * 2


def test_nearly_half_and_half_is_no_oblique_view():
    """The median between a front and a side view is neither."""
    analysis = _analysis(("right_side", 3), ("front", 3))
    assert analysis.decided.view in ("front", "right_side")
    assert abs(analysis.decided.view_yaw_deg) < 10.0


def test_a_turned_rep_keeps_its_times_and_declines_what_its_view_would_carry(turned):
    rows = {(row.name, row.limb): row for row in turned.measures.measures if row.rep == 4}
    alone = _analysis(("right_side", 2))
    expected = [r for r in alone.measures.measures if (r.rep, r.name) == (1, "contact_time")]
    for row in expected:
        found = rows["contact_time", row.limb]
        assert (found.value, found.sd) == pytest.approx((row.value, row.sd), abs=0.01)
    for name in ("fppa_peak_flexion", "knee_flexion_peak", "time_to_peak_flexion"):
        assert rows[name, "right"].value is None
        assert "seen from the right side, the clip from the front" in words_of(
            rows[name, "right"].reason
        )


def test_no_mean_takes_in_a_turned_rep(turned):
    counts = {s.name: s.reps_used for s in turned.measures.summaries}
    assert counts["flight_time"] == 3
    assert counts["fppa_peak_flexion"] == 3


def test_report_json_and_table_say_which_reps_are_turned(turned):
    document = analysis_document(turned)
    assert [rep["view"] for rep in document["reps"]][-1] == "right_side"
    assert abs(document["reps"][-1]["yaw_deg"]) < 6.0
    assert set(reps_frame(document).query("rep == 5")["view"]) == {"right_side"}
    assert "seen from the right side" in rep_times(turned, turned.reps.reps[4])
    assert dict(header_facts(turned))["Reps"].endswith("2 in another view")
    note = next(note for note in turned.notes if note.check == "turning")
    assert "reps 4 and 5 are seen from the right side" in note_words(note)


def test_no_knee_curve_is_drawn_of_a_turned_rep_or_across_the_turn(turned):
    curves = landing_curves(turned)
    assert {curve.rep for curve in curves.curves} == {1, 2}


def test_a_side_view_reads_flexion_as_if_the_other_view_were_not_in_the_clip():
    alone = _analysis(("right_side", 3))
    both = _analysis(("right_side", 3), ("front", 1))
    for name in ("knee_flexion_peak", "knee_flexion_initial_contact"):
        values = [
            [row.value for row in analysis.measures.measures
             if row.name == name and row.limb == "right" and row.value is not None]
            for analysis in (alone, both)
        ]  # fmt: skip
        np.testing.assert_allclose(values[0], values[1], atol=0.5)


def test_who_walks_in_sideways_for_longer_than_the_jumps_is_still_seen_from_the_front():
    """The jumps name the view, not the way to them."""
    walk = make_motion(_plans(1), "right_side", LIMBS)[0]
    still = np.repeat(walk.xy_px[:1], 400, axis=0)
    world = np.repeat(walk.world_m[:1], 400, axis=0)
    standing = Landmarks(np.arange(400) / 60, still, np.ones(still.shape[:2]), world, 720, 1280)
    landmarks = _joined(standing, make_motion(_plans(2), "front", LIMBS)[0])
    poses = make_poses(landmarks)
    people = link_people(poses, Options().settings.people)
    analysis = analyse_people(make_clip(landmarks, "in.mp4"), poses, people, Options(), "")
    assert estimate_view(landmarks, ViewSettings()).view == "right_side"
    assert analysis.decided.view == "front"
    assert not [note for note in analysis.notes if note.check == "turning"]


def test_a_turn_within_a_landing_leaves_no_view():
    landmarks = make_motion(_plans(2), "front", LIMBS)[0]
    turn = np.radians(np.clip((landmarks.t_s - 1.55) / 0.3, 0, 1) * 90.0)
    x, z = landmarks.world_m[..., 0].copy(), landmarks.world_m[..., 2].copy()
    world = landmarks.world_m.copy()
    world[..., 0] = np.cos(turn)[:, None] * x - np.sin(turn)[:, None] * z
    world[..., 2] = np.sin(turn)[:, None] * x + np.cos(turn)[:, None] * z
    poses = make_poses(replace(landmarks, world_m=world))
    people = link_people(poses, Options().settings.people)
    analysis = analyse_people(make_clip(landmarks, "spin.mp4"), poses, people, Options(), "")
    assert analysis.reps.reps[0].view == "oblique"


def test_a_view_that_the_clinician_gave_is_kept_and_turns_are_told_from_it():
    analysis = _analysis(("front", 2), ("right_side", 1), view="back")
    assert analysis.decided.view == "back"
    assert [rep.view for rep in analysis.reps.reps] == ["back", "back", "left_side"]
