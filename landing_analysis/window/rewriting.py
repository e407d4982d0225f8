"""Pages that commands wrote into the data folder, written anew after what was set in the window.

A process of its own draws them, so that the window answers meanwhile; what is asked for while it
is at work is done once, afterwards. Pages that wait say so themselves, so that the program may be
closed in between.
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from threading import Lock

from landing_analysis.child import Child
from landing_analysis.errors import LandingAnalysisError
from landing_analysis.pages.writing import rewrite_pages
from landing_analysis.progress import StartProgress
from landing_analysis.record.database import open_record, reopened
from landing_analysis.record.outdated import mark_pages
from landing_analysis.record.place import DataFolder
from landing_analysis.window.working import Working


class Rewriting:
    """Writes pages anew, one patient after the other.

    Parameters
    ----------
    folder : with record and pages
    working : told when pages cannot be written
    """

    def __init__(self, folder: DataFolder, working: Working) -> None:
        self._folder, self._working = folder, working
        self._thread = ThreadPoolExecutor(1, "rewriting")
        self._waiting: dict[str, set[date]] = {}
        self._lock = Lock()
        self._closed = False

    def ask(self, code: str, days: Iterable[date]) -> None:
        """Have those pages on a patient, and on the weeks of some days, that are there, written.

        Until then they say that they are out of date.

        Raises
        ------
        RecordError
            When one cannot be marked so.
        """
        if not any(self._folder.pages.glob("*")):
            return
        with reopened(self._folder) as record:
            mark_pages(record, code)
        with self._lock:
            self._waiting.setdefault(code, set()).update(days)
        self._thread.submit(self._work)

    def settle(self) -> None:
        """Wait until all is written that was asked for."""
        self._thread.submit(int).result()

    def close(self) -> None:
        """Leave what waits marked as it is."""
        with self._lock:
            self._waiting, self._closed = {}, True

    def _work(self) -> None:
        with self._lock:
            waiting, self._waiting = self._waiting, {}
        for code, days in waiting.items():
            if self._closed:
                return
            try:
                with Child(f"{__name__}:rewrite", self._folder, code, sorted(days)) as child:
                    child.result()
            except LandingAnalysisError as error:
                self._working.trouble = f"Pages were not written anew: {error}"


def rewrite(folder: DataFolder, code: str, days: Iterable[date], start: StartProgress) -> None:
    """Write a patient's pages anew, in a process of its own."""
    with open_record(folder) as record:
        rewrite_pages(record, code, days, start)
