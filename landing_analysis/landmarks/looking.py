"""Who is looked for in a frame: everybody, or the one who is known to be there alone.

Looking for everybody costs twice as much as following one person, which starts from where that
person was last seen. What followers see depends on the frames before. So that it depends on nothing
else, not on the number of processes nor on whether a stopped search went on, there is
a fixed number of followers ("lanes"), who take turns, and who forget all when a stretch of ten
seconds begins. A frame in which one has lost the person is looked at for everybody.
"""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future
from dataclasses import dataclass

import numpy as np

from landing_analysis.landmarks.engine import Look
from landing_analysis.landmarks.workers import Engines, Places
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import LANDMARK, FloatArray, Frame, Picture, Seen

_SHOULDERS = [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]
_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]


@dataclass(frozen=True)
class _Asked:
    """A frame whose picture lies in a place while it is looked at."""

    number: int
    t_s: float
    place: int
    answer: Future[FloatArray]
    expected: FloatArray | None


class Looking:
    """Takes frames one by one, and gives what is seen in them, in order.

    Parameters
    ----------
    engines : that look
    places : for the pictures
    settings : PoseSettings
    """

    def __init__(self, engines: Engines, places: Places, settings: PoseSettings) -> None:
        self._engines, self._places, self._settings = engines, places, settings
        self._asked: deque[_Asked] = deque()
        self._stretch = -1
        self._last_s = -np.inf
        self._turn = 0
        self._anew = True

    @property
    def waits(self) -> bool:
        """Whether frames were added that nobody took yet."""
        return bool(self._asked)

    @property
    def full(self) -> bool:
        """Whether a frame must be taken before another one can be added."""
        return not self._places.free

    def add(self, frame: Frame, rgb: Picture, stretch: int, expected: FloatArray | None) -> None:
        """Add the next frame.

        Parameters
        ----------
        frame : whose number and time are kept
        rgb : its picture, which is not needed afterwards
        stretch : that it belongs to
        expected : the one person who must be there, (33, 2) pixels; None to look for everybody
        """
        place = self._places.keep(rgb)
        answer = (
            self._engines.everybody(place)
            if expected is None
            else self._engines.one(self._look(place, frame.t_s, stretch))
        )
        self._asked.append(_Asked(frame.number, frame.t_s, place, answer, expected))

    def take(self) -> Seen:
        """Wait for what is seen in the earliest frame that was not taken yet."""
        asked = self._asked.popleft()
        people = asked.answer.result()
        if asked.expected is not None and not self._is_there(people, asked.expected):
            people = self._engines.everybody(asked.place).result()
        self._places.free.append(asked.place)
        return Seen(asked.number, asked.t_s, people)

    def _look(self, place: int, t_s: float, stretch: int) -> Look:
        lanes = self._settings.lanes
        anew = stretch != self._stretch
        if anew or t_s - self._last_s > self._settings.out_of_sight_s:
            self._turn = 0
        self._stretch, self._last_s = stretch, t_s
        if self._turn == 0:
            self._anew = anew
        first = self._turn < lanes
        look = Look(place, self._turn % lanes, anew=first and self._anew, forget=first)
        self._turn += 1
        return look

    def _is_there(self, people: FloatArray, expected: FloatArray) -> bool:
        """Tell whether one person was found, about where they are expected."""
        if len(people) != 1:
            return False
        (middle, torso_px), (place, _) = _torso(people[0, :, :2]), _torso(expected)
        reach_px = self._settings.followed_torsos * torso_px
        return bool(np.linalg.norm(middle - place) <= reach_px)


def _torso(xy_px: FloatArray) -> tuple[FloatArray, float]:
    """Return the middle, (2,), of a person's torso and its length, pixels."""
    shoulders, hips = (xy_px[corners].mean(axis=0) for corners in (_SHOULDERS, _HIPS))
    return 0.5 * (shoulders + hips), float(np.linalg.norm(shoulders - hips))
