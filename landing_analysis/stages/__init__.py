"""The order of the stages after the pose model: from people in a clip to its `Analysis`. Pure."""

from __future__ import annotations

from landing_analysis.stages.finding import Found, find_in_clip
from landing_analysis.stages.measuring import measure_found
from landing_analysis.stages.moments import frames_to_mirror, moments_that_count
from landing_analysis.stages.options import Options
from landing_analysis.tables import Analysis, Clip, Landmarks, Poses

__all__ = [
    "Found",
    "Options",
    "analyse_people",
    "find_in_clip",
    "frames_to_mirror",
    "measure_found",
    "moments_that_count",
]


def analyse_people(
    clip: Clip, poses: Poses, people: tuple[Landmarks, ...], options: Options, analysed_at: str
) -> Analysis:
    """Run every stage after the pose model: pure, without video, disk or clock.

    Parameters
    ----------
    clip, poses : of the same frames
    people : from `link_people`, as filmed; they are measured in the picture of a still camera
    options : Options
    analysed_at : when, ISO 8601

    Returns
    -------
    Analysis

    Raises
    ------
    NobodyFoundError, SettingsError
    """
    return measure_found(find_in_clip(clip, poses, people, options), options, analysed_at)
