"""The typed, frozen records passed between stages, and nothing that computes.

Conventions used by every table
-------------------------------
Picture coordinates are in pixels of the upright picture, origin at the centre
of the top-left pixel, x to the right, y down. Times are seconds of the clip's
own presentation time. ``left`` and ``right`` are the patient's own limbs.
A value that could not be measured is NaN in an array and None in a record,
and a record then carries the reason.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from landing_analysis.errors import TableError
from landing_analysis.reasons import Reason

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
Picture = NDArray[np.uint8]

Limb = Literal["left", "right"]
Exercise = str
"""The code of an exercise, a key of `exercises.EXERCISES`."""
View = Literal["front", "back", "left_side", "right_side", "oblique"]
Verdict = Literal[
    "above", "probably above", "below", "probably below", "within", "probably within", "cannot tell"
]
OUTSIDE: frozenset[Verdict] = frozenset({"above", "below"})
PROBABLY_OUTSIDE: frozenset[Verdict] = frozenset({"probably above", "probably below"})
FootStrike = Literal["toe-first", "heel-first", "flat or too close to tell"]
QualityState = Literal["good", "limited", "poor"]
Corrected = Literal[
    "patient", "date", "exercise", "view", "person", "slowed by", "clip", "rep",
    "sides", "contact", "initial contact", "toe-off", "landmark",
]  # fmt: skip
LegPart = Literal["hip", "knee", "ankle", "heel", "toe"]
RecordedFrom = Literal["clip", "file name", "file time"]

IN_THE_CLIP: tuple[Corrected, ...] = ("contact", "initial contact", "toe-off", "landmark")
"""Corrections of what one limb does at one time."""
LIMBS: tuple[Limb, Limb] = ("left", "right")
WORST_FIRST: tuple[QualityState, ...] = ("poor", "limited", "good")
VIEWS: tuple[View, ...] = ("front", "back", "left_side", "right_side", "oblique")

LANDMARK_NAMES: tuple[str, ...] = (
    "nose",
    "left_eye_inner", "left_eye", "left_eye_outer",
    "right_eye_inner", "right_eye", "right_eye_outer",
    "left_ear", "right_ear",
    "mouth_left", "mouth_right",
    "left_shoulder", "right_shoulder",
    "left_elbow", "right_elbow",
    "left_wrist", "right_wrist",
    "left_pinky", "right_pinky",
    "left_index", "right_index",
    "left_thumb", "right_thumb",
    "left_hip", "right_hip",
    "left_knee", "right_knee",
    "left_ankle", "right_ankle",
    "left_heel", "right_heel",
    "left_toe", "right_toe",
)  # fmt: skip
"""Column order of every landmark array: the patient's own left and right."""

N_LANDMARKS = len(LANDMARK_NAMES)
LANDMARK: dict[str, int] = {name: index for index, name in enumerate(LANDMARK_NAMES)}
"""Landmark name to its column."""


def _require_shape(name: str, array: np.ndarray, shape: tuple[int, ...]) -> None:
    if array.shape != shape:
        raise TableError(f"{name} has shape {array.shape}; expected {shape}.")


def other_limb(limb: Limb) -> Limb:
    """Return the limb that is not this one."""
    return "right" if limb == "left" else "left"


def short_clip(sha256: str) -> str:
    """Return what stands for a clip in tables and in names of folders."""
    return sha256[:12]  # 48 bits, so that no record has one twice (choice)


NO_PICTURE: Picture = np.empty((0, 0, 3), np.uint8)


class Frame(NamedTuple):
    """One picture of a clip: its number from 0, its time, (height, width, 3) upright RGB.

    ``rgb`` is empty where nobody wants the picture; ``brightness``, where it was asked for, is a
    small grey picture of it, as stored, so perhaps not upright.
    """

    number: int
    t_s: float
    rgb: Picture
    brightness: Picture | None = None

    @property
    def has_picture(self) -> bool:
        """Whether the picture came with it."""
        return self.rgb.size > 0


class Seen(NamedTuple):
    """Who was seen in one frame: its number, its time, and (people, 33, 6) float64.

    The six are x and y in pixels, visibility, and x, y, z in metres, as in `Poses`.
    ``windows_px``, (people, 4), are the detector's windows around them (`landmarks.windows`), NaN
    where it was not asked.
    """

    number: int
    t_s: float
    people: FloatArray
    windows_px: FloatArray | None = None


