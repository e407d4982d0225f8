"""Pictures of an annotated clip, faces blurred, to be put inside a page."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import cv2

from landing_analysis.analysing import ANNOTATED
from landing_analysis.errors import LandingAnalysisError
from landing_analysis.record.reading import StoredAnalysis
from landing_analysis.tables import Picture
from landing_analysis.video.clips import read_frames

_HEIGHT_PX = 420
_JPEG_QUALITY = 74


def middle_rep(analysis: StoredAnalysis) -> int | None:
    """Return the number of the middle landing whose peak flexion is known, None without any.

    Of the landings that count for the analysis's own exercise.
    """
    counted = analysis.landings_that_count
    numbers = [
        rep["number"] for rep in analysis.tables["rep"] if rep["number"] in counted and _shows(rep)
    ]
    return numbers[len(numbers) // 2] if numbers else None


def stills_of(analysis: StoredAnalysis, report: Path, reps: Iterable[int]) -> dict[int, str]:
    """Return the annotated clip's frames at peak flexion of some reps.

    Parameters
    ----------
    analysis : of the clip
    report : its report folder
    reps : numbers of used reps

    Returns
    -------
    dict of str
        Data address of a JPEG by rep; without those that cannot be had.
    """
    clip, wanted = report / ANNOTATED, set(reps)
    slowed_by = _slowed_by(analysis)
    open_s = {
        rep["number"]: _peak_in_player_s(rep, slowed_by)
        for rep in analysis.tables["rep"]
        if rep["number"] in wanted and _shows(rep)
    }
    found: dict[int, str] = {}
    if not open_s or not clip.is_file():
        return found
    try:
        for frame in read_frames(clip):
            due = [number for number, at_s in open_s.items() if frame.t_s >= at_s]
            for number in due:
                found[number] = _jpeg(frame.rgb)
                del open_s[number]
            if not open_s:
                break
    except LandingAnalysisError:
        return found
    return found


def _shows(rep: Mapping[str, Any]) -> bool:
    return bool(rep["used"]) and rep["peak_flexion_s"] is not None


def _peak_in_player_s(rep: Mapping[str, Any], slowed_by: float) -> float:
    """Return when a player shows peak flexion: the clip may run slower than real time."""
    peak_s, landing_s, player_s = rep["peak_flexion_s"], rep["landing_s"], rep["player_s"]
    if landing_s is None or player_s is None:
        return float(peak_s)
    return float(player_s + slowed_by * (peak_s - landing_s))


def _slowed_by(analysis: StoredAnalysis) -> float:
    """Return how much slower than real time a player runs, by the first and the last landing."""
    landings = [
        (rep["landing_s"], rep["player_s"]) for rep in analysis.tables["rep"]
        if rep["landing_s"] is not None and rep["player_s"] is not None
    ]  # fmt: skip
    if len(landings) < 2 or landings[-1][0] <= landings[0][0]:
        return 1.0
    (first_s, first_shown_s), (last_s, last_shown_s) = landings[0], landings[-1]
    return float((last_shown_s - first_shown_s) / (last_s - first_s))


def _jpeg(rgb: Picture) -> str:
    height, width = rgb.shape[:2]
    size = (round(width * _HEIGHT_PX / height), _HEIGHT_PX)
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    _, coded = cv2.imencode(
        ".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY]
    )
    return "data:image/jpeg;base64," + base64.b64encode(coded.tobytes()).decode("ascii")
