"""The command that opens the clinic's window."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from landing_analysis.commands.corrections import BY
from landing_analysis.commands.folder import analysis_options, watched_job
from landing_analysis.commands.shared import Start, in_one_sentence

_USUAL = "drop_folder"
"""The drop folder where none is named, in the data folder."""


@click.command(short_help="Open the clinic's window in the browser.")
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option("--by", metavar="CODE", envvar=BY, help="Code of who works here, such as T1.")
@click.option("--port", type=click.IntRange(1024, 65535), help="To listen at; any free one unless "
              "given.")  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@analysis_options
@click.pass_obj
@in_one_sentence
def open(  # noqa: A001 - the command's name
    start: Start,
    /,
    folder: Path | None,
    by: str | None,
    port: int | None,
    no_browser: bool,
    data: Path | None,
    reports: Path | None,
    **how: Any,
) -> None:
    """Watch FOLDER, analyse each clip that arrives, and show everything in the browser.

    Without FOLDER, the drop folder in the data folder is watched. The window answers this machine
    only; its first address is good once. Stop with Ctrl-C; nothing is lost.
    """
    from landing_analysis.record.place import data_folder, make_private_folder
    from landing_analysis.window.running import run

    place = data_folder(data, reports)
    if folder is None:
        make_private_folder(place.path)
        folder = place.path / _USUAL
        folder.mkdir(exist_ok=True)
    job = watched_job(folder, start, **how)
    run(place, job, click.echo, by=by, port=port or 0, browser=not no_browser)
