"""The pose engine in a process of its own: where a picture lies in, landmarks out.

`main` is started by `landing_analysis.landmarks.workers`, once for each core: native code writes
remarks to stderr that no setting stops, and after an error can only be thrown away whole.

Standard input carries a pickled `Order`, then a pickled `Question` for each picture in memory that
both processes see. Every one is answered on standard output by a pickled
`Ready`, an `Answer`, or a `Refusal`. Both ends are this package on this machine.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
from dataclasses import dataclass
from multiprocessing import resource_tracker, shared_memory
from typing import BinaryIO, NamedTuple

import numpy as np

from landing_analysis.landmarks.windows import WINDOW_VALUES, Relaid
from landing_analysis.tables import FloatArray, Picture


@dataclass(frozen=True)
class Order:
    """What a worker is asked to make, and where pictures will lie.

    Attributes
    ----------
    bundle : of the pose model
    max_people : looked for at most
    memory : name of the shared memory
    shape : (places, height, width, 3) of the pictures in it
    """

    bundle: bytes
    max_people: int
    memory: str
    shape: tuple[int, int, int, int]


class Question(NamedTuple):
    """Which picture is looked at, by its place, and in which window, (4,); None for everybody.

    For everybody in windows of the detector, ``relaid`` where that is wanted.
    """

    place: int
    window_px: FloatArray | None = None
    relaid: Relaid | None = None


class Answer(NamedTuple):
    """Who was seen, (people, 33, 6), and in which windows of the detector, (people, 4).

    NaN where the window was given and the detector not asked.
    """

    people: FloatArray
    windows_px: FloatArray


@dataclass(frozen=True)
class Ready:
    """The landmarker was made."""


@dataclass(frozen=True)
class Refusal:
    """Why the engine cannot go on, in one sentence."""

    sentence: str


def main() -> None:
    """Serve one client until it closes its end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever asks decides when this ends
    requests = sys.stdin.buffer
    # What native code prints must not get among the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    order: Order = pickle.load(requests)
    try:
        eyes = _Eyes(order)
    except ImportError as error:
        _answer(answers, Refusal(_missing_part(error)))
        return
    except (RuntimeError, ValueError, OSError) as error:
        sentence = f"The pose engine refuses the model ({_first_line(error)}); name a pose bundle."
        _answer(answers, Refusal(sentence))
        return
    _answer(answers, Ready())
    try:
        _serve(eyes, requests, answers)
    except (RuntimeError, ValueError) as error:
        _answer(answers, Refusal(f"The pose engine stopped: {_first_line(error)}."))


def _serve(eyes: _Eyes, requests: BinaryIO, answers: BinaryIO) -> None:
    while True:
        try:
            question: Question = pickle.load(requests)
        except EOFError:
            return
        _answer(answers, eyes.look(question))


def _answer(answers: BinaryIO, what: Answer | Ready | Refusal) -> None:
    pickle.dump(what, answers, protocol=5)
    answers.flush()


def _attached(name: str) -> shared_memory.SharedMemory:
    """Open the memory of the process that made it, which also takes it away."""
    resource_tracker.register = lambda *_: None  # else this process would take it away as well
    return shared_memory.SharedMemory(name)


class _Eyes:
    """Looks at single pictures: no memory, no smoothing, no lag."""

    def __init__(self, order: Order) -> None:
        from landing_analysis.landmarks.networks import Networks

        self._networks = Networks(order.bundle, order.max_people)
        self._memory = _attached(order.memory)
        self._pictures: Picture = np.ndarray(order.shape, np.uint8, self._memory.buf)

    def look(self, question: Question) -> Answer:
        """Return what is seen in one picture; of everybody, where a given window shows nobody."""
        rgb = self._pictures[question.place]
        if question.window_px is not None:
            people, _ = self._networks.bodies(rgb, question.window_px[None])
            if len(people):
                return Answer(people, np.full((1, WINDOW_VALUES), np.nan))
        windows_px = self._networks.windows(rgb)
        if question.relaid is not None:
            windows_px = question.relaid.of(windows_px)
        return Answer(*self._networks.bodies(rgb, windows_px))


def _missing_part(error: ImportError) -> str:
    if ".so" in str(error):
        return (
            f"The pose engine lacks a system library ({_first_line(error)}); install the package "
            "that holds it, or ask whoever looks after this machine."
        )
    return f"The pose engine is not installed ({_first_line(error)}); install the package again."


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")
