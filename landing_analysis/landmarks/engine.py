"""The pose engine in a process of its own: where a picture lies in, landmarks out.

`main` is started by `landing_analysis.landmarks.workers`; this is the only module that imports
mediapipe. A process of its own, because the engine uses one thread, writes remarks
to stderr that no setting stops, and after an error can only be thrown away whole.

Standard input carries a pickled `Order`, then the pickled place of each picture in memory that
both processes see. Every one is answered on standard output by a pickled
`Ready`, a (people, 33, 6) array, or a `Refusal`. Both ends are this package on this machine.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
from contextlib import ExitStack
from dataclasses import dataclass
from multiprocessing import resource_tracker, shared_memory
from types import ModuleType
from typing import TYPE_CHECKING, BinaryIO

import numpy as np

from landing_analysis.tables import N_LANDMARKS, FloatArray, Picture

if TYPE_CHECKING:
    from mediapipe.tasks.python.vision import PoseLandmarker, PoseLandmarkerResult

VALUES = 6  # x, y in pixels, visibility, world x, y, z in metres


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
    with ExitStack() as stack:
        try:
            eyes = stack.enter_context(_Eyes(order))
        except ImportError as error:
            _answer(answers, Refusal(_missing_part(error)))
            return
        except (RuntimeError, ValueError, OSError) as error:
            why = _first_line(error)
            sentence = f"The pose engine refuses the model ({why}); name a pose bundle."
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
            place: int = pickle.load(requests)
        except EOFError:
            return
        _answer(answers, eyes.look(place))


def _answer(answers: BinaryIO, what: FloatArray | Ready | Refusal) -> None:
    pickle.dump(what, answers, protocol=5)
    answers.flush()


def _attached(name: str) -> shared_memory.SharedMemory:
    """Open the memory of the process that made it, which also takes it away."""
    resource_tracker.register = lambda *_: None  # else this process would take it away as well
    return shared_memory.SharedMemory(name)


class _Eyes:
    """Looks at single pictures: no memory, no smoothing, no lag."""

    def __init__(self, order: Order) -> None:
        self._landmarker = _landmarker(order.bundle, order.max_people)
        self._memory = _attached(order.memory)
        self._pictures: Picture = np.ndarray(order.shape, np.uint8, self._memory.buf)

    def __enter__(self) -> _Eyes:
        return self

    def __exit__(self, *_: object) -> None:
        self._landmarker.close()

    def look(self, place: int) -> FloatArray:
        """Return what is seen in one picture, (people, 33, 6)."""
        rgb = self._pictures[place]
        return _people(self._landmarker.detect(_image(rgb)), rgb)


def _landmarker(bundle: bytes, people: int) -> PoseLandmarker:
    # Otherwise the engine searches for a sound library, with a compiler if there is one,
    # and loads a plotting library for drawings that nobody asks for.
    sys.modules["sounddevice"] = None  # type: ignore[assignment]
    for name in ("matplotlib", "matplotlib.pyplot"):
        sys.modules.setdefault(name, ModuleType(name))
    from mediapipe.tasks.python import BaseOptions, vision

    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_buffer=bundle),
        running_mode=vision.RunningMode.IMAGE,
        num_poses=people,
    )
    return vision.PoseLandmarker.create_from_options(options)


def _image(rgb: Picture):  # type: ignore[no-untyped-def]
    import mediapipe as mp

    # Contiguous, since the engine ignores strides.
    return mp.Image(image_format=mp.ImageFormat.SRGB, data=np.ascontiguousarray(rgb))


def _people(result: PoseLandmarkerResult, rgb: Picture) -> FloatArray:
    """Return who was seen, (people, 33, 6).

    x and y in pixels from the centre of the top-left pixel, visibility, and
    x, y, z in metres from mid-hip.
    """
    height, width = rgb.shape[:2]
    found = np.empty((len(result.pose_landmarks), N_LANDMARKS, VALUES))
    for person, points in enumerate(result.pose_landmarks):
        # The engine counts from the outer edge of the first pixel.
        found[person, :, 0] = [point.x * width - 0.5 for point in points]
        found[person, :, 1] = [point.y * height - 0.5 for point in points]
        found[person, :, 2] = [point.visibility for point in points]
        places = result.pose_world_landmarks[person]
        found[person, :, 3:] = [(place.x, place.y, place.z) for place in places]
    return found


def _missing_part(error: ImportError) -> str:
    if ".so" in str(error):
        return (
            f"The pose engine lacks a system library ({_first_line(error)}); "
            "on Debian or Ubuntu install the packages libgl1 and libglib2.0-0."
        )
    return f"The pose engine is not installed ({_first_line(error)}); install the package again."


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")
