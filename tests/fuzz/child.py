"""A child process that answers line by line and may crash or hang without taking us along."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from queue import Empty, SimpleQueue
from threading import Thread

MEMORY_BYTES = 4 << 30
_START = "import sys; sys.path[:] = {path!r}; from fuzz import {module}; {module}.serve()"


class Child:
    """Asks ``fuzz.<module>.serve`` until that crashes, hangs or is stopped."""

    def __init__(self, module: str, longest_s: float) -> None:
        self._module, self._longest_s = module, longest_s
        self._start()

    def _start(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", _START.format(path=sys.path, module=self._module)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self._lines: SimpleQueue[str] = SimpleQueue()
        Thread(target=self._listen, args=(self._process, self._lines), daemon=True).start()
        if self._lines.get(timeout=300.0) != "ready":
            raise RuntimeError("the child process does not start")

    @staticmethod
    def _listen(process: subprocess.Popen[str], lines: SimpleQueue[str]) -> None:
        for line in process.stdout:
            lines.put(line.strip())
        lines.put("")

    def ask(self, about: object) -> str:
        """Return the answer, or ``hang: ...`` or ``crash: ...``."""
        self._process.stdin.write(json.dumps(about) + "\n")
        self._process.stdin.flush()
        try:
            answer = self._lines.get(timeout=self._longest_s)
        except Empty:
            answer = "hang: no answer in time"
        if not answer:
            answer = f"crash: exit code {self._process.wait()}"
        if answer.startswith(("hang", "crash")):
            self.stop()
            self._start()
        return answer

    def stop(self) -> None:
        """End the child."""
        self._process.kill()
        self._process.wait()
        self._process.stdin.close()
        self._process.stdout.close()


def answer_all(answer: Callable[[object], str]) -> None:
    """Answer what comes on standard input, each with one line; with little memory."""
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    except (ImportError, ValueError):
        pass  # no such limit on this system
    _say("ready")
    for line in sys.stdin:
        _say(answer(json.loads(line)).replace("\n", " "))


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()
