"""(Reps, Tracks, View) -> Measures: a row per rep, limb and measure, with uncertainty and frames.

Values at an instant are fitted to the unfiltered tracks (`readings`), without the samples
that were bridged across gaps. The low-pass filtered tracks only show where to look, so
that the filter cannot smear an impact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from landing_analysis.definitions import (
    DEFINITIONS,
    FRONTAL_VIEWS,
    SIDE_VIEWS,
    Definition,
)
from landing_analysis.exercises import has_measure
from landing_analysis.maths.kinematics import (
    false_fppa_deg,
    flexion_deg,
    flexion_from_seen_deg,
    flexion_from_shortening_deg,
    flight_height_m,
    flight_height_sd_m,
    fppa_deg,
    joint_angle_sd_deg,
    tilt_deg,
)
from landing_analysis.maths.statistics import Z_95
from landing_analysis.measures.alignment import Doubts, doubt_at, fppa_doubts
from landing_analysis.measures.hip_lead import halfway
from landing_analysis.measures.knee import (
    offset_sd_deg,
    side_flexion_deg,
    stands_alone,
    straight_leg_px,
)
from landing_analysis.measures.offsets import SecondLook, SetOffset, set_offset
from landing_analysis.measures.readings import Fit, largest_value, value_at, value_at_impact
from landing_analysis.measures.summaries import (
    BOTH_LIMBS_TIMING,
    MODEL_TIMING,
    NOISE,
    OFFSET,
    OFFSET_PARTS,
    TIMING,
    VERTICAL,
    YAW,
)
from landing_analysis.reasons import Code, Number, Reason, because
from landing_analysis.reps.signs import is_beside_gap, segment_tilts_deg, swing_of
from landing_analysis.settings import Settings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    VIEWS,
    Contact,
    Event,
    Flight,
    FloatArray,
    Limb,
    Measure,
    Measures,
    Rep,
    Reps,
    Tracks,
    UncertaintyPart,
    ViewEstimate,
)

Points = tuple[FloatArray, FloatArray, FloatArray]

_OF_TAKE_OFF_LIMB = frozenset({"flight_time", "jump_height"})
"""Whole-body measures that belong to the limb that left the ground alone."""
_OF_LANDING_LIMB = frozenset({"reactive_strength_index"})
"""Whole-body measures that belong to the limb that landed alone and left again."""
_TIMES = frozenset({"contact_time", "time_to_peak_flexion", "drive_time", "glide_time"})
"""Measures of a limb that are read from its contact and the pelvis, not from its points."""
_LEG = ("hip", "knee", "ankle")


class Reading(NamedTuple):
    """A value with the named parts of its standard uncertainty and its frames.

    ``before`` is the value before the pose model's offset was taken off.
    """

    value: float
    parts: tuple[tuple[str, float], ...]
    frames: tuple[int, ...]
    before: float | None = None


class _NotMeasurableError(Exception):
    """A measure cannot be read from this rep."""

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason.code)
        self.reason = reason


def _no(code: Code, **numbers: Number) -> _NotMeasurableError:
    return _NotMeasurableError(because(code, **numbers))


class _Instant(NamedTuple):
    """An event with its uncertainty split by what errs alike: one event, a limb's, both limbs'."""

    t_s: float
    own_sd_s: float
    limb_sd_s: float
    both_limbs_sd_s: float = 0.0

    @property
    def shared_sd_s(self) -> float:
        """What all such events of one limb in a clip share."""
        return math.hypot(self.limb_sd_s, self.both_limbs_sd_s)


@dataclass(frozen=True)
class _Scene:
    """What every measure of a clip is read from."""

    tracks: Tracks
    view: ViewEstimate
    settings: Settings
    offset: SetOffset
    reps: tuple[Rep, ...]

    @property
    def from_behind(self) -> bool:
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
        middle: FloatArray = 0.5 * (self.points(f"left_{part}") + self.points(f"right_{part}"))
        return middle

    def leg(self, limb: Limb) -> Points:
        hip, knee, ankle = (self.points(f"{limb}_{part}") for part in _LEG)
        return hip, knee, ankle

    def smooth_leg(self, limb: Limb) -> Points:
        hip, knee, ankle = (self.tracks.xy_px[:, LANDMARK[f"{limb}_{part}"]] for part in _LEG)
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
    def straight_px(self) -> float:
        """Return the straight length of the limb near to the camera of a side view."""
        alone = stands_alone(self._near_limb, self.reps, self.tracks.t_s)
        return straight_leg_px(self.smooth_leg(self._near_limb), self.settings.knee, alone)

    @cached_property
    def flexion(self) -> tuple[FloatArray, FloatArray]:
        """Return the near knee's flexion over the clip: unfiltered, and low-passed."""
        legs = self.leg(self._near_limb), self.smooth_leg(self._near_limb)
        unfiltered, smooth = (
            side_flexion_deg(leg, self.straight_px, self.yaw_deg, self.settings.knee)
            for leg in legs
        )
        return unfiltered, smooth

    @property
    def _near_limb(self) -> Limb:
        if self.view.near_limb is None:
            raise _no(Code.VIEW_CANNOT_SHOW, view=self.view.view, needs="side of this limb")
        return self.view.near_limb

    def noise(self, *names: str) -> tuple[float, ...]:
        return tuple(float(self.tracks.noise_px[LANDMARK[name]]) for name in names)

    def across(self, points: FloatArray) -> FloatArray:
        """Return positions across the picture, at right angles to gravity, right positive."""
        down = self.tracks.down
        across: FloatArray = points @ np.array([down[1], -down[0]])
        return across


