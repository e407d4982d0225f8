"""(Reps, Tracks, View) -> Measures: a row per rep, limb and measure, with uncertainty and frames.

An angle at an instant is not read from one frame. Around initial contact, where
the knee changes its speed at once, two straight lines that meet at the known
instant are fitted to the unfiltered angle; elsewhere a parabola is. The low-pass
filtered tracks only show where to look, so that the filter cannot smear an impact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from landing_analysis.definitions import DEFINITIONS, FRONTAL_VIEWS, SIDE_VIEWS
from landing_analysis.kinematics import (
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
from landing_analysis.settings import MeasureSettings, Settings
from landing_analysis.summaries import compare_sides, summarise
from landing_analysis.tables import (
    LANDMARK,
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

NOISE = "landmark noise"
TIMING = "instant of the event"
OFFSET = "pose model offset"
YAW = "view yaw"
VERTICAL = "vertical of the picture"


class Reading(NamedTuple):
    """A value with the named parts of its standard uncertainty and its frames."""

    value: float
    parts: tuple[tuple[str, float], ...]
    frames: tuple[int, ...]


@dataclass(frozen=True)
class _Scene:
    """What every measure of a clip is read from."""

    tracks: Tracks
    view: ViewEstimate
    settings: MeasureSettings
    longest_landing_s: float
    max_contact_s: float
    target_flexion_deg: float

    @property
    def from_behind(self) -> bool:
        return self.view.view == "back"

    def points(self, name: str, *, smooth: bool = False) -> FloatArray:
        tracks = self.tracks.xy_px if smooth else self.tracks.raw_px
        column: FloatArray = tracks[:, LANDMARK[name]]
        return column

    def middle(self, part: str) -> FloatArray:
        middle: FloatArray = 0.5 * (self.points(f"left_{part}") + self.points(f"right_{part}"))
        return middle

    def leg(self, limb: Limb, *, smooth: bool = False) -> tuple[FloatArray, FloatArray, FloatArray]:
        hip, knee, ankle = (
            self.points(f"{limb}_{part}", smooth=smooth) for part in ("hip", "knee", "ankle")
        )
        return hip, knee, ankle

    def noise(self, *names: str) -> tuple[float, ...]:
        return tuple(float(self.tracks.noise_px[LANDMARK[name]]) for name in names)

    def leg_noise(self, limb: Limb) -> tuple[float, float, float]:
        hip, knee, ankle = self.noise(f"{limb}_hip", f"{limb}_knee", f"{limb}_ankle")
        return hip, knee, ankle

    def across(self, points: FloatArray) -> FloatArray:
        """Return positions across the picture, at right angles to gravity, right positive."""
        down = self.tracks.down
        across: FloatArray = points @ np.array([down[1], -down[0]])
        return across

    def toward_left_sign(self) -> float:
        """Return +1 where the patient's left is on the right of the picture (front view)."""
        return -1.0 if self.from_behind else 1.0


def measure_reps(
    reps: Reps,
    tracks: Tracks,
    view: ViewEstimate,
    settings: Settings,
    surgical_side: Limb | None = None,
) -> Measures:
    """Measure every used rep, summarise the set and compare the limbs.

    Parameters
    ----------
    reps, tracks, view : of one clip
    settings : Settings
    surgical_side : the limb named first in comparisons, None when not known

    Returns
    -------
    Measures
        A row for every measure of `definitions` that a used rep can have: with a
        value, or with the reason why there is none. Refused reps have no rows.

    Notes
    -----
    FPPA is the angle in the picture, as it is defined. Yaw that is surely there
    (beyond its own 95 % interval) is added to its uncertainty as the false valgus
    it can make; it is not taken off the value. Knee flexion in a side view is
    corrected for the estimated yaw, which changes it by about a degree, and for the
    pose model's hip point, which lies in front of the joint.
    """
    scene = _Scene(
        tracks,
        view,
        settings.measures,
        settings.reps.longest_landing_s,
        settings.contacts.max_contact_s,
        settings.target_flexion_deg,
    )
    rows = tuple(row for rep in reps.reps if rep.used for row in _measure_rep(rep, scene))
    return Measures(rows, summarise(rows), compare_sides(rows, surgical_side or "left"))


