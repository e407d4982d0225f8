"""The stages up to contacts, and the reps and measures that follow from what was found."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from landing_analysis.clock.intervals import find_gaps
from landing_analysis.clock.time_base import Settled
from landing_analysis.contacts.shifts import are_shifts, find_shifts
from landing_analysis.corrections import are_swapped, exclude_reps
from landing_analysis.definitions import FRONTAL_VIEWS
from landing_analysis.disturbances.applying import (
    disturbed_contacts,
    disturbed_measures,
    disturbed_reps,
    disturbed_tracks,
)
from landing_analysis.disturbances.bystanders import (
    Bystanders,
    apart_from_others,
    bystanders_effect,
    on_clock,
)
from landing_analysis.disturbances.camera_motion import CameraMotion, camera_effect, camera_motion
from landing_analysis.disturbances.effects import Effect
from landing_analysis.disturbances.leg_visibility import (
    LegVisibility,
    contact_settings,
    judge_leg_visibility,
    leg_visibility_effect,
)
from landing_analysis.disturbances.timing import timing_effect
from landing_analysis.exercises import may_stay_down
from landing_analysis.landmarks.light import light_of_person
from landing_analysis.landmarks.mirroring import MIRRORED_VIEWS, SEEN_AS_RIGHT
from landing_analysis.landmarks.people import sides_swapped
from landing_analysis.measures.knee import SecondLook, second_look
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.measures.offsets import Sight, sight_of
from landing_analysis.reps.grouping import group_reps, group_shifts
from landing_analysis.reps.recognising import planned_among, recognise
from landing_analysis.reps.turning import in_view, view_reps
from landing_analysis.settings import Settings
from landing_analysis.stages.advice import advised_base
from landing_analysis.stages.candidates import candidates_of
from landing_analysis.stages.motion import Motion, contacts_in, settled_motion
from landing_analysis.stages.options import Options
from landing_analysis.tables import (
    Clip,
    Contacts,
    Correction,
    Exercise,
    Landmarks,
    Measures,
    Note,
    Poses,
    Reps,
    Tracks,
)
from landing_analysis.tracks.gravity import (
    FreeFall,
    calibrate,
    measure_free_fall,
    standing_tilt_deg,
)


@dataclass(frozen=True)
class Found:
    """What the stages found in a clip, before what a person set in it is taken in.

    ``filmed`` is the patient as filmed; ``tracks`` and ``contacts`` as disturbed by ``effects``.
    ``options`` are those that it was found with, ``settings`` those that it is measured with.
    """

    options: Options
    settings: Settings
    clip: Clip
    poses: Poses
    settled: Settled
    motion: Motion
    filmed: Landmarks
    legs: LegVisibility | None
    free_fall: FreeFall | None
    camera: CameraMotion
    effects: tuple[Effect, ...]
    tracks: Tracks
    contacts: Contacts
    notes: tuple[Note, ...]

    @cached_property
    def sight(self) -> Sight:
        """What tracks do not hold of an FPPA."""
        view = self.motion.view.view
        mirrored_px = self.poses.mirrored_px if view in MIRRORED_VIEWS else None
        return sight_of(self.filmed, mirrored_px, view)

    @cached_property
    def second_look(self) -> SecondLook | None:
        """What looks at the mirrored picture make of a near right leg."""
        mirrored_px, view = self.poses.mirrored_px, self.motion.view
        if mirrored_px is None or view.view not in SEEN_AS_RIGHT or view.near_limb is None:
            return None
        return second_look(self.tracks.xy_px, mirrored_px, view.near_limb)

    @cached_property
    def measured(self) -> tuple[Reps, Measures]:
        """Reps and measures without anything that was set in the clip, worked out once."""
        return count_and_measure(self, self.contacts, self.tracks, ())


def find_in_clip(
    clip: Clip, poses: Poses, people: tuple[Landmarks, ...], options: Options
) -> Found:
    """Run the stages up to contacts: all that corrections in the clip do not touch.

    Parameters
    ----------
    clip, poses, people, options : as for `analyse_people`; of the corrections, only whether left
        and right are exchanged goes in here

    Raises
    ------
    NobodyFoundError, SettingsError
    """
    settings = options.settings
    if are_swapped(options.corrections):
        poses, people = sides_swapped(poses, people)
    candidates = candidates_of(poses, people, settings)
    settled, motion = settled_motion(clip, candidates, options)
    settled = settled._replace(time_base=advised_base(settled.time_base, options.advice))
    patient, view = motion.patient, motion.view
    filmed = candidates.filmed[patient.number - 1]
    bystanders, _ = candidates.around(patient.number - 1)
    bystanders = on_clock(bystanders, clip.t_s, settled.t_s)
    light = light_of_person(poses, filmed, settings.people)
    legs = judge_leg_visibility(light, view.near_limb, settings.light)

    lies = motion.tracks.turns > 0
    free_fall = (
        None if lies else measure_free_fall(motion.tracks, motion.contacts, settings.gravity)
    )
    standing_deg = _standing_deg(motion, bystanders, settings)
    tracks = motion.tracks
    if not lies:
        tracks = calibrate(tracks, free_fall, settings.gravity, standing_deg)
    feet = contact_settings(legs, settings.contacts, settings.light)
    contacts = contacts_in(tracks, view, feet, settings.view)

    camera = camera_motion(tracks, contacts, poses.camera, settings.camera)
    gaps = find_gaps(tracks.t_s, settings.clock)
    effects = (
        leg_visibility_effect(legs, settings.light, exercise_given=options.exercise is not None),
        bystanders_effect(patient, bystanders, tracks.t_s, settings.people),
        timing_effect(settled.time_base, gaps, tracks.rate_hz, settings.clock),
        camera_effect(camera),
    )
    seen = disturbed_tracks(tracks, effects)
    if not (contacts.flights or lies) and may_stay_down(options.exercise):
        contacts = replace(find_shifts(seen, view, settings.shifts), notes=contacts.notes)
    if tracks.turns:
        settings = replace(settings, knee=settings.lying.knee)
    return Found(
        options=options,
        settings=settings,
        clip=clip,
        poses=poses,
        settled=settled,
        motion=motion,
        filmed=filmed,
        legs=legs,
        free_fall=free_fall,
        camera=camera,
        effects=effects,
        tracks=seen,
        contacts=disturbed_contacts(contacts, effects),
        notes=candidates.notes,
    )


def _standing_deg(motion: Motion, bystanders: Bystanders, settings: Settings) -> float | None:
    """Return the vertical that quiet standing shows, in a view that shows it."""
    view = motion.view
    if view.view not in FRONTAL_VIEWS:
        return None
    square_on = in_view(motion.tracks, view, settings.view)
    return standing_tilt_deg(
        apart_from_others(square_on, bystanders, settings.people), settings.gravity
    )


def count_and_measure(
    found: Found, contacts: Contacts, tracks: Tracks, corrections: tuple[Correction, ...]
) -> tuple[Reps, Measures]:
    """Count and measure the reps; the lowest point of a landing is read as it was found."""
    settings, view, t_s = found.settings, found.motion.view, tracks.t_s
    exercise, lies = found.options.exercise, found.tracks.turns > 0
    group = group_shifts if are_shifts(contacts) else group_reps

    def recognised(exercise: Exercise | None, among: tuple[Exercise, ...] = ()) -> Reps:
        reps = group(contacts, found.tracks, settings.reps, exercise)
        reps = view_reps(disturbed_reps(reps, found.effects), t_s, view, settings.view)
        return recognise(reps, tracks, view, settings.signs, exercise, lies=lies, among=among)

    reps = recognised(exercise)
    planned = found.options.planned if exercise is None else ()
    among = planned_among(reps, planned, tracks, view, settings.signs, lies=lies)
    if among:
        only = among[0] if len(among) == 1 else None
        reps = replace(recognised(only, among), planned=True)
    reps = exclude_reps(reps, corrections, found.clip.t_s, t_s, settings.reps)
    seen = in_view(tracks, view, settings.view)
    measures = measure_reps(reps, seen, view, settings, found.sight, found.second_look)
    return reps, disturbed_measures(measures, found.effects)