@dataclass(frozen=True)
class Note:
    """What one check of a clip's quality says: what was measured and what it costs."""

    check: str
    state: QualityState
    remarks: tuple[Reason, ...]


@dataclass(frozen=True)
class Clip:
    """Facts of one video file, read from the file itself.

    ``median_fps`` is one over the median interval between frames; it describes
    the clip and is never used as its clock. ``capture_fps`` is the rate at which
    the phone's tag says that it filmed, None without a tag. ``recorded_on`` is the day,
    YYYY-MM-DD, that the clip or its name tells, None where only the file's time does.
    ``file`` is for screens on this machine: a person's name may stand in it, so nothing
    that can be sent on holds it.
    """

    file: str
    sha256: str
    width_px: int
    height_px: int
    frames: int
    duration_s: float
    median_fps: float
    mirrored: bool
    t_s: FloatArray = field(repr=False)
    notes: tuple[Note, ...] = ()
    capture_fps: float | None = None
    recorded_on: str | None = None

    def __post_init__(self) -> None:
        _require_shape("t_s", self.t_s, (self.frames,))


LIGHT_PARTS = ("knee", "ankle", "heel", "toe", "knee_9cm", "thigh_12cm")
"""Where a leg's step in grey level is read: within 7 cm of a landmark unless the name says more."""


@dataclass(frozen=True)
class Light:
    """How bright patient and background are in some of a clip's frames, grey levels 0..255.

    Attributes
    ----------
    t_s : (n_looks,) times of those frames
    body_levels : (n_looks, n_slots) median along trunk and legs of the person in a slot
        of `Poses`, NaN where it is empty
    around_levels : (n_looks, n_slots) median beside the person
    contrast_levels : (n_looks, n_slots, 12) range at the places `LIGHT_PARTS`, left limb
        first
    floor_levels : (n_looks, n_slots, 2) how much the floor in front of the feet, and the
        floor beside it, differ from how they look most of the time
    """

    t_s: FloatArray
    body_levels: FloatArray
    around_levels: FloatArray
    contrast_levels: FloatArray
    floor_levels: FloatArray

    def __post_init__(self) -> None:
        n_looks, n_slots = self.body_levels.shape
        _require_shape("t_s", self.t_s, (n_looks,))
        _require_shape("around_levels", self.around_levels, (n_looks, n_slots))
        n_parts = 2 * len(LIGHT_PARTS)
        _require_shape("contrast_levels", self.contrast_levels, (n_looks, n_slots, n_parts))
        _require_shape("floor_levels", self.floor_levels, (n_looks, n_slots, 2))


@dataclass(frozen=True)
class Segment:
    """Points of one reference picture, found again in the frames after it.

    ``xy_px`` is (n, n_points, 2) pixels, NaN where a point was not found; its first row
    are the points in the reference picture, which is frame ``first_frame``. ``grip``
    (n_points, 2, 2) is how firmly each point holds across the picture: the square root of
    its gradients' matrix, of which the larger eigenvalue is 1. A point on a straight edge
    holds across the edge and slides along it.
    """

    first_frame: int
    xy_px: NDArray[np.float32] = field(repr=False)
    grip: NDArray[np.float32] = field(repr=False)

    def __post_init__(self) -> None:
        n_points = self.xy_px.shape[1]
        _require_shape("xy_px", self.xy_px, (len(self.xy_px), n_points, 2))
        _require_shape("grip", self.grip, (n_points, 2, 2))


@dataclass(frozen=True)
class Background:
    """Points followed through a clip, people's own among them.

    The last row of each segment belongs to the frame that is the reference picture
    of the next.
    """

    frames: int
    segments: tuple[Segment, ...]

    def __post_init__(self) -> None:
        starts = [segment.first_frame for segment in self.segments]
        ends = [s.first_frame + len(s.xy_px) - 1 for s in self.segments]
        if starts != [0, *ends[:-1]] or ends[-1] != self.frames - 1:
            raise TableError(f"The background was not followed through all {self.frames} frames.")


