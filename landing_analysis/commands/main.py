"""The command line: parses, calls, prints, sets the exit code."""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from landing_analysis import __version__
from landing_analysis.commands.corrections import clip, rep
from landing_analysis.commands.folder import batch, clips, watch
from landing_analysis.commands.pages import compare, demo, visit, week
from landing_analysis.commands.patients import patient
from landing_analysis.commands.record import record
from landing_analysis.commands.shared import overruling_options, table
from landing_analysis.errors import LandingAnalysisError
from landing_analysis.findings.tally import tally
from landing_analysis.library import (
    STATURE_CM_RANGE,
    TARGET_FLEXION_DEG_RANGE,
    WORKERS_RANGE,
    make_options,
)
from landing_analysis.progress import NO_PROGRESS, Progress
from landing_analysis.tables import LIMBS

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

    from landing_analysis.analysing import Outcome
    from landing_analysis.stages import Options
    from landing_analysis.tables import Analysis

_WIDTH = 96
_LABEL = 36  # so that a line fits into 80 columns
_HEAD = 14  # of a longer label, with "123 of 500"; the rest is its end
_FAILED, _WRONG_USE, _INTERRUPTED, _ENDED = 1, 2, 130, 143


class _OneSentenceGroup(click.Group):
    """Ends on Ctrl-C, or when the system asks for it, with one line and the usual exit code."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        asked: list[int] = []
        try:
            with _interrupted_by(signal.SIGTERM, asked):
                sys.exit(super().main(*args, **{**kwargs, "standalone_mode": False}))
        except (click.Abort, KeyboardInterrupt):
            click.echo(
                "Stopped. Nothing is half-written; earlier reports are as they were. "
                "Started again, an analysis goes on from there.",
                err=True,
            )
            sys.exit(_ENDED if asked else _INTERRUPTED)
        except click.ClickException as error:
            error.show()
            sys.exit(error.exit_code)


@contextmanager
def _interrupted_by(number: int, asked: list[int]) -> Iterator[None]:
    """Let a signal end the work as Ctrl-C does, and note it in ``asked``."""

    def interrupt(*_: object) -> None:
        asked.append(number)
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(number, interrupt)
    try:
        yield
    finally:
        signal.signal(number, before)


@click.group(
    cls=_OneSentenceGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": _WIDTH},
)
@click.version_option(__version__, prog_name="landing-analysis")
def main() -> None:
    """Measure jump and hop landings in clips from a phone, rep by rep.

    Measures 2D angles and times, each with its uncertainty, to help a clinician to
    document training after knee-ligament reconstruction. It does not diagnose, clear
    anyone for sport, predict injury or measure force. Nothing leaves this machine.

    \b
    Start with:
        landing-analysis analyse CLIP --out reports
        landing-analysis analyse --help
    """  # noqa: D301 - \b must be the character that click looks for


@main.command(short_help="Analyse clips and write a report for each.")
@click.argument(
    "paths", metavar="PATH...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "--out",
    "out_dir",
    metavar="DIR",
    required=True,
    type=click.Path(path_type=Path),
    help="Folder for the reports; made when missing. Each clip gets a folder of its own in it.",
)
@click.option(
    "--surgical-side",
    type=click.Choice(LIMBS),
    help="The operated limb; findings then say surgical or non-surgical.",
)
@click.option(
    "--stature-cm",
    type=click.FloatRange(*STATURE_CM_RANGE),
    metavar="CM",
    help="Body height of the patient; makes the scale of the picture less uncertain.",
)
@click.option(
    "--target-flexion-deg",
    type=click.FloatRange(*TARGET_FLEXION_DEG_RANGE),
    metavar="DEG",
    default=60.0,
    show_default=True,
    help="Peak knee flexion that is being taught.",
)
@click.option(
    "--limits",
    "limits_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Your own limits (TOML); they replace the built-in ones of the same finding and measure.",
)
@overruling_options
@click.option(
    "--model",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Another pose model bundle than the one in the package.",
)
@click.option(
    "--keep-faces", is_flag=True, help="Leave faces as they are instead of blurring them."
)
@click.option("--no-annotated-clip", is_flag=True, help="Skip annotated.mp4, which saves time.")
@click.option(
    "--workers",
    type=click.IntRange(*WORKERS_RANGE),
    metavar="N",
    help="Processes that look for the body; one per processor core unless given.",
)
@click.option("--debug", is_flag=True, help="Show where an unforeseen error came from.")
def analyse(
    paths: tuple[Path, ...],
    out_dir: Path,
    limits_file: Path | None,
    debug: bool,
    **given: Any,
) -> None:  # fmt: skip
    """Analyse clips and write a report for each.

    PATH is a clip of one set of two-leg jumps or one-leg hops, a folder of such clips,
    or the landmarks.parquet of an earlier analysis, which needs no video and takes a
    second or two. Film from the front, the back or the side, whole body in the picture.

    \b
    For each clip, DIR/<day>_<task>_<view>_<code of the clip>/ holds
        report.html        one page for the screen or A4 paper; open this
        reps.csv           one row per rep and limb, units in the headers
        annotated.mp4      the clip with legs, contacts and angles, faces blurred
        analysis.json      everything, with uncertainties, frames and provenance
        landmarks.parquet  the points that were found; a second analysis starts here
    With several reports in DIR, index.html links them. The name of the clip's file
    stands in none of these, nor in the folder's name; the terminal tells which is which.

    \b
    Examples:
        landing-analysis analyse P07_jumps.mp4 --out reports --surgical-side left
        landing-analysis analyse clips/ --out reports --stature-cm 172
        landing-analysis analyse reports/2026-03-04_jumps_front_3fa9c1d2e4b5/landmarks.parquet \\
            --out reports --target-flexion-deg 70

    \b
    Exit codes:
        0  all clips were analysed, also those without a single rep
        1  some clip could not be analysed; one sentence says why
        2  wrong use: an option, the limits file or the output folder
        130  stopped by Ctrl-C; nothing is half-written, the same command goes on
    """  # noqa: D301 - as above
    from landing_analysis.analysing import analyse_paths, prepare_out_dir

    try:
        options = _options(limits_file, **given)
        prepare_out_dir(out_dir)
    except LandingAnalysisError as error:
        raise click.UsageError(str(error)) from error
    run = _Run()
    for outcome in analyse_paths(paths, out_dir, options, _start):
        if outcome.unexpected is not None and debug:
            raise outcome.unexpected
        if outcome.error is not None:
            click.echo(f"Not analysed: {outcome.error}", err=True)
        if outcome.copy_of is not None:
            click.echo(f"{outcome.name} is a copy of {outcome.copy_of}; left out.", err=True)
        if outcome.of > 1 and outcome.report is not None:
            click.echo(f"{outcome.number} of {outcome.of} done: {outcome.name}")
        run.note(outcome)
    _close(run, out_dir)


def _options(
    limits_file: Path | None,
    *,
    keep_faces: bool,
    no_annotated_clip: bool,
    **given: Any,
) -> Options:
    options = make_options(limits=limits_file, **given)
    return replace(options, keep_faces=keep_faces, annotated_clip=not no_annotated_clip)


# --- what is shown while it works --------------------------------------------------------------


class _Bar:
    """A bar on the terminal with steps per second and the time left."""

    def __init__(self, label: str, steps: int) -> None:
        self._started_s = time.monotonic()
        self._done = 0
        self._bar: ProgressBar[int] = click.progressbar(
            length=steps,
            label=label
            if len(label) <= _LABEL
            else f"{label[:_HEAD]}…{label[_HEAD - _LABEL + 1 :]}",
            width=0,  # of the bar: what the terminal leaves
            show_eta=True,
            show_pos=True,
            item_show_func=lambda _: self._rate(),
            file=sys.stderr,
        )
        self._bar.__enter__()

    def advance(self, n: int) -> None:
        """Count ``n`` more steps as done."""
        self._done += n
        self._bar.update(n)

    def close(self) -> None:
        """Leave the finished bar on the screen."""
        self._bar.__exit__(None, None, None)

    def _rate(self) -> str:
        passed_s = time.monotonic() - self._started_s
        return f"{self._done / passed_s:.0f}/s" if passed_s > 0 else ""


def _start(label: str, steps: int) -> Progress:
    """Start a bar, or nothing when nobody is looking."""
    return _Bar(label, steps) if sys.stderr.isatty() else NO_PROGRESS


# --- what is said at the end -------------------------------------------------------------------

_HEADERS = (
    "clip",
    "view",
    "task",
    "reps",
    "contacts",
    "outside",
    "cannot tell",
    "within",
    "no value",
    "report",
)


@dataclass
class _Run:
    """What is left to say of the clips of a run; their analyses are let go one by one."""

    clips: int = 0
    failed: int = 0
    rows: list[tuple[str, ...]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    reports: list[Path] = field(default_factory=list)

    def note(self, outcome: Outcome) -> None:
        """Take from an outcome what is said at the end."""
        self.clips += 1
        self.failed += outcome.error is not None
        if outcome.report is not None:
            self.reports.append(outcome.report)
            self.rows.append(_row(outcome))
            for words in _remarks(outcome.analysis):
                self.remarks.append(f"{outcome.name}: {words[0].lower() + words[1:]}")


def _close(run: _Run, out_dir: Path) -> None:
    if run.rows:
        click.echo()
        for line in table([_HEADERS, *run.rows]):
            click.echo(line)
        kinds = "outside, cannot tell, within, no value"
        click.echo(f"({kinds}: findings of the set against the limits)")
        for line in run.remarks:
            click.echo(line)
    if run.failed:
        click.echo(f"{run.failed} of {run.clips} could not be analysed.", err=True)
    if run.reports:
        click.echo(f"\n{_page_to_open(run.reports, out_dir)}")
    if run.failed:
        raise click.exceptions.Exit(_FAILED)


def _remarks(analysis: Analysis | None) -> list[str]:
    """Return what must not be overlooked: no reps, no times, pictures that are lost."""
    from landing_analysis.report.parts import doubt_words, no_reps_words
    from landing_analysis.wording import note_words

    if analysis is None:
        return []
    remarks = [] if analysis.reps.reps else [no_reps_words(analysis)]
    remarks += [note_words(note) for note in analysis.notes if note.check == "damage"]
    doubt = doubt_words(analysis)
    return remarks if doubt is None else [*remarks, doubt]


def _page_to_open(reports: list[Path], out_dir: Path) -> str:
    from landing_analysis.analysing import INDEX
    from landing_analysis.files import write_text
    from landing_analysis.report.index import index_html

    index = index_html(out_dir)
    if index is not None:
        write_text(out_dir / INDEX, index)
    return click.format_filename(reports[0] if len(reports) == 1 else out_dir / INDEX)


def _row(outcome: Outcome) -> tuple[str, ...]:
    analysis = outcome.analysis
    if analysis is None:
        return (outcome.name,)
    reps = analysis.reps.reps
    used = sum(rep.used for rep in reps)
    counted = tally(analysis)
    decided = analysis.decided.task
    task = f"{decided}s" if decided else "jumps or hops" if reps else "–"
    if analysis.decided.limb:
        task += f", {analysis.decided.limb}"
    return (
        outcome.name,
        analysis.decided.view.replace("_", " "),
        task,
        f"{used} of {len(reps)}" if used < len(reps) else str(len(reps)),
        str(len(analysis.contacts.contacts)),
        str(counted.outside),
        str(counted.cannot_tell),
        str(counted.within),
        str(counted.not_measurable),
        click.format_filename(outcome.report) if outcome.report else "",
    )


# --- the commands around the record ------------------------------------------------------------

for _command in (watch, batch, clips, clip, rep, patient, record, visit, week, compare, demo):
    main.add_command(_command)
main.context_settings["obj"] = _start