def measure_reps(
    reps: Reps,
    tracks: Tracks,
    view: ViewEstimate,
    settings: Settings,
    second_look: SecondLook | None = None,
) -> Measures:
    """Measure every used rep.

    Parameters
    ----------
    reps, tracks, view : of one clip
    settings : Settings
    second_look : as for `offsets.set_offset`

    Returns
    -------
    Measures
        A row for every measure of `definitions` that a used rep can have: with a
        value, or with the reason why there is none. Refused reps have no rows. A rep
        seen in another view than the clip has its times only and stands apart from the set,
        as does a rep of another exercise than the set's, and the rebound of a drop jump.

    Notes
    -----
    FPPA is the angle in the picture, as it is defined, less the pose model's offset where that
    is known for the set (`offsets`). Yaw that is surely there
    (beyond its own 95 % interval) is added to its uncertainty as the false valgus
    it can make; it is not taken off the value. Knee flexion in a side view is
    corrected for the estimated yaw, which changes it by about a degree, and for the
    pose model's hip point, which lies in front of the joint.
    """
    offset = set_offset(reps, tracks, view.view, settings, second_look)
    scene = _Scene(tracks, view, settings, offset, reps.reps)
    return Measures(
        tuple(
            row if rep.exercise == reps.exercise and not rep.rebound else replace(row, of_set=False)
            for rep in reps.reps
            if rep.used
            for row in _measure_rep(rep, scene)
        )
    )


def _measure_rep(rep: Rep, scene: _Scene) -> Iterator[Measure]:
    of_set = rep.view in (None, scene.view.view)
    had = (one for one in DEFINITIONS.values() if has_measure(rep.exercise, one.name))
    for definition in had:
        for limb in _limbs(rep, definition):
            try:
                reading = _read(rep, scene, definition, limb)
            except _NotMeasurableError as error:
                row = Measure(
                    rep.number, definition.name, limb, None, definition.unit, None, error.reason
                )
            else:
                row = _row(rep, definition, limb, reading)
            yield row if of_set else replace(row, of_set=False)


def _limbs(rep: Rep, definition: Definition) -> tuple[Limb | None, ...]:
    if definition.scope == "limb":
        return rep.limbs
    if rep.limbs != LIMBS and definition.name in _OF_LANDING_LIMB:
        return rep.limbs
    if rep.limbs != LIMBS and definition.name in _OF_TAKE_OFF_LIMB:
        left = rep.flight.take_off_limbs
        return left if len(left) == 1 else (None,) if left else rep.limbs
    return (None,)


def _read(rep: Rep, scene: _Scene, definition: Definition, limb: Limb | None) -> Reading:
    if rep.view not in (None, scene.view.view) and not _same_in_all_views(definition):
        raise _no(Code.PATIENT_TURNED, rep_view=rep.view, clip_view=scene.view.view)
    if scene.view.view not in definition.views:
        raise _no(Code.VIEW_CANNOT_SHOW, view=scene.view.view, needs=_needs(definition))
    if definition.scope == "body" or limb is None:
        reading = _BODY_READERS[definition.name](scene, rep)
    else:
        if definition.views == SIDE_VIEWS and limb != scene.view.near_limb:
            raise _no(Code.LIMB_BEHIND_THE_OTHER, limb=limb)
        contact = rep.contact(limb)
        if contact and contact.other_leg_seen and definition.name not in _TIMES:
            raise _no(Code.LEG_TAKEN_FOR_OTHER)
        reading = _LIMB_READERS[definition.name](scene, rep, limb)
    if not np.isfinite([reading.value, *(sd for _, sd in reading.parts)]).all():
        raise _no(Code.LANDMARKS_UNCLEAR)
    return reading


def _row(rep: Rep, definition: Definition, limb: Limb | None, reading: Reading) -> Measure:
    return Measure(
        rep=rep.number,
        name=definition.name,
        limb=limb,
        value=float(reading.value),
        unit=definition.unit,
        sd=math.hypot(*(sd for _, sd in reading.parts)),
        frames=tuple(sorted(set(reading.frames))),
        parts=tuple(UncertaintyPart(name, float(sd)) for name, sd in reading.parts),
        reading=reading.before,
    )


def _same_in_all_views(definition: Definition) -> bool:
    """Whether a measure is read alike in all views, as times between contacts are."""
    return definition.views == VIEWS and definition.name != "time_to_peak_flexion"


def _needs(definition: Definition) -> str:
    """Return the view that a measure needs, in the words of `Code.VIEW_CANNOT_SHOW`."""
    if definition.views == FRONTAL_VIEWS:
        return "frontal"
    return "side of this limb" if definition.scope == "limb" else "side"


