"""Measures of a patient of sticks whose angles are known in three dimensions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from posed_patient import (
    HEEL_DELAY_S,
    HIP_HALF_M,
    IC_SD_S,
    LANDING_S,
    LOWEST_S,
    SEGMENT_M,
    SQUARE_ON_DEG,
    TAKE_OFF_S,
    TOE_OFF_S,
    TOE_OFF_SD_S,
    Pose,
    contact,
    exact_settings,
    one_rep,
    one_set,
    seen,
    tracks_of,
    true_fppa_deg,
    view_of,
)

from landing_analysis.definitions import DEFINITIONS, SIDE_VIEWS
from landing_analysis.exercises import EXERCISES
from landing_analysis.maths.kinematics import (
    false_fppa_deg,
    flexion_seen_deg,
    tilt_tangent,
    turned_leg_fppa_deg,
)
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.measures.summaries import BOTH_LIMBS_PARTS, with_set
from landing_analysis.settings import MeasureSettings, Settings
from landing_analysis.tables import LANDMARK, LIMBS, Event, Measure, Measures
from landing_analysis.wording import words_of

# The parabola and the two lines miss a half sine of 40 deg in 0.32 s by less than this.
FIT_TOLERANCE_DEG = 0.3
# Exact geometry, rounded by nothing but the fit at the flat bottom of the movement.
BOTTOM_TOLERANCE = 0.1
EXACT_S = 1e-9


def _measure(
    pose: Pose | None = None, view="front", yaw_deg: float = 0.0, rep=None, known_yaw: bool = True
) -> Measures:
    landmarks = seen(pose or Pose(), SQUARE_ON_DEG[view] + yaw_deg)
    estimate = view_of(view, yaw_deg if known_yaw else 0.0)
    rep = rep or one_rep()
    found = measure_reps(one_set(rep), tracks_of(landmarks), estimate, exact_settings())
    return with_set(found, MeasureSettings())


def _row(measures: Measures, name: str, limb=None) -> Measure:
    found = [m for m in measures.measures if (m.name, m.limb) == (name, limb)]
    assert len(found) == 1
    return found[0]


def _value(measures: Measures, name: str, limb=None) -> float:
    row = _row(measures, name, limb)
    assert row.value is not None, row.reason
    return row.value


# --- knee flexion ------------------------------------------------------------------------------


@pytest.mark.parametrize(("view", "limb"), [("left_side", "left"), ("right_side", "right")])
@pytest.mark.parametrize("yaw_deg", [-15.0, 0.0, 10.0, 20.0])
def test_flexion_of_the_near_limb_is_read_back_whatever_the_yaw(view, limb, yaw_deg):
    found = _measure(Pose(flexion_contact_deg=18.0, flexion_peak_deg=72.0), view, yaw_deg)
    at_contact = _value(found, "knee_flexion_initial_contact", limb)
    peak = _value(found, "knee_flexion_peak", limb)
    excursion = _value(found, "knee_flexion_excursion", limb)
    np.testing.assert_allclose(at_contact, 18.0, atol=2 * FIT_TOLERANCE_DEG)
    np.testing.assert_allclose(peak, 72.0, atol=FIT_TOLERANCE_DEG)
    np.testing.assert_allclose(excursion, peak - at_contact, atol=1e-9)
    target = _value(found, "knee_flexion_target_difference", limb)
    np.testing.assert_allclose(target, peak - 60.0, atol=1e-9)


@pytest.mark.parametrize("whole", [False, True])
def test_a_leg_that_is_taken_for_the_other_gives_no_flexion(whole):
    # The near foot is drawn a quarter of a metre up, as one held behind, for a part of the
    # landing and for all of it.
    landmarks = seen(Pose(flexion_contact_deg=18.0, flexion_peak_deg=72.0), 90.0)
    tracks = tracks_of(landmarks)
    wrong = np.abs(tracks.t_s - LOWEST_S) < (1.0 if whole else 0.05)
    raised = tracks.raw_px.copy()
    raised[np.ix_(wrong, [LANDMARK["left_ankle"]])] -= 0.25 * tracks.px_per_m * tracks.down
    found = measure_reps(
        one_set(one_rep()), replace(tracks, raw_px=raised), view_of("left_side", 0.0),
        exact_settings(),
    )  # fmt: skip
    row = _row(found, "knee_flexion_peak", "left")
    assert row.value is None
    assert "one leg was taken for the other" in words_of(row.reason)


def test_a_knee_that_only_straightens_once_it_landed_gives_no_flexion():
    rep = one_rep()  # which leaves when the knee is straightest
    contacts = tuple(replace(one, toe_off=Event(LOWEST_S, 1e-3)) for one in rep.contacts)
    straightens = Pose(flexion_contact_deg=72.0, flexion_peak_deg=18.0)
    found = _measure(straightens, "left_side", rep=replace(rep, contacts=contacts))
    for name in ("knee_flexion_initial_contact", "knee_flexion_peak", "time_to_peak_flexion"):
        row = _row(found, name, "left")
        assert row.value is None
        assert "bend no further" in words_of(row.reason)


def test_yaw_that_is_not_known_hides_less_flexion_than_the_angle_at_the_knee_alone():
    # The distance from hip to ankle, which yaw hardly changes, holds against it.
    found = _measure(Pose(flexion_peak_deg=60.0), "right_side", 20.0, known_yaw=False)
    by_angle_alone = float(flexion_seen_deg(60.0, 20.0))
    assert by_angle_alone < _value(found, "knee_flexion_peak", "right") < 60.0


def test_the_low_pass_does_not_smear_the_angle_at_contact():
    # The filter alone would carry the fast bend after contact into the instant before it.
    landmarks = seen(Pose(flexion_contact_deg=10.0, flexion_peak_deg=90.0), 90.0)
    tracks = tracks_of(landmarks)
    found = measure_reps(one_set(one_rep()), tracks, view_of("right_side"), exact_settings())
    smooth_only = replace(tracks, raw_px=tracks.xy_px)
    smeared = measure_reps(one_set(one_rep()), smooth_only, view_of("right_side"), exact_settings())
    errors_deg = [
        abs(_value(each, "knee_flexion_initial_contact", "right") - 10.0)
        for each in (found, smeared)
    ]
    assert errors_deg[0] < FIT_TOLERANCE_DEG
    assert errors_deg[1] > 3 * errors_deg[0]


def test_time_to_peak_flexion_runs_from_contact_to_the_deepest_knee():
    found = _measure(view="right_side")
    for limb in LIMBS:  # the far limb by the lowest point of the pelvis
        np.testing.assert_allclose(
            _value(found, "time_to_peak_flexion", limb), LOWEST_S - LANDING_S, atol=0.003
        )


# --- FPPA --------------------------------------------------------------------------------------


@pytest.mark.parametrize("view", ["front", "back"])
@pytest.mark.parametrize("limb", LIMBS)
@pytest.mark.parametrize("inward_m", [0.05, -0.03])
def test_fppa_follows_the_limb_in_front_and_back_views(view, limb, inward_m):
    other = "left" if limb == "right" else "right"
    pose = Pose(inward_m={limb: inward_m, other: 0.0})
    found = _measure(pose, view)
    expected = true_fppa_deg(inward_m, 60.0)
    assert np.sign(expected) == np.sign(inward_m)
    np.testing.assert_allclose(
        _value(found, "fppa_peak_flexion", limb), expected, atol=FIT_TOLERANCE_DEG
    )
    np.testing.assert_allclose(
        _value(found, "fppa_peak_flexion", other), 0.0, atol=FIT_TOLERANCE_DEG
    )
    np.testing.assert_allclose(
        _value(found, "fppa_initial_contact", limb), 0.0, atol=2 * FIT_TOLERANCE_DEG
    )
    most = _value(found, "fppa_peak_inward", limb)
    np.testing.assert_allclose(most, max(expected, 0.0), atol=2 * FIT_TOLERANCE_DEG)


@pytest.mark.parametrize("view", ["front", "back"])
@pytest.mark.parametrize("yaw_deg", [5.0, 10.0, -10.0])
def test_a_turned_body_shows_false_valgus_on_one_knee_and_varus_on_the_other(view, yaw_deg):
    # 2 atan(tan(flexion / 2) sin(yaw)): derived. Bent knees point to where the body is turned:
    # turned to the own left they move to the left, which is inward for the right knee.
    found = _measure(Pose(flexion_peak_deg=60.0), view, yaw_deg)
    false = float(false_fppa_deg(60.0, yaw_deg))
    right = _value(found, "fppa_peak_flexion", "right")
    left = _value(found, "fppa_peak_flexion", "left")
    np.testing.assert_allclose(right, false, atol=FIT_TOLERANCE_DEG)
    np.testing.assert_allclose(left, -false, atol=FIT_TOLERANCE_DEG)


def test_sure_yaw_widens_fppa_by_the_false_valgus_it_can_make():
    row = _row(_measure(Pose(), "front", 12.0), "fppa_peak_flexion", "right")
    parts = {part.name: part.sd for part in row.parts}
    assert row.sd is not None
    # The yaw is known to 1 deg: 12 - 1.96 deg are sure. Flexion is guessed from shortening.
    np.testing.assert_allclose(parts["view yaw"], false_fppa_deg(60.0, 10.04), rtol=0.05)
    assert row.sd > parts["view yaw"]


def test_yaw_counts_twice_in_a_difference_of_knees():
    found = _measure(Pose(), "front", 12.0)
    sides = {side.name: side for side in found.comparisons}
    side = sides["fppa_peak_flexion"]
    parts = [
        {part.name: part.sd for part in _row(found, "fppa_peak_flexion", limb).parts}
        for limb in LIMBS
    ]
    yaw = sum(part.pop("view yaw") for part in parts)
    rest = [sd for part in parts for name, sd in part.items() if name not in BOTH_LIMBS_PARTS]
    np.testing.assert_allclose(side.sd, np.linalg.norm([yaw, *rest]), rtol=1e-6)


FPPA = ("fppa_initial_contact", "fppa_peak_flexion", "fppa_peak_inward")


@pytest.mark.parametrize("limb", LIMBS)
def test_a_turned_out_leg_shows_the_outward_knee_that_geometry_says(limb):
    # Each segment is tilted by half of the flexion: 2 atan(tan(30) sin(10)) = 11.45 deg.
    found = _measure(Pose(flexion_peak_deg=60.0, turned_out_deg=10.0))
    tangent = np.tan(np.radians(30.0))
    by_foot = float(turned_leg_fppa_deg(tangent, tangent, np.sin(np.radians(10.0))))
    np.testing.assert_allclose(by_foot, 11.45, atol=0.01)
    np.testing.assert_allclose(_value(found, "fppa_peak_flexion", limb), -by_foot, atol=0.3)


def test_a_small_turn_changes_fppa_by_the_sum_of_both_tangents():
    # Unequal tilts of 50 and 10 deg: 1.19 + 0.18 degrees for each degree of turn.
    thigh, shank = (tilt_tangent(np.cos(np.radians(tilt))) for tilt in (50.0, 10.0))
    small = float(turned_leg_fppa_deg(thigh, shank, np.sin(np.radians(0.1))))
    np.testing.assert_allclose(small / 0.1, 1.192 + 0.176, atol=0.002)


@pytest.mark.parametrize("view", ["front", "back"])
def test_a_knee_that_bends_straight_over_a_turned_out_foot_has_no_fppa(view):
    # The picture shows 2 atan(tan(45) sin(25)) = 46 deg outward; the leg is well aligned.
    found = _measure(Pose(flexion_peak_deg=90.0, turned_out_deg=25.0), view)
    for limb in LIMBS:
        for name in FPPA[1:]:
            row = _row(found, name, limb)
            assert row.value is None
            assert "the foot points away from the camera" in words_of(row.reason)
    assert not [s for s in found.summaries if s.name in FPPA[1:]]


@pytest.mark.parametrize("limb", LIMBS)
def test_a_thigh_that_points_at_the_camera_has_no_fppa(limb):
    found = _measure(Pose(flexion_peak_deg=130.0))
    row = _row(found, "fppa_peak_flexion", limb)
    assert row.value is None
    assert "points toward the camera" in words_of(row.reason)
    assert _row(found, "fppa_initial_contact", limb).value is not None


@pytest.mark.parametrize("flexion_deg", [60.0, 80.0, 100.0])
@pytest.mark.parametrize("turned_out_deg", [0.0, 9.0])
def test_a_deep_landing_over_usual_feet_keeps_its_fppa(flexion_deg, turned_out_deg):
    pose = Pose(flexion_peak_deg=flexion_deg, turned_out_deg=turned_out_deg)
    found = _measure(pose)
    for name in FPPA:
        for limb in LIMBS:
            assert _row(found, name, limb).value is not None


def test_a_hip_that_wanders_from_frame_to_frame_leaves_no_fppa_of_its_leg():
    landmarks = seen(Pose(), 0.0)
    wander = np.random.default_rng(3).normal(0.0, 28.0, len(landmarks.t_s))
    landmarks.xy_px[:, LANDMARK["left_hip"], 0] += wander
    found = measure_reps(
        one_set(one_rep()), tracks_of(landmarks), view_of("front"), exact_settings()
    )
    for name in FPPA:
        row = _row(found, name, "left")
        assert row.value is None
        assert "not found steadily" in words_of(row.reason)
        assert _row(found, name, "right").value is not None


# --- neighbours of FPPA ------------------------------------------------------------------------


@pytest.mark.parametrize("view", ["front", "back"])
def test_offsets_across_the_body_have_the_sign_of_their_definition(view):
    pose = Pose(hip_left_m=0.03, lean_left_deg=6.0, inward_m={"left": 0.0, "right": 0.04})
    found = _measure(pose, view)
    shift_pct = 100.0 * 0.03 / (2 * HIP_HALF_M)
    np.testing.assert_allclose(_value(found, "pelvis_shift"), shift_pct, atol=BOTTOM_TOLERANCE * 5)
    np.testing.assert_allclose(_value(found, "trunk_lean"), 6.0, atol=BOTTOM_TOLERANCE * 2)
    # Knees half-way between hips and ankles; the right one 4 cm further in.
    straight_cm = 2 * SEGMENT_M * np.cos(np.radians(10.0)) * 100
    offset = _value(found, "knee_over_toes_offset", "right")
    np.testing.assert_allclose(offset, 100 * (4.0 + 1.5) / straight_cm, atol=0.3)
    offset = _value(found, "knee_over_toes_offset", "left")
    np.testing.assert_allclose(offset, -100 * 1.5 / straight_cm, atol=0.3)


def test_separation_ratio_is_knee_over_ankle_distance():
    found = _measure(Pose(inward_m={"left": 0.02, "right": 0.03}))
    expected = (2 * HIP_HALF_M - 0.05) / (2 * HIP_HALF_M)
    np.testing.assert_allclose(
        _value(found, "knee_ankle_separation_ratio"), expected, atol=BOTTOM_TOLERANCE / 10
    )


@pytest.mark.parametrize("view", ["left_side", "right_side"])
def test_trunk_flexion_is_positive_forwards_from_either_side(view):
    found = _measure(Pose(lean_forward_deg=25.0), view)
    np.testing.assert_allclose(_value(found, "trunk_flexion"), 25.0, atol=BOTTOM_TOLERANCE)


def test_camera_roll_that_is_known_changes_nothing():
    roll = np.radians(6.0)
    turn = np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    pose = Pose(hip_left_m=0.02, lean_left_deg=3.0, inward_m={"left": 0.0, "right": 0.04})
    tracks = tracks_of(seen(pose, 0.0))
    rolled = replace(
        tracks,
        raw_px=tracks.raw_px @ turn.T,
        xy_px=tracks.xy_px @ turn.T,
        down=turn @ tracks.down,
    )
    upright, tilted = (
        measure_reps(one_set(one_rep()), each, view_of("front"), exact_settings())
        for each in (tracks, rolled)
    )
    for before, after in zip(upright.measures, tilted.measures, strict=True):
        assert before.reason == after.reason
        if before.value is not None:
            np.testing.assert_allclose(after.value, before.value, atol=1e-6)


def test_a_vertical_that_is_not_known_widens_all_that_is_measured_against_it():
    tracks = tracks_of(seen(Pose(), 0.0))
    loose = replace(tracks, down_sd_deg=4.0)
    found = measure_reps(one_set(one_rep()), loose, view_of("front"), exact_settings())
    parts = {
        (row.name, row.limb): {part.name: part.sd for part in row.parts} for row in found.measures
    }
    leg_m = 2 * SEGMENT_M * np.cos(np.radians(30.0))  # hip above ankle, knees bent by 60 deg
    tilted = np.radians(4.0)
    np.testing.assert_allclose(parts["trunk_lean", None]["vertical of the picture"], 4.0)
    np.testing.assert_allclose(
        parts["pelvis_shift", None]["vertical of the picture"],
        100 * leg_m * tilted / (2 * HIP_HALF_M),
        rtol=0.02,
    )
    assert parts["knee_over_toes_offset", "left"]["vertical of the picture"] > 3.0
    assert "vertical of the picture" not in parts["fppa_peak_flexion", "left"]


# --- times -------------------------------------------------------------------------------------


def test_times_and_heights_of_a_jump():
    found = _measure(view="left_side")
    contact_s, flight_s = TOE_OFF_S - LANDING_S, LANDING_S - TAKE_OFF_S
    for limb in LIMBS:
        row = _row(found, "contact_time", limb)
        np.testing.assert_allclose(row.value, contact_s, atol=EXACT_S)
        np.testing.assert_allclose(row.sd, np.hypot(IC_SD_S, TOE_OFF_SD_S), atol=EXACT_S)
    np.testing.assert_allclose(_value(found, "flight_time"), flight_s, atol=EXACT_S)
    np.testing.assert_allclose(_value(found, "jump_height"), 9.81 * flight_s**2 / 8, atol=EXACT_S)
    # The flight after this landing lasts 0.28 s.
    expected = 0.28 / contact_s
    np.testing.assert_allclose(_value(found, "reactive_strength_index"), expected, atol=EXACT_S)


def test_frames_stand_on_both_sides_of_each_event():
    row = _row(_measure(view="left_side"), "contact_time", "left")
    assert row.frames == (78, 79, 97, 98)  # 1.3037 s and 1.6237 s at 60 frames/s


def test_landing_lead_is_positive_when_the_left_foot_lands_first():
    rep = replace(one_rep(), contacts=(contact("left"), contact("right", late_s=0.018)))
    row = _row(_measure(rep=rep), "inter_limb_delay")
    np.testing.assert_allclose(row.value, 18.0, atol=1e-6)
    shares = Settings().contacts.front_landing  # what both feet err by alike is not between them
    apart = np.sqrt(shares.foot + shares.limb)
    np.testing.assert_allclose(row.sd, 1000 * apart * np.hypot(IC_SD_S, IC_SD_S), atol=1e-6)
    rep = replace(one_rep(), contacts=(contact("left", late_s=0.018), contact("right")))
    np.testing.assert_allclose(_value(_measure(rep=rep), "inter_limb_delay"), -18.0, atol=1e-6)


@pytest.mark.parametrize("view", ["left_side", "right_side"])
def test_no_landing_lead_is_given_where_one_foot_hides_the_other(view):
    row = _row(_measure(view=view), "inter_limb_delay")
    assert row.value is None
    assert "it needs a front or back view" in words_of(row.reason)


def test_toes_before_heel_is_positive():
    found = _measure(view="left_side")
    np.testing.assert_allclose(
        _value(found, "toe_to_heel_interval", "left"), 1000 * HEEL_DELAY_S, atol=1e-6
    )


@pytest.mark.parametrize("limb", LIMBS)
def test_flight_of_a_hop_belongs_to_the_hopping_limb(limb):
    found = _measure(view=f"{limb}_side", rep=one_rep("hop", limb))
    for name in ("flight_time", "jump_height", "reactive_strength_index", "contact_time"):
        assert _row(found, name, limb).value is not None
    assert {row.limb for row in found.measures} == {limb, None}
    assert _row(found, "inter_limb_delay").value is None


def test_every_measure_is_there_with_its_unit_and_a_value_or_a_reason():
    of_some_exercises = {name for entry in EXERCISES.values() for name in entry.measures}
    for view in SQUARE_ON_DEG:
        found = _measure(view=view)
        near = view_of(view).near_limb
        assert {row.name for row in found.measures} == set(DEFINITIONS) - of_some_exercises
        for row in found.measures:
            definition = DEFINITIONS[row.name]
            hidden = definition.views == SIDE_VIEWS and row.limb not in (None, near)
            assert row.unit == definition.unit
            assert (row.value is not None) == (view in definition.views and not hidden), row