@dataclass(frozen=True)
class CameraPath:
    """How the camera turned: what carries each frame's pixels into one reference picture.

    Attributes
    ----------
    state : ``still``: it stood still, nothing is moved; ``followed``: what moved is taken
        out; ``lost``: the background could not be followed, and ``reason`` says why
    shift_px : (n_frames, 2) where the middle of the frame lies in the reference picture,
        from the middle of that
    turn_deg : (n_frames,) clockwise turn of the frame on its way into the reference
    zoom : (n_frames,) how many times larger than the reference the frame shows things
    sd_px : (n_frames,) standard uncertainty with which a point of a body is carried over
    known : (n_frames,) False where the frame could not be placed; the rest is then NaN
    focal_px : focal length of the reference picture
    """

    state: Literal["still", "followed", "lost"]
    shift_px: FloatArray
    turn_deg: FloatArray
    zoom: FloatArray
    sd_px: FloatArray
    known: BoolArray
    focal_px: float
    reason: Reason | None = None

    def __post_init__(self) -> None:
        n_frames = len(self.known)
        _require_shape("shift_px", self.shift_px, (n_frames, 2))
        for name in ("turn_deg", "zoom", "sd_px"):
            _require_shape(name, getattr(self, name), (n_frames,))
        if (self.state == "lost") != (self.reason is not None):
            raise TableError("A camera path is lost exactly when it carries the reason.")


@dataclass(frozen=True)
class Poses:
    """Every person the pose model saw, frame by frame, not yet told apart.

    Attributes
    ----------
    t_s : (n_frames,) seconds
    xy_px : (n_frames, n_slots, 33, 2) pixels, NaN where a slot is empty
    visibility : (n_frames, n_slots, 33) 0..1, the model's own scale
    world_m : (n_frames, n_slots, 33, 3) metres, origin at mid-hip, x right and
        y down in the picture, z away from the camera
    light : where it was measured
    camera : how the camera moved, None where nobody looked
    looked : (n_frames,) where the model looked; elsewhere one person is interpolated between
        the looks around. None where it looked at every frame
    mirrored_px : (n_frames, 33, 2) where the patient's landmarks lie by a look at the mirrored
        picture, NaN where there was none; None where no frame was looked at so
    """

    t_s: FloatArray
    xy_px: FloatArray
    visibility: FloatArray
    world_m: FloatArray
    width_px: int
    height_px: int
    model_name: str
    model_sha256: str
    light: Light | None = None
    camera: CameraPath | None = None
    looked: BoolArray | None = None
    mirrored_px: FloatArray | None = None

    def __post_init__(self) -> None:
        if self.xy_px.ndim != 4:  # definition: frames, slots, landmarks, x and y
            raise TableError(f"xy_px has {self.xy_px.ndim} axes; expected 4.")
        n_frames, n_slots = self.xy_px.shape[:2]
        _require_shape("t_s", self.t_s, (n_frames,))
        _require_shape("xy_px", self.xy_px, (n_frames, n_slots, N_LANDMARKS, 2))
        _require_shape("visibility", self.visibility, (n_frames, n_slots, N_LANDMARKS))
        _require_shape("world_m", self.world_m, (n_frames, n_slots, N_LANDMARKS, 3))
        if self.looked is not None:
            _require_shape("looked", self.looked, (n_frames,))
        if self.mirrored_px is not None:
            _require_shape("mirrored_px", self.mirrored_px, (n_frames, N_LANDMARKS, 2))


@dataclass(frozen=True)
class Landmarks:
    """One person through the clip.

    Attributes
    ----------
    t_s : (n_frames,) seconds, strictly increasing
    xy_px : (n_frames, 33, 2) pixels, NaN where the person was not found
    visibility : (n_frames, 33) 0..1
    world_m : (n_frames, 33, 3) metres, axes as in `Poses`
    """

    t_s: FloatArray
    xy_px: FloatArray
    visibility: FloatArray
    world_m: FloatArray
    width_px: int
    height_px: int

    def __post_init__(self) -> None:
        n_frames = len(self.t_s)
        _require_shape("xy_px", self.xy_px, (n_frames, N_LANDMARKS, 2))
        _require_shape("visibility", self.visibility, (n_frames, N_LANDMARKS))
        _require_shape("world_m", self.world_m, (n_frames, N_LANDMARKS, 3))
        if n_frames > 1 and not np.all(np.diff(self.t_s) > 0):
            raise TableError("Frame times do not increase; the clip's clock is damaged.")


@dataclass(frozen=True)
class MeasuredPerson:
    """Which person of the clip is measured, and why.

    ``number`` counts people from 1 in the order of the share of the clip they
    are in view; ``people`` is how many were told apart. ``doubt`` says why somebody
    else may be the patient.
    """

    number: int
    people: int
    reason: Reason
    landmarks: Landmarks
    doubt: Reason | None = None


