"""From a script of actions to a motion that meets its wanted numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.interpolate import BPoly
from scipy.optimize import brentq, minimize_scalar

from synthetic_patients.body import Body, FloatArray
from synthetic_patients.motion import (
    POSTURE,
    SETTLE_POWER,
    SIGN,
    AnyMotion,
    Curve,
    Footwork,
    HeldFoot,
    Keys,
    Motion,
    Stance,
    Swing,
    bend_leg,
    leg_bones,
    leg_length,
)
from synthetic_patients.script import (
    ANYWHERE,
    HELD_BEHIND,
    LIMBS,
    Action,
    FreeLeg,
    Glide,
    HeelRaise,
    Leap,
    Limb,
    LimbPlan,
    Place,
    Shift,
    Squat,
    Stand,
    Step,
    Stride,
)

G_M_S2 = 9.81
STANDING_FLEXION_DEG = 8.0
TAKE_OFF_FLEXION_DEG = 20.0
STEPPING_OFF_FLEXION_DEG = 40.0
STEPPING_FLEXION_DEG = 24.0
COUNTER_MOVEMENT_S = 0.62
STAND_UP_S = 0.9
HEEL_RISE_S = 0.115
"""From the heel's rising to toe-off."""
TOE_ROLL_S = 0.025
"""The foot rolls over the tip of the toes this long before toe-off."""
TOE_ROLL_POWER = 2.0
"""The roll's rate at its end over its mean rate."""
TAKE_OFF_PITCH_DEG = 33.0
TAKE_OFF_TOE_PITCH_DEG = 12.0
FULL_RISE_FLIGHT_S = 0.25
"""A take-off into a shorter flight rises less on the toes, in proportion: it has no time to."""
APPROACH_RATE_RAD_S = -2.0
"""Pitch rate of the foot just before landing."""
HANGING_PITCH_DEG = 2.0
"""Toes down from square to the shank, of a foot on its way."""
QUICKEST_SWING_S = 0.2
"""No leg is drawn up and comes down again faster; running legs take 0.3 s (memory)."""
CALM_S = 0.03
"""In the air the foot stops turning this long after toe-off."""
TOE_SPEED_SHARE = 0.9
"""Speed of the foot's lowest point at contact over that of the pelvis."""
ANKLE_SPEED_SHARE = 0.75
"""Speed of the ankle just after contact over that of the pelvis: the heel still settles."""
SINK_S = 0.7
"""From standing into the low stance at the start of a slide."""
SLIDE_SHARE = 0.7
"""How far the pelvis goes over the loaded foot on a slide board, of the way from the middle."""
FOLLOW_SHARE = 0.4
"""The other foot has come after when that share of the settling has passed."""
STOP_M, STOP_S = 0.02, 0.04
"""A sliding foot stops against the bumper within this way and time."""
LYING_ARMS_DEG = (6.0, 24.0, 14.0)
"""Arm forwards, elbow and arm outwards of a body that lies on a sled and holds its handles."""
LEAD_TILT_SHARE = 0.5
"""Share of a landing lead that a tilted pelvis gives; the knees give the rest."""
HEEL_FIRST_SETTLE_S = 0.06
STEP_FLEXION_DEG = 58.0
SLOWEST_STOP = 2.1
"""A landing stops within this multiple of drop over landing speed, so that it never goes lower."""
DROP_PLAY_M_S2 = 1.0
HARDEST_DROP_M_S2 = -G_M_S2 - DROP_PLAY_M_S2
"""A contact may not pull the body downwards; a little play for the smooth curve."""


@dataclass(frozen=True)
class Landing:
    """Times of one limb's landing: truth, in continuous time."""

    leap: int
    limb: Limb
    initial_contact_s: float
    toe_off_s: float | None
    pitch_deg: float
    settle_s: float
    lowest_s: float
    take_off_s: float


@dataclass(frozen=True)
class Load:
    """Times of one limb's load without a flight: truth, in continuous time.

    Of a weight shift from the middle of the feet to the middle again; of a slide from the
    stop of the foot at its end of the board until it leaves. None at the ends of a bout.
    """

    exercise: str
    limb: Limb
    start_s: float | None
    deepest_s: float
    end_s: float | None


@dataclass(frozen=True)
class Performance:
    """A motion and the exact times of its landings and loads."""

    motion: AnyMotion
    landings: tuple[Landing, ...]
    leaps: tuple[Leap, ...]
    loads: tuple[Load, ...] = ()


def frontal_angle_deg(
    limb: Limb, hip: FloatArray, knee: FloatArray, ankle: FloatArray
) -> FloatArray:
    """FPPA (n,) in the frontal (y, z) plane seen square on; positive = knee inward."""
    thigh, shank = (knee - hip)[..., 1:], (ankle - knee)[..., 1:]
    cross = thigh[..., 0] * shank[..., 1] - thigh[..., 1] * shank[..., 0]
    return np.asarray(SIGN[limb] * np.rad2deg(np.arctan2(cross, (thigh * shank).sum(-1))))


