"""The pose engine in a process of its own: where a picture lies in, landmarks out.

`main` is started by `landing_analysis.landmarks.workers`; this is the only module that imports
mediapipe. A process of its own, because the engine uses one thread, writes remarks
to stderr that no setting stops, and after an error can only be thrown away whole.

Standard input carries a pickled `Order`, then a pickled `Question` for each picture in memory that
both processes see. Every one is answered on standard output by a pickled
`Ready`, a `Sight`, or a `Refusal`. Both ends are this package on this machine.

The bundle's two networks are asked one by one, each in a bundle of its own beside a stand-in
(`data/build_pose_model.py`): a landmark network that answers with the corners of the detector's
window, and a detector that always reports the whole picture, which is then the cut-out of one
window.
The landmarks are those of the bundle as a whole, but for rounding.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import zipfile
from contextlib import ExitStack
from dataclasses import dataclass
from importlib.resources import files
from io import BytesIO
from multiprocessing import resource_tracker, shared_memory
from types import ModuleType
from typing import TYPE_CHECKING, BinaryIO, NamedTuple

import numpy as np

from landing_analysis.landmarks.windows import to_picture, window_of
from landing_analysis.tables import N_LANDMARKS, FloatArray, Picture

if TYPE_CHECKING:
    from mediapipe.tasks.python.vision import PoseLandmarker, PoseLandmarkerResult

VALUES = 6  # x, y in pixels, visibility, world x, y, z in metres
WINDOW_VALUES = 4
_DETECTOR, _LANDMARKS = "pose_detector.tflite", "pose_landmarks_detector.tflite"
_WHOLE_PICTURE, _CORNERS = "whole_picture.tflite", "corners.tflite"
_CUT_OUT_PX = 256  # definition: of the landmark network's picture


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
    """Which picture is looked at, by its place, and in which window, (4,); None for everybody."""

    place: int
    window_px: FloatArray | None = None


class Sight(NamedTuple):
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
            question: Question = pickle.load(requests)
        except EOFError:
            return
        _answer(answers, eyes.look(question))


def _answer(answers: BinaryIO, what: Sight | Ready | Refusal) -> None:
    pickle.dump(what, answers, protocol=5)
    answers.flush()


def _attached(name: str) -> shared_memory.SharedMemory:
    """Open the memory of the process that made it, which also takes it away."""
    resource_tracker.register = lambda *_: None  # else this process would take it away as well
    return shared_memory.SharedMemory(name)


class _Eyes:
    """Looks at single pictures: no memory, no smoothing, no lag."""

    def __init__(self, order: Order) -> None:
        detector, landmarks = _networks(order.bundle)
        with ExitStack() as stack:
            self._detector = stack.enter_context(
                _landmarker(_bundle(detector, _own(_CORNERS)), order.max_people)
            )
            self._landmarks = stack.enter_context(
                _landmarker(_bundle(_own(_WHOLE_PICTURE), landmarks), 1)
            )
            self._open = stack.pop_all()
        self._memory = _attached(order.memory)
        self._pictures: Picture = np.ndarray(order.shape, np.uint8, self._memory.buf)

    def __enter__(self) -> _Eyes:
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    def look(self, question: Question) -> Sight:
        """Return what is seen in one picture; of everybody, where a given window shows nobody."""
        rgb = self._pictures[question.place]
        if question.window_px is not None:
            people, _ = self._seen_in(rgb, question.window_px[None])
            if len(people):
                return Sight(people, np.full((1, WINDOW_VALUES), np.nan))
        return self._seen_in(rgb, self._windows(rgb))

    def _windows(self, rgb: Picture) -> FloatArray:
        """Return the windows that the detector lays around everybody, (people, 4)."""
        size_px = rgb.shape[1::-1]
        found = self._detector.detect(_image(rgb)).pose_landmarks
        windows = [
            window_of(np.array([(point.x, point.y) for point in points[:3]]) * size_px)
            for points in found
        ]
        return np.array(windows).reshape(-1, WINDOW_VALUES)

    def _seen_in(self, rgb: Picture, windows_px: FloatArray) -> Sight:
        import cv2

        people: list[FloatArray] = []
        shown: list[FloatArray] = []
        for window_px in windows_px:
            back = to_picture(window_px, _CUT_OUT_PX)
            # As the engine itself cuts out: the places count from the first pixel's edge, its
            # sampling from the centre, and beyond the picture its edge goes on.
            cut_out = cv2.warpAffine(
                rgb,
                back,
                (_CUT_OUT_PX, _CUT_OUT_PX),
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )
            seen = self._landmarks.detect(_image(cut_out.astype(np.uint8, copy=False)))
            for person in _people(seen, back):
                people.append(person)
                shown.append(window_px)
        return Sight(
            np.array(people).reshape(-1, N_LANDMARKS, VALUES),
            np.array(shown).reshape(-1, WINDOW_VALUES),
        )


def _networks(bundle: bytes) -> tuple[bytes, bytes]:
    """Return the detector and the landmark network of a bundle."""
    try:
        with zipfile.ZipFile(BytesIO(bundle)) as archive:
            return archive.read(_DETECTOR), archive.read(_LANDMARKS)
    except (zipfile.BadZipFile, KeyError, NotImplementedError) as error:
        raise ValueError(_first_line(error).strip("'\"")) from error


def _own(name: str) -> bytes:
    return (files("landing_analysis") / "data" / name).read_bytes()


def _bundle(detector: bytes, landmarks: bytes) -> bytes:
    """Pack two networks as the engine wants them: not compressed."""
    packed = BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(_DETECTOR, detector)
        archive.writestr(_LANDMARKS, landmarks)
    return packed.getvalue()


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


def _people(result: PoseLandmarkerResult, back: FloatArray) -> FloatArray:
    """Return who was seen in a cut-out, (people, 33, 6).

    x and y in pixels from the centre of the picture's top-left pixel, visibility, and
    x, y, z in metres from mid-hip. ``back`` is `to_picture` of the window.
    """
    upright = back[:, :2] / np.hypot(*back[:, 0])
    found = np.empty((len(result.pose_landmarks), N_LANDMARKS, VALUES))
    for person, points in enumerate(result.pose_landmarks):
        places = result.pose_world_landmarks[person]
        cut_out_px = _CUT_OUT_PX * np.array([(point.x, point.y) for point in points])
        # The engine counts from the outer edge of the first pixel.
        found[person, :, :2] = cut_out_px @ back[:, :2].T + back[:, 2] - 0.5
        found[person, :, 2] = [point.visibility for point in points]
        found[person, :, 3:] = [(place.x, place.y, place.z) for place in places]
        found[person, :, 3:5] = found[person, :, 3:5] @ upright.T
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
