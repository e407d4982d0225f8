"""What a patient does, as a list of actions with their wanted numbers.

Angles are in degrees, times in seconds. *Wanted* numbers are met by
`choreography.perform`; what follows from them (for instance the flexion of the
limb that lands second) is read from the finished motion by `truth`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Limb = Literal["left", "right"]
LIMBS: tuple[Limb, Limb] = ("left", "right")


@dataclass(frozen=True)
class LimbPlan:
    """What one limb does in one contact.

    Attributes
    ----------
    flexion_peak_deg : knee flexion at the lowest pelvis point
    fppa_initial_contact_deg, fppa_peak_deg : frontal plane seen square on,
        positive = knee inward
    foot_pitch_deg : at initial contact; positive = toes first
    """

    flexion_peak_deg: float = 65.0
    fppa_initial_contact_deg: float = 1.0
    fppa_peak_deg: float = 2.0
    foot_pitch_deg: float = 18.0


@dataclass(frozen=True)
class FreeLeg:
    """How the free leg of a hop is held in quiet standing; it moves a little with the hops.

    Attributes
    ----------
    thigh_deg : forward of the vertical
    knee_deg : knee flexion
    """

    thigh_deg: float = 8.0
    knee_deg: float = 80.0


HELD_BEHIND = FreeLeg()


@dataclass(frozen=True)
class Stand:
    """Quiet standing; after a held landing, standing up from it first."""

    duration_s: float = 1.0


@dataclass(frozen=True)
class Squat:
    """Bending and coming up again with the feet on the floor."""

    limbs: Mapping[Limb, LimbPlan]
    duration_s: float = 1.8
    trunk_flexion_deg: float = 40.0


@dataclass(frozen=True)
class HeelRaise:
    """Rising on the toes and coming down with straight legs."""

    duration_s: float = 1.6
    pitch_deg: float = 28.0


@dataclass(frozen=True)
class Step:
    """One foot lifted and set down elsewhere, the body following."""

    limb: Limb
    forward_m: float = 0.0
    left_m: float = 0.0
    duration_s: float = 1.2
    foot_pitch_deg: float = -6.0


@dataclass(frozen=True)
class Leap:
    """One flight and the contact after it: a jump or a hop.

    Attributes
    ----------
    flight_s : last toe-off to first initial contact
    contact_s : first initial contact to last toe-off; of a held landing, the
        time until the held position is reached
    limbs : the limbs that land
    flexion_initial_contact_deg : of the limb that lands first
    flexion_flight_deg : about the middle of the flight
    landing_lead_s, take_off_lead_s : positive = left first
    pelvis_shift_pct : mid-hip minus mid-ankle over the distance of the ankles
        at the lowest point, positive = left
    trunk_flexion_deg, trunk_lean_deg : of the chest at the lowest point,
        forwards, and sideways positive = left
    forward_m, left_m : where the feet land from where they left
    arm_swing : 1 = a full swing
    """

    flight_s: float
    contact_s: float
    limbs: Mapping[Limb, LimbPlan] = field(default_factory=dict)
    flexion_initial_contact_deg: float = 22.0
    flexion_flight_deg: float = 26.0
    landing_lead_s: float = 0.0
    take_off_lead_s: float = 0.0
    pelvis_shift_pct: float = 0.0
    trunk_flexion_deg: float = 30.0
    trunk_lean_deg: float = 0.0
    forward_m: float = 0.0
    left_m: float = 0.0
    arm_swing: float = 1.0
    held: bool = False


@dataclass(frozen=True)
class Stride(Leap):
    """A leap of another exercise than jumps and hops on the spot.

    Attributes
    ----------
    exercise : its name, see ``sample_clips/README.md``
    swing : how a leg is held about the middle of its way through the air; without it
        the leg only bends by ``flexion_flight_deg``
    reach_m : the pelvis is that far ahead of the foot that leaves and behind the one that lands
    down_m : the landing place lies lower than the last one, after a box
    """

    exercise: str = ""
    swing: FreeLeg | None = None
    reach_m: float = 0.0
    down_m: float = 0.0


@dataclass(frozen=True)
class Shift:
    """Weight moved over one limb, both feet planted wide; the other leg straightens.

    Attributes
    ----------
    limb : that takes the weight
    flexion_deg : of its knee at the deepest point
    duration_s : from deepest point to deepest point
    share : how far the pelvis goes of the way from the middle to that ankle
    """

    limb: Limb
    flexion_deg: float = 55.0
    duration_s: float = 0.9
    share: float = 0.6
    trunk_flexion_deg: float = 28.0


@dataclass(frozen=True)
class Glide:
    """A drive off one leg to the other side of a slide board, both feet sliding.

    Attributes
    ----------
    limb : that leads and stops at the other end
    flexion_deg : of its knee at the deepest point there
    drive_s, glide_s, settle_s : pushing; both feet sliding; from the stop to the deepest point
    travel_m : how far the feet slide
    """

    limb: Limb
    travel_m: float = 0.75
    flexion_deg: float = 60.0
    drive_s: float = 0.40
    glide_s: float = 0.35
    settle_s: float = 0.35
    trunk_flexion_deg: float = 38.0


@dataclass(frozen=True)
class Sled:
    """A carriage on rails: the patient lies on it, the feet on an upright plate.

    Attributes
    ----------
    pull_m_s2 : of the cords, towards the plate, the same everywhere
    incline_deg : of the rails, head higher
    rest_flexion_deg : of the knees when the carriage rests
    height_m : of the hips above the room's floor
    feet_high_m : the ankles on the plate above the level of the hips
    """

    pull_m_s2: float = 4.0
    incline_deg: float = 0.0
    rest_flexion_deg: float = 90.0
    height_m: float = 0.62
    feet_high_m: float = 0.16


@dataclass(frozen=True)
class Place:
    """What a patient stands or lies on.

    Attributes
    ----------
    stance_half_m : half the distance of the feet at first
    start_left_m : where the middle of the feet stands at first, to the patient's left
    box_m : height of the box that the patient stands on at first
    board_m : length of the slide board under the feet, 0 without
    """

    sled: Sled | None = None
    stance_half_m: float = 0.12
    start_left_m: float = 0.0
    box_m: float = 0.0
    board_m: float = 0.0


ANYWHERE = Place()

Action = Stand | Squat | HeelRaise | Step | Leap | Shift | Glide
