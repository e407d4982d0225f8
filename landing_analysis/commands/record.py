"""The commands that take the record out, bring it in, and bring a backup back."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Literal

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


@click.group()
def record() -> None:
    """Export, import and restore the record of all visits, and hand it to other programs."""


@record.command()
@click.argument("target", metavar="DIR", type=click.Path(path_type=Path))
@data_option
@click.pass_obj
@in_one_sentence
def export(start: Start, target: Path, data: Path | None) -> None:
    """Write everything in the record to the new folder DIR, as JSON and as CSV tables.

    Reports and clips are files of their own and not part of it, nor are the names of files.
    """
    from landing_analysis.record.exchange import export_record

    with opened_record(data) as opened:
        rows = export_record(opened, target, start)
    click.echo(f"Wrote {counted(rows, 'row')} to {click.format_filename(target)}")


@record.command("import")
@click.argument("source", metavar="PATH", type=click.Path(path_type=Path))
@data_option
@reports_option
@click.pass_obj
@in_one_sentence
def import_(start: Start, source: Path, data: Path | None, reports: Path | None) -> None:
    """Bring an export back into an empty data folder.

    PATH is the folder that export made, its record.json, or its folder of CSV tables. All
    of it comes in or nothing: each value is held against the rules of the record first.
    """
    from landing_analysis.record.exchange import import_record

    with opened_record(data, reports) as opened:
        rows = import_record(opened, source, start)
    click.echo(f"Read {counted(rows, 'row')} from {click.format_filename(source)}")


@record.command()
@data_option
@in_one_sentence
def restore(data: Path | None) -> None:
    """Put the newest whole backup in the place of a damaged record.

    The record that was there is kept beside it under another name.
    """
    from landing_analysis.errors import RecordError
    from landing_analysis.folder.queue import anybody_at_work
    from landing_analysis.record.backups import made_at
    from landing_analysis.record.backups import restore as bring_back
    from landing_analysis.record.place import data_folder

    folder = data_folder(data)
    if anybody_at_work(folder):
        raise RecordError("A watch or batch is running on this data folder; stop it first.")
    backup, kept = bring_back(folder)
    click.echo(f"The record is again as it was on {made_at(backup)}.")
    if kept:
        click.echo(f"The file that was there is now {click.format_filename(kept)}")


@record.command(short_help="Write tidy tables for statistics, with a data dictionary.")
@click.argument("target", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--format",
    "form",
    type=click.Choice(("csv", "parquet")),
    default="csv",
    show_default=True,
    help="Of the tables; the dictionary is CSV and Markdown either way.",
)
@click.option(
    "--all-analyses",
    is_flag=True,
    help="Every analysis ever made of a clip, and not the newest only.",
)
@data_option
@click.pass_obj
@in_one_sentence
def tables(
    start: Start,
    target: Path,
    form: Literal["csv", "parquet"],
    all_analyses: bool,
    data: Path | None,
) -> None:
    """Write all visits, reps and values to the folder DIR as tidy tables.

    Long tables have one value a row; reps_wide has one rep and limb a row with each measure
    in a column. dictionary.md describes every column. Patients are codes, clips are
    fingerprints: no file name is in them, but dates are. A folder that was written this
    way before is replaced.
    """
    from landing_analysis.export.writing import write_tables

    with opened_record(data) as opened:
        rows = write_tables(opened, target, form, all_analyses=all_analyses, start=start)
    click.echo(f"Wrote {counted(rows, 'row')} to {click.format_filename(target)}")


@record.command(short_help="Write one visit as an HL7 FHIR R4 Bundle.")
@click.argument("code")
@click.argument("day", metavar="[DATE]", required=False, type=DAY)
@click.option(
    "--out",
    "target",
    metavar="FILE",
    required=True,
    type=click.Path(path_type=Path),
    help="JSON file to write; an earlier one is replaced.",
)
@click.option(
    "--code-system",
    metavar="URI",
    help="Your clinic's identifier system for patient codes. Codes are unique in one clinic "
    "only: name it before Bundles of several clinics meet.",
)
@data_option
@in_one_sentence
def fhir(
    code: str, day: datetime | None, target: Path, code_system: str | None, data: Path | None
) -> None:
    """Write the visit of patient CODE on DATE (YYYY-MM-DD), or the last one, as FHIR R4.

    The Bundle holds an Observation per set, limb and measure: the mean of the used reps
    with its uncertainty, or why it is not measurable. All are preliminary, since nobody has
    reviewed them. The patient is a code, without a name or a date of birth.
    """
    from landing_analysis.export.bundle import PATIENT_CODE
    from landing_analysis.export.writing import write_bundle

    with opened_record(data) as opened:
        made = write_bundle(
            opened, code, target, day.date() if day else None, code_system or PATIENT_CODE
        )
    click.echo(
        f"Wrote the visit of {made.day} with {counted(made.resources, 'resource')} to "
        f"{click.format_filename(target)}"
    )
    if made.excluded:
        click.echo(f"Left out: {counted(made.excluded, 'clip')} excluded by hand.")
    if made.without_values:
        left_out = counted(made.without_values, "clip")
        click.echo(f"Left out: {left_out} without values; see: landing-analysis clips")


@record.command(short_help="Print the JSON Schema of analysis.json.")
@click.option(
    "--out",
    "target",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="File to write instead of the screen.",
)
@in_one_sentence
def schema(target: Path | None) -> None:
    """Print the JSON Schema of analysis.json, which describes each of its keys."""
    from importlib.resources import files

    from landing_analysis.files import write_text

    text = files("landing_analysis").joinpath("data/analysis.schema.json").read_text("utf-8")
    if target is None:
        click.echo(text.rstrip("\n"))
    else:
        write_text(target, text)
        click.echo(f"Wrote {click.format_filename(target)}")
