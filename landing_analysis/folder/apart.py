"""Analyses one clip in a process of its own, so that nothing in a clip can end the watcher.

The process ends by itself when the one that asked for it does, however that ended.
"""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, cast

from landing_analysis.analyse import Options, StartProgress
from landing_analysis.errors import InterruptedAnalysisError, LandingAnalysisError, OutputError
from landing_analysis.progress import Progress
from landing_analysis.tables import Analysis

_START = (
    "import sys; sys.path[:] = {path!r}; from landing_analysis.folder.apart import serve; serve()"
)
_LAST_WORDS_S = 10.0  # a process that fell silent has ended or never will (choice)
_ORPHAN_S = 60.0  # the process before this one notices at once that it is alone (choice)


@dataclass(frozen=True)
class Made:
    """What an analysis gave: its document and the folder with its report."""

    document: Mapping[str, Any]
    folder: Path


Analyse = Callable[[Path, Path, Options, StartProgress], Made]
"""Analyses a clip into a folder; raises `LandingAnalysisError`, `OutputError` when the disk is
full, `InterruptedAnalysisError` when another attempt may succeed."""


def analyse_apart(path: Path, out_dir: Path, options: Options, start: StartProgress) -> Made:
    """Run `analyse.analyse_clip` in a process of its own.

    Parameters
    ----------
    path : of the clip
    out_dir : the clip's folder is made in it
    options, start : as for `analyse_clip`

    Returns
    -------
    Made

    Raises
    ------
    OutputError
        When the report cannot be written.
    InterruptedAnalysisError
        When the process died or met an error that nobody foresaw.
    LandingAnalysisError
        When the clip cannot be analysed.
    """
    command = [sys.executable, "-c", _START.format(path=sys.path)]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL) as process:
        order, answers = cast(BinaryIO, process.stdin), cast(BinaryIO, process.stdout)
        try:
            pickle.dump((path, out_dir, options), order)
            order.flush()  # and stays open: its end tells the other side that we are gone
            answer = _listen(answers, start)
            if answer is None:
                process.wait(_LAST_WORDS_S)
        finally:
            process.kill()
    if answer is None:
        raise InterruptedAnalysisError(
            f"The analysis of {path.name} ended without a word (code {process.returncode})."
        )
    return _made(answer)


def _listen(lines: BinaryIO, start: StartProgress) -> dict[str, Any] | None:
    progress: Progress | None = None
    for line in lines:
        said = json.loads(line)
        match said.pop("say"):
            case "start":
                progress = start(said["label"], said["steps"])
            case "advance" if progress:
                progress.advance(said["n"])
            case "close" if progress:
                progress.close()
            case "answer":
                return dict(said)
    return None


def _made(answer: dict[str, Any]) -> Made:
    if "sentence" not in answer:
        return Made(answer["document"], Path(answer["folder"]))
    kinds = {"output": OutputError, "unforeseen": InterruptedAnalysisError}
    raise kinds.get(answer["kind"], LandingAnalysisError)(answer["sentence"])


# --- the other side ----------------------------------------------------------------------------


def serve() -> None:
    """Analyse the clip named on standard input and answer on standard output."""
    from filelock import FileLock

    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints is not an answer
    path, out_dir, options = pickle.load(sys.stdin.buffer)
    threading.Thread(target=_end_with_the_other_side, daemon=True).start()

    def say(**what: object) -> None:
        out.write(json.dumps(what).encode() + b"\n")
        out.flush()

    # A process that lost its master moments ago may still be writing here.
    with FileLock(f"{out_dir}.lock", timeout=_ORPHAN_S):
        answer = _answer(path, out_dir, options, say)
    say(say="answer", **answer)


def _end_with_the_other_side() -> None:
    sys.stdin.buffer.read()
    os._exit(1)


def _answer(
    path: Path, out_dir: Path, options: Options, say: Callable[..., None]
) -> dict[str, object]:
    from landing_analysis.analyse import analyse_clip
    from landing_analysis.documents import analysis_document

    def start(label: str, steps: int) -> Progress:
        say(say="start", label=label, steps=steps)
        return _Told(say)

    try:
        outcome = analyse_clip(path, out_dir, options, start)
    except OutputError as error:
        return {"kind": "output", "sentence": str(error)}
    except LandingAnalysisError as error:
        return {"kind": "clip", "sentence": str(error)}
    except Exception as error:
        sentence = (
            f"{path.name} met an error that nobody foresaw ({type(error).__name__}: {error}); "
            "run landing-analysis analyse on it with --debug and send what it prints to the makers."
        )
        return {"kind": "unforeseen", "sentence": sentence}
    analysis, report = cast(Analysis, outcome.analysis), cast(Path, outcome.report)
    return {"document": analysis_document(analysis), "folder": str(report.parent)}


class _Told:
    """Tells the other side how far a step is."""

    def __init__(self, say: Callable[..., None]) -> None:
        self._say = say

    def advance(self, n: int) -> None:
        self._say(say="advance", n=n)

    def close(self) -> None:
        self._say(say="close")
