"""What all requests of one run share."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from landing_analysis.folder.watch import Job
from landing_analysis.record.database import Record, reopened
from landing_analysis.record.place import DataFolder
from landing_analysis.settings import WindowSettings
from landing_analysis.window.afterwards import Afterwards
from landing_analysis.window.few import Few
from landing_analysis.window.guard import Keys
from landing_analysis.window.reanalysis import Analyses
from landing_analysis.window.rewriting import Rewriting
from landing_analysis.window.working import Working


@dataclass(frozen=True)
class Window:
    """One run of the program.

    Attributes
    ----------
    folder : with the record, which was opened and checked when the run began
    job : what is done with the drop folder
    keys : secrets of the run
    working : how far the watcher is
    analyses : of the clips looked at last, in memory
    afterwards : what follows an answer; who opens the record next waits for it
    documents : made last, by address and by the version of the record they were made from
    rewriting : of pages in the data folder
    again : reports made anew where no file is left
    ahead : what is likely to be asked for next; nobody waits for it
    by : code of who works here, None when not given; pages suggest it
    """

    folder: DataFolder
    job: Job
    keys: Keys
    working: Working
    analyses: Analyses
    rewriting: Rewriting
    by: str | None = None
    afterwards: Afterwards = field(default_factory=Afterwards)
    documents: Few[str] = field(default_factory=lambda: Few(WindowSettings().kept_documents))
    again: Afterwards = field(default_factory=Afterwards)
    ahead: Afterwards = field(default_factory=Afterwards)

    @contextmanager
    def record(self) -> Iterator[Record]:
        """Open the record for one request, with everything in it that was answered before."""
        self.afterwards.settle()
        with reopened(self.folder) as record:
            yield record
