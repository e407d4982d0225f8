"""Reads and analyses clips in a process of their own, so that none can end the watcher.

That process ends by itself when the one that asked for it does, however that ended.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal, cast

from landing_analysis.errors import InterruptedAnalysisError, LandingAnalysisError
from landing_analysis.folder.entries import Checked, check_clip
from landing_analysis.progress import Progress, StartProgress, no_progress
from landing_analysis.stages import Options
from landing_analysis.tables import Analysis

_START = (
    "import sys; sys.path[:] = {path!r}; from landing_analysis.folder.worker import serve; serve()"
)
_LAST_WORDS_S = 10.0  # a process that fell silent has ended or never will (choice)
_ORPHAN_S = 60.0  # a process whose master was killed notices at once that it is alone (choice)

WorkKind = Literal["check", "analyse"]


@dataclass(frozen=True)
class Result:
    """What an analysis gave: its document and the folder with its report."""

    document: Mapping[str, Any]
    folder: Path


Analyse = Callable[[Path, Path, Options, StartProgress], Result]
"""Analyses a clip into a folder; raises `LandingAnalysisError`, `OutputError` when the disk is
full, `InterruptedAnalysisError` when another attempt may succeed."""


def check_in_worker(path: Path) -> Checked:
    """Run `checking.check_clip` in a process of its own.

    Raises
    ------
    ClipError
        When the clip is not whole.
    InterruptedAnalysisError
        When the process died or met an error that nobody foresaw.
    """
    return cast(Checked, _ask("check", (path,), no_progress))


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
    return cast(Result, _ask("analyse", (path, out_dir, options), start))


def _ask(task: WorkKind, about: tuple[Any, ...], start: StartProgress) -> object:
    command = [sys.executable, "-c", _START.format(path=sys.path)]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL) as process:
        order, answers = cast(BinaryIO, process.stdin), cast(BinaryIO, process.stdout)
        try:
            pickle.dump((task, about), order)
            order.flush()  # and stays open: its end tells the other side that we are gone
            return _listen(answers, start)
        except (EOFError, pickle.UnpicklingError, BrokenPipeError) as error:
            process.wait(_LAST_WORDS_S)
            raise InterruptedAnalysisError(
                f"The process that read {about[0].name} ended without a word "
                f"(code {process.returncode})."
            ) from error
        finally:
            process.kill()


def _listen(answers: BinaryIO, start: StartProgress) -> object:
    progress: Progress | None = None
    while True:
        word, what = pickle.load(answers)
        if word == "start":
            progress = start(*what)
        elif word == "advance" and progress:
            progress.advance(what)
        elif word == "close" and progress:
            progress.close()
        elif word == "error":
            raise what
        elif word == "result":
            return what


# --- the other side ----------------------------------------------------------------------------

_Say = Callable[[str, object], None]


def serve() -> None:
    """Do what standard input asks for and answer on standard output."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints is not an answer
    task, about = pickle.load(sys.stdin.buffer)
    threading.Thread(target=_end_with_the_other_side, daemon=True).start()

    def say(word: str, what: object) -> None:
        pickle.dump((word, what), out)
        out.flush()

    try:
        result = check_clip(*about) if task == "check" else _analyse(say, *about)
    except LandingAnalysisError as error:
        say("error", error)
    except Exception as error:
        sentence = (
            f"{about[0].name} met an error that nobody foresaw ({type(error).__name__}: {error}); "
            "run landing-analysis analyse on it with --debug and send what it prints to the makers."
        )
        say("error", InterruptedAnalysisError(sentence))
    else:
        say("result", result)


def _end_with_the_other_side() -> None:
    sys.stdin.buffer.read()
    os._exit(1)


def _analyse(say: _Say, path: Path, out_dir: Path, options: Options) -> Result:
    from filelock import FileLock

    from landing_analysis.analysing import analyse_clip
    from landing_analysis.report.documents import analysis_document

    def start(label: str, steps: int) -> Progress:
        say("start", (label, steps))
        return _Told(say)

    # A process that lost its master moments ago may still be writing here.
    with FileLock(f"{out_dir}.lock", timeout=_ORPHAN_S):
        outcome = analyse_clip(path, out_dir, options, start)
    analysis, report = cast(Analysis, outcome.analysis), cast(Path, outcome.report)
    return Result(analysis_document(analysis), report.parent)


class _Told:
    """Tells the other side how far a step is."""

    def __init__(self, say: _Say) -> None:
        self._say = say

    def advance(self, n: int) -> None:
        self._say("advance", n)

    def close(self) -> None:
        self._say("close", None)
