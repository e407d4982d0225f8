"""Works through a drop folder: once, or for as long as nobody stops it.

Everything that must survive is in the record before it counts, so the program may end at any
moment: a report is made aside, takes its place whole, and only then are its values stored
and the clip called done, in one step.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import NamedTuple, Self

from landing_analysis import __version__
from landing_analysis.analysing import LANDMARKS, counted
from landing_analysis.child import kill_all
from landing_analysis.corrections import given
from landing_analysis.errors import (
    InterruptedAnalysisError,
    LandingAnalysisError,
    MissingClipError,
    OutputError,
    RecordError,
)
from landing_analysis.files import sha256_of
from landing_analysis.folder import queue
from landing_analysis.folder.entries import CheckClip
from landing_analysis.folder.look import Looked, look
from landing_analysis.folder.worker import Analyse, Result, analyse_in_worker, check_in_worker
from landing_analysis.landmarks.unfinished import SUFFIX as UNFINISHED
from landing_analysis.patients import Patient
from landing_analysis.progress import NO_PROGRESS, Progress, StartProgress, no_progress
from landing_analysis.record.backups import make_backup_if_old
from landing_analysis.record.clips import SHORT_ID, newest_report, reports_of
from landing_analysis.record.database import Record
from landing_analysis.record.outdated import mark_reports
from landing_analysis.record.place import apart_from, make_private, make_private_folder
from landing_analysis.settings import WatchSettings
from landing_analysis.stages import Options
from landing_analysis.tables import Correction, Exercise, Occasion, short_clip

ADVICE = "landing-analysis clip set"
"""The command that sets a clip right, before the clip's id."""

_CHANGES = ("created", "modified", "moved", "deleted", "closed")


def say_nothing(state: queue.ClipState) -> None:
    """Tell nobody."""


def write_nothing(record: Record, code: str, days: list[date]) -> None:
    """Leave the pages as they are."""


@dataclass(frozen=True)
class Job:
    """What is done with a drop folder, and how.

    Attributes
    ----------
    root : of the drop folder, absolute
    options : of each analysis; surgical side and stature are the patient's
    model_sha256 : of the pose model
    settings : WatchSettings
    renew : analyse again what other means made, and add the new values
    look_again : try anew what needs attention
    say : told of each clip whose state changes
    rewrite : writes a patient's pages anew once a text file told of sessions of some days, or
        clips of these were analysed
    start : gives the listener of each long step
    check, analyse : read a clip's facts, and analyse it
    at_once : how many clips are analysed at the same time, in threads that wait for ``analyse``
    give_up : makes those threads stop waiting
    """

    root: Path
    options: Options
    model_sha256: str
    settings: WatchSettings = field(default_factory=WatchSettings)
    renew: bool = False
    look_again: bool = False
    say: Callable[[queue.ClipState], None] = say_nothing
    rewrite: Callable[[Record, str, list[date]], None] = write_nothing
    start: StartProgress = no_progress
    check: CheckClip = check_in_worker
    analyse: Analyse = analyse_in_worker
    at_once: int = 1
    give_up: Callable[[], None] = kill_all


