"""When feet leave the ground, as read from what the pose model saw of drawn bodies, against truth.

``crowd_sets/*.npz``: jumps and hops of 15 invented bodies from front and back, mostly 30 frames
a second; ``truths.json`` holds when their feet landed and left. ``hops.npz``: hops from the side.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from drawn_rooms import unpack_poses
from pose_tables import stored_landmarks

from landing_analysis.contacts.events import find_contacts, match_events
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.maths.statistics import Z_95
from landing_analysis.settings import Settings
from landing_analysis.tables import Contacts, Landmarks
from landing_analysis.tracks.cleaning import clean_tracks

FOLDER = Path(__file__).parent
HOPS = FOLDER / "hops.npz"
SETTINGS = Settings()
# By toes alone 13.7, 20.8 and 21.4 ms (front, back, side), with the body's take-off 11.8, 15.0
# and 10.4.
MOST_RMS_S = {"front": 0.013, "back": 0.0175, "side": 0.012}


class Left(NamedTuple):
    """Error and claimed uncertainty of a toe-off in seconds, and the error of its contact time."""

    error_s: float
    sd_s: float
    contact_time_error_s: float


@cache
def _toe_offs(view: str) -> tuple[Left, ...]:
    if view == "side":
        return tuple(left for one in _hops() for left in one)
    told = json.loads((FOLDER / "crowd_sets" / "truths.json").read_text(encoding="utf-8"))
    found = []
    for name, truth in told.items():
        if view not in name:
            continue
        with np.load(FOLDER / "crowd_sets" / f"{name}.npz") as stored:
            poses = unpack_poses(stored)
        seen = (poses.xy_px[:, 0], poses.visibility[:, 0], poses.world_m[:, 0])
        landmarks = Landmarks(poses.t_s, *seen, poses.width_px, poses.height_px)
        tracks = clean_tracks(landmarks, SETTINGS.tracks)
        contacts = find_contacts(tracks, SETTINGS.contacts, foot_visibility_of(view, None))
        rows = [(row["limb"], row["initial_contact_s"], row["toe_off_s"])
                for row in truth["contacts"]]  # fmt: skip
        found += _left(contacts, rows)
    return tuple(found)


def _hops():
    with np.load(HOPS) as table:
        for name in (key.removesuffix(".view") for key in table.files if key.endswith(".view")):
            view, limb = str(table[f"{name}.view"]), str(table[f"{name}.limb"][0])
            off_s = [float(at_s) for at_s in table[f"{name}.toe_off_s"]]
            rows = [(limb, on_s, off_s[k] if k < len(off_s) else None)
                    for k, on_s in enumerate(table[f"{name}.initial_contact_s"])]  # fmt: skip
            every = int(table[f"{name}.rate_hz"]) // 30
            for first in range(0, every, 2):
                landmarks = stored_landmarks(HOPS, name, 30, first)
                tracks = clean_tracks(landmarks, SETTINGS.tracks)
                visibilities = foot_visibility_of(view, view.split("_")[0])
                yield _left(find_contacts(tracks, SETTINGS.contacts, visibilities), rows)


def _left(contacts: Contacts, rows: list[tuple[str, float, float | None]]) -> list[Left]:
    found = []
    for limb in ("left", "right"):
        true = [row for row in rows if row[0] == limb]
        own = [contact for contact in contacts.contacts if contact.limb == limb]
        landed_s = np.array([contact.initial_contact.t_s for contact in own])
        for row, column in match_events(np.array([on_s for _, on_s, _ in true]), landed_s, 0.1):
            (_, on_s, off_s), toe_off = true[row], own[column].toe_off
            if off_s is not None and toe_off is not None:
                error_s = toe_off.t_s - off_s
                late_s = own[column].initial_contact.t_s - on_s
                found.append(Left(error_s, toe_off.sd_s, error_s - late_s))
    return found


@pytest.mark.parametrize("view", MOST_RMS_S)
def test_toe_offs_are_read_from_feet_and_body_together(view):
    errors_s = np.array([left.error_s for left in _toe_offs(view)])
    assert len(errors_s) >= 10
    assert np.sqrt(np.mean(errors_s**2)) < MOST_RMS_S[view]


@pytest.mark.parametrize("view", MOST_RMS_S)
def test_what_is_claimed_of_toe_offs_covers_them(view):
    covered = [abs(left.error_s) <= Z_95 * left.sd_s for left in _toe_offs(view)]
    assert np.mean(covered) >= 0.9


def test_no_contact_time_of_drawn_sets_from_the_front_is_far_off():
    errors_s = np.array([left.contact_time_error_s for left in _toe_offs("front")])
    assert np.abs(errors_s).max() < 0.06
    assert np.sqrt(np.mean(errors_s**2)) < 0.015
