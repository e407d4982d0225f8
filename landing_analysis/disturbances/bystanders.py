"""(Person, Poses) -> Bystanders -> Effect: who is in the patient's way, and what it costs.

The pose model draws one body from what two have on the same spot, or gives the nearer one
alone. What it says of the patient while somebody else overlaps them in the picture is not
measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from landing_analysis.disturbances.effects import Effect, Unseen, WiderEvents
from landing_analysis.maths.signals import close_gaps, runs
from landing_analysis.reasons import Code, because
from landing_analysis.settings import PeopleSettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    WORST_FIRST,
    BoolArray,
    FloatArray,
    Landmarks,
    MeasuredPerson,
    Note,
    Poses,
    QualityState,
    Tracks,
)

Where = Literal["in front of", "behind", "beside"]

_FEET = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("ankle", "heel", "toe")]
_TRUNK = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("shoulder", "hip")]
_BODY = [*_TRUNK, *(LANDMARK[f"{limb}_knee"] for limb in LIMBS), *_FEET]


@dataclass(frozen=True)
class Occlusion:
    """A segment of time in which somebody hides the patient in the picture.

    ``grew`` is how many times as large who is measured afterwards is as who was measured
    before; NaN where one of the two was not seen.
    """

    start_s: float
    end_s: float
    where: Where
    grew: float = float("nan")


@dataclass(frozen=True)
class Bystanders:
    """Who else is near a person, frame by frame.

    Attributes
    ----------
    occlusions : in order of time, those that hid the person
    hidden : (n_frames,) the person is not seen, or not surely, for somebody else
    near : (n_frames,) somebody else stands close beside, or overlaps
    mixed : (n_frames,) the pose model drew a second body on the person's
    """

    occlusions: tuple[Occlusion, ...]
    hidden: BoolArray
    near: BoolArray
    mixed: BoolArray

    @property
    def alone(self) -> bool:
        """Whether nobody else was ever near."""
        return not (self.occlusions or self.near.any() or self.mixed.any())


def watch_bystanders(
    person: Landmarks,
    poses: Poses,
    everybody: tuple[Landmarks, ...],
    settings: PeopleSettings,
) -> Bystanders:
    """Find who is near one person, and where they hide them.

    Parameters
    ----------
    person : whom the others are near to, one of ``everybody``
    poses : of the same frames
    everybody : from `follow_people`
    settings : PeopleSettings

    Returns
    -------
    Bystanders

    Notes
    -----
    Bodies are boxes around shoulders, hips, legs and feet; a person who is lost for a
    while is taken to be on the line between where they were and where they came back.
    An overlap counts as an occlusion when the person is lost in it, or the other one is
    and was not behind: the model then draws one body from two. One who passes behind costs
    nothing. Somebody whose feet are lower in the picture is nearer to the camera. Limit:
    somebody whom the model does not draw at all is not noticed.
    """
    t_s, own = person.t_s, person.xy_px[:, _BODY]
    height_px = _height_px(own) or 1.0
    box = _bridged(t_s, _boxes(own), settings.lost_s)
    others = poses.xy_px[:, :, _BODY]
    apart_px = np.linalg.norm(others - own[:, None], axis=3)
    lost = ~np.isfinite(own[:, 0, 0])
    with np.errstate(invalid="ignore"):
        same = (apart_px < settings.same_share_of_body * height_px).sum(axis=2)
        itself = apart_px.max(axis=2) == 0
        other = np.isfinite(others[:, :, 0, 0]) & ~itself
        mixed = other & (same >= settings.same_landmarks)
        apart = _between(box[:, None], _boxes(others)) / height_px
        over = (other & ~mixed & (apart < settings.overlap_share_of_body)).any(axis=1)
        near = (other & ~mixed & (apart < settings.near_share_of_body)).any(axis=1)
    merged = _merged(person, everybody, box, settings.overlap_share_of_body * height_px, settings)
    floor_px = _floor_px(own, height_px, settings.floor_percentile)
    hidden = np.zeros(len(t_s), dtype=bool)
    occlusions = []
    for first, last in runs(close_gaps(t_s, over | merged, settings.lost_s)):
        during = slice(first, last + 1)
        where = _where(poses, other & ~mixed, t_s, (first, last), floor_px, height_px, settings)
        unseen = lost[during] if where == "behind" else lost[during] | merged[during]
        if not unseen.any():
            continue
        start_s = max(float(t_s[first]) - settings.around_occlusion_s, float(t_s[0]))
        end_s = float(t_s[last]) + settings.around_occlusion_s
        since_s, until_s = t_s - end_s, start_s - t_s
        before, after = (
            (away_s >= 0) & (away_s <= settings.compared_s) for away_s in (until_s, since_s)
        )
        grew = _height_px(own[after]) / (_height_px(own[before]) or np.nan)
        occlusions.append(Occlusion(start_s, end_s, where, grew or float("nan")))
        unseen_s = t_s[during][unseen]
        hidden |= (t_s > unseen_s[0] - settings.unsure_s) & (t_s < unseen_s[-1] + settings.unsure_s)
    return Bystanders(tuple(occlusions), hidden, near, mixed.any(axis=1))


def _merged(
    person: Landmarks,
    everybody: tuple[Landmarks, ...],
    box: FloatArray,
    overlap_px: float,
    settings: PeopleSettings,
) -> BoolArray:
    """Return (n_frames,) True where somebody is lost while they must overlap the person."""
    merged = np.zeros(len(person.t_s), dtype=bool)
    for other in everybody:
        if np.array_equal(other.xy_px, person.xy_px, equal_nan=True):
            continue
        seen = _boxes(other.xy_px[:, _BODY])
        unseen = ~np.isfinite(seen[:, 0])
        known = np.flatnonzero(~unseen)
        if not len(known):
            continue
        between = np.zeros_like(merged)
        between[known[0] : known[-1]] = True
        placed = _bridged(person.t_s, seen, settings.lost_s)
        with np.errstate(invalid="ignore"):
            merged |= unseen & between & (_between(box, placed) < overlap_px)
    return merged


def without_hidden(person: Landmarks, bystanders: Bystanders) -> Landmarks:
    """Blank the frames in which a person is hidden, and those beside where the model mixes."""
    if not bystanders.hidden.any():
        return person
    blank = bystanders.hidden[:, None, None]
    return replace(
        person,
        xy_px=np.where(blank, np.nan, person.xy_px),
        world_m=np.where(blank, np.nan, person.world_m),
        visibility=np.where(bystanders.hidden[:, None], 0.0, person.visibility),
    )


def inside_picture(person: Landmarks) -> Landmarks:
    """Blank what lies outside the picture: there the model guesses.

    A leg is blanked from the first point outside downwards; the whole body where a
    shoulder or a hip is outside, as when somebody walks into the picture.
    """
    size_px = np.array([person.width_px, person.height_px])
    corner_px = person.xy_px + 0.5  # definition: from the picture's corner, not a pixel's middle
    with np.errstate(invalid="ignore"):
        beyond = (corner_px < 0) | (corner_px > size_px)
    outside: BoolArray = np.any(beyond, axis=-1)
    if not outside.any():
        return person
    for limb in LIMBS:
        knee, ankle, heel, toe = (
            LANDMARK[f"{limb}_{part}"] for part in ("knee", "ankle", "heel", "toe")
        )
        outside[:, ankle] |= outside[:, knee]
        outside[:, heel] |= outside[:, ankle]
        outside[:, toe] |= outside[:, ankle]
    outside |= outside[:, _TRUNK].any(axis=1, keepdims=True)
    return replace(
        person,
        xy_px=np.where(outside[..., None], np.nan, person.xy_px),
        visibility=np.where(outside, 0.0, person.visibility),
    )


def on_clock(bystanders: Bystanders, before_s: FloatArray, t_s: FloatArray) -> Bystanders:
    """Tell the occlusions in another clock; both (n_frames,) are the times of the same frames."""

    def told(at_s: float) -> float:
        return float(np.interp(at_s, before_s, t_s))

    occlusions = tuple(
        replace(e, start_s=told(e.start_s), end_s=told(e.end_s)) for e in bystanders.occlusions
    )
    return replace(bystanders, occlusions=occlusions)


def apart_from_others(tracks: Tracks, bystanders: Bystanders, settings: PeopleSettings) -> Tracks:
    """Blank the frames in which somebody else stood close, all of them where that was often."""
    close = bystanders.near | (bystanders.mixed.mean() >= settings.mixed_share)
    if not close.any():
        return tracks
    return replace(tracks, raw_px=np.where(close[:, None, None], np.nan, tracks.raw_px))


def bystanders_effect(
    patient: MeasuredPerson, bystanders: Bystanders, t_s: FloatArray, settings: PeopleSettings
) -> Effect:
    """Say what other people cost.

    Parameters
    ----------
    patient : who is measured, and why
    bystanders : of the patient, on the clock of contacts
    t_s : (n_frames,) seconds of the same clock
    settings : PeopleSettings

    Returns
    -------
    Effect
        Occlusions leave reps void. Events near which the model may have mixed two bodies
        carry ``settings.near_widens`` times their uncertainty: where somebody stood close
        within ``settings.unsure_s``, and throughout where a second body was drawn on the
        patient's in ``settings.mixed_share`` of the frames.
    """
    unseen = tuple(
        Unseen(
            one.start_s,
            one.end_s,
            because(Code.HIDDEN_BY_SOMEBODY, where=one.where, start_s=one.start_s, end_s=one.end_s),
            toe_off_reason=because(Code.HIDDEN_BEFORE_TOE_OFF),
            remark=Code.SOMEBODY_HID_PATIENT,
        )
        for one in bystanders.occlusions
    )
    notes = _notes(patient, bystanders, settings)
    everywhere = bool(bystanders.mixed.mean() >= settings.mixed_share)
    if not everywhere and not bystanders.near.any():
        return Effect(unseen=unseen, notes=notes)
    near_s = None if everywhere else t_s[bystanders.near | bystanders.mixed]
    wider = WiderEvents(times=settings.near_widens, near_s=near_s, reach_s=settings.unsure_s)
    return Effect(events=(wider,), unseen=unseen, notes=notes)


def _notes(
    patient: MeasuredPerson, bystanders: Bystanders, settings: PeopleSettings
) -> tuple[Note, ...]:
    """Say who else was there, who is measured and why, and what it costs."""
    several = patient.people > 1
    if not several and bystanders.alone:
        return ()
    states: set[QualityState] = {"good"}
    said = [because(Code.SOMEBODY_SEEN_BRIEFLY)]
    if several:
        said = [
            because(
                Code.PEOPLE_TOLD_APART,
                **patient.reason.as_dict()
                | {
                    "people": patient.people,
                    "number": patient.number,
                    "why": str(patient.reason.code),
                },
            )
        ]
    if patient.doubt:
        states.add("poor")
        said.append(because(Code.CHOICE_NOT_SURE, **patient.doubt.as_dict()))
    for one in bystanders.occlusions:
        states.add("limited")
        said.append(
            because(
                Code.SOMEBODY_HID_PATIENT, where=one.where, start_s=one.start_s, end_s=one.end_s
            )
        )
        if abs(np.log(one.grew)) > np.log(settings.alike_size):
            states.add("poor")
            said.append(because(Code.SIZE_CHANGED_BEHIND_SOMEBODY, grew=one.grew))
    share = float((bystanders.near | bystanders.mixed).mean())
    if share >= settings.mixed_share:
        states.add("limited")
        widens = settings.near_widens
        said.append(because(Code.SOMEBODY_CLOSE, share_pct=100 * share, widens=widens))
    if states != {"good"}:
        said.append(because(Code.FILM_ALONE))
    if several:
        said.append(because(Code.NAME_ANOTHER_PERSON, people=patient.people, command=""))
    worst = next(state for state in WORST_FIRST if state in states)
    return (Note("other people", worst, tuple(said)),)


def _boxes(points: FloatArray) -> FloatArray:
    """Return (..., 4): left, top, right, bottom of points (..., n, 2); NaN where unknown."""
    return np.concatenate([points.min(axis=-2), points.max(axis=-2)], axis=-1)


def _between(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return how far two boxes (..., 4) are apart in the picture; negative where they overlap."""
    right = np.maximum(other[..., 0] - one[..., 2], one[..., 0] - other[..., 2])
    down = np.maximum(other[..., 1] - one[..., 3], one[..., 1] - other[..., 3])
    apart: FloatArray = np.maximum(right, down)
    return apart


