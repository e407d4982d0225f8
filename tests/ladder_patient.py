"""An invented patient on the standing rungs of the ladder, drawn with sticks, with its truth.

Written down in closed form; nobody was measured. The hips fly on parabolas and sink on half
sines; feet stand still on the ground and swing on splines through a peak pose; knees follow
from hip and ankle. Noise is slow as well as white, as a pose model's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline
from scipy.ndimage import gaussian_filter1d

from landing_analysis.definitions import SIDE_VIEWS
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    N_LANDMARKS,
    FloatArray,
    Landmarks,
    Limb,
    View,
)

G = 9.81
STAND_S = 1.2
ANKLE_M = 0.08
FLOOR_PX = 1150.0
CENTRE_PX = 360.0


@dataclass(frozen=True)
class Body:
    """Thigh and shank are equal; the scale is the picture's at the patient."""

    segment_m: float
    trunk_m: float
    px_per_m: float

    @property
    def stature_m(self) -> float:
        """Body height by the leg's share of it."""
        return 2 * self.segment_m / 0.491


TUNE = (Body(0.41, 0.48, 470.0), Body(0.44, 0.53, 430.0))
HOLD = (Body(0.38, 0.45, 520.0), Body(0.46, 0.55, 400.0))


@dataclass(frozen=True)
class Style:
    """How a bout of steps looks: times in seconds, angles in degrees at the top of the swing."""

    exercise: str
    flight_s: float
    contact_s: float
    thigh_deg: float
    knee_deg: float


def style_of(exercise: str, rng: np.random.Generator) -> Style:
    """Draw one patient's way of doing an exercise."""
    low, high = {
        "jog_in_place": ((0.07, 0.18, 22, 65), (0.14, 0.28, 42, 95)),
        "high_knees": ((0.06, 0.15, 72, 80), (0.12, 0.23, 100, 105)),
        "heel_kicks": ((0.06, 0.15, -5, 112), (0.12, 0.23, 18, 135)),
    }[exercise]
    return Style(exercise, *(float(rng.uniform(a, b)) for a, b in zip(low, high, strict=True)))


@dataclass(frozen=True)
class Bout:
    """What was done, from the first landing to the last."""

    exercise: str
    start_s: float
    end_s: float
    steps: int


@dataclass(frozen=True)
class Truth:
    """Instants of each limb, the peak of each swing by its landing, and the bouts."""

    landings_s: dict[Limb, list[float]]
    toe_offs_s: dict[Limb, list[float]]
    thigh_deg: dict[Limb, list[float]]
    bouts: tuple[Bout, ...]


def stepping(
    styles: list[tuple[Style, int]],
    view: View,
    body: Body = TUNE[0],
    rate_hz: float = 60.0,
    noise_px: float = 1.5,
    seed: int = 1,
) -> tuple[Landmarks, Truth]:
    """Return bouts of so many steps from foot to foot, one after the other without a rest."""
    flights, owner = [], []
    at_s = STAND_S + 0.4
    for style, steps in styles:
        for _ in range(steps):
            flights.append((at_s, at_s + style.flight_s))
            owner.append(style)
            at_s += style.flight_s + style.contact_s
    t_s = np.arange(0.0, flights[-1][1] + 1.5, 1.0 / rate_hz)
    hip_m = _hips(t_s, flights, body)
    limbs = [LIMBS[(k + seed) % 2] for k in range(len(flights))]
    truth = Truth({k: [] for k in LIMBS}, {k: [] for k in LIMBS}, {k: [] for k in LIMBS}, ())
    ankles = {}
    for limb in LIMBS:
        mine = [k for k, own in enumerate(limbs) if own == limb]
        swings, last_off = [], STAND_S
        for k in mine:
            off = last_off if k < 2 else flights[k - 1][0]
            off = STAND_S if k == 0 else flights[k - 1][0] if k >= 1 and k - 2 < 0 else off
            swings.append((off, flights[k][1], owner[k]))
            truth.landings_s[limb].append(flights[k][1])
            if k + 1 < len(flights):
                truth.toe_offs_s[limb].append(flights[k + 1][0])
        if limbs[-1] != limb:  # the other foot comes down beside the last one
            swings.append((flights[-1][0], flights[-1][1] + 0.35, owner[-1]))
        ankles[limb] = _ankle(t_s, hip_m, swings, body)
    bouts, first = [], 0
    for style, steps in styles:
        last = first + steps - 1
        bouts.append(Bout(style.exercise, flights[first][1], flights[last][1], steps))
        first += steps
    points = {limb: _leg(t_s, hip_m, ankles[limb], body) for limb in LIMBS}
    for limb in LIMBS:
        thigh = points[limb]["thigh_deg"]
        for landed_s in truth.landings_s[limb]:
            before = (t_s > landed_s - 0.5) & (t_s < landed_s)
            truth.thigh_deg[limb].append(float(thigh[before].max()))
    landmarks = _drawn(t_s, hip_m, np.zeros_like(t_s), points, view, body, noise_px, seed)
    return landmarks, Truth(truth.landings_s, truth.toe_offs_s, truth.thigh_deg, tuple(bouts))


