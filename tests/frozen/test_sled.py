"""A patient on a sled as the pose model saw a drawn one; the table was made by `make_sled.py`."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
from drawn_rooms import unpack_poses
from stick_patient import make_clip

from landing_analysis.contacts.events import match_events
from landing_analysis.landmarks.people import link_people
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LIMBS, Analysis, Landmarks

MEDIAN_S = 0.015
FLEXION_DEG = 3.0
"""Of the near knee at its peak, at the median."""


def _stored() -> dict[str, np.ndarray]:
    with np.load(Path(__file__).parent / "sled.npz") as data:
        return dict(data)


@cache
def _analysis() -> Analysis:
    poses = unpack_poses(_stored())
    n_frames = len(poses.t_s)
    empty = np.zeros((n_frames, 33, 2)), np.zeros((n_frames, 33)), np.zeros((n_frames, 33, 3))
    clip = make_clip(Landmarks(poses.t_s, *empty, poses.width_px, poses.height_px), "sled.mp4")
    return analyse_people(clip, poses, link_people(poses, Options().settings.people), Options(), "")


def test_every_contact_with_the_plate_is_found_and_none_invented():
    truth, errors_s = _stored(), []
    for number, limb in enumerate(LIMBS):
        known = truth["limb"] == number
        found = [c for c in _analysis().contacts.contacts if c.limb == limb]
        true_s = truth["initial_contact_s"][known]
        found_s = np.array([c.initial_contact.t_s for c in found])
        pairs = match_events(true_s, found_s, 0.1)
        assert len(pairs) == len(true_s) == len(found)
        errors_s += [found_s[j] - true_s[i] for i, j in pairs]
    assert np.median(np.abs(errors_s)) < MEDIAN_S


def test_the_set_is_called_jumps_on_a_sled():
    assert _analysis().decided.exercise == "sled_jump"


def test_the_near_knee_is_read_within_the_goal():
    truth, near = _stored(), _analysis().view.near_limb
    found = [
        row.value
        for row in _analysis().measures.measures
        if row.name == "knee_flexion_peak" and row.limb == near
    ]
    true = truth["knee_flexion_peak_deg"][truth["limb"] == LIMBS.index(near)]
    assert len(found) == len(true)
    assert np.median(np.abs(np.array(found) - true)) < FLEXION_DEG
