"""Steps from foot to foot, quick and low: read from each foot's own swings.

Legs that are drawn up and put down many times a second carry so much of the body's mass that
its middle hardly falls in a flight of a tenth of a second. But the feet tell: while one
stands, the other swings. Where swings of both feet take turns at the pace of jogging, a foot
lands where its swing ends, and the body flies from the last toe-off to the next landing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.ndimage import percentile_filter

from landing_analysis.contacts.feet import Motion
from landing_analysis.maths.signals import close_gaps, runs
from landing_analysis.reasons import Code, because
from landing_analysis.settings import StepSettings
from landing_analysis.tables import (
    LIMBS,
    Contact,
    Contacts,
    Event,
    Flight,
    FloatArray,
    Limb,
)

_HELD = because(Code.HELD_TO_END)


class Swing(NamedTuple):
    """One foot in the air: when it left and landed, with the uncertainty of both, seconds."""

    limb: Limb
    off_s: float
    on_s: float
    sd_s: float


class Bout(NamedTuple):
    """Steps without a pause: contacts and flights, from the first take-off to the last landing."""

    start_s: float
    end_s: float
    contacts: tuple[Contact, ...]
    flights: tuple[Flight, ...]


def with_steps(found: Contacts, motion: Motion, settings: StepSettings) -> Contacts:
    """Put quick steps in the place of what the body's falls show of them.

    Parameters
    ----------
    found : Contacts from the falls of the body
    motion : Motion
    settings : StepSettings

    Returns
    -------
    Contacts
        Bouts of steps of which the falls show every landing stay as these show them.

    Notes
    -----
    A swing begins and ends where its toes cross ``settings.high_m`` above their own floor,
    carried on to the floor at the speed of the crossing. A foot lands where the other one is
    in the air, or leaves at once. Limits: a foot that is lifted by less than
    ``settings.least_swing_m`` does not swing, and slower steps are left to the falls.
    """
    for bout in _bouts(motion, settings):
        inside = [c for c in found.contacts if _within(c.initial_contact.t_s, bout, settings)]
        if all(_shown(contact, inside, settings) for contact in bout.contacts):
            continue
        contacts = [c for c in found.contacts if c not in inside]
        flights = [f for f in found.flights if not _within(_landing_s(f), bout, settings)]
        found = replace(
            found,
            contacts=tuple(
                sorted([*contacts, *bout.contacts], key=lambda c: c.initial_contact.t_s)
            ),
            flights=tuple(sorted([*flights, *bout.flights], key=_landing_s)),
        )
    return found


def _shown(contact: Contact, found: list[Contact], settings: StepSettings) -> bool:
    """Say whether a landing is among others, and that foot's alone."""
    near = [
        one.limb
        for one in found
        if abs(one.initial_contact.t_s - contact.initial_contact.t_s) < settings.beside_s
    ]
    return near == [contact.limb]


def _within(at_s: float, bout: Bout, settings: StepSettings) -> bool:
    return bout.start_s - settings.beside_s <= at_s <= bout.end_s + settings.beside_s


def _landing_s(flight: Flight) -> float:
    """Return when a flight ends, the clip's end where that cuts it off."""
    return flight.landing.t_s if flight.landing else float("inf")


def _bouts(motion: Motion, settings: StepSettings) -> Iterator[Bout]:
    swings = {limb: _swings(motion, limb, settings) for limb in LIMBS}
    steps = sorted(
        (
            step
            for limb, other in (LIMBS, LIMBS[::-1])
            for step in _steps(swings[limb], swings[other], settings)
        ),
        key=lambda step: step.swing.on_s,
    )
    chain: list[Step] = []
    for step in [*steps, None]:
        if chain and (step is None or not _follows(chain[-1], step, settings)):
            if len(chain) >= settings.fewest_steps:
                yield _bout(chain)
            chain = []
        if step is not None:
            chain.append(step)


class Step(NamedTuple):
    """A swing that ends in a landing: when the other foot left, and when this one leaves again."""

    swing: Swing
    left_s: float
    leaves_s: float | None


def _steps(own: list[Swing], other: list[Swing], settings: StepSettings) -> Iterator[Step]:
    """Yield the swings at whose end the other foot is in the air, or leaves at once."""
    for number, swing in enumerate(own):
        beside = next((one for one in other if one.on_s > swing.on_s), None)
        if beside is None or beside.off_s > swing.on_s + settings.both_stand_s:
            continue
        overlap_s = swing.on_s - beside.off_s
        if overlap_s < settings.most_overlap_share * (swing.on_s - swing.off_s):
            leaves_s = own[number + 1].off_s if number + 1 < len(own) else None
            yield Step(swing, beside.off_s, leaves_s)


