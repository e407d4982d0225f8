"""A clip's analysis in memory, from the landmarks stored with its report: no pose engine, no video.

The stages are those of every other way to analyse a clip; what was set right goes in with the
options. Landmarks are read once for as long as the clip is looked at.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import NamedTuple

from landing_analysis.corrections import SETTINGS
from landing_analysis.errors import CacheError
from landing_analysis.folder.again import as_before, landmarks_of
from landing_analysis.folder.queue import state_of
from landing_analysis.folder.watch import Job, made_by, options_for
from landing_analysis.landmarks.people import link_people
from landing_analysis.landmarks.storage import read_landmarks
from landing_analysis.record.correcting import KnownClip, find_clip
from landing_analysis.record.database import Record
from landing_analysis.record.patients import find_patient
from landing_analysis.record.sessions import planned_exercises
from landing_analysis.record.storing import occasion_of, store_values
from landing_analysis.report.documents import analysis_document
from landing_analysis.settings import WindowSettings
from landing_analysis.stages import Found, Options, find_in_clip, measure_found
from landing_analysis.tables import Analysis, Clip, Landmarks, Poses
from landing_analysis.window.few import Few


class _Seen(NamedTuple):
    """What the pose model saw in one clip."""

    clip: Clip
    poses: Poses
    people: tuple[Landmarks, ...]


@dataclass
class Analyses:
    """The analyses of the clips looked at last, each as it is set right now."""

    _found: Few[Found] = field(default_factory=lambda: Few(WindowSettings().kept_analyses))
    _seen: Few[_Seen] = field(default_factory=lambda: Few(WindowSettings().kept_analyses))
    _made: Few[Analysis] = field(default_factory=lambda: Few(WindowSettings().kept_analyses))
    _of_clip: dict[str, threading.Lock] = field(default_factory=dict)

    def of(self, record: Record, clip: KnownClip, job: Job) -> Analysis:
        """Return the analysis of a clip with the corrections that are in force.

        Parameters
        ----------
        record : Record
        clip : as it is known now
        job : whose options it is analysed with

        Raises
        ------
        LandingAnalysisError
            When no landmarks are stored, or nothing can be measured as the clip is set.
        """
        clip = _settled(record, clip)
        options, _ = _options(record, clip, job)
        stored = _stored(clip)
        key = (clip.sha256, _time_of(stored), repr(options))
        with self._of_clip.setdefault(clip.sha256, threading.Lock()):
            known = self._made.get(key)
            if known is not None:
                return known
            at = datetime.now(UTC).isoformat(timespec="seconds")
            return self._made.put(key, measure_found(self._found_in(stored, options), options, at))

    def _found_in(self, stored: Path, options: Options) -> Found:
        """Return what was found in a clip, which corrections in the clip do not touch."""
        whole = tuple(one for one in options.corrections if one.what in (*SETTINGS, "sides"))
        options = replace(options, corrections=whole)
        key = (stored, _time_of(stored), repr(options))
        known = self._found.get(key)
        if known is not None:
            return known
        seen = self._seen_in(stored)
        return self._found.put(key, find_in_clip(seen.clip, seen.poses, seen.people, options))

    def _seen_in(self, stored: Path) -> _Seen:
        key = (stored, _time_of(stored))
        known = self._seen.get(key)
        if known is not None:
            return known
        clip, poses = read_landmarks(stored)
        return self._seen.put(
            key, _Seen(clip, poses, link_people(poses, Options().settings.people))
        )


def _settled(record: Record, clip: KnownClip) -> KnownClip:
    """Wait until a new report that is taking the place of the last one is there."""
    settings = WindowSettings()
    until_s = time.monotonic() + settings.report_wait_s
    while landmarks_of(clip) is None and clip.people is not None and time.monotonic() < until_s:
        was_analysing = state_of(record, clip.id).state == "analysing"
        clip = find_clip(record, clip.sha256)
        if not was_analysing:
            break
        time.sleep(settings.report_pause_s)
    return clip


def _stored(clip: KnownClip) -> Path:
    stored = landmarks_of(clip)
    if stored is None:
        raise CacheError(f"No landmarks are stored of clip {clip.short_id}.")
    return stored


def _time_of(stored: Path) -> int:
    return stored.stat().st_mtime_ns


def _options(record: Record, clip: KnownClip, job: Job) -> tuple[Options, str]:
    """Return the options of a clip's newest analysis with what is set right now, and its model."""
    before, model_sha256 = as_before(record, clip, job.options)
    patient = find_patient(record, clip.code)
    planned = planned_exercises(record, clip.code, date.fromisoformat(clip.day))
    options = options_for(before, patient, clip.in_force, planned)
    return replace(options, occasion=occasion_of(record, clip.id)), model_sha256


def store(record: Record, clip: KnownClip, job: Job, analysis: Analysis) -> None:
    """Add the values of an analysis to the record, which the pages then show.

    The report follows when the watcher analyses the clip, which waits for it.
    """
    options, model_sha256 = _options(record, clip, job)
    store_values(record, clip.id, analysis_document(analysis), made_by(options, model_sha256))
