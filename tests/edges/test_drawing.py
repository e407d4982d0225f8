"""What is drawn agrees with what was measured, and faces are not to be recognised."""

from __future__ import annotations

import base64
from dataclasses import replace

import av
import cv2
import numpy as np
import pytest
from drawn_rooms import read_room
from stick_patient import jump_plan, make_analysis, make_motion, make_poses
from told import told

from landing_analysis.landmarks.people import link_people
from landing_analysis.measures.aligned import aligned_curves
from landing_analysis.measures.curves import landing_curves
from landing_analysis.report.annotated import (
    draw_frame,
    foot_state,
    rep_at,
    shows_angle,
    write_annotated_clip,
)
from landing_analysis.report.faces import blur_heads, find_heads, head_circles, through_gaps
from landing_analysis.report.figures import rep_strip_figure
from landing_analysis.report.pictures import key_frames, key_jpeg, key_pictures
from landing_analysis.report.style import limb_style
from landing_analysis.settings import PeopleSettings
from landing_analysis.tables import LANDMARK, LIMBS, Bout, Frame, Poses

CURVE_TOLERANCE_DEG = 1.5  # curves are low-passed, measures read by a local fit


def _grey(analysis, number: int = 0) -> Frame:
    clip = analysis.clip
    rgb = np.full((clip.height_px, clip.width_px, 3), 128, np.uint8)
    return Frame(number, float(clip.t_s[number]), rgb)


@pytest.mark.parametrize(
    ("chosen", "name"),
    [({"view": "right_side", "exercise": "hop"}, "knee_flexion_peak"), ({}, "fppa_peak_inward")],
)
def test_the_top_of_each_curve_is_the_measured_value(chosen, name):
    analysis = make_analysis(**chosen)
    rows = {(m.rep, m.limb): m.value for m in analysis.measures.measures if m.name == name}
    curves = landing_curves(analysis).curves
    assert len(curves) >= 7
    for curve in curves:
        np.testing.assert_allclose(
            curve.angle_deg.max(), rows[curve.rep, curve.limb], atol=CURVE_TOLERANCE_DEG
        )


def test_curves_run_from_contact_to_toe_off_and_leave_held_landings_out():
    found = landing_curves(make_analysis())
    assert found.axis == "%"
    assert {curve.rep for curve in found.curves} == {1, 2, 3, 5, 6, 7}
    for curve in found.curves:
        assert (curve.x[0], curve.x[-1]) == (0.0, 100.0)


def test_a_set_without_any_toe_off_is_drawn_over_time():
    found = landing_curves(make_analysis(reps=1))
    assert found.axis == "s"
    assert found.curves[0].x[-1] == pytest.approx(0.6)


def test_an_oblique_view_has_no_curves():
    assert landing_curves(make_analysis(view="oblique")) is None


def test_a_plot_of_several_bouts_parts_them_and_says_which_is_which():
    analysis = make_analysis()
    numbers = [rep.number for rep in analysis.reps.reps]
    bouts = (
        Bout(1, "jump", 1.0, tuple(numbers[:3]), 1.0, 3.0),
        Bout(2, "jump", 1.0, tuple(numbers[3:]), 4.0, 6.0),
    )

    def parts(bouts):
        reps = replace(analysis.reps, bouts=bouts)
        (axes,) = rep_strip_figure(replace(analysis, reps=reps), "fppa_peak_flexion").axes
        upright = [line.get_xdata()[0] for line in axes.lines if len({*line.get_xdata()}) == 1]
        return [one for one in upright if one % 1 == 0.5], [text.get_text() for text in axes.texts]

    edges, words = parts(bouts)
    assert edges == [numbers[3] - 0.5]
    assert {"1", "2"} <= set(words)
    edges, words = parts(bouts[:1])
    assert edges == []
    assert "1" not in words


