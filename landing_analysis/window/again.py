"""Makes a clip's report anew from its stored landmarks, where no file is left to watch for."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from landing_analysis.errors import LandingAnalysisError
from landing_analysis.folder.again import analyse_again, file_of, nothing_left
from landing_analysis.folder.queue import let_wait, settle
from landing_analysis.record.correcting import KnownClip, find_clip
from landing_analysis.record.database import Record, reopened
from landing_analysis.window.state import Window


def has_file(record: Record, clip: KnownClip) -> bool:
    """Whether the watcher makes a clip's report, since its file is in a drop folder."""
    return file_of(record, clip) is not None


def begin_again(window: Window, sha256: str) -> None:
    """Begin to make a report anew; closing the program in between lets the clip wait.

    Parameters
    ----------
    window : Window
    sha256 : of the clip
    """
    window.again.do(partial(_make, window, sha256))


def _make(window: Window, sha256: str) -> None:
    try:
        with reopened(window.folder) as record:
            clip = find_clip(record, sha256)
            let_wait(record, clip.id)
            if nothing_left(record, clip):
                settle(record, clip.id)
            else:
                analyse_again(record, clip, replace(window.job, start=window.working.start))
    except LandingAnalysisError as error:
        window.working.trouble = str(error)
