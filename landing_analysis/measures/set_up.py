"""How a sled is set up: the knee at rest with the feet on the plate, and where landings reach."""

from __future__ import annotations

import numpy as np

from landing_analysis.maths.signals import local_polynomial, runs
from landing_analysis.reasons import Code, because
from landing_analysis.settings import LyingSettings
from landing_analysis.tables import (
    Contacts,
    FloatArray,
    KneeAngles,
    Measures,
    Note,
    Tracks,
)
from landing_analysis.tracks.pull import body_height_m


def set_up_notes(
    tracks: Tracks,
    contacts: Contacts,
    angles: KneeAngles | None,
    measures: Measures,
    settings: LyingSettings,
) -> tuple[Note, ...]:
    """Say how a lying patient's sled is set, and what cords hide; nothing of one who stands.

    Parameters
    ----------
    tracks : stood up
    angles : from `knee_angles`, in degrees frame by frame
    measures : of the same clip, with the peak flexion of its landings

    Returns
    -------
    tuple of Note
        The knee at rest is the near one's in the longest time before the first take-off, or
        after the last landing, in which the carriage stands still; what is taught (rest near
        90, landings near 60 degrees) is common practice, no source.
    """
    if not tracks.turns:
        return ()
    unchecked = Note("time base", "good", (because(Code.REAL_TIME_NOT_TOLD),))
    return (unchecked, _set_up(tracks, contacts, angles, measures, settings))


def _set_up(
    tracks: Tracks,
    contacts: Contacts,
    angles: KneeAngles | None,
    measures: Measures,
    settings: LyingSettings,
) -> Note:
    peaks = [
        row.value
        for row in measures.measures
        if row.name == "knee_flexion_peak" and row.value is not None
    ]
    rest_deg = None
    if angles is not None and angles.kind == "flexion":
        (flexion_deg,) = angles.deg.values()
        rest_deg = _at_rest_deg(tracks, contacts, flexion_deg, settings)
    if rest_deg is None or not peaks:
        return Note("sled set-up", "limited", (because(Code.SLED_SET_UP_UNSEEN),))
    read = because(
        Code.SLED_SET_UP,
        rest_deg=rest_deg,
        landing_deg=float(np.median(peaks)),
        taught_rest_deg=settings.taught_rest_deg,
        sd_deg=settings.knee.angle_sd_deg,
    )
    return Note("sled set-up", "good", (read,))


def _at_rest_deg(
    tracks: Tracks, contacts: Contacts, flexion_deg: FloatArray, settings: LyingSettings
) -> float | None:
    """Return the median flexion of the longest rest outside the set, None without one."""
    height_m = body_height_m(tracks)[:, None]
    speed = local_polynomial(tracks.t_s, height_m, settings.rest_half_window_s, 1)[1][:, 0]
    takes_off = [flight.take_off.t_s for flight in contacts.flights if flight.take_off]
    lands = [flight.landing.t_s for flight in contacts.flights if flight.landing]
    if not takes_off or not lands:
        return None
    outside = (tracks.t_s < min(takes_off)) | (tracks.t_s > max(lands))
    with np.errstate(invalid="ignore"):
        still = outside & (np.abs(speed) < settings.rests_m_s) & np.isfinite(flexion_deg)
    before = runs(still & (tracks.t_s < min(takes_off))) or runs(still)
    longest = max(before, key=lambda run: run[1] - run[0], default=None)
    if longest is None or tracks.t_s[longest[1]] - tracks.t_s[longest[0]] < settings.least_rest_s:
        return None
    return float(np.median(flexion_deg[longest[0] : longest[1] + 1]))
