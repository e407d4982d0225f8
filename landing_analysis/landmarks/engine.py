"""The pose engine in a process of its own: pictures in by standard input, landmarks out.

`main` is started by `landing_analysis.landmarks.pose`; this is the only module that imports
mediapipe. A process of its own, because the engine uses one thread, writes remarks
to stderr that no setting stops, and after an error can only be thrown away whole.

Standard input carries a pickled `Order`, then pictures, (height, width, 3) each.
Every one is answered on standard output by a pickled `Ready`, a (people, 33, 6)
array, or a `Refusal`. Both ends are this package on this machine.
"""

from __future__ import annotations

import os
import pickle
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO

import numpy as np

from landing_analysis.tables import N_LANDMARKS, FloatArray, Picture

if TYPE_CHECKING:
    from mediapipe.tasks.python.vision import PoseLandmarker

VALUES = 6  # x, y in pixels, visibility, world x, y, z in metres


@dataclass(frozen=True)
class Order:
    """What a worker is asked to make: a landmarker for at most ``max_people``."""

    bundle: bytes
    max_people: int


@dataclass(frozen=True)
class Ready:
    """The landmarker was made."""


@dataclass(frozen=True)
class Refusal:
    """Why the engine cannot go on, in one sentence."""

    sentence: str


def main() -> None:
    """Serve one client until it closes its end."""
    requests = sys.stdin.buffer
    # What native code prints must not get among the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    order: Order = pickle.load(requests)
    try:
        landmarker = _make_landmarker(order)
    except ImportError as error:
        _answer(answers, Refusal(_missing_part(error)))
        return
    except (RuntimeError, ValueError, OSError) as error:
        sentence = f"The pose engine refuses the model ({_first_line(error)}); name a pose bundle."
        _answer(answers, Refusal(sentence))
        return
    with landmarker:
        _answer(answers, Ready())
        try:
            _serve(landmarker, requests, answers)
        except (RuntimeError, ValueError) as error:
            _answer(answers, Refusal(f"The pose engine stopped: {_first_line(error)}."))


def _serve(landmarker: PoseLandmarker, requests: BinaryIO, answers: BinaryIO) -> None:
    while True:
        try:
            rgb = pickle.load(requests)
        except EOFError:
            return
        _answer(answers, detect(landmarker, rgb))


def _answer(answers: BinaryIO, what: FloatArray | Ready | Refusal) -> None:
    pickle.dump(what, answers, protocol=5)
    answers.flush()


def _make_landmarker(order: Order) -> PoseLandmarker:
    """Make a landmarker in single-picture mode: no memory, no smoothing, no lag."""
    # Otherwise the engine searches for a sound library, with a compiler if there is one.
    sys.modules["sounddevice"] = None  # type: ignore[assignment]
    from mediapipe.tasks.python import BaseOptions, vision

    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_buffer=order.bundle),
        running_mode=vision.RunningMode.IMAGE,
        num_poses=order.max_people,
    )
    return vision.PoseLandmarker.create_from_options(options)


def detect(landmarker: PoseLandmarker, rgb: Picture) -> FloatArray:
    """Look for people in one picture.

    Parameters
    ----------
    landmarker : of mediapipe
    rgb : (height, width, 3) uint8; contiguous, since the engine ignores strides

    Returns
    -------
    (people, 33, 6)
        x and y in pixels from the centre of the top-left pixel, visibility, and
        x, y, z in metres from mid-hip.
    """
    import mediapipe as mp

    height, width = rgb.shape[:2]
    result = landmarker.detect(mp.Image(image_format=mp.ImageFormat.SRGB, data=rgb))
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
