"""Work that follows an answer, so that nobody waits for it, and that everything after it waits for.

It only repeats what the record could make again: closing the program in between loses nothing,
since the clip still waits for the watcher.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from threading import Lock


class Afterwards:
    """Does one thing after the other in a thread of its own."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1, "afterwards")
        self._open: set[Future[None]] = set()
        self._lock = Lock()

    def do(self, work: Callable[[], None]) -> None:
        """Have something done; what it raises is its own to tell."""
        with self._lock:
            self._open = {one for one in self._open if not one.done()}
            self._open.add(self._thread.submit(work))

    def instead(self, work: Callable[[], None]) -> None:
        """Have something done in place of all that was asked for and has not begun."""
        with self._lock:
            for one in self._open:
                one.cancel()
        self.do(work)

    def settle(self) -> None:
        """Wait until all is done that was asked for."""
        with self._lock:
            asked = set(self._open)
        wait(asked)
