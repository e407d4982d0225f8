"""What the commands around the record have in common."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from landing_analysis.corrections import SLOWED_RANGE, Given
from landing_analysis.errors import LandingAnalysisError, RecordError
from landing_analysis.exercises import EXERCISES
from landing_analysis.library import PERSON_RANGE
from landing_analysis.progress import Progress
from landing_analysis.tables import VIEWS

if TYPE_CHECKING:
    from landing_analysis.record.database import Record

Command = TypeVar("Command", bound=Callable[..., Any])
Start = Callable[[str, int], Progress]
"""Gives the bar of a long step; the command line hands it to its commands as click's object."""

data_option = click.option(
    "--data",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    help="Data folder with the record; otherwise the one that the environment variable "
    "LANDING_ANALYSIS_DATA names, otherwise the usual place of this system.",
)
reports_option = click.option(
    "--reports",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    envvar="LANDING_ANALYSIS_REPORTS",
    help="Folder for the reports; otherwise the one that the environment variable "
    "LANDING_ANALYSIS_REPORTS names, otherwise a folder in the data folder.",
)


def overruling_options(command: Command) -> Command:
    """Add what overrules what the pictures show: of all clips, or of one that is set right."""
    for option in reversed((
        click.option(
            "--exercise", type=click.Choice([code.replace("_", "-") for code in EXERCISES]),
            help="Overrule which exercise was recognised.",
        ),
        click.option(
            "--view", type=click.Choice([view.replace("_", "-") for view in VIEWS]),
            help="Overrule from where the camera was seen to look.",
        ),
        click.option(
            "--person", type=click.IntRange(*PERSON_RANGE), metavar="N",
            help="Measure person N, counted from the one in view for most of the clip.",
        ),
        click.option(
            "--slowed-by", type=click.FloatRange(*SLOWED_RANGE), metavar="FACTOR",
            help="How many times slower than real time the clip plays (1: as filmed); settles it "
            "where the file and free fall disagree.",
        ),
    )):  # fmt: skip
        command = option(command)
    return command


def overruled(
    *, exercise: str | None, view: str | None, person: int | None, slowed_by: float | None
) -> Given:
    """Return what the options of `overruling_options` give, without what none gives."""
    found: Given = {}
    if exercise is not None:
        found["exercise"] = exercise.replace("-", "_")
    if view is not None:
        found["view"] = next(name for name in VIEWS if name == view.replace("-", "_"))
    if person is not None:
        found["person"] = person
    if slowed_by is not None:
        found["slowed_by"] = slowed_by
    return found


def in_one_sentence(command: Command) -> Command:
    """Let an error of ours end a command with its sentence and code 1."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> Any:
        try:
            return command(*args, **kwargs)
        except LandingAnalysisError as error:
            raise click.ClickException(str(error)) from error

    return run  # type: ignore[return-value]


@contextmanager
def opened_record(data: Path | None, reports: Path | None = None) -> Iterator[Record]:
    """Open the record that the options name; a row that cannot be read ends in its own sentence."""
    from landing_analysis.record.bad_rows import bad_row_in
    from landing_analysis.record.database import open_record
    from landing_analysis.record.place import data_folder

    with open_record(data_folder(data, reports)) as record:
        try:
            yield record
        except (LandingAnalysisError, click.ClickException, click.Abort, click.exceptions.Exit):
            raise
        except Exception as error:
            sentence = bad_row_in(record)
            if sentence is None:
                raise
            raise RecordError(sentence) from error


class _Day(click.DateTime):
    """A day, refused in the words of the other sentences."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"{value!r} is no date; write YYYY-MM-DD.", param, ctx)


DAY = _Day(["%Y-%m-%d"])


def table(rows: Iterable[tuple[str, ...]]) -> list[str]:
    """Return rows of cells as lines with aligned columns."""
    rows = list(rows)
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def counted(number: int, noun: str) -> str:
    """Return ``1 clip`` or ``2 clips``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
