"""How far landmarks move when pictures are read smaller than they were filmed."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from unittest import mock

import numpy as np

from landing_analysis.landmarks.pose import find_poses
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import LANDMARK, LIMBS
from landing_analysis.video import layout
from landing_analysis.video.clips import read_clip, read_frames, with_frame_times

_LEGS = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("hip", "knee", "ankle")]


def moved_by(path: Path, longest_px: tuple[int, ...], frames: int) -> Iterator[tuple[int, str]]:
    """Yield for each reading size how hips, knees and ankles differ from the first size's.

    Differences are in thousandths of the picture's length: pixels of a picture 1000 long.
    """
    found = [_legs(path, size, frames) for size in longest_px]
    # Noise that is there anyway: what the same size gives for a picture one frame later.
    later = np.diff(np.diff(found[0], axis=0), axis=0) / np.sqrt(6)
    yield (
        longest_px[0],
        f"scatter from frame to frame {_rms(later):.2f} (RMS of second differences)",
    )
    for size, legs in zip(longest_px[1:], found[1:], strict=True):
        moved = legs - found[0]
        shift = np.abs(np.nanmean(moved, axis=0)).max()
        yield size, f"RMS {_rms(moved):.2f}, largest mean shift of one landmark {shift:.2f}"


def _legs(path: Path, longest_px: int, frames: int) -> np.ndarray:
    with mock.patch.object(layout, "LONGEST_READ_PX", longest_px):
        clip = read_clip(path)
        clip = with_frame_times(clip, clip.t_s[:frames])
        poses = find_poses(islice(read_frames(path, clip), frames), clip, PoseSettings())
    outer = (poses.xy_px[:, 0, _LEGS] + 0.5) / max(clip.width_px, clip.height_px)
    return 1000 * outer


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))
