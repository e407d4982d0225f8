"""A point-mass jumper with feet, written down in closed form: landmarks and their truth.

Invented motion for tests of contacts and reps. The body flies on exact
parabolas, sinks and rises between them on a half sine; toes rest during contact
and follow the body in flight; the heel comes down after the toes and leaves
before them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, Landmarks, Limb

G = 9.81
PX_PER_M = 450.0
FLOOR_PX = 1100.0
STATURE_M = 1.70
HEEL_DELAY_S = 0.04
HEEL_EARLY_S = 0.08


@dataclass(frozen=True)
class Jumper:
    """Landmarks with the instants they were made from."""

    landmarks: Landmarks
    initial_contact_s: dict[Limb, list[float]]
    toe_off_s: dict[Limb, list[float]]


def jump_set(
    flights_s: list[float],
    contacts_s: list[float],
    limbs: tuple[Limb, ...] = LIMBS,
    lead_s: float = 0.0,
    rate_hz: float = 60.0,
    noise_px: float = 0.0,
    seed: int = 1,
    before_s: float = 1.0,
    after_s: float = 1.0,
) -> Jumper:
    """Return flights joined by contacts (one fewer), after and before standing still.

    ``lead_s`` lets the right foot land that much later than the left.
    """
    take_off = before_s
    edges = []
    for flight, contact in zip(flights_s, [*contacts_s, np.inf], strict=True):
        edges.append((take_off, take_off + flight))
        take_off += flight + contact
    end_s = edges[-1][1] + after_s
    t_s = np.arange(0.0, end_s, 1.0 / rate_hz)
    lift = np.zeros_like(t_s)
    last_speed = G * flights_s[0] / 2
    sink = _dip(t_s, edges[0][0] - 0.5, edges[0][0], last_speed)
    for index, (start, stop) in enumerate(edges):
        s = t_s - start
        inside = (s >= 0) & (t_s <= stop)
        lift[inside] = (G * (stop - start) / 2 * s - G * s**2 / 2)[inside]
        until = edges[index + 1][0] if index + 1 < len(edges) else stop + 0.5
        sink += _dip(t_s, stop, until, G * (stop - start) / 2)
    body = lift - sink
    heights = {}
    for limb in LIMBS:
        delay = lead_s if limb == "right" else 0.0
        if limb in limbs:
            toe, heel = _foot(t_s, edges, delay)
        else:
            toe = heel = 0.45 + body
        heights[limb] = (toe, heel)
    landmarks = _landmarks(t_s, body, heights, noise_px, seed)
    return Jumper(
        landmarks,
        {limb: [b + (lead_s if limb == "right" else 0) for _, b in edges] for limb in limbs},
        {limb: [a for a, _ in edges[1:]] for limb in limbs},
    )


def bound_set(
    count: int,
    flight_s: float,
    contact_s: float,
    first: Limb = "left",
    swing_m: float = 0.25,
    rate_hz: float = 60.0,
    noise_px: float = 1.5,
    seed: int = 1,
) -> Jumper:
    """Return flights off both feet and then from foot to foot: bounds, or jogging in place.

    The foot that is not under the body swings up to ``swing_m``; the last landing is held,
    and the other foot comes down beside it half a second later.
    """
    starts = 1.0 + (flight_s + contact_s) * np.arange(count)
    edges = [(start, start + flight_s) for start in starts]
    t_s = np.arange(0.0, edges[-1][1] + 1.2, 1.0 / rate_hz)
    speed = G * flight_s / 2
    body = -_dip(t_s, edges[0][0] - 0.5, edges[0][0], speed)
    for index, (start, stop) in enumerate(edges):
        s = np.clip(t_s - start, 0.0, flight_s)
        body += speed * s - G * s**2 / 2
        until = edges[index + 1][0] if index + 1 < count else stop + 0.5
        body -= _dip(t_s, stop, until, speed)
    order = (first, "right" if first == "left" else "left")
    landings: dict[Limb, list[float]] = {limb: [] for limb in LIMBS}
    toe_offs: dict[Limb, list[float]] = {limb: [] for limb in LIMBS}
    for index, (_, stop) in enumerate(edges):
        landings[order[index % 2]].append(stop)
        if index + 1 < count:
            toe_offs[order[index % 2]].append(edges[index + 1][0])
    heights = {}
    for limb in LIMBS:
        ends = [*landings[limb], edges[-1][1] + 0.5]
        swings = list(zip([edges[0][0], *toe_offs[limb]], ends, strict=False))
        heights[limb] = tuple(
            sum(
                _swing(t_s, start - early, stop + late, flight_s, swing_m) for start, stop in swings
            )
            for early, late in ((0.0, 0.0), (HEEL_EARLY_S, HEEL_DELAY_S))
        )
    return Jumper(_landmarks(t_s, body, heights, noise_px, seed), landings, toe_offs)


def _swing(t_s: np.ndarray, start: float, stop: float, flight_s: float, swing_m: float):
    """Rise and come down: with the body when it lands at once, else forward and back again."""
    height, inside = np.zeros_like(t_s), (t_s > start) & (t_s < stop)
    s = t_s[inside] - start
    if stop - start < flight_s + 0.2:
        height[inside] = G * (stop - start) / 2 * s - G * s**2 / 2
        return height
    times = [0.0, 0.45 * (stop - start), stop - start]
    speeds = [1.3, 0.0, -max(0.7, 0.9 * G * flight_s / 2)]
    height[inside] = CubicHermiteSpline(times, [0.0, swing_m, 0.0], speeds)(s)
    return np.maximum(height, 0.0)


def standing_with(
    body: np.ndarray, toes: dict[Limb, np.ndarray], t_s: np.ndarray, noise_px: float = 1.5
) -> Landmarks:
    """Return landmarks of any other movement from heights in metres."""
    return _landmarks(t_s, body, {limb: (toe, toe) for limb, toe in toes.items()}, noise_px, 3)


def _dip(t_s: np.ndarray, start: float, stop: float, speed: float) -> np.ndarray:
    """Sink and rise again so that the speed at both ends is ``speed``."""
    length = stop - start
    phase = np.clip((t_s - start) / length, 0, 1)
    return speed * length / np.pi * np.sin(np.pi * phase)


def _foot(t_s: np.ndarray, edges: list[tuple[float, float]], delay: float):
    toe, heel = np.zeros_like(t_s), np.zeros_like(t_s)
    for start, stop in edges:
        for height, first, last in (
            (toe, start, stop + delay),
            (heel, start - HEEL_EARLY_S, stop + delay + HEEL_DELAY_S),
        ):
            s = t_s - first
            inside = (s >= 0) & (t_s <= last)
            height[inside] = (G * (last - first) / 2 * s - G * s**2 / 2)[inside]
    return toe, heel


def _landmarks(t_s, body, heights, noise_px, seed) -> Landmarks:
    xy = np.full((len(t_s), N_LANDMARKS, 2), np.nan)
    sides = {"left": 60.0, "right": -60.0}
    fixed = {"shoulder": 0.82, "hip": 0.53}
    for limb, offset in sides.items():
        x = 360.0 + offset
        for part, share in fixed.items():
            xy[:, LANDMARK[f"{limb}_{part}"]] = _point(x, body + share * STATURE_M)
        toe, heel = heights[limb]
        ankle = heel + 0.04 * STATURE_M
        hip = body + 0.53 * STATURE_M
        for part, height in (
            ("toe", toe),
            ("heel", heel),
            ("ankle", ankle),
            ("knee", 0.5 * (hip + ankle)),
        ):
            xy[:, LANDMARK[f"{limb}_{part}"]] = _point(x, height)
    unseen = np.isnan(xy)
    xy[unseen] = 300.0
    xy += np.random.default_rng(seed).normal(0.0, noise_px, xy.shape)
    n = len(t_s)
    return Landmarks(t_s, xy, np.ones((n, N_LANDMARKS)), np.zeros((n, N_LANDMARKS, 3)), 720, 1280)


def _point(x: float, height: np.ndarray) -> np.ndarray:
    return np.stack([np.full_like(height, x), FLOOR_PX - PX_PER_M * height], axis=-1)


def drop_set(
    heights_m: list[float], rebound_s: float | None, noise_px: float = 1.5, seed: int = 1
) -> Landmarks:
    """Return drops off a box, each followed at once by a rebound where ``rebound_s`` is given.

    Between them everything is carried back onto the box, slowly.
    """
    drop_s, period_s, ground_s = 0.32, 6.0, 0.3
    t_s = np.arange(0.0, 1.0 + period_s * len(heights_m), 1.0 / 60.0)
    body, foot = np.zeros_like(t_s), np.zeros_like(t_s)
    for number, box_m in enumerate(heights_m):
        start = 1.5 + period_s * number
        speed = (G * drop_s**2 / 2 - box_m) / drop_s
        s = t_s - start
        until = start + drop_s
        high = (s < 0) & (t_s >= start - 1.5)
        flies = (s >= 0) & (t_s < until)
        up = box_m * np.clip((t_s - (start - 3.0)) / 1.5, 0, 1) if number else box_m + 0 * t_s
        rises = (t_s > start - 3.0) & (t_s < start - 1.5) if number else t_s < start - 1.5
        for part in (body, foot):
            part[high] = box_m
            part[rises] = up[rises]
            part[flies] = (box_m + speed * s - G * s**2 / 2)[flies]
        landing = G * drop_s - speed
        if rebound_s is None:
            body -= _dip(t_s, until, until + 0.5, landing)
            continue
        off = until + ground_s
        body -= _dip(t_s, until, off, G * rebound_s / 2) * landing / (G * rebound_s / 2)
        again = (t_s >= off) & (t_s < off + rebound_s)
        r = t_s - off
        for part in (body, foot):
            part[again] += (G * rebound_s / 2 * r - G * r**2 / 2)[again]
        body -= _dip(t_s, off + rebound_s, off + rebound_s + 0.5, G * rebound_s / 2)
    return _landmarks(t_s, body, dict.fromkeys(LIMBS, (foot, foot)), noise_px, seed)
