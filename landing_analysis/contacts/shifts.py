"""Weight shifted from leg to leg without leaving the ground: in place, or along a slide board.

There is no flight and nothing lands. In place a leg is loaded from when the pelvis passes the
middle between the feet on its way to it until it passes it again on its way back. On a slide
board both feet go along: there a leg is loaded from when its foot stops at its own end of the
board until that foot leaves again, and the body glides in between.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from landing_analysis.definitions import FRONTAL_VIEWS
from landing_analysis.maths.change_point import ChangePointWindows, fit_change_point
from landing_analysis.maths.signals import local_polynomial, noise_sd, runs
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
    other_limb,
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
    pelvis leaves the middle, which is less certain; the first drive along a board, which begins
    from standing, is no load; force is not measured.
    """
    if view.view not in FRONTAL_VIEWS:
        return Contacts((), ())
    kept = _to_and_fro(_stops(tracks, settings), settings)
    if len(kept) < settings.fewest_stops:
        share, wide = _share_to_left(tracks)
        wide_enough = np.where(wide >= settings.least_stance_legs, share, np.nan)
        kept = _until_next(_to_and_fro(_passes(tracks.t_s, wide_enough, settings), settings))
        if len(kept) < settings.fewest_loads:
            return Contacts((), ())
    contacts, flights = [], []
    for load in kept:
        contacts.append(Contact(load.limb, load.begins, load.ends, None if load.ends else _HELD))
        other = other_limb(load.limb)
        flights.append(Flight(None, load.begins, (other,), (load.limb,)))
    return Contacts(tuple(contacts), tuple(flights))


def are_shifts(contacts: Contacts) -> bool:
    """Whether contacts are loads of a body that never left the ground."""
    flights = contacts.flights
    return bool(flights) and all(f.take_off is None and bool(f.take_off_limbs) for f in flights)


class _Load(NamedTuple):
    """A limb, when its load begins, and when it ends where that is known."""

    limb: Limb
    begins: Event
    ends: Event | None = None


def _until_next(loads: list[_Load]) -> list[_Load]:
    """Let each load end where the next one begins."""
    ended = [load._replace(ends=after.begins) for load, after in pairwise(loads)]
    return [*ended, *loads[-1:]]


def _stops(tracks: Tracks, settings: ShiftSettings) -> list[_Load]:
    """Return when each foot stood at its own end of the way along which both feet slide.

    Empty where they do not slide so far, and of a foot that stands there as the clip begins.
    """
    t_s = tracks.t_s
    across = np.array([tracks.down[1], -tracks.down[0]])
    places_m = {
        limb: sign * (tracks.raw_px[:, LANDMARK[f"{limb}_ankle"]] @ across) / tracks.px_per_m
        for limb, sign in zip(LIMBS, (1.0, -1.0), strict=True)
    }
    loads: list[_Load] = []
    for limb, outward_m in places_m.items():
        known = outward_m[np.isfinite(outward_m)]
        if not len(known):
            return []
        inner_m, outer_m = np.percentile(known, (settings.ends_percentile,
                                                 100 - settings.ends_percentile))  # fmt: skip
        travel_m = outer_m - inner_m
        if travel_m * tracks.px_per_m < settings.least_slide_legs * tracks.leg_px:
            return []
        speed = local_polynomial(t_s, outward_m, settings.half_window_s, 1)[1]
        with np.errstate(invalid="ignore"):
            still = np.abs(speed) < settings.slides_m_s
        noise_m = float(noise_sd(outward_m))
        for first, last in runs(still):
            level_m = float(np.median(outward_m[first : last + 1]))
            at_end = level_m > outer_m - settings.end_share * travel_m
            if first == 0 or not at_end or t_s[last] - t_s[first] < settings.shortest_stop_s:
                continue
            begins = _stop(t_s, -outward_m, float(t_s[first]), noise_m, settings)
            leaves = Event(float(t_s[last]) - settings.leaving_late_s, settings.leaving_sd_s)
            loads.append(_Load(limb, begins, leaves if last < len(t_s) - 1 else None))
    return sorted(loads, key=lambda load: load.begins.t_s)


def _stop(
    t_s: FloatArray, inward_m: FloatArray, near_s: float, noise_m: float, settings: ShiftSettings
) -> Event:
    """Place the instant at which a sliding foot stops."""
    windows = ChangePointWindows(
        settings.stop_search_s, settings.stop_moving_s, settings.stop_resting_s
    )
    found = fit_change_point(
        t_s, inward_m, near_s, "landing", windows, noise_m, fall_m_s2=0.0,
        worst_misfit_m=settings.stop_misfit_m, worst_misfit_sds=settings.stop_misfit_sds,
        step_s=float(np.median(np.diff(t_s))),
    )  # fmt: skip
    if found is None:
        return Event(near_s - settings.still_late_s, settings.leaving_sd_s)
    sd_s = float(np.hypot(found.sd_s, settings.stop_sd_s))
    return Event(found.at_s - settings.stop_late_s, sd_s)


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
    frame_s = float(np.median(np.diff(t_s)))
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
        place_sd_s = settings.share_sd / max(per_s, settings.least_per_s)
        parts_s = (settings.sd_s, place_sd_s, settings.frame_share * frame_s)
        begins = Event(at_s, float(np.linalg.norm(parts_s)))
        loads.append(_Load("left" if now > 0 else "right", begins))
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
    """Keep the longest run of loads of both legs in turn, at the pace of shifts."""
    bouts: list[list[_Load]] = [[load] for load in loads[:1]]
    for before, load in pairwise(loads):
        between_s = load.begins.t_s - before.begins.t_s
        soon = settings.shortest_load_s <= between_s <= settings.longest_load_s
        if soon and load.limb != before.limb:
            bouts[-1].append(load)
        else:
            bouts.append([load])
    return max(bouts, key=len, default=[])
