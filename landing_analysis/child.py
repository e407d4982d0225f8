"""Work in a process of its own, which ends when the one that asked for it does, however that ended.

The order goes to its standard input, and what it says comes back on its standard output, pickled
word by word. Both ends are this package on this machine.
"""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from typing import Any, BinaryIO, Self, cast

from landing_analysis.errors import InterruptedAnalysisError
from landing_analysis.progress import Progress, StartProgress, no_progress

_START = "import sys; sys.path[:] = {path!r}; from landing_analysis.child import serve; serve()"
_LAST_WORDS_S = 10.0  # a process that fell silent has ended or never will (choice)
_LIVING: set[Child] = set()
_TELL_EVERY_S = 0.1  # so that telling costs nothing, and a pipe that nobody reads does not fill


class Child:
    """The near end of a process that runs one function; it dies with the ``with`` block.

    Parameters
    ----------
    function : ``module:name``; called with ``about`` and with what gives the listener of each
        long step
    about : what is sent along; anything that can be pickled
    """

    def __init__(self, function: str, *about: Any) -> None:
        self._function = function
        self._process = subprocess.Popen(
            [sys.executable, "-c", _START.format(path=sys.path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        order = pickle.dumps(about, protocol=5)
        self._stdin = cast(BinaryIO, self._process.stdin)
        self._answers = cast(BinaryIO, self._process.stdout)
        with suppress(BrokenPipeError):  # it has ended, as whoever waits for the result is told
            pickle.dump((function, len(order)), self._stdin)
            self._stdin.write(order)
            self._stdin.flush()  # and stays open: its end tells the other side that we are gone

    def __enter__(self) -> Self:
        _LIVING.add(self)
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()
        self._process.wait()
        _LIVING.discard(self)
        for pipe in (self._stdin, self._answers):
            with suppress(OSError):  # of what it did not take in any more
                pipe.close()

    def kill(self) -> None:
        """Let it end at once, whatever it is about."""
        self._process.kill()

    def result(self, start: StartProgress = no_progress) -> Any:
        """Wait for what the function gives, and raise what it raises.

        Parameters
        ----------
        start : gives the listener of each long step

        Raises
        ------
        InterruptedAnalysisError
            When the process ended without a word.
        """
        progress: Progress | None = None
        try:
            while True:
                word, what = pickle.load(self._answers)
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
        except (EOFError, pickle.UnpicklingError) as error:
            self._process.wait(_LAST_WORDS_S)
            raise InterruptedAnalysisError(
                f"The process for {self._function.rpartition(':')[2]} ended without a word "
                f"(code {self._process.returncode})."
            ) from error


def kill_all() -> None:
    """Let every process end that some thread of ours waits for."""
    for child in tuple(_LIVING):
        child.kill()


# --- the other side ----------------------------------------------------------------------------


def serve() -> None:
    """Run the function that standard input asks for and answer on standard output."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever asks decides when this ends
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints is not an answer
    function, length = pickle.load(sys.stdin.buffer)
    order = sys.stdin.buffer.read(length)
    threading.Thread(target=_end_with_the_other_side, daemon=True).start()

    def say(word: str, what: object) -> None:
        pickle.dump((word, what), out)
        out.flush()

    def start(label: str, steps: int) -> Progress:
        say("start", (label, steps))
        return _Told(say)

    module, _, name = function.partition(":")
    try:
        result = getattr(import_module(module), name)(*pickle.loads(order), start)
    except Exception as error:
        say("error", error)
    else:
        say("result", result)


def _end_with_the_other_side() -> None:
    sys.stdin.buffer.read()
    os._exit(1)


class _Told:
    """Tells the other side how far a step is, now and then."""

    def __init__(self, say: Callable[[str, object], None]) -> None:
        self._say = say
        self._untold = 0
        self._told_s = time.monotonic()

    def advance(self, n: int) -> None:
        self._untold += n
        if time.monotonic() - self._told_s >= _TELL_EVERY_S:
            self._tell()

    def close(self) -> None:
        self._tell()
        self._say("close", None)

    def _tell(self) -> None:
        self._say("advance", self._untold)
        self._untold = 0
        self._told_s = time.monotonic()
