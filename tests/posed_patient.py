"""A patient of sticks in three dimensions, seen by a parallel camera from any side.

Invented motion whose angles are known in closed form: one landing after one flight.
The body has its own axes (x forward, y to the patient's left, z up, metres); the
camera looks along the horizontal. Turning the patient to their own left by 90 deg
shows their right side, by -90 deg their left, by 180 deg their back.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from told import told

from landing_analysis.reasons import Code, because
from landing_analysis.settings import Settings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    N_LANDMARKS,
    Contact,
    Event,
    Exercise,
    Flight,
    Landmarks,
    Limb,
    Rep,
    Reps,
    Tracks,
    View,
    ViewEstimate,
)
from landing_analysis.tracks.cleaning import clean_tracks

G = 9.81
SEGMENT_M = 0.42
HIP_HALF_M = 0.10
TRUNK_M = 0.50
ANKLE_M = 0.09
PX_PER_M = 520.0
FLOOR_PX = 1150.0
CENTRE_PX = 360.0

TAKE_OFF_S = 1.0
LANDING_S = 1.3037  # between two frames at any usual rate
LOWEST_S = 1.4637
TOE_OFF_S = 1.6237
END_S = 2.6
READY_S = 0.15  # the knee is bent for the landing this long after take-off
STANDING_DEG = 4.0
IC_SD_S = 0.006
TOE_OFF_SD_S = 0.010
HEEL_DELAY_S = 0.040

SQUARE_ON_DEG: dict[View, float] = {
    "front": 0.0, "right_side": 90.0, "back": 180.0, "left_side": -90.0
}  # fmt: skip


@dataclass(frozen=True)
class Pose:
    """What is true of the landing, in degrees and metres.

    ``inward_m`` is how far each knee lies medial to the line from hip to ankle at the
    lowest point; ``hip_left_m`` how far the pelvis is carried to the patient's left;
    ``turned_out_deg`` how far both legs are turned about the vertical, feet and knees alike.
    """

    flexion_contact_deg: float = 20.0
    flexion_peak_deg: float = 60.0
    inward_m: dict[Limb, float] = field(default_factory=lambda: {"left": 0.0, "right": 0.0})
    hip_left_m: float = 0.0
    lean_left_deg: float = 0.0
    lean_forward_deg: float = 10.0
    turned_out_deg: float = 0.0


def flexion_at_deg(t_s: np.ndarray, pose: Pose) -> np.ndarray:
    """Knee flexion: standing, made ready in the air, a half sine between contact and toe-off."""
    ready = np.clip((t_s - TAKE_OFF_S) / READY_S, 0, 1)
    bent = STANDING_DEG + (pose.flexion_contact_deg - STANDING_DEG) * ready
    phase = np.clip((t_s - LANDING_S) / (TOE_OFF_S - LANDING_S), 0, 1)
    rise = pose.flexion_peak_deg - pose.flexion_contact_deg
    return bent + rise * np.sin(np.pi * phase)


def true_fppa_deg(inward_m: float, flexion_deg: float) -> float:
    """Seen square on: 2 atan(d / half of the distance from hip to ankle)."""
    along = SEGMENT_M * np.cos(np.radians(flexion_deg) / 2)
    return float(2 * np.degrees(np.arctan(inward_m / np.sqrt(along**2 - inward_m**2))))


def seen(
    pose: Pose, turn_deg: float, *, noise_px: float = 0.0, rate_hz: float = 60.0, seed: int = 1
) -> Landmarks:
    """Return landmarks of a patient turned to their own left by ``turn_deg``."""
    t_s = np.arange(0.0, END_S, 1.0 / rate_hz)
    places = _places(t_s, pose)
    turn = np.radians(turn_deg)
    xy = np.full((len(t_s), N_LANDMARKS, 2), np.nan)
    for name, place in places.items():
        across = place[:, 0] * np.sin(turn) + place[:, 1] * np.cos(turn)
        xy[:, LANDMARK[name], 0] = CENTRE_PX + PX_PER_M * across
        xy[:, LANDMARK[name], 1] = FLOOR_PX - PX_PER_M * place[:, 2]
    xy[np.isnan(xy)] = 300.0
    xy += np.random.default_rng(seed).normal(0.0, noise_px, xy.shape)
    n = len(t_s)
    return Landmarks(t_s, xy, np.ones((n, N_LANDMARKS)), np.zeros((n, N_LANDMARKS, 3)), 720, 1280)


def _places(t_s: np.ndarray, pose: Pose) -> dict[str, np.ndarray]:
    half = np.radians(flexion_at_deg(t_s, pose)) / 2
    share = np.sin(np.pi * np.clip((t_s - LANDING_S) / (TOE_OFF_S - LANDING_S), 0, 1))
    flying = (t_s > TAKE_OFF_S) & (t_s < LANDING_S)
    s = t_s - TAKE_OFF_S
    lift = np.where(flying, G * (LANDING_S - TAKE_OFF_S) / 2 * s - G * s**2 / 2, 0.0)
    inward = {limb: pose.inward_m[limb] * share for limb in LIMBS}
    # Segments keep their length: a knee that lies inward brings its hip down a little.
    reach = {k: 2 * np.sqrt((SEGMENT_M * np.cos(half)) ** 2 - inward[k] ** 2) for k in LIMBS}
    zero = np.zeros_like(t_s)
    places = {}
    for limb in LIMBS:
        out = 1.0 if limb == "left" else -1.0
        ankle = np.stack([zero, zero + out * HIP_HALF_M, ANKLE_M + lift], axis=1)
        hip = ankle + np.stack([zero, pose.hip_left_m * share, reach[limb]], axis=1)
        knee = 0.5 * (hip + ankle)
        turn = np.radians(pose.turned_out_deg)
        ahead = np.array([np.cos(turn), out * np.sin(turn), 0.0])
        knee += np.stack([zero, -out * inward[limb], zero], axis=1)
        knee += SEGMENT_M * np.sin(half)[:, None] * ahead
        forward, left = np.radians(pose.lean_forward_deg), np.radians(pose.lean_left_deg) * share
        lean = np.stack([zero + np.tan(forward), np.tan(left), zero + 1.0], axis=1)
        places |= {
            f"{limb}_hip": hip,
            f"{limb}_knee": knee,
            f"{limb}_ankle": ankle,
            f"{limb}_toe": ankle + 0.16 * ahead - [0.0, 0.0, ANKLE_M],
            f"{limb}_heel": ankle - 0.05 * ahead - [0.0, 0.0, ANKLE_M],
            f"{limb}_shoulder": hip + TRUNK_M * lean + np.array([0.0, out * 0.08, 0.0]),
        }
    return places


def contact(limb: Limb, *, late_s: float = 0.0, held: bool = False) -> Contact:
    """Return the landing of one foot, toes first."""
    return Contact(
        limb=limb,
        initial_contact=Event(LANDING_S + late_s, IC_SD_S),
        toe_off=None if held else Event(TOE_OFF_S, TOE_OFF_SD_S),
        toe_off_reason=because(Code.HELD_TO_END) if held else None,
        toe_contact=Event(LANDING_S + late_s, IC_SD_S),
        heel_contact=Event(LANDING_S + late_s + HEEL_DELAY_S, IC_SD_S),
    )


def one_rep(exercise: Exercise = "jump", limb: Limb = "right", *, held: bool = False) -> Rep:
    """Return the rep that `seen` shows, with a second flight of 0.28 s unless held."""
    limbs: tuple[Limb, ...] = LIMBS if exercise == "jump" else (limb,)
    take_off, landing = Event(TAKE_OFF_S, TOE_OFF_SD_S), Event(LANDING_S, IC_SD_S)
    again = Flight(Event(TOE_OFF_S, TOE_OFF_SD_S), Event(TOE_OFF_S + 0.28, IC_SD_S), limbs, limbs)
    return Rep(
        number=1,
        exercise=exercise,
        limbs=limbs,
        flight=Flight(take_off, landing, limbs, limbs),
        contacts=tuple(contact(each, held=held) for each in limbs),
        peak_flexion_s=LOWEST_S,
        next_flight=None if held else again,
    )


def one_set(*reps: Rep) -> Reps:
    """Return a set, numbered from 1."""
    exercise = reps[0].exercise
    limb = reps[0].limbs[0] if exercise == "hop" else None
    return Reps(exercise, limb, tuple(replace(rep, number=k + 1) for k, rep in enumerate(reps)))


def exact_settings() -> Settings:
    """Return settings that add nothing to an angle: sticks have no surface to misread."""
    settings = Settings()
    return replace(
        settings,
        knee=replace(settings.knee, low_reading_deg=1e-9),
        offsets=replace(settings.offsets, front_file="", back_file=""),
    )


def tracks_of(landmarks: Landmarks) -> Tracks:
    """Return cleaned tracks with the vertical known to a tenth of a degree."""
    tracks = clean_tracks(landmarks, Settings().tracks)
    return replace(tracks, down_sd_deg=0.1)


def view_of(view: View, yaw_deg: float = 0.0, yaw_sd_deg: float = 1.0) -> ViewEstimate:
    """Return an estimate that knows the view."""
    near: dict[View, Limb] = {"left_side": "left", "right_side": "right"}
    return ViewEstimate(view, yaw_deg, yaw_sd_deg, near.get(view), told("given"), np.zeros(1))
