"""Events of a rep, the times between them, and a signal read at one of them."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from landing_analysis.definitions import SIDE_VIEWS
from landing_analysis.maths.kinematics import joint_angle_sd_deg
from landing_analysis.measures.readings import Fit, largest_value, value_at, value_at_impact
from landing_analysis.measures.scene import (
    LEG,
    Instant,
    NotMeasurableError,
    Reading,
    Scene,
    not_measurable,
)
from landing_analysis.measures.summaries import (
    BOTH_LIMBS_TIMING,
    MODEL_TIMING,
    NOISE,
    REP_TIMING,
    TIMING,
)
from landing_analysis.reasons import Code, because
from landing_analysis.settings import EdgeShares
from landing_analysis.tables import LIMBS, Contact, Event, Flight, FloatArray, Limb, Rep

Edge = Literal["landing", "leaving"]


def contact_of(rep: Rep, limb: Limb) -> Contact:
    """Return a limb's contact of a rep; raises NotMeasurableError where it was not seen."""
    contact = rep.contact(limb)
    if contact is None:
        raise not_measurable(Code.LANDING_NOT_SEEN, limb=limb)
    return contact


def instant(scene: Scene, event: Event, edge: Edge, rep: Rep | None = None) -> Instant:
    """Split an event's uncertainty into its own and what other such events of a clip share.

    Parameters
    ----------
    edge : whether a foot lands or leaves
    rep : of one foot's event; what both feet of a rep share is the event's own where there are
        not two, or where it is the body's

    Notes
    -----
    On rendered clips half of the variance of an edge's error was the same at every landing of a
    clip, so that averaging over reps does not shrink it; most of that, and of what is a rep's
    own, was the same for both feet, so that it is not in the difference of the limbs.
    """
    shares = _shares(scene, edge)
    of_rep = shares.rep if rep is not None and rep.limbs == LIMBS else 0.0
    own = shares.foot + shares.rep - of_rep
    both_limbs = 1.0 - shares.foot - shares.rep - shares.limb
    parts = (own, shares.limb, both_limbs, of_rep)
    return Instant(event.t_s, *(event.sd_s * math.sqrt(part) for part in parts))


def _shares(scene: Scene, edge: Edge) -> EdgeShares:
    contacts = scene.settings.contacts
    if scene.view.view in SIDE_VIEWS:
        return contacts.side_edges
    if scene.from_behind:
        return contacts.back_landing if edge == "landing" else contacts.back_leaving
    return contacts.front_landing if edge == "landing" else contacts.front_leaving


def lands(scene: Scene, rep: Rep, limb: Limb) -> Instant:
    """Return a limb's initial contact of a rep; raises NotMeasurableError where it was not seen."""
    return instant(scene, contact_of(rep, limb).initial_contact, "landing", rep)


def leaves(scene: Scene, rep: Rep, limb: Limb) -> Instant:
    """Return a limb's toe-off of a rep; raises NotMeasurableError where it was not seen."""
    contact = contact_of(rep, limb)
    if contact.toe_off is None:
        raise NotMeasurableError(contact.toe_off_reason or because(Code.TOE_OFF_NOT_SEEN))
    return instant(scene, contact.toe_off, "leaving", rep)


def frames_at(scene: Scene, *instants_s: float) -> tuple[int, ...]:
    """Return the frames on both sides of each instant."""
    after = np.searchsorted(scene.tracks.t_s, instants_s)
    last = len(scene.tracks.t_s) - 1
    return tuple(min(max(int(i) + k, 0), last) for i in after for k in (-1, 0))


def interval(scene: Scene, start: Instant, end: Instant, scale: float = 1.0) -> Reading:
    """Return the time between two instants, in seconds times ``scale``."""
    rep_sd_s = math.hypot(start.rep_sd_s, end.rep_sd_s)
    parts = (
        (TIMING, scale * math.hypot(start.own_sd_s, end.own_sd_s)),
        *(((REP_TIMING, scale * rep_sd_s),) if rep_sd_s else ()),
        (MODEL_TIMING, scale * math.hypot(start.limb_sd_s, end.limb_sd_s)),
        (BOTH_LIMBS_TIMING, scale * math.hypot(start.both_limbs_sd_s, end.both_limbs_sd_s)),
    )
    return Reading((end.t_s - start.t_s) * scale, parts, frames_at(scene, start.t_s, end.t_s))


def edges(scene: Scene, flight: Flight) -> tuple[Instant, Instant]:
    """Return take-off and landing of a flight; raises NotMeasurableError where one is cut off."""
    if flight.take_off is None and flight.take_off_limbs:  # one that is cut off has none
        raise not_measurable(Code.NO_FLIGHT_IN_SHIFT)
    if flight.take_off is None or flight.landing is None:
        raise not_measurable(Code.FLIGHT_CUT_OFF)
    return (
        instant(scene, flight.take_off, "leaving"),
        instant(scene, flight.landing, "landing"),
    )


def refuse_held(scene: Scene, stayed_s: float) -> None:
    """Raise NotMeasurableError for a landing that was held longer than a contact lasts."""
    if stayed_s > scene.settings.contacts.max_contact_s:
        raise not_measurable(Code.LANDING_HELD, held_s=stayed_s)


