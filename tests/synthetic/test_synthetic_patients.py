"""The known truth of the synthetic patients is itself checked here, without drawing."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from soles import sole_heights_m
from synthetic_patients.body import load_body
from synthetic_patients.camera import Camera
from synthetic_patients.choreography import Performance, frontal_angle_deg, lowest_knot
from synthetic_patients.clips import play, scene_truth
from synthetic_patients.motion import bend_leg, leg_length
from synthetic_patients.scenes import SAMPLE_CLIPS, SCENES, Scene
from synthetic_patients.truth import fppa_deg, knee_flexion_deg

SAMPLE_FOLDER = Path(__file__).parents[2] / "sample_clips"
G_M_S2 = 9.81
FLOOR_M = 0.001
PRESCRIBED_DEG = 0.1
SILHOUETTE_PX = 1.5
PIXEL = 1e-6

MOVING = ("p01_jumps_front", "p02_hops_left_side", "p03_jumps_front", "p04_jumps_back")


@pytest.fixture(scope="module", params=MOVING)
def played(request: pytest.FixtureRequest) -> tuple[Scene, Performance]:
    scene = SCENES[request.param]
    return scene, play(scene)


def planted(performance: Performance, limb: str) -> list[tuple[float, float]]:
    """Start and end of every contact of a limb, standing included."""
    landings = [x for x in performance.landings if x.limb == limb]
    if not landings:
        return []
    starts = [0.0, *(x.initial_contact_s for x in landings)]
    truth = [x.toe_off_s for x in landings if x.toe_off_s is not None]
    first_off = landings[0].take_off_s - 0.01
    return list(zip(starts, [first_off, *truth, performance.motion.duration_s], strict=True))


def test_a_planted_sole_stays_on_the_floor(played):
    _, performance = played
    for limb in performance.leaps[0].limbs:
        for start_s, end_s in planted(performance, limb):
            heights = sole_heights_m(
                performance.motion, limb, np.linspace(start_s, end_s - 1e-6, 40)
            )
            assert_allclose(heights, 0, atol=FLOOR_M)


def test_a_planted_toe_does_not_slide(played):
    _, performance = played
    for limb in performance.leaps[0].limbs:
        for start_s, end_s in planted(performance, limb):
            tip = performance.motion.joints(np.linspace(start_s, end_s - 1e-6, 40))[
                f"{limb}_toe_tip"
            ]
            assert_allclose(np.ptp(tip, axis=0), 0, atol=FLOOR_M)


def test_a_flying_sole_is_never_below_the_floor(played):
    _, performance = played
    for limb in ("left", "right"):
        heights = sole_heights_m(
            performance.motion, limb, np.arange(0, performance.motion.duration_s, 0.02)
        )
        assert heights.min() > -FLOOR_M


def test_a_foot_in_flight_is_off_the_floor(played):
    _, performance = played
    for number, leap in enumerate(performance.leaps, start=1):
        landing = next(x for x in performance.landings if x.leap == number)
        middle = np.array([landing.take_off_s + 0.5 * leap.flight_s])
        for limb in leap.limbs:
            assert sole_heights_m(performance.motion, limb, middle)[0] > 0.02


def test_the_pelvis_falls_freely_in_flight(played):
    _, performance = played
    step_s = 1e-3
    for number, leap in enumerate(performance.leaps, start=1):
        landing = next(x for x in performance.landings if x.leap == number)
        t_s = np.arange(landing.take_off_s, landing.take_off_s + leap.flight_s, step_s)
        z = performance.motion.mid_hip(t_s)[:, 2]
        assert_allclose(np.diff(z, 2) / step_s**2, -G_M_S2, atol=1e-3)


def test_the_pelvis_never_jerks(played):
    _, performance = played
    step_s = 1e-3
    t_s = np.arange(0, performance.motion.duration_s, step_s)
    speed = np.diff(performance.motion.mid_hip(t_s)[:, 2]) / step_s
    assert np.abs(np.diff(speed)).max() / step_s < 40.0  # no step of speed: under 4 g


def test_the_prescribed_flexion_comes_back(played):
    _, performance = played
    for number, leap in enumerate(performance.leaps, start=1):
        landings = [x for x in performance.landings if x.leap == number]
        first = min(landings, key=lambda x: x.initial_contact_s)
        at_contact = performance.motion.joints(np.array([first.initial_contact_s]))
        assert_allclose(
            knee_flexion_deg(at_contact, first.limb)[0],
            leap.flexion_initial_contact_deg,
            atol=PRESCRIBED_DEG,
        )
        for x in landings:
            lowest = performance.motion.joints(np.array([x.lowest_s]))
            assert_allclose(
                knee_flexion_deg(lowest, x.limb)[0],
                leap.limbs[x.limb].flexion_peak_deg,
                atol=PRESCRIBED_DEG,
            )


def test_the_prescribed_fppa_comes_back(played):
    _, performance = played
    for x in performance.landings:
        plan = performance.leaps[x.leap - 1].limbs[x.limb]
        for at_s, wanted_deg in (
            (x.lowest_s, plan.fppa_peak_deg),
            (x.initial_contact_s, plan.fppa_initial_contact_deg),
        ):
            at = performance.motion.joints(np.array([at_s]))
            found = frontal_angle_deg(
                x.limb, at[f"{x.limb}_hip"], at[f"{x.limb}_knee"], at[f"{x.limb}_ankle"]
            )
            assert_allclose(found[0], wanted_deg, atol=PRESCRIBED_DEG)


def test_truth_keeps_the_prescribed_times(played):
    scene, performance = played
    truth = scene_truth(scene, performance)
    for rep, leap in zip(truth["reps"], performance.leaps, strict=True):
        assert_allclose(rep["flight_time_s"], leap.flight_s, atol=1e-4)
        offs = [c["toe_off_s"] for c in truth["contacts"] if c["toe_off_s"] is not None]
        if not leap.held:
            first_s = rep["take_off_s"] + rep["flight_time_s"]
            last_off = max(s for s in offs if first_s < s < first_s + leap.contact_s + 0.01)
            assert_allclose(last_off - first_s, leap.contact_s, atol=1e-4)


def test_the_same_seed_gives_the_same_motion():
    scene = SAMPLE_CLIPS[0]
    t_s = np.linspace(0, 5, 40)
    first, again = (play(scene).motion.segments(t_s) for _ in range(2))
    np.testing.assert_array_equal(first[0], again[0])
    np.testing.assert_array_equal(first[1], again[1])


@pytest.mark.parametrize("name", [scene.name for scene in SAMPLE_CLIPS])
def test_reps_differ_enough_to_show_rep_to_rep_change(name):
    truth = scene_truth(SCENES[name], play(SCENES[name]))
    limbs = {limb for rep in truth["reps"] for limb in rep["landing"]}
    for limb in limbs:
        landings = [rep["landing"][limb] for rep in truth["reps"]]
        fppa = [x["fppa_square_on_peak_flexion_deg"] for x in landings]
        contact_s = [x["contact_time_s"] for x in landings if x["contact_time_s"] is not None]
        assert np.std(fppa, ddof=1) >= 2.0
        assert np.std(contact_s, ddof=1) >= 0.015


@pytest.mark.parametrize("name", [scene.name for scene in SAMPLE_CLIPS])
def test_committed_truth_is_what_the_scene_gives(name):
    scene = SCENES[name]
    stored = json.loads((SAMPLE_FOLDER / f"{name}.truth.json").read_text(encoding="utf-8"))
    assert stored == scene_truth(scene, play(scene))


def test_the_leg_bends_by_the_law_of_cosines():
    body = load_body("slim_woman")
    hip, flexion_deg = np.array([[0.0, 0.1, 1.0]]), 37.0
    ankle = hip - np.array([[0.0, 0.0, leg_length(body, "left_", flexion_deg)]])
    knee, _ = bend_leg(body, "left", hip, ankle, np.zeros(1), 0.0)
    joints = {"left_hip": hip, "left_knee": knee, "left_ankle": ankle}
    assert_allclose(knee_flexion_deg(joints, "left")[0], flexion_deg, atol=1e-6)


def test_a_leg_that_cannot_reach_is_refused():
    body = load_body("slim_woman")
    with pytest.raises(ValueError, match="stretch"):
        bend_leg(body, "left", np.array([[0, 0, 2.0]]), np.array([[0, 0, 0.0]]), np.zeros(1), 0.0)


def test_a_contact_the_floor_cannot_give_is_refused():
    with pytest.raises(ValueError, match="needs"):
        lowest_knot((0.9, -0.5, -G_M_S2), 0.5, (0.9, 0.5, -G_M_S2), 0.3)


# Signed FPPA from pixels: a derived worked example; y downwards, seen from the front, so that
# the patient's left limb lies on the picture's right.
@pytest.mark.parametrize(
    ("limb", "knee_x", "expected_deg"),
    [("left", 95.0, 5.725), ("right", 105.0, 5.725), ("left", 105.0, -5.725)],
)
def test_fppa_sign_is_positive_for_a_knee_inward(limb, knee_x, expected_deg):
    points = {"hip": (100.0, 0.0), "knee": (knee_x, 100.0), "ankle": (100.0, 200.0)}
    seen = {f"{limb}_{k}": np.array([v]) for k, v in points.items()}
    assert_allclose(fppa_deg(seen, limb, 1.0)[0], expected_deg, atol=0.001)


# Yaw off the front view turns flexion into false FPPA, 2 atan(tan(flexion / 2) sin(yaw)):
# derived for equal thigh and shank and parallel projection; 60 deg at 5 deg gives 5.76 deg.
def test_yaw_turns_flexion_into_false_fppa():
    length, half = 0.4, np.deg2rad(30)
    hip, ankle = np.array([[0, 0, 2 * length * np.cos(half)]]), np.zeros((1, 3))
    knee = np.array([[length * np.sin(half), 0, length * np.cos(half)]])
    far = Camera(
        yaw_deg=5.0, distance_m=500.0, height_m=0.35, pitch_deg=0.0, focal_equivalent_mm=5000
    )
    seen = {
        f"left_{k}": far.project(v) for k, v in (("hip", hip), ("knee", knee), ("ankle", ankle))
    }
    assert_allclose(abs(fppa_deg(seen, "left", 1.0)[0]), 5.76, atol=0.02)


def test_roll_changes_no_angle_between_two_lines():
    points = np.random.default_rng(0).uniform(-0.5, 0.5, (3, 3)) + np.array([0, 0, 0.9])
    angles = []
    for roll_deg in (0.0, 7.0):
        hip, knee, ankle = Camera(roll_deg=roll_deg).project(points)
        seen = {"left_hip": hip[None], "left_knee": knee[None], "left_ankle": ankle[None]}
        angles.append(fppa_deg(seen, "left", 1.0)[0])
    assert_allclose(angles[0], angles[1], atol=1e-6)


def test_the_drawing_matrix_agrees_with_the_projection():
    camera = Camera(yaw_deg=12.0, roll_deg=3.0, pitch_deg=-4.0)
    points = np.random.default_rng(1).uniform(-0.5, 1.5, (50, 3))
    clip = np.concatenate([points, np.ones((50, 1))], axis=1) @ camera.clip_matrix().T
    ndc = clip[:, :2] / clip[:, 3:]
    pixels = np.stack(
        [(ndc[:, 0] + 1) / 2 * camera.width_px - 0.5, (1 - ndc[:, 1]) / 2 * camera.height_px - 0.5],
        axis=1,
    )
    assert_allclose(pixels, camera.project(points), atol=PIXEL)


@pytest.mark.slow
def test_the_drawn_silhouette_agrees_with_the_projected_surface():
    pytest.importorskip("moderngl", reason="moderngl is not installed")
    render = pytest.importorskip("synthetic_patients.render")
    scene = SCENES["p01_jumps_left_side"]
    motion = play(scene).motion
    try:
        renderer = render.Renderer(motion.body, render.Look(), scene.camera)
    except Exception as reason:
        pytest.skip(f"no drawing context: {reason}")
    own_field = np.take_along_axis(
        motion.body.fields, np.clip(motion.body.materials.astype(int) - 1, 0, 2)[:, None], axis=1
    )[:, 0]
    skin, shoe = motion.body.materials == 0, motion.body.materials == 4
    bare = (motion.body.fields[:, :2] < 0.012).all(axis=1)
    visible = np.where(skin, bare, shoe | (own_field > 0))
    for at_s in (0.5, 1.9, 2.3):
        rotations, origins = (x[0] for x in motion.segments(np.array([at_s])))
        placed = motion.body.place(rotations, origins)[visible]
        seen = scene.camera.project(placed)
        sharp = renderer.picture(rotations, origins, at_s).astype(int)
        changed = np.abs(sharp - renderer.room(at_s).astype(int)).sum(axis=2) > 30
        lowest_row = int(seen[placed[:, 2] > 0.45, 1].max())  # clear of the shadow on the floor
        body = np.argwhere(changed[:lowest_row])
        edges = (body[:, 0].min(), body[:, 1].min(), body[:, 1].max())
        above = seen[seen[:, 1] < lowest_row]
        expected = (above[:, 1].min(), above[:, 0].min(), above[:, 0].max())
        assert_allclose(edges, expected, atol=SILHOUETTE_PX)
    renderer.close()
