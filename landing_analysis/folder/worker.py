"""Reads and analyses clips in a process of their own, so that none can end the watcher."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from landing_analysis.child import Child
from landing_analysis.errors import InterruptedAnalysisError, LandingAnalysisError
from landing_analysis.folder.entries import Checked, check_clip
from landing_analysis.progress import StartProgress
from landing_analysis.stages import Options
from landing_analysis.tables import Analysis

_ORPHAN_S = 60.0  # a process whose master was killed notices at once that it is alone (choice)


@dataclass(frozen=True)
class Result:
    """What an analysis gave: its document and the folder with its report."""

    document: Mapping[str, Any]
    folder: Path


Analyse = Callable[[Path, Path, Options, StartProgress], Result]
"""Analyses a clip into a folder; raises `LandingAnalysisError`, `OutputError` when the disk is
full, `InterruptedAnalysisError` when another attempt may succeed."""


def check_in_worker(path: Path) -> Checked:
    """Run `entries.check_clip` in a process of its own.

    Raises
    ------
    ClipError
        When the clip is not whole.
    InterruptedAnalysisError
        When the process died or met an error that nobody foresaw.
    """
    with Child(f"{__name__}:check", path) as child:
        return cast(Checked, child.result())


def analyse_in_worker(path: Path, out_dir: Path, options: Options, start: StartProgress) -> Result:
    """Run `analysing.analyse_clip` in a process of its own.

    Parameters
    ----------
    path : of the clip
    out_dir : the clip's folder is made in it
    options, start : as for `analyse_clip`

    Returns
    -------
    Result

    Raises
    ------
    OutputError
        When the report cannot be written.
    InterruptedAnalysisError
        When the process died or met an error that nobody foresaw.
    LandingAnalysisError
        When the clip cannot be analysed.
    """
    with Child(f"{__name__}:analyse", path, out_dir, options) as child:
        return cast(Result, child.result(start))


# --- in that process ---------------------------------------------------------------------------


def check(path: Path, _: StartProgress) -> Checked:
    """Read a clip's facts."""
    with _unforeseen_said(path):
        return check_clip(path)


def analyse(path: Path, out_dir: Path, options: Options, start: StartProgress) -> Result:
    """Analyse a clip into a folder that nobody else writes to."""
    from filelock import FileLock

    from landing_analysis.analysing import analyse_clip
    from landing_analysis.report.documents import analysis_document

    # A process that lost its master moments ago may still be writing here.
    with _unforeseen_said(path), FileLock(f"{out_dir}.lock", timeout=_ORPHAN_S):
        outcome = analyse_clip(path, out_dir, options, start)
    analysis, report = cast(Analysis, outcome.analysis), cast(Path, outcome.report)
    return Result(analysis_document(analysis), report.parent)


@contextmanager
def _unforeseen_said(path: Path) -> Iterator[None]:
    """Let an error that nobody foresaw count as an interruption."""
    try:
        yield
    except LandingAnalysisError:
        raise
    except Exception as error:
        raise InterruptedAnalysisError(
            f"{path.name} met an error that nobody foresaw ({type(error).__name__}: {error}); "
            "run landing-analysis analyse on it with --debug and send what it prints to the makers."
        ) from error
