"""Feet whose legs are drawn up or stretched out in the air: their edges are read too wide.

Where a foot leaves, or lands, is told by a corner between its toes' rest and a free-fall arc
(`feet`). Toes that leave the floor faster than the body does are drawn up by the leg. They start
from rest, as everything does that stood, so that the arc through them begins late; and toes
that are stretched down to the floor faster than the body falls slow down before they touch.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from landing_analysis.contacts.feet import FootEvents, Motion
from landing_analysis.settings import ContactSettings
from landing_analysis.tables import Event, Limb

_FROM_REST_SHARE = 1 / 6  # definition: where a line through a parabola from rest leaves the floor


def with_legs_drawn_up(
    motion: Motion,
    limb: Limb,
    segment: tuple[int, int],
    events: FootEvents,
    settings: ContactSettings,
) -> FootEvents:
    """Place the edges of a foot anew by how much faster than the body its toes move in the air.

    Parameters
    ----------
    motion : Motion
    limb : the patient's own
    segment : first and last frame of the candidate flight
    events : of that foot around it
    settings : ContactSettings

    Returns
    -------
    FootEvents
        Toe-off earlier and toe contact later, by what a start from rest costs, and by as much
        less certain; unchanged where toes move as the body does, or are not seen.

    Notes
    -----
    A line through the first ``w`` seconds of a parabola from rest leaves the floor at ``w`` / 6:
    that is the most. How soon a leg draws its toes to their speed is not seen at 60 frames/s.
    """
    flight_s = float(motion.t_s[segment[1]] - motion.t_s[segment[0]])
    toe_off, toe_contact = (
        _placed(motion, limb, event, kind, level_m, flight_s, settings)
        for event, kind, level_m in (
            (events.toe_off, "leaving", events.level_before_m),
            (events.toe_contact, "landing", events.level_after_m),
        )
    )
    return replace(events, toe_off=toe_off, toe_contact=toe_contact)


def _placed(
    motion: Motion,
    limb: Limb,
    event: Event | None,
    kind: str,
    level_m: float,
    flight_s: float,
    settings: ContactSettings,
) -> Event | None:
    if event is None:
        return None
    into_air = 1.0 if kind == "leaving" else -1.0
    since_s = into_air * (motion.t_s - event.t_s)
    near_s = min(settings.change_point_moving_s, 0.5 * flight_s)  # definition: as is fitted
    beside = (since_s > near_s / 3) & (since_s < near_s)  # definition: about two thirds of it
    stood_m = float(np.interp(event.t_s, motion.t_s, motion.body_m))
    faster_m = motion.toe_m[limb] - level_m - (motion.body_m - stood_m)
    faster_m = faster_m[beside & np.isfinite(faster_m)]
    if not len(faster_m):
        return event
    late_s = settings.drawn_up_s_per_m * float(np.median(faster_m))
    late_s = float(np.clip(late_s, 0.0, _FROM_REST_SHARE * near_s))
    return Event(event.t_s - into_air * late_s, float(np.hypot(event.sd_s, late_s)))
