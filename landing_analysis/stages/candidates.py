"""Everybody in a clip who may be the patient."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import NamedTuple

from landing_analysis.camera.stabilisation import stabilised
from landing_analysis.disturbances.bystanders import (
    Bystanders,
    inside_picture,
    watch_bystanders,
    without_hidden,
)
from landing_analysis.landmarks.people import follow_people, upright_bodies, without_reflections
from landing_analysis.settings import Settings
from landing_analysis.tables import Landmarks, Note, Poses


class Candidates(NamedTuple):
    """Everybody who may be the patient.

    ``filmed`` as in the frames, ``steady`` as a still camera would have shown them.
    ``around`` says of one of them, by their index, who is near, and returns them steady
    without what somebody else hides or the picture's edge cuts off.
    """

    filmed: tuple[Landmarks, ...]
    steady: tuple[Landmarks, ...]
    around: Callable[[int], tuple[Bystanders, Landmarks]]
    notes: tuple[Note, ...]


def candidates_of(poses: Poses, people: tuple[Landmarks, ...], settings: Settings) -> Candidates:
    """Find them, with what each of them is hidden by; `poses` and `people` as filmed."""
    filmed, reflected = without_reflections(people, settings.people)
    upright = upright_bodies(poses) if reflected else poses
    everybody = filmed if poses.xy_px.shape[1] == 1 else follow_people(upright, settings.people)

    @cache
    def around(index: int) -> tuple[Bystanders, Landmarks]:
        person = filmed[index]
        bystanders = watch_bystanders(person, upright, everybody, settings.people)
        seen = inside_picture(without_hidden(person, bystanders))
        return bystanders, stabilised(seen, poses.camera)

    steady = tuple(stabilised(person, poses.camera) for person in filmed)
    return Candidates(filmed, steady, around, reflected)


def thinned(candidates: Candidates, every: int) -> Candidates:
    """Keep one of ``every`` frames of everybody."""

    def thin(person: Landmarks) -> Landmarks:
        return replace(
            person,
            t_s=person.t_s[::every],
            xy_px=person.xy_px[::every],
            visibility=person.visibility[::every],
            world_m=person.world_m[::every],
        )

    def around(index: int) -> tuple[Bystanders, Landmarks]:
        bystanders, seen = candidates.around(index)
        return bystanders, thin(seen)

    steady = tuple(thin(person) for person in candidates.steady)
    return candidates._replace(steady=steady, around=around)
