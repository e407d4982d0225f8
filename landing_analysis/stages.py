"""The order of the stages after the pose model: from people in a clip to its `Analysis`. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from functools import cache, cached_property
from pathlib import Path
from typing import NamedTuple

import numpy as np

from landing_analysis import __version__
from landing_analysis.camera.stabilisation import stabilised
from landing_analysis.clock.intervals import find_gaps
from landing_analysis.clock.time_base import FreeFalls, FreeFallSeen, Settled, settle_time_base
from landing_analysis.contacts.by_hand import set_by_hand
from landing_analysis.contacts.events import find_contacts
from landing_analysis.contacts.feet import foot_visibility_of
from landing_analysis.contacts.lifting import lifted_between_flights
from landing_analysis.contacts.shifts import are_shifts, find_shifts
from landing_analysis.corrections import are_swapped, exclude_reps, person_note
from landing_analysis.definitions import FRONTAL_VIEWS
from landing_analysis.disturbances.applying import (
    disturbed_contacts,
    disturbed_measures,
    disturbed_reps,
    disturbed_tracks,
    effect_notes,
)
from landing_analysis.disturbances.bystanders import (
    Bystanders,
    apart_from_others,
    bystanders_effect,
    inside_picture,
    on_clock,
    watch_bystanders,
    without_hidden,
)
from landing_analysis.disturbances.camera_motion import (
    CameraMotion,
    camera_effect,
    camera_motion,
)
from landing_analysis.disturbances.effects import Effect
from landing_analysis.disturbances.leg_visibility import (
    LegVisibility,
    contact_settings,
    judge_leg_visibility,
    leg_visibility_effect,
    seen_angles,
)
from landing_analysis.disturbances.timing import timing_effect
from landing_analysis.exercises import may_stay_down
from landing_analysis.findings.framing import judge_framing
from landing_analysis.findings.judging import judge_measures
from landing_analysis.findings.quality import judge_clip, quality_panel
from landing_analysis.landmarks.choosing import mirrored_frames
from landing_analysis.landmarks.light import light_of_person
from landing_analysis.landmarks.lying import laid_back, quarter_turns, stood_up, the_one_who_lies
from landing_analysis.landmarks.mirroring import MIRRORED_VIEWS
from landing_analysis.landmarks.people import (
    choose_patient,
    follow_people,
    sides_swapped,
    upright_bodies,
    without_reflections,
)
from landing_analysis.landmarks.view import estimate_view
from landing_analysis.measures.by_hand import marked_by_hand
from landing_analysis.measures.curves import knee_angles
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.measures.offsets import (
    SecondLook,
    offset_notes,
    offsets_sha256,
    quiet_standing,
    second_look_deg,
    set_offset,
)
from landing_analysis.measures.set_up import set_up_notes
from landing_analysis.measures.summaries import with_set
from landing_analysis.reasons import Reason, because
from landing_analysis.reps.grouping import group_reps, group_shifts
from landing_analysis.reps.recognising import confidence_of, planned_among, recognise
from landing_analysis.reps.turning import (
    find_contacts_by_view,
    in_view,
    jumping,
    turn_notes,
    view_reps,
)
from landing_analysis.settings import ContactSettings, Settings, ViewSettings
from landing_analysis.tables import (
    Analysis,
    BoolArray,
    Clip,
    Contacts,
    Correction,
    Decided,
    Exercise,
    FloatArray,
    Landmarks,
    Limb,
    Limit,
    MeasuredPerson,
    Measures,
    Note,
    Occasion,
    Poses,
    Provenance,
    Reps,
    TimeBase,
    Tracks,
    View,
    ViewEstimate,
)
from landing_analysis.tracks.body import body_size
from landing_analysis.tracks.by_hand import placed_by_hand
from landing_analysis.tracks.cleaning import clean_tracks
from landing_analysis.tracks.gravity import (
    FreeFall,
    calibrate,
    measure_free_fall,
    slow_motion_factor,
    standing_tilt_deg,
)
from landing_analysis.tracks.pull import with_own_pull


@dataclass(frozen=True)
class Options:
    """What the pictures cannot tell, and what overrules what they do.

    ``corrections`` are those in force that are about the clip itself; what they say of exercise,
    view, person and speed stands in the fields of those names as well. ``advice`` is the
    command that takes the options which notes name, where that is not plain. ``stored`` takes the
    landmarks that are stored with the report, whichever model found them. ``planned`` are the
    exercises of the day's plan, which overrule what is recognised but not ``exercise``.
    """

    surgical_side: Limb | None = None
    stature_m: float | None = None
    exercise: Exercise | None = None
    view: View | None = None
    person: int | None = None
    model: Path | None = None
    limits: tuple[Limit, ...] = ()
    settings: Settings = field(default_factory=Settings)
    keep_faces: bool = False
    annotated_clip: bool = True
    slowed_by: float | None = None
    corrections: tuple[Correction, ...] = ()
    advice: str = ""
    stored: bool = False
    occasion: Occasion = field(default_factory=Occasion)
    planned: tuple[Exercise, ...] = ()


def analyse_people(
    clip: Clip, poses: Poses, people: tuple[Landmarks, ...], options: Options, analysed_at: str
) -> Analysis:
    """Run every stage after the pose model: pure, without video, disk or clock.

    Parameters
    ----------
    clip, poses : of the same frames
    people : from `link_people`, as filmed; they are measured in the picture of a still camera
    options : Options
    analysed_at : when, ISO 8601

    Returns
    -------
    Analysis

    Raises
    ------
    NobodyFoundError, SettingsError
    """
    return measure_found(find_in_clip(clip, poses, people, options), options, analysed_at)


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
    motion: _Motion
    filmed: Landmarks
    legs: LegVisibility | None
    free_fall: FreeFall | None
    camera: CameraMotion
    effects: tuple[Effect, ...]
    tracks: Tracks
    contacts: Contacts
    notes: tuple[Note, ...]

    @cached_property
    def second_look(self) -> SecondLook | None:
        """What looks at the mirrored picture add to an FPPA, None where there were none."""
        mirrored_px, view = self.poses.mirrored_px, self.motion.view.view
        if mirrored_px is None or view not in MIRRORED_VIEWS:
            return None
        return second_look_deg(self.filmed.xy_px, mirrored_px, view)

    @cached_property
    def measured(self) -> tuple[Reps, Measures]:
        """Reps and measures without anything that was set in the clip, worked out once."""
        return _measured(self, self.contacts, self.tracks, ())


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
    candidates = _candidates_of(poses, people, settings)
    settled, motion = _settled_motion(clip, candidates, options)
    settled = settled._replace(time_base=_advised_base(settled.time_base, options.advice))
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
    contacts = _contacts(tracks, view, feet, settings.view)

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


def measure_found(found: Found, options: Options, analysed_at: str) -> Analysis:
    """Take in what a person set in the clip, and measure.

    Parameters
    ----------
    found : with the same options but for corrections of contacts, landmarks and reps
    options : Options
    analysed_at : when, ISO 8601
    """
    settings, clip, poses = found.settings, found.clip, found.poses
    settled, motion, effects = found.settled, found.motion, found.effects
    patient, view = motion.patient, motion.view
    found_tracks, found_contacts = found.tracks, found.contacts
    contacts = set_by_hand(
        found_contacts, options.corrections, clip.t_s, found_tracks.t_s, settings.by_hand
    )
    tracks = placed_by_hand(
        found_tracks,
        options.corrections,
        clip.t_s,
        poses.camera,
        (clip.width_px, clip.height_px),
        settings.by_hand,
    )

    as_found = contacts is found_contacts and tracks is found_tracks
    if as_found and not any(one.what == "rep" for one in options.corrections):
        reps, measures = found.measured  # the next correction is held against the same
    else:
        reps, measures = _measured(found, contacts, tracks, options.corrections)
    if not as_found:
        measures = marked_by_hand(measures, reps, *found.measured, settings)
    measures = with_set(measures, settings.measures, effects)
    square_on = in_view(tracks, view, settings.view)
    offset = set_offset(reps, square_on, view.view, settings, found.second_look)
    angles = seen_angles(knee_angles(square_on, view, offset, settings, reps.reps), found.legs)
    decided = _decided(clip, patient, view, reps, settled, options)
    return Analysis(
        clip=clip,
        decided=decided,
        tracks=laid_back(tracks, poses.width_px, poses.height_px),
        view=view,
        contacts=contacts,
        reps=reps,
        measures=measures,
        findings=judge_measures(measures, options.limits, decided),
        notes=_advised(quality_panel(
            (
                *clip.notes,
                *settled.notes,
                *judge_clip(
                    clip, motion.tracks, view, reps, settled.time_base,
                    settings.quality, settings.clock,
                ),
                *judge_framing(
                    clip, found.filmed, tracks, view, poses.camera, found.camera,
                    settings.framing, settings.tracks,
                ),
                *effect_notes(effects, reps),
                *found.notes,
                *person_note(options.corrections, patient.people),
                *turn_notes(reps, view),
                *set_up_notes(tracks, contacts, angles, measures, settings.lying),
                *offset_notes(offset),
                *contacts.notes,
                *reps.notes,
            ),
            fall_seen=found.free_fall is not None,
        ), options.advice),
        provenance=Provenance(
            version=__version__,
            model_name=poses.model_name,
            model_sha256=poses.model_sha256,
            clip_sha256=clip.sha256,
            settings=asdict(settings),
            analysed_at=analysed_at,
            offsets_sha256=offsets_sha256(view.view, settings.offsets),
        ),
        limits=options.limits,
        knee_angles=angles,
        camera=poses.camera,
        corrections=options.corrections,
        body=body_size(
            tracks, found.free_fall if settled.time_base.doubt is None else None, settings.body
        ),
    )  # fmt: skip


def _measured(
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
    measures = measure_reps(reps, seen, view, settings, found.second_look)
    return reps, disturbed_measures(measures, found.effects)


def _advised(notes: tuple[Note, ...], command: str) -> tuple[Note, ...]:
    """Say with which command the options go that remarks name."""
    return tuple(
        replace(note, remarks=tuple(_with_command(remark, command) for remark in note.remarks))
        for note in notes
    )


def _advised_base(base: TimeBase, command: str) -> TimeBase:
    return replace(base, doubt=base.doubt and _with_command(base.doubt, command))


def _with_command(reason: Reason, command: str) -> Reason:
    told = reason.as_dict()
    return because(reason.code, **{**told, "command": command}) if "command" in told else reason


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
    candidates = _candidates_of(poses, people, settings)
    moments: list[float | None] = []
    for number in range(1, len(candidates.filmed) + 1):
        motion = _motion(candidates, poses.t_s, Options(settings=settings, person=number))
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
    """Whose frames are looked at mirrored as well, as filmed, and (n_frames,) which."""

    patient: Landmarks
    frames: BoolArray


def frames_to_mirror(
    poses: Poses, people: tuple[Landmarks, ...], settings: Settings
) -> ToMirror | None:
    """Return which frames carry an FPPA; None in views that show none.

    Parameters
    ----------
    poses, people, settings : as for `analyse_people`
    """
    candidates = _candidates_of(poses, people, settings)
    if not candidates.filmed:
        return None
    options = Options(settings=settings)
    facing = _facing(candidates, poses.t_s, options)
    may_show = facing.view.view in MIRRORED_VIEWS or facing.view.turns
    if facing.quarter_turns or not may_show:
        return None
    motion = _motion(candidates, poses.t_s, options, facing)
    if motion.view.view not in MIRRORED_VIEWS:
        return None
    reps = group_reps(motion.contacts, motion.tracks, settings.reps, None).reps
    lowest_s = [rep.peak_flexion_s for rep in reps if rep.peak_flexion_s is not None]
    standing = quiet_standing(motion.tracks, settings)
    frames = mirrored_frames(poses.t_s, lowest_s, standing, settings.pose)
    return ToMirror(candidates.filmed[motion.patient.number - 1], frames)


# --- who is there ------------------------------------------------------------------------------


class _Candidates(NamedTuple):
    """Everybody who may be the patient.

    ``filmed`` as in the frames, ``steady`` as a still camera would have shown them.
    ``around`` says of one of them, by their index, who is near, and returns them steady
    without what somebody else hides or the picture's edge cuts off.
    """

    filmed: tuple[Landmarks, ...]
    steady: tuple[Landmarks, ...]
    around: Callable[[int], tuple[Bystanders, Landmarks]]
    notes: tuple[Note, ...]


def _candidates_of(poses: Poses, people: tuple[Landmarks, ...], settings: Settings) -> _Candidates:
    filmed, reflected = without_reflections(people, settings.people)
    upright = upright_bodies(poses) if reflected else poses
    everybody = filmed if poses.xy_px.shape[1] == 1 else follow_people(upright, settings.people)

    @cache
    def around(index: int) -> tuple[Bystanders, Landmarks]:
        person = filmed[index]
        bystanders = watch_bystanders(person, upright, everybody, settings.people)
        seen = inside_picture(without_hidden(person, bystanders))
        return bystanders, stabilised(seen, poses.camera)

    steady = tuple(stabilised(person, poses.camera) for person in filmed)
    return _Candidates(filmed, steady, around, reflected)


def _thinned(candidates: _Candidates, every: int) -> _Candidates:
    """Keep one of ``every`` frames of everybody."""

    def thin(person: Landmarks) -> Landmarks:
        return replace(
            person,
            t_s=person.t_s[::every],
            xy_px=person.xy_px[::every],
            visibility=person.visibility[::every],
            world_m=person.world_m[::every],
        )

    def around(index: int) -> tuple[Bystanders, Landmarks]:
        bystanders, seen = candidates.around(index)
        return bystanders, thin(seen)

    steady = tuple(thin(person) for person in candidates.steady)
    return candidates._replace(steady=steady, around=around)


# --- when, and how they move -------------------------------------------------------------------


class _Motion(NamedTuple):
    """Who moves, seen from where, and where the feet first seem to touch the ground."""

    patient: MeasuredPerson
    view: ViewEstimate
    tracks: Tracks
    contacts: Contacts


def _settled_motion(
    clip: Clip, candidates: _Candidates, options: Options
) -> tuple[Settled, _Motion]:
    """Settle the clip's clock, and read the motion by it."""

    @cache
    def as_it_plays() -> _Motion:
        return _motion(candidates, clip.t_s, options)

    def motion_at(t_s: FloatArray) -> _Motion:
        same = np.array_equal(t_s, clip.t_s)
        return as_it_plays() if same else _motion(candidates, t_s, options)

    settled = settle_time_base(
        clip.t_s,
        clip.capture_fps,
        options.slowed_by,
        lambda t_s: _free_falls(candidates, motion_at, t_s, options),
        options.settings.clock,
    )
    return settled, motion_at(settled.t_s)