def window_on_ground_s(scene: Scene, rep: Rep, contact: Contact) -> tuple[float, float]:
    """Return the time on the ground of one foot, at most the longest landing."""
    start_s = contact.initial_contact.t_s
    longest_s = scene.settings.reps.longest_landing_s
    end_s = min(start_s + longest_s, float(scene.tracks.t_s[-1]))
    if contact.toe_off is not None:
        end_s = min(end_s, contact.toe_off.t_s)
    return start_s, end_s


def not_seen(
    scene: Scene, names: tuple[str, ...], window_s: tuple[float, float], when: str
) -> NotMeasurableError:
    """Name the landmarks that are missing in a window."""
    near = (scene.tracks.t_s >= window_s[0]) & (scene.tracks.t_s <= window_s[1])
    missing = [n for n in names if not np.isfinite(scene.points(n)[near]).all()]
    if not missing:
        return not_measurable(Code.TOO_FEW_FRAMES, when=when)
    return not_measurable(Code.POINTS_UNCLEAR, points=tuple(missing), when=when)


def leg_names(limb: Limb) -> tuple[str, ...]:
    """Return the names of a limb's hip, knee and ankle."""
    return tuple(f"{limb}_{part}" for part in LEG)


def at_contact(scene: Scene, rep: Rep, limb: Limb, angle_deg: FloatArray) -> tuple[Instant, Fit]:
    """Read an angle at a limb's initial contact."""
    at = lands(scene, rep, limb)
    fit = value_at_impact(
        scene.tracks.t_s, angle_deg, at.t_s, scene.settings.measures, scene.step_s
    )
    if fit is None:
        reach_s = scene.settings.measures.unseen_reach_s
        window_s = (at.t_s - reach_s, at.t_s + reach_s)
        raise not_seen(scene, leg_names(limb), window_s, "at initial contact")
    return at, fit


def at_largest(
    scene: Scene, rep: Rep, limb: Limb, angle_deg: FloatArray, smooth_deg: FloatArray
) -> tuple[Instant, Fit]:
    """Read an angle where it is largest while a limb is on the ground."""
    window_s = window_on_ground_s(scene, rep, contact_of(rep, limb))
    measures = scene.settings.measures
    found = largest_value(
        scene.tracks.t_s, angle_deg, smooth_deg, window_s, measures.peak_reach_s, scene.step_s
    )
    if found is None:
        raise not_seen(scene, leg_names(limb), window_s, "during the landing")
    return Instant(found[0], measures.peak_instant_sd_s, 0.0), found[1]


def stance(scene: Scene, rep: Rep) -> tuple[FloatArray, float]:
    """Return the ankles' distance across the picture, (n,) and at the lowest point."""
    if rep.limbs != LIMBS:
        raise not_measurable(Code.STANDS_ON_ONE_FOOT)
    names = ("left_ankle", "right_ankle")
    apart_px = np.abs(scene.across(scene.points(names[0]) - scene.points(names[1])))
    return np.maximum(apart_px, 1.0), at_lowest(scene, rep, apart_px, *names)[1].value


def at_lowest(scene: Scene, rep: Rep, samples: FloatArray, *names: str) -> tuple[Instant, Fit]:
    """Read a signal made of the named landmarks at the lowest point of the movement."""
    if rep.peak_flexion_s is None:
        raise not_measurable(Code.LOWEST_POINT_NOT_SEEN)
    measures = scene.settings.measures
    at_s, reach_s = rep.peak_flexion_s, measures.peak_reach_s
    fit = value_at(scene.tracks.t_s, samples, at_s, reach_s, scene.step_s)
    if fit is None:
        raise not_seen(scene, names, (at_s - reach_s, at_s + reach_s), "at the lowest point")
    return Instant(at_s, measures.peak_instant_sd_s, 0.0), fit


def fitted_parts(fit: Fit, noise: float, at: Instant) -> tuple[tuple[str, float], ...]:
    """Return the parts that every fitted value has; ``noise`` is that of one sample."""
    parts = ((NOISE, noise * fit.gain), (TIMING, fit.slope * at.single_sd_s))
    return (*parts, (MODEL_TIMING, fit.slope * at.shared_sd_s)) if at.shared_sd_s else parts


def knee_noise_deg(scene: Scene, limb: Limb, fit: Fit) -> float:
    """Return by how much noise of the landmarks moves the knee's angle in one frame."""
    frame = fit.frames[len(fit.frames) // 2]
    hip, knee, ankle = (point[frame] for point in scene.leg(limb))
    noise_hip, noise_knee, noise_ankle = scene.noise(*leg_names(limb))
    return float(joint_angle_sd_deg(hip, knee, ankle, (noise_hip, noise_knee, noise_ankle)))


def tilted_px(scene: Scene, rep: Rep, apart_px: FloatArray, *names: str) -> float:
    """Return how far sideways the vertical's uncertainty can carry one point over another."""
    _, height = at_lowest(scene, rep, apart_px @ scene.tracks.down, *names)
    return abs(height.value) * math.radians(scene.tracks.down_sd_deg)
