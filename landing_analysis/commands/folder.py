"""The commands that work through a drop folder and tell the state of its clips."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from landing_analysis.commands.shared import (
    Start,
    counted,
    data_option,
    in_one_sentence,
    opened_record,
    overruled,
    overruling_options,
    reports_option,
    table,
)
from landing_analysis.corrections import exclusion_of_clip
from landing_analysis.errors import LandingAnalysisError

if TYPE_CHECKING:
    from landing_analysis.folder.queue import ClipState
    from landing_analysis.folder.watch import Job

_FAILED = 1
_STATES = ("waiting", "analysing", "done", "needs attention")


def analysis_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add what decides how the clips of a drop folder are analysed."""
    for option in reversed((
        data_option,
        reports_option,
        click.option(
            "--renew",
            is_flag=True,
            help="Analyse again clips whose values were made by another version, model, settings, "
            "limits or patient data; earlier values stay in the record.",
        ),
        click.option(
            "--look-again", is_flag=True, help="Try clips anew that need attention.",
        ),
        click.option(
            "--target-flexion-deg", type=click.FloatRange(10, 140), metavar="DEG", default=60.0,
            show_default=True, help="Peak knee flexion that is being taught.",
        ),
        click.option(
            "--limits", "limits_file", type=click.Path(path_type=Path), metavar="FILE",
            help="Your own limits (TOML).",
        ),
        overruling_options,
        click.option(
            "--model", type=click.Path(path_type=Path), metavar="FILE",
            help="Another pose model bundle than the one in the package.",
        ),
        click.option(
            "--keep-faces", is_flag=True, help="Leave faces as they are instead of blurring them."
        ),
        click.option(
            "--no-annotated-clip", is_flag=True, help="Skip annotated.mp4, which saves time."
        ),
        click.option(
            "--workers", type=click.IntRange(1, 64), metavar="N",
            help="Processes that look for the body; one per processor core unless given.",
        ),
    )):  # fmt: skip
        command = option(command)
    return command


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--once", is_flag=True, help="Work through what is there and end, for a scheduler.")
@analysis_options
@click.pass_obj
@in_one_sentence
def watch(start: Start, /, folder: Path, once: bool, **given: Any) -> None:
    """Watch FOLDER and analyse each clip as soon as it is copied completely.

    A clip belongs to the patient whose code names its sub-folder or starts its file
    name, and waits until that patient is added; its visit is the day on which it was
    recorded. The same clip renamed, copied or moved is not analysed twice. Stop with
    Ctrl-C; the next start goes on from there.

    \b
    Exit codes:
        0  all clips were analysed, or wait for the rest of a copy
        1  some clip needs attention or failed, or the folder cannot be reached
        2  wrong use
        130  stopped by Ctrl-C; nothing is lost
    """  # noqa: D301 - \b must be the character that click looks for
    if once:
        _work_through(folder, start, **given)
    else:
        _watch(folder, start, **given)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--on", "address", metavar="ADDRESS",
    help="Hand the clips to the dask.distributed cluster at this address, such as "
    "tcp://10.0.0.5:8786. Clips with the people in them travel to its machines.",
)  # fmt: skip
@analysis_options
@click.pass_obj
@in_one_sentence
def batch(start: Start, /, folder: Path, address: str | None, **given: Any) -> None:
    """Work through FOLDER once, as watch does, without waiting for copies under way.

    Several clips are analysed at once, so that all cores are used. With --on the machines of
    a cluster analyse them, one clip each at a time; every clip travels to one of these and
    nowhere else, so name only machines that may hold recordings of patients, on a network
    that nobody else reads. Reports and values come back into the one record.

    Exit codes are those of watch.
    """
    from landing_analysis.settings import WatchSettings

    given["settings"] = WatchSettings(settled_s=0.0, incomplete_after_s=0.0)
    if address is None:
        _work_through(folder, start, **given)
        return
    if given["model"] is not None:
        raise click.UsageError("--model cannot be given with --on; its workers have their own.")
    from landing_analysis.folder.cluster import connected

    with connected(address) as cluster:
        click.echo(f"Clips go to {counted(cluster.at_once, 'worker')} at {address}.")
        given.update(
            analyse=cluster.analyse, at_once=cluster.at_once, give_up=cluster.give_up
        )  # fmt: skip
        _work_through(folder, start, **given)


@click.command()
@click.option("--state", type=click.Choice(_STATES), help="Only clips of this state.")
@data_option
@reports_option
@in_one_sentence
def clips(state: str | None, data: Path | None, reports: Path | None) -> None:
    """Tell the state of every clip: waiting, analysing, done or needs attention.

    The id names a clip where it is set right, with landing-analysis clip and rep.
    """
    from landing_analysis.folder.queue import all_states, release_stale_claims

    with opened_record(data, reports) as record:
        release_stale_claims(record)
        found = [clip for clip in all_states(record) if state in (None, clip.state)]
    for line in _table(found):
        click.echo(line)
    click.echo(_count(found))


def _work_through(
    folder: Path, start: Start, *, data: Path | None, reports: Path | None, **how: Any
) -> None:
    from landing_analysis.folder.watch import work_through

    job = job_of(folder, start, **how)
    with opened_record(data, reports) as record:
        states = work_through(record, job)
    click.echo(_count(states))
    if any(state.state == "needs attention" or _failed(state) for state in states):
        raise click.exceptions.Exit(_FAILED)