class _Facing(NamedTuple):
    """The patient, stood up by so many quarter turns, and from where they are seen."""

    patient: MeasuredPerson
    view: ViewEstimate
    quarter_turns: int


def _facing(candidates: _Candidates, t_s: FloatArray, options: Options) -> _Facing:
    """Choose the patient and estimate the view, with frame times of (n_frames,) seconds."""
    settings = options.settings
    timed = tuple(replace(person, t_s=t_s) for person in candidates.steady)
    patient = the_one_who_lies(
        choose_patient(timed, settings.people, options.person), timed, settings.lying
    )
    _, seen = candidates.around(patient.number - 1)
    turns = quarter_turns(candidates.steady[patient.number - 1], settings.lying)
    patient = replace(patient, landmarks=stood_up(replace(seen, t_s=t_s), turns))
    return _Facing(patient, estimate_view(patient.landmarks, settings.view, options.view), turns)


def _motion(
    candidates: _Candidates, t_s: FloatArray, options: Options, facing: _Facing | None = None
) -> _Motion:
    """Run the stages up to contacts under the given frame times, (n_frames,) seconds."""
    settings = options.settings
    patient, view, turns = facing or _facing(candidates, t_s, options)
    tracks = clean_tracks(patient.landmarks, settings.tracks, options.stature_m)
    if turns:
        tracks = with_own_pull(
            replace(tracks, turns=turns),
            lambda pulled: _contacts(pulled, view, settings.contacts, settings.view),
            settings.lying,
            settings.gravity,
        )
    contacts = _contacts(tracks, view, settings.contacts, settings.view)
    if view.turns and contacts.flights:
        within = jumping(contacts, t_s, settings.view)
        view = estimate_view(patient.landmarks, settings.view, options.view, within)
        contacts = _contacts(tracks, view, settings.contacts, settings.view)
    return _Motion(patient, view, tracks, contacts)