def test_landings_are_laid_over_one_another_at_each_limbs_own_initial_contact():
    analysis = make_analysis()
    left, right = aligned_curves(analysis)
    assert (left.limb, right.limb) == LIMBS
    assert 4 in left.rep_deg
    assert 4 not in left.used  # refused
    for found in (left, right):
        rows = {
            m.rep: m.value for m in analysis.measures.measures
            if (m.name, m.limb) == ("fppa_initial_contact", found.limb)
        }  # fmt: skip
        at_contact = np.argmin(np.abs(found.after_s))
        assert found.after_s[at_contact] == 0.0
        for rep in found.used:
            np.testing.assert_allclose(
                found.rep_deg[rep][at_contact], rows[rep], atol=CURVE_TOLERANCE_DEG
            )
        used = np.array([found.rep_deg[rep] for rep in found.used])
        np.testing.assert_allclose(found.mean_deg[at_contact], used[:, at_contact].mean())
        np.testing.assert_allclose(found.sd_deg[at_contact], used[:, at_contact].std(ddof=1))


def test_no_line_is_drawn_across_what_was_not_seen():
    analysis = make_analysis(reps=3)
    angles, t_s = analysis.knee_angles, analysis.tracks.t_s
    on_s = analysis.reps.reps[0].contacts[0].initial_contact.t_s
    deg = {limb: deg.copy() for limb, deg in angles.deg.items()}
    hidden = (t_s > on_s + 0.1) & (t_s < on_s + 0.4)
    deg["left"][hidden] = np.nan
    left, _ = aligned_curves(replace(analysis, knee_angles=replace(angles, deg=deg)))
    inside = (left.after_s > 0.15) & (left.after_s < 0.35)
    assert np.isnan(left.rep_deg[1][inside]).all()
    assert np.isfinite(left.rep_deg[1][left.after_s <= 0.05]).all()


def test_a_clip_of_doubtful_time_or_without_a_knee_angle_is_laid_over_nothing():
    assert aligned_curves(make_analysis(view="oblique")) == ()
    analysis = make_analysis()
    doubt = replace(analysis.decided.time_base, slowed_by=None, doubt=told("not settled"))
    assert (
        aligned_curves(replace(analysis, decided=replace(analysis.decided, time_base=doubt))) == ()
    )


def test_limbs_differ_in_colour_marker_line_and_filling():
    left, right = (limb_style(limb, "right") for limb in LIMBS)
    assert left.colour != right.colour
    assert left.marker != right.marker
    assert left.line != right.line
    assert (left.fill, right.fill) == ("white", right.colour)
    assert right.label == "right, surgical"


# --- key pictures ----------------------------------------------------------------------------


def test_key_pictures_show_the_frames_nearest_to_both_moments():
    analysis = make_analysis()
    pictures = [p for p in key_pictures(analysis) if p.rep == 1]
    contact_s = analysis.reps.reps[0].contacts[0].initial_contact.t_s
    assert [p.moment for p in pictures] == ["initial contact", "peak flexion"]
    assert abs(pictures[0].t_s - contact_s) <= 0.5 / 60
    assert abs(pictures[1].t_s - analysis.reps.reps[0].peak_flexion_s) <= 0.5 / 60
    assert {p.frame for p in key_pictures(analysis)} == set(key_frames(analysis))


def test_the_lines_meet_at_the_knee_inside_the_picture():
    for picture in key_pictures(make_analysis(view="right_side", exercise="hop")):
        thigh, shank = [line for line in picture.lines if line.kind == "segment"]
        assert (thigh.x2, thigh.y2) == (shank.x1, shank.y1)
        for line in (thigh, shank):
            assert 0 < line.x1 < picture.width
            assert 0 < line.y2 < picture.height


def test_a_label_is_never_cut_off_at_the_edge():
    analysis = make_analysis()
    wide = analysis.tracks.xy_px.copy()
    wide[:, LANDMARK["left_knee"], 0] += 260
    wide[:, LANDMARK["right_knee"], 0] -= 260
    tracks = replace(analysis.tracks, xy_px=wide)
    for picture in key_pictures(replace(analysis, tracks=tracks)):
        for label in picture.labels:
            room = 20 * len(label.text)
            assert label.x - (room if label.anchor == "end" else 0) >= 0
            assert label.x + (room if label.anchor == "start" else 0) <= picture.width


