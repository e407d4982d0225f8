"""What a person set in a clip taken in, and the analysis put together."""

from __future__ import annotations

from dataclasses import asdict, replace

from landing_analysis import __version__
from landing_analysis.clock.time_base import Settled
from landing_analysis.contacts.by_hand import set_by_hand
from landing_analysis.corrections import person_note
from landing_analysis.disturbances.applying import effect_notes
from landing_analysis.disturbances.leg_visibility import seen_angles
from landing_analysis.findings.framing import judge_framing
from landing_analysis.findings.judging import judge_measures
from landing_analysis.findings.quality import judge_clip, quality_panel
from landing_analysis.landmarks.lying import laid_back
from landing_analysis.measures.by_hand import marked_by_hand
from landing_analysis.measures.curves import knee_angles
from landing_analysis.measures.offsets import offset_notes, offsets_sha256, set_offset
from landing_analysis.measures.set_up import set_up_notes
from landing_analysis.measures.summaries import with_set
from landing_analysis.reps.recognising import confidence_of
from landing_analysis.reps.turning import in_view, turn_notes
from landing_analysis.stages.advice import advised_notes
from landing_analysis.stages.finding import Found, count_and_measure
from landing_analysis.stages.options import Options
from landing_analysis.tables import (
    Analysis,
    Clip,
    Decided,
    Exercise,
    MeasuredPerson,
    Provenance,
    Reps,
    ViewEstimate,
)
from landing_analysis.tracks.body import body_size
from landing_analysis.tracks.by_hand import placed_by_hand


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
        reps, measures = count_and_measure(found, contacts, tracks, options.corrections)
    if not as_found:
        measures = marked_by_hand(measures, reps, *found.measured, settings)
    measures = with_set(measures, settings.measures, effects)
    square_on = in_view(tracks, view, settings.view)
    offset = set_offset(reps, square_on, view.view, settings, found.sight)
    angles = seen_angles(
        knee_angles(square_on, view, offset, settings, reps.reps, found.second_look),
        found.legs,
    )
    decided = _decided(clip, patient, view, reps, settled, options)
    return Analysis(
        clip=clip,
        decided=decided,
        tracks=laid_back(tracks, poses.width_px, poses.height_px),
        view=view,
        contacts=contacts,
        reps=reps,
        measures=measures,
        findings=judge_measures(
            measures, options.limits, decided.exercise, _exercises_of_reps(reps)
        ),
        notes=advised_notes(quality_panel(
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


def _exercises_of_reps(reps: Reps) -> dict[int, Exercise]:
    """Return the exercise of each rep by its number, none where it is not known of the clip."""
    return {} if reps.exercise is None else {rep.number: rep.exercise for rep in reps.reps}
