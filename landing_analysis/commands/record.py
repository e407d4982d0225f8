"""The commands that take the record out, bring it in, and bring a backup back."""

from __future__ import annotations

from pathlib import Path

import click

from landing_analysis.commands.shared import (
    Start,
    counted,
    data_option,
    in_one_sentence,
    opened_record,
)


@click.group(short_help="Export, import and restore the record of all visits.")
def record() -> None:
    """Export, import and restore the record of all visits."""


@record.command()
@click.argument("target", metavar="DIR", type=click.Path(path_type=Path))
@data_option
@click.pass_obj
@in_one_sentence
def export(start: Start, target: Path, data: Path | None) -> None:
    """Write everything in the record to the new folder DIR, as JSON and as CSV tables.

    Reports and clips are files of their own and not part of it.
    """
    from landing_analysis.record.exchange import export_record

    with opened_record(data) as opened:
        rows = export_record(opened, target, start)
    click.echo(f"Wrote {counted(rows, 'row')} to {click.format_filename(target)}")


@record.command("import")
@click.argument("source", metavar="PATH", type=click.Path(path_type=Path))
@data_option
@click.pass_obj
@in_one_sentence
def import_(start: Start, source: Path, data: Path | None) -> None:
    """Bring an export back into an empty data folder.

    PATH is the folder that export made, its record.json, or its folder of CSV tables.
    """
    from landing_analysis.record.exchange import import_record

    with opened_record(data) as opened:
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
