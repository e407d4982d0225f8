"""The two networks of a pose bundle: a picture in, windows and bodies out.

The only module that imports the networks' runtime. `network_answers` says what their numbers mean.
Pictures are shown to them as their publisher's own engine does
(tests/accuracy/methods/pose_engine.md).
"""

from __future__ import annotations

import zipfile
from io import BytesIO

import cv2
import numpy as np
from ai_edge_litert.interpreter import Interpreter
from numpy.typing import NDArray

from landing_analysis.landmarks import network_answers as answers
from landing_analysis.landmarks.windows import WINDOW_VALUES, to_picture
from landing_analysis.tables import N_LANDMARKS, FloatArray, Picture

_DETECTOR, _LANDMARKS = "pose_detector.tflite", "pose_landmarks_detector.tflite"
_DETECTOR_PX, _LANDMARKS_PX = 224, 256
_WHITE = 255
_BOXES = (1, answers.ANCHORS, answers.BOX_VALUES)
_SCORES = (1, answers.ANCHORS, 1)
_POINTS = (1, answers.POINTS * answers.POINT_VALUES)
_PLACES = (1, answers.POINTS * answers.PLACE_VALUES)
_MAPS = (1, answers.MAP_CELLS, answers.MAP_CELLS, answers.POINTS)
_THERE = (1, 1)


class Networks:
    """The detector and the landmark network of one bundle, on one thread.

    Parameters
    ----------
    bundle : bytes of the file
    max_people : found at most in one picture

    Raises
    ------
    ValueError, RuntimeError
        When these are not the networks of a pose bundle.
    """

    def __init__(self, bundle: bytes, max_people: int) -> None:
        detector, landmarks = _members(bundle)
        self._detector = _Network(detector, _DETECTOR_PX, (_BOXES, _SCORES))
        self._landmarks = _Network(landmarks, _LANDMARKS_PX, (_POINTS, _PLACES, _MAPS, _THERE))
        self._max_people = max_people

    def windows(self, rgb: Picture) -> FloatArray:
        """Return the windows around everybody whom the detector sees, (people, 4)."""
        height, width = rgb.shape[:2]
        whole = np.array([width / 2, height / 2, max(width, height), 0.0])
        to_px = to_picture(whole, _DETECTOR_PX)
        small = _cut_out(rgb, to_px, _DETECTOR_PX, cv2.BORDER_CONSTANT)
        self._detector.show(small * np.float32(2 / _WHITE) - 1)  # from -1 to 1
        boxes, scores = (self._detector.answer(shape)[0] for shape in (_BOXES, _SCORES))
        return answers.windows_of(boxes, scores[:, 0], _DETECTOR_PX, to_px, self._max_people)

    def bodies(self, rgb: Picture, windows_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Look into windows, (n, 4); return who is there, (people, 33, 6), and in which of them.

        x and y in pixels from the centre of the picture's top-left pixel, visibility, and
        x, y, z in metres from mid-hip.
        """
        found = [(self._body(rgb, window_px), window_px) for window_px in windows_px]
        seen = [(body, window_px) for body, window_px in found if body is not None]
        return (
            np.array([body for body, _ in seen]).reshape(-1, N_LANDMARKS, answers.VALUES),
            np.array([window_px for _, window_px in seen]).reshape(-1, WINDOW_VALUES),
        )

    def _body(self, rgb: Picture, window_px: FloatArray) -> FloatArray | None:
        to_px = to_picture(window_px, _LANDMARKS_PX)
        # Beyond the picture its edge goes on.
        cut_out = _cut_out(rgb, to_px, _LANDMARKS_PX, cv2.BORDER_REPLICATE)
        self._landmarks.show(cut_out * np.float32(1 / _WHITE))
        if not answers.is_there(self._landmarks.answer(_THERE).item()):
            return None
        points, places, maps = (
            self._landmarks.answer(shape)[0] for shape in (_POINTS, _PLACES, _MAPS)
        )
        return answers.body_of(points, places, maps, _LANDMARKS_PX, to_px)


class _Network:
    """One network with one square picture as its input; its answers are told by their shapes."""

    def __init__(self, content: bytes, side_px: int, shapes: tuple[tuple[int, ...], ...]) -> None:
        self._runtime = Interpreter(model_content=content, num_threads=1)
        self._runtime.allocate_tensors()
        (picture,) = self._runtime.get_input_details()
        self._answers = {
            tuple(int(size) for size in told["shape"]): told["index"]
            for told in self._runtime.get_output_details()
        }
        expected = (1, side_px, side_px, 3)
        if tuple(picture["shape"]) != expected or not self._answers.keys() >= set(shapes):
            raise ValueError("its networks have other inputs or outputs")
        self._picture = picture["index"]

    def show(self, picture: NDArray[np.float32]) -> None:
        self._runtime.set_tensor(self._picture, picture[None])
        self._runtime.invoke()

    def answer(self, shape: tuple[int, ...]) -> FloatArray:
        return np.asarray(self._runtime.get_tensor(self._answers[shape]), dtype=float)


def _members(bundle: bytes) -> tuple[bytes, bytes]:
    """Return the detector and the landmark network of a bundle."""
    try:
        with zipfile.ZipFile(BytesIO(bundle)) as archive:
            return archive.read(_DETECTOR), archive.read(_LANDMARKS)
    except (zipfile.BadZipFile, KeyError, NotImplementedError) as error:
        raise ValueError(str(error).strip("'\"")) from error


def _cut_out(rgb: Picture, to_px: FloatArray, side_px: int, beyond: int) -> Picture:
    """Sample a square out of a picture, as the publisher's engine does.

    Its places count from the first pixel's edge, but are sampled as if from the centre, and to
    thirty-seconds of a pixel: sampled otherwise, windows move by a tenth of a pixel and some
    landmarks by a pixel.
    """
    cells = np.arange(side_px)
    x_px, y_px = (
        (row[0] * cells + (row[1] * cells + row[2])[:, None]).astype(np.float32) for row in to_px
    )
    whole, parts = cv2.convertMaps(x_px, y_px, cv2.CV_16SC2)
    cut_out = cv2.remap(rgb, whole, parts, cv2.INTER_LINEAR, borderMode=beyond)
    return cut_out.astype(np.uint8, copy=False)