def _measure_rep(rep: Rep, scene: _Scene) -> Iterator[Measure]:
    for definition in DEFINITIONS.values():
        read = _READERS[definition.name]
        if definition.scope == "limb":
            limbs: tuple[Limb | None, ...] = rep.limbs
        else:
            limbs = rep.limbs if rep.task == "hop" and definition.name in _HOP_LIMB else (None,)
        for limb in limbs:
            reading: Reading | str
            if scene.view.view not in definition.views:
                reading = _view_reason(scene.view.view, definition.views)
            elif definition.views == SIDE_VIEWS and limb not in (None, scene.view.near_limb):
                reading = f"the {limb} limb is behind the other in this view; film that side"
            else:
                reading = read(scene, rep, limb)
            yield _row(rep, definition.name, limb, reading)


def _row(rep: Rep, name: str, limb: Limb | None, reading: Reading | str) -> Measure:
    unit = DEFINITIONS[name].unit
    if isinstance(reading, str):
        return Measure(rep.number, name, limb, None, unit, None, f"not measurable: {reading}")
    if not np.isfinite(reading.value):
        text = "not measurable: the landmarks were not seen clearly at this instant"
        return Measure(rep.number, name, limb, None, unit, None, text)
    parts = tuple(UncertaintyPart(part, float(sd)) for part, sd in reading.parts)
    sd = float(np.sqrt(sum(part.sd**2 for part in parts)))
    return Measure(rep.number, name, limb, reading.value, unit, sd, None, reading.frames, parts)


def _view_reason(view: str, wanted: tuple[str, ...]) -> str:
    need = "a front or back view" if wanted == FRONTAL_VIEWS else "a side view of this limb"
    return f"this is a {view.replace('_', ' ')} view; it needs {need}"


# --- intervals -----------------------------------------------------------------------------


def _contact(rep: Rep, limb: Limb | None) -> Contact | str:
    contact = rep.contact(limb) if limb else None
    return contact or f"the landing of the {limb} foot was not seen"


def _frames_at(scene: _Scene, *instants_s: float) -> tuple[int, ...]:
    """Return the frames on both sides of each instant."""
    after = np.searchsorted(scene.tracks.t_s, instants_s)
    last = len(scene.tracks.t_s) - 1
    frames = {min(max(int(i) + k, 0), last) for i in after for k in (-1, 0)}
    return tuple(sorted(frames))


def _interval(scene: _Scene, start: Event, end: Event, scale: float = 1.0) -> Reading:
    sd = float(np.hypot(start.sd_s, end.sd_s)) * scale
    return Reading(
        (end.t_s - start.t_s) * scale, ((TIMING, sd),), _frames_at(scene, start.t_s, end.t_s)
    )