def shifting(
    loads_s: list[float],
    view: View,
    body: Body = TUNE[0],
    rate_hz: float = 60.0,
    noise_px: float = 1.5,
    seed: int = 1,
    half_m: float = 0.22,
    slide_m: float = 0.0,
    bend_deg: float = 55.0,
) -> tuple[Landmarks, Truth]:
    """Return the weight shifted from leg to leg, ``loads_s`` long each, without a flight.

    The body passes the middle between the feet where one load ends and the next begins.
    With ``slide_m`` the feet slide along: a drive off one foot and a glide to the other side,
    the trailing foot following.
    """
    edges = STAND_S + np.concatenate([[0.0], np.cumsum(loads_s)])
    t_s = np.arange(0.0, edges[-1] + 1.3, 1.0 / rate_hz)
    limbs = [LIMBS[(k + seed) % 2] for k in range(len(loads_s))]
    knots = [0.0, STAND_S - 0.35, *(0.5 * (edges[:-1] + edges[1:])), edges[-1] + 0.4, t_s[-1] + 1]
    reach = 0.85 * half_m + slide_m
    places = [0.0, 0.0, *(reach if limb == "left" else -reach for limb in limbs), 0.0, 0.0]
    across = CubicHermiteSpline(knots, places, np.zeros(len(knots)))(t_s)
    flexion = 25.0 + (bend_deg - 25.0) * np.clip(np.abs(across) / reach, 0, 1)
    flexion[(t_s < STAND_S - 0.35) | (t_s > edges[-1] + 0.4)] = 25.0
    hip_m = ANKLE_M + 2 * body.segment_m * np.cos(np.radians(flexion) / 2)
    middle = across * slide_m / reach if slide_m else np.zeros_like(t_s)
    points = {}
    for limb in LIMBS:
        sign = 1.0 if limb == "left" else -1.0
        unloaded = np.clip(-sign * across / reach - 0.55, 0, 1)
        lift = 0.0 if slide_m else 0.10 * unloaded
        ankle = np.stack([np.zeros_like(t_s), ANKLE_M + lift + 0 * t_s], axis=1)
        points[limb] = _leg(t_s, hip_m, ankle, body)
        points[limb]["out"] = middle + sign * half_m
    fine_s = np.arange(edges[0], edges[-1] - 0.2 * loads_s[-1], 1e-4)
    path = CubicHermiteSpline(knots, places, np.zeros(len(knots)))(fine_s)
    passes = fine_s[1:][path[1:] * path[:-1] < 0]
    edges = np.array([edges[0], *passes, edges[-1]])
    truth = Truth(
        {k: [float(e) for e, own in zip(edges, limbs, strict=False) if own == k] for k in LIMBS},
        {k: [float(e) for e, own in zip(edges[1:], limbs, strict=True) if own == k] for k in LIMBS},
        {},
        (Bout("slide_board" if slide_m else "lateral_bound", STAND_S, edges[-1], len(loads_s)),),
    )
    return _drawn(t_s, hip_m, across, points, view, body, noise_px, seed), truth


def _hips(t_s: FloatArray, flights: list[tuple[float, float]], body: Body) -> FloatArray:
    """Fly between take-off and landing, sink and rise again on the ground."""
    up = np.zeros_like(t_s)
    first_speed = G * (flights[0][1] - flights[0][0]) / 2
    up -= _dip(t_s, flights[0][0] - 0.35, flights[0][0], first_speed)
    for (start, stop), following in zip(flights, [*flights[1:], None], strict=True):
        s, speed = np.clip(t_s - start, 0, stop - start), G * (stop - start) / 2
        up += speed * s - G * s**2 / 2
        up -= _dip(t_s, stop, following[0] if following else stop + 0.4, speed)
    return ANKLE_M + 1.93 * body.segment_m + up


def _dip(t_s: FloatArray, start: float, stop: float, speed: float) -> FloatArray:
    phase = np.clip((t_s - start) / (stop - start), 0, 1)
    return speed * (stop - start) / np.pi * np.sin(np.pi * phase)


def _ankle(t_s, hip_m, swings, body: Body) -> FloatArray:
    """Return (n, 2) places of an ankle, forward and up: on the ground except in swings."""
    place = np.stack([np.zeros_like(t_s), np.full_like(t_s, ANKLE_M)], axis=1)
    for off, on, style in swings:
        inside = (t_s > off) & (t_s < on)
        length = on - off
        top = ANKLE_M + 1.93 * body.segment_m
        thigh, shank = np.radians([style.thigh_deg, style.thigh_deg - style.knee_deg])
        peak = body.segment_m * np.array(
            [np.sin(thigh) + np.sin(shank), -np.cos(thigh) - np.cos(shank)]
        ) + [0, top]
        knots = off + length * np.array([0.0, 0.5, 1.0])
        rise = peak[1] - ANKLE_M
        # A foot leaves and lands no slower than the body flies.
        speed = max(2.2 * rise / length, 0.3 + G * style.flight_s / 2)
        up = CubicHermiteSpline(knots, [ANKLE_M, peak[1], ANKLE_M], [speed, 0.0, -speed])
        forward = CubicHermiteSpline(knots, [0.0, peak[0], 0.0], [0.0, 0.0, 0.0])
        place[inside] = np.stack([forward(t_s[inside]), up(t_s[inside])], axis=1)
    return place


