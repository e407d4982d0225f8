"""(Reps, Tracks, View) -> Measures: a row per rep, limb and measure, with uncertainty and frames.

Values at an instant are fitted to the unfiltered tracks (`readings`), without the samples
that were bridged across gaps. The low-pass filtered tracks only show where to look, so
that the filter cannot smear an impact.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from landing_analysis.definitions import DEFINITIONS, FRONTAL_VIEWS, SIDE_VIEWS, Definition
from landing_analysis.exercises import has_measure
from landing_analysis.measures import frontal_plane, knee_flexion, pelvis_and_trunk, swing, times
from landing_analysis.measures.knee import SecondLook
from landing_analysis.measures.offsets import Sight, set_offset
from landing_analysis.measures.scene import (
    BodyReader,
    LimbReader,
    NotMeasurableError,
    Reading,
    Scene,
    not_measurable,
)
from landing_analysis.reasons import Code
from landing_analysis.settings import Settings
from landing_analysis.tables import (
    LIMBS,
    VIEWS,
    Limb,
    Measure,
    Measures,
    Rep,
    Reps,
    Tracks,
    UncertaintyPart,
    ViewEstimate,
)

_OF_TAKE_OFF_LIMB = frozenset({"flight_time", "jump_height"})
"""Whole-body measures that belong to the limb that left the ground alone."""
_OF_LANDING_LIMB = frozenset({"reactive_strength_index"})
"""Whole-body measures that belong to the limb that landed alone and left again."""
_TIMES = frozenset({"contact_time", "time_to_peak_flexion", "drive_time", "glide_time"})
"""Measures of a limb that are read from its contact and the pelvis, not from its points."""


def measure_reps(
    reps: Reps,
    tracks: Tracks,
    view: ViewEstimate,
    settings: Settings,
    sight: Sight | None = None,
    second_look: SecondLook | None = None,
) -> Measures:
    """Measure every used rep.

    Parameters
    ----------
    reps, tracks, view : of one clip
    settings : Settings
    sight : as for `offsets.set_offset`
    second_look : from `knee.second_look`, in a side view

    Returns
    -------
    Measures
        A row for every measure of `definitions` that a used rep can have: with a
        value, or with the reason why there is none. Refused reps have no rows. A rep
        seen in another view than the clip has its times only and stands apart from the set,
        as does a rep of another exercise than the set's, and the rebound of a drop jump.

    Notes
    -----
    FPPA is the angle in the picture, as it is defined, less the pose model's offset where that
    is known for the set (`offsets`). Yaw that is surely there
    (beyond its own 95 % interval) is added to its uncertainty as the false valgus
    it can make; it is not taken off the value. Knee flexion in a side view is
    corrected for the estimated yaw, which changes it by about a degree, and for the
    pose model's hip point, which lies in front of the joint.
    """
    offset = set_offset(reps, tracks, view.view, settings, sight)
    scene = Scene(tracks, view, settings, offset, reps.reps, second_look)
    return Measures(
        tuple(
            row if rep.exercise == reps.exercise and not rep.rebound else replace(row, of_set=False)
            for rep in reps.reps
            if rep.used
            for row in _measure_rep(rep, scene)
        )
    )


def _measure_rep(rep: Rep, scene: Scene) -> Iterator[Measure]:
    of_set = rep.view in (None, scene.view.view)
    had = (one for one in DEFINITIONS.values() if has_measure(rep.exercise, one.name))
    for definition in had:
        for limb in _limbs(rep, definition):
            try:
                reading = _read(rep, scene, definition, limb)
            except NotMeasurableError as error:
                row = Measure(
                    rep.number, definition.name, limb, None, definition.unit, None, error.reason
                )
            else:
                row = _row(rep, definition, limb, reading)
            yield row if of_set else replace(row, of_set=False)


def _limbs(rep: Rep, definition: Definition) -> tuple[Limb | None, ...]:
    if definition.scope == "limb":
        return rep.limbs
    if rep.limbs != LIMBS and definition.name in _OF_LANDING_LIMB:
        return rep.limbs
    if rep.limbs != LIMBS and definition.name in _OF_TAKE_OFF_LIMB:
        left = rep.flight.take_off_limbs
        return left if len(left) == 1 else (None,) if left else rep.limbs
    return (None,)


def _read(rep: Rep, scene: Scene, definition: Definition, limb: Limb | None) -> Reading:
    if rep.view not in (None, scene.view.view) and not _same_in_all_views(definition):
        raise not_measurable(Code.PATIENT_TURNED, rep_view=rep.view, clip_view=scene.view.view)
    if scene.view.view not in definition.views:
        raise not_measurable(Code.VIEW_CANNOT_SHOW, view=scene.view.view, needs=_needs(definition))
    if definition.scope == "body" or limb is None:
        reading = _BODY_READERS[definition.name](scene, rep)
    else:
        if definition.views == SIDE_VIEWS and limb != scene.view.near_limb:
            raise not_measurable(Code.LIMB_BEHIND_THE_OTHER, limb=limb)
        contact = rep.contact(limb)
        if contact and contact.other_leg_seen and definition.name not in _TIMES:
            raise not_measurable(Code.LEG_TAKEN_FOR_OTHER)
        reading = _LIMB_READERS[definition.name](scene, rep, limb)
    if not np.isfinite([reading.value, *(sd for _, sd in reading.parts)]).all():
        raise not_measurable(Code.LANDMARKS_UNCLEAR)
    return reading


def _row(rep: Rep, definition: Definition, limb: Limb | None, reading: Reading) -> Measure:
    return Measure(
        rep=rep.number,
        name=definition.name,
        limb=limb,
        value=float(reading.value),
        unit=definition.unit,
        sd=math.hypot(*(sd for _, sd in reading.parts)),
        frames=tuple(sorted(set(reading.frames))),
        parts=tuple(UncertaintyPart(name, float(sd)) for name, sd in reading.parts),
        reading=reading.before,
    )


def _same_in_all_views(definition: Definition) -> bool:
    """Whether a measure is read alike in all views, as times between contacts are."""
    return definition.views == VIEWS and definition.name != "time_to_peak_flexion"


def _needs(definition: Definition) -> str:
    """Return the view that a measure needs, in the words of `Code.VIEW_CANNOT_SHOW`."""
    if definition.views == FRONTAL_VIEWS:
        return "frontal"
    return "side of this limb" if definition.scope == "limb" else "side"


_LIMB_READERS: dict[str, LimbReader] = (
    times.LIMB_READERS
    | knee_flexion.LIMB_READERS
    | frontal_plane.LIMB_READERS
    | pelvis_and_trunk.LIMB_READERS
    | swing.LIMB_READERS
)
_BODY_READERS: dict[str, BodyReader] = (
    times.BODY_READERS | frontal_plane.BODY_READERS | pelvis_and_trunk.BODY_READERS
)