def _free_falls(
    candidates: _Candidates,
    motion_at: Callable[[FloatArray], _Motion],
    t_s: FloatArray,
    options: Options,
) -> FreeFalls:
    """Measure free fall flight by flight under the given frame times."""
    settings = options.settings
    rate_hz = 1.0 / float(np.median(np.diff(t_s)))
    every = max(1, int(rate_hz / settings.clock.free_fall_check_rate_hz))
    if len(t_s) < every * settings.gravity.min_samples:
        return FreeFalls(0, ())
    if every == 1:
        motion = motion_at(t_s)
    else:
        motion = _motion(_thinned(candidates, every), t_s[::every], options)
    if motion.tracks.turns:  # cords pull, not gravity: nothing tells a slowed clip
        return FreeFalls(0, ())
    measured = []
    for flight in motion.contacts.flights:
        free_fall = measure_free_fall(motion.tracks, Contacts((), (flight,)), settings.gravity)
        if free_fall is None or flight.take_off is None or flight.landing is None:
            continue
        factor, sd = slow_motion_factor(motion.tracks, free_fall)
        if sd <= settings.clock.sure_fall_sd:
            first, last = np.searchsorted(t_s, [flight.take_off.t_s, flight.landing.t_s])
            measured.append(FreeFallSeen(int(first), min(int(last), len(t_s) - 1), factor, sd))
    lifted = lifted_between_flights(motion.tracks, motion.contacts, settings.clock)
    return FreeFalls(len(motion.contacts.flights), tuple(measured), lifted)


