"""The order of the stages, for one clip or many, and what is written where."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np

from landing_analysis import __version__
from landing_analysis.camera.carrying import cut, steadied
from landing_analysis.camera.cost import camera_cost, with_cost, with_wider_edges
from landing_analysis.camera.path import find_camera_path
from landing_analysis.clock.intervals import find_gaps
from landing_analysis.clock.repeats import find_repeats, watch_changes
from landing_analysis.clock.time_base import Fall, Falls, settle_time_base
from landing_analysis.contacts.events import find_contacts
from landing_analysis.contacts.feet import sights_of
from landing_analysis.definitions import FRONTAL_VIEWS
from landing_analysis.errors import CacheError, LandingAnalysisError, MissingClipError, OutputError
from landing_analysis.files import (
    new_folder,
    read_landmarks,
    sha256_of,
    write_landmarks,
    write_text,
)
from landing_analysis.findings.framing import judge_framing
from landing_analysis.findings.judging import judge_measures
from landing_analysis.findings.panel import quality_panel
from landing_analysis.findings.quality import damage_notes, judge_clip, repeats_note
from landing_analysis.landmarks.company import (
    apart_from_others,
    company_notes,
    inside_picture,
    on_clock,
    refuse_hidden,
    watch_company,
    widen_events,
    without_hidden,
    without_hidden_toe_offs,
)
from landing_analysis.landmarks.light import Look, light_of_person, measure_light, watch_light
from landing_analysis.landmarks.people import choose_patient, follow_people, link_people
from landing_analysis.landmarks.reflections import upright_bodies, without_reflections
from landing_analysis.landmarks.view import estimate_view
from landing_analysis.measures.curves import knee_angles
from landing_analysis.measures.measuring import measure_reps
from landing_analysis.measures.support import (
    contact_settings,
    edge_sds,
    hold_measures,
    judge_support,
    refuse_unsure,
    seen_angles,
    support_notes,
    widen_contacts,
)
from landing_analysis.measures.withheld import withhold
from landing_analysis.progress import NO_PROGRESS, Progress
from landing_analysis.report.documents import analysis_json, reps_csv
from landing_analysis.reps.grouping import group_reps, refuse_across_gaps
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
    Background,
    Clip,
    Contacts,
    Decided,
    FloatArray,
    Landmarks,
    Limb,
    Limit,
    Patient,
    Poses,
    Provenance,
    Stretch,
    Task,
    Tracks,
    View,
    ViewEstimate,
)
from landing_analysis.tracks.cleaning import clean_tracks
from landing_analysis.tracks.gravity import (
    calibrate,
    measure_free_fall,
    slow_motion_factor,
    standing_tilt_deg,
)

REPORT, DATA, TABLE = "report.html", "analysis.json", "reps.csv"
ANNOTATED, LANDMARKS, INDEX = "annotated.mp4", "landmarks.parquet", "index.html"

StartProgress = Callable[[str, int], Progress]
"""Called with what is about to be done and in how many steps."""


def no_progress(label: str, steps: int) -> Progress:
    """Tell nobody."""
    return NO_PROGRESS


@dataclass(frozen=True)
class Options:
    """What the pictures cannot tell, and what overrules what they do."""

    surgical_side: Limb | None = None
    stature_m: float | None = None
    task: Task | None = None
    view: View | None = None
    person: int | None = None
    model: Path | None = None
    limits: tuple[Limit, ...] = ()
    settings: Settings = field(default_factory=Settings)
    keep_faces: bool = False
    annotated_clip: bool = True
    slowed_by: float | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of one clip: an analysis and its report, or the sentence why not.

    ``unexpected`` is the exception behind the sentence when it was no error of ours.
    ``copy_of`` names the clip of the same content that was analysed in its stead.
    """

    name: str
    analysis: Analysis | None = None
    report: Path | None = None
    error: str | None = None
    unexpected: Exception | None = None
    copy_of: str | None = None


