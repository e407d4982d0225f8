"""An invented patient drawn with sticks: landmarks, known contacts and a whole `Analysis`.

Nothing here is measured. The motion is written down in closed form so that reports,
tables and pages can be tested without a video: knees bend on half sines, bodies fly
on parabolas, and the surgical limb bends less and falls inward more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from told import told

from landing_analysis.definitions import SIDE_VIEWS
from landing_analysis.findings.judging import judge_measures
from landing_analysis.findings.limits import read_limits
from landing_analysis.measures.curves import knee_angles
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.measures.offsets import set_offset
from landing_analysis.measures.summaries import with_set
from landing_analysis.reasons import Code, because
from landing_analysis.reps.grouping import group_reps
from landing_analysis.settings import Settings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    N_LANDMARKS,
    Analysis,
    Clip,
    Contact,
    Contacts,
    Decided,
    Event,
    Exercise,
    Flight,
    Frame,
    Landmarks,
    Limb,
    Measures,
    Note,
    Poses,
    Provenance,
    Seen,
    View,
    ViewEstimate,
)
from landing_analysis.tracks.cleaning import clean_tracks

G = 9.81
PX_PER_M = 520.0
FLOOR_PX = 1150.0
CENTRE_PX = 360.0
SEGMENT_M = 0.42
TRUNK_M = 0.50
RATE_HZ = 60.0
STAND_S = 1.2


@dataclass(frozen=True)
class Plan:
    """What one landing is to look like: times in seconds, angles in degrees."""

    flight_s: float
    contact_s: float
    flexion_deg: float
    fppa_deg: float


def jump_plan(reps: int = 8) -> list[Plan]:
    """Return a set that tires: flights get shorter and the knee falls further inward."""
    return [
        Plan(0.36 - 0.006 * k, 0.34 + 0.008 * k, 68 - 1.5 * k, 4 + 1.6 * k + 2.0 * (k % 3))
        for k in range(reps)
    ]


def make_analysis(
    view: View = "front",
    exercise: Exercise = "jump",
    limb: Limb = "right",
    surgical_side: Limb | None = "right",
    reps: int = 8,
) -> Analysis:
    """Return the analysis of an invented set.

    The last landing is held; in a jump set the fourth is refused. ``limb`` hops
    in a hop set, and is the near one in a side view.
    """
    limbs: tuple[Limb, ...] = LIMBS if exercise == "jump" else (limb,)
    landmarks, contacts = make_motion(jump_plan(reps), view, limbs)
    settings = Settings()
    tracks = clean_tracks(landmarks, settings.tracks, stature_m=1.72)
    grouped = group_reps(contacts, tracks, settings.reps)
    estimate = ViewEstimate(
        view=view,
        yaw_deg=3.2,
        yaw_sd_deg=2.1,
        near_limb=limb if view in SIDE_VIEWS else None,
        reason=told("shoulders and hips stand apart across the picture"),
        frame_yaw_deg=np.full(len(landmarks.t_s), 3.2),
    )
    measures = with_set(measure_reps(grouped, tracks, estimate, settings), settings.measures)
    limits = read_limits()
    decided = Decided(
        exercise=grouped.exercise,
        exercise_origin="detected",
        view=view,
        view_origin="detected",
        view_yaw_deg=estimate.yaw_deg,
        view_yaw_sd_deg=estimate.yaw_sd_deg,
        limb=grouped.limb,
        surgical_side=surgical_side,
        stature_m=1.72,
        target_flexion_deg=settings.target_flexion_deg,
        patient_number=1,
        people=1,
        patient_reason=told("the only person in view"),
    )
    clip = make_clip(landmarks, f"P07_{exercise}s_{view}.mp4")
    return Analysis(
        clip=clip,
        decided=decided,
        tracks=tracks,
        view=estimate,
        contacts=contacts,
        reps=grouped,
        measures=measures,
        findings=judge_measures(measures, limits, decided.exercise),
        notes=(
            Note("frame rate", "good", (told("60 frames/s: one frame is 17 ms."),)),
            Note(
                "view", "limited", (told("Turned by 3 deg; a bent knee then shows false valgus."),)
            ),
        ),
        provenance=Provenance(
            version="0.0.0",
            model_name="pose_full.task",
            model_sha256="a" * 64,
            clip_sha256=clip.sha256,
            settings={"target_flexion_deg": 60.0, "tracks": {"angle_cutoff_hz": 15.0}},
            analysed_at="2031-02-03T10:11:12+00:00",
        ),
        limits=limits,
        knee_angles=knee_angles(
            tracks, estimate, set_offset(grouped, tracks, view, settings), settings
        ),
    )


def make_poses(landmarks: Landmarks) -> Poses:
    """Return what a pose model would have seen of one person."""
    return Poses(
        t_s=landmarks.t_s,
        xy_px=landmarks.xy_px[:, None],
        visibility=landmarks.visibility[:, None],
        world_m=landmarks.world_m[:, None],
        width_px=landmarks.width_px,
        height_px=landmarks.height_px,
        model_name="pose_full.task",
        model_sha256="a" * 64,
    )


def seen_at(landmarks: Landmarks, frame: Frame) -> Seen:
    """Return what a pose model would have seen of one person in the frame of that time."""
    at = int(np.searchsorted(landmarks.t_s, frame.t_s - 1e-3))
    values = (landmarks.xy_px[at], landmarks.visibility[at, :, None], landmarks.world_m[at])
    return Seen(frame.number, frame.t_s, np.concatenate(values, axis=1)[None])


def make_squats(reps: int = 4) -> Landmarks:
    """Return landmarks of somebody who bends and straightens and never leaves the ground."""
    t_s = np.arange(0.0, 2.0 + 2.0 * reps, 1.0 / RATE_HZ)
    depth = sum(_half_sine(t_s, 1.0 + 2.0 * k, 2.6 + 2.0 * k) for k in range(reps))
    flexion = 6.0 + 80.0 * np.asarray(depth) ** 2
    return _landmarks(t_s, np.zeros_like(t_s), flexion, np.zeros_like(t_s), "front", LIMBS)


def without_reps(analysis: Analysis) -> Analysis:
    """Return the same clip as if nobody had left the ground."""
    contacts = Contacts((), ())
    settings = Settings()
    return replace(
        analysis,
        decided=replace(analysis.decided, exercise=None, limb=None),
        contacts=contacts,
        reps=group_reps(contacts, analysis.tracks, settings.reps),
        measures=Measures(()),
        findings=(),
    )


def make_motion(
    plans: list[Plan], view: View, limbs: tuple[Limb, ...]
) -> tuple[Landmarks, Contacts]:
    """Return landmarks of standing, a take-off, the planned landings and standing again."""
    take_off_s = [STAND_S]
    for plan in plans:
        take_off_s.append(take_off_s[-1] + plan.flight_s + plan.contact_s)
    landing_s = [start + plan.flight_s for start, plan in zip(take_off_s, plans, strict=False)]
    t_s = np.arange(0.0, landing_s[-1] + 1.5, 1.0 / RATE_HZ)
    lift = np.zeros_like(t_s)
    flexion = np.full_like(t_s, 6.0)
    inward = np.zeros_like(t_s)
    for start, end, plan in zip(take_off_s, landing_s, plans, strict=False):
        s = t_s - start
        flying = (s >= 0) & (t_s < end)
        lift[flying] = (G * plan.flight_s / 2 * s - G * s**2 / 2)[flying]
        wave = _half_sine(t_s, end, end + plan.contact_s)
        flexion += (plan.flexion_deg - 20.0) * wave + 14.0 * _half_sine(
            t_s, end - 0.15, end + plan.contact_s + 0.05
        )
        inward += plan.fppa_deg * wave
    return (
        _landmarks(t_s, lift, flexion, inward, view, limbs),
        _contacts(take_off_s, landing_s, limbs),
    )


def _half_sine(t_s, start, stop):
    return np.sin(np.pi * np.clip((t_s - start) / (stop - start), 0, 1))


def _contacts(take_off_s, landing_s, limbs) -> Contacts:
    contacts, flights = [], []
    last = len(landing_s) - 1
    for k, landed_s in enumerate(landing_s):
        for limb in limbs:
            if k == 3 and len(limbs) == 2 and limb == "right":
                continue  # a foot that was not seen to land
            lead_s = 0.012 if limb == "right" and len(limbs) == 2 else 0.0
            held = k == last
            contacts.append(
                Contact(
                    limb=limb,
                    initial_contact=Event(landed_s + lead_s, 0.004),
                    toe_off=None if held else Event(take_off_s[k + 1], 0.006),
                    toe_off_reason=because(Code.HELD_TO_END) if held else None,
                    toe_contact=Event(landed_s + lead_s, 0.004),
                    heel_contact=Event(landed_s + lead_s + 0.03, 0.006),
                )
            )
        flights.append(
            Flight(
                take_off=Event(take_off_s[k], 0.006),
                landing=Event(landed_s, 0.004),
                take_off_limbs=limbs,
                landing_limbs=limbs,
            )
        )
    return Contacts(tuple(contacts), tuple(flights))


def _landmarks(t_s, lift, flexion, inward, view, limbs) -> Landmarks:
    half = np.radians(flexion) / 2
    seen_m = 2 * SEGMENT_M * np.cos(half)
    xy = np.full((len(t_s), N_LANDMARKS, 2), np.nan)
    side_on = view in SIDE_VIEWS
    forward = -1.0 if view == "left_side" else 1.0
    toward_left = {"front": 1.0, "back": -1.0}.get(view, 0.0)
    hip_m = lift + 0.09 + seen_m
    shoulder_m = hip_m + TRUNK_M
    for limb in LIMBS:
        outward = toward_left * (1.0 if limb == "left" else -1.0)
        foot_m = lift if limb in limbs else lift + 0.35
        ankle_m = foot_m + 0.09
        fall_in = np.radians(inward if limb == "right" else 0.25 * inward) / 2
        knee_out = -0.5 * seen_m * np.tan(fall_in)
        knee_m = 0.5 * (hip_m + ankle_m)
        stance, shift = 0.16 * outward, forward * 0.02 * (limb == "left") * side_on
        places = {
            "hip": (0.10 * outward + shift, hip_m),
            "knee": (
                0.13 * outward
                + knee_out * outward
                + shift
                + forward * SEGMENT_M * np.sin(half) * side_on,
                knee_m,
            ),
            "ankle": (stance + shift, ankle_m),
            "heel": (stance + shift - forward * 0.05 * side_on, foot_m + 0.03),
            "toe": (stance + 0.02 * outward + shift + forward * 0.16 * side_on, foot_m + 0.01),
            "shoulder": (0.18 * outward + forward * 0.10 * side_on, shoulder_m),
            "elbow": (0.26 * outward + forward * 0.06 * side_on, shoulder_m - 0.28),
            "wrist": (0.24 * outward + forward * 0.22 * side_on, shoulder_m - 0.45),
            "ear": (0.07 * outward + forward * 0.10 * side_on, shoulder_m + 0.24),
            "eye": (0.03 * outward + forward * 0.17 * side_on, shoulder_m + 0.26),
        }
        places |= dict.fromkeys(("pinky", "index", "thumb"), places["wrist"])
        places |= dict.fromkeys(("eye_inner", "eye_outer"), places["eye"])
        for part, (across_m, up_m) in places.items():
            xy[:, LANDMARK[f"{limb}_{part}"], 0] = CENTRE_PX + PX_PER_M * across_m
            xy[:, LANDMARK[f"{limb}_{part}"], 1] = FLOOR_PX - PX_PER_M * up_m
    xy[:, LANDMARK["nose"], 0] = CENTRE_PX + PX_PER_M * forward * 0.20 * side_on
    xy[:, LANDMARK["nose"], 1] = FLOOR_PX - PX_PER_M * (shoulder_m + 0.22)
    for side in LIMBS:
        xy[:, LANDMARK[f"mouth_{side}"]] = xy[:, LANDMARK["nose"]] + [0.0, 15.0]
    xy += np.random.default_rng(7).normal(0.0, 1.2, xy.shape)
    visibility = np.ones(xy.shape[:2])
    return Landmarks(t_s, xy, visibility, _world_m(len(t_s), view), 720, 1280)


def _world_m(n_frames: int, view: View) -> np.ndarray:
    """Return metric landmarks that only know where left and right are, seen from above."""
    world = np.zeros((n_frames, N_LANDMARKS, 3))
    left = {"front": (0.1, 0.0), "back": (-0.1, 0.0), "right_side": (0.0, 0.1)}
    x, z = left.get(view, (0.0, -0.1))
    for part in ("hip", "shoulder"):
        for limb, sign in (("left", 1), ("right", -1)):
            world[:, LANDMARK[f"{limb}_{part}"]] = (sign * x, 0.0, sign * z)
    return world


def make_clip(landmarks: Landmarks, file: str, sha256: str = "c" * 64) -> Clip:
    n = len(landmarks.t_s)
    return Clip(
        file=file,
        sha256=sha256,
        width_px=720,
        height_px=1280,
        frames=n,
        duration_s=n / RATE_HZ,
        median_fps=RATE_HZ,
        mirrored=False,
        t_s=landmarks.t_s,
    )
