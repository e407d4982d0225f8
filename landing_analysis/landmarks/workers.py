"""Processes of the pose engine, and the memory that they share with this one.

Pictures go over without being copied into a message: they lie in places of one shared memory,
and a place is given back when nothing more will be asked about its picture.
"""

from __future__ import annotations

import pickle
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import ExitStack, contextmanager, suppress
from multiprocessing.shared_memory import SharedMemory
from pathlib import Path
from queue import Queue
from threading import Thread
from typing import BinaryIO, NamedTuple, Self, cast

import numpy as np

from landing_analysis.errors import ModelError
from landing_analysis.landmarks.engine import Answer, Order, Question, Refusal
from landing_analysis.tables import Picture

Shape = tuple[int, int, int, int]

_START = (
    "import sys; sys.path[:] = {path!r}; from landing_analysis.landmarks.engine import main; main()"
)
_SHARED = Path("/dev/shm")  # where Linux keeps it; writing beyond its end kills the process


class Places:
    """Places for pictures in shared memory; gone with the ``with`` block.

    Attributes
    ----------
    name : of the memory
    shape : (places, height, width, 3)
    free : numbers of the places that hold nothing
    """

    def __init__(self, shape: Shape) -> None:
        self.shape = shape
        size = int(np.prod(shape))
        if _SHARED.is_dir() and shutil.disk_usage(_SHARED).free < size:
            raise ModelError(
                f"The pose engine needs {size / 1e6:.0f} MB of shared memory, and {_SHARED} has "
                "less; give the container or the machine more of it."
            )
        self._memory = SharedMemory(create=True, size=size)
        self._pictures: Picture | None = np.ndarray(shape, np.uint8, self._memory.buf)
        self.name = self._memory.name
        self.free = list(range(shape[0]))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pictures = None
        self._memory.close()
        self._memory.unlink()

    def keep(self, rgb: Picture) -> int:
        """Put a picture into a free place, and return its number."""
        place = self.free.pop()
        self.picture(place)[:] = rgb
        return place

    def picture(self, place: int) -> Picture:
        """Return the picture that lies in a place."""
        picture: Picture = cast(Picture, self._pictures)[place]
        return picture


class Engines:
    """Engine processes; whichever has least to do looks next."""

    def __init__(self, workers: list[_Worker]) -> None:
        self._workers = workers

    def look(self, question: Question) -> Future[Answer]:
        """Look at one picture."""
        return min(self._workers, key=lambda worker: worker.waiting).look(question)


@contextmanager
def engines(workers: int, bundle: bytes, max_people: int, places: Places) -> Iterator[Engines]:
    """Start engine processes that look at pictures in some places."""
    order = Order(bundle, max_people, places.name, places.shape)
    with ExitStack() as stack:
        yield Engines([stack.enter_context(_Worker(order)) for _ in range(workers)])


class _Asked(NamedTuple):
    """What waits for a process; no question ends it."""

    question: Question | None
    answer: Future[Answer]


class _Worker:
    """The near end of one engine process, which dies with the ``with`` block."""

    def __init__(self, order: Order) -> None:
        self.waiting = 0
        self._queue: Queue[_Asked] = Queue()
        # Native code speaks here; what it said is told only when the process ends by itself.
        self._remarks = tempfile.TemporaryFile()  # noqa: SIM115
        self._process = subprocess.Popen(
            [sys.executable, "-c", _START.format(path=sys.path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._remarks,
        )
        self._thread = Thread(target=self._serve, args=(order,), daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()
        self._put(None)
        self._thread.join()
        for pipe in (self._process.stdin, self._process.stdout, self._remarks):
            with suppress(OSError):
                cast(BinaryIO, pipe).close()

    def look(self, question: Question) -> Future[Answer]:
        """Look at one picture when its turn has come."""
        self.waiting += 1
        return self._put(question)

    def _put(self, question: Question | None) -> Future[Answer]:
        answer: Future[Answer] = Future()
        self._queue.put(_Asked(question, answer))
        return answer

    def _serve(self, order: Order) -> None:
        """Ask what waits, one after the other; once the process is gone all fails alike."""
        failure: BaseException | None = None
        try:
            self._send(order)
        except ModelError as error:
            failure = error
        while (asked := self._queue.get()).question is not None:
            try:
                if failure is not None:
                    raise failure
                asked.answer.set_result(cast(Answer, self._send(asked.question)))
            except ModelError as error:
                failure = error
                asked.answer.set_exception(error)
            self.waiting -= 1

    def _send(self, what: Order | Question) -> object:
        requests = cast(BinaryIO, self._process.stdin)
        answers = cast(BinaryIO, self._process.stdout)
        try:
            pickle.dump(what, requests, protocol=5)
            requests.flush()
            answer = pickle.load(answers)
        except (OSError, EOFError, pickle.UnpicklingError) as error:
            raise self._death() from error
        if isinstance(answer, Refusal):
            raise ModelError(answer.sentence)
        return answer

    def _death(self) -> ModelError:
        code = self._process.wait()
        self._remarks.seek(0)
        remarks = self._remarks.read().decode(errors="replace").strip()
        error = ModelError(
            f"The pose engine ended by itself (exit code {code}), perhaps for want of memory; "
            "close other programs and analyse the clip again."
        )
        error.add_note(remarks)
        return error