def _leg(t_s, hip_m, ankle, body: Body) -> dict[str, FloatArray]:
    """Return knee, heel and toes, (n, 2) forward and up, and the thigh's angle."""
    hip = np.stack([np.zeros_like(hip_m), hip_m], axis=1)
    line = ankle - hip
    length = np.clip(np.linalg.norm(line, axis=1), 1e-3, 1.999 * body.segment_m)
    half = np.arccos(0.5 * length / body.segment_m)
    down = np.arctan2(line[:, 0], -line[:, 1])
    thigh = down + half
    knee = hip + body.segment_m * np.stack([np.sin(thigh), -np.cos(thigh)], axis=1)
    lifted = np.clip((ankle[:, 1] - ANKLE_M) / 0.25, 0, 1) ** 1.5
    pitch = lifted * (down - half)

    def from_ankle(forward: float, up: float) -> FloatArray:
        turned = [
            forward * np.cos(pitch) - up * np.sin(pitch),
            forward * np.sin(pitch) + up * np.cos(pitch),
        ]
        return ankle + np.stack(turned, axis=1)

    return {
        "hip": hip, "knee": knee, "ankle": ankle, "heel": from_ankle(-0.05, -0.05),
        "toe": from_ankle(0.15, -0.07), "thigh_deg": np.degrees(thigh),
    }  # fmt: skip


def _drawn(t_s, hip_m, across, points, view: View, body: Body, noise_px, seed) -> Landmarks:
    side_on = view in SIDE_VIEWS
    ahead = -1.0 if view == "left_side" else 1.0
    to_left = {"front": 1.0, "back": -1.0}.get(view, 0.0)
    near: Limb = "left" if view == "left_side" else "right"
    xy = np.full((len(t_s), N_LANDMARKS, 2), np.nan)

    def put(name: str, forward, out, up) -> None:
        x = forward * ahead if side_on else out * to_left
        xy[:, LANDMARK[name], 0] = CENTRE_PX + body.px_per_m * x
        xy[:, LANDMARK[name], 1] = FLOOR_PX - body.px_per_m * up

    zero = np.zeros_like(t_s)
    for limb in LIMBS:
        sign = 1.0 if limb == "left" else -1.0
        foot_out = points[limb].get("out", across + 0.09 * sign)
        for part in ("hip", "knee", "ankle", "heel", "toe"):
            share = {"hip": 0.0, "knee": 0.5}.get(part, 1.0)
            out = across + sign * 0.09 + share * (foot_out - across - sign * 0.09)
            place = points[limb][part]
            put(f"{limb}_{part}", place[:, 0], out, place[:, 1])
        shoulder = hip_m + body.trunk_m
        for part, out, up in (
            ("shoulder", 0.18, 0.0), ("elbow", 0.24, -0.27), ("wrist", 0.22, -0.45),
            ("pinky", 0.22, -0.5), ("index", 0.22, -0.5), ("thumb", 0.2, -0.5),
            ("ear", 0.07, 0.22), ("eye", 0.03, 0.24), ("eye_inner", 0.02, 0.24),
            ("eye_outer", 0.04, 0.24),
        ):  # fmt: skip
            put(
                f"{limb}_{part}",
                zero + 0.05 * (part != "shoulder"),
                across + sign * out,
                shoulder + up,
            )
        put(f"mouth_{limb}", zero + 0.1, across + sign * 0.02, shoulder + 0.18)
    put("nose", zero + 0.12, across, hip_m + body.trunk_m + 0.21)
    rng = np.random.default_rng(seed)
    slow = gaussian_filter1d(rng.normal(0, 1, xy.shape), 0.04 / np.median(np.diff(t_s)), axis=0)
    xy += noise_px * (0.8 * rng.normal(0, 1, xy.shape) + 0.6 * slow / slow.std())
    visibility = np.ones(xy.shape[:2])
    if side_on:
        far = "right" if near == "left" else "left"
        for part in ("hip", "knee", "ankle", "heel", "toe"):
            visibility[:, LANDMARK[f"{far}_{part}"]] = 0.6
    world = np.zeros((len(t_s), N_LANDMARKS, 3))
    x, z = {"front": (0.1, 0.0), "back": (-0.1, 0.0), "right_side": (0.0, 0.1)}.get(
        view, (0.0, -0.1)
    )
    for part in ("hip", "shoulder"):
        for limb, sign in (("left", 1), ("right", -1)):
            world[:, LANDMARK[f"{limb}_{part}"]] = (sign * x, 0.0, sign * z)
    return Landmarks(t_s, xy, visibility, world, 720, 1280)