@dataclass(frozen=True)
class ViewEstimate:
    """From where the camera sees the patient.

    Attributes
    ----------
    yaw_deg : degrees by which the pelvis is turned away from standing square-on
        in the named view (from the nearest of the four square-on views when
        oblique); positive when the patient is turned to their own left
    yaw_sd_deg : standard uncertainty of ``yaw_deg``
    near_limb : the limb closer to the camera in a side view, else None
    frame_yaw_deg : (n_frames,) smoothed yaw of the pelvis from facing the camera
        (0 front, +90 turned to the patient's own left, +-180 back), NaN where unknown
    middle_deg : the yaw from facing the camera that the view is named after, NaN where unknown
    turns : the patient turns out of the view within the clip
    """

    view: View
    yaw_deg: float
    yaw_sd_deg: float
    near_limb: Limb | None
    reason: Reason
    frame_yaw_deg: FloatArray = field(repr=False)
    middle_deg: float = float("nan")
    turns: bool = False


@dataclass(frozen=True)
class Tracks:
    """Cleaned landmarks on the clip's own time base.

    Attributes
    ----------
    t_s : (n_frames,) seconds
    raw_px : (n_frames, 33, 2) gaps filled and swaps repaired, not low-passed;
        the timing of contacts is read from these
    xy_px : (n_frames, 33, 2) the same, low-passed without lag for angles
    visibility : (n_frames, 33)
    filled : (n_frames, 33) True where a gap was bridged
    swapped : (n_frames,) True where left and right were exchanged back
    noise_px : (33,) standard deviation of the landmark noise in ``raw_px``
    cutoff_hz : low-pass cut-off that was reached
    rate_hz : one over the median frame interval
    down : (2,) unit vector of gravity in the picture
    down_sd_deg : standard uncertainty of its direction
    leg_px : hip-knee-ankle length of the straight leg in the picture
    px_per_m : pixels per metre at the patient, from stature and leg length
    px_per_m_sd : its standard uncertainty
    pull_m_s2 : what a body in flight falls with along ``down``: gravity, or the cords of a sled
    turns : quarter turns, counter-clockwise, by which a lying body was stood up; ``down`` and all
        places are in the turned picture
    """

    t_s: FloatArray
    raw_px: FloatArray
    xy_px: FloatArray
    visibility: FloatArray
    filled: BoolArray
    swapped: BoolArray
    noise_px: FloatArray
    cutoff_hz: float
    rate_hz: float
    down: FloatArray
    down_sd_deg: float
    leg_px: float
    px_per_m: float
    px_per_m_sd: float
    pull_m_s2: float = 9.81  # definition: `definitions.GRAVITY_M_S2`, which imports this module
    turns: int = 0

    def __post_init__(self) -> None:
        n_frames = len(self.t_s)
        for name in ("raw_px", "xy_px"):
            _require_shape(name, getattr(self, name), (n_frames, N_LANDMARKS, 2))
        for name in ("visibility", "filled"):
            _require_shape(name, getattr(self, name), (n_frames, N_LANDMARKS))
        _require_shape("swapped", self.swapped, (n_frames,))
        _require_shape("noise_px", self.noise_px, (N_LANDMARKS,))
        _require_shape("down", self.down, (2,))


@dataclass(frozen=True)
class KneeAngles:
    """The knee's angle in every frame, for drawing; no measure is read from it.

    Attributes
    ----------
    kind : flexion in a side view, FPPA in a front or back view
    deg : (n_frames,) degrees of each limb that the view shows, NaN where not seen
    """

    kind: Literal["flexion", "fppa"]
    deg: dict[Limb, FloatArray]


@dataclass(frozen=True)
class Event:
    """One instant with its standard uncertainty, in seconds; ``by_hand`` when a person set it."""

    t_s: float
    sd_s: float
    by_hand: bool = False


