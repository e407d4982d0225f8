"""Analyses one clip again at once from its stored landmarks, as it was analysed before."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from landing_analysis.analysing import ANNOTATED, DATA, LANDMARKS
from landing_analysis.corrections import SETTINGS, Given, given
from landing_analysis.errors import CorrectionError, LandingAnalysisError
from landing_analysis.files import read_document
from landing_analysis.folder import queue
from landing_analysis.folder.watch import Job, work_on
from landing_analysis.reasons import Code
from landing_analysis.record.correcting import KnownClip, Wish
from landing_analysis.record.database import Record
from landing_analysis.settings import Settings
from landing_analysis.stages import Options
from landing_analysis.tables import Correction, Limit


def landmarks_of(clip: KnownClip) -> Path | None:
    """Return the landmarks stored with a clip's report, None without them."""
    stored = clip.report / LANDMARKS if clip.report else None
    return stored if stored and stored.is_file() else None


def file_of(record: Record, clip: KnownClip) -> Path | None:
    """Return a file of a drop folder that holds a clip, None when all are gone."""
    return next((path for path in queue.files_of(record, clip.sha256) if path.is_file()), None)


def nothing_left(record: Record, clip: KnownClip) -> bool:
    """Return whether a clip has values but neither file nor landmarks to make them again."""
    had_values = clip.people is not None
    return had_values and landmarks_of(clip) is None and file_of(record, clip) is None


def require_something_left(record: Record, clip: KnownClip, wishes: Iterable[Wish]) -> None:
    """Refuse what only another analysis can follow, where nothing is left to analyse.

    Raises
    ------
    CorrectionError
    """
    changed = [wish.what for wish in wishes if wish.what in (*SETTINGS, "rep")]
    if changed and nothing_left(record, clip):
        raise CorrectionError(
            f"The file and the report of clip {clip.short_id} are gone, so nothing is left to "
            f"analyse again with another {changed[0]}; drop the clip again, or leave it out: "
            f"landing-analysis clip exclude {clip.short_id}"
        )


def analyse_again(record: Record, clip: KnownClip, how: Job) -> bool:
    """Analyse a clip that waits again, without another search for landmarks.

    Parameters
    ----------
    record : Record
    clip : with stored landmarks
    how : who analyses and who is told; limits and target are those of the newest analysis

    Returns
    -------
    bool
        False when somebody else has it in hand, who analyses it again afterwards.

    Raises
    ------
    LandingAnalysisError
        When it cannot be analysed as it is corrected; the earlier values stand.
    """
    landmarks = landmarks_of(clip)
    if landmarks is None:
        raise LandingAnalysisError(f"No landmarks are stored of clip {clip.short_id}.")
    path = file_of(record, clip) or landmarks
    options, model_sha256 = as_before(record, clip, how.options)
    job = replace(how, root=path.parent, options=options, model_sha256=model_sha256)
    with queue.working(record) as worker:
        claim = queue.claim_clip(record, clip.id, path, worker)
        if claim is None:
            return False
        work_on(record, job, claim)
    return True


def as_before(record: Record, clip: KnownClip, options: Options) -> tuple[Options, str]:
    """Return the options and the model of a clip's newest analysis."""
    (row,) = record.rows(
        "SELECT limits, target_flexion_deg, model_sha256 FROM analysis WHERE clip_id = ? "
        "ORDER BY id DESC LIMIT 1",
        clip.id,
    )
    limits = (
        {**limit, "exercises": tuple(limit["exercises"])} for limit in json.loads(row["limits"])
    )
    return replace(
        options,
        **(_given_to_all(clip.report) if clip.report else {}),
        limits=tuple(Limit(**limit) for limit in limits),
        settings=Settings(target_flexion_deg=row["target_flexion_deg"]),
        annotated_clip=clip.report is not None and (clip.report / ANNOTATED).is_file(),
        stored=True,
    ), row["model_sha256"]


def _given_to_all(report: Path) -> Given:
    """Return what the newest analysis was told by options, and not by a correction."""
    try:
        stat = (report / DATA).stat()
    except OSError:
        return {}
    return _told_in(report / DATA, stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=64)  # a window asks again with each correction (choice)
def _told_in(path: Path, _mtime_ns: int, _size: int) -> Given:
    try:
        document = read_document(path)
        decided, base = document["decided"], document["decided"]["time_base"]
        told = {
            "exercise": decided["exercise"] if decided["exercise_origin"] == "given" else None,
            "view": decided["view"] if decided["view_origin"] == "given" else None,
            "person": str(decided["patient_number"]) if _was_chosen(decided) else None,
            "slowed by": f"{base['slowed_by']:g}" if base["origin"] == "given" else None,
        }
        for one in document.get("corrections", ()):
            told.pop(one["what"], None)
        return given(Correction(what, None, told[what], "") for what in SETTINGS if told.get(what))
    except (OSError, ValueError, LookupError, TypeError, AttributeError, StopIteration):
        return {}


def _was_chosen(decided: dict[str, object]) -> bool:
    return decided.get("patient_reason_code") == Code.GIVEN_BY_CLINICIAN