# --- intervals -----------------------------------------------------------------------------


def _contact(rep: Rep, limb: Limb) -> Contact:
    contact = rep.contact(limb)
    if contact is None:
        raise _no(Code.LANDING_NOT_SEEN, limb=limb)
    return contact


def _instant(scene: _Scene, event: Event) -> _Instant:
    """Split an event's uncertainty into its own and what all such events of a clip share.

    On rendered clips half of the variance of an edge's error was the same at every
    landing of a clip, so that averaging over reps does not shrink it; four fifths of that were
    the same for both feet, so that it is not in the difference of the limbs.
    """
    shared, limb = scene.settings.contacts.shared_share, scene.settings.contacts.limb_share
    return _Instant(
        event.t_s, *(event.sd_s * math.sqrt(part) for part in (1 - shared, limb, shared - limb))
    )


def _frames_at(scene: _Scene, *instants_s: float) -> tuple[int, ...]:
    """Return the frames on both sides of each instant."""
    after = np.searchsorted(scene.tracks.t_s, instants_s)
    last = len(scene.tracks.t_s) - 1
    return tuple(min(max(int(i) + k, 0), last) for i in after for k in (-1, 0))


def _interval(scene: _Scene, start: _Instant, end: _Instant, scale: float = 1.0) -> Reading:
    parts = (
        (TIMING, scale * math.hypot(start.own_sd_s, end.own_sd_s)),
        (MODEL_TIMING, scale * math.hypot(start.limb_sd_s, end.limb_sd_s)),
        (BOTH_LIMBS_TIMING, scale * math.hypot(start.both_limbs_sd_s, end.both_limbs_sd_s)),
    )
    return Reading((end.t_s - start.t_s) * scale, parts, _frames_at(scene, start.t_s, end.t_s))


