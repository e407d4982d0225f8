"""Clips of many frames a second give the same numbers when only the frames that matter are seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from marked_engine import stand_in_by_time
from stick_patient import jump_plan, make_motion, make_poses, seen_at

from landing_analysis.landmarks import pose
from landing_analysis.landmarks.people import link_people
from landing_analysis.landmarks.unfinished import Parts
from landing_analysis.search import find_people
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LIMBS, Analysis, Clip, Landmarks, Poses
from landing_analysis.video.clips import read_clip, write_clip

SETTINGS = Settings()
NOISE_PX = 2.0


def _at_rate(fps: float) -> Landmarks:
    """Return an invented set of two jumps at a rate, with the noise of a pose model."""
    slow = make_motion(jump_plan(2), "front", LIMBS)[0]
    t_s = np.arange(0.0, slow.t_s[-1], 1 / fps)

    def between(values: np.ndarray) -> np.ndarray:
        flat = values.reshape(len(slow.t_s), -1).T
        steps = [np.interp(t_s, slow.t_s, one) for one in flat]
        return np.stack(steps, axis=1).reshape(len(t_s), *values.shape[1:])

    xy_px = between(slow.xy_px)
    xy_px += np.random.default_rng(8).normal(0, NOISE_PX, xy_px.shape)
    return replace(
        slow, t_s=t_s, xy_px=xy_px, visibility=between(slow.visibility),
        world_m=between(slow.world_m),
    )  # fmt: skip


def _analysed(clip: Clip, poses: Poses) -> Analysis:
    people = link_people(poses, SETTINGS.people)
    return analyse_people(clip, poses, people, Options(), "2031-02-03T10:11:12+00:00")


@pytest.fixture
def both(tmp_path: Path, monkeypatch) -> Callable[[float], tuple[Analysis, Analysis, Poses]]:
    """Analyse a set at a rate from every frame, and from those that are chosen."""

    def both(fps: float) -> tuple[Analysis, Analysis, Poses]:
        landmarks = _at_rate(fps)
        path = tmp_path / "set.mp4"
        with write_clip(path, 36, 64) as writer:
            for k, t_s in enumerate(landmarks.t_s):
                writer.write(np.full((64, 36, 3), 60 + 20 * (k % 8), np.uint8), float(t_s))
        clip = replace(read_clip(path), width_px=720, height_px=1280)
        started = stand_in_by_time(lambda _, frame: seen_at(landmarks, frame))
        monkeypatch.setattr(pose, "started", started)
        found = find_people(path, clip, pose.Model("none", "0", b""), Parts(), SETTINGS)
        every = replace(make_poses(landmarks), t_s=clip.t_s)
        once = replace(found.poses, mirrored_px=None)  # as every frame is looked at
        return _analysed(clip, every), _analysed(found.clip, once), found.poses

    return both


@pytest.mark.parametrize(("fps", "most_looked"), [(60, 0.9), (120, 0.75), (240, 0.6)])
def test_contacts_and_angles_are_those_of_every_frame(both, fps, most_looked):
    every, few, poses = both(fps)
    assert poses.looked.mean() < most_looked
    assert len(few.contacts.contacts) == len(every.contacts.contacts) >= 4
    for one, other in zip(every.contacts.contacts, few.contacts.contacts, strict=True):
        # A quarter of what a contact is claimed to be known to, at 60 frames/s.
        assert abs(one.initial_contact.t_s - other.initial_contact.t_s) < 0.002
        if one.toe_off is not None:
            assert abs(one.toe_off.t_s - other.toe_off.t_s) < 0.002
    chosen = {(m.rep, m.limb, m.name): m.value for m in few.measures.measures}
    angles = [m for m in every.measures.measures if m.name.startswith(("knee_flexion", "fppa"))]
    apart = [abs(chosen[m.rep, m.limb, m.name] - m.value) for m in angles if m.value is not None]
    assert len(apart) >= 4
    assert np.sqrt(np.mean(np.square(apart))) < 0.5