# --- the stages --------------------------------------------------------------------------------


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
    settings = options.settings
    filmed, reflected = without_reflections(people)
    upright = upright_bodies(poses) if reflected else poses
    everybody = filmed if poses.xy_px.shape[1] == 1 else follow_people(upright, settings.people)
    companies = tuple(watch_company(one, upright, everybody, settings.people) for one in filmed)
    seen = tuple(
        steadied(inside_picture(without_hidden(person, company)), poses.camera)
        for person, company in zip(filmed, companies, strict=True)
    )
    people = tuple(steadied(person, poses.camera) for person in filmed)
    settled = settle_time_base(
        clip.t_s,
        clip.capture_fps,
        options.slowed_by,
        lambda t_s: _falls(people, seen, t_s, options),
        settings.clock,
    )
    motion = _motion(people, seen, settled.t_s, options)
    company = on_clock(companies[motion.patient.number - 1], clip.t_s, settled.t_s)
    patient, view, tracks = motion.patient, motion.view, motion.tracks
    free_fall = measure_free_fall(tracks, motion.contacts, settings.gravity)
    alone = apart_from_others(in_view(tracks, view, settings.view), company, settings.people)
    standing_deg = (
        standing_tilt_deg(alone, settings.gravity) if view.view in FRONTAL_VIEWS else None
    )
    scaled = calibrate(tracks, free_fall, settings.gravity, standing_deg)
    support = judge_support(
        light_of_person(poses, filmed[patient.number - 1]), view.near_limb, settings.light
    )
    feet = contact_settings(support, settings.contacts, settings.light)
    contacts = without_hidden_toe_offs(
        _contacts(scaled, view, feet, settings.view), company.encounters
    )
    contacts = widen_contacts(contacts, edge_sds(support, settings.light))
    contacts = widen_events(contacts, company, scaled.t_s, settings.people)
    cost = camera_cost(scaled, contacts, poses.camera, settings.camera)
    scaled, contacts = with_cost(scaled, cost), with_wider_edges(contacts, cost)
    square_on = in_view(scaled, view, settings.view)
    gaps = find_gaps(scaled.t_s, settings.clock)
    reps = refuse_across_gaps(
        group_reps(contacts, scaled, settings.reps, options.task), gaps, settings.clock
    )
    reps = refuse_hidden(reps, company.encounters)
    if options.task is None and view.near_limb is not None:
        reps = refuse_unsure(reps, support, settings.light)
    reps = view_reps(reps, scaled.t_s, view, settings.view)
    measures = withhold(
        hold_measures(
            measure_reps(reps, square_on, view, settings, options.surgical_side),
            support,
            settings.light,
            options.surgical_side or "left",
        ),
        settled.time_base,
        scaled.rate_hz,
        settings.clock,
        options.surgical_side or "left",
        cost.no_times,
    )
    decided = Decided(
        task=reps.task,
        task_origin="given" if options.task else "detected",
        view=view.view,
        view_origin="given" if options.view else "detected",
        view_yaw_deg=view.yaw_deg,
        view_yaw_sd_deg=view.yaw_sd_deg,
        limb=reps.limb,
        surgical_side=options.surgical_side,
        stature_m=options.stature_m,
        target_flexion_deg=settings.target_flexion_deg,
        patient_number=patient.number,
        people=patient.people,
        patient_reason=patient.reason,
        time_base=settled.time_base,
    )
    quality = judge_clip(
        clip, tracks, view, reps, settled.time_base, settings.quality, settings.clock
    )
    framing = judge_framing(
        clip,
        filmed[patient.number - 1],
        scaled,
        view,
        poses.camera,
        cost,
        settings.framing,
        settings.tracks,
    )
    return Analysis(
        clip=clip,
        decided=decided,
        tracks=scaled,
        view=view,
        contacts=contacts,
        reps=reps,
        measures=measures,
        findings=judge_measures(measures, options.limits, decided),
        notes=quality_panel(
            (
                *clip.notes,
                *settled.notes,
                *quality,
                *framing,
                *support_notes(support, settings.light),
                *company_notes(patient, company, reps, settings.people),
                *reflected,
                *turn_notes(reps, view),
                *contacts.notes,
                *reps.notes,
            ),
            fall_seen=free_fall is not None,
        ),
        provenance=Provenance(
            version=__version__,
            model_name=poses.model_name,
            model_sha256=poses.model_sha256,
            clip_sha256=clip.sha256,
            settings=asdict(settings),
            analysed_at=analysed_at,
        ),
        limits=options.limits,
        knee_angles=seen_angles(knee_angles(square_on, view, settings.knee), support),
        camera=poses.camera,
    )


class _Motion(NamedTuple):
    """Who moves, seen from where, and where the feet first seem to touch the ground."""

    patient: Patient
    view: ViewEstimate
    tracks: Tracks
    contacts: Contacts


