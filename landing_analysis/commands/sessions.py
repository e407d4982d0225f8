"""The commands that enter and show a visit's plan and how the patient was, and ticks."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from landing_analysis.commands.corrections import BY
from landing_analysis.commands.shared import (
    DAY,
    Start,
    data_option,
    in_one_sentence,
    opened_record,
)
from landing_analysis.sessions.session import MOMENT_WORDS, MOMENTS, state_in

if TYPE_CHECKING:
    from landing_analysis.record.sessions import SavedSession

_by_option = click.option(
    "--by", metavar="CODE", envvar=BY,
    help=f"Code of who enters it, such as T1, no name; otherwise what the environment variable "
    f"{BY} says, otherwise not given.",
)  # fmt: skip
_day_option = click.option(
    "--day", type=DAY, metavar="YYYY-MM-DD",
    help="Day of the visit; today unless given.",
)  # fmt: skip
_STATE_HELP = (
    'How the patient was {when}: any of "pain 0-10 effusion 0|trace|1+|2+|3+ soreness {soreness} '
    'confidence 0-10 distress WORDS"; - takes a value back.'
)


def _content_options(command: Callable[..., Any]) -> Callable[..., Any]:
    from landing_analysis.sessions.session import SORENESS

    options = [
        click.option(
            "--exercise", "plan", multiple=True, metavar="LINE",
            help='One prescribed exercise, such as "jump 3x20 rest 60 load body", "lateral_bound '
            '2x30s rest 60", "sled_hop 3x20 load 2 red + 1 blue limb left" or "drop_jump 3x8 box '
            '30" (cm). May be given several times; all of them are the plan.',
        ),
        *(
            click.option(
                f"--{moment.replace('_', '-')}", moment, multiple=True, metavar="STATE",
                help=_STATE_HELP.format(
                    when=MOMENT_WORDS[moment], soreness="|".join(SORENESS[moment])
                ),
            )
            for moment in MOMENTS
        ),
        click.option("--modified", multiple=True, metavar="TEXT", help="What was modified, "
                     "and why. May be given several times."),
        click.option("--stopped", multiple=True, metavar="TEXT", help="What was stopped, and "
                     "why. May be given several times."),
        click.option("--note", metavar="TEXT", help="A free note, without names."),
        click.option("--went-well", metavar="TEXT", help="For the patient's own sheet: one thing "
                     "that went well, in your words."),
        click.option("--work-on", metavar="TEXT", help="For the patient's own sheet: one thing to "
                     "work on, in your words."),
    ]  # fmt: skip
    for option in reversed(options):
        command = option(command)
    return command


@click.group()
def session() -> None:
    """Enter and show what was prescribed at a visit, and how the patient was.

    \b
    Instead of typing, put a file session.toml beside the visit's clips in the patient's
    folder; watch and batch take it over:
        day = 2026-03-04
        by = "T1"
        plan = ["jump 3x20 rest 60 load body", "lateral_bound 2x30s rest 60"]
        note = "new shoes"
        [before]
        pain = 0
        effusion = "0"
        [after]
        pain = 1
        effusion = "trace"
        soreness = "none"
        confidence = 7

    Every version that was saved is kept, with who saved it and when.
    """  # noqa: D301 - \b must be the character that click looks for


@session.command()
@click.argument("code")
@_day_option
@_content_options
@_by_option
@data_option
@click.pass_obj
@in_one_sentence
def add(start: Start, /, code: str, day: datetime | None, by: str | None, data: Path | None,
        **given: Any) -> None:  # fmt: skip
    """Enter the session of the patient CODE on a day that has none yet."""
    _save(start, code, day, by, data, given, is_new=True)


@session.command()
@click.argument("code")
@_day_option
@_content_options
@_by_option
@data_option
@click.pass_obj
@in_one_sentence
def edit(start: Start, /, code: str, day: datetime | None, by: str | None, data: Path | None,
         **given: Any) -> None:  # fmt: skip
    """Change the session of the patient CODE on a day; what is not named stays.

    An empty text takes a note back. The version before stays in the record.
    """
    _save(start, code, day, by, data, given, is_new=False)


def _save(
    start: Start,
    code: str,
    day: datetime | None,
    by: str | None,
    data: Path | None,
    given: dict[str, Any],
    *,
    is_new: bool,
) -> None:
    from landing_analysis.errors import SessionError
    from landing_analysis.pages.writing import rewrite_pages
    from landing_analysis.record.outdated import mark_pages
    from landing_analysis.record.sessions import clips_waiting, enter_session, read_session
    from landing_analysis.sessions.session import Session, session_of

    plain = _plain(given)
    if not plain:
        raise click.UsageError('Name what is to be entered, for instance --after "pain 1".')
    if is_new and session_of(plain) == Session():
        raise SessionError("Nothing was entered: all that was given is empty.")
    on = day.date() if day else date.today()
    with opened_record(data) as record:
        known = read_session(record, code, on)
        words = f"{shlex.quote(code)} --day {on}{record.folder.where}"
        if known and is_new:
            raise SessionError(
                f"There is a session of {code} on {on} already; change it with: "
                f"landing-analysis session edit {words}"
            )
        if known is None and not is_new:
            raise SessionError(
                f"There is no session of {code} on {on} yet; enter it with: "
                f"landing-analysis session add {words}"
            )
        saved = enter_session(record, code, on, plain, by, seen=known.number if known else 0)
        rewrite_pages(record, code, [on], start)
        waiting = clips_waiting(record, code, on) if "plan" in plain else 0
        if waiting:
            mark_pages(record, code)
    if known and saved.number == known.number:
        click.echo("It is so already; nothing was changed.")
    _print(code, saved)
    if waiting:
        click.echo(
            f"{waiting} of the day's clips wait to be analysed by this plan: the next watch or "
            "batch does, and writes the pages anew."
        )


def _plain(given: dict[str, Any]) -> dict[str, Any]:
    """Return the plain form of what the options name, without what none of them does."""
    found: dict[str, Any] = {}
    for key, value in given.items():
        if value is None or value == ():
            continue
        if key in MOMENTS:
            found[key] = state_in(" ".join(value))
        else:
            found[key] = [v for v in value if v] if isinstance(value, tuple) else value
    return found


@session.command()
@click.argument("code")
@_day_option
@click.option("--history", is_flag=True, help="Every version, oldest first.")
@data_option
@in_one_sentence
def show(code: str, day: datetime | None, history: bool, data: Path | None) -> None:
    """Show the session of the patient CODE on a day, or the last one."""
    from landing_analysis.errors import SessionError
    from landing_analysis.record.patients import find_patient
    from landing_analysis.record.sessions import session_history

    with opened_record(data) as record:
        code = find_patient(record, code).code
        versions = session_history(record, code, day.date() if day else None)
    if not versions:
        on = f" on {day.date()}" if day else ""
        raise SessionError(f"There is no session of {code}{on} in the record.")
    last = max(version.day for version in versions)
    of_day = [version for version in versions if version.day == last]
    for version in of_day if history else of_day[-1:]:
        _print(code, version)


@session.command()
@click.argument("code")
@click.argument("exercise")
@_day_option
@click.option("--undo", is_flag=True, help="Take the tick back.")
@click.option("--note", metavar="TEXT", help="What it rests on, without names.")
@_by_option
@data_option
@click.pass_obj
@in_one_sentence
def tick(
    start: Start, /, code: str, exercise: str, day: datetime | None, undo: bool, note: str | None,
    by: str | None, data: Path | None,
) -> None:  # fmt: skip
    """Note that you let the patient CODE go on from an EXERCISE of the ladder.

    It is your own decision, shown on the progress sheet; the program never sets a tick.
    """
    from landing_analysis.pages.writing import rewrite_pages
    from landing_analysis.record.sessions import enter_tick

    on = day.date() if day else date.today()
    with opened_record(data) as record:
        entered = enter_tick(record, code, exercise, on, by, ticked=not undo, note=note)
        rewrite_pages(record, code, [on], start)
    done = "Took back the tick of" if undo else "Ticked"
    click.echo(f"{done} {entered.exercise} for {code} on {on}.")


def _print(code: str, saved: SavedSession) -> None:
    from landing_analysis.sessions.wording import session_lines

    who = f", entered by {saved.by}" if saved.by else ""
    click.echo(f"{code}, {saved.day} (version {saved.number} of {saved.at}{who})")
    for line in session_lines(saved.session):
        click.echo(f"  {line}")
