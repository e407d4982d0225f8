"""(Tracks, Contacts, CameraPath) -> CameraMotion -> Effect: what a moving camera costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from landing_analysis.definitions import TIMES
from landing_analysis.disturbances.effects import Effect, Suppressed, WiderEvents
from landing_analysis.reasons import Code, Reason, because
from landing_analysis.settings import CameraSettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    BoolArray,
    CameraPath,
    Contacts,
    Tracks,
)

_NO_TIMES = because(Code.CAMERA_MOVED)
_FOOT = ("ankle", "heel", "toe")


@dataclass(frozen=True)
class CameraMotion:
    """Standard uncertainties that a moving camera adds.

    Attributes
    ----------
    event_sd_s : to each edge of a contact
    turn_sd_deg : to the direction of the vertical
    sway_px : how far feet that stand on the floor sway in the picture (standard
        deviation) where the background could not be followed, or was and they still do;
        None where all is well, or where nobody stood for long enough
    no_times : why no times can be measured, None where they can
    """

    event_sd_s: float = 0.0
    turn_sd_deg: float = 0.0
    sway_px: float | None = None
    no_times: Reason | None = None


STILL = CameraMotion()


def camera_motion(
    tracks: Tracks, contacts: Contacts, path: CameraPath | None, settings: CameraSettings
) -> CameraMotion:
    """Say what the camera's motion costs.

    Parameters
    ----------
    tracks : stabilised as far as the path is known
    contacts : of the same clip
    path : None where nobody looked: then as a camera that stands still
    settings : CameraSettings

    Returns
    -------
    CameraMotion

    Notes
    -----
    Where the background was followed, what is left of the motion moves an edge by that
    distance over the speed of a foot that lands, and turns the body by it over the leg's
    length; a hand that also carries the lens along moves near and far things differently,
    which is added to an edge. Feet that still sway then show that it was not the room that
    was followed. Where nothing was, feet that stand tell: they sway by as much
    as the camera. A hand turns the phone about its three axes alike, so the picture's own
    turn is taken to be as large as its sway; without anybody standing, that of a hand is
    assumed.
    """
    if path is None or path.state == "still":
        return STILL
    speed_px_s = settings.landing_m_s * tracks.px_per_m
    sway_px = standing_sway_px(tracks, contacts, settings)
    if (
        path.state == "followed"
        and (sway_px or 0) <= settings.stabilised_feet_share * tracks.leg_px
    ):
        left_px = float(np.nanmedian(path.sd_px))
        event_sd_s = float(np.hypot(left_px / speed_px_s, settings.hand_event_sd_s))
        return CameraMotion(event_sd_s, float(np.degrees(left_px / tracks.leg_px)))
    if sway_px is not None and sway_px <= settings.quiet_feet_share * tracks.leg_px:
        return CameraMotion(sway_px=sway_px)
    hand_px = float(np.radians(settings.hand_turn_deg)) * path.focal_px
    turned_px = hand_px if sway_px is None else sway_px
    event_sd_s = turned_px / speed_px_s
    return CameraMotion(
        event_sd_s,
        float(np.degrees(turned_px / path.focal_px)),
        sway_px,
        _NO_TIMES if event_sd_s > settings.worst_event_sd_s else None,
    )


def standing_sway_px(tracks: Tracks, contacts: Contacts, settings: CameraSettings) -> float | None:
    """Return how far feet that stand sway in the picture, None where they do not stand.

    Parameters
    ----------
    tracks, contacts : of one clip; feet stand before the first flight and after the last
    settings : CameraSettings

    Returns
    -------
    Standard deviation of the feet's middle, the larger of both axes, pixels
    """
    if not contacts.flights:
        return None
    first, last = contacts.flights[0], contacts.flights[-1]
    spreads = []
    if first.take_off is not None:
        before = tracks.t_s < first.take_off.t_s - settings.leaving_s
        spreads.append(_spread_px(tracks, before, first.take_off_limbs, settings))
    if last.landing is not None:
        after = tracks.t_s > last.landing.t_s + settings.settled_s
        spreads.append(_spread_px(tracks, after, last.landing_limbs, settings))
    return max((spread for spread in spreads if spread is not None), default=None)


def _spread_px(
    tracks: Tracks, standing: BoolArray, limbs: tuple[str, ...], settings: CameraSettings
) -> float | None:
    feet = [LANDMARK[f"{limb}_{part}"] for limb in limbs or LIMBS for part in _FOOT]
    middle = tracks.raw_px[standing][:, feet].mean(axis=1)
    middle = middle[np.isfinite(middle[:, 0])]
    if len(middle) < settings.standing_s * tracks.rate_hz:
        return None
    return float(middle.std(axis=0).max())


def camera_effect(motion: CameraMotion) -> Effect:
    """Say what a moving camera does to the numbers."""
    no_times = (Suppressed(TIMES, motion.no_times),) if motion.no_times else ()
    return Effect(
        events=(WiderEvents(motion.event_sd_s, motion.event_sd_s),),
        suppressed=no_times,
        vertical_sd_deg=motion.turn_sd_deg,
    )
