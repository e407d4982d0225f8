"""Reads what a clip says of itself, and makes sure that it is whole."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from landing_analysis.files import printable
from landing_analysis.tables import Clip


@dataclass(frozen=True)
class Checked:
    """A whole clip's facts, and the tags of its container."""

    clip: Clip
    tags: Mapping[str, str]


CheckClip = Callable[[Path], Checked]
"""Checks a clip; raises `ClipError` when it is not whole, `InterruptedAnalysisError` when
another attempt may succeed."""


def check_clip(path: Path) -> Checked:
    """Read a clip's facts and make sure that it is whole.

    Raises
    ------
    ClipError
    """
    from landing_analysis.video.clips import read_clip, read_tags

    clip = read_clip(path)
    return Checked(replace(clip, file=printable(clip.file)), read_tags(path))
