"""Puts the invented patients into a new data folder, with sample clips where they are there."""

from __future__ import annotations

import os
import shutil
from collections.abc import Container, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from landing_analysis.demo.invent import InventedSet, invent_patient, invent_sets
from landing_analysis.demo.sessions import invent_sessions
from landing_analysis.demo.stories import STORIES, Story
from landing_analysis.errors import RecordError
from landing_analysis.findings.limits import read_limits
from landing_analysis.folder.watch import Job, work_through
from landing_analysis.landmarks.pose import load_model
from landing_analysis.pages.writing import write_all_pages
from landing_analysis.progress import StartProgress, no_progress
from landing_analysis.record.clips import insert_clip
from landing_analysis.record.database import Record, open_record
from landing_analysis.record.migrations import WORK_OF_CLIPS
from landing_analysis.record.patients import add_patient
from landing_analysis.record.place import data_folder
from landing_analysis.record.sessions import enter_session, enter_tick
from landing_analysis.record.storing import insert_analysis
from landing_analysis.settings import PoseSettings, Settings, WatchSettings
from landing_analysis.stages import Options
from landing_analysis.tables import Limit

_SAMPLE_CLIPS = (Path(__file__).parent / "clips", Path(__file__).parents[2] / "sample_clips")
"""Where the sample clips are: in an installed package, and in the source."""

_NOON = time(12, tzinfo=UTC)
_BETWEEN_SETS = timedelta(seconds=75)
_AT_ONCE = WatchSettings(settled_s=0.0, incomplete_after_s=0.0)


@dataclass(frozen=True)
class Clinic:
    """What was made; ``page`` is the page on the last week."""

    patients: int
    sets: int
    clips: int
    page: Path


def make_clinic(
    target: Path,
    last_day: date,
    seed: int,
    sample_clips: Path | None = None,
    start: StartProgress = no_progress,
) -> Clinic:
    """Make a data folder with six invented patients, and all pages on them.

    Parameters
    ----------
    target : the data folder; a record in it must not hold patients
    last_day : of the twelve weeks
    seed : of the numbers
    sample_clips : folder of the sample clips, None for those that come with the program
    start : gives the listener of each long step

    Raises
    ------
    RecordError
        When the record holds patients already: invented ones never join real ones.
    """
    own = next((folder for folder in _SAMPLE_CLIPS if folder.is_dir()), _SAMPLE_CLIPS[0])
    samples = _samples_in(sample_clips or own)
    with open_record(data_folder(target)) as record:
        if record.rows("SELECT 1 FROM patient LIMIT 1"):
            raise RecordError(
                f"The record {record.folder.record} holds patients already; name a new folder "
                "for the demonstration."
            )
        sets = add_stories(record, STORIES, last_day, seed, but_last_of=samples, start=start)
        clips = _analyse_samples(record, last_day, samples, start)
        page = write_all_pages(record, last_day, start)
    return Clinic(len(STORIES), sets, clips, page)


def _samples_in(folder: Path) -> dict[str, list[Path]]:
    """Return the sample clips by the patient whose last visit they become."""
    found = {
        story.code: sorted(folder.glob(f"*{story.sample}_*.mp4"))
        for story in STORIES if story.sample
    }  # fmt: skip
    return {code: clips for code, clips in found.items() if clips}


# --- invented ----------------------------------------------------------------------------------


def add_stories(
    record: Record,
    stories: Sequence[Story],
    last_day: date,
    seed: int,
    *,
    but_last_of: Container[str] = (),
    start: StartProgress = no_progress,
) -> int:
    """Add invented patients with all their sets to a record, and return how many sets.

    Parameters
    ----------
    record : without them
    stories : who they are
    last_day : of the twelve weeks
    seed : of the numbers
    but_last_of : codes of those whose last visit is left out
    start : gives the listener, which counts patients
    """
    limits, sets = read_limits(), 0
    progress = start("inventing", len(stories))
    try:
        for story in stories:
            add_patient(record, invent_patient(story, last_day))
            but_last = story.code in but_last_of
            sets += _add_sets(record, story, last_day, seed, limits, but_last=but_last)
            _add_sessions(record, story, last_day)
            progress.advance(1)
    finally:
        progress.close()
    return sets


def _add_sets(
    record: Record,
    story: Story,
    last_day: date,
    seed: int,
    limits: tuple[Limit, ...],
    *,
    but_last: bool,
) -> int:
    invented = tuple(invent_sets(story, last_day, seed, limits, but_last=but_last))
    with record.change() as connection:
        for one in invented:
            at = datetime.combine(one.day, _NOON) + one.number * _BETWEEN_SETS
            clip = insert_clip(connection, story.code, one.clip, at, "file name")
            report = _report_of(story, one)
            insert_analysis(connection, clip, one.document, f"invented, seed {seed}", report)
        connection.execute(WORK_OF_CLIPS)
    return len(invented)


def _add_sessions(record: Record, story: Story, last_day: date) -> None:
    for one in invent_sessions(story, last_day):
        enter_session(record, story.code, one.day, one.plain, one.by)
        for exercise in one.ticks:
            enter_tick(record, story.code, exercise, one.day, one.by)


def _report_of(story: Story, one: InventedSet) -> str:
    """Name a place where no report will ever be."""
    return f"reports/{story.code}/{one.day}/{one.clip.file}"


# --- really analysed ---------------------------------------------------------------------------


def _analyse_samples(
    record: Record, last_day: date, samples: dict[str, list[Path]], start: StartProgress
) -> int:
    """Let the sample clips arrive in a drop folder, and work through it."""
    if not samples:
        return 0
    drop = record.folder.path / "drop_folder"
    for code, clips in samples.items():
        for number, clip in enumerate(clips):
            _drop(clip, drop / code, datetime.combine(last_day, time(12)) + number * _BETWEEN_SETS)
    options = Options(limits=read_limits(), settings=Settings(pose=PoseSettings(workers=_cores())))
    job = Job(drop, options, load_model(None).sha256, settings=_AT_ONCE, start=start)
    states = work_through(record, job)
    return sum(state.state == "done" for state in states)


def _drop(clip: Path, folder: Path, at: datetime) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / f"{at:%Y%m%d_%H%M%S}_{clip.name}"
    shutil.copyfile(clip, target)
    os.utime(target, (at.timestamp(), at.timestamp()))


def _cores() -> int:
    return os.cpu_count() or 1
