"""Poses -> MeasuredPerson: people told apart through the clip, and which of them is measured."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from landing_analysis.definitions import (
    DEFAULT_STATURE_M,
    GRAVITY_M_S2,
    LEG_PER_STATURE,
    TORSO_PER_STATURE,
)
from landing_analysis.errors import NobodyFoundError, SettingsError
from landing_analysis.landmarks.identity import Torsos, cut_and_join
from landing_analysis.maths.signals import local_polynomial
from landing_analysis.reasons import Code, Reason, because
from landing_analysis.settings import PeopleSettings
from landing_analysis.tables import (
    LANDMARK,
    LANDMARK_NAMES,
    N_LANDMARKS,
    BoolArray,
    FloatArray,
    IntArray,
    Landmarks,
    Light,
    MeasuredPerson,
    Note,
    Poses,
)

_HEAD = [LANDMARK["nose"]]
_WHOLE_HEAD = [LANDMARK["nose"], LANDMARK["left_ear"], LANDMARK["right_ear"]]
_ANKLES = [LANDMARK["left_ankle"], LANDMARK["right_ankle"]]
_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]
_SHOULDERS = [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]
_CORNERS = _HIPS + _SHOULDERS
_TORSO_M = TORSO_PER_STATURE * DEFAULT_STATURE_M


OTHER_SIDE = [
    LANDMARK[name.replace("left", "right") if "left" in name else name.replace("right", "left")]
    for name in LANDMARK_NAMES
]
"""The column of each landmark's counterpart on the other side of the body."""


def sides_swapped(
    poses: Poses, people: tuple[Landmarks, ...]
) -> tuple[Poses, tuple[Landmarks, ...]]:
    """Return the same with left and right exchanged in every body, as a person said they are."""
    poses = replace(
        poses,
        xy_px=poses.xy_px[:, :, OTHER_SIDE],
        visibility=poses.visibility[:, :, OTHER_SIDE],
        world_m=poses.world_m[:, :, OTHER_SIDE],
        light=poses.light and _legs_swapped(poses.light),
        mirrored_px=None if poses.mirrored_px is None else poses.mirrored_px[:, OTHER_SIDE],
    )
    return poses, tuple(
        replace(
            person,
            xy_px=person.xy_px[:, OTHER_SIDE],
            visibility=person.visibility[:, OTHER_SIDE],
            world_m=person.world_m[:, OTHER_SIDE],
        )
        for person in people
    )