def _follows(before: Step, step: Step, settings: StepSettings) -> bool:
    """Say whether a step is the next one: of the other foot, and soon."""
    between_s = step.swing.on_s - before.swing.on_s
    soon = settings.shortest_step_s <= between_s <= settings.longest_step_s
    return soon and step.swing.limb != before.swing.limb


def _bout(chain: list[Step]) -> Bout:
    """Turn steps into contacts, and what lies between them into flights."""
    contacts, flights = [], []
    for step in chain:
        limb, on_s, sd_s = step.swing.limb, step.swing.on_s, step.swing.sd_s
        landing = Event(on_s, sd_s)
        toe_off = Event(step.leaves_s, sd_s) if step.leaves_s is not None else None
        contacts.append(Contact(limb, landing, toe_off, None if toe_off else _HELD, landing))
        other: Limb = "right" if limb == "left" else "left"
        flights.append(Flight(Event(min(step.left_s, on_s), sd_s), landing, (other,), (limb,)))
    return Bout(chain[0].swing.off_s, chain[-1].swing.on_s, tuple(contacts), tuple(flights))


def _swings(motion: Motion, limb: Limb, settings: StepSettings) -> list[Swing]:
    """Return the swings of one foot."""
    t_s = motion.t_s
    step_s = float(np.median(np.diff(t_s)))
    above_m = _above_floor_m(t_s, motion.toe_m[limb], settings)
    ankle_m = _above_floor_m(t_s, motion.ankle_m[limb], settings)
    noise_m = float(np.nan_to_num(motion.noise_m[f"{limb}_toe"]))
    high_m = max(settings.high_m, settings.noise_sds * noise_m)
    up = close_gaps(t_s, above_m > high_m, settings.gap_s)
    found = []
    for first, last in runs(up):
        if first == 0 or last == len(t_s) - 1:
            continue
        top_m, ankle_top_m = (float(part[first : last + 1].max()) for part in (above_m, ankle_m))
        if top_m < max(settings.least_swing_m, high_m) or ankle_top_m < settings.least_ankle_m:
            continue
        if t_s[last] - t_s[first] < settings.least_swing_s:
            continue
        off_s, _ = _on_floor(t_s, above_m, first, -1, high_m, settings)
        on_s, speed = _on_floor(t_s, above_m, last, 1, high_m, settings)
        parts = (noise_m / speed, settings.model_sd_s, settings.frame_share * step_s)
        found.append(Swing(limb, off_s, on_s, float(np.linalg.norm(parts))))
    return found


def _above_floor_m(t_s: FloatArray, height_m: FloatArray, settings: StepSettings) -> FloatArray:
    """Return heights above where a part of a foot is when it stands, gaps bridged."""
    known = np.isfinite(height_m)
    if not known.any():
        return np.zeros_like(height_m)
    whole_m = np.interp(t_s, t_s[known], height_m[known])
    width = int(2 * settings.floor_reach_s / float(np.median(np.diff(t_s)))) | 1
    floor_m = percentile_filter(whole_m, settings.floor_percentile, width, mode="nearest")
    above_m: FloatArray = whole_m - floor_m
    return above_m


def _on_floor(
    t_s: FloatArray,
    above_m: FloatArray,
    edge: int,
    way: int,
    high_m: float,
    settings: StepSettings,
) -> tuple[float, float]:
    """Return when a foot is on the floor, from where it crosses a height at an edge of a swing.

    And its speed there, m/s.
    """
    inside, outside = edge, edge + way
    drop = above_m[inside] - above_m[outside]
    share = (above_m[inside] - high_m) / drop if drop > 0 else 0.5  # definition: halfway
    crossed_s = t_s[inside] + float(np.clip(share, 0, 1)) * (t_s[outside] - t_s[inside])
    speed = max(abs(_slope(t_s, above_m, edge, settings)), settings.least_speed_m_s)
    return float(crossed_s + way * high_m / speed), speed


def _slope(t_s: FloatArray, above_m: FloatArray, edge: int, settings: StepSettings) -> float:
    """Return the speed of a foot around the edge of a swing, m/s."""
    near = np.abs(t_s - t_s[edge]) <= settings.slope_reach_s
    near[max(edge - 1, 0) : edge + 2] = True
    return float(np.polyfit(t_s[near] - t_s[edge], above_m[near], 1)[0])