def _motion(
    people: tuple[Landmarks, ...],
    seen: tuple[Landmarks, ...],
    t_s: FloatArray,
    options: Options,
) -> _Motion:
    """Run the stages up to contacts under the given frame times, (n_frames,) seconds.

    ``seen`` is what may be measured of each of the ``people``.
    """
    settings = options.settings
    timed = tuple(replace(person, t_s=t_s) for person in people)
    patient = choose_patient(timed, settings.people, options.person)
    patient = replace(patient, landmarks=replace(seen[patient.number - 1], t_s=t_s))
    view = estimate_view(patient.landmarks, settings.view, options.view)
    tracks = clean_tracks(patient.landmarks, settings.tracks, options.stature_m)
    contacts = _contacts(tracks, view, settings.contacts, settings.view)
    if view.turns and contacts.flights:
        within = jumping(contacts, t_s)
        view = estimate_view(patient.landmarks, settings.view, options.view, within)
        contacts = _contacts(tracks, view, settings.contacts, settings.view)
    return _Motion(patient, view, tracks, contacts)


def _contacts(
    tracks: Tracks, view: ViewEstimate, feet: ContactSettings, turns: ViewSettings
) -> Contacts:
    """Find contacts, each foot seen as the view shows it; a patient may turn in between."""
    if view.turns:
        return find_contacts_by_view(tracks, view, feet, turns)
    return find_contacts(tracks, feet, sights_of(view.view, view.near_limb))


def _falls(
    people: tuple[Landmarks, ...],
    seen: tuple[Landmarks, ...],
    t_s: FloatArray,
    options: Options,
) -> Falls:
    """Measure free fall flight by flight under the given frame times."""
    settings = options.settings
    rate_hz = 1.0 / float(np.median(np.diff(t_s)))
    every = max(1, int(rate_hz / settings.clock.witness_rate_hz))
    if len(t_s) < every * settings.gravity.min_samples:
        return Falls(0, ())
    motion = _motion(
        tuple(_thinned(person, every) for person in people),
        tuple(_thinned(person, every) for person in seen),
        t_s[::every],
        options,
    )
    measured = []
    for flight in motion.contacts.flights:
        free_fall = measure_free_fall(motion.tracks, Contacts((), (flight,)), settings.gravity)
        if free_fall is None or flight.take_off is None or flight.landing is None:
            continue
        factor, sd = slow_motion_factor(motion.tracks, free_fall)
        if sd <= settings.clock.sure_fall_sd:
            first, last = np.searchsorted(t_s, [flight.take_off.t_s, flight.landing.t_s])
            measured.append(Fall(int(first), min(int(last), len(t_s) - 1), factor, sd))
    return Falls(len(motion.contacts.flights), tuple(measured))


def _thinned(person: Landmarks, every: int) -> Landmarks:
    """Keep one of ``every`` frames."""
    return replace(
        person,
        t_s=person.t_s[::every],
        xy_px=person.xy_px[::every],
        visibility=person.visibility[::every],
        world_m=person.world_m[::every],
    )


# --- one clip ----------------------------------------------------------------------------------


def analyse_clip(
    path: Path, out_dir: Path, options: Options, start: StartProgress = no_progress
) -> Outcome:
    """Analyse one clip, or the stored landmarks of one, and write its folder.

    Parameters
    ----------
    path : of a clip, or of the ``landmarks.parquet`` of an earlier analysis, which
        gives a report with stick figures and no annotated clip
    out_dir : the folder of the clip is made in it
    options : Options
    start : gives the listener of each long step

    Returns
    -------
    Outcome with an analysis

    Raises
    ------
    LandingAnalysisError
        With an earlier report of the clip left as it was.

    Notes
    -----
    Landmarks are stored as soon as they are found and used again when clip, model
    and schema are the same. Everything else appears at once when it is complete.
    """
    stored = path.suffix.lower() == ".parquet"
    if stored:
        clip, poses = read_landmarks(path)
        folder = _folder_of(out_dir, clip)
    else:
        from landing_analysis.video.clips import read_clip

        clip = read_clip(path)
        clip = replace(clip, file=printable(clip.file))
        folder = _folder_of(out_dir, clip)
        clip, poses = _find_or_recall_poses(path, clip, folder, options, start)
    people = link_people(poses, options.settings.people)
    analysed_at = datetime.now(UTC).isoformat(timespec="seconds")
    analysis = analyse_people(clip, poses, people, options, analysed_at)
    landmarks = folder / LANDMARKS
    if not (landmarks.exists() and stored and landmarks.samefile(path)):
        write_landmarks(landmarks, poses, clip)
    heads = None if options.keep_faces else _heads(poses, people)
    _write_folder(folder, analysis, None if stored else path, heads, options, start)
    return Outcome(clip.file, analysis, folder / REPORT)