@dataclass(frozen=True)
class Contact:
    """One foot on the ground after a flight.

    ``toe_contact`` and ``heel_contact`` are the instants at which each end of
    the foot came to rest on the ground; initial contact is the earlier one.
    ``toe_off`` is None when the foot was not seen to leave, and
    ``toe_off_reason`` then says why. ``other_leg_seen`` where the tracks took the legs for each
    other on it or in the swing before it, or saw both where the one is that hides the other: its
    times hold, nothing else of this leg is known.
    """

    limb: Limb
    initial_contact: Event
    toe_off: Event | None
    toe_off_reason: Reason | None = None
    toe_contact: Event | None = None
    heel_contact: Event | None = None
    other_leg_seen: bool = False

    def __post_init__(self) -> None:
        if (self.toe_off is None) == (self.toe_off_reason is None):
            raise TableError("A contact has either a toe-off or the reason why there is none.")


@dataclass(frozen=True)
class Flight:
    """The whole body in the air, from the last toe-off to the first initial contact.

    ``take_off`` is None when the clip starts in the air, ``landing`` when it
    ends there. ``take_off_limbs`` left the ground last together,
    ``landing_limbs`` came down first together. Of ``unseen_limbs`` it cannot be told
    whether they landed.
    """

    take_off: Event | None
    landing: Event | None
    take_off_limbs: tuple[Limb, ...]
    landing_limbs: tuple[Limb, ...]
    unseen_limbs: tuple[Limb, ...] = ()


@dataclass(frozen=True)
class Contacts:
    """All contacts and flights of a clip, each in order of time."""

    contacts: tuple[Contact, ...]
    flights: tuple[Flight, ...]
    notes: tuple[Note, ...] = ()

    def with_events(self, change: Callable[[Event, bool], Event]) -> Contacts:
        """Return the same with each event changed; ``change`` is told whether it is a landing."""

        def changed(event: Event | None, landing: bool) -> Event | None:
            return event and change(event, landing)

        return replace(
            self,
            contacts=tuple(
                replace(
                    contact,
                    initial_contact=change(contact.initial_contact, True),
                    toe_off=changed(contact.toe_off, False),
                    toe_contact=changed(contact.toe_contact, True),
                    heel_contact=changed(contact.heel_contact, True),
                )
                for contact in self.contacts
            ),
            flights=tuple(
                replace(
                    flight,
                    take_off=changed(flight.take_off, False),
                    landing=changed(flight.landing, True),
                )
                for flight in self.flights
            ),
        )


@dataclass(frozen=True)
class Rep:
    """One flight and the landing after it, numbered as a person counts aloud.

    ``contacts`` holds the landing contact of each limb that landed.
    ``peak_flexion_s`` is the instant of the lowest point of the pelvis between
    initial contact and toe-off (or the end of a held landing).
    A rep that is not ``used`` carries the ``reason``; it is ``excluded`` when a person left
    it out. ``view`` and ``yaw_deg`` are those of this rep alone, as in `ViewEstimate`; None
    where nothing was seen of them. ``rebound`` marks the second landing of a drop jump.
    """

    number: int
    exercise: Exercise
    limbs: tuple[Limb, ...]
    flight: Flight
    contacts: tuple[Contact, ...]
    peak_flexion_s: float | None
    next_flight: Flight | None = None
    used: bool = True
    reason: Reason | None = None
    view: View | None = None
    yaw_deg: float | None = None
    excluded: bool = False
    rebound: bool = False

    def __post_init__(self) -> None:
        if self.used == (self.reason is not None):
            raise TableError("A rep is either used or carries the reason why not.")
        if self.used and self.excluded:
            raise TableError("A rep that a person left out is not used.")

    @property
    def is_bound(self) -> bool:
        """Whether it left from one foot and landed on the other (jogging in place does)."""
        left = self.flight.take_off_limbs
        return len(left) == len(self.contacts) == 1 and self.contacts[0].limb != left[0]

    def contact(self, limb: Limb) -> Contact | None:
        """Return the landing contact of ``limb``, or None when it did not land."""
        return next((c for c in self.contacts if c.limb == limb), None)


@dataclass(frozen=True)
class Bout:
    """Reps of one exercise without a pause, from the first take-off to the last toe-off.

    ``confidence`` runs from 0 to 1 and is 1 where a person named the exercise. ``reps`` are
    their numbers; pages count them as a person counts aloud.
    """

    number: int
    exercise: Exercise
    confidence: float
    reps: tuple[int, ...]
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Reps:
    """The reps of a clip in order, and the exercise that most of them are.

    ``planned`` where the day's plan decided which it is.
    """

    exercise: Exercise | None
    limb: Limb | None
    reps: tuple[Rep, ...]
    notes: tuple[Note, ...] = ()
    bouts: tuple[Bout, ...] = ()
    planned: bool = False


