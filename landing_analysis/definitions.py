"""Each measure's name, unit, sign and definition, written once, with its source.

Sign conventions
----------------
Angles at the knee: flexion is positive, 0 is straight. Frontal-plane projection
angle (FPPA): positive is valgus, the knee medial to the line from hip to ankle.
Offsets across the body: ``knee_over_toes_offset`` is positive when the knee is
medial to the toes; ``pelvis_shift`` and ``trunk_lean`` are positive toward the
patient's left. Intervals: ``inter_limb_delay`` is positive when the left foot lands
first; ``toe_to_heel_interval`` is positive when the toes land first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from landing_analysis.tables import VIEWS, View

GRAVITY_M_S2 = 9.81  # standard gravity rounded, as in the height formula of PMC9750644

# Drillis & Contini as drawn in Winter, fig. 4.1: thigh .245, shank .246 (numbers memory, sure).
LEG_PER_STATURE = 0.491
TORSO_PER_STATURE = 0.288  # shoulder less hip: Drillis & Contini 1966 (memory, sure)
DEFAULT_STATURE_M = 1.70  # adult, when no stature is given (choice)

FRONTAL_VIEWS: tuple[View, ...] = ("front", "back")
SIDE_VIEWS: tuple[View, ...] = ("left_side", "right_side")
VIEW_WORDS: dict[View, str] = {
    "front": "from the front",
    "back": "from the back",
    "left_side": "from the left side",
    "right_side": "from the right side",
    "oblique": "obliquely",
}
"""From where a rep or a clip is seen, in words."""

_UNIT_ENDINGS = {"s": "_s", "ms": "_ms", "m": "_m", "deg": "_deg", "%": "_pct", "1/min": "_per_min"}


@dataclass(frozen=True)
class Definition:
    """What one measure is.

    ``scope`` says whether it is read per limb or for the whole body. ``compare``
    says how two limbs are set against each other: by limb symmetry index only
    where zero is a true zero, else by a difference in the measure's own unit,
    None where sides are part of the measure itself. ``better`` is the direction
    that training aims for, None where neither is better as such. ``share_of`` is what a
    percentage is a share of.
    """

    name: str
    label: str
    unit: str
    decimals: int
    scope: Literal["limb", "body"]
    views: tuple[View, ...]
    compare: Literal["lsi", "difference"] | None
    better: Literal["higher", "nearer zero"] | None
    meaning: str
    source: str
    limits: str
    share_of: str = ""


_DEFINITIONS = (
    Definition(
        "contact_time", "Contact time", "s", 3, "limb", VIEWS, "lsi", None,
        "From initial contact to toe-off of the same foot in the landing of this rep.",
        "Event terms: common practice, no source.",
        "Not measurable for a held landing; frame counting alone cannot see below one frame.",
    ),
    Definition(
        "flight_time", "Flight time", "s", 3, "body", VIEWS, None, "higher",
        "From the last toe-off to the first initial contact of the landing.",
        "Event terms: common practice, no source.",
        "Feet off the ground; the body's middle may be lower at landing than at take-off.",
    ),
    Definition(
        "jump_height", "Jump height", "m", 3, "body", VIEWS, None, "higher",
        "Height from flight time, g t^2 / 8.",
        "Formula as in PMC9750644, Table 1.",
        "Too high by about half of the drop of the body's centre between take-off and landing.",
    ),
    Definition(
        "time_to_peak_flexion", "Time to peak flexion", "s", 3, "limb", VIEWS, "lsi", None,
        "From initial contact to the largest knee flexion in a side view of the near limb; "
        "elsewhere to the lowest point of the pelvis.",
        "Lowest point as peak flexion: Willson 2006 and Munro 2012 (secondary page).",
        "The bottom of the movement is flat, so the instant is less certain than the angle.",
    ),
    Definition(
        "reactive_strength_index", "Reactive strength index", "1", 2, "body", VIEWS, None,
        "higher",
        "Time of the flight that follows this landing divided by its time on the ground, "
        "from the first initial contact to the last toe-off.",
        "Flight time over contact time: definition from memory, sure.",
        "Not measurable where no flight follows. Jump height over contact time is another "
        "definition and gives other numbers.",
    ),
    Definition(
        "knee_flexion_initial_contact", "Knee flexion at initial contact", "deg", 1, "limb",
        SIDE_VIEWS, "difference", None,
        "Deviation from straight of hip, knee and ankle in the picture at initial contact.",
        "Planar joint angle; worked examples from the BMC teaching notebooks.",
        "Near limb of a side view only. Pose models read flexion too small in slow squats.",
    ),
    Definition(
        "knee_flexion_peak", "Peak knee flexion", "deg", 1, "limb", SIDE_VIEWS, "difference", None,
        "Largest knee flexion between initial contact and toe-off.",
        "Planar joint angle; worked examples from the BMC teaching notebooks.",
        "Near limb of a side view only.",
    ),
    Definition(
        "knee_flexion_excursion", "Knee flexion excursion", "deg", 1, "limb", SIDE_VIEWS,
        "difference", None,
        "Peak knee flexion minus knee flexion at initial contact.",
        "Planar joint angle; excursion as in Welling 2018.",
        "Near limb of a side view only.",
    ),
    Definition(
        "knee_flexion_target_difference", "Peak flexion minus target", "deg", 1, "limb",
        SIDE_VIEWS, "difference", "nearer zero",
        "Peak knee flexion minus the taught target angle.",
        "Target of about 60 deg: common practice, no source.",
        "The target is the clinician's to set.",
    ),
    Definition(
        "fppa_initial_contact", "FPPA at initial contact", "deg", 1, "limb", FRONTAL_VIEWS,
        "difference", "nearer zero",
        "Angle between hip-knee and knee-ankle lines in the picture, as deviation from straight; "
        "positive is valgus.",
        "Lines after Willson 2006 and Munro 2012 (secondary page); hip is the model's hip point.",
        "A projection, not the joint's own abduction angle. Published bands use other landmarks. "
        "Not measurable where thigh or shank points at the camera, where the foot points away "
        "from it, or where hip and knee are not found steadily.",
    ),
    Definition(
        "fppa_peak_flexion", "FPPA at peak flexion", "deg", 1, "limb", FRONTAL_VIEWS,
        "difference", "nearer zero",
        "FPPA at the lowest point of the movement; positive is valgus.",
        "Lowest point as peak flexion: Willson 2006 and Munro 2012 (secondary page).",
        "A body turned to the camera turns flexion into false valgus: 2 atan(tan(flexion/2) "
        "sin(yaw)). Means of four landings of drawn bodies err by 2 deg (RMS), left minus right "
        "and a change between visits by 1 to 2; real people were not at hand.",
    ),
    Definition(
        "fppa_peak_inward", "Peak inward FPPA", "deg", 1, "limb", FRONTAL_VIEWS,
        "difference", None,
        "Largest (most valgus) FPPA between initial contact and toe-off.",
        "Same lines as FPPA at peak flexion.",
        "A largest value of a noisy signal reads slightly high.",
    ),
    Definition(
        "knee_over_toes_offset", "Knee over toes offset", "%", 1, "limb", FRONTAL_VIEWS,
        "difference", "nearer zero",
        "Sideways distance of the knee from the toes at peak flexion, in per cent of leg length; "
        "positive is medial.",
        "Knee over the toes: common practice, no source.",
        "Depends on where the feet point and on the camera's yaw.",
        "leg length",
    ),
    Definition(
        "knee_ankle_separation_ratio", "Knee to ankle separation ratio", "1", 2, "body",
        FRONTAL_VIEWS, None, None,
        "Distance between the knees over distance between the ankles at peak flexion.",
        "Mizner 2012, J Orthop Sports Phys Ther 42(3):221-227.",
        "Below 1 the knees are inside the ankles; depends on stance width.",
    ),
    Definition(
        "inter_limb_delay", "Inter-limb contact delay", "ms", 0, "body", FRONTAL_VIEWS, None,
        "nearer zero",
        "Initial contact of the right foot minus that of the left; positive when the left "
        "foot lands first.",
        "One foot first as an error item: Padua 2009 (published visual score).",
        "Motion, not force. A side view hides one foot: of two drop jumps on force plates it read "
        "10 ms apart from one side to the other.",
    ),
    Definition(
        "pelvis_shift", "Pelvis shift", "%", 1, "body", FRONTAL_VIEWS, None, "nearer zero",
        "Mid-hip minus mid-ankle across the picture at the lowest point, in per cent of the "
        "ankle distance; positive toward the patient's left.",
        "Own proxy for favouring a limb, no source.",
        "Motion, not force: no shift seen is not equal load (Hughes 2020).",
        "ankle distance",
    ),
    Definition(
        "toe_to_heel_interval", "Toe to heel interval", "ms", 0, "limb", SIDE_VIEWS, None, None,
        "Heel contact minus toe contact; positive when the toes land first.",
        "Toe to heel landing: common practice, no source.",
        "Near limb of a side view only. A foot that lands flat is within its uncertainty of 0.",
    ),
    Definition(
        "trunk_lean", "Trunk lean", "deg", 1, "body", FRONTAL_VIEWS, None, "nearer zero",
        "Tilt of the line from mid-hip to mid-shoulder from the vertical at peak flexion; "
        "positive toward the patient's left.",
        "Trunk lean as a sign of favouring: no source.",
        "Needs the vertical of the picture; camera roll adds to it.",
    ),
    Definition(
        "trunk_flexion", "Trunk flexion", "deg", 1, "body", SIDE_VIEWS, None, None,
        "Forward tilt of the line from mid-hip to mid-shoulder from the vertical at peak flexion.",
        "Planar segment angle.",
        "Needs the vertical of the picture; camera roll adds to it.",
    ),
    Definition(
        "step_rate", "Steps per minute", "1/min", 0, "body", VIEWS, None, None,
        "60 s over the time from this landing to the next one, of whichever foot.",
        "Cadence: common practice, no source.",
        "Landings alone are counted; not measurable for the last landing of a bout.",
    ),
    Definition(
        "pelvis_travel", "Pelvis travel", "%", 0, "body", FRONTAL_VIEWS, None, None,
        "Way of the pelvis across the picture from its outermost place on the other side to that "
        "on this one, in per cent of leg length.",
        "Side to side: common practice, no source.",
        "The last second before this load is looked at; a slower way is cut short.",
        "leg length",
    ),
    Definition(
        "pelvis_height", "Pelvis height", "%", 0, "limb", FRONTAL_VIEWS, "difference", None,
        "Height of mid-hip above the ankle of the loaded leg at the deepest point, in per cent of "
        "leg length: the lower, the deeper the stance.",
        "Depth of the stance kept: common practice, no source.",
        "Stands for the knee's depth, which this view does not show; a wider stance lowers it.",
        "leg length",
    ),
    Definition(
        "drive_time", "Drive time", "s", 2, "limb", FRONTAL_VIEWS, "lsi", None,
        "From where the pelvis turns back over this leg to when the foot leaves.",
        "Push off one leg: common practice, no source.",
        "The turn stands for the deepest point; force is not measured.",
    ),
    Definition(
        "glide_time", "Glide time", "s", 2, "limb", FRONTAL_VIEWS, "lsi", None,
        "From when this foot leaves to when the other one stops at its end of the board.",
        "Glide between two drives: common practice, no source.",
        "A shorter glide over the same way is a faster one; not measurable after the last load.",
    ),
    Definition(
        "thigh_angle_peak", "Thigh angle at the top", "deg", 1, "limb", VIEWS, "difference",
        None,
        "Largest tilt of the thigh from hanging straight down, in the air before this landing; "
        "90 is level.",
        "Planar segment angle, own reading by how far the knee hangs below the hip.",
        "Blunt for a thigh that hangs, sharp for a level one. A thigh drawn out to the side or "
        "back counts as one drawn up.",
    ),
    Definition(
        "heel_height_peak", "Heel height at the top", "%", 0, "limb", VIEWS, "lsi", None,
        "How far the heel rises above where it stands, in the air before this landing, in per "
        "cent of leg length.",
        "Heel toward the buttock: common practice, no source.",
        "From the front a heel behind the other leg may be hidden.",
        "leg length",
    ),
    Definition(
        "hip_lead_time", "Hip leads knee", "ms", 0, "limb", SIDE_VIEWS, "difference", None,
        "As the leg is drawn up before this landing: when the knee is bent halfway minus when the "
        "thigh is lifted halfway, each between its start and its top.",
        "Does the hip lead the knee: common practice, no source; the reading is our own.",
        "The thigh stands for the hip. No limit is known; one of a few ms tells no order.",
    ),
)  # fmt: skip

DEFINITIONS: dict[str, Definition] = {item.name: item for item in _DEFINITIONS}
"""Every measure by its name, in the order of the report."""

IN_SECONDS = {"s": 1.0, "ms": 0.001}
"""Units of time, in seconds."""

TIMES = frozenset(
    {name for name, item in DEFINITIONS.items() if item.unit in IN_SECONDS}
    | {"jump_height", "reactive_strength_index", "step_rate"}
)
"""Measures that are times, or are worked out from times."""

_PRINTED = {"m": ("cm", 100.0, -2), "1/min": ("", 1.0, 0)}
"""Unit in which a stored unit is printed, how many make one of it, and decimals fewer."""


def printed_value(value: float, name: str) -> float:
    """Return a value or an uncertainty of a measure in the unit in which pages print it."""
    return value * _PRINTED.get(DEFINITIONS[name].unit, ("", 1.0, 0))[1]


def value_columns(name: str, unit: str) -> tuple[str, str]:
    """Return the columns of a measure and of its standard uncertainty, their unit in the names."""
    ending = _UNIT_ENDINGS.get(unit, "")
    return f"{name}{ending}", f"{name}_sd{ending}"


def printed_decimals(name: str) -> int:
    """Return the decimals that pages print of a measure."""
    definition = DEFINITIONS[name]
    return definition.decimals + _PRINTED.get(definition.unit, ("", 1.0, 0))[2]


def printed_unit(name: str, *, share: bool = True) -> str:
    """Return the unit that pages print: none for a ratio, for a percentage also of what."""
    definition = DEFINITIONS[name]
    if definition.unit == "1":
        return ""
    unit = _PRINTED.get(definition.unit, (definition.unit, 1.0, 0))[0]
    return f"{unit} of {definition.share_of}" if share and definition.share_of else unit


FPPA_NAME = "Frontal-plane projection angle (FPPA)"
FPPA_MEANING = (
    "how far the knee lies off the straight line from hip to ankle, as the picture shows it from "
    "the front or from behind."
)
FPPA_SIGN = "+ = knee inward, − = knee outward, 0 = straight."
"""How FPPA is explained on every page that prints one."""


def is_fppa(name: str) -> bool:
    """Whether a measure is a frontal-plane projection angle, printed with its sign."""
    return name.startswith("fppa_")


_VALGUS = "positive is valgus: the knee medial to the line from hip to ankle"
_TO_THE_LEFT = "positive toward the patient's left"
_FLEXED = "positive is flexion, 0 is straight"
SIGNS: dict[str, str] = {
    "knee_flexion_initial_contact": _FLEXED,
    "knee_flexion_peak": _FLEXED,
    "knee_flexion_excursion": "positive when the knee bends further after initial contact",
    "knee_flexion_target_difference": "positive when the knee bends further than the target",
    "fppa_initial_contact": _VALGUS,
    "fppa_peak_flexion": _VALGUS,
    "fppa_peak_inward": _VALGUS,
    "knee_over_toes_offset": "positive when the knee is medial to the toes",
    "inter_limb_delay": "positive when the left foot lands first",
    "pelvis_shift": _TO_THE_LEFT,
    "toe_to_heel_interval": "positive when the toes land first",
    "hip_lead_time": "positive when the hip leads",
    "trunk_lean": _TO_THE_LEFT,
    "trunk_flexion": "positive is forward",
}
"""What a positive value means, for each measure that can be negative."""

INTENDED_USE = (
    "Measures 2D angles and times from video to help a clinician to document training. "
    "It does not diagnose, clear anyone for sport, predict injury or measure force."
)
CAUTIONS: tuple[str, ...] = (
    "Stop or modify the exercise on pain, swelling, any symptom or distress of the joint.",
    "Dosage, rest, progress and return are the clinician's decision; "
    "local codes and licensed practice come first.",
    "Angles are projections seen by one camera. Motion that looks even is not proof of even load.",
)
"""Cautions that every report carries; common practice, no source."""
