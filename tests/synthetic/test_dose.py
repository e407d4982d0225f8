"""Sets, rest, foot contacts and pace of sets whose landings are known by construction."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from landing_analysis.record.filmed import day_dose
from landing_analysis.record.reading import StoredAnalysis
from landing_analysis.sessions.dose import Filmed, Landed, dose_of
from landing_analysis.sessions.plan import prescribed_in

BOTH = ("left", "right")
DAY = date(2026, 3, 4)


def _clip(number, started_s, landings, exercise="jump", duration_s=30.0):
    return Filmed(number, exercise, started_s, duration_s, tuple(landings))


def _every(period_s, count, limbs=(BOTH,), first_s=2.0):
    return [Landed(limbs[k % len(limbs)], first_s + k * period_s) for k in range(count)]


def test_a_landing_on_both_feet_is_one_foot_contact_and_one_of_each_limb():
    (jumps,) = dose_of([_clip(1, 0.0, _every(0.6, 20))])
    assert (jumps.foot_contacts, jumps.contacts("left"), jumps.contacts("right")) == (20, 20, 20)
    hops = _clip(1, 0.0, _every(0.6, 21, (("left",), ("right",))), "alternating_jump")
    (steps,) = dose_of([hops])
    assert (steps.foot_contacts, steps.contacts("left"), steps.contacts("right")) == (21, 11, 10)


def test_pace_and_bout_go_from_the_first_landing_to_the_last():
    (jumps,) = dose_of([_clip(1, 0.0, _every(0.5, 21))])
    (one,) = jumps.sets
    assert one.bout_s == pytest.approx(10.0)
    assert one.pace_per_min == pytest.approx(120.0)
    (single,) = dose_of([_clip(1, 0.0, _every(0.5, 1))])
    assert (single.sets[0].bout_s, single.sets[0].pace_per_min) == (None, None)


def test_a_pause_within_a_clip_ends_a_set_and_is_its_rest():
    landings = [*_every(0.6, 20), *_every(0.6, 18, first_s=60.0)]
    (jumps,) = dose_of([_clip(1, None, landings, duration_s=90.0)])
    assert [one.reps for one in jumps.sets] == [20, 18]
    assert jumps.sets[1].rest_s == pytest.approx(60.0 - 2.0 - 19 * 0.6)
    assert jumps.sets[1].rest_sd_s == 0.0
    slow = _every(6.0, 10)
    assert len(dose_of([_clip(1, None, slow)])[0].sets) == 1


def test_rest_between_clips_goes_by_their_times_of_recording():
    first, second = _clip(1, 1000.0, _every(0.6, 20)), _clip(2, 1090.0, _every(0.6, 20))
    (jumps,) = dose_of([first, second])
    assert jumps.sets[0].rest_s is None
    assert jumps.sets[1].rest_s == pytest.approx(90.0 - 19 * 0.6)
    # the difference of two stamps rounded to 1 s: 1/sqrt(6) s
    assert jumps.sets[1].rest_sd_s == pytest.approx(0.408, abs=0.001)
    longer = replace(second, duration_s=42.0)
    (jumps,) = dose_of([first, longer])
    assert jumps.sets[1].rest_s == pytest.approx(90.0 - 19 * 0.6 - 6.0)
    assert jumps.sets[1].rest_sd_s == pytest.approx(6.01, abs=0.01)
    (jumps,) = dose_of([first, replace(second, started_s=None)])
    assert jumps.sets[1].rest_s is None


def test_rest_is_claimed_as_well_as_it_is_known():
    """Phones that stamp the end of a recording: the true rest lies within the claimed interval."""
    for first_s, second_s in ((30.0, 30.0), (20.0, 45.0), (60.0, 25.0)):
        one = _clip(1, 1000.0, _every(0.6, 20), duration_s=first_s)
        two = _clip(2, 1000.0 + 90.0, _every(0.6, 20), duration_s=second_s)
        true_s = 90.0 - 19 * 0.6
        stamped = [replace(clip, started_s=clip.started_s + clip.duration_s) for clip in (one, two)]
        (jumps,) = dose_of(stamped)
        last = jumps.sets[1]
        assert abs(last.rest_s - true_s) <= 1.96 * last.rest_sd_s + 1e-9


def test_two_cameras_on_one_set_count_it_once():
    front, side = _clip(1, 1000.0, _every(0.6, 19)), _clip(2, 1002.0, _every(0.6, 20))
    (jumps,) = dose_of([front, side])
    (one,) = jumps.sets
    assert (one.reps, one.clips) == (20, (2, 1))
    other = _clip(3, 1002.0, _every(0.6, 20, (("left",),)), "hop")
    assert [d.exercise for d in dose_of([front, other])] == ["jump", "hop"]


def test_bouts_of_one_clip_are_sets_of_their_own_exercise():
    jog = _clip(1, None, _every(0.4, 50, (("left",), ("right",))), "jog_in_place", 90.0)
    knees = _clip(1, None, _every(0.4, 50, (("left",), ("right",)), 40.0), "high_knees", 90.0)
    jogged, lifted = dose_of([jog, knees])
    assert lifted.sets[0].rest_s == pytest.approx(40.0 - 2.0 - 49 * 0.4)
    assert not lifted.sets[0].after_same
    assert jogged.foot_contacts == 50


def test_the_plan_stands_beside_what_was_filmed_and_first():
    plan = tuple(map(prescribed_in, ("hop 2x20 rest 45", "sled_jump 3x20")))
    hop, sled, jump = dose_of([_clip(1, 0.0, _every(0.6, 5))], plan)
    assert (hop.exercise, hop.prescribed, hop.sets) == ("hop", plan[:1], ())
    assert (sled.exercise, jump.exercise, jump.prescribed) == ("sled_jump", "jump", ())


def test_landings_without_a_time_are_counted_and_not_timed():
    (jumps,) = dose_of([_clip(1, 0.0, [Landed(BOTH, None)] * 8)])
    (one,) = jumps.sets
    assert (one.reps, one.bout_s, one.pace_per_min) == (8, None, None)


# --- from stored analyses ----------------------------------------------------------------------


def _stored(runs, exercise, **values):
    """Return a stored clip whose reps follow each other every half a second."""
    reps = [
        {"exercise": name, "limbs": [("left", "right")[k % 2]], "bound": 1, "excluded": 0}
        for name, count in runs
        for k in range(count)
    ]
    for number, rep in enumerate(reps):
        rep |= {"landing_s": 1.0 + 0.5 * number, "number": number + 1}
    known = {
        "exercise": exercise, "recorded_at": "2026-03-04T10:00:00+00:00", "set_number": 1,
        "recorded_from": "clip", "duration_s": 0.5 * len(reps) + 2.0, "bouts": None,
    }  # fmt: skip
    return StoredAnalysis("P07", DAY, "x", {**known, **values}, {"rep": tuple(reps)})


def test_a_clip_of_several_exercises_is_counted_bout_by_bout():
    runs = (("jog_in_place", 40), ("high_knees", 30), ("heel_kicks", 30), ("jog_in_place", 20))
    doses = {d.exercise: d for d in day_dose([_stored(runs, "jog_in_place")], DAY, None)}
    assert {name: [one.reps for one in dose.sets] for name, dose in doses.items()} == {
        "jog_in_place": [40, 20], "high_knees": [30], "heel_kicks": [30],
    }  # fmt: skip


def test_bouts_that_the_analysis_told_apart_are_counted_as_they_are():
    bouts = [
        {"exercise": "jog_in_place", "reps": list(range(1, 9))},
        {"exercise": "high_knees", "reps": list(range(9, 13))},
    ]
    stored = _stored((("jog_in_place", 12),), "jog_in_place", bouts=bouts)
    stored.tables["rep"][0]["excluded"] = 1
    doses = {d.exercise: d for d in day_dose([stored], DAY, None)}
    assert {name: [one.reps for one in dose.sets] for name, dose in doses.items()} == {
        "jog_in_place": [7], "high_knees": [4],
    }  # fmt: skip


def test_a_stray_rep_of_another_kind_belongs_to_its_set():
    runs = (("jump", 8), ("hop", 1), ("jump", 7))
    (jumps,) = day_dose([_stored(runs, "jump")], DAY, None)
    assert [one.reps for one in jumps.sets] == [16]


def test_reps_left_out_by_hand_and_other_days_are_not_counted():
    clip = _stored((("jump", 8),), "jump")
    clip.tables["rep"][0]["excluded"] = 1
    (jumps,) = day_dose([clip], DAY, None)
    assert jumps.foot_contacts == 7
    assert day_dose([clip], date(2026, 3, 5), None) == ()


def test_the_time_of_a_copied_file_gives_no_rest():
    one = _stored((("jump", 8),), "jump")
    later = {"recorded_at": "2026-03-04T10:02:00+00:00", "set_number": 2}
    other = _stored((("jump", 8),), "jump", **later, recorded_from="file time")
    assert day_dose([one, other], DAY, None)[0].sets[1].rest_s is None
    known = _stored((("jump", 8),), "jump", **later)
    assert day_dose([one, known], DAY, None)[0].sets[1].rest_s == pytest.approx(120 - 7 * 0.5)