@dataclass(frozen=True)
class UncertaintyPart:
    """One named contribution to a standard uncertainty, in the measure's unit."""

    name: str
    sd: float


@dataclass(frozen=True)
class Measure:
    """One value of one rep: per limb, or of the whole body when ``limb`` is None.

    ``frames`` are the frame numbers that the value was read from. ``value`` and
    ``sd`` are None exactly when ``reason`` says why it is not measurable. A value that
    is not ``of_set`` is of a rep seen in another view: no summary takes it in.
    It is ``by_hand`` where contacts or landmarks that a person set made it another;
    ``found`` is then what it would be without them, None where there would be none.
    ``reading`` is the value before the pose model's offset was taken off, None where none was.
    """

    rep: int
    name: str
    limb: Limb | None
    value: float | None
    unit: str
    sd: float | None
    reason: Reason | None = None
    frames: tuple[int, ...] = ()
    parts: tuple[UncertaintyPart, ...] = ()
    of_set: bool = True
    reading: float | None = None
    by_hand: bool = False
    found: float | None = None

    def __post_init__(self) -> None:
        if (self.value is None) == (self.reason is None):
            raise TableError(f"{self.name} has either a value or a reason, not both or neither.")
        if (self.value is None) != (self.sd is None):
            raise TableError(f"{self.name} must carry a standard uncertainty with its value.")


@dataclass(frozen=True)
class SetSummary:
    """One measure over the used reps of a set.

    ``mean_sd`` is the standard uncertainty of the mean, made of ``parts`` (empty where an
    earlier version stored none); ``sd`` the spread from
    rep to rep. ``best`` and ``worst`` are None for measures without a better
    direction. ``fatigue`` is the mean of the last third minus the mean of the
    first third, None with fewer than six reps.
    """

    name: str
    limb: Limb | None
    unit: str
    reps_used: int
    mean: float
    mean_sd: float
    sd: float | None
    best: float | None
    worst: float | None
    first_third: float | None
    last_third: float | None
    fatigue: float | None
    fatigue_sd: float | None
    parts: tuple[UncertaintyPart, ...] = ()


@dataclass(frozen=True)
class SideComparison:
    """Both limbs of one measure against each other.

    ``kind`` is ``lsi`` (limb symmetry index, ``limb`` divided by the other limb,
    in per cent) for ratio quantities and ``difference`` (``limb`` minus the other
    limb, in the measure's unit) for the rest. ``limb`` is the left one in all that is
    stored; a page may turn it to name the surgical limb first. ``parts`` make up ``sd``, as
    in `SetSummary`.
    """

    name: str
    kind: Literal["lsi", "difference"]
    limb: Limb
    value: float
    sd: float
    unit: str
    parts: tuple[UncertaintyPart, ...] = ()


@dataclass(frozen=True)
class NotCompared:
    """A measure whose limbs are not set against each other, and the reason."""

    name: str
    reason: Reason


@dataclass(frozen=True)
class Measures:
    """The long table of measures, with set summaries and side comparisons."""

    measures: tuple[Measure, ...]
    summaries: tuple[SetSummary, ...] = ()
    comparisons: tuple[SideComparison, ...] = ()
    not_compared: tuple[NotCompared, ...] = ()


@dataclass(frozen=True)
class Limit:
    """One line of the limits file: what counts as above or below, and on what it rests.

    It is for the ``exercises`` named, for every one where none is. A verdict is given plainly
    from a probability of ``surely_pct`` on, and with ``probably`` from ``probably_pct`` on.
    """

    finding: str
    measure: str
    kind: Literal["upper", "lower", "band"]
    value: float
    unit: str
    source: str
    half_width: float | None = None
    exercises: tuple[Exercise, ...] = ()
    enabled: bool = True
    surely_pct: float = 95.0  # definition: of a limit that says none, as in data/limits.toml
    probably_pct: float = 80.0  # definition: as above

    def is_for(self, exercise: Exercise | None) -> bool:
        """Whether sets of an exercise are held against it; where that is not known they are."""
        return not self.exercises or exercise is None or exercise in self.exercises