def at_once_on(cores: int) -> int:
    """Return how many clips keep some cores busy: two, or one for every two cores (choice).

    A clip alone leaves cores idle while its process starts, measures and writes.
    """
    return min(cores, max(2, cores // 2))


def work_through(record: Record, job: Job) -> tuple[queue.ClipState, ...]:
    """Look, wait for what has just arrived to settle, analyse everything that waits.

    Parameters
    ----------
    record : Record
    job : Job

    Returns
    -------
    tuple of ClipState
        What became of each file.

    Raises
    ------
    MissingClipError
        When the folder cannot be reached.
    RecordError
        When the record cannot be written; the next start goes on from there.
    """
    news = _News(record, job)
    with _Hands(record, job, news) as hands:
        make_backup_if_old(record.connection, record.folder)
        if job.look_again:
            queue.look_again(record, job.root)
        if _look(record, job).unsettled:
            time.sleep(job.settings.settled_s)
            _look(record, job)
        news.tell()
        while hands.work():
            _look(record, job)
    return queue.states_in(record, job.root)


def watch(
    record: Record,
    job: Job,
    complain: Callable[[str], None],
    wake: threading.Event,
    stop: threading.Event,
) -> None:
    """Look and work until told to stop; trouble of folder or record is said and waited out.

    Parameters
    ----------
    record : Record
    job : Job
    complain : told each new trouble in one sentence
    wake : set when something may have changed in the folder
    stop : set to end
    """
    news = _News(record, job)
    trouble = None
    with _Hands(record, job, news) as hands:
        if job.look_again:
            queue.look_again(record, job.root)
        while not stop.is_set():
            wake.clear()
            try:
                make_backup_if_old(record.connection, record.folder)
                _look(record, job)
                news.tell()
                if hands.work():
                    trouble = None
                    continue
                trouble = None
            except (MissingClipError, RecordError) as error:
                if str(error) != trouble:
                    trouble = str(error)
                    complain(trouble)
            stop.wait(job.settings.least_pause_s)
            wake.wait(job.settings.poll_s)


@contextmanager
def woken_by_events(root: Path, wake: threading.Event) -> Iterator[bool]:
    """Set ``wake`` whenever the system reports a change below a folder.

    Yields
    ------
    bool
        Whether the system reports any; a network share never does, and the poll finds
        what events do not tell.
    """
    from watchdog.events import FileSystemEvent, FileSystemEventHandler
    from watchdog.observers import Observer

    class Waker(FileSystemEventHandler):
        def on_any_event(self, event: FileSystemEvent) -> None:
            if event.event_type in _CHANGES:  # being read, by us for one, is no change
                wake.set()

    observer = Observer()
    try:
        observer.schedule(Waker(), str(root), recursive=True)
        observer.start()
    except (OSError, RecursionError):  # too many folders, or nested too deep
        yield False
        return
    try:
        yield True
    finally:
        observer.stop()
        observer.join()


def made_by(options: Options, model_sha256: str) -> str:
    """Return a fingerprint of everything besides the clip that shapes an analysis's numbers."""
    settings = asdict(options.settings)
    settings["pose"].pop("workers")  # how many look at once changes no number
    told: tuple[object, ...] = (
        options.surgical_side, options.stature_m, options.exercise, options.view, options.person,
    )  # fmt: skip
    if options.slowed_by is not None:
        told += (options.slowed_by,)
    if options.planned:
        told += (options.planned,)
    told += tuple((one.what, one.new, one.rep, one.rep_s) for one in options.corrections)
    shaped_by = (__version__, model_sha256, settings, [asdict(x) for x in options.limits], told)
    return hashlib.sha256(json.dumps(shaped_by, sort_keys=True).encode()).hexdigest()


def options_for(
    options: Options,
    patient: Patient,
    corrections: tuple[Correction, ...] = (),
    planned: tuple[Exercise, ...] = (),
) -> Options:
    """Return the options of one clip: the patient's data, and over all else what was corrected.

    ``planned`` are the exercises of the day's plan. A change of patient is left out of what the
    report says, which names no other patient.
    """
    return replace(
        options,
        surgical_side=patient.surgical_side,
        stature_m=patient.stature_m,
        planned=planned,
        corrections=tuple(one for one in corrections if one.what != "patient"),
        **given(corrections),
    )


# --- one round ---------------------------------------------------------------------------------


def _look(record: Record, job: Job) -> Looked:
    queue.release_stale_claims(record)
    queue.clear_finished_work(record)
    looked = look(record, job.root, job.settings, job.check, job.start)
    for code in dict.fromkeys(code for code, _ in looked.sessions):
        job.rewrite(record, code, [day for whose, day in looked.sessions if whose == code])
    if job.renew:

        @cache
        def fingerprint(
            patient: Patient, corrections: tuple[Correction, ...], planned: tuple[Exercise, ...]
        ) -> str:
            options = options_for(job.options, patient, corrections, planned)
            return made_by(options, job.model_sha256)

        queue.renew_outdated(record, job.root, fingerprint)
    return looked


class _Hands:
    """Analyses clips, some at once, each claimed under a name of its own.

    Threads only wait for analyses; the record is spoken to by whoever calls. Pages follow once
    nothing is in hand.
    """

    def __init__(self, record: Record, job: Job, news: _News) -> None:
        self._record, self._job, self._news = record, job, news
        self._busy: dict[Future[Result], _Begun] = {}
        self._changed: dict[str, set[date]] = {}
        self._bar: Progress = NO_PROGRESS
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        names = [queue.working(self._record) for _ in range(self._job.at_once)]
        self._free = [self._stack.enter_context(name) for name in names]
        self._pool = ThreadPoolExecutor(self._job.at_once)
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.close()
        if self._busy:
            self._job.give_up()
        self._pool.shutdown(cancel_futures=True)
        self._stack.close()

    def work(self) -> bool:
        """Take up what waits, and take in what is ready first; False when there is neither.

        What is not ready is waited for as long as between two looks at the folder, so that what
        arrives meanwhile is told at once.
        """
        claims = []
        while self._free and (claim := self._claim()):
            claims.append(claim)
        if claims and self._job.at_once > 1 and self._bar is NO_PROGRESS:
            self._bar = self._job.start("analysing clips", _waiting(self._record, self._job))
        self._news.tell()
        for claim in claims:
            self._begin(claim, len(claims) + len(self._busy))
        if self._busy:
            pause_s = self._job.settings.poll_s
            for future in wait(self._busy, pause_s, return_when=FIRST_COMPLETED).done:
                self._take_in(future)
                self._bar.advance(1)
        if not self._busy:
            self._bar.close()
            self._bar = NO_PROGRESS
            if not claims:
                self._rewrite()
        self._news.tell()
        return bool(claims or self._busy)

    def _rewrite(self) -> None:
        """Let pages that were made before show what was analysed since."""
        while self._changed:
            code, days = self._changed.popitem()
            self._job.rewrite(self._record, code, sorted(days))

    def _claim(self) -> queue.Claim | None:
        claim = queue.claim_next(self._record, self._job.root, self._free[-1])
        if claim is not None:
            self._free.pop()
        return claim

    def _begin(self, claim: queue.Claim, under_way: int) -> None:
        try:
            begun = _prepare_for(self._record, self._job, claim, under_way)
        except Exception as error:
            self._free.append(claim.worker)
            _put_back(self._record, self._job, claim, error)
            return
        if self._job.at_once == 1:
            future = _done_here(begun.analyse, _start_counted(self._record, self._job))
        else:
            future = self._pool.submit(begun.analyse, no_progress)
        self._busy[future] = begun

    def _take_in(self, future: Future[Result]) -> None:
        begun = self._busy.pop(future)
        self._free.append(begun.claim.worker)
        try:
            _take_in(self._record, self._job, begun, future.result())
        except Exception as error:
            _put_back(self._record, self._job, begun.claim, error)
            return
        day = date.fromisoformat(begun.claim.day)
        self._changed.setdefault(begun.claim.patient.code, set()).add(day)


def work_on(record: Record, job: Job, claim: queue.Claim) -> None:
    """Analyse a claimed clip, and put it back with the reason when that fails.

    Raises
    ------
    RecordError
    """
    try:
        begun = _prepare_for(record, job, claim)
        _take_in(record, job, begun, begun.analyse(_start_counted(record, job)))
    except Exception as error:
        _put_back(record, job, claim, error)


def _put_back(record: Record, job: Job, claim: queue.Claim, error: Exception) -> None:
    """Say why a clip was not analysed, and whether it is tried again."""
    if isinstance(error, OutputError):
        pause_s = job.settings.full_disk_retry_s
        queue.try_later(record, claim, str(error), time.time() + pause_s, claim.attempts)
    elif isinstance(error, InterruptedAnalysisError):
        _try_later_or_give_up(record, job, claim, str(error))
    elif isinstance(error, RecordError):
        raise error
    elif isinstance(error, LandingAnalysisError):
        queue.give_up(record, claim, str(error))
    else:
        sentence = f"{claim.path.name} met an unforeseen error ({type(error).__name__}: {error})."
        _try_later_or_give_up(record, job, claim, sentence)


def _try_later_or_give_up(record: Record, job: Job, claim: queue.Claim, sentence: str) -> None:
    pauses_s = job.settings.retry_after_s
    if claim.attempts < len(pauses_s):
        retry_at_s = time.time() + pauses_s[claim.attempts]
        queue.try_later(record, claim, sentence, retry_at_s, claim.attempts + 1)
    else:
        queue.give_up(record, claim, sentence)


class _Begun(NamedTuple):
    """A claimed clip whose analysis can be run anywhere, and what its report needs then."""

    claim: queue.Claim
    options: Options
    aside: Path
    earlier: Path | None
    analyse: Callable[[StartProgress], Result]


def _prepare_for(record: Record, job: Job, claim: queue.Claim, under_way: int = 1) -> _Begun:
    """Make ready what an analysis needs; of the cores it gets its share of those under way."""
    settings = job.options.settings
    pose = replace(settings.pose, workers=max(1, settings.pose.workers // under_way))
    options = replace(
        options_for(job.options, claim.patient, claim.corrections, claim.planned),
        settings=replace(settings, pose=pose),
        occasion=Occasion(claim.patient.code, claim.day, claim.set_number),
    )
    advised = replace(options, advice=f"{ADVICE} {claim.sha256[:SHORT_ID]}")
    aside = record.folder.work / claim.sha256
    earlier = _earlier_report(record, claim)
    _prepare(aside, earlier, claim.sha256)

    def analyse(start: StartProgress) -> Result:
        return job.analyse(claim.path, aside, advised, start)

    return _Begun(claim, options, aside, earlier, analyse)


def _done_here(analyse: Callable[[StartProgress], Result], start: StartProgress) -> Future[Result]:
    """Run an analysis in this thread, where its bars can be shown."""
    future: Future[Result] = Future()
    try:
        future.set_result(analyse(start))
    except Exception as error:
        future.set_exception(error)
    return future


def _take_in(record: Record, job: Job, begun: _Begun, made: Result) -> None:
    """Let a report take its place, store its values and call the clip done."""
    claim, options, aside, earlier, _ = begun
    stored = claim.path.name == LANDMARKS
    same = made.document["clip"]["sha256"] == claim.sha256
    if not (same and (stored or sha256_of(claim.path) == claim.sha256)):
        raise InterruptedAnalysisError(f"{claim.path.name} changed while it was analysed.")
    target = record.folder.reports / claim.patient.code / claim.day / made.folder.name
    _publish(made, target, earlier)
    report = _named_from(record.folder.path, target)
    fingerprint = made_by(options, job.model_sha256)
    if queue.finish(record, claim, made.document, fingerprint, report):
        outdated = reports_of(record, claim.clip_id)  # as after a renaming
        kept = {target, *reports_of(record, claim.clip_id, others=True)}
        mark_reports(record, claim.patient.code, claim.clip_id)  # the patient was edited meanwhile
    else:
        outdated, kept = {target}, reports_of(record)  # the patient was removed meanwhile
    for folder in apart_from(outdated, kept):
        shutil.rmtree(folder, ignore_errors=True)
    shutil.rmtree(aside, ignore_errors=True)
    aside.with_name(aside.name + ".lock").unlink(missing_ok=True)


def _start_counted(record: Record, job: Job) -> StartProgress:
    """Say of each long step which clip of the drop folder it is about."""
    states = [clip.state for clip in queue.states_in(record, job.root)]
    through = states.count("done") + states.count("needs attention")
    return counted(job.start, through + 1, len(states))


def _waiting(record: Record, job: Job) -> int:
    """Return how many clips of the drop folder are to be analysed."""
    states = queue.states_in(record, job.root)
    return sum(clip.state == "analysing" for clip in states) + sum(
        clip.state == "waiting" and clip.short_id is not None for clip in states
    )


def _earlier_report(record: Record, claim: queue.Claim) -> Path | None:
    """Return the folder of the clip's report that is there, unless it is another clip's too."""
    earlier = newest_report(record, claim.clip_id)
    others = reports_of(record, claim.clip_id, others=True)
    return earlier if earlier and apart_from([earlier], others) else None


def _prepare(aside: Path, earlier: Path | None, sha256: str) -> None:
    """Clear what a killed run left, except landmarks, all or part of them, which save time."""
    make_private_folder(aside.parent)
    for left in aside.rglob("*") if aside.is_dir() else ():
        kept = left.name == LANDMARKS or left.parent.suffix == UNFINISHED
        if left.is_file() and not kept:
            left.unlink()
    if earlier is None or not (earlier / LANDMARKS).is_file():
        return
    if not any(aside.rglob(LANDMARKS)):
        begun = aside / f"earlier_{short_clip(sha256)}"
        try:
            begun.mkdir(parents=True, exist_ok=True)
            shutil.copy2(earlier / LANDMARKS, begun / LANDMARKS)
        except OSError as error:
            raise OutputError(f"{aside} cannot be written ({error.strerror}).") from error


def _publish(made: Result, target: Path, earlier: Path | None) -> None:
    """Let the finished report take its place, with files that the clinician put beside the last."""
    try:
        make_private(made.folder)
        for folder in (target.parent.parent, target.parent):
            make_private_folder(folder)
        replaced = made.folder.with_name(f"{made.folder.name}.replaced")
        for own in earlier.iterdir() if earlier else ():
            if not (made.folder / own.name).exists():
                _copy(own, made.folder / own.name)
        if target.exists():
            target.rename(replaced)
        made.folder.rename(target)
        shutil.rmtree(replaced, ignore_errors=True)
    except OSError as error:
        raise OutputError(
            f"The report folder {target} cannot be written ({error.strerror})."
        ) from error


def _copy(item: Path, to: Path) -> None:
    if item.is_dir():
        shutil.copytree(item, to)
    else:
        shutil.copy2(item, to)


def _named_from(folder: Path, path: Path) -> str:
    """Name a place from the data folder when it lies in it, so that both can be moved."""
    return (path.relative_to(folder) if path.is_relative_to(folder) else path).as_posix()


class _News:
    """Tells of each clip whose state has changed since last told."""

    def __init__(self, record: Record, job: Job) -> None:
        self._record, self._job = record, job
        self._told: dict[str, tuple[str, str | None]] = {}

    def tell(self) -> None:
        for state in queue.states_in(self._record, self._job.root):
            if self._told.get(state.file) != (state.state, state.reason):
                self._told[state.file] = (state.state, state.reason)
                self._job.say(state)