def _contact_time(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    contact = _contact(rep, limb)
    if isinstance(contact, str):
        return contact
    if contact.toe_off is None:
        return contact.toe_off_reason or "no toe-off"
    stayed_s = contact.toe_off.t_s - contact.initial_contact.t_s
    if stayed_s > scene.max_contact_s:
        return f"the landing was held for {stayed_s:.1f} s before the next take-off"
    return _interval(scene, contact.initial_contact, contact.toe_off)


def _flight_interval(scene: _Scene, flight: Flight | None) -> Reading | str:
    if flight is None:
        return "no flight follows this landing"
    if flight.take_off is None or flight.landing is None:
        return "the flight is cut off by the clip"
    return _interval(scene, flight.take_off, flight.landing)


def _flight_time(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    return _flight_interval(scene, rep.flight)


def _height(reading: Reading | str) -> Reading | str:
    if isinstance(reading, str):
        return reading
    sd = flight_height_sd_m(reading.value, reading.parts[0][1])
    return Reading(flight_height_m(reading.value), ((TIMING, sd),), reading.frames)


def _jump_height(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    return _height(_flight_interval(scene, rep.flight))


def _ground_interval(scene: _Scene, rep: Rep) -> Reading | str:
    """Time of the whole body on the ground: first initial contact to last toe-off."""
    if rep.next_flight is None or rep.next_flight.take_off is None or rep.flight.landing is None:
        return "no flight follows this landing"
    reading = _interval(scene, rep.flight.landing, rep.next_flight.take_off)
    if reading.value > scene.max_contact_s:
        return f"the landing was held for {reading.value:.1f} s before the next take-off"
    return reading


def _reactive_strength_index(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    ground, height = _ground_interval(scene, rep), _height(_flight_interval(scene, rep.next_flight))
    if isinstance(ground, str):
        return ground
    if isinstance(height, str):
        return height
    index = height.value / ground.value
    sd = index * float(
        np.hypot(height.parts[0][1] / height.value, ground.parts[0][1] / ground.value)
    )
    return Reading(index, ((TIMING, sd),), ground.frames + height.frames)


def _landing_lead(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    left, right = rep.contact("left"), rep.contact("right")
    if left is None or right is None:
        return "both feet must land; this landing is on one foot"
    return _interval(scene, left.initial_contact, right.initial_contact, scale=1000.0)


def _toe_to_heel_interval(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    contact = _contact(rep, limb)
    if isinstance(contact, str):
        return contact
    if contact.toe_contact is None or contact.heel_contact is None:
        return "toes and heel were not both seen to come down"
    return _interval(scene, contact.toe_contact, contact.heel_contact, scale=1000.0)


# --- reading a noisy signal at an instant ----------------------------------------------------


class _Fit(NamedTuple):
    value: float
    gain: float  # noise of the value over noise of one sample
    slope: float  # per second, mean of both sides
    frames: tuple[int, ...]


def _fit(design: FloatArray, samples: FloatArray) -> tuple[FloatArray, float]:
    """Least squares; return the coefficients and the noise gain of the first."""
    coefficients = np.asarray(np.linalg.lstsq(design, samples, rcond=None)[0], dtype=float)
    covariance = np.linalg.pinv(design.T @ design)
    return coefficients, float(np.sqrt(covariance[0, 0]))


def value_at_impact(t_s: FloatArray, samples: FloatArray, at_s: float) -> _Fit | None:
    """Read a signal whose slope jumps at a known instant.

    Parameters
    ----------
    t_s, samples : (n,)
    at_s : the instant of the jump, seconds

    Returns
    -------
    _Fit or None when fewer than four samples are near
    """
    step_s = float(np.median(np.diff(t_s)))
    reach_s = (max(0.06, 2.2 * step_s), max(0.04, 2.2 * step_s))
    near = (t_s > at_s - reach_s[0]) & (t_s < at_s + reach_s[1]) & np.isfinite(samples)
    s = t_s[near] - at_s
    if len(s) < 4 or s[0] >= 0 or s[-1] <= 0:
        return None
    design = np.stack([np.ones_like(s), np.minimum(s, 0), np.maximum(s, 0)], axis=1)
    coefficients, gain = _fit(design, samples[near])
    slope = 0.5 * float(np.abs(coefficients[1:]).sum())
    return _Fit(float(coefficients[0]), gain, slope, tuple(np.flatnonzero(near).tolist()))


def value_at(t_s: FloatArray, samples: FloatArray, at_s: float, reach_s: float) -> _Fit | None:
    """Read a smooth signal at an instant by a parabola over ``reach_s`` on both sides."""
    step_s = float(np.median(np.diff(t_s)))
    near = (np.abs(t_s - at_s) <= max(reach_s, 2.2 * step_s)) & np.isfinite(samples)
    if near.sum() < 4:
        return None
    s = t_s[near] - at_s
    design = np.stack([np.ones_like(s), s, s**2], axis=1)
    coefficients, gain = _fit(design, samples[near])
    frames = tuple(np.flatnonzero(near).tolist())
    return _Fit(float(coefficients[0]), gain, abs(float(coefficients[1])), frames)


def largest(
    t_s: FloatArray,
    samples: FloatArray,
    smooth: FloatArray,
    window_s: tuple[float, float],
    reach_s: float,
) -> tuple[float, _Fit] | None:
    """Find the largest value in a window and read it by a parabola; (instant, value)."""
    inside = (t_s >= window_s[0]) & (t_s <= window_s[1]) & np.isfinite(smooth)
    if inside.sum() < 3:
        return None
    top = int(np.flatnonzero(inside)[np.argmax(smooth[inside])])
    at_s = float(t_s[top])
    near = (np.abs(t_s - at_s) <= reach_s) & np.isfinite(samples)
    if near.sum() >= 4:
        bend, slope, _ = np.polyfit(t_s[near] - at_s, samples[near], 2)
        if bend < 0:
            shift_s = float(np.clip(-slope / (2 * bend), -0.5 * reach_s, 0.5 * reach_s))
            at_s = float(np.clip(at_s + shift_s, *window_s))
    found = value_at(t_s, samples, at_s, reach_s)
    return None if found is None else (at_s, found)


def _window_s(scene: _Scene, rep: Rep, contact: Contact) -> tuple[float, float]:
    """Return the time on the ground of one foot, at most the longest landing."""
    start_s = contact.initial_contact.t_s
    end_s = min(start_s + scene.longest_landing_s, float(scene.tracks.t_s[-1]))
    if contact.toe_off is not None:
        end_s = min(end_s, contact.toe_off.t_s)
    return start_s, end_s


# --- knee flexion, side view -----------------------------------------------------------------


def _flexion(scene: _Scene, limb: Limb, *, smooth: bool = False) -> FloatArray:
    yaw_deg = float(np.clip(scene.view.yaw_deg, -30, 30))
    seen = flexion_deg(*scene.leg(limb, smooth=smooth)) + scene.settings.flexion_offset_deg
    return flexion_from_seen_deg(seen, yaw_deg)


def _flexion_parts(
    scene: _Scene, limb: Limb, fit: _Fit, instant_sd_s: float
) -> tuple[tuple[str, float], ...]:
    frame = fit.frames[len(fit.frames) // 2]
    hip, knee, ankle = (point[frame] for point in scene.leg(limb))
    noise = float(joint_angle_sd_deg(hip, knee, ankle, scene.leg_noise(limb))) * fit.gain
    yaw_deg, sd_deg = scene.view.yaw_deg, scene.view.yaw_sd_deg
    turned = abs(flexion_from_seen_deg(fit.value, min(abs(yaw_deg) + sd_deg, 30)) - fit.value)
    now = abs(flexion_from_seen_deg(fit.value, min(abs(yaw_deg), 30)) - fit.value)
    return (
        (NOISE, noise),
        (TIMING, fit.slope * instant_sd_s),
        (YAW, float(turned - now)),
        (OFFSET, scene.settings.flexion_offset_sd_deg),
    )


def _flexion_at_contact(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    contact = _contact(rep, limb)
    if isinstance(contact, str) or limb is None:
        return str(contact)
    at = contact.initial_contact
    fit = value_at_impact(scene.tracks.t_s, _flexion(scene, limb), at.t_s)
    if fit is None:
        return "the leg was not seen clearly at initial contact"
    return Reading(fit.value, _flexion_parts(scene, limb, fit, at.sd_s), fit.frames)


def _peak(scene: _Scene, rep: Rep, limb: Limb | None) -> tuple[float, _Fit] | str:
    contact = _contact(rep, limb)
    if isinstance(contact, str) or limb is None:
        return str(contact)
    found = largest(
        scene.tracks.t_s,
        _flexion(scene, limb),
        _flexion(scene, limb, smooth=True),
        _window_s(scene, rep, contact),
        scene.settings.peak_reach_s,
    )
    return found or "the leg was not seen clearly during the landing"


def _flexion_peak(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    peak = _peak(scene, rep, limb)
    if isinstance(peak, str) or limb is None:
        return str(peak)
    _, fit = peak
    return Reading(fit.value, _flexion_parts(scene, limb, fit, 0.0), fit.frames)


def _flexion_excursion(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    first, last = _flexion_at_contact(scene, rep, limb), _flexion_peak(scene, rep, limb)
    if isinstance(first, str):
        return first
    if isinstance(last, str):
        return last
    parts = tuple((name, float(np.hypot(a, dict(last.parts)[name]))) for name, a in first.parts)
    return Reading(last.value - first.value, parts, first.frames + last.frames)


def _flexion_target_difference(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    peak = _flexion_peak(scene, rep, limb)
    if isinstance(peak, str):
        return peak
    return peak._replace(value=peak.value - scene.target_flexion_deg)


def _time_to_peak_flexion(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    contact = _contact(rep, limb)
    if isinstance(contact, str):
        return contact
    if scene.view.view in SIDE_VIEWS and limb == scene.view.near_limb:
        peak = _peak(scene, rep, limb)
        if isinstance(peak, str):
            return peak
        peak_s = peak[0]
    elif rep.peak_flexion_s is not None:
        peak_s = rep.peak_flexion_s
    else:
        return "the lowest point of the pelvis was not seen"
    bottom = Event(peak_s, scene.settings.peak_instant_sd_s)
    return _interval(scene, contact.initial_contact, bottom)


# --- FPPA and its neighbours, front and back view ----------------------------------------------


def _fppa(scene: _Scene, limb: Limb, *, smooth: bool = False) -> FloatArray:
    return fppa_deg(*scene.leg(limb, smooth=smooth), limb, scene.from_behind)


def _fppa_parts(
    scene: _Scene, limb: Limb, fit: _Fit, instant_sd_s: float
) -> tuple[tuple[str, float], ...]:
    frame = fit.frames[len(fit.frames) // 2]
    hip, knee, ankle = (point[frame] for point in scene.leg(limb))
    noise = float(joint_angle_sd_deg(hip, knee, ankle, scene.leg_noise(limb))) * fit.gain
    seen_px = float(np.linalg.norm(knee - hip) + np.linalg.norm(ankle - knee))
    flexion = flexion_from_shortening_deg(seen_px, scene.tracks.leg_px)
    sure_yaw_deg = max(0.0, abs(scene.view.yaw_deg) - 1.96 * scene.view.yaw_sd_deg)
    return (
        (NOISE, noise),
        (TIMING, fit.slope * instant_sd_s),
        (YAW, float(false_fppa_deg(flexion, sure_yaw_deg))),
        (OFFSET, scene.settings.fppa_offset_sd_deg),
    )


def _fppa_at_contact(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    contact = _contact(rep, limb)
    if isinstance(contact, str) or limb is None:
        return str(contact)
    at = contact.initial_contact
    fit = value_at_impact(scene.tracks.t_s, _fppa(scene, limb), at.t_s)
    if fit is None:
        return "the leg was not seen clearly at initial contact"
    return Reading(fit.value, _fppa_parts(scene, limb, fit, at.sd_s), fit.frames)


def _fppa_at_peak(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    fit = _at_lowest(scene, rep, _fppa(scene, limb)) if limb else "no limb"
    if isinstance(fit, str) or limb is None:
        return str(fit)
    parts = _fppa_parts(scene, limb, fit, scene.settings.peak_instant_sd_s)
    return Reading(fit.value, parts, fit.frames)


def _fppa_most_inward(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    contact = _contact(rep, limb)
    if isinstance(contact, str) or limb is None:
        return str(contact)
    found = largest(
        scene.tracks.t_s,
        _fppa(scene, limb),
        _fppa(scene, limb, smooth=True),
        _window_s(scene, rep, contact),
        scene.settings.peak_reach_s,
    )
    if found is None:
        return "the leg was not seen clearly during the landing"
    _, fit = found
    return Reading(fit.value, _fppa_parts(scene, limb, fit, 0.0), fit.frames)


def _at_lowest(scene: _Scene, rep: Rep, samples: FloatArray) -> _Fit | str:
    """Read a signal at the lowest point of the pelvis."""
    if rep.peak_flexion_s is None:
        return "the lowest point of the pelvis was not seen"
    reach_s = scene.settings.peak_reach_s
    fit = value_at(scene.tracks.t_s, samples, rep.peak_flexion_s, reach_s)
    return fit or "the landmarks were not seen clearly at the lowest point"


def _lowest_reading(
    scene: _Scene, rep: Rep, samples: FloatArray, noise: float, *systematic: tuple[str, float]
) -> Reading | str:
    fit = _at_lowest(scene, rep, samples)
    if isinstance(fit, str):
        return fit
    parts = (
        (NOISE, noise * fit.gain),
        (TIMING, fit.slope * scene.settings.peak_instant_sd_s),
        *systematic,
    )
    return Reading(fit.value, parts, fit.frames)


def _knee_over_toes_offset(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    names = (f"{limb}_knee", f"{limb}_toe")
    medial = -scene.toward_left_sign() if limb == "left" else scene.toward_left_sign()
    apart_px = scene.across(scene.points(names[0]) - scene.points(names[1])) * medial
    percent = 100.0 / scene.tracks.leg_px
    noise = percent * math.hypot(*scene.noise(*names))
    offset_sd = scene.settings.offset_sd_pct_of_leg
    return _lowest_reading(scene, rep, apart_px * percent, noise, (OFFSET, offset_sd))


def _knee_ankle_separation_ratio(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    if rep.task == "hop":
        return "both feet must stand on the ground; this landing is on one foot"
    knees = np.abs(scene.across(scene.points("left_knee") - scene.points("right_knee")))
    ankles = np.abs(scene.across(scene.points("left_ankle") - scene.points("right_ankle")))
    ratio = knees / np.maximum(ankles, 1.0)
    apart_px = float(np.nanmedian(ankles))
    noise = math.hypot(*scene.noise("left_knee", "right_knee")) / apart_px
    return _lowest_reading(scene, rep, ratio, noise, (OFFSET, scene.settings.ratio_offset_sd))


def _pelvis_shift(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    if rep.task == "hop":
        return "both feet must stand on the ground; this landing is on one foot"
    ankles = np.abs(scene.across(scene.points("left_ankle") - scene.points("right_ankle")))
    shift_px = scene.across(scene.middle("hip") - scene.middle("ankle")) * scene.toward_left_sign()
    percent = 100.0 * shift_px / np.maximum(ankles, 1.0)
    noise = (
        100.0
        * math.hypot(*scene.noise("left_hip", "left_ankle"))
        / float(np.nanmedian(ankles))
        / np.sqrt(2.0)
    )
    height_px = 0.7 * scene.tracks.leg_px
    tilt = 100.0 * height_px * np.radians(scene.tracks.down_sd_deg) / float(np.nanmedian(ankles))
    return _lowest_reading(
        scene,
        rep,
        percent,
        noise,
        (VERTICAL, float(tilt)),
        (OFFSET, scene.settings.pelvis_shift_offset_sd_pct),
    )


def _trunk(scene: _Scene, rep: Rep, sign: float) -> Reading | str:
    hips, shoulders = scene.middle("hip"), scene.middle("shoulder")
    length_px = float(np.nanmedian(np.linalg.norm(shoulders - hips, axis=1)))
    noise_px = math.hypot(*scene.noise("left_hip", "left_shoulder")) / np.sqrt(2.0)
    return _lowest_reading(
        scene,
        rep,
        sign * tilt_deg(hips, shoulders, scene.tracks.down),
        float(np.degrees(noise_px / length_px)),
        (VERTICAL, scene.tracks.down_sd_deg),
        (OFFSET, scene.settings.trunk_offset_sd_deg),
    )


def _trunk_lean(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    return _trunk(scene, rep, scene.toward_left_sign())


def _trunk_flexion(scene: _Scene, rep: Rep, limb: Limb | None) -> Reading | str:
    # Seen from their left side a person faces the left of the picture.
    return _trunk(scene, rep, -1.0 if scene.view.view == "left_side" else 1.0)


_HOP_LIMB = frozenset({"flight_time", "jump_height", "reactive_strength_index"})
"""Whole-body measures that belong to the hopping limb in a one-leg hop."""

_READERS: dict[str, Callable[[_Scene, Rep, Limb | None], Reading | str]] = {
    "contact_time": _contact_time,
    "flight_time": _flight_time,
    "jump_height": _jump_height,
    "time_to_peak_flexion": _time_to_peak_flexion,
    "reactive_strength_index": _reactive_strength_index,
    "knee_flexion_initial_contact": _flexion_at_contact,
    "knee_flexion_peak": _flexion_peak,
    "knee_flexion_excursion": _flexion_excursion,
    "knee_flexion_target_difference": _flexion_target_difference,
    "fppa_initial_contact": _fppa_at_contact,
    "fppa_peak_flexion": _fppa_at_peak,
    "fppa_most_inward": _fppa_most_inward,
    "knee_over_toes_offset": _knee_over_toes_offset,
    "knee_ankle_separation_ratio": _knee_ankle_separation_ratio,
    "landing_lead": _landing_lead,
    "pelvis_shift": _pelvis_shift,
    "toe_to_heel_interval": _toe_to_heel_interval,
    "trunk_lean": _trunk_lean,
    "trunk_flexion": _trunk_flexion,
}