def _legs_swapped(light: Light) -> Light:
    """Exchange the legs, the left of which comes first."""
    levels = light.contrast_levels
    return replace(light, contrast_levels=np.roll(levels, levels.shape[2] // 2, axis=2))


@dataclass
class _Thread:
    """One person while they are followed from frame to frame."""

    frames: list[int] = field(default_factory=list)
    slots: list[int] = field(default_factory=list)
    middle_px: FloatArray = field(default_factory=lambda: np.zeros(2))
    torso_px: float = 1.0
    last_torso_px: float = 1.0

    def follow(
        self, frame: int, slot: int, middle_px: FloatArray, torso_px: float, kept_share: float
    ) -> None:
        first = not self.frames
        self.frames.append(frame)
        self.slots.append(slot)
        self.middle_px, self.last_torso_px = middle_px, torso_px
        kept_px = torso_px if first else self.torso_px
        self.torso_px = kept_share * kept_px + (1 - kept_share) * torso_px


def link_people(poses: Poses, settings: PeopleSettings) -> tuple[Landmarks, ...]:
    """Tell people apart through the clip.

    Parameters
    ----------
    poses : Poses
        A slot is not an identity: the engine fills slots anew in every frame.
    settings : PeopleSettings

    Returns
    -------
    tuple of Landmarks
        One per person, each over all frames (NaN where not seen), the one seen in
        most frames first. People seen in less than ``settings.least_share`` of
        the frames are left out.
    """
    return follow_people(poses, settings, settings.least_share * len(poses.t_s))


def follow_people(
    poses: Poses, settings: PeopleSettings, least_frames: float = 1
) -> tuple[Landmarks, ...]:
    """Follow everybody who is seen in at least ``least_frames`` frames, as `link_people` does.

    Notes
    -----
    Frame by frame, what is seen is matched to who was last seen where by the
    assignment of least total cost (Kuhn 1955, through scipy). The cost is the
    distance of the torso's middle in torso lengths plus the difference in size as
    a logarithm; the distance allowed grows with the time since a person was seen.
    Somebody alone in the picture may grow or shrink bit by bit without limit.
    Where bodies meet, `identity.cut_and_join` decides who is who. Limit: two people of one
    size who both stop where they meet may be exchanged.
    """
    middle, torso = _torsos(poses, settings)
    there = np.isfinite(torso) & (torso > 0)
    kept_share = settings.kept_size_share
    threads: list[_Thread] = []
    for frame in range(len(poses.t_s)):
        slots = _distinct(np.flatnonzero(there[frame]), middle[frame], torso[frame], settings)
        if not slots:
            continue
        taken: set[int] = set()
        since_s = [float(poses.t_s[frame] - poses.t_s[thread.frames[-1]]) for thread in threads]
        alone = len(slots) == 1 and sum(s <= settings.lost_s for s in since_s) == 1
        if threads:
            cost = [
                [_cost(thread, gap_s, middle[frame, s], torso[frame, s], alone, settings)
                 for s in slots]
                for thread, gap_s in zip(threads, since_s, strict=True)
            ]  # fmt: skip
            for row, column in _assigned(cost):
                if math.isfinite(cost[row][column]):
                    slot = slots[column]
                    threads[row].follow(
                        frame, slot, middle[frame, slot], torso[frame, slot], kept_share
                    )
                    taken.add(slot)
        for slot in slots:
            if slot not in taken:
                threads.append(_Thread())
                threads[-1].follow(frame, slot, middle[frame, slot], torso[frame, slot], kept_share)
    followed = [dict(zip(t.frames, t.slots, strict=True)) for t in threads]
    if len(followed) > 1:
        followed = cut_and_join(Torsos(poses.t_s, middle, torso), followed, settings)
    kept = sorted((s for s in followed if len(s) >= least_frames), key=lambda s: -len(s))
    return tuple(_landmarks(poses, slots) for slots in kept)


def _assigned(cost: list[list[float]]) -> list[tuple[int, int]]:
    """Return (row, column) of least total cost; one row or column alone needs no library."""
    shape = len(cost), len(cost[0])
    if shape == (1, 1):  # as in nearly all frames of nearly all clips
        return [(0, 0)]
    finite = np.minimum(cost, 1e6)  # definition: stands for infinite, which it cannot take
    if 1 in shape:
        row, column = np.unravel_index(np.argmin(finite), shape)
        return [(int(row), int(column))]
    from scipy.optimize import linear_sum_assignment

    return [
        (int(row), int(column)) for row, column in zip(*linear_sum_assignment(finite), strict=True)
    ]


def choose_patient(
    people: tuple[Landmarks, ...], settings: PeopleSettings, number: int | None = None
) -> MeasuredPerson:
    """Choose who is measured: of those who jump, the largest.

    Parameters
    ----------
    people : from `link_people`
    settings : PeopleSettings
    number : the clinician's choice, counted from 1; None to decide here

    Returns
    -------
    MeasuredPerson

    Raises
    ------
    NobodyFoundError
        When there is nobody.
    SettingsError
        When ``number`` names nobody.
    """
    if not people:
        raise NobodyFoundError(
            "No person was found in the clip; film the whole body, feet included, in good light."
        )
    if number is not None:
        if not 1 <= number <= len(people):
            raise SettingsError(
                f"Person {number} was asked for; {len(people)} found. Give 1 to {len(people)}."
            )
        return MeasuredPerson(
            number, len(people), because(Code.GIVEN_BY_CLINICIAN), people[number - 1]
        )
    falling_s = np.array([_falling_s(person, settings) for person in people])
    size_px = np.array([_size_px(person) for person in people])
    jumps = falling_s >= max(0.5 * falling_s.max(), settings.least_fall_s)
    best = int(np.argmax(np.where(jumps, size_px, 0.0) if jumps.any() else size_px))
    if len(people) == 1:
        reason = because(Code.ONLY_PERSON)
    elif not jumps.any():
        reason = because(Code.LARGEST_NOBODY_JUMPS, people=len(people))
    elif jumps.sum() == 1:
        reason = because(Code.ONLY_ONE_WHO_JUMPS, people=len(people))
    else:
        reason = because(Code.LARGEST_WHO_JUMPS, jumpers=int(jumps.sum()))
    rivals = jumps if jumps.any() else size_px > 0
    doubt = _doubt(best, size_px, rivals, settings)
    return MeasuredPerson(best + 1, len(people), reason, people[best], doubt)


def _doubt(
    best: int, size_px: FloatArray, rivals: BoolArray, settings: PeopleSettings
) -> Reason | None:
    """Say who else may be the patient: one of those who jump, or all where nobody does."""
    alike = [
        int(number) + 1
        for number in np.flatnonzero(rivals)
        if number != best and size_px[best] < settings.alike_size * size_px[number]
    ]
    if not alike:
        return None
    return because(Code.OTHERS_ALIKE, persons=tuple(alike))


def _torsos(poses: Poses, settings: PeopleSettings) -> tuple[FloatArray, FloatArray]:
    """Middle (n_frames, n_slots, 2) and length (n_frames, n_slots) of every torso, pixels.

    The length that the torso has, or would have if it did not lean toward the camera or away:
    a person who folds stays as large. It is `_TORSO_M` at the scale at which the torso's
    metric corners, seen by a far camera, fit those in the picture best (least squares), and
    at least what the picture shows.
    """
    hips = poses.xy_px[:, :, _HIPS].mean(axis=2)
    shoulders = poses.xy_px[:, :, _SHOULDERS].mean(axis=2)
    seen_px, world_m = poses.xy_px[:, :, _CORNERS], poses.world_m[:, :, _CORNERS, :2]
    seen_px = seen_px - seen_px.mean(axis=2, keepdims=True)
    world_m = world_m - world_m.mean(axis=2, keepdims=True)
    spread_m2 = np.maximum((world_m**2).sum(axis=(2, 3)), settings.least_spread_m2)
    px_per_m = (seen_px * world_m).sum(axis=(2, 3)) / spread_m2
    shown_px = np.linalg.norm(shoulders - hips, axis=2)
    return 0.5 * (hips + shoulders), np.fmax(shown_px, _TORSO_M * px_per_m)


def _distinct(
    there: IntArray, middle: FloatArray, torso: FloatArray, settings: PeopleSettings
) -> list[int]:
    """Return those slots of a frame that hold a person, each person once."""
    kept: list[int] = []
    for slot in there:
        apart = [np.linalg.norm(middle[slot] - middle[other]) / torso[slot] for other in kept]
        if min(apart, default=np.inf) > settings.twice_torsos:
            kept.append(int(slot))
    return kept


def _cost(
    thread: _Thread,
    gap_s: float,
    middle_px: FloatArray,
    torso_px: float,
    alone: bool,
    settings: PeopleSettings,
) -> float:
    """Return how unlike the person last seen this is; infinite when out of reach."""
    apart = float(np.linalg.norm(middle_px - thread.middle_px)) / thread.torso_px
    unlike = abs(float(np.log(torso_px / thread.torso_px)))
    if alone:
        unlike = min(unlike, abs(float(np.log(torso_px / thread.last_torso_px))))
    reach = settings.reach_torsos + settings.reach_torsos_per_s * gap_s
    if apart > min(reach, settings.reach_torsos_most) or unlike > settings.reach_log_size:
        return float("inf")
    return apart + unlike


def _landmarks(poses: Poses, slot_by_frame: dict[int, int]) -> Landmarks:
    frames = sorted(slot_by_frame)
    slots = [slot_by_frame[frame] for frame in frames]
    n_frames = len(poses.t_s)
    xy = np.full((n_frames, N_LANDMARKS, 2), np.nan)
    visibility = np.zeros((n_frames, N_LANDMARKS))
    world = np.full((n_frames, N_LANDMARKS, 3), np.nan)
    xy[frames] = poses.xy_px[frames, slots]
    visibility[frames] = poses.visibility[frames, slots]
    world[frames] = poses.world_m[frames, slots]
    return Landmarks(poses.t_s, xy, visibility, world, poses.width_px, poses.height_px)


def _size_px(person: Landmarks) -> float:
    """Return the usual length of hip, knee and ankle of the longer limb, 0 when never seen."""
    lengths = []
    for limb in ("left", "right"):
        hip, knee, ankle = (
            person.xy_px[:, LANDMARK[f"{limb}_{part}"]] for part in ("hip", "knee", "ankle")
        )
        lengths.append(np.linalg.norm(knee - hip, axis=1) + np.linalg.norm(ankle - knee, axis=1))
    longer = np.fmax(*lengths)
    if not np.isfinite(longer).any():
        return 0.0
    return float(np.nanpercentile(longer, 90))  # definition: the length of a straight leg


def _falling_s(person: Landmarks, settings: PeopleSettings) -> float:
    """Return for how long head, shoulders and hips together fall at half of gravity or more.

    Together, because a body that the model mixed from two neighbours may have the
    hips of one who jumps.
    """
    px_per_m = _size_px(person) / (LEG_PER_STATURE * DEFAULT_STATURE_M)
    if px_per_m == 0.0:
        return 0.0
    parts = [
        person.xy_px[:, part, 1].mean(axis=1) / px_per_m for part in (_HEAD, _SHOULDERS, _HIPS)
    ]
    together = np.stack(parts, axis=1)
    acceleration = local_polynomial(person.t_s, together, settings.fall_half_window_s, 2)[2]
    share = acceleration / GRAVITY_M_S2
    with np.errstate(invalid="ignore"):
        falling = (share > settings.fall_least_share) & (share < settings.fall_most_share)
    return float(falling.all(axis=1).sum() * np.median(np.diff(person.t_s)))


def without_reflections(
    people: tuple[Landmarks, ...], settings: PeopleSettings
) -> tuple[tuple[Landmarks, ...], tuple[Note, ...]]:
    """Leave out people who are upside down while somebody else is not.

    Parameters
    ----------
    people : told apart through the clip

    Returns
    -------
    people : those upright, in the same order; all where nobody is
    notes : one, when somebody was left out

    Notes
    -----
    A floor or a low mirror that gives back the body makes the pose model see a second
    person, head down, as large as the first and as restless. Upside down means that the
    head lies below the hips and these below the ankles in the picture, in most of the
    frames in which the person is seen. Limit: a mirror on the wall shows a person
    upright, whom nothing here can tell from a second one.
    """
    mirrored = [_is_upside_down(person, settings.upside_down_share) for person in people]
    if not any(mirrored) or all(mirrored):
        return people, ()
    upright = tuple(p for p, down in zip(people, mirrored, strict=True) if not down)
    return upright, (Note("reflection", "limited", (because(Code.REFLECTION),)),)


def upright_bodies(poses: Poses) -> Poses:
    """Leave out every body that is upside down in its frame, whoever it belongs to."""
    gone = _upside_down(poses.xy_px)
    return replace(poses, xy_px=np.where(gone[..., None, None], np.nan, poses.xy_px))


def _is_upside_down(person: Landmarks, mostly: float) -> bool:
    seen = np.isfinite(person.xy_px[:, _WHOLE_HEAD + _HIPS + _ANKLES, 1]).all(axis=1)
    return bool(seen.any()) and bool(_upside_down(person.xy_px[seen]).mean() > mostly)


def _upside_down(xy_px: FloatArray) -> BoolArray:
    """Say of bodies (..., 33, 2) whether the head is below the hips and these below the ankles."""
    head, hips, ankles = (
        xy_px[..., part, 1].mean(axis=-1) for part in (_WHOLE_HEAD, _HIPS, _ANKLES)
    )
    with np.errstate(invalid="ignore"):
        down: BoolArray = (head > hips) & (hips > ankles)
    return down
