"""The commands that write pages on a visit, a week and change, and the demonstration."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import click

from landing_analysis.commands.shared import (
    DAY,
    Start,
    counted,
    data_option,
    in_one_sentence,
    opened_record,
    reports_option,
)


@click.command()
@click.argument("code")
@click.argument("day", metavar="[DATE]", required=False, type=DAY)
@data_option
@reports_option
@click.pass_obj
@in_one_sentence
def visit(
    start: Start, code: str, day: datetime | None, data: Path | None, reports: Path | None
) -> None:
    """Write the page on the visit of patient CODE on DATE (YYYY-MM-DD), or on the last one.

    It puts the day's clips side by side and, for each exercise, the surgical against the
    non-surgical limb, front and side views joined.
    """
    from landing_analysis.pages.writing import write_visit

    with opened_record(data, reports) as record:
        page = write_visit(record, code, day.date() if day else None, start)
    click.echo(click.format_filename(page))


@click.command()
@click.argument("day", metavar="[DATE]", required=False, type=DAY)
@data_option
@reports_option
@click.pass_obj
@in_one_sentence
def week(start: Start, day: datetime | None, data: Path | None, reports: Path | None) -> None:
    """Write the page on the week of DATE (YYYY-MM-DD), or on this week.

    It lists the patients who need a look first, with the reason: pain or swelling
    noted, a new finding, limbs that grew apart, clips too poor to read; then the rest. It
    diagnoses and clears nobody. The pages on the week's visits and on their patients' change
    are written as well.
    """
    from landing_analysis.pages.writing import write_week

    with opened_record(data, reports) as record:
        page = write_week(record, day.date() if day else date.today(), start)
    click.echo(click.format_filename(page))


@click.command()
@click.argument("code")
@data_option
@click.pass_obj
@in_one_sentence
def compare(start: Start, code: str, data: Path | None) -> None:
    """Write the page on the change of patient CODE across all visits.

    A change is called real only beyond the minimal detectable change at 95 %, and only
    between visits that were filmed and analysed alike; over four visits and more also where
    the line through them surely rises or falls. compare.json beside it has the lines as
    numbers.
    """
    from landing_analysis.pages.writing import write_compare

    with opened_record(data) as record:
        page = write_compare(record, code, start)
    click.echo(click.format_filename(page))


@click.command()
@click.argument("code")
@click.argument("day", metavar="[DATE]", required=False, type=DAY)
@data_option
@reports_option
@in_one_sentence
def progress(code: str, day: datetime | None, data: Path | None, reports: Path | None) -> None:
    """Write the ladder of patient CODE up to DATE (YYYY-MM-DD), or to the last visit.

    It shows each exercise with the best and the latest reading of its leading measure, and
    your own ticks (landing-analysis session tick). The second page is half a sheet for the
    patient: a typical and a worst landing of theirs, what went well and what to work on, in
    your words (session edit --went-well, --work-on), or lines to fill in by hand.
    """
    from landing_analysis.pages.writing import write_progress

    with opened_record(data, reports) as record:
        pages = write_progress(record, code, day.date() if day else None)
    for page in pages:
        click.echo(click.format_filename(page))


@click.command()
@click.argument("target", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--sample-clips",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of the sample clips, which are really analysed; otherwise the one beside the "
    "program's source, when it is there.",
)
@click.option(
    "--last-day",
    type=DAY,
    metavar="YYYY-MM-DD",
    help="Last day of the twelve weeks; today unless given.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Draws other numbers.")
@click.pass_obj
@in_one_sentence
def demo(
    start: Start, target: Path, sample_clips: Path | None, last_day: datetime | None, seed: int
) -> None:
    """Make the data folder DIR with six invented patients over twelve weeks, and all pages.

    The numbers are drawn from seeded distributions and marked as invented on every page
    and in the record. Where the sample clips are there, two visits hold really analysed
    clips of rendered people.
    """
    from landing_analysis.demo.clinic import make_clinic

    made = make_clinic(
        target, last_day.date() if last_day else date.today(), seed, sample_clips, start
    )
    click.echo(
        f"Invented {counted(made.patients, 'patient')} with {counted(made.sets, 'set')}; "
        f"really analysed {counted(made.clips, 'sample clip')}."
    )
    if made.clips == 0:
        click.echo(
            "No sample clips were found, so all numbers are invented; the clips are in the folder "
            "sample_clips of the source, which --sample-clips can name."
        )
    click.echo(f"More: landing-analysis compare DEMO1 --data {click.format_filename(target)}")
    click.echo(click.format_filename(made.page))