def _contacts(
    tracks: Tracks, view: ViewEstimate, feet: ContactSettings, turns: ViewSettings
) -> Contacts:
    """Find contacts, each foot seen as the view shows it; a patient may turn in between."""
    if view.turns:
        return find_contacts_by_view(tracks, view, feet, turns)
    return find_contacts(tracks, feet, foot_visibility_of(view.view, view.near_limb))


# --- what is measured --------------------------------------------------------------------------


def _standing_deg(motion: _Motion, bystanders: Bystanders, settings: Settings) -> float | None:
    """Return the vertical that quiet standing shows, in a view that shows it."""
    view = motion.view
    if view.view not in FRONTAL_VIEWS:
        return None
    square_on = in_view(motion.tracks, view, settings.view)
    return standing_tilt_deg(
        apart_from_others(square_on, bystanders, settings.people), settings.gravity
    )


def _decided(
    clip: Clip,
    patient: MeasuredPerson,
    view: ViewEstimate,
    reps: Reps,
    settled: Settled,
    options: Options,
) -> Decided:
    return Decided(
        exercise=reps.exercise,
        exercise_origin="given" if options.exercise else "plan" if reps.planned else "detected",
        exercise_confidence=confidence_of(reps),
        view=view.view,
        view_origin="given" if options.view else "detected",
        view_yaw_deg=view.yaw_deg,
        view_yaw_sd_deg=view.yaw_sd_deg,
        limb=reps.limb,
        surgical_side=options.surgical_side,
        stature_m=options.stature_m,
        target_flexion_deg=options.settings.target_flexion_deg,
        patient_number=patient.number,
        people=patient.people,
        patient_reason=patient.reason,
        time_base=settled.time_base,
        occasion=replace(options.occasion, day=options.occasion.day or clip.recorded_on),
    )
