"""What every measure of a clip is read from, and what a reading of it is."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from landing_analysis.maths.kinematics import fppa_deg
from landing_analysis.measures.alignment import Doubts, fppa_doubts
from landing_analysis.measures.knee import NearKnee, SecondLook, near_knee
from landing_analysis.measures.offsets import SetOffset
from landing_analysis.reasons import Code, Number, Reason, because
from landing_analysis.settings import Settings
from landing_analysis.tables import LANDMARK, FloatArray, Limb, Rep, Tracks, ViewEstimate

Points = tuple[FloatArray, FloatArray, FloatArray]
LEG = ("hip", "knee", "ankle")


class Reading(NamedTuple):
    """A value with the named parts of its standard uncertainty and its frames.

    ``before`` is the value before the pose model's offset was taken off.
    """

    value: float
    parts: tuple[tuple[str, float], ...]
    frames: tuple[int, ...]
    before: float | None = None


class NotMeasurableError(Exception):
    """A measure cannot be read from this rep."""

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason.code)
        self.reason = reason


def not_measurable(code: Code, **numbers: Number) -> NotMeasurableError:
    """Return the error that a measure cannot be read, for a reason."""
    return NotMeasurableError(because(code, **numbers))


class Instant(NamedTuple):
    """An event with its uncertainty split by what errs alike.

    One event, a limb's events, those of both limbs; ``rep_sd_s`` is of both limbs' in one rep.
    """

    t_s: float
    own_sd_s: float
    limb_sd_s: float
    both_limbs_sd_s: float = 0.0
    rep_sd_s: float = 0.0

    @property
    def single_sd_s(self) -> float:
        """What is not the same in another rep."""
        return math.hypot(self.own_sd_s, self.rep_sd_s)

    @property
    def shared_sd_s(self) -> float:
        """What all such events of one limb in a clip share."""
        return math.hypot(self.limb_sd_s, self.both_limbs_sd_s)


@dataclass(frozen=True)
class Scene:
    """What every measure of a clip is read from."""

    tracks: Tracks
    view: ViewEstimate
    settings: Settings
    offset: SetOffset
    reps: tuple[Rep, ...]
    second_look: SecondLook | None = None

    @property
    def from_behind(self) -> bool:
        """Whether the clip shows the patient's back."""
        return self.view.view == "back"

    @property
    def yaw_deg(self) -> float:
        """Turn out of the view, 0 where it could not be seen."""
        return self.view.yaw_deg if math.isfinite(self.view.yaw_deg) else 0.0

    @property
    def toward_left(self) -> float:
        """+1 where the patient's left is on the right of the picture (front view), else -1."""
        return -1.0 if self.from_behind else 1.0

    @cached_property
    def step_s(self) -> float:
        """Usual interval between frames."""
        return float(np.median(np.diff(self.tracks.t_s)))

    def points(self, name: str) -> FloatArray:
        """Return (n, 2) of one landmark, unfiltered, NaN where it was not seen."""
        if name not in self._points:
            column = LANDMARK[name]
            bridged = self.tracks.filled[:, column, None]
            self._points[name] = np.where(bridged, np.nan, self.tracks.raw_px[:, column])
        return self._points[name]

    @cached_property
    def _points(self) -> dict[str, FloatArray]:
        """Return what `points` has worked out so far: every rep asks for the same again."""
        return {}

    def middle(self, part: str) -> FloatArray:
        """Return (n, 2), the middle of the left and right landmark of a name."""
        middle: FloatArray = 0.5 * (self.points(f"left_{part}") + self.points(f"right_{part}"))
        return middle

    def leg(self, limb: Limb) -> Points:
        """Return hip, knee and ankle of a limb, (n, 2) each, unfiltered."""
        hip, knee, ankle = (self.points(f"{limb}_{part}") for part in LEG)
        return hip, knee, ankle

    def smooth_leg(self, limb: Limb) -> Points:
        """Return hip, knee and ankle of a limb, (n, 2) each, low-passed."""
        hip, knee, ankle = (self.tracks.xy_px[:, LANDMARK[f"{limb}_{part}"]] for part in LEG)
        return hip, knee, ankle

    def fppa(self, limb: Limb) -> tuple[FloatArray, FloatArray]:
        """Return a limb's FPPA over the clip: unfiltered, and low-passed."""
        if limb not in self._fppas:
            unfiltered, smooth = (
                fppa_deg(*leg, limb, self.from_behind)
                for leg in (self.leg(limb), self.smooth_leg(limb))
            )
            self._fppas[limb] = unfiltered, smooth
        return self._fppas[limb]

    @cached_property
    def _fppas(self) -> dict[Limb, tuple[FloatArray, FloatArray]]:
        """Return what `fppa` has worked out so far."""
        return {}

    def fppa_doubts(self, limb: Limb) -> Doubts:
        """Return in which frames the FPPA of a limb cannot be read, and why."""
        if limb not in self._doubts:
            self._doubts[limb] = fppa_doubts(self.tracks, limb, self.settings.alignment)
        return self._doubts[limb]

    @cached_property
    def _doubts(self) -> dict[Limb, Doubts]:
        """Return what `fppa_doubts` has worked out so far."""
        return {}

    @cached_property
    def near_knee(self) -> NearKnee:
        """Return how the knee near to the camera of a side view is read."""
        limb = self._near_limb
        return near_knee(
            self.smooth_leg(limb), limb, self.reps, self.tracks.t_s, self.settings.knee,
            self.second_look,
        )  # fmt: skip

    @cached_property
    def flexion(self) -> tuple[FloatArray, FloatArray]:
        """Return the near knee's flexion over the clip: unfiltered, and low-passed."""
        unfiltered, smooth = (
            self.near_knee.flexion_deg(leg, self.yaw_deg, self.settings.knee)
            for leg in (self.leg(self._near_limb), self.smooth_leg(self._near_limb))
        )
        return unfiltered, smooth

    @property
    def _near_limb(self) -> Limb:
        if self.view.near_limb is None:
            raise not_measurable(
                Code.VIEW_CANNOT_SHOW, view=self.view.view, needs="side of this limb"
            )
        return self.view.near_limb

    def noise(self, *names: str) -> tuple[float, ...]:
        """Return the standard deviation of named landmarks in one frame, px."""
        return tuple(float(self.tracks.noise_px[LANDMARK[name]]) for name in names)

    def across(self, points: FloatArray) -> FloatArray:
        """Return positions across the picture, at right angles to gravity, right positive."""
        down = self.tracks.down
        across: FloatArray = points @ np.array([down[1], -down[0]])
        return across


LimbReader = Callable[[Scene, Rep, Limb], Reading]
"""Reads a measure of one limb of a rep; raises NotMeasurableError."""
BodyReader = Callable[[Scene, Rep], Reading]
"""Reads a measure of a rep that is no limb's; raises NotMeasurableError."""
