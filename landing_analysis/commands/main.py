"""The command line: finds the command, and ends on Ctrl-C or wrong use in one sentence."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any, cast

import click

from landing_analysis import __version__
from landing_analysis.commands.bar import start_bar

_WIDTH = 96
_INTERRUPTED, _ENDED = 130, 143

_COMMANDS = {
    "analyse": ("analyse", "Analyse clips and write a report for each."),
    "open": ("window", "Open the clinic's window in the browser."),
    "watch": ("folder", "Watch a drop folder and analyse each clip that arrives."),
    "batch": ("folder", "Work through a drop folder once, without waiting."),
    "clips": ("folder", "Tell the state of every clip."),
    "clip": ("corrections", "Set a clip right, leave it out of averages, take it in again."),
    "rep": ("corrections", "Leave a rep out of a set's values, take it in again."),
    "patient": ("patients", "Add, edit, list and remove patients, who are known by codes."),
    "session": ("sessions", "Enter and show a visit's plan, and how the patient was."),
    "record": ("record", "Export, import and restore the record; tables and FHIR for others."),
    "visit": ("pages", "Write the page on one visit: limb against limb."),
    "week": ("pages", "Write the page on a week: whom to look at first."),
    "compare": ("pages", "Write the page on a patient's change across visits."),
    "progress": ("pages", "Write a patient's progress on one sheet, and half a page for them."),
    "demo": ("pages", "Make a clinic of invented patients, to see the pages without one."),
}
"""Each command's module, which is loaded only when the command is asked for, and what it does."""


class _Commands(click.Group):
    """Ends on Ctrl-C, or when the system asks for it, with one line and the usual exit code."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module, _ = _COMMANDS[cmd_name]
        return cast(
            click.Command, getattr(import_module(f"landing_analysis.commands.{module}"), cmd_name)
        )

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, what) for name, (_, what) in _COMMANDS.items()])

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
    cls=_Commands,
    context_settings={
        "help_option_names": ["-h", "--help"],
        "max_content_width": _WIDTH,
        "obj": start_bar,
    },
)
@click.version_option(__version__, prog_name="landing-analysis")
def main() -> None:
    """Measure the landings of jumps, hops, bounds and steps in clips from a phone.

    Measures 2D angles and times, each with its uncertainty, to help a clinician to
    document training after knee-ligament reconstruction. It does not diagnose, clear
    anyone for sport, predict injury or measure force. Nothing leaves this machine.

    \b
    Start with:
        landing-analysis analyse CLIP --out reports
        landing-analysis analyse --help
    """  # noqa: D301 - \b must be the character that click looks for