def watched_job(folder: Path, start: Start, **how: Any) -> Job:
    """Return what is to be done with the clips that arrive in a folder.

    Raises
    ------
    MissingClipError
        If there is no such folder.
    """
    from landing_analysis.errors import MissingClipError

    job = job_of(folder, start, **how)
    if not job.root.is_dir():
        raise MissingClipError(f"There is no folder {job.root}; check the name.")
    return job


def _watch(
    folder: Path, start: Start, *, data: Path | None, reports: Path | None, **how: Any
) -> None:
    from landing_analysis.folder.watch import watch, woken_by_events

    job = watched_job(folder, start, **how)
    wake, never = threading.Event(), threading.Event()
    with opened_record(data, reports) as record, woken_by_events(job.root, wake) as told:
        by_poll = "" if told else " (by looking every few seconds; the system tells no changes)"
        click.echo(f"Watching {click.format_filename(job.root)}{by_poll}. Stop with Ctrl-C.")
        watch(record, job, _complain, wake, never)


def job_of(
    folder: Path,
    start: Start,
    *,
    target_flexion_deg: float,
    limits_file: Path | None,
    model: Path | None,
    keep_faces: bool,
    no_annotated_clip: bool,
    workers: int | None,
    exercise: str | None,
    view: str | None,
    person: int | None,
    slowed_by: float | None,
    **how: Any,
) -> Job:
    """Return what is done with a drop folder, as the options say.

    Raises
    ------
    click.UsageError
        When the limits or the model cannot be read.
    """
    from landing_analysis.findings.limits import read_limits
    from landing_analysis.folder.watch import Job, at_once_on
    from landing_analysis.landmarks.pose import load_model
    from landing_analysis.pages.writing import rewrite_pages
    from landing_analysis.settings import PoseSettings, Settings
    from landing_analysis.stages import Options

    try:
        limits, model_sha256 = read_limits(limits_file), load_model(model).sha256
    except LandingAnalysisError as error:
        raise click.UsageError(str(error)) from error
    cores = workers or os.cpu_count() or 1
    options = Options(
        **overruled(exercise=exercise, view=view, person=person, slowed_by=slowed_by),
        model=model,
        limits=limits,
        settings=Settings(
            pose=PoseSettings(workers=cores),
            target_flexion_deg=target_flexion_deg,
        ),
        keep_faces=keep_faces,
        annotated_clip=not no_annotated_clip,
    )
    root = folder.expanduser().absolute()
    told = {
        "say": _say, "start": start, "at_once": at_once_on(cores), "rewrite": rewrite_pages,
    }  # fmt: skip
    return Job(root, options, model_sha256, **{**told, **how})


# --- what is said ------------------------------------------------------------------------------


def _say(clip: ClipState) -> None:
    whose = f"{clip.code}, visit {clip.visit}{_doubt(clip)}: " if clip.code else ""
    click.echo(f"{clip.file}: {whose}{_in_words(clip)}", err=clip.state == "needs attention")


def _complain(trouble: str) -> None:
    click.echo(f"Paused: {trouble}", err=True)


def _in_words(clip: ClipState) -> str:
    about = _about(clip)
    return f"{clip.state}: {about}" if about else clip.state


def _about(clip: ClipState) -> str:
    """Say why, or for a clip that is done, where its report is; first if it came in before."""
    again, about = clip.again, _why_or_where(clip)
    if again is None:
        return about
    words = again.words
    if again.own_day:
        command = f"landing-analysis clip set {again.short_id} --day {again.own_day}"
        words += f" (if that is right: {command})"
    return f"{words}; {about}" if about else words


def _why_or_where(clip: ClipState) -> str:
    from landing_analysis.analysing import REPORT

    if clip.state == "done":
        if clip.report is None:
            return "its report lies outside the data folder; name its folder with --reports"
        report = clip.report / REPORT
        if report.is_file():
            return str(click.format_filename(report))
        if exclusion_of_clip(clip.corrections):
            return "has no report"
        command = f"landing-analysis clip exclude {clip.short_id}"
        return f"has no report, but its values stand; to leave them out: {command}"
    return clip.reason or ""


def _doubt(clip: ClipState) -> str:
    if any(one.what == "date" for one in clip.corrections):
        return " (set by hand)"
    return "" if clip.recorded_from == "clip" else f" (by {clip.recorded_from})"


def _use(clip: ClipState) -> str:
    return ", excluded" if exclusion_of_clip(clip.corrections) else ""


def _failed(clip: ClipState) -> bool:
    return clip.state == "waiting" and clip.code is not None and clip.reason is not None


def _table(clips: Iterable[ClipState]) -> list[str]:
    rows = [
        (clip.short_id or "", clip.file, clip.code or "",
         f"{clip.visit or ''}{_doubt(clip) if clip.visit else ''}",
         clip.state + _use(clip), _about(clip))
        for clip in clips
    ]  # fmt: skip
    return table([("id", "clip", "patient", "visit", "state", "reason or report"), *rows])


def _count(clips: Iterable[ClipState]) -> str:
    states = [clip.state for clip in clips]
    parts = [f"{states.count(state)} {state}" for state in _STATES if state in states]
    return f"{counted(len(states), 'clip')}{': ' if parts else ''}{', '.join(parts)}"
