"""The command that analyses clips and writes a report for each."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from landing_analysis.commands.shared import Start, overruling_options, table
from landing_analysis.errors import LandingAnalysisError
from landing_analysis.exercises import clip_words
from landing_analysis.findings.several import by_exercise
from landing_analysis.findings.tally import added, tally
from landing_analysis.library import (
    STATURE_CM_RANGE,
    TARGET_FLEXION_DEG_RANGE,
    WORKERS_RANGE,
    make_options,
)
from landing_analysis.tables import LIMBS

if TYPE_CHECKING:
    from landing_analysis.analysing import Outcome
    from landing_analysis.stages import Options
    from landing_analysis.tables import Analysis

_FAILED = 1


@click.command()
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
@click.pass_obj
def analyse(
    start: Start,
    /,
    paths: tuple[Path, ...],
    out_dir: Path,
    limits_file: Path | None,
    debug: bool,
    **given: Any,
) -> None:  # fmt: skip
    """Analyse clips and write a report for each.

    PATH is a clip of one set of jumps, hops, bounds or steps on the spot, a folder of such
    clips, or the landmarks.parquet of an earlier analysis, which needs no video and takes a
    second or two. Film from the front, the back or the side, whole body in the picture.

    \b
    For each clip, DIR/<day>_<exercise>_<view>_<code of the clip>/ holds
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
    for outcome in analyse_paths(paths, out_dir, options, start):
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


# --- what is said at the end -------------------------------------------------------------------

_HEADERS = (
    "clip",
    "view",
    "exercise",
    "reps",
    "contacts",
    "outside",
    "probably",
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
        kinds = "outside, probably outside, cannot tell, within or probably so, no value"
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
    from landing_analysis.report.header import doubt_words, no_reps_words
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
    counted = added(map(tally, by_exercise(analysis)))
    return (
        outcome.name,
        analysis.decided.view.replace("_", " "),
        _exercises(analysis),
        f"{used} of {len(reps)}" if used < len(reps) else str(len(reps)),
        str(len(analysis.contacts.contacts)),
        str(counted.outside),
        str(counted.probably_outside),
        str(counted.cannot_tell),
        str(counted.probably_within + counted.within),
        str(counted.not_measurable),
        click.format_filename(outcome.report) if outcome.report else "",
    )


def _exercises(analysis: Analysis) -> str:
    """Name what a clip holds, and on which limb."""
    decided = analysis.decided.exercise
    if decided is None:
        return "jumps or hops" if analysis.reps.reps else "–"
    of_bouts = (bout.exercise for bout in analysis.reps.bouts)
    return clip_words(decided, analysis.decided.limb, of_bouts)
