"""Rendered clips under a coat and on a black floor: what was wrong is refused or within bounds.

The landmarks are the pose model's, made by ``make_poor_support.py``; the truth is the renderer's.
"""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from stick_patient import make_clip

from landing_analysis.contacts.events import match_events
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people
from landing_analysis.maths.statistics import Z_95
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LIMBS, Analysis, Landmarks, Light, Poses
from landing_analysis.wording import words_of

STORE = Path(__file__).with_name("poorly_seen_legs.npz")
COAT, FLOOR = "short_man_jumps_side_long_coat", "heavy_man_jumps_side_dark_floor"
WINDOW_S = 0.1


@cache
def analysed(name: str, asked: bool = True, exercise: str | None = None) -> Analysis:
    with np.load(STORE) as data:
        light = Light(**{f.name: data[f"{name}.light.{f.name}"] for f in fields(Light)})
        poses = Poses(
            data[f"{name}.t_s"], data[f"{name}.xy_px"][:, None] / 10.0,
            data[f"{name}.visibility"][:, None] / 255.0, data[f"{name}.world_m"][:, None] / 1000.0,
            720, 1280, "pose_full.task", "a" * 64, light if asked else None,
        )  # fmt: skip
    seen = Landmarks(poses.t_s, poses.xy_px[:, 0], poses.visibility[:, 0], poses.world_m[:, 0],
                     720, 1280)  # fmt: skip
    options = replace(Options(limits=read_limits()), exercise=exercise)  # type: ignore[arg-type]
    people = link_people(poses, options.settings.people)
    return analyse_people(make_clip(seen, f"{name}.mp4"), poses, people, options, "now")


def pairs(name: str, analysis: Analysis) -> list[tuple[float, float, float]]:
    """True and found initial contacts with their standard uncertainty."""
    with np.load(STORE) as data:
        true_s, left = data[f"{name}.initial_contact_s"], data[f"{name}.left"]
    matched = []
    for limb in LIMBS:
        events = [c.initial_contact for c in analysis.contacts.contacts if c.limb == limb]
        of_limb = true_s[left == (limb == "left")]
        found_s = np.array([event.t_s for event in events])
        for row, column in match_events(of_limb, found_s, WINDOW_S):
            matched.append((of_limb[row], found_s[column], events[column].sd_s))
    return matched


def worst_s(found: list[tuple[float, float, float]]) -> float:
    return max(abs(read_s - true_s) for true_s, read_s, _ in found)


def values(analysis: Analysis, start: str) -> list[float | None]:
    return [m.value for m in analysis.measures.measures if m.name.startswith(start)]


def test_under_a_coat_no_flexion_is_given_where_it_would_be_wrong():
    assert any(value is not None for value in values(analysed(COAT, asked=False), "knee_flexion"))
    assert all(value is None for value in values(analysed(COAT), "knee_flexion"))
    assert ("clothes", "poor") in {(n.check, n.state) for n in analysed(COAT).notes}


def test_under_a_coat_landings_are_placed_better_once_the_feet_are_believed():
    believed, contradicted = pairs(COAT, analysed(COAT)), pairs(COAT, analysed(COAT, asked=False))
    assert len(believed) >= len(contradicted)
    worst_s = [
        max(abs(found - true) for true, found, _ in some) for some in (believed, contradicted)
    ]
    assert worst_s[0] < 0.5 * worst_s[1]


@pytest.mark.parametrize("name", [COAT, FLOOR])
def test_contacts_that_are_found_lie_within_their_interval(name):
    found = pairs(name, analysed(name))
    assert len(found) >= 3
    for true_s, found_s, sd_s in found:
        assert abs(found_s - true_s) <= Z_95 * sd_s


def test_jumps_on_a_black_floor_are_not_measured_as_hops():
    for asked in (True, False):
        reps = analysed(FLOOR, asked=asked).reps
        assert reps.exercise is None
        assert len(reps.reps) == 3
        assert not any(rep.used for rep in reps.reps)
        assert all("whether the left foot landed" in words_of(rep.reason) for rep in reps.reps)
    assert ("shoes and floor", "poor") in {(n.check, n.state) for n in analysed(FLOOR).notes}


def test_an_exercise_that_was_given_is_not_doubted():
    assert all(rep.used for rep in analysed(FLOOR, exercise="hop").reps.reps)
    assert all(rep.used for rep in analysed(FLOOR, exercise="jump").reps.reps)