def test_a_key_jpeg_is_cut_and_scaled_to_its_picture():
    analysis = make_analysis()
    picture = key_pictures(analysis)[0]
    address = key_jpeg(analysis, _grey(analysis, picture.frame), None)
    data = np.frombuffer(base64.b64decode(address.split(",")[1]), np.uint8)
    height, width = cv2.imdecode(data, cv2.IMREAD_COLOR).shape[:2]
    assert (height, width) == (picture.height, round(picture.width))


# --- faces -----------------------------------------------------------------------------------


def test_a_head_becomes_a_coarse_mosaic_and_nothing_else_changes():
    rng = np.random.default_rng(5)
    rgb = rng.integers(0, 255, (200, 300, 3), dtype=np.uint8)
    blurred = rgb.copy()
    blur_heads(blurred, np.array([[150.0, 100.0, 40.0], [np.nan] * 3]))
    yy, xx = np.mgrid[:200, :300]
    inside = (xx - 150) ** 2 + (yy - 100) ** 2 < 36**2
    outside = (xx - 150) ** 2 + (yy - 100) ** 2 > 44**2
    np.testing.assert_array_equal(blurred[outside], rgb[outside])
    # Noise has no structure left: the spread of 74 grey levels falls below a quarter.
    assert blurred[inside].std() < 0.25 * rgb[inside].std()


def test_a_head_at_the_edge_or_outside_the_picture_is_no_error():
    rgb = np.zeros((50, 50, 3), np.uint8)
    blur_heads(rgb, np.array([[0.0, 0.0, 30.0], [500.0, 500.0, 10.0], [25.0, -5.0, 3.0]]))


def test_the_circle_covers_every_point_of_the_head():
    landmarks, _ = make_motion(jump_plan(), "front", LIMBS)
    circles = head_circles(landmarks.xy_px)
    for name in ("nose", "left_ear", "right_ear", "left_eye", "mouth_left"):
        away = np.linalg.norm(landmarks.xy_px[:, LANDMARK[name]] - circles[:, :2], axis=1)
        assert (away < circles[:, 2]).all()


def test_a_missed_frame_shows_no_face():
    circles = np.array([[10.0, 20, 5], [np.nan] * 3, [14.0, 24, 5], [np.nan] * 3])
    np.testing.assert_allclose(through_gaps(circles)[[1, 3]], [[12, 22, 5], [14, 24, 5]])


def test_a_passer_by_who_is_nobody_yet_is_covered_too():
    landmarks, _ = make_motion(jump_plan(), "front", LIMBS)
    heads = find_heads(make_poses(landmarks), ())
    assert heads.shape == (len(landmarks.t_s), 1, 3)
    assert np.isfinite(heads).all()


def _covered(heads: np.ndarray, points_px: np.ndarray) -> np.ndarray:
    """Tell of (n_frames, k, 2) points whether all of a frame lie in some circle of it."""
    away = np.linalg.norm(points_px[:, :, None] - heads[:, None, :, :2], axis=3)
    return (away < heads[:, None, :, 2]).any(axis=2).all(axis=1)


HEAD = [LANDMARK[name] for name in ("nose", "left_ear", "right_ear", "mouth_left")]


def _only_seen(poses: Poses, frames: np.ndarray) -> Poses:
    xy = poses.xy_px.copy()
    xy[~frames] = np.nan
    return replace(poses, xy_px=xy)


@pytest.mark.parametrize("upside_down", [False, True])
def test_somebody_seen_in_a_few_frames_only_is_covered_between_before_and_after(upside_down):
    """As a bystander whom the model finds now and then, or a body in a mirror on the floor."""
    landmarks, _ = make_motion(jump_plan(), "front", LIMBS)
    walk_px = 300.0 * (landmarks.t_s - 2.0)[:, None]  # 1.4 m/s or more at this size
    xy = landmarks.xy_px[:1] + np.stack([walk_px, 0 * walk_px], axis=2)
    if upside_down:
        xy[..., 1] = 1500.0 - xy[..., 1]
    poses = make_poses(replace(landmarks, xy_px=xy))
    t_s = landmarks.t_s
    shown = np.zeros(len(t_s), bool)
    shown[(t_s > 1.5) & (t_s < 1.6)] = True
    shown[(t_s > 2.2) & (t_s < 2.3)] = True
    seldom = _only_seen(poses, shown)
    assert not link_people(seldom, PeopleSettings(least_share=0.5))
    heads = find_heads(seldom, ())
    near = (t_s > 1.1) & (t_s < 2.7)
    assert _covered(heads, xy[:, HEAD])[near].all()
    assert np.isnan(heads[t_s < 0.9]).all()


