"""Frames of a clip looked at as they are, and mirrored."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from landing_analysis.landmarks.mirroring import relaid_closer
from landing_analysis.landmarks.network_answers import VALUES
from landing_analysis.landmarks.pose import load_model, started
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import N_LANDMARKS, FloatArray
from landing_analysis.video.clips import read_clip, read_frames

_VISIBILITY = 2


def look_both_ways(path: Path, *, closer: bool = False) -> FloatArray:
    """Return (2, n_frames, 33, 5): pixels and world metres, plain and of the mirrored picture.

    ``closer`` lays the windows of the mirrored one closer.
    """
    clip, settings = read_clip(path), PoseSettings(max_people=1, workers=1)
    relaid = dict.fromkeys(range(clip.frames) if closer else (), relaid_closer(settings))
    with started(clip, settings, load_model()) as engine:
        looks = [
            list(engine.look_for_people(read_frames(path, clip))),
            list(engine.look_for_people(read_frames(path, clip), mirrored=True, relaid=relaid)),
        ]
    nobody = np.full((1, N_LANDMARKS, VALUES), np.nan)
    seen = [[one.people[0] if len(one.people) else nobody[0] for one in look] for look in looks]
    return np.delete(np.array(seen), _VISIBILITY, axis=-1)


def keep_looks(clip: Path, *, closer: bool = False) -> bool:
    """Look at a clip unless that was done; keep what was seen, and tell whether it was new."""
    kept = clip.with_suffix(".looks.npy")
    if not clip.exists() or kept.exists():
        return False
    np.save(kept, look_both_ways(clip, closer=closer).astype(np.float32))
    return True
