"""Landmarks damaged at random go through every stage: a result or one named error, never a crash.

Warnings are errors here, so that a mean over nothing counts as a crash.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from jumper import jump_set

from landing_analysis.errors import LandingAnalysisError
from landing_analysis.findings.limits import read_limits
from landing_analysis.frames import reps_csv
from landing_analysis.landmarks.people import link_people
from landing_analysis.report.documents import analysis_document, analysis_json
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import N_LANDMARKS, Clip, Poses
from landing_analysis.video.clips import with_frame_times

OPTIONS = Options(limits=read_limits(), surgical_side="left")
SEEDS = 150
LEGS = [23, 25, 27, 29, 31, 24, 26, 28, 30, 32]


def _damaged(seed: int) -> tuple[Clip, Poses]:
    """Cut a segment out of a jump set and damage it in up to three ways."""
    rng = np.random.default_rng(seed)
    whole = jump_set([0.3, 0.28, 0.32], [0.3, 0.28], noise_px=1.5, seed=seed).landmarks
    first = rng.integers(0, len(whole.t_s) - 3)
    length = int(rng.choice([2, 3, 5, 12, 40, 150, 400]))
    cut = slice(first, first + length)
    t_s, xy = whole.t_s[cut].copy(), whole.xy_px[cut][:, None].copy()
    seen, world = whole.visibility[cut][:, None].copy(), whole.world_m[cut][:, None].copy()
    world += rng.normal(0.0, 0.2, world.shape)
    for _ in range(rng.integers(0, 4)):
        a = rng.integers(0, len(t_s))
        part = slice(a, rng.integers(a, len(t_s)) + 1)
        columns = rng.integers(0, N_LANDMARKS, size=rng.integers(1, N_LANDMARKS))
        match rng.integers(7):
            case 0:
                xy[part], world[part], seen[part] = np.nan, np.nan, 0.0
            case 1:
                xy[part, :, columns] = np.nan
            case 2:
                seen[part, :, columns] = 0.0
            case 3:
                xy[part] = xy[a]
            case 4:
                xy[part] += rng.normal(0.0, 200.0, xy[part].shape)
            case 5:
                xy[part, :, LEGS] = xy[part][:, :, LEGS[5:] + LEGS[:5]]
            case 6:
                t_s = t_s + np.cumsum(rng.random(len(t_s)) * 0.05)
    clip = Clip("damaged.mp4", "0", 720, 1280, 0, 0.0, float("nan"), False, np.empty(0))
    poses = Poses(t_s, xy, seen, world, 720, 1280, "none", "0")
    return with_frame_times(clip, t_s), poses


@pytest.mark.parametrize("first", range(0, SEEDS, 50))
def test_damaged_landmarks_give_a_result_or_one_named_error(first):
    reasons = []
    for seed in range(first, first + 50):
        clip, poses = _damaged(seed)
        people = link_people(poses, OPTIONS.settings.people)
        try:
            analysis = analyse_people(clip, poses, people, OPTIONS, "2026-01-01T00:00:00")
        except LandingAnalysisError as error:
            reasons.append(str(error))
            continue
        document = json.loads(analysis_json(analysis_document(analysis)))
        assert all(rep["used"] == (rep["reason"] is None) for rep in document["reps"])
        assert len(reps_csv(document).splitlines()) >= 1
    assert all(reason.endswith(".") for reason in reasons)
    assert len(reasons) < 50