def _hanging_pitch(held: FreeLeg) -> float:
    """Pitch (rad) of a foot that hangs from a leg held in the air."""
    return float(np.deg2rad(held.knee_deg - held.thigh_deg + HANGING_PITCH_DEG))


def lowest_knot(
    start: tuple[float, float, float],
    low: float,
    end: tuple[float, float, float],
    duration_s: float,
    hardest_drop_m_s2: float = HARDEST_DROP_M_S2,
) -> tuple[float, float]:
    """Time after the start and acceleration of the lowest point of the smoothest dip.

    ``start`` and ``end`` are (height, speed, acceleration). The dip of two
    quintics with the least integral of squared jerk passes ``low`` at rest.

    Raises
    ------
    ValueError
        If the floor would have to pull the body down.
    """

    def dip(low_s: float, acceleration: float) -> BPoly:
        return BPoly.from_derivatives(
            [0, low_s, duration_s], [list(start), [low, 0, acceleration], list(end)]
        )

    at = np.linspace(0, duration_s, 201)

    def jerk(low_s: float, acceleration: float) -> float:
        return float(np.mean(dip(low_s, acceleration)(at, nu=3) ** 2))

    def best_acceleration(low_s: float) -> float:
        parabola = np.polyfit([0, 10, 20], [jerk(low_s, a) for a in (0, 10, 20)], 2)
        return float(-parabola[1] / (2 * parabola[0]))

    latest_s = 0.75 * duration_s
    if start[1] < 0:
        latest_s = min(latest_s, SLOWEST_STOP * (start[0] - low) / -start[1])
    found = minimize_scalar(
        lambda s: jerk(s, best_acceleration(s)),
        bounds=(min(0.25 * duration_s, 0.8 * latest_s), latest_s), method="bounded",
    )  # fmt: skip
    low_s, acceleration = float(found.x), best_acceleration(float(found.x))
    hardest = float(dip(low_s, acceleration)(at, nu=2).min())
    if hardest < hardest_drop_m_s2:
        message = (
            f"a dip of {start[0] - low:.3f} m in {duration_s:.3f} s needs {hardest:.1f} m/s2; "
            "choose a shorter contact, a longer flight or less flexion"
        )
        raise ValueError(message)
    return low_s, acceleration


