"""(Tracks, Contacts) -> whether both feet were off the floor although no flight was found."""

from __future__ import annotations

import numpy as np

from landing_analysis.maths.signals import runs
from landing_analysis.settings import ClockSettings
from landing_analysis.tables import LANDMARK, LIMBS, BoolArray, Contacts, Tracks


def lifted_between_flights(tracks: Tracks, contacts: Contacts, settings: ClockSettings) -> bool:
    """Say whether both feet left the floor outside all flights, as in a much slowed flight.

    Parameters
    ----------
    tracks, contacts : of one clip
    settings : ClockSettings

    Returns
    -------
    bool
        Both feet's toes were ``lifted_m`` above the height that they mostly rest at, for
        ``lifted_s`` and away from every flight. Somebody who walks toward the camera can
        seem so as well.
    """
    height_m = -(tracks.raw_px @ tracks.down) / tracks.px_per_m
    toes_m = height_m[:, [LANDMARK[f"{limb}_toe"] for limb in LIMBS]]
    if not np.isfinite(toes_m).any(axis=0).all():
        return False
    floors_m = np.nanpercentile(toes_m, settings.floor_percentile, axis=0)
    with np.errstate(invalid="ignore"):
        lifted: BoolArray = np.all(toes_m - floors_m > settings.lifted_m, axis=1)
    for flight in contacts.flights:
        start_s = flight.take_off.t_s if flight.take_off else -np.inf
        end_s = flight.landing.t_s if flight.landing else np.inf
        beside = settings.lifted_beside_s
        lifted &= (tracks.t_s < start_s - beside) | (tracks.t_s > end_s + beside)
    return any(tracks.t_s[b] - tracks.t_s[a] >= settings.lifted_s for a, b in runs(lifted))
