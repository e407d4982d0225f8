"""Landmarks of a clip as the tool finds them, found once and kept beside it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from landing_analysis.errors import CacheError
from landing_analysis.landmarks.pose import load_model
from landing_analysis.landmarks.storage import read_landmarks, write_landmarks
from landing_analysis.landmarks.unfinished import stored_parts
from landing_analysis.search import find_people, look_around
from landing_analysis.stages import Options
from landing_analysis.tables import Clip, Poses
from landing_analysis.video.clips import read_clip


def landmarks_of(path: Path, options: Options) -> tuple[Clip, Poses]:
    """Recall the landmarks of exactly this clip and model, or find and store them."""
    stored = path.with_suffix(".landmarks.parquet")
    clip, model = read_clip(path), load_model(options.model)
    try:
        known, before = read_landmarks(stored)
        if known.sha256 == clip.sha256 and before.model_sha256 == model.sha256:
            _, poses, _ = look_around(path, known, before, options.settings, _Bar)
            if poses is not before:
                write_landmarks(stored, poses, known)
            return known, poses
    except CacheError:
        pass
    with stored_parts(stored.with_suffix("")) as parts:
        clip, poses, _ = find_people(path, clip, model, parts, options.settings, _Bar)
        write_landmarks(stored, poses, clip)
    return clip, poses


class _Bar:
    """The tool's progress on a bar of the screen."""

    def __init__(self, label: str, steps: int) -> None:
        self._bar: Any = click.progressbar(length=steps, label=label, file=sys.stderr)
        self._bar.render_progress()

    def advance(self, n: int) -> None:
        self._bar.update(n)

    def close(self) -> None:
        self._bar.render_finish()