def test_the_heads_of_many_passers_by_take_little_memory():
    landmarks, _ = make_motion(jump_plan(), "front", LIMBS)
    poses = make_poses(landmarks)
    blinking = _only_seen(poses, (landmarks.t_s % 2.4) < 0.2)
    assert find_heads(blinking, ()).shape[1] == 1


@pytest.mark.parametrize("name", ["crosses_in_front", "crosses_side_view", "walks_in_and_out"])
def test_in_drawn_rooms_no_head_that_the_model_misses_for_a_while_is_left_open(name):
    """Hide every second segment of 0.2 s from the model and look where the heads were."""
    poses, _ = read_room(name)
    hidden = (poses.t_s % 0.4) < 0.2
    heads = find_heads(_only_seen(poses, ~hidden), ())
    for slot in range(poses.xy_px.shape[1]):
        nose = poses.xy_px[:, slot, [LANDMARK["nose"]]]
        there = np.isfinite(nose[:, 0, 0])
        assert _covered(heads, nose)[there].all()


# --- the annotated clip ------------------------------------------------------------------------


def test_each_foot_is_said_to_be_where_the_contacts_put_it():
    analysis = make_analysis()
    first = analysis.contacts.flights[0]
    contact = analysis.contacts.contacts[0]
    for t_s, state in (
        (first.take_off.t_s - 0.3, "on the ground"),
        (first.take_off.t_s + 0.05, "in the air"),
        (contact.initial_contact.t_s + 0.03, "on the ground"),
        (contact.toe_off.t_s + 0.04, "in the air"),
        (contact.initial_contact.t_s, ""),
        (contact.toe_off.t_s, ""),
        (float(analysis.tracks.t_s[-1]), "on the ground"),
    ):
        assert foot_state(analysis, "left", t_s) == state


def test_the_foot_held_up_in_a_hop_set_has_no_state():
    analysis = make_analysis(view="right_side", exercise="hop")
    assert {foot_state(analysis, "left", t) for t in analysis.tracks.t_s[::20]} == {""}


def test_nothing_is_said_of_a_foot_whose_contact_was_missed():
    # A child stands there: the second landing of the left foot was not found.
    analysis = make_analysis()
    contacts = analysis.contacts
    missed = [c for c in contacts.contacts if c.limb == "left"][1]
    left = tuple(c for c in contacts.contacts if c is not missed)
    poor = replace(analysis, contacts=replace(contacts, contacts=left))
    stands_s = 0.5 * (missed.initial_contact.t_s + missed.toe_off.t_s)
    assert foot_state(analysis, "left", stands_s) == "on the ground"
    assert foot_state(poor, "left", stands_s) == ""
    assert foot_state(poor, "right", stands_s) == "on the ground"


def test_nothing_is_said_of_a_flight_whose_rep_is_not_used():
    analysis = make_analysis()
    refused = next(rep for rep in analysis.reps.reps if not rep.used)
    middle_s = 0.5 * (refused.flight.take_off.t_s + refused.flight.landing.t_s)
    assert {foot_state(analysis, limb, middle_s) for limb in LIMBS} == {""}


def test_a_foot_that_was_not_seen_to_leave_does_not_stand_for_ever():
    analysis = make_analysis()
    contacts = analysis.contacts
    last = [c for c in contacts.contacts if c.limb == "left"][-1]
    lost = replace(last, toe_off=None, toe_off_reason=told("its toe-off was hidden"))
    changed = tuple(lost if c is last else c for c in contacts.contacts)
    poor = replace(analysis, contacts=replace(contacts, contacts=changed))
    assert foot_state(poor, "left", last.initial_contact.t_s + 0.2) == ""


