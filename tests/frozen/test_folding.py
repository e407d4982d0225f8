"""Tuck jumps and a deep landing, as the pose model saw a drawn patient who folds.

Body and motion are invented; the tables were made by `make_folding.py`. From the front the
model's torso shrinks to less than half in the picture.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from drawn_rooms import unpack_poses
from stick_patient import make_clip

from landing_analysis.landmarks.people import link_people
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, Landmarks, Poses

FOLDING = Path(__file__).parent / "folding"
VIEWS = sorted(path.stem for path in FOLDING.glob("*.npz"))
EDGE_S = 0.05


def _read(view: str) -> tuple[Poses, np.ndarray]:
    with np.load(FOLDING / f"{view}.npz") as data:
        return unpack_poses(data), data["flights_s"]


def test_the_torso_shrinks_from_the_front_as_it_does_for_nobody_upright():
    poses, _ = _read("front")
    hips, shoulders = (
        poses.xy_px[:, 0, [LANDMARK[f"left_{part}"], LANDMARK[f"right_{part}"]]].mean(axis=1)
        for part in ("hip", "shoulder")
    )
    torso_px = np.linalg.norm(hips - shoulders, axis=1)
    assert torso_px.min() < 0.6 * np.median(torso_px)


@pytest.mark.parametrize("view", VIEWS)
def test_who_folds_is_one_person_in_every_frame_and_each_jump_counts_once(view):
    poses, flights_s = _read(view)
    people = link_people(poses, Options().settings.people)
    assert len(people) == 1
    assert np.array_equal(people[0].xy_px, poses.xy_px[:, 0], equal_nan=True)
    own = Landmarks(
        poses.t_s, poses.xy_px[:, 0], poses.visibility[:, 0], poses.world_m[:, 0], 288, 512
    )
    analysis = analyse_people(make_clip(own, "folds.mp4"), poses, people, Options(), "")
    flights = [rep.flight for rep in analysis.reps.reps]
    found_s = [(flight.take_off.t_s, flight.landing.t_s) for flight in flights]
    np.testing.assert_allclose(found_s, flights_s, atol=EDGE_S)
