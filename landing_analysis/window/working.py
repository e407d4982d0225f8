"""The watcher in a thread of its own, and how far it is."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from landing_analysis.folder.watch import Job, watch, woken_by_events
from landing_analysis.progress import Progress
from landing_analysis.record.database import open_record
from landing_analysis.record.place import DataFolder


@dataclass(frozen=True)
class Step:
    """One long step of the work: what it is, and how much of it is done."""

    label: str
    done: int
    of: int

    @property
    def percent(self) -> int:
        """How far it is."""
        return min(100, round(100 * self.done / self.of)) if self.of else 0


@dataclass
class Working:
    """What the watcher is at, for pages to show; ``trouble`` is why it pauses."""

    trouble: str | None = None
    _step: Step | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)
    wake: threading.Event = field(default_factory=threading.Event)

    @property
    def step(self) -> Step | None:
        """The long step under way, None between them."""
        with self._lock:
            return self._step

    def start(self, label: str, steps: int) -> Progress:
        """Begin a long step."""
        with self._lock:
            self._step = Step(label, 0, steps)
        return _Counting(self)

    def change(self, change: Callable[[Step], Step | None]) -> None:
        """Let the step under way go on or end."""
        with self._lock:
            self._step = self._step and change(self._step)


class _Counting:
    """Counts the step under way."""

    def __init__(self, working: Working) -> None:
        self._working = working

    def advance(self, n: int) -> None:
        self._working.change(lambda step: replace(step, done=step.done + n))

    def close(self) -> None:
        self._working.change(lambda _: None)


@contextmanager
def watching(folder: DataFolder, job: Job, working: Working) -> Iterator[None]:
    """Watch the drop folder for as long as the block runs; what is in hand then waits again."""
    stop = threading.Event()

    def complain(trouble: str) -> None:
        working.trouble = trouble

    def say(_: object) -> None:
        working.trouble = None

    def run() -> None:
        with open_record(folder) as record, woken_by_events(job.root, working.wake):
            told = replace(job, start=working.start, say=say)
            watch(record, told, complain, working.wake, stop)

    thread = threading.Thread(target=run, name="watcher", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        working.wake.set()
