"""A body's size by its own free fall, and whether two clips can be of one person."""

from __future__ import annotations

import copy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import stick_patient
from click.testing import CliRunner
from stand_in import job, run, stand_in, template_document, tiny_clip
from stick_patient import jump_plan, make_clip, make_motion, make_poses

from landing_analysis.commands.main import main
from landing_analysis.landmarks.people import link_people
from landing_analysis.record.place import data_folder
from landing_analysis.settings import BodySettings, Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LIMBS, Analysis, BodySize
from landing_analysis.tracks.body import differ_visibly

SETTINGS = BodySettings()
LEG_M, TRUNK_M = 2 * stick_patient.SEGMENT_M, stick_patient.TRUNK_M


def _analysed(view: str = "front", distance: float = 1.0, slowed_by: float = 1.0) -> Analysis:
    """Analyse four jumps of a stick figure, from that many times as far, in slow motion."""
    landmarks, _ = make_motion(jump_plan(4), view, LIMBS)
    middle = np.array([stick_patient.CENTRE_PX, stick_patient.FLOOR_PX])
    landmarks = replace(
        landmarks,
        t_s=landmarks.t_s * slowed_by,
        xy_px=middle + (landmarks.xy_px - middle) / distance,
    )
    clip, poses = make_clip(landmarks, "P07.mp4"), make_poses(landmarks)
    people = link_people(poses, Settings().people)
    return analyse_people(clip, poses, people, Options(), "2026-03-04T10:11:12+00:00")


def _size(*where: object) -> BodySize:
    return _analysed(*where).body


@pytest.mark.parametrize("view", ["front", "left_side"])
@pytest.mark.parametrize("distance", [1.0, 2.0])
def test_the_leg_is_as_long_as_it_is_however_far_away_it_is_filmed(view, distance):
    size = _size(view, distance)
    assert abs(size.leg_m - LEG_M) < size.leg_sd_m
    assert 0.05 < size.leg_sd_m / size.leg_m < 0.25
    assert abs(size.trunk_per_leg - TRUNK_M / LEG_M) < size.trunk_per_leg_sd


def _smaller(monkeypatch, leg_m: float, trunk_m: float) -> BodySize:
    with monkeypatch.context() as other:
        other.setattr(stick_patient, "SEGMENT_M", leg_m / 2)
        other.setattr(stick_patient, "TRUNK_M", trunk_m)
        return _size()


def test_a_child_under_an_adults_code_is_told_and_one_person_twice_is_not(monkeypatch):
    adult = _size()
    child = _smaller(monkeypatch, 0.54, 0.324)
    assert differ_visibly(adult, child, SETTINGS)
    assert differ_visibly(child, adult, SETTINGS)
    for view, distance in (("front", 2.0), ("left_side", 1.0), ("right_side", 1.5)):
        assert not differ_visibly(adult, _size(view, distance), SETTINGS)


def test_a_long_trunk_is_told_where_the_size_is_alike(monkeypatch):
    assert differ_visibly(_size(), _smaller(monkeypatch, LEG_M, 0.65), SETTINGS)


def test_somebody_a_little_smaller_is_not_told(monkeypatch):
    """Ten per cent are within what free fall can show, and nobody is called another for that."""
    assert not differ_visibly(_size(), _smaller(monkeypatch, 0.9 * LEG_M, 0.9 * TRUNK_M), SETTINGS)


def test_what_is_not_seen_tells_nothing():
    nan = float("nan")
    unseen, seen = BodySize(nan, nan, nan, 0.03), BodySize(0.84, 0.1, 0.6, 0.03)
    assert not differ_visibly(unseen, seen, SETTINGS)
    assert not differ_visibly(unseen, unseen, SETTINGS)


def test_slow_motion_makes_no_giant():
    analysis = _analysed("front", 1.0, 3.0)
    assert analysis.decided.time_base.doubt is not None
    assert np.isnan(analysis.body.leg_m)
    assert not differ_visibly(analysis.body, _size(), SETTINGS)


@pytest.fixture
def visit_of(tmp_path, monkeypatch):
    """Give the page on a visit with two clips, whose bodies are those named."""
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / "data"))
    template = template_document()

    def page(*bodies: dict | None) -> str:
        plain = stand_in(template, tmp_path / "log")

        def analyse(path, *rest):
            made = plain(path, *rest)
            document = copy.deepcopy(dict(made.document))
            document["body"] = bodies[int(path.stem[-1]) - 1]
            return replace(made, document=document)

        for k in range(len(bodies)):
            tiny_clip(tmp_path / "drop" / "P07" / f"PXL_20260304_10111{k}00{k + 1}.mp4", k)
        assert set(run(data_folder(), job(tmp_path / "drop", analyse)).values()) == {"done"}
        done = CliRunner().invoke(main, ["visit", "P07"])
        return Path(done.stdout.strip()).read_text()

    return page


ADULT = {"leg_m": 0.84, "leg_sd_m": 0.1, "trunk_per_leg": 0.6, "trunk_per_leg_sd": 0.03}


def test_two_bodies_of_one_day_earn_a_note_on_the_visits_page(visit_of):
    page = visit_of(ADULT, {**ADULT, "leg_m": 0.45, "leg_sd_m": 0.05})
    assert "Sets 1 and 2 show bodies that visibly differ" in page
    assert "0.84 ± 0.20 m" in page
    assert "0.45 ± 0.10 m" in page


@pytest.mark.parametrize("other", [ADULT, None, {**ADULT, "leg_m": None, "leg_sd_m": None}])
def test_one_body_or_an_unknown_one_earns_none(visit_of, other):
    assert "visibly differ" not in visit_of(ADULT, other)
