"""Hands clips to a cluster of dask.distributed that the user names, one task a clip.

A clip travels to one worker of that cluster and nowhere else, with the landmarks stored of it;
its report comes back, and nothing of either stays there. The record and the drop folder are
touched on this machine only. A worker that dies costs the clip in its hands a new start.
"""

from __future__ import annotations

import os
import tempfile
import threading
from collections.abc import Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from landing_analysis import __version__
from landing_analysis.analysing import LANDMARKS
from landing_analysis.errors import InterruptedAnalysisError, LandingAnalysisError, SettingsError
from landing_analysis.files import write_bytes
from landing_analysis.folder.worker import Analyse, Result, analyse_in_worker
from landing_analysis.progress import StartProgress, no_progress
from landing_analysis.settings import Settings
from landing_analysis.stages import Options

_STARTS = 3  # of one clip, whose worker died before (choice)
_ANSWERS_S = 10.0  # a cluster that is there answers within this (choice)
_LOOK_EVERY_S = 0.5  # whether to give up (choice)


@dataclass(frozen=True)
class Sent:
    """What a worker needs of one clip: its name, and files by their path below the work folder."""

    name: str
    files: dict[str, bytes]
    version: str = __version__


@dataclass(frozen=True)
class Answered:
    """What came back: the analysis's document, the report's folder name, and its files."""

    document: Any
    folder: str
    files: dict[str, bytes]


@contextmanager
def connected(address: str) -> Iterator[Cluster]:
    """Connect to the scheduler of a running cluster.

    Parameters
    ----------
    address : such as ``tcp://10.0.0.5:8786``

    Raises
    ------
    SettingsError
        When the library is not installed, or no cluster answers there.
    """
    try:
        import distributed
    except ImportError as error:
        raise SettingsError(
            "--on needs dask.distributed; install it with: pip install 'landing-analysis[cluster]'"
        ) from error
    try:
        client: Any = distributed.Client(address, timeout=_ANSWERS_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise SettingsError(
            f"No cluster answers at {address}; start dask scheduler and dask worker there, "
            "or check the address."
        ) from error
    with client:
        threads = client.scheduler_info(n_workers=-1)["workers"].values()
        at_once = sum(worker["nthreads"] for worker in threads)
        if not at_once:
            raise SettingsError(f"The cluster at {address} has no workers; start one: dask worker.")
        yield Cluster(client, at_once)


class Cluster:
    """A cluster that clips are handed to.

    Attributes
    ----------
    at_once : how many clips it takes
    """

    def __init__(
        self, client: Any, at_once: int, analyse_there: Analyse = analyse_in_worker
    ) -> None:
        self.at_once = at_once
        self._client = client
        self._analyse_there = analyse_there
        self._given_up = threading.Event()

    def give_up(self) -> None:
        """Let no thread wait for an analysis any more."""
        self._given_up.set()

    def analyse(self, path: Path, out_dir: Path, options: Options, _: StartProgress) -> Result:
        """Analyse a clip on some worker, and write its report into a folder here.

        Raises
        ------
        InterruptedAnalysisError
            When the workers that had it died, or the cluster is gone.
        LandingAnalysisError
            As `worker.analyse_in_worker`.
        """
        sent = Sent(path.name, _files_to_send(path, out_dir))
        for started in range(1, _STARTS + 1):
            try:
                return _unpacked(self._answer(sent, options), out_dir)
            except LandingAnalysisError:
                raise
            except Exception as error:  # a worker died, with the clip or under it
                if started == _STARTS or self._given_up.is_set():
                    raise InterruptedAnalysisError(
                        f"The cluster could not analyse {path.name} ({type(error).__name__})."
                    ) from error
        raise AssertionError("every start ends above")

    def _answer(self, sent: Sent, options: Options) -> Answered:
        (there,) = self._client.scatter([sent], hash=False)
        task = self._client.submit(
            analyse_sent, there, options, self._analyse_there, pure=False, retries=0
        )
        try:
            while True:
                try:
                    answered: Answered = task.result(timeout=_LOOK_EVERY_S)
                    return answered
                except TimeoutError:
                    if self._given_up.is_set():
                        raise CancelledError from None
        finally:
            task.cancel()


def _files_to_send(path: Path, out_dir: Path) -> dict[str, bytes]:
    """Return the clip, and the landmarks that an earlier analysis left beside its new report."""
    stored = [file for file in out_dir.rglob(LANDMARKS) if file.is_file()]
    files = {str(file.relative_to(out_dir)): file.read_bytes() for file in stored}
    return {path.name: path.read_bytes(), **files}


def _unpacked(answer: Answered, out_dir: Path) -> Result:
    folder = out_dir / answer.folder
    for name, content in answer.files.items():
        write_bytes(folder / name, content)
    return Result(answer.document, folder)


# --- on the worker -----------------------------------------------------------------------------


def analyse_sent(sent: Sent, options: Options, analyse: Analyse) -> Answered:
    """Analyse a clip that was sent, and keep nothing of it.

    Raises
    ------
    SettingsError
        When this machine has another version of the program.
    """
    if sent.version != __version__:
        raise SettingsError(
            f"A worker has version {__version__} of the program instead of {sent.version}; "
            "install the same one on all machines."
        )
    options = replace(options, settings=_on_cores(options.settings, _cores_per_task()))
    with tempfile.TemporaryDirectory() as place:
        out_dir = Path(place) / "reports"
        for name, content in sent.files.items():
            write_bytes(Path(place) / name if name == sent.name else out_dir / name, content)
        made = analyse(Path(place) / sent.name, out_dir, options, no_progress)
        files = {file.name: file.read_bytes() for file in made.folder.iterdir() if file.is_file()}
        return Answered(made.document, made.folder.name, files)


def _cores_per_task() -> int:
    from distributed import get_worker

    return (os.cpu_count() or 1) // int(get_worker().state.nthreads)


def _on_cores(settings: Settings, cores: int) -> Settings:
    return replace(settings, pose=replace(settings.pose, workers=max(1, cores)))