def printable(name: str) -> str:
    """Return a file name as text that any file can hold."""
    return os.fsencode(name).decode("utf-8", "replace")


def _folder_of(out_dir: Path, clip: Clip) -> Path:
    """Return the clip's folder; one that holds another clip of the same name is left alone."""
    folder = out_dir / Path(clip.file).stem
    other = _clip_sha256_in(folder)
    if other is None or other == clip.sha256:
        return folder
    return out_dir / f"{folder.name}_{clip.sha256[:8]}"


def _clip_sha256_in(folder: Path) -> str | None:
    try:
        document = json.loads((folder / DATA).read_text(encoding="utf-8"))
        return str(document["clip"]["sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _find_or_recall_poses(
    path: Path, clip: Clip, folder: Path, options: Options, start: StartProgress
) -> tuple[Clip, Poses]:
    from landing_analysis.camera.background import watch_background
    from landing_analysis.landmarks.pose import find_poses, load_model
    from landing_analysis.video.clips import read_frames

    model = load_model(options.model)
    try:
        known, poses = read_landmarks(folder / LANDMARKS)
        if known.sha256 == clip.sha256 and poses.model_sha256 == model.sha256:
            known = replace(known, file=clip.file, capture_fps=clip.capture_fps)
            return known, _with_camera(path, known, poses, options, start)
    except CacheError:
        pass
    progress = start(f"{clip.file}: finding the body", clip.frames)
    changes: list[float] = []
    stretches: list[Stretch] = []
    looks: list[Look] = []
    frames = watch_changes(read_frames(path, clip), changes)
    frames = watch_light(watch_background(frames, stretches), looks)
    poses = find_poses(frames, clip, options.settings.pose, model, progress)
    poses = _placed(replace(poses, light=measure_light(looks, poses)), stretches, options)
    return _whole_and_once(clip, poses, np.array(changes))


def _with_camera(
    path: Path, clip: Clip, poses: Poses, options: Options, start: StartProgress
) -> Poses:
    """Follow the background of a clip whose stored landmarks do not know of it."""
    if poses.camera is not None:
        return poses
    from landing_analysis.camera.background import watch_background
    from landing_analysis.video.clips import read_frames

    progress = start(f"{clip.file}: following the background", clip.frames)
    stretches: list[Stretch] = []
    followed = 0
    try:
        for _ in watch_background(read_frames(path, clip), stretches):
            followed += 1
            progress.advance(1)
    finally:
        progress.close()
    return _placed(poses, stretches, options) if followed == clip.frames else poses


def _placed(poses: Poses, stretches: list[Stretch], options: Options) -> Poses:
    """Add to the poses how the camera moved."""
    if not len(poses.t_s):
        return poses
    background = Background(len(poses.t_s), tuple(stretches))
    people = link_people(poses, options.settings.people)
    return replace(
        poses, camera=find_camera_path(background, poses, people, options.settings.camera)
    )


def _whole_and_once(clip: Clip, poses: Poses, changes: FloatArray) -> tuple[Clip, Poses]:
    """Leave out of a clip the frames that damage has spoilt and those shown before."""
    from landing_analysis.video.clips import with_frame_times

    notes = damage_notes(clip.t_s, poses.t_s)
    repeats = find_repeats(poses.t_s, changes)
    if repeats.any():
        notes += (repeats_note(poses.t_s, repeats),)
        once = ~repeats
        poses = replace(
            poses,
            t_s=poses.t_s[once],
            xy_px=poses.xy_px[once],
            visibility=poses.visibility[once],
            world_m=poses.world_m[once],
            camera=poses.camera and cut(poses.camera, once),
        )
    if not notes:
        return clip, poses
    return with_frame_times(replace(clip, notes=(*clip.notes, *notes)), poses.t_s), poses


def _heads(poses: Poses, people: tuple[Landmarks, ...]) -> FloatArray:
    from landing_analysis.report.faces import find_heads

    return find_heads(poses, people)


def _write_folder(
    folder: Path,
    analysis: Analysis,
    path: Path | None,
    heads: FloatArray | None,
    options: Options,
    start: StartProgress,
) -> None:
    from landing_analysis.report.page import report_html
    from landing_analysis.report.pictures import key_pictures

    with new_folder(folder) as new:
        write_text(new / DATA, analysis_json(analysis))
        write_text(new / TABLE, reps_csv(analysis))
        jpegs = dict(_key_jpegs(path, analysis, heads)) if path else {}
        if path and options.annotated_clip:
            _annotate(new / ANNOTATED, path, analysis, heads, start)
        _keep_other_files(folder, new)
        annotated = ANNOTATED if (new / ANNOTATED).exists() else None
        write_text(new / REPORT, report_html(analysis, key_pictures(analysis, jpegs), annotated))


def _key_jpegs(
    path: Path, analysis: Analysis, heads: FloatArray | None
) -> Iterator[tuple[int, str]]:
    from landing_analysis.report.pictures import key_frames, key_jpeg
    from landing_analysis.video.clips import read_frames_at

    for frame in read_frames_at(path, analysis.clip, key_frames(analysis)):
        jpeg = key_jpeg(analysis, frame, heads)
        if jpeg is not None:
            yield frame.number, jpeg


def _annotate(
    target: Path, path: Path, analysis: Analysis, heads: FloatArray | None, start: StartProgress
) -> None:
    from landing_analysis.report.annotated import write_annotated_clip
    from landing_analysis.video.clips import read_frames

    clip = analysis.clip
    progress = start(f"{clip.file}: drawing the clip", clip.frames)
    write_annotated_clip(target, read_frames(path, clip), analysis, heads, progress)


def _keep_other_files(folder: Path, new: Path) -> None:
    """Carry over what this analysis does not write, a clinician's own notes among it."""
    for item in folder.iterdir() if folder.is_dir() else ():
        if (new / item.name).exists() or item.name in (REPORT, DATA, TABLE):
            continue
        if item.is_dir():
            shutil.copytree(item, new / item.name)
        else:
            shutil.copy2(item, new / item.name)


# --- many clips --------------------------------------------------------------------------------


def analyse_paths(
    paths: tuple[Path, ...],
    out_dir: Path,
    options: Options,
    start: StartProgress = no_progress,
) -> Iterator[Outcome]:
    """Analyse clips and folders of clips one after the other.

    Parameters
    ----------
    paths : clips, folders of clips, or stored landmarks
    out_dir : where the folders go
    options, start : as for `analyse_clip`

    Yields
    ------
    Outcome
        One per clip as soon as it is done. A clip that fails gives its sentence and
        never stops the rest. A second copy of a clip's content is analysed once.
    """
    taken: list[Path] = []
    for path in paths:
        try:
            clips = _clips_in(path)
        except LandingAnalysisError as error:
            yield Outcome(printable(path.name), error=str(error))
            continue
        for clip in clips:
            first = next((other for other in taken if _same_content(other, clip)), None)
            if first is not None:
                yield Outcome(printable(clip.name), copy_of=printable(first.name))
                continue
            taken.append(clip)
            yield _outcome(clip, out_dir, options, start)


def _same_content(one: Path, other: Path) -> bool:
    try:
        if one.stat().st_size != other.stat().st_size:
            return False
        return sha256_of(one) == sha256_of(other)
    except OSError:
        return False


def _clips_in(path: Path) -> tuple[Path, ...]:
    from landing_analysis.video.clips import list_clips

    clips = list_clips(path)
    if not clips:
        raise MissingClipError(f"The folder {path} holds no clips; name one that does.")
    return clips


def _outcome(path: Path, out_dir: Path, options: Options, start: StartProgress) -> Outcome:
    name = printable(path.name)
    try:
        return analyse_clip(path, out_dir, options, start)
    except LandingAnalysisError as error:
        return Outcome(name, error=str(error))
    except Exception as error:
        sentence = (
            f"{name} met an error that nobody foresaw ({type(error).__name__}: {error}); run it "
            "again with --debug and send what it prints to the makers."
        )
        return Outcome(name, error=sentence, unexpected=error)


def prepare_out_dir(out_dir: Path) -> None:
    """Make the output folder and make sure that it can be written.

    Raises
    ------
    OutputError
    """
    probe = out_dir / f".probe-{os.getpid()}"
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        probe.write_bytes(b"")
        probe.unlink()
    except OSError as error:
        raise OutputError(
            f"The output folder {out_dir} cannot be written ({error.strerror}); "
            "choose another with --out."
        ) from error
