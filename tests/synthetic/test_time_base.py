"""Slow motion: tag, frame intervals and free fall, and no time where they disagree.

An invented patient on exact parabolas, filmed at 60 frames/s; the same landmarks are then
given other frame times, as a phone or an editor would.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from importlib.resources import files

import jsonschema
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from page import read_page
from stick_patient import jump_plan, make_clip, make_motion, make_poses, make_squats

from landing_analysis.clock.time_base import FreeFalls, FreeFallSeen, settle_time_base
from landing_analysis.definitions import TIMES
from landing_analysis.findings.limits import read_limits
from landing_analysis.frames import reps_frame
from landing_analysis.landmarks.people import link_people
from landing_analysis.maths.signals import local_polynomial
from landing_analysis.reasons import Code
from landing_analysis.report.documents import analysis_document
from landing_analysis.report.page import report_html
from landing_analysis.report.pictures import key_pictures
from landing_analysis.settings import ClockSettings, Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, LIMBS, Analysis, Landmarks
from landing_analysis.tracks.cleaning import clean_tracks
from landing_analysis.wording import note_words, words_of

SAME_S = 1e-6
JUMPS = make_motion(jump_plan(4), "front", LIMBS)[0]
FILMED_HZ = 60.0


def analysed(
    landmarks: Landmarks = JUMPS,
    t_s: np.ndarray | None = None,
    keep: np.ndarray | slice = slice(None),
    capture_fps: float | None = None,
    slowed_by: float | None = None,
) -> Analysis:
    """Analyse landmarks under other frame times, some frames left out."""
    times_s = (landmarks.t_s if t_s is None else t_s)[keep]
    timed = replace(
        landmarks,
        t_s=times_s,
        xy_px=landmarks.xy_px[keep],
        visibility=landmarks.visibility[keep],
        world_m=landmarks.world_m[keep],
    )
    clip = replace(
        make_clip(timed, "P07_jumps.mp4"),
        capture_fps=capture_fps,
        median_fps=1 / float(np.median(np.diff(times_s))),
    )
    poses = make_poses(timed)
    options = Options(limits=read_limits(), slowed_by=slowed_by, surgical_side="right")
    people = link_people(poses, Settings().people)
    return analyse_people(clip, poses, people, options, "2031-02-03T10:11:12+00:00")


def times_of(analysis: Analysis) -> dict[tuple[int, str, str | None], float]:
    """Return all times in seconds, by rep, name and limb."""
    return {
        (row.rep, row.name, row.limb): row.value / (1000 if row.unit == "ms" else 1)
        for row in analysis.measures.measures
        if row.name in TIMES and row.value is not None
    }


def note_of(analysis: Analysis) -> tuple[str, str]:
    (note,) = [note for note in analysis.notes if note.check == "time base"]
    return note.state, note_words(note)


@pytest.fixture(scope="module")
def in_real_time() -> Analysis:
    return analysed()


def assert_same_times(found: Analysis, expected: Analysis, atol_s: float = SAME_S) -> None:
    ours, theirs = times_of(found), times_of(expected)
    assert ours.keys() == theirs.keys()
    assert len(ours) > 10
    assert_allclose([ours[key] for key in theirs], list(theirs.values()), rtol=1e-6, atol=atol_s)


# --- the file tells ------------------------------------------------------------------------------


def test_a_clip_in_real_time_is_left_as_it_is(in_real_time):
    assert in_real_time.decided.time_base.slowed_by == 1.0
    assert in_real_time.decided.time_base.origin == "clip"
    (note,) = [note for note in in_real_time.notes if note.check == "time base"]
    assert note.state == "good"
    assert "as they do in real time" in note_words(note)


def test_a_tag_that_equals_the_measured_rate_corrects_nothing(in_real_time):
    # Filmed at 240 and stored at 240: dividing by the tag alone would slow it twice.
    found = analysed(capture_fps=FILMED_HZ)
    assert found.decided.time_base.slowed_by == 1.0
    assert_same_times(found, in_real_time)


@pytest.mark.parametrize("slower", [2.0, 4.0, 8.0, 10.0])
def test_a_tagged_slow_motion_gives_the_times_of_life(in_real_time, slower):
    found = analysed(t_s=slower * JUMPS.t_s, capture_fps=FILMED_HZ)
    assert found.decided.time_base.origin == "tag"
    assert_allclose(found.decided.time_base.slowed_by, slower, rtol=1e-6)
    assert_same_times(found, in_real_time)
    state, text = note_of(found)
    assert state == "good"
    assert "free fall agrees" in text
    assert_allclose(found.tracks.rate_hz, FILMED_HZ, rtol=1e-6)


def test_pictures_are_named_by_the_time_a_player_shows_for_them():
    found = analysed(t_s=8 * JUMPS.t_s, capture_fps=FILMED_HZ)
    pictures = key_pictures(found, {})
    assert len(pictures) > 4
    for picture in pictures:
        assert_allclose(picture.t_s, 8 * JUMPS.t_s[picture.frame], rtol=1e-9)
    page = read_page(report_html(found, pictures, None)).text
    assert "s in real time" in report_html(found, pictures, None)
    landing_s = found.reps.reps[0].flight.landing.t_s
    assert f"lands at {8 * landing_s:.2f} s" in page


def test_a_camera_that_took_fewer_frames_in_poor_light_is_no_slow_motion(in_real_time):
    found = analysed(filmed_at(52.0), capture_fps=FILMED_HZ)  # the tag says 60, 52 came
    assert found.decided.time_base.slowed_by == 1.0
    # The first take-off is placed by the toes in one reading and by the body in the other.
    assert_same_times(found, in_real_time, atol_s=0.025)


# --- only the bodies tell ------------------------------------------------------------------------


@pytest.mark.parametrize("slower", [2, 4, 8])
def test_an_untagged_slow_motion_withholds_all_times_and_asks(in_real_time, slower):
    found = analysed(t_s=slower * JUMPS.t_s)
    assert found.decided.time_base.slowed_by is None
    assert times_of(found) == {}
    assert len(found.reps.reps) == len(in_real_time.reps.reps)  # never "nobody jumped"
    state, text = note_of(found)
    assert state == "poor"
    assert f"--slowed-by {slower} or --slowed-by 1 (real time)" in text
    assert not [c for c in found.measures.comparisons if c.name in TIMES]
    assert not [f for f in found.findings if f.measure in TIMES]


def test_angles_of_an_untagged_slow_motion_are_still_given(in_real_time):
    found = analysed(t_s=8 * JUMPS.t_s)
    for name in ("fppa_peak_flexion", "knee_ankle_separation_ratio"):
        ours = [row.value for row in found.measures.measures if row.name == name]
        theirs = [row.value for row in in_real_time.measures.measures if row.name == name]
        assert None not in ours
        assert_allclose(ours, theirs, atol=0.1)  # read with the likely factor, 8


def test_no_output_prints_a_time_while_the_clock_is_in_doubt():
    found = analysed(t_s=8 * JUMPS.t_s)
    document = analysis_document(found)
    doubt = document["decided"]["time_base"]["doubt"]
    assert "--slowed-by settles it" in doubt
    for rep in document["reps"]:
        for row in rep["measures"]:
            if row["name"] in TIMES:
                assert row["value"] is None
                assert row["reason_code"]
    for contact in document["contacts"]:
        assert contact["initial_contact_s"] is None
        assert contact["toe_off_s"] is None
        assert contact["initial_contact_frame"] > 0
    reps = reps_frame(document)
    assert reps[["initial_contact_s", "contact_time_s"]].isna().all(axis=None)
    assert reps["used"].any()
    for words in reps[reps["used"]]["not_measurable"]:
        assert "--slowed-by settles it" in words
    page = read_page(report_html(found, key_pictures(found, {}), None)).text
    assert "in doubt: no times are given" in page
    assert "Ground contacts over the clip" not in page
    assert "No times are given. The file does not name" in page
    assert "--slowed-by 8 or" in page
    (rate,) = [note for note in found.notes if note.check == "frame rate"]
    assert "is not known" in note_words(rate)


@pytest.mark.parametrize("capture_fps", [None, FILMED_HZ], ids=["doubtful", "tagged"])
def test_a_slow_motion_document_fits_the_schema(capture_fps):
    schema = files("landing_analysis").joinpath("data/analysis.schema.json").read_text()
    document = analysis_document(analysed(t_s=8 * JUMPS.t_s, capture_fps=capture_fps))
    jsonschema.validate(document, json.loads(schema))
    assert document["clip"]["capture_fps"] == capture_fps
    assert document["decided"]["time_base"]["slowed_by"] == (8.0 if capture_fps else None)


def test_the_option_settles_it_either_way(in_real_time):
    assert_same_times(analysed(t_s=8 * JUMPS.t_s, slowed_by=8.0), in_real_time)
    insisted = analysed(capture_fps=8 * FILMED_HZ, slowed_by=1.0)
    assert_same_times(insisted, in_real_time)
    assert insisted.decided.time_base.origin == "given"


def test_an_option_that_bodies_contradict_is_followed_and_remarked():
    found = analysed(slowed_by=2.0)
    assert found.decided.time_base.slowed_by == 2.0
    state, text = note_of(found)
    assert state == "limited"
    assert "as given; bodies fall as if" in text


def test_a_tag_that_bodies_contradict_withholds_times_and_names_both():
    found = analysed(capture_fps=8 * FILMED_HZ)  # in real time, but tagged
    assert found.decided.time_base.doubt is not None
    assert times_of(found) == {}
    state, text = note_of(found)
    assert state == "poor"
    assert (
        "plays 8.0 times slower than real time, but bodies fall as if it were in real time" in text
    )
    assert "--slowed-by 8 or --slowed-by 1" in text


def test_a_tag_stands_when_nobody_falls():
    squats = make_squats()
    found = analysed(squats, t_s=8 * squats.t_s, capture_fps=FILMED_HZ)
    assert found.decided.time_base.slowed_by == pytest.approx(8.0)
    assert "no flight was seen" in note_of(found)[1]


@pytest.mark.parametrize("slower", [1, 2, 4, 8])
def test_squats_are_not_taken_for_slowed_jumps(slower):
    squats = make_squats()
    found = analysed(squats, t_s=slower * squats.t_s)
    assert found.reps.reps == ()
    assert found.decided.time_base.origin == "clip"


# --- a part of it slowed -------------------------------------------------------------------------


@cache
def filmed_at(rate_hz: float) -> Landmarks:
    """Return the set as a camera of another rate would have seen it."""
    t_s = np.arange(JUMPS.t_s[0], JUMPS.t_s[-1], 1 / rate_hz)
    n = len(JUMPS.t_s)

    def seen(values: np.ndarray) -> np.ndarray:
        flat = values.reshape(n, -1)
        columns = [np.interp(t_s, JUMPS.t_s, flat[:, k]) for k in range(flat.shape[1])]
        return np.stack(columns, axis=1).reshape(len(t_s), *values.shape[1:])

    return Landmarks(
        t_s,
        seen(JUMPS.xy_px),
        seen(JUMPS.visibility),
        seen(JUMPS.world_m),
        JUMPS.width_px,
        JUMPS.height_px,
    )


@cache
def ramped() -> tuple[Landmarks, np.ndarray, np.ndarray]:
    """Return a finer filmed set, which frames are slowed, and the times they are shown at."""
    fine = filmed_at(240.0)
    middle = analysed().contacts.flights[1]
    slowed = (fine.t_s > middle.take_off.t_s - 0.25) & (fine.t_s < middle.landing.t_s + 0.3)
    steps_s = np.where(slowed[1:], 8.0, 1.0) / 240.0
    return fine, slowed, np.concatenate([[0.0], np.cumsum(steps_s)])


def test_a_ramp_that_keeps_all_frames_gives_the_times_of_life():
    fine, _, shown_s = ramped()
    found = analysed(fine, t_s=shown_s)
    assert found.decided.time_base.origin == "intervals"
    assert_allclose(found.decided.time_base.slowed_by, 8.0, rtol=1e-6)
    assert_same_times(found, analysed(fine), atol_s=1e-3)
    assert "longer intervals" in note_of(found)[1]


def test_a_tagged_ramp_is_undone_by_its_tag():
    fine, _, shown_s = ramped()
    found = analysed(fine, t_s=shown_s, capture_fps=240.0)
    assert found.decided.time_base.origin == "tag"
    assert_same_times(found, analysed(fine), atol_s=1e-3)


def test_a_ramp_in_a_landing_where_nobody_falls_is_refused_for_timing():
    fine, _, _ = ramped()
    landing = analysed(fine).contacts.flights[1].landing.t_s
    slowed = (fine.t_s > landing + 0.02) & (fine.t_s < landing + 0.25)
    shown_s = np.concatenate([[0.0], np.cumsum(np.where(slowed[1:], 8.0, 1.0) / 240)])
    found = analysed(fine, t_s=shown_s)
    assert found.decided.time_base.doubt is not None
    assert times_of(found) == {}


def test_a_ramp_rendered_to_even_intervals_is_noticed_by_its_flights():
    fine, slowed, shown_s = ramped()
    keep = np.sort(np.concatenate([np.flatnonzero(slowed), np.flatnonzero(~slowed)[::8]]))
    found = analysed(fine, t_s=shown_s, keep=keep)
    assert_allclose(np.median(np.diff(shown_s[keep])), 1 / 30, rtol=1e-3)
    assert found.decided.time_base.doubt is not None
    assert "do not fall alike" in words_of(found.decided.time_base.doubt)
    assert times_of(found) == {}


def test_a_camera_that_changes_its_rate_is_no_slow_motion(in_real_time):
    half = len(JUMPS.t_s) // 2
    keep = np.sort(np.concatenate([np.arange(half), np.arange(half, len(JUMPS.t_s), 2)]))
    found = analysed(keep=keep)
    assert found.decided.time_base.slowed_by == 1.0
    state, text = note_of(found)
    assert state == "limited"
    assert "the camera changed its rate" in text
    ours, theirs = times_of(found), times_of(in_real_time)
    flights = [key for key in theirs if key[1] == "flight_time" and key in ours]
    assert len(flights) == len([key for key in theirs if key[1] == "flight_time"])
    assert_allclose(
        [ours[key] for key in flights], [theirs[key] for key in flights], atol=0.02
    )  # half of the frames are gone in the second part


def test_a_slower_stretch_keeps_the_tops_of_its_jumps():
    half = len(JUMPS.t_s) // 2
    keep = np.concatenate([np.arange(0, half, 2), np.arange(half, len(JUMPS.t_s))])
    thinned = replace(
        JUMPS,
        t_s=JUMPS.t_s[keep],
        xy_px=JUMPS.xy_px[keep],
        visibility=JUMPS.visibility[keep],
        world_m=JUMPS.world_m[keep],
    )
    tracks = clean_tracks(thinned, Settings().tracks)
    legs = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("knee", "ankle", "toe")]
    assert not tracks.filled[:, legs].any()  # none was taken for a spike
    assert np.isfinite(tracks.raw_px[:, legs]).all()


def test_a_derivative_is_taken_over_the_samples_around_it():
    # 100 samples/s, then 20: a window of 0.05 s holds too few of the slow ones and is widened.
    t_s = np.concatenate([np.arange(100) / 100, 1 + np.arange(40) / 20])
    noise = np.random.default_rng(3).normal(0, 1e-3, len(t_s))
    slope = local_polynomial(t_s, 2 * t_s + noise, 0.05, 1)[1]
    assert_allclose(slope, 2.0, atol=0.1)
    some = np.array([0, 57, 98, 103, 139])
    few = local_polynomial(t_s, 2 * t_s + noise, 0.05, 1, some)[1]
    assert_array_equal(few, slope[some])


def test_a_hole_in_a_rep_voids_it_and_leaves_the_others(in_real_time):  # case 6
    rep = in_real_time.reps.reps[1]
    hole_s = rep.flight.landing.t_s
    keep = np.flatnonzero((JUMPS.t_s < hole_s - 0.02) | (JUMPS.t_s > hole_s + 0.10))
    found = analysed(keep=keep)
    # Nothing that is given spans the hole: a rep in it is refused, a contact in it has no toe-off.
    refused = [rep for rep in found.reps.reps if "frames are missing" in words_of(rep.reason)]
    assert all(not rep.used and "0.1" in words_of(rep.reason) for rep in refused)
    given = [
        contact
        for rep in found.reps.reps
        if rep.used
        for contact in rep.contacts
        if contact.toe_off
    ]
    assert given
    assert not [
        contact for contact in given
        if contact.initial_contact.t_s < hole_s < contact.toe_off.t_s
    ]  # fmt: skip
    unsure = [
        rep
        for rep in found.reps.reps
        if any(
            contact.toe_off_reason and contact.toe_off_reason.code == Code.FELL_BEFORE_TOE_OFF
            for contact in rep.contacts
        )
    ]
    assert len(refused) + len(unsure) == 1
    # The landing lies in the hole: its flight may go unseen, and then the landing before it,
    # whose toe-off goes with it, is the one that is void.
    assert (
        sum(rep.used for rep in found.reps.reps) >= sum(r.used for r in in_real_time.reps.reps) - 2
    )
    for rep in found.reps.reps:
        for contact in rep.contacts if rep.used else ():
            assert (
                not contact.toe_off
                or not contact.initial_contact.t_s < hole_s < contact.toe_off.t_s
            )
    assert any(note.check == "clock" and "gap" in note_words(note) for note in found.notes)


# --- the rule by itself --------------------------------------------------------------------------


def at_factor(true_factor: float, sd: float = 0.08):
    """Return a check who sees one flight, found when time is right within a quarter."""

    def check(t_s: np.ndarray) -> FreeFalls:
        left = true_factor * float(np.median(np.diff(t_s))) / (1 / 30)
        found = 0.6 < left < 1.4
        return FreeFalls(int(found), (FreeFallSeen(10, 20, left, sd),) if found else ())

    return check


EVEN_S = np.arange(300) / 30


def test_a_fall_of_9_81_over_64_asks_for_eightfold_slowing():
    # Time stretched s times: acceleration 9.81 / s^2, 0.153 m/s2 for 8; derived, check values T14.
    settled = settle_time_base(EVEN_S, None, None, at_factor(8.0), ClockSettings())
    assert "--slowed-by 8" in note_words(settled.notes[0])
    assert_allclose(np.median(np.diff(settled.t_s)), 1 / 240, rtol=1e-3)


@pytest.mark.parametrize(("factor", "doubted"), [(1.2, False), (0.8, False), (1.3, True)])
def test_a_quarter_is_left_to_stature_and_body(factor, doubted):
    settled = settle_time_base(EVEN_S, None, None, at_factor(factor), ClockSettings())
    assert (settled.time_base.doubt is not None) == doubted


def test_flights_that_disagree_among_themselves_are_a_mixed_clip():
    def check(t_s: np.ndarray) -> FreeFalls:
        return FreeFalls(
            3,
            (
                FreeFallSeen(5, 9, 0.9, 0.08),
                FreeFallSeen(20, 30, 1.0, 0.08),
                FreeFallSeen(40, 50, 1.3, 0.08),
            ),
        )

    settled = settle_time_base(EVEN_S, None, None, check, ClockSettings())
    assert "do not fall alike" in words_of(settled.time_base.doubt)


def test_flights_that_differ_within_their_uncertainty_are_one_speed():
    def check(t_s: np.ndarray) -> FreeFalls:
        return FreeFalls(2, (FreeFallSeen(5, 9, 0.85, 0.18), FreeFallSeen(20, 30, 1.25, 0.18)))

    settled = settle_time_base(EVEN_S, None, None, check, ClockSettings())
    assert settled.time_base.doubt is None
