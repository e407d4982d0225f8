"""A body upside down below another one is left out; anybody else is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stick_patient import jump_plan, make_clip, make_motion, make_poses

from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people, without_reflections
from landing_analysis.settings import PeopleSettings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LIMBS
from landing_analysis.wording import note_words

LANDMARKS, _ = make_motion(jump_plan(3), "front", LIMBS)
FLOOR_PX = float(np.nanmax(LANDMARKS.xy_px[0, :, 1])) + 5.0


def _mirrored(person):
    """The same body in a floor that mirrors it."""
    return replace(person, xy_px=np.array([0.0, 2 * FLOOR_PX]) + person.xy_px * [1.0, -1.0])


def _aside(person):
    return replace(person, xy_px=person.xy_px + np.array([400.0, 0.0]))


MIRRORED = _mirrored(LANDMARKS)


@pytest.mark.parametrize("people", [(LANDMARKS, MIRRORED), (MIRRORED, LANDMARKS)])
def test_the_reflection_is_left_out_and_said(people):
    kept, notes = without_reflections(people, PeopleSettings())
    assert kept == (LANDMARKS,)
    assert [note.check for note in notes] == ["reflection"]
    assert "upside down" in note_words(notes[0])


@pytest.mark.parametrize(
    "people",
    [(), (LANDMARKS,), (LANDMARKS, _aside(LANDMARKS)), (MIRRORED,)],
    ids=["nobody", "one", "two upright", "a clip filmed upside down"],
)
def test_others_are_kept_without_a_word(people):
    assert without_reflections(people, PeopleSettings()) == (people, ())


def test_somebody_who_bends_down_now_and_then_is_kept():
    bent = LANDMARKS.xy_px.copy()
    some = np.arange(len(bent)) % 3 == 0
    bent[some] = MIRRORED.xy_px[some]
    stoops = replace(LANDMARKS, xy_px=bent)
    assert without_reflections((LANDMARKS, stoops), PeopleSettings())[0] == (LANDMARKS, stoops)


def test_somebody_who_is_never_seen_is_kept():
    unseen = replace(LANDMARKS, xy_px=np.full_like(LANDMARKS.xy_px, np.nan))
    assert without_reflections((MIRRORED, unseen), PeopleSettings())[0] == (unseen,)


def test_an_analysis_measures_the_body_and_not_the_larger_reflection():
    poses = make_poses(LANDMARKS)
    larger = _mirrored(LANDMARKS).xy_px * 1.1
    both = replace(
        poses,
        xy_px=np.stack([larger, LANDMARKS.xy_px], axis=1),
        visibility=np.repeat(poses.visibility, 2, axis=1),
        world_m=np.repeat(poses.world_m, 2, axis=1),
    )
    options = Options(limits=read_limits())
    clip = make_clip(LANDMARKS, "P07_jumps.mp4")
    people = link_people(both, PeopleSettings())
    analysis = analyse_people(clip, both, people, options, "now")
    assert len(people) == 2
    assert "reflection" in {note.check for note in analysis.notes}
    assert analysis.decided.people == 1
    assert (
        analysis.measures.measures
        == analyse_people(
            clip, poses, link_people(poses, PeopleSettings()), options, "now"
        ).measures.measures
    )