@dataclass(frozen=True)
class Finding:
    """One measure held against one limit.

    ``rep`` is None for the mean of the set. ``probability`` is that of the true value lying
    outside the limit, None where an earlier version stored none; ``verdict`` puts it into
    words. ``text`` is the plain sentence for the report. ``measure`` names what was held
    against the limit.
    """

    name: str
    limb: Limb | None
    rep: int | None
    verdict: Verdict
    value: float
    sd: float
    limit: float
    unit: str
    source: str
    text: str
    frames: tuple[int, ...] = ()
    measure: str = ""
    probability: float | None = None


@dataclass(frozen=True)
class TimeBase:
    """How the clip's clock runs against real time.

    ``slowed_by`` is how many times slower than real time the clip plays, in its slowest part;
    times are seconds of real time. It is None when that could not be settled: ``doubt`` then
    says why, and no time is a measure.
    """

    slowed_by: float | None = 1.0
    origin: Literal["clip", "tag", "intervals", "given", "unsettled"] = "clip"
    doubt: Reason | None = None

    def __post_init__(self) -> None:
        if (self.slowed_by is None) != (self.doubt is not None):
            raise TableError("A time base is either settled or carries the doubt.")


@dataclass(frozen=True)
class Occasion:
    """Whose clip it is, of which day, and which set of that day; None where not known.

    ``code`` is the patient's, ``day`` is YYYY-MM-DD, sets are counted from 1.
    """

    code: str | None = None
    day: str | None = None
    set_number: int | None = None


@dataclass(frozen=True)
class Decided:
    """What was decided about a clip, by the analysis or by the clinician."""

    exercise: Exercise | None
    exercise_origin: Literal["detected", "given", "plan"]
    view: View
    view_origin: Literal["detected", "given"]
    view_yaw_deg: float
    view_yaw_sd_deg: float
    limb: Limb | None
    surgical_side: Limb | None
    stature_m: float | None
    target_flexion_deg: float
    patient_number: int
    people: int
    patient_reason: Reason
    time_base: TimeBase = TimeBase()
    occasion: Occasion = Occasion()
    exercise_confidence: float | None = None


@dataclass(frozen=True)
class Correction:
    """One thing about a clip that a person set right.

    ``old`` and ``new`` are the words that `corrections` reads; None is as the program found
    it. A clip or a rep is set to ``excluded``. ``at`` is when, ISO 8601; ``by`` the code of
    who did it. A rep is remembered by its number and by ``rep_s``, when it lands as a
    player shows the clip, None where that was not known. A contact is remembered by its
    ``limb`` and by ``player_s``, when the foot touched down as first found, a landmark by
    limb, ``part`` and the time of its frame; all as a player shows the clip, and the limb as
    the pose model names it.
    """

    what: Corrected
    old: str | None
    new: str | None
    at: str
    by: str | None = None
    reason: str | None = None
    rep: int | None = None
    rep_s: float | None = None
    limb: Limb | None = None
    part: LegPart | None = None
    player_s: float | None = None

    def __post_init__(self) -> None:
        if (self.what == "rep") != (self.rep is not None):
            raise TableError("A correction names a rep exactly when it is about one.")
        placed = self.what in IN_THE_CLIP
        if {placed} != {self.limb is not None, self.player_s is not None}:
            raise TableError("A correction names limb and time exactly when it is about them.")
        if (self.what == "landmark") != (self.part is not None):
            raise TableError("A correction names a part of the leg exactly when it moves it.")


@dataclass(frozen=True)
class Provenance:
    """What made the numbers, so that the same numbers can be made again.

    ``offsets_sha256`` is of the file that the settings name, None where they name none.
    """

    version: str
    model_name: str
    model_sha256: str
    clip_sha256: str
    settings: dict[str, object]
    analysed_at: str
    offsets_sha256: str | None = None


@dataclass(frozen=True)
class BodySize:
    """A body by the picture's own scale: hip to ankle in metres, and trunk over leg, with sds.

    NaN where the clip does not tell.
    """

    leg_m: float
    leg_sd_m: float
    trunk_per_leg: float
    trunk_per_leg_sd: float


@dataclass(frozen=True)
class Analysis:
    """Everything known about one analysed clip; the report is drawn from it alone."""

    clip: Clip
    decided: Decided
    tracks: Tracks
    view: ViewEstimate
    contacts: Contacts
    reps: Reps
    measures: Measures
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]
    provenance: Provenance
    limits: tuple[Limit, ...] = ()
    knee_angles: KneeAngles | None = None
    camera: CameraPath | None = None
    corrections: tuple[Correction, ...] = ()
    body: BodySize | None = None