def test_a_hanging_leg_gets_no_angle():
    analysis = make_analysis(view="front", exercise="hop", limb="right")
    assert set(analysis.knee_angles.deg) == set(LIMBS)
    shown = {
        limb: [
            shows_angle(analysis, limb, foot_state(analysis, limb, t), t)
            for t in analysis.tracks.t_s.tolist()
        ]
        for limb in LIMBS
    }
    assert not any(shown["left"])
    assert any(shown["right"])
    bare = replace(analysis, knee_angles=None)
    hop = next(rep for rep in analysis.reps.reps if rep.used)
    number = int(np.searchsorted(analysis.tracks.t_s, hop.peak_flexion_s))
    knee = analysis.tracks.raw_px[number, LANDMARK["left_knee"]].round().astype(int)
    beside = np.s_[knee[1] - 25 : knee[1] + 25, knee[0] + 12 : knee[0] + 80]
    with_angles, without = (
        draw_frame(_grey(analysis, number), one, None)[beside] for one in (analysis, bare)
    )
    np.testing.assert_array_equal(with_angles, without)


def test_an_angle_that_cannot_be_read_is_not_drawn():
    analysis = make_analysis()
    knee_angles = analysis.knee_angles
    unknown = {limb: np.full_like(deg, np.nan) for limb, deg in knee_angles.deg.items()}
    assert landing_curves(replace(analysis, knee_angles=replace(knee_angles, deg=unknown))) is None


def test_a_rep_lasts_from_its_take_off_to_the_next():
    analysis = make_analysis()
    second = analysis.reps.reps[1]
    assert rep_at(analysis, 0.5) is None
    assert rep_at(analysis, second.flight.take_off.t_s - 0.01).number == 1
    assert rep_at(analysis, second.flight.landing.t_s).number == 2


def test_a_frame_shows_legs_state_and_words_and_hides_the_face():
    analysis = make_analysis()
    landmarks, _ = make_motion(jump_plan(), "front", LIMBS)
    heads = find_heads(make_poses(landmarks), (landmarks,))
    frame = _grey(analysis)
    rng = np.random.default_rng(2)
    noisy = frame._replace(rgb=rng.integers(0, 255, frame.rgb.shape, dtype=np.uint8))
    drawn = draw_frame(noisy, analysis, heads)
    nose = landmarks.xy_px[0, LANDMARK["nose"]].round().astype(int)
    face = np.s_[nose[1] - 15 : nose[1] + 15, nose[0] - 15 : nose[0] + 15]
    assert drawn[face].std() < 0.4 * noisy.rgb[face].std()
    assert drawn[face].std() < 0.4 * draw_frame(noisy, analysis, None)[face].std()
    knee = analysis.tracks.raw_px[0, LANDMARK["right_knee"]].round().astype(int)
    np.testing.assert_array_equal(drawn[knee[1], knee[0]], (0xC2, 0x4E, 0x00))


def test_a_large_clip_is_drawn_at_a_modest_size():
    analysis = make_analysis()
    clip = analysis.clip
    big = np.full((2 * clip.height_px, 2 * clip.width_px, 3), 90, np.uint8)
    larger = replace(analysis, clip=replace(clip, width_px=1440, height_px=2560))
    assert draw_frame(Frame(0, 0.0, big), larger, None).shape == (1280, 720, 3)


def test_the_clip_keeps_its_times_and_carries_no_sound_and_no_metadata(tmp_path):
    analysis = make_analysis()
    frames = [_grey(analysis, k) for k in range(12)]
    path = tmp_path / "annotated.mp4"
    counted = _Counter()
    write_annotated_clip(path, frames, analysis, None, counted)
    with av.open(str(path)) as container:
        assert [s.type for s in container.streams] == ["video"]
        assert container.streams.video[0].codec_context.name == "h264"
        assert container.streams.video[0].codec_context.pix_fmt == "yuv420p"
        kept = set(container.metadata) - {"major_brand", "minor_version", "compatible_brands"}
        assert kept <= {"encoder"}
        times_s = [float(frame.time) for frame in container.decode(video=0)]
    np.testing.assert_allclose(times_s, [f.t_s for f in frames], atol=1e-4)
    assert (counted.steps, counted.closed) == (12, True)


class _Counter:
    def __init__(self) -> None:
        self.steps, self.closed = 0, False

    def advance(self, n: int) -> None:
        self.steps += n

    def close(self) -> None:
        self.closed = True
