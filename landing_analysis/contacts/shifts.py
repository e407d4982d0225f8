"""Weight shifted from leg to leg without leaving the ground: in place, or along a slide board.

There is no flight and nothing lands: a leg is loaded from when the pelvis passes the middle
between the feet on its way to it until it passes it again on its way back.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from landing_analysis.definitions import FRONTAL_VIEWS
from landing_analysis.maths.signals import local_polynomial
from landing_analysis.reasons import Code, because
from landing_analysis.settings import ShiftSettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    Contact,
    Contacts,
    Event,
    Flight,
    FloatArray,
    Limb,
    Tracks,
    ViewEstimate,
)

_HELD = because(Code.HELD_TO_END)


def find_shifts(tracks: Tracks, view: ViewEstimate, settings: ShiftSettings) -> Contacts:
    """Find the loads of a body that goes to and fro between its feet.

    Parameters
    ----------
    tracks, view : of one clip in which nobody left the ground
    settings : ShiftSettings

    Returns
    -------
    Contacts
        One contact per load, with the flight that goes before each without a take-off: there
        was none. Empty in a view that does not show the way from foot to foot.

    Notes
    -----
    Own reading, no source: half of the weight is on each leg where the pelvis is in the middle,
    as long as the body moves slowly. Limits: a load that begins from standing begins where the
    pelvis leaves the middle, which is less certain; force is not measured.
    """
    if view.view not in FRONTAL_VIEWS:
        return Contacts((), ())
    share, wide = _share_to_left(tracks)
    passes = _passes(
        tracks.t_s, np.where(wide >= settings.least_stance_legs, share, np.nan), settings
    )
    kept = _to_and_fro(passes, settings)
    if len(kept) < settings.fewest_loads:
        return Contacts((), ())
    contacts, flights = [], []
    for number, (limb, start_s, sd_s) in enumerate(kept):
        landing = Event(start_s, sd_s)
        following = kept[number + 1] if number + 1 < len(kept) else None
        leaves = Event(following[1], following[2]) if following else None
        contacts.append(Contact(limb, landing, leaves, None if leaves else _HELD))
        other: Limb = "right" if limb == "left" else "left"
        flights.append(Flight(None, landing, (other,), (limb,)))
    return Contacts(tuple(contacts), tuple(flights))


def are_shifts(contacts: Contacts) -> bool:
    """Whether contacts are loads of a body that never left the ground."""
    flights = contacts.flights
    return bool(flights) and all(f.take_off is None and bool(f.take_off_limbs) for f in flights)


_Load = tuple[Limb, float, float]
"""A limb, when its load begins, and the standard uncertainty of that."""


def _share_to_left(tracks: Tracks) -> tuple[FloatArray, FloatArray]:
    """Return where the pelvis is between the feet, 0 over the right, 1 over the left one.

    And how far apart the feet are, in leg lengths; (n_frames,) each.
    """
    across = np.array([tracks.down[1], -tracks.down[0]])
    places = {
        name: tracks.raw_px[:, LANDMARK[name]] @ across
        for name in (f"{limb}_{part}" for limb in LIMBS for part in ("hip", "ankle"))
    }
    left, right = places["left_ankle"], places["right_ankle"]
    apart = left - right
    pelvis = 0.5 * (places["left_hip"] + places["right_hip"])
    with np.errstate(divide="ignore", invalid="ignore"):
        share: FloatArray = (pelvis - right) / apart
    wide: FloatArray = np.abs(apart) / tracks.leg_px
    return share, wide


def _passes(t_s: FloatArray, share: FloatArray, settings: ShiftSettings) -> list[_Load]:
    """Return each load: the side that the pelvis went to, and when it last left the middle."""
    value, speed = local_polynomial(t_s, share, settings.half_window_s, 2)[:2]
    side, middle = 0, 0
    loads: list[_Load] = []
    for frame in range(1, len(t_s)):
        if not np.isfinite(value[frame]):
            continue
        if (value[frame] - 0.5) * (value[frame - 1] - 0.5) <= 0:
            middle = frame
        now = int(np.sign(value[frame] - 0.5)) * (abs(value[frame] - 0.5) > settings.over_share)
        if now in (0, side):
            continue
        side = now
        if not middle:  # the clip begins on this side
            continue
        at_s, per_s = _crossing(t_s, value, speed, middle)
        frame_s = float(np.median(np.diff(t_s)))
        place_sd_s = settings.share_sd / max(per_s, settings.least_per_s)
        parts_s = (settings.sd_s, place_sd_s, settings.frame_share * frame_s)
        loads.append(("left" if now > 0 else "right", at_s, float(np.linalg.norm(parts_s))))
    return loads


def _crossing(
    t_s: FloatArray, value: FloatArray, speed: FloatArray, frame: int
) -> tuple[float, float]:
    """Return when a signal passes the middle just before a frame, and how fast."""
    before, after = value[frame - 1], value[frame]
    share = (0.5 - before) / (after - before) if after != before else 0.5  # definition: halfway
    at_s = t_s[frame - 1] + float(np.clip(share, 0, 1)) * (t_s[frame] - t_s[frame - 1])
    return float(at_s), float(abs(speed[frame]))


def _to_and_fro(loads: list[_Load], settings: ShiftSettings) -> list[_Load]:
    """Keep the longest run of loads that follow each other at the pace of shifts."""
    runs: list[list[_Load]] = [[load] for load in loads[:1]]
    for before, load in pairwise(loads):
        if settings.shortest_load_s <= load[1] - before[1] <= settings.longest_load_s:
            runs[-1].append(load)
        else:
            runs.append([load])
    return max(runs, key=len, default=[])
