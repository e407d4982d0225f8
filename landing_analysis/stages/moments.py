"""Which frames decide: what `search` looks at more closely."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from landing_analysis.landmarks.choosing import mirrored_frames
from landing_analysis.landmarks.mirroring import MIRRORED_STANDING, MIRRORED_VIEWS, SEEN_AS_RIGHT
from landing_analysis.measures.offsets import quiet_standing
from landing_analysis.reps.grouping import group_reps
from landing_analysis.settings import Settings
from landing_analysis.stages.candidates import candidates_of
from landing_analysis.stages.motion import facing_of, motion_of
from landing_analysis.stages.options import Options
from landing_analysis.tables import BoolArray, FloatArray, Landmarks, Poses, Rep


def moments_that_count(
    poses: Poses, people: tuple[Landmarks, ...], settings: Settings
) -> FloatArray:
    """Return when feet of anybody seem to touch or leave the ground, and when knees are deepest.

    Parameters
    ----------
    poses, people, settings : as for `analyse_people`; `poses` may be those of few looks

    Returns
    -------
    (n,) seconds of the clip
    """
    candidates = candidates_of(poses, people, settings)
    moments: list[float | None] = []
    for number in range(1, len(candidates.filmed) + 1):
        motion = motion_of(candidates, poses.t_s, Options(settings=settings, person=number))
        reps = group_reps(motion.contacts, motion.tracks, settings.reps, None).reps
        flights = motion.contacts.flights
        events = [event for flight in flights for event in (flight.take_off, flight.landing)]
        for contact in motion.contacts.contacts:
            events += [contact.initial_contact, contact.toe_off]
            events += [contact.toe_contact, contact.heel_contact]
        moments += [event.t_s for event in events if event is not None]
        moments += [rep.peak_flexion_s for rep in reps]
    return np.array([moment for moment in moments if moment is not None])


class ToMirror(NamedTuple):
    """Whose frames are looked at mirrored as well, as filmed, and (n_frames,) which.

    Attributes
    ----------
    closer : (n_frames,) those of them in which a right leg stands alone: one knee is easily taken
        for the other, less so in a window that is laid closer
    """

    patient: Landmarks
    frames: BoolArray
    closer: BoolArray


def frames_to_mirror(
    poses: Poses, people: tuple[Landmarks, ...], settings: Settings
) -> ToMirror | None:
    """Return which frames carry an FPPA, or a right knee's flexion; None in views that show none.

    Parameters
    ----------
    poses, people, settings : as for `analyse_people`
    """
    candidates = candidates_of(poses, people, settings)
    if not candidates.filmed:
        return None
    options = Options(settings=settings)
    mirrored_views = (*MIRRORED_VIEWS, *SEEN_AS_RIGHT)
    facing = facing_of(candidates, poses.t_s, options)
    if facing.quarter_turns or not (facing.view.view in mirrored_views or facing.view.turns):
        return None
    motion = motion_of(candidates, poses.t_s, options, facing)
    view = motion.view
    if view.view not in mirrored_views:
        return None
    reps = group_reps(motion.contacts, motion.tracks, settings.reps, None).reps
    nothing = np.zeros(len(poses.t_s), dtype=bool)
    alone: list[Rep] = []
    if view.view in SEEN_AS_RIGHT:
        reps = tuple(rep for rep in reps if view.near_limb in rep.limbs)
        alone = [rep for rep in reps if len(rep.limbs) == 1]
    standing = nothing
    if view.view in MIRRORED_STANDING:
        standing = quiet_standing(motion.tracks, settings)
    frames = mirrored_frames(poses.t_s, _lowest_s(reps), standing, settings.pose)
    closer = mirrored_frames(poses.t_s, _lowest_s(alone), nothing, settings.pose)
    return ToMirror(candidates.filmed[motion.patient.number - 1], frames, closer)


def _lowest_s(reps: Sequence[Rep]) -> list[float]:
    return [rep.peak_flexion_s for rep in reps if rep.peak_flexion_s is not None]