def _contact_time(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    contact = _contact(rep, limb)
    if contact.toe_off is None:
        raise _NotMeasurableError(contact.toe_off_reason or because(Code.TOE_OFF_NOT_SEEN))
    start, end = _instant(scene, contact.initial_contact), _instant(scene, contact.toe_off)
    _refuse_held(scene, end.t_s - start.t_s)
    return _interval(scene, start, end)


def _refuse_held(scene: _Scene, stayed_s: float) -> None:
    if stayed_s > scene.settings.contacts.max_contact_s:
        raise _no(Code.LANDING_HELD, held_s=stayed_s)


def _edges(scene: _Scene, flight: Flight) -> tuple[_Instant, _Instant]:
    if flight.take_off is None and flight.take_off_limbs:  # one that is cut off has none
        raise _no(Code.NO_FLIGHT_IN_SHIFT)
    if flight.take_off is None or flight.landing is None:
        raise _no(Code.FLIGHT_CUT_OFF)
    return _instant(scene, flight.take_off), _instant(scene, flight.landing)


def _flight_time(scene: _Scene, rep: Rep) -> Reading:
    return _interval(scene, *_edges(scene, rep.flight))


def _jump_height(scene: _Scene, rep: Rep) -> Reading:
    if scene.tracks.turns:
        raise _no(Code.PULLED_BY_CORDS)
    flight = _flight_time(scene, rep)
    parts = tuple((name, flight_height_sd_m(flight.value, sd)) for name, sd in flight.parts)
    return Reading(flight_height_m(flight.value), parts, flight.frames)


def _reactive_strength_index(scene: _Scene, rep: Rep) -> Reading:
    """Time of the next flight over the time on the ground before it.

    The take-off in between ends the one and starts the other, so that its error counts
    in both; what the landings share counts in both as well.
    """
    if rep.next_flight is None or rep.flight.landing is None:
        raise _no(Code.NO_FLIGHT_FOLLOWS)
    landing = _instant(scene, rep.flight.landing)
    take_off, next_landing = _edges(scene, rep.next_flight)
    ground_s, flight_s = take_off.t_s - landing.t_s, next_landing.t_s - take_off.t_s
    _refuse_held(scene, ground_s)
    index = flight_s / ground_s
    per_flight, per_ground = 1 / flight_s, 1 / ground_s
    both = per_flight + per_ground
    own = math.hypot(
        per_ground * landing.own_sd_s,
        both * take_off.own_sd_s,
        per_flight * next_landing.own_sd_s,
    )
    shared_landing_sd_s = max(landing.shared_sd_s, next_landing.shared_sd_s)
    shared = both * math.hypot(shared_landing_sd_s, take_off.shared_sd_s)
    return Reading(
        index,
        ((TIMING, index * own), (MODEL_TIMING, index * shared)),
        _frames_at(scene, landing.t_s, take_off.t_s, next_landing.t_s),
    )


def _inter_limb_delay(scene: _Scene, rep: Rep) -> Reading:
    left, right = rep.contact("left"), rep.contact("right")
    for limb in rep.flight.unseen_limbs:
        raise _no(Code.LANDING_NOT_SEEN, limb=limb)
    if left is None or right is None:
        raise _no(Code.LANDS_ON_ONE_FOOT)
    first, second = (_instant(scene, foot.initial_contact) for foot in (left, right))
    delay = _interval(scene, first, second, scale=1000.0)  # definition: ms in a second
    # What both feet's landings are read late by is not between them.
    return delay._replace(parts=tuple(p for p in delay.parts if p[0] != BOTH_LIMBS_TIMING))


def _toe_to_heel_interval(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    contact = _contact(rep, limb)
    if contact.toe_contact is None or contact.heel_contact is None:
        raise _no(Code.TOE_OR_HEEL_NOT_SEEN)
    toe, heel = (_instant(scene, event) for event in (contact.toe_contact, contact.heel_contact))
    return _interval(scene, toe, heel, scale=1000.0)  # definition: ms in a second


def _window_s(scene: _Scene, rep: Rep, contact: Contact) -> tuple[float, float]:
    """Return the time on the ground of one foot, at most the longest landing."""
    start_s = contact.initial_contact.t_s
    longest_s = scene.settings.reps.longest_landing_s
    end_s = min(start_s + longest_s, float(scene.tracks.t_s[-1]))
    if contact.toe_off is not None:
        end_s = min(end_s, contact.toe_off.t_s)
    return start_s, end_s


# --- the knee's angle ------------------------------------------------------------------------


def _not_seen(
    scene: _Scene, names: tuple[str, ...], window_s: tuple[float, float], when: str
) -> _NotMeasurableError:
    """Name the landmarks that are missing in a window."""
    near = (scene.tracks.t_s >= window_s[0]) & (scene.tracks.t_s <= window_s[1])
    missing = [n for n in names if not np.isfinite(scene.points(n)[near]).all()]
    if not missing:
        return _no(Code.TOO_FEW_FRAMES, when=when)
    return _no(Code.POINTS_UNCLEAR, points=tuple(missing), when=when)


def _leg_names(limb: Limb) -> tuple[str, ...]:
    return tuple(f"{limb}_{part}" for part in _LEG)


def _at_contact(scene: _Scene, rep: Rep, limb: Limb, angle_deg: FloatArray) -> tuple[_Instant, Fit]:
    at = _instant(scene, _contact(rep, limb).initial_contact)
    fit = value_at_impact(
        scene.tracks.t_s, angle_deg, at.t_s, scene.settings.measures, scene.step_s
    )
    if fit is None:
        reach_s = scene.settings.measures.unseen_reach_s
        window_s = (at.t_s - reach_s, at.t_s + reach_s)
        raise _not_seen(scene, _leg_names(limb), window_s, "at initial contact")
    return at, fit


def _at_largest(
    scene: _Scene, rep: Rep, limb: Limb, angle_deg: FloatArray, smooth_deg: FloatArray
) -> tuple[_Instant, Fit]:
    window_s = _window_s(scene, rep, _contact(rep, limb))
    measures = scene.settings.measures
    found = largest_value(
        scene.tracks.t_s, angle_deg, smooth_deg, window_s, measures.peak_reach_s, scene.step_s
    )
    if found is None:
        raise _not_seen(scene, _leg_names(limb), window_s, "during the landing")
    return _Instant(found[0], measures.peak_instant_sd_s, 0.0), found[1]


def _at_lowest(scene: _Scene, rep: Rep, samples: FloatArray, *names: str) -> tuple[_Instant, Fit]:
    """Read a signal made of the named landmarks at the lowest point of the movement."""
    if rep.peak_flexion_s is None:
        raise _no(Code.LOWEST_POINT_NOT_SEEN)
    measures = scene.settings.measures
    at_s, reach_s = rep.peak_flexion_s, measures.peak_reach_s
    fit = value_at(scene.tracks.t_s, samples, at_s, reach_s, scene.step_s)
    if fit is None:
        raise _not_seen(scene, names, (at_s - reach_s, at_s + reach_s), "at the lowest point")
    return _Instant(at_s, measures.peak_instant_sd_s, 0.0), fit


def _fitted_parts(fit: Fit, noise: float, at: _Instant) -> tuple[tuple[str, float], ...]:
    """Return the parts that every fitted value has; ``noise`` is that of one sample."""
    parts = ((NOISE, noise * fit.gain), (TIMING, fit.slope * at.own_sd_s))
    return (*parts, (MODEL_TIMING, fit.slope * at.shared_sd_s)) if at.shared_sd_s else parts


def _knee_noise_deg(scene: _Scene, limb: Limb, fit: Fit) -> float:
    frame = fit.frames[len(fit.frames) // 2]
    hip, knee, ankle = (point[frame] for point in scene.leg(limb))
    noise_hip, noise_knee, noise_ankle = scene.noise(*_leg_names(limb))
    return float(joint_angle_sd_deg(hip, knee, ankle, (noise_hip, noise_knee, noise_ankle)))


# --- knee flexion, side view -----------------------------------------------------------------


def _flexion_reading(scene: _Scene, limb: Limb, at: _Instant, fit: Fit) -> Reading:
    turns_deg = np.abs(scene.yaw_deg) + np.array([0.0, scene.view.yaw_sd_deg])
    turns_deg = np.minimum(turns_deg, scene.settings.knee.largest_yaw_deg)
    straight, turned = flexion_from_seen_deg(fit.value, turns_deg)
    parts = (
        *_fitted_parts(fit, _knee_noise_deg(scene, limb, fit), at),
        (YAW, float(turned - straight)),
        (OFFSET, offset_sd_deg(fit.value, scene.straight_px, scene.settings.knee)),
    )
    return Reading(fit.value, parts, fit.frames)


def _refuse_other_leg(scene: _Scene, rep: Rep, limb: Limb, fit: Fit) -> None:
    """Refuse a reading whose foot is not where the standing foot is.

    The pose model now and then takes a leg held up beside the standing one for it: its
    ankle then lies above the floor of the landing, or the other one below it.
    """
    contact, tracks = _contact(rep, limb), scene.tracks
    start_s, end_s = _window_s(scene, rep, contact)
    landing = (tracks.t_s >= start_s) & (tracks.t_s <= end_s)
    heights = {k: -(scene.points(f"{k}_ankle") @ tracks.down) / tracks.px_per_m for k in LIMBS}
    knee = scene.settings.knee
    floors = {k: _low(h[landing], knee.floor_percentile) for k, h in heights.items()}
    frames = np.array(fit.frames)
    rising_s = end_s - knee.heel_rise_s if contact.toe_off else math.inf
    off_floor_s = np.clip(start_s - tracks.t_s[frames], 0.0, None)
    off_floor_s += np.clip(tracks.t_s[frames] - rising_s, 0.0, None)
    highest_m = floors[limb] + knee.standing_ankle_m + knee.falling_m_s * off_floor_s
    other: Limb = "right" if limb == "left" else "left"
    if (heights[limb][frames] > highest_m).any() or (
        floors[limb] - floors[other] > knee.standing_ankle_m
    ):
        raise _no(Code.LEG_TAKEN_FOR_OTHER)


def _low(heights_m: FloatArray, percentile: float) -> float:
    known = heights_m[np.isfinite(heights_m)]
    return float(np.percentile(known, percentile)) if len(known) else math.nan


def _flexion_at_contact(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    at, fit = _at_contact(scene, rep, limb, scene.flexion[0])
    _refuse_other_leg(scene, rep, limb, fit)
    extended_deg = _extended_deg(scene, at.t_s, fit.value)
    if rep.is_bound and extended_deg > scene.settings.measures.most_extended_deg:
        raise _no(Code.KNEE_STILL_EXTENDING, extended_deg=extended_deg)
    reading = _flexion_reading(scene, limb, at, fit)
    hardly = extended_deg <= scene.settings.measures.least_extended_deg
    rounded_deg = 0.0 if hardly else scene.settings.measures.rounded_share * extended_deg
    parts = tuple(
        (name, math.hypot(sd, rounded_deg) if name == OFFSET else sd) for name, sd in reading.parts
    )
    return reading._replace(parts=parts)


def _extended_deg(scene: _Scene, at_s: float, flexion_deg: float) -> float:
    """Return by how much the near knee has just extended to a flexion, 0 where that is unknown."""
    t_s, flexion = scene.tracks.t_s, scene.flexion[0]
    before_s = at_s - scene.settings.measures.extends_s
    around = np.abs(t_s - before_s) <= 0.5 * scene.settings.measures.after_impact_s
    known = flexion[around & np.isfinite(flexion)]
    return float(np.median(known)) - flexion_deg if len(known) else 0.0


def _peak(scene: _Scene, rep: Rep, limb: Limb) -> tuple[_Instant, Fit]:
    at, fit = _at_largest(scene, rep, limb, *scene.flexion)
    _refuse_other_leg(scene, rep, limb, fit)
    return at, fit


def _flexion_peak(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    return _flexion_reading(scene, limb, *_peak(scene, rep, limb))


def _flexion_excursion(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    first, last = _flexion_at_contact(scene, rep, limb), _flexion_peak(scene, rep, limb)
    parts = tuple(
        (name, math.hypot(sd, dict(last.parts).get(name, 0.0))) for name, sd in first.parts
    )
    return Reading(last.value - first.value, parts, first.frames + last.frames)


def _flexion_target_difference(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    peak = _flexion_peak(scene, rep, limb)
    return peak._replace(value=peak.value - scene.settings.target_flexion_deg)


def _time_to_peak_flexion(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    start = _instant(scene, _contact(rep, limb).initial_contact)
    if scene.view.view in SIDE_VIEWS and limb == scene.view.near_limb:
        return _interval(scene, start, _peak(scene, rep, limb)[0])
    if rep.peak_flexion_s is None:
        raise _no(Code.LOWEST_POINT_NOT_SEEN)
    sd_s = scene.settings.measures.peak_instant_sd_s
    return _interval(scene, start, _Instant(rep.peak_flexion_s, sd_s, 0.0))


# --- FPPA and its neighbours, front and back view ----------------------------------------------


def _fppa_reading(scene: _Scene, limb: Limb, at: _Instant, fit: Fit) -> Reading:
    _refuse_doubtful(scene, limb, fit)
    frame = fit.frames[len(fit.frames) // 2]
    hip, knee, ankle = (point[frame] for point in scene.leg(limb))
    seen_px = float(np.linalg.norm(knee - hip) + np.linalg.norm(ankle - knee))
    least_share = scene.settings.measures.least_leg_share
    flexion = flexion_from_shortening_deg(seen_px, scene.tracks.leg_px, least_share)
    sure_yaw_deg = max(0.0, abs(scene.yaw_deg) - Z_95 * scene.view.yaw_sd_deg)
    parts = (
        *_fitted_parts(fit, _knee_noise_deg(scene, limb, fit), at),
        (YAW, float(false_fppa_deg(flexion, sure_yaw_deg))),
    )
    parts += tuple((OFFSET_PARTS[part], sd) for part, sd in scene.offset.sds_deg.items())
    known_deg = scene.offset.at(limb, fit.frames)
    if known_deg is None:
        return Reading(fit.value, parts, fit.frames)
    return Reading(fit.value + known_deg, parts, fit.frames, fit.value)


def _refuse_doubtful(scene: _Scene, limb: Limb, fit: Fit) -> None:
    doubt = doubt_at(scene.fppa_doubts(limb), fit.frames)
    if doubt is not None:
        raise _NotMeasurableError(doubt)


def _fppa_at_contact(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    return _fppa_reading(scene, limb, *_at_contact(scene, rep, limb, scene.fppa(limb)[0]))


def _fppa_at_peak(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    lowest = _at_lowest(scene, rep, scene.fppa(limb)[0], *_leg_names(limb))
    return _fppa_reading(scene, limb, *lowest)


def _fppa_peak_inward(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    # What cannot be read at the lowest point may have been the most inward.
    _fppa_at_peak(scene, rep, limb)
    return _fppa_reading(scene, limb, *_at_largest(scene, rep, limb, *scene.fppa(limb)))


def _knee_over_toes_offset(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    names = (f"{limb}_knee", f"{limb}_toe")
    medial = scene.toward_left if limb == "right" else -scene.toward_left
    apart_px = scene.points(names[0]) - scene.points(names[1])
    percent = 100.0 / scene.tracks.leg_px
    at, fit = _at_lowest(scene, rep, percent * medial * scene.across(apart_px), *names)
    parts = (
        *_fitted_parts(fit, percent * math.hypot(*scene.noise(*names)), at),
        (VERTICAL, percent * _tilted_px(scene, rep, apart_px, *names)),
        (OFFSET, scene.settings.measures.offset_sd_pct_of_leg),
    )
    return Reading(fit.value, parts, fit.frames)


def _tilted_px(scene: _Scene, rep: Rep, apart_px: FloatArray, *names: str) -> float:
    """Return how far sideways the vertical's uncertainty can carry one point over another."""
    _, height = _at_lowest(scene, rep, apart_px @ scene.tracks.down, *names)
    return abs(height.value) * math.radians(scene.tracks.down_sd_deg)


def _stance(scene: _Scene, rep: Rep) -> tuple[FloatArray, float]:
    """Return the ankles' distance across the picture, (n,) and at the lowest point."""
    if rep.limbs != LIMBS:
        raise _no(Code.STANDS_ON_ONE_FOOT)
    names = ("left_ankle", "right_ankle")
    apart_px = np.abs(scene.across(scene.points(names[0]) - scene.points(names[1])))
    return np.maximum(apart_px, 1.0), _at_lowest(scene, rep, apart_px, *names)[1].value


def _knee_ankle_separation_ratio(scene: _Scene, rep: Rep) -> Reading:
    ankles_px, stance_px = _stance(scene, rep)
    names = ("left_knee", "right_knee")
    knees_px = np.abs(scene.across(scene.points(names[0]) - scene.points(names[1])))
    at, fit = _at_lowest(scene, rep, knees_px / ankles_px, *names)
    noise_px = math.hypot(
        *scene.noise(*names),
        *(fit.value * noise for noise in scene.noise("left_ankle", "right_ankle")),
    )
    parts = (
        *_fitted_parts(fit, noise_px / stance_px, at),
        (OFFSET, scene.settings.measures.ratio_offset_sd),
    )
    return Reading(fit.value, parts, fit.frames)


def _pelvis_shift(scene: _Scene, rep: Rep) -> Reading:
    ankles_px, stance_px = _stance(scene, rep)
    names = ("left_hip", "right_hip", "left_ankle", "right_ankle")
    apart_px = scene.middle("hip") - scene.middle("ankle")
    percent = 100.0 * scene.toward_left / ankles_px
    at, fit = _at_lowest(scene, rep, percent * scene.across(apart_px), *names)
    noise_px = 0.5 * math.hypot(*scene.noise(*names))
    tilted_px = _tilted_px(scene, rep, apart_px, *names)
    parts = (
        *_fitted_parts(fit, 100.0 * noise_px / stance_px, at),
        (VERTICAL, 100.0 * tilted_px / stance_px),
        (OFFSET, scene.settings.measures.pelvis_shift_offset_sd_pct),
    )
    return Reading(fit.value, parts, fit.frames)


def _trunk(scene: _Scene, rep: Rep, sign: float) -> Reading:
    if scene.tracks.turns:
        raise _no(Code.RESTS_ON_CARRIAGE)
    names = ("left_hip", "right_hip", "left_shoulder", "right_shoulder")
    hips, shoulders = scene.middle("hip"), scene.middle("shoulder")
    angle = sign * tilt_deg(hips, shoulders, scene.tracks.down)
    at, fit = _at_lowest(scene, rep, angle, *names)
    frame = fit.frames[len(fit.frames) // 2]
    length_px = float(np.linalg.norm(shoulders[frame] - hips[frame]))
    noise_px = 0.5 * math.hypot(*scene.noise(*names))
    parts = (
        *_fitted_parts(fit, math.degrees(noise_px / length_px), at),
        (VERTICAL, scene.tracks.down_sd_deg),
        (OFFSET, scene.settings.measures.trunk_offset_sd_deg),
    )
    return Reading(fit.value, parts, fit.frames)


def _trunk_lean(scene: _Scene, rep: Rep) -> Reading:
    return _trunk(scene, rep, scene.toward_left)


def _trunk_flexion(scene: _Scene, rep: Rep) -> Reading:
    # Seen from their left side a person faces the left of the picture.
    return _trunk(scene, rep, -1.0 if scene.view.view == "left_side" else 1.0)


# --- the swing before a landing ----------------------------------------------------------------


def _step_rate(scene: _Scene, rep: Rep) -> Reading:
    following = rep.next_flight
    if following is None or rep.flight.landing is None or following.landing is None:
        raise _no(Code.NO_FLIGHT_FOLLOWS)
    start, end = _instant(scene, rep.flight.landing), _instant(scene, following.landing)
    between = _interval(scene, start, end)
    _refuse_held(scene, between.value)
    per_min = 60.0 / between.value  # definition: seconds in a minute
    # What all landings of a clip share is the same at both ends of a step.
    parts = ((TIMING, per_min / between.value * between.parts[0][1]),)
    return Reading(per_min, parts, between.frames)


def _leaves(scene: _Scene, rep: Rep, limb: Limb) -> _Instant:
    contact = _contact(rep, limb)
    if contact.toe_off is None:
        raise _NotMeasurableError(contact.toe_off_reason or because(Code.TOE_OFF_NOT_SEEN))
    return _instant(scene, contact.toe_off)


def _drive_time(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    end = _leaves(scene, rep, limb)
    if rep.peak_flexion_s is None:
        raise _no(Code.LOWEST_POINT_NOT_SEEN)
    deepest = _Instant(rep.peak_flexion_s, scene.settings.measures.turn_instant_sd_s, 0.0)
    return _interval(scene, deepest, end)


def _glide_time(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    end = _leaves(scene, rep, limb)
    following = rep.next_flight
    if following is None or following.landing is None:
        raise _no(Code.NO_FLIGHT_FOLLOWS)
    return _interval(scene, end, _instant(scene, following.landing))


def _pelvis_travel(scene: _Scene, rep: Rep) -> Reading:
    names = ("left_hip", "right_hip")
    limb = rep.limbs[0]
    contact = _contact(rep, limb)
    outward = scene.toward_left * (1.0 if limb == "left" else -1.0)
    pelvis = outward * scene.across(scene.middle("hip")) * 100.0 / scene.tracks.leg_px
    start_s, end_s = contact.initial_contact.t_s, _window_s(scene, rep, contact)[1]
    left_s = start_s - scene.settings.signs.way_before_s
    t_s, reach_s = scene.tracks.t_s, scene.settings.measures.peak_reach_s
    found = largest_value(t_s, pelvis, pelvis, (start_s, end_s), reach_s, scene.step_s)
    back = largest_value(t_s, -pelvis, -pelvis, (left_s, start_s), reach_s, scene.step_s)
    if found is None or back is None:
        raise _not_seen(scene, names, (left_s, end_s), "from foot to foot")
    noise = 100.0 * 0.5 * math.hypot(*scene.noise(*names)) / scene.tracks.leg_px
    parts = (
        (NOISE, noise * math.hypot(found[1].gain, back[1].gain)),
        (OFFSET, scene.settings.signs.heel_offset_sd_pct_of_leg),
    )
    return Reading(found[1].value + back[1].value, parts, (*back[1].frames, *found[1].frames))


def _swing_peak(
    scene: _Scene, rep: Rep, limb: Limb, samples: FloatArray, names: tuple[str, ...]
) -> Fit:
    """Read the largest value of a signal while a limb was in the air before its landing."""
    _contact(rep, limb)
    t_s, swing = scene.tracks.t_s, swing_of(limb, rep, scene.tracks, scene.settings.signs)
    window_s = float(t_s[swing][0]), float(t_s[swing][-1])
    reach_s = scene.settings.measures.peak_reach_s
    found = largest_value(t_s, samples, samples, window_s, reach_s, scene.step_s)
    top = int(np.nanargmax(samples[swing])) if found else 0
    if found is None or is_beside_gap(samples[swing], top):
        raise _not_seen(scene, names, window_s, "in the air")
    return found[1]


def _thigh_angle_peak(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    tilt_deg, _ = segment_tilts_deg(scene.tracks, limb, scene.settings.signs)
    names = (f"{limb}_hip", f"{limb}_knee")
    fit = _swing_peak(scene, rep, limb, tilt_deg, names)
    noise_px = math.hypot(*scene.noise(*names))
    thigh_px = 0.5 * scene.tracks.leg_px
    level = max(math.sin(math.radians(fit.value)), scene.settings.signs.least_sine)
    noise_deg = math.degrees(noise_px / thigh_px)
    parts = (
        (NOISE, noise_deg * fit.gain / level),
        (OFFSET, scene.settings.signs.thigh_offset_sd_deg / level),
        (VERTICAL, scene.tracks.down_sd_deg),
    )
    return Reading(fit.value, parts, fit.frames)


def _heel_height_peak(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    contact = _contact(rep, limb)
    name = f"{limb}_heel"
    height_px = -(scene.tracks.xy_px[:, LANDMARK[name]] @ scene.tracks.down)
    percent = 100.0 / scene.tracks.leg_px
    fit = _swing_peak(scene, rep, limb, percent * height_px, (name,))
    window_s = _window_s(scene, rep, contact)
    middle_s = 0.5 * (window_s[0] + window_s[1])
    reach_s = scene.settings.measures.peak_reach_s
    stands = value_at(scene.tracks.t_s, percent * height_px, middle_s, reach_s, scene.step_s)
    if stands is None:
        raise _not_seen(scene, (name,), window_s, "during the landing")
    (noise_px,) = scene.noise(name)
    parts = (
        (NOISE, percent * noise_px * math.hypot(fit.gain, stands.gain)),
        (OFFSET, scene.settings.signs.heel_offset_sd_pct_of_leg),
    )
    return Reading(fit.value - stands.value, parts, (*fit.frames, *stands.frames))


def _hip_lead_time(scene: _Scene, rep: Rep, limb: Limb) -> Reading:
    _contact(rep, limb)
    signs, t_s = scene.settings.signs, scene.tracks.t_s
    swing = swing_of(limb, rep, scene.tracks, signs)
    tilt_deg, _ = segment_tilts_deg(scene.tracks, limb, signs)
    thigh = halfway(t_s, tilt_deg, swing)
    knee = halfway(t_s, flexion_deg(*scene.smooth_leg(limb)), swing)
    if thigh is None or knee is None:
        names = tuple(f"{limb}_{part}" for part in _LEG)
        raise _not_seen(scene, names, (float(t_s[swing][0]), float(t_s[swing][-1])), "in the air")
    level = max(math.sin(math.radians(float(tilt_deg[thigh.frames[1]]))), signs.least_sine)
    thigh_sd_s = signs.thigh_offset_sd_deg / level / thigh.deg_per_s
    knee_sd_s = scene.settings.knee.angle_sd_deg / knee.deg_per_s
    own_sd_s = signs.halfway_frame_share * scene.step_s
    start, end = (
        _Instant(one.at_s, own_sd_s, sd_s) for one, sd_s in ((thigh, thigh_sd_s), (knee, knee_sd_s))
    )
    return _interval(scene, start, end, scale=1000.0)  # definition: ms in a second


_LIMB_READERS: dict[str, Callable[[_Scene, Rep, Limb], Reading]] = {
    "contact_time": _contact_time,
    "time_to_peak_flexion": _time_to_peak_flexion,
    "knee_flexion_initial_contact": _flexion_at_contact,
    "knee_flexion_peak": _flexion_peak,
    "knee_flexion_excursion": _flexion_excursion,
    "knee_flexion_target_difference": _flexion_target_difference,
    "fppa_initial_contact": _fppa_at_contact,
    "fppa_peak_flexion": _fppa_at_peak,
    "fppa_peak_inward": _fppa_peak_inward,
    "knee_over_toes_offset": _knee_over_toes_offset,
    "toe_to_heel_interval": _toe_to_heel_interval,
    "drive_time": _drive_time,
    "glide_time": _glide_time,
    "thigh_angle_peak": _thigh_angle_peak,
    "heel_height_peak": _heel_height_peak,
    "hip_lead_time": _hip_lead_time,
}

_BODY_READERS: dict[str, Callable[[_Scene, Rep], Reading]] = {
    "flight_time": _flight_time,
    "jump_height": _jump_height,
    "reactive_strength_index": _reactive_strength_index,
    "knee_ankle_separation_ratio": _knee_ankle_separation_ratio,
    "inter_limb_delay": _inter_limb_delay,
    "step_rate": _step_rate,
    "pelvis_travel": _pelvis_travel,
    "pelvis_shift": _pelvis_shift,
    "trunk_lean": _trunk_lean,
    "trunk_flexion": _trunk_flexion,
}