def _bridged(t_s: FloatArray, boxes: FloatArray, longest_s: float) -> FloatArray:
    """Carry boxes (n_frames, 4) across gaps that are not too long."""
    bridged = boxes.copy()
    known = np.flatnonzero(np.isfinite(boxes[:, 0]))
    for first, last in runs(~np.isfinite(boxes[:, 0])):
        before, after = known[known < first], known[known > last]
        if not len(before) or not len(after):
            ends = [before[-1]] if len(before) else [after[0]] if len(after) else []
            near = np.abs(t_s[first : last + 1] - t_s[ends[0]]) <= longest_s if ends else []
            bridged[first : last + 1][near] = boxes[ends[0]] if ends else np.nan
        elif t_s[after[0]] - t_s[before[-1]] <= 2 * longest_s:
            share = (t_s[first : last + 1] - t_s[before[-1]]) / (t_s[after[0]] - t_s[before[-1]])
            ends_px = boxes[[before[-1], after[0]]]
            bridged[first : last + 1] = ends_px[0] + share[:, None] * (ends_px[1] - ends_px[0])
    return bridged


def _height_px(body: FloatArray) -> float:
    """Return the usual height of a body from shoulders to feet, 0 when it is never seen."""
    heights = body[..., 1].max(axis=1) - body[..., 1].min(axis=1)
    if not np.isfinite(heights).any():
        return 0.0
    return float(np.nanpercentile(heights, 90))  # definition: the height when upright


def _floor_px(body: FloatArray, height_px: float, percentile: float) -> float:
    """Return how low in the picture a person's feet stand."""
    lowest = body[:, -len(_FEET) :, 1].max(axis=1)
    return float(np.nanpercentile(lowest, percentile)) if np.isfinite(lowest).any() else height_px


def _where(
    poses: Poses,
    others: BoolArray,
    t_s: FloatArray,
    span: tuple[int, int],
    floor_px: float,
    height_px: float,
    settings: PeopleSettings,
) -> Where:
    """Say on which side of the patient somebody is whom they meet, from around that time."""
    around_s = settings.feet_around_s
    near = (t_s >= t_s[span[0]] - around_s) & (t_s <= t_s[span[1]] + around_s)
    feet = poses.xy_px[:, :, _FEET, 1].max(axis=2)[near[:, None] & others]
    lower = float(np.nanmedian(feet)) - floor_px if len(feet) else 0.0
    if abs(lower) < settings.beside_share_of_body * height_px:
        return "beside"
    return "in front of" if lower > 0 else "behind"