class _Choreographer:
    """Works through a script, action by action."""

    def __init__(
        self,
        body: Body,
        support: Sequence[Limb],
        toe_out_deg: float,
        seed: int,
        free_leg: FreeLeg,
        place: Place,
    ) -> None:
        self.body, self.support = body, tuple(support)
        self.free_leg, self.sled = free_leg, place.sled
        self.fall_m_s2 = self.sled.pull_m_s2 if self.sled else G_M_S2
        self.rng = np.random.default_rng(seed)
        self.t_s = 0.0
        self.pelvis = (Curve(), Curve(), Curve())
        self.posture = {name: Keys() for name in POSTURE}
        self.yaw = {limb: SIGN[limb] * np.deg2rad(toe_out_deg) for limb in LIMBS}
        self.feet: dict[Limb, list[Footwork]] = {limb: [] for limb in LIMBS}
        self.swings: list[tuple[Limb, int, float, FreeLeg | None]] = []
        self.landings: list[Landing] = []
        self.loads: list[Load] = []
        self.leaps: list[Leap] = []
        self.inward_wishes: list[tuple[Limb, float, float]] = []
        self.landed: Leap | None = None
        self.held = {"thigh": Keys(), "knee": Keys()}
        for limb in LIMBS:
            joints = body.joints
            reach = joints[limb + "_mtp"] - joints[limb + "_ankle"]
            aside_m = SIGN[limb] * (place.stance_half_m if len(self.support) == 2 else 0.02)
            high_m = joints[limb + "_mtp"][2] + place.box_m
            ball = np.array([reach[0], aside_m + place.start_left_m, high_m])
            if limb in self.support:
                self.feet[limb].append(Stance(0.0, np.inf, ball, self.yaw[limb]))
            else:
                self.feet[limb].append(
                    HeldFoot(0.0, np.inf, self.held["thigh"], self.held["knee"], self.yaw[limb])
                )
        self._knot(0.0, self._standing())
        self._stand_posture(0.0)

    # -- where the pelvis has to be -------------------------------------------------

    def stance(self, limb: Limb) -> Stance:
        """Newest stance of a limb."""
        found = [work for work in self.feet[limb] if isinstance(work, Stance)]
        return found[-1]

    def _ankle(self, limb: Limb, stance: Stance, t_s: float) -> FloatArray:
        return np.asarray(stance.pose(self.body, limb + "_", np.array([t_s])).ankle[0])

    def _flat_ankle(self, limb: Limb) -> FloatArray:
        stance = replace(
            self.stance(limb), landing_pitch_rad=0.0, settle_s=0.0, lift=Curve(), toe_lift=Curve()
        )
        return self._ankle(limb, stance, np.inf)

    def _centre(self) -> FloatArray:
        return np.asarray(np.mean([self._flat_ankle(limb) for limb in self.support], axis=0))

    def _hip_height(
        self, limb: Limb, ankle: FloatArray, flexion_deg: float, xy: FloatArray, roll: float
    ) -> float:
        length = leg_length(self.body, limb + "_", flexion_deg)
        half_m = self.body.joints["left_hip"][1]
        dx = xy[0] - ankle[0]
        dy = xy[1] + SIGN[limb] * half_m * np.cos(roll) - ankle[1]
        return float(ankle[2] + np.sqrt(length**2 - dx**2 - dy**2))

    def _pelvis_for(
        self, ankles: dict[Limb, FloatArray], flexions_deg: dict[Limb, float], xy: FloatArray
    ) -> tuple[float, float]:
        """Mid-hip height and roll (rad) that give each limb its flexion."""
        half_m, roll = self.body.joints["left_hip"][1], 0.0
        if len(ankles) == 1:
            ((limb, ankle),) = ankles.items()
            return self._hip_height(limb, ankle, flexions_deg[limb], xy, 0.0), 0.0
        height = {}
        for _ in range(4):
            height = {
                k: self._hip_height(k, a, flexions_deg[k], xy, roll) for k, a in ankles.items()
            }
            tilt = (height["left"] - height["right"]) / (2 * half_m)
            if abs(tilt) > np.sin(np.deg2rad(8)):
                message = "the limbs' flexion differs by more than a tilted pelvis can give"
                raise ValueError(message)
            roll = float(np.arcsin(tilt))
        return float(np.mean(list(height.values()))), roll

    def _over_feet(self, forward_m: float, shift_pct: float = 0.0) -> FloatArray:
        """Pelvis x, y over the supporting feet; on a sled, on its line."""
        centre = self._centre()
        if self.sled is not None:
            return np.array([centre[0] - self.sled.feet_high_m, 0.0])
        if len(self.support) == 1:
            return np.asarray(centre[:2] + np.array([forward_m, -SIGN[self.support[0]] * 0.012]))
        left, right = self._flat_ankle("left"), self._flat_ankle("right")
        return np.asarray(
            centre[:2] + np.array([forward_m, shift_pct / 100 * (left[1] - right[1])])
        )

    def _bent(
        self, limbs: dict[Limb, LimbPlan], shift_pct: float, share: float = 1.0
    ) -> FloatArray:
        """Mid-hip of the lowest point; also sets the roll key's value in ``self.roll``."""
        flexions: dict[Limb, float] = {
            k: share * plan.flexion_peak_deg for k, plan in limbs.items()
        }
        mean = float(np.mean(list(flexions.values())))
        xy = self._over_feet(-0.02 - 0.0016 * max(mean - 40, 0), shift_pct)
        ankles = {limb: self._flat_ankle(limb) for limb in limbs}
        z, self.roll = self._pelvis_for(ankles, flexions, xy)
        return np.array([*xy, z])

    def _standing(self, flexion_deg: float | None = None) -> FloatArray:
        if flexion_deg is None:
            flexion_deg = self.sled.rest_flexion_deg if self.sled else STANDING_FLEXION_DEG
        xy = self._over_feet(0.03)
        ankles = {limb: self._flat_ankle(limb) for limb in self.support}
        z, self.roll = self._pelvis_for(ankles, dict.fromkeys(self.support, flexion_deg), xy)
        return np.array([*xy, z])

    # -- writing keys ---------------------------------------------------------------

    def _knot(
        self,
        t_s: float,
        place: FloatArray,
        speed: Sequence[float] = (0, 0, 0),
        acceleration_z: float = 0.0,
    ) -> None:
        for axis in range(3):
            self.pelvis[axis].add(
                t_s, place[axis], speed[axis], acceleration_z if axis == 2 else 0.0
            )

    def _pose(
        self,
        t_s: float,
        trunk: float,
        arm: float,
        elbow: float,
        lean: float = 0.0,
        out: float = 10.0,
    ) -> None:
        """Set trunk and arm keys, each arm with its own small deviation; on a sled they rest."""
        wobble = self.rng.normal
        if self.sled is not None:
            trunk, lean, arm, elbow, out = 0.0, 0.0, *LYING_ARMS_DEG
        self.posture["trunk_flexion"].set(t_s, trunk + wobble(0, 0.8))
        self.posture["trunk_lean"].set(t_s, lean + wobble(0, 0.4))
        self.posture["head"].set(t_s, wobble(0, 1.0))
        for limb in LIMBS:
            self.posture[f"{limb}_arm"].set(t_s, arm + wobble(0, 4))
            self.posture[f"{limb}_arm_out"].set(t_s, out + wobble(0, 2))
            self.posture[f"{limb}_elbow"].set(t_s, max(elbow + wobble(0, 5), 3))

    def _hold_foot(self, t_s: float, forward: float, bent: float) -> None:
        """Hold the free leg that much farther forward and more bent than in standing."""
        thigh, knee = self.free_leg.thigh_deg + forward, self.free_leg.knee_deg + bent
        self.held["thigh"].set(t_s, thigh + self.rng.normal(0, 1.5))
        self.held["knee"].set(t_s, knee + self.rng.normal(0, 2.0))

    def _stand_posture(self, t_s: float) -> None:
        self._pose(t_s, 4, 4, 14)
        self._hold_foot(t_s, 0, 0)
        self.posture["roll"].set(t_s, np.rad2deg(self.roll))
        for limb in LIMBS:
            self.posture[f"{limb}_inward"].set(t_s, 0.0)

    def _low_posture(self, t_s: float, leap: Leap, arm: float) -> None:
        self._pose(t_s, leap.trunk_flexion_deg, arm * leap.arm_swing, 32, leap.trunk_lean_deg, 14)
        self._hold_foot(t_s, -4, 8)
        self.posture["roll"].set(t_s, np.rad2deg(self.roll))

    # -- actions --------------------------------------------------------------------

    def stand(self, action: Stand) -> None:
        """Stand up from a held landing if need be, then stand still."""
        if self.landed is not None:
            self._hold_landing()
            self.t_s += STAND_UP_S
            self._knot(self.t_s, self._standing())
            self._stand_posture(self.t_s)
        self.t_s += action.duration_s
        self._knot(self.t_s, self._standing() + np.array([*self.rng.normal(0, 0.003, 2), 0]))
        self._stand_posture(self.t_s)

    def squat(self, action: Squat) -> None:
        """Bend and come up."""
        low, start = self._bent(dict(action.limbs), 0.0), self.t_s
        middle, end = start + 0.5 * action.duration_s, start + action.duration_s
        depth = self._standing()[2] - low[2]
        self._knot(middle, low, acceleration_z=depth * 5.8 / (0.5 * action.duration_s) ** 2)
        self._pose(middle, action.trunk_flexion_deg, 55, 15)
        self._bent(dict(action.limbs), 0.0)
        self.posture["roll"].set(middle, np.rad2deg(self.roll))
        for limb, plan in action.limbs.items():
            self.inward_wishes.append((limb, middle, plan.fppa_peak_deg))
        self.t_s = end
        self._knot(end, self._standing())
        self._stand_posture(end)

    def heel_raise(self, action: HeelRaise) -> None:
        """Rise on the toes."""
        start, top, end = self.t_s, self.t_s + 0.5 * action.duration_s, self.t_s + action.duration_s
        for limb in self.support:
            lift = self.stance(limb).lift
            if lift.end_s < start:
                lift.add(start, 0.0)
            lift.add(top, np.deg2rad(action.pitch_deg))
            lift.add(end, 0.0)
        xy = self._over_feet(0.08)
        ankles = {limb: self._ankle(limb, self.stance(limb), top) for limb in self.support}
        z, _ = self._pelvis_for(ankles, dict.fromkeys(self.support, STANDING_FLEXION_DEG + 2), xy)
        self._knot(top, np.array([*xy, z]))
        self._pose(top, 2, 10, 20)
        self.t_s = end
        self._knot(end, self._standing())
        self._stand_posture(end)

    def step(self, action: Step) -> None:
        """Shift over the other foot, lift, set down, shift back to the middle."""
        limb = action.limb
        other: Limb = "right" if limb == "left" else "left"
        start, length = self.t_s, action.duration_s
        off, on = start + 0.38 * length, start + 0.72 * length
        old = self.stance(limb)
        old.end_s = off
        self._rise(old, 0.16, 20.0, 1.4 * np.deg2rad(20.0) / 0.16)
        self.feet[limb].append(
            Stance(
                on,
                np.inf,
                old.ball_m + np.array([action.forward_m, action.left_m, 0]),
                self.yaw[limb],
                np.deg2rad(action.foot_pitch_deg),
                HEEL_FIRST_SETTLE_S,
            )
        )
        self.swings.append((limb, len(self.feet[limb]) - 1, STEP_FLEXION_DEG, None))
        kept = self.support
        self.support = (other,)
        shifted = self._standing(STEPPING_FLEXION_DEG)
        self.support = kept
        after = self._standing(STEPPING_FLEXION_DEG)
        self._knot(off, shifted + 0.15 * np.array([action.forward_m, action.left_m, 0]))
        self._knot(on, 0.45 * shifted + 0.55 * after)
        self._pose(0.5 * (off + on), 5, 12 * SIGN[limb], 18)
        self.t_s = start + length
        self._knot(self.t_s, self._standing())
        self._stand_posture(self.t_s)

    def shift(self, action: Shift) -> None:
        """Move the pelvis over one limb, deep in its knee, both feet planted."""
        self.t_s += action.duration_s
        self._load_onto(action.limb, action.share, action.flexion_deg, action.trunk_flexion_deg)
        self.loads.append(Load("lateral_bound", action.limb, None, self.t_s, None))

    def glide(self, action: Glide) -> None:
        """Drive off the other limb, slide, stop at the far end and sink into the knee."""
        lead = action.limb
        trail: Limb = "right" if lead == "left" else "left"
        if not self.loads:
            self.t_s += SINK_S
            self._load_onto(trail, SLIDE_SHARE, action.flexion_deg, action.trunk_flexion_deg)
            self.loads.append(Load("slide_board", trail, None, self.t_s, None))
        leaves_s = self.t_s + action.drive_s
        stops_s = leaves_s + action.glide_s
        self.loads[-1] = replace(self.loads[-1], end_s=leaves_s)
        leading, trailing = (self.stance(limb).slide for limb in (lead, trail))
        to_m = leading.end_state[0] if leading.end_s > 0 else 0.0
        way = SIGN[lead] * action.travel_m
        for slide, at_s in ((leading, self.t_s + 0.3 * action.drive_s), (trailing, leaves_s)):
            slide.add(at_s, to_m)
        stop_m = SIGN[lead] * STOP_M
        leading.add(stops_s, to_m + way - stop_m, 2 * stop_m / STOP_S)
        leading.add(stops_s + STOP_S, to_m + way)
        self.t_s = stops_s + action.settle_s
        trailing.add(stops_s + FOLLOW_SHARE * action.settle_s, to_m + way)
        self._load_onto(lead, SLIDE_SHARE, action.flexion_deg, action.trunk_flexion_deg)
        self.loads.append(Load("slide_board", lead, stops_s, self.t_s, None))

    def _load_onto(self, limb: Limb, share: float, flexion_deg: float, trunk_deg: float) -> None:
        """Write the deepest point of a load, now."""
        ankle, centre = self._flat_ankle(limb), self._centre()
        across_m = share * (ankle[1] - centre[1])
        xy = np.array([centre[0] - 0.06, centre[1] + across_m])
        z = self._hip_height(limb, ankle, flexion_deg, xy, 0.0)
        self._knot(self.t_s, np.array([*xy, z]))
        self._pose(self.t_s, trunk_deg, 25, 70, 6 * share * SIGN[limb], 16)
        self.posture["roll"].set(self.t_s, 0.0)

    def _crossings(self, motion: Motion) -> tuple[Load, ...]:
        """Find when the pelvis passes the middle of planted feet, from load to load."""
        found = list(self.loads)
        for i, (before, after) in enumerate(pairwise(self.loads)):
            if after.exercise == "lateral_bound":
                middle_m = self._centre()[1]
                at_s = brentq(
                    lambda t, y=middle_m: motion.mid_hip(np.array([t]))[0, 1] - y,
                    before.deepest_s, after.deepest_s,
                )  # fmt: skip
                found[i] = replace(found[i], end_s=float(at_s))
                found[i + 1] = replace(after, start_s=float(at_s))
        return tuple(found)

    def leap(self, action: Leap) -> None:
        """Take off from standing or from the running contact, fly, touch down."""
        leaders = {limb: SIGN[limb] * action.take_off_lead_s for limb in self.support}
        if self.landed is None:
            duration_s, previous = COUNTER_MOVEMENT_S, self._counter_movement(action)
            start, low = self.t_s, self._bent(dict(previous.limbs), previous.pelvis_shift_pct)
        else:
            previous, start = self.landed, self.t_s
            duration_s = previous.contact_s
            low = self._bent(dict(previous.limbs), previous.pelvis_shift_pct)
        off_s = start + duration_s
        for limb in self.support:
            self.stance(limb).end_s = (
                off_s - max(leaders[limb], 0.0) if len(self.support) == 2 else off_s
            )
        # Landing place and height.
        on_s = off_s + action.flight_s
        stride = action if isinstance(action, Stride) else Stride(action.flight_s, 0.0)
        fronts = {limb: self.stance(limb) for limb in self.support}
        off_xy = self._over_feet(0.045, 0.5 * previous.pelvis_shift_pct)
        last_off: Limb = max(self.support, key=lambda k: fronts[k].end_s)
        guess = self.fall_m_s2 * action.flight_s / 2
        rise = min(action.flight_s / FULL_RISE_FLIGHT_S, 1.0)
        for limb in self.support:
            self._rise(
                fronts[limb],
                HEEL_RISE_S,
                rise * TAKE_OFF_PITCH_DEG,
                self._rise_rate(limb, guess),
                toe_pitch_deg=rise * TAKE_OFF_TOE_PITCH_DEG,
            )
        shift = np.array([action.forward_m, action.left_m, -stride.down_m])
        for limb, plan in action.limbs.items():
            lead = SIGN[limb] * action.landing_lead_s
            pitch = np.deg2rad(plan.foot_pitch_deg)
            scatter = np.array([*self.rng.normal(0, 0.006, 2), 0])
            self.feet[limb].append(
                Stance(on_s + max(-lead, 0.0) if len(action.limbs) == 2 else on_s, np.inf,
                       self.stance(limb).ball_m + shift + scatter, self.yaw[limb], pitch,
                       self._settle_s(limb, pitch, guess))
            )  # fmt: skip
            self.swings.append(
                (limb, len(self.feet[limb]) - 1, action.flexion_flight_deg, stride.swing)
            )
        self.support = tuple(limb for limb in LIMBS if limb in action.limbs)
        first_on: Limb = min(action.limbs, key=lambda k: self.stance(k).start_s)
        on_xy = self._over_feet(0.015, 0.5 * action.pelvis_shift_pct)
        if stride.reach_m:
            way = stride.reach_m * (on_xy - off_xy) / np.linalg.norm(on_xy - off_xy)
            off_xy, on_xy = off_xy + way, on_xy - way
        off_z = self._hip_height(
            last_off,
            self._ankle(last_off, fronts[last_off], off_s),
            STEPPING_OFF_FLEXION_DEG if stride.down_m > 0 else TAKE_OFF_FLEXION_DEG,
            off_xy,
            0.0,
        )
        on_ankle = self._ankle(first_on, self.stance(first_on), self.stance(first_on).start_s)
        half_m = self.body.joints["left_hip"][1]
        tilt = -LEAD_TILT_SHARE * guess * action.landing_lead_s / (2 * half_m)
        on_height = self._hip_height(
            first_on, on_ankle, action.flexion_initial_contact_deg, on_xy, np.arcsin(tilt)
        )
        on_z = on_height - SIGN[first_on] * half_m * tilt
        # Free fall between the two heights.
        fall = self.fall_m_s2
        up = (on_z - off_z) / action.flight_s + fall * action.flight_s / 2
        across = (on_xy - off_xy) / action.flight_s
        pushes_at_once = self.landed is None and self.sled is not None
        if not pushes_at_once:
            low_after, low_acceleration = lowest_knot(
                self.pelvis[2].end_state, low[2], (off_z, up, -fall), duration_s,
                -fall - DROP_PLAY_M_S2,
            )  # fmt: skip
        toe_off_s = {limb: stance.end_s for limb, stance in fronts.items()}
        if not pushes_at_once:
            self._add_low(start + low_after, low, low_acceleration, previous, toe_off_s)
        self._knot(off_s, np.array([*off_xy, off_z]), (*across, up), -fall)
        self._fly(off_s, on_s, action)
        self.posture["roll"].set(on_s, np.rad2deg(np.arcsin(tilt)))
        self._knot(on_s, np.array([*on_xy, on_z]), (*across, up - fall * action.flight_s), -fall)
        self.landed, self.t_s = action, on_s
        self.leaps.append(action)
        number = len(self.leaps)
        for limb, plan in action.limbs.items():
            stance = self.stance(limb)
            self.landings.append(
                Landing(
                    number,
                    limb,
                    stance.start_s,
                    None,
                    plan.foot_pitch_deg,
                    stance.settle_s,
                    np.nan,
                    off_s,
                )
            )
            self.inward_wishes.append((limb, stance.start_s, plan.fppa_initial_contact_deg))

    def _counter_movement(self, leap: Leap) -> Leap:
        """Bend before the first leap: like its landing, a little shallower; off a box, less."""
        off_a_box = isinstance(leap, Stride) and leap.down_m > 0
        share = 0.5 if off_a_box else 0.85
        any_plan = next(iter(leap.limbs.values()))
        plans = {limb: leap.limbs.get(limb, any_plan) for limb in self.support}
        limbs = {
            k: replace(p, flexion_peak_deg=share * p.flexion_peak_deg) for k, p in plans.items()
        }
        return replace(leap, limbs=limbs)

    def _add_low(
        self,
        t_s: float,
        low: FloatArray,
        acceleration: float,
        leap: Leap,
        toe_off_s: dict[Limb, float] | None = None,
    ) -> None:
        """Write the lowest point of a contact: knots, posture, wanted FPPA, truth."""
        self._knot(t_s, low, acceleration_z=acceleration)
        self._low_posture(t_s, leap, -38 if self.landed is None else -12)
        for limb, plan in leap.limbs.items():
            self.inward_wishes.append((limb, t_s, plan.fppa_peak_deg))
        if self.landed is not None:
            number = len(self.leaps)
            self.landings = [
                replace(x, lowest_s=t_s, toe_off_s=(toe_off_s or {}).get(x.limb))
                if x.leap == number
                else x
                for x in self.landings
            ]

    def _fly(self, off_s: float, on_s: float, leap: Leap) -> None:
        self._pose(off_s, 9, 42 * leap.arm_swing, 38, out=14)
        self._pose(0.5 * (off_s + on_s), 7, 36 * leap.arm_swing, 42, out=18)
        self._pose(on_s, 14, 18 * leap.arm_swing, 44, 0.4 * leap.trunk_lean_deg, 18)
        self._hold_foot(0.5 * (off_s + on_s), 8, 2)
        self._hold_foot(on_s, 4, 0)
        self.posture["roll"].set(off_s, 0.0)
        for limb in LIMBS:
            self.posture[f"{limb}_inward"].set(off_s, 0.0)
            self.posture[f"{limb}_inward"].set(0.5 * (off_s + on_s), 0.0)

    def _hold_landing(self) -> None:
        """End the running contact in a held, half-bent position."""
        leap = self.landed
        if leap is None:
            return
        low = self._bent(dict(leap.limbs), leap.pelvis_shift_pct)
        held = self._bent(dict(leap.limbs), leap.pelvis_shift_pct, share=0.8)
        held_roll = self.roll
        low = self._bent(dict(leap.limbs), leap.pelvis_shift_pct)
        duration_s = leap.contact_s
        low_after, acceleration = lowest_knot(
            self.pelvis[2].end_state, low[2], (held[2], 0, 0), duration_s,
            -self.fall_m_s2 - DROP_PLAY_M_S2,
        )  # fmt: skip
        self._add_low(self.t_s + low_after, low, acceleration, leap)
        self.t_s += duration_s
        self._knot(self.t_s, held)
        self._pose(self.t_s, 0.8 * leap.trunk_flexion_deg, 22, 40, 0.7 * leap.trunk_lean_deg, 16)
        self.posture["roll"].set(self.t_s, np.rad2deg(held_roll))
        for limb, plan in leap.limbs.items():
            self.inward_wishes.append((limb, self.t_s, 0.7 * plan.fppa_peak_deg))
        self.landed = None

    # -- feet -----------------------------------------------------------------------

    def _lever(self, limb: Limb, pitch: float) -> float:
        """Rise of the ankle per radian of pitch about the ball, metres."""
        x, _, z = self.body.joints[limb + "_ankle"] - self.body.joints[limb + "_mtp"]
        return float(-x * np.cos(pitch) - z * np.sin(pitch))

    def _rise_rate(self, limb: Limb, speed_m_s: float) -> float:
        return min(0.55 * speed_m_s / self._lever(limb, np.deg2rad(TAKE_OFF_PITCH_DEG)), 11.0)

    def _settle_s(self, limb: Limb, pitch: float, speed_m_s: float) -> float:
        if pitch <= 0:
            return HEEL_FIRST_SETTLE_S if pitch < 0 else 0.0
        rate = ANKLE_SPEED_SHARE * speed_m_s / self._lever(limb, pitch)
        return SETTLE_POWER * pitch / rate

    def _rise(
        self,
        stance: Stance,
        duration_s: float,
        pitch_deg: float,
        rate: float,
        toe_pitch_deg: float = 0.0,
    ) -> None:
        """Let the heel rise before the stance ends; the tip of the toes leaves last."""
        start = stance.end_s - duration_s
        stance.lift.add(start, 0.0)
        stance.lift.add(stance.end_s, np.deg2rad(pitch_deg), rate)
        stance.toe_lift.add(stance.end_s - TOE_ROLL_S, 0.0)
        toe = np.deg2rad(toe_pitch_deg)
        stance.toe_lift.add(stance.end_s, toe, TOE_ROLL_POWER * toe / TOE_ROLL_S)

    # -- finishing ------------------------------------------------------------------

    def finish(self) -> Performance:
        """Fill in swings and the turning of the legs, which need the whole pelvis curve."""
        if self.landed is not None:
            self.stand(Stand(0.4))
        for works in self.feet.values():
            for work in works:
                if isinstance(work, Stance):
                    work.end_s = min(work.end_s, self.t_s)
        motion = Motion(self.body, self.t_s, self.pelvis, self.posture, self.feet)
        stances = {limb: list(self.feet[limb]) for limb in LIMBS}
        for limb in LIMBS:
            wanted = {index: rest for k, index, *rest in self.swings if k == limb}
            order: list[Footwork] = []
            for index, work in enumerate(stances[limb]):
                if index in wanted:
                    order.append(
                        self._swing(motion, limb, stances[limb][index - 1], work, *wanted[index])
                    )
                order.append(work)
            self.feet[limb] = order
        motion = replace(motion, feet=self.feet)
        for limb, t_s, angle_deg in self.inward_wishes:
            self.posture[f"{limb}_inward"].set(t_s, self._inward_deg(motion, limb, t_s, angle_deg))
        loads = self._crossings(motion) if self.loads else ()
        return Performance(motion, tuple(self.landings), tuple(self.leaps), loads)

    def _swing(
        self,
        motion: Motion,
        limb: Limb,
        before: Footwork,
        after: Footwork,
        flexion_deg: float,
        held: FreeLeg | None,
    ) -> Swing:
        """Join two stances through the air, with the ankle's place and speed continuous.

        On the way the leg passes through ``held``, or bends by ``flexion_deg``; so does one that
        has no time for more.
        """
        if not isinstance(before, Stance) or not isinstance(after, Stance):
            raise TypeError("a swing joins two stances")
        side, h = limb + "_", 1e-4
        off, on = before.end_s, after.start_s
        held = held if on - off > QUICKEST_SWING_S else None

        def reach(stance: Stance, times: FloatArray) -> FloatArray:
            return stance.pose(self.body, side, times).ankle - motion.hip(limb, times)

        last = reach(before, off - h * np.array([2, 1, 0]))
        off_speed = (3 * last[2] - 4 * last[1] + last[0]) / (2 * h)
        hip_after = motion.hip(limb, on + h * np.array([-1.0, 0, 1]))
        hip_speed = (hip_after[2] - hip_after[0]) / (2 * h)
        touch = after.pose(self.body, side, np.array([on]))
        arm = touch.ankle[0] - (touch.mtp[0] if after.landing_pitch_rad >= 0 else after.ball_m)
        lowest_speed = np.array([0, 0, -max(TOE_SPEED_SHARE * abs(hip_speed[2]), 0.25)])
        on_speed = lowest_speed + APPROACH_RATE_RAD_S * np.array([arm[2], 0, -arm[0]]) - hip_speed
        first, final = last[2], touch.ankle[0] - hip_after[1]
        half_s = 0.5 * (off + on)
        via = [()] * 3 if held is None else self._via(limb, held, half_s, first, final)
        curves = tuple(
            Curve((off, first[i], off_speed[i]), *via[i], (on, final[i], on_speed[i]))
            for i in range(3)
        )
        middle = np.array([c(np.array([half_s]))[0] for c in curves])
        shorten = 0.0
        if held is None:
            shorten = float(np.linalg.norm(middle)) - leg_length(self.body, side, flexion_deg)
        pitch, toe = before.pitch(np.array([off]))
        rates = [c(np.array([off]), 1)[0] for c in (before.lift, before.toe_lift)]
        calm = min(CALM_S, 0.4 * (on - off))
        turned = () if held is None else ((half_s, _hanging_pitch(held)),)
        lift = Curve((off, pitch[0], rates[0]), (off + calm, pitch[0] + rates[0] * calm / 3, 0),
                     *turned, (on, after.landing_pitch_rad, APPROACH_RATE_RAD_S))  # fmt: skip
        toe_lift = Curve((off, toe[0], rates[1]), (off + calm, toe[0] + rates[1] * calm / 3, 0),
                         *turned, (on, min(after.landing_pitch_rad, 0.0), 0))  # fmt: skip
        return Swing(
            off, on, (curves[0], curves[1], curves[2]), shorten, lift, toe_lift, self.yaw[limb]
        )

    def _via(
        self, limb: Limb, held: FreeLeg, t_s: float, first: FloatArray, final: FloatArray
    ) -> list[tuple[tuple[float, float], ...]]:
        """Knots of the hip-to-ankle vector where the leg is held so, one per axis."""
        thigh_m, shank_m = leg_bones(self.body, limb + "_")
        thigh, shank = np.deg2rad([held.thigh_deg, held.thigh_deg - held.knee_deg])
        x = thigh_m * np.sin(thigh) + shank_m * np.sin(shank)
        z = -thigh_m * np.cos(thigh) - shank_m * np.cos(shank)
        return [((t_s, x),), ((t_s, 0.5 * (first[1] + final[1])),), ((t_s, z),)]

    def _inward_deg(self, motion: Motion, limb: Limb, t_s: float, angle_deg: float) -> float:
        """Turn of the leg's plane that gives a frontal-plane angle."""
        at = np.array([t_s])
        hip, ankle = motion.hip(limb, at), motion.foot(limb, at).ankle

        def miss(inward: float) -> float:
            knee, _ = bend_leg(
                self.body, limb, hip, ankle, np.deg2rad(np.array([inward])), self.yaw[limb]
            )
            return float(frontal_angle_deg(limb, hip, knee, ankle)[0] - angle_deg)

        return float(brentq(miss, -70, 70))


def perform(
    body: Body,
    script: Sequence[Action],
    support: Sequence[Limb] = LIMBS,
    toe_out_deg: float = 6.0,
    seed: int = 0,
    free_leg: FreeLeg = HELD_BEHIND,
    place: Place = ANYWHERE,
) -> Performance:
    """Turn a script into motion.

    Parameters
    ----------
    support : the limbs that stand; one limb for hops, the other held up
    seed : of the small deviations of arms, trunk and foot placement; the same
        seed gives the same motion
    free_leg : how the other leg is held in hops
    place : what they stand or lie on; on a sled, the motion's z axis is along the rails

    Raises
    ------
    ValueError
        If an action is not possible with this body.
    """
    artist = _Choreographer(body, support, toe_out_deg, seed, free_leg, place)
    for action in script:
        match action:
            case Stand():
                artist.stand(action)
            case Squat():
                artist.squat(action)
            case HeelRaise():
                artist.heel_raise(action)
            case Step():
                artist.step(action)
            case Leap():
                artist.leap(action)
            case Shift():
                artist.shift(action)
            case Glide():
                artist.glide(action)
    return artist.finish()
