"""One picture of an annotated clip, faces blurred, to be put inside a page."""

from __future__ import annotations

import base64
from pathlib import Path

import cv2

from landing_analysis.analysing import ANNOTATED
from landing_analysis.errors import LandingAnalysisError
from landing_analysis.record.store import StoredAnalysis
from landing_analysis.tables import Picture
from landing_analysis.video.clips import read_frames

_HEIGHT_PX = 420
_JPEG_QUALITY = 74


def still_of(analysis: StoredAnalysis, report: Path) -> str | None:
    """Return the annotated clip's frame at peak flexion of its middle used rep.

    Parameters
    ----------
    analysis : of the clip
    report : its report folder

    Returns
    -------
    str or None
        Data address of a JPEG; None without an annotated clip or a used rep.
    """
    at_s = _middle_peak_s(analysis)
    clip = report / ANNOTATED
    if at_s is None or not clip.is_file():
        return None
    try:
        frame = next((f for f in read_frames(clip) if f.t_s >= at_s), None)
    except LandingAnalysisError:
        return None
    return _jpeg(frame.rgb) if frame else None


def _middle_peak_s(analysis: StoredAnalysis) -> float | None:
    peaks = [
        float(rep["peak_flexion_s"]) for rep in analysis.tables["rep"]
        if rep["used"] and rep["peak_flexion_s"] is not None
    ]  # fmt: skip
    return peaks[len(peaks) // 2] if peaks else None


def _jpeg(rgb: Picture) -> str:
    height, width = rgb.shape[:2]
    size = (round(width * _HEIGHT_PX / height), _HEIGHT_PX)
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    _, coded = cv2.imencode(
        ".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY]
    )
    return "data:image/jpeg;base64," + base64.b64encode(coded.tobytes()).decode("ascii")
