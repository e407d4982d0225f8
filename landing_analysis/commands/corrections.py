"""The commands that set a clip or a rep right, leave it out, and take it in again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from landing_analysis.commands.shared import (
    DAY,
    Start,
    data_option,
    in_one_sentence,
    opened_record,
    overruling_options,
    reports_option,
    table,
)
from landing_analysis.tables import Corrected

if TYPE_CHECKING:
    from collections.abc import Iterator

    from landing_analysis.record.correcting import KnownClip, KnownRep, Wish
    from landing_analysis.record.database import Record
    from landing_analysis.tables import Correction

BY = "LANDING_ANALYSIS_BY"
"""The environment variable with the code of who sets things right."""

_SETTABLE: tuple[Corrected, ...] = ("patient", "date", "exercise", "view", "person", "slowed by")
_FAILED = 1


def _who_options(*, reason_needed: bool) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Add who and why, and where the record lies."""

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in (
            reports_option,
            data_option,
            click.option(
                "--by", metavar="CODE", envvar=BY,
                help=f"Code of who does it, such as T1, no name; otherwise what the environment "
                f"variable {BY} says, otherwise not given.",
            ),
            click.option(
                "--reason", metavar="TEXT", required=reason_needed,
                help="Why, in a few words and without names; reports and tables show it.",
            ),
        ):  # fmt: skip
            command = option(command)
        return command

    return add


@click.group()
def clip() -> None:
    """Set a clip right, leave it out of averages, take it in again.

    ID is what landing-analysis clips prints beside a clip. The values follow at once, from
    the landmarks that are stored with the report. Nothing is deleted: every change is kept
    with its reason, who made it and when, and earlier values stay in the record.

    The surgical side and the stature are the patient's: landing-analysis patient edit.
    """


@clip.command("set")
@click.argument("name", metavar="ID")
@click.option("--patient", metavar="CODE", help="Whose clip it is; a patient in the record.")
@click.option(
    "--day", type=DAY, metavar="YYYY-MM-DD",
    help="Day of the visit.",
)  # fmt: skip
@overruling_options
@click.option(
    "--as-found", "found", multiple=True,
    type=click.Choice([what.replace(" ", "-") for what in _SETTABLE]),
    help="Take back what was set: go by the drop folder, the file and the pictures again. May "
    "be given several times.",
)  # fmt: skip
@_who_options(reason_needed=False)
@click.pass_obj
@in_one_sentence
def set_(
    start: Start,
    /,
    name: str,
    by: str | None,
    reason: str | None,
    data: Path | None,
    reports: Path | None,
    found: tuple[str, ...],
    **given: Any,
) -> None:
    """Set what is not so about the clip ID.

    It overrules what the program finds out by itself, now and whenever the clip is analysed
    again, also by a later version.
    """
    wishes = _wishes(found, **given)
    if not wishes:
        raise click.UsageError("Name what is to be set, for instance --view front.")
    with _corrected(start, name, data, reports) as (record, known, say):
        say(_entered(record, known, wishes, by, reason))


@clip.command()
@click.argument("name", metavar="ID")
@_who_options(reason_needed=True)
@click.pass_obj
@in_one_sentence
def exclude(start: Start, /, name: str, **how: Any) -> None:
    """Leave the clip ID out of all averages, comparisons and pages' numbers.

    The clip, its report and its values stay; pages and tables say that it is excluded and
    why.
    """
    _set_use(start, name, excluded=True, **how)


@clip.command()
@click.argument("name", metavar="ID")
@_who_options(reason_needed=False)
@click.pass_obj
@in_one_sentence
def include(start: Start, /, name: str, **how: Any) -> None:
    """Take the clip ID in again that was excluded."""
    _set_use(start, name, excluded=False, **how)


@clip.command()
@click.argument("name", metavar="ID")
@data_option
@reports_option
@click.pass_obj
@in_one_sentence
def again(start: Start, name: str, data: Path | None, reports: Path | None) -> None:
    """Analyse the clip ID again from its stored landmarks, after a correction that was stopped."""
    from landing_analysis.folder.queue import let_wait

    with _corrected(start, name, data, reports) as (record, known, say):
        let_wait(record, known.id)
        say(())


@clip.command()
@click.argument("name", metavar="ID")
@data_option
@reports_option
@in_one_sentence
def show(name: str, data: Path | None, reports: Path | None) -> None:
    """Show the clip ID: its reps, and everything that was set right about it."""
    from landing_analysis.record.correcting import find_clip

    with opened_record(data, reports) as record:
        known = find_clip(record, name)
    click.echo(_title(known))
    if known.reps:
        click.echo()
        for line in table([("rep", "lands at", "used"), *map(_rep_cells, known.reps)]):
            click.echo(line)
    click.echo()
    if not known.history:
        click.echo("Nothing was set by hand.")
        return
    in_force = known.in_force
    rows = [(*_cells(one), "in force" if one in in_force else "") for one in known.history]
    for line in table([("when", "by", "what", "was", "is", "reason", ""), *rows]):
        click.echo(line)


@click.group()
def rep() -> None:
    """Leave a rep out of a set's values, take it in again.

    ID is what landing-analysis clips prints beside the clip, NUMBER the rep's number in its
    report. A rep is remembered by when it lands as well, so that it is found again when a
    later version counts otherwise.
    """


@rep.command("exclude")
@click.argument("name", metavar="ID")
@click.argument("number", type=click.IntRange(min=1))
@_who_options(reason_needed=True)
@click.pass_obj
@in_one_sentence
def exclude_rep(start: Start, /, name: str, number: int, **how: Any) -> None:
    """Leave rep NUMBER of the clip ID out of the set's means, comparisons and findings."""
    _set_use(start, name, number, excluded=True, **how)


@rep.command("include")
@click.argument("name", metavar="ID")
@click.argument("number", type=click.IntRange(min=1))
@_who_options(reason_needed=False)
@click.pass_obj
@in_one_sentence
def include_rep(start: Start, /, name: str, number: int, **how: Any) -> None:
    """Take rep NUMBER of the clip ID in again that was excluded."""
    _set_use(start, name, number, excluded=False, **how)


# --- what is done ------------------------------------------------------------------------------


def _wishes(
    found: Sequence[str],
    *,
    patient: str | None,
    day: datetime | None,
    exercise: str | None,
    view: str | None,
    person: int | None,
    slowed_by: float | None,
) -> list[Wish]:
    from landing_analysis.record.correcting import Wish

    words: dict[Corrected, str | None] = {
        "patient": patient,
        "date": day.date().isoformat() if day else None,
        "exercise": exercise.replace("-", "_") if exercise else None,
        "view": view.replace("-", "_") if view else None,
        "person": str(person) if person else None,
        "slowed by": f"{slowed_by:.6g}" if slowed_by else None,
    }
    taken_back = [what for what in _SETTABLE if what.replace(" ", "-") in found]
    both = [what for what in taken_back if words[what] is not None]
    if both:
        raise click.UsageError(f"{both[0]} cannot be set and taken back at once.")
    wishes = [Wish(what, word) for what, word in words.items() if word is not None]
    return [*wishes, *(Wish(what, None) for what in taken_back)]


def _set_use(
    start: Start,
    name: str,
    number: int | None = None,
    *,
    excluded: bool,
    by: str | None,
    reason: str | None,
    data: Path | None,
    reports: Path | None,
) -> None:
    """Leave a clip out, or one rep of it by its number, or take it in again."""
    from landing_analysis.corrections import EXCLUDED
    from landing_analysis.record.correcting import Wish, wish_about_rep

    with _corrected(start, name, data, reports) as (record, known, say):
        wish = (
            Wish("clip", EXCLUDED if excluded else None)
            if number is None
            else wish_about_rep(known, number, excluded=excluded)
        )
        say(_entered(record, known, [wish], by, reason))


def _entered(
    record: Record, known: KnownClip, wishes: list[Wish], by: str | None, reason: str | None
) -> tuple[Correction, ...]:
    from landing_analysis.folder.again import require_something_left
    from landing_analysis.record.correcting import correct

    require_something_left(record, known, wishes)
    entered = correct(record, known, wishes, by, reason)
    if not entered:
        click.echo(f"{_title(known)}: it is so already; nothing was changed.")
    return entered


@contextmanager
def _corrected(
    start: Start, name: str, data: Path | None, reports: Path | None
) -> Iterator[tuple[Record, KnownClip, Callable[[tuple[Correction, ...]], None]]]:
    """Find a clip; what is entered about it is said, and the clip is then analysed again."""
    from landing_analysis.folder.queue import release_stale_claims
    from landing_analysis.record.correcting import find_clip

    with opened_record(data, reports) as record:
        release_stale_claims(record)
        known = find_clip(record, name)
        told: list[tuple[Correction, ...]] = []
        yield record, known, told.append
        now = find_clip(record, known.sha256)
        for one in told[0]:
            click.echo(f"{_title(known)}: {_in_words(one)}")
        try:
            _follow(record, now, start)
        finally:
            _rewrite_pages(record, {known.code, now.code}, {known.day, now.day}, start)


def _rewrite_pages(record: Record, codes: set[str], days: set[str], start: Start) -> None:
    """Let pages that were made before show what is so now."""
    from landing_analysis.pages.writing import rewrite_pages

    for code in sorted(codes):
        rewrite_pages(record, code, map(date.fromisoformat, days), start)


def _follow(record: Record, known: KnownClip, start: Start) -> None:
    """Let the values follow, and say where that left the clip."""
    from landing_analysis.analysing import REPORT
    from landing_analysis.folder.again import analyse_again, file_of, landmarks_of, nothing_left
    from landing_analysis.folder.queue import settle, state_of
    from landing_analysis.folder.watch import Job
    from landing_analysis.stages import Options

    state = state_of(record, known.id)
    if state.state == "done":
        return
    if nothing_left(record, known):
        settle(record, known.id)
        click.echo("Its file and its report are gone: nothing is left to analyse again.")
        return
    if landmarks_of(known) is None:
        click.echo("It counts when the clip is analysed, by the next watch or batch.")
        return
    without_file = file_of(record, known) is None
    if not analyse_again(record, known, Job(Path(), Options(), "", start=start)):
        click.echo("A watch or batch has it in hand and analyses it again afterwards.")
        return
    after = state_of(record, known.id)
    if after.state != "done":
        raise click.ClickException(
            f"The clip could not be analysed so, and its earlier values stand: {after.reason}"
        )
    if without_file:
        click.echo("Its file is gone, so stick figures stand in for pictures in its report.")
    report = after.report / REPORT if after.report else None
    click.echo(f"Analysed again: {click.format_filename(report)}" if report else "Analysed again.")


# --- what is said ------------------------------------------------------------------------------


def _title(known: KnownClip) -> str:
    return f"Clip {known.short_id}, {known.code}, visit {known.day}"


def _in_words(one: Correction) -> str:
    if one.what == "clip":
        return "excluded from averages" if one.new else "included again"
    if one.what == "rep":
        return f"rep {one.rep} {'excluded' if one.new else 'included again'}"
    return f"{one.what} {_word(one.old)} -> {_word(one.new)}"


def _word(word: str | None) -> str:
    return "as found" if word is None else word.replace("_", " ")


def _rep_cells(rep: KnownRep) -> tuple[str, str, str]:
    at = f"{rep.player_s:.2f} s" if rep.player_s is not None else "not known"
    return str(rep.number), at, "yes" if rep.used else f"no: {rep.reason}"


def _cells(one: Correction) -> tuple[str, ...]:
    at = datetime.fromisoformat(one.at).astimezone()
    what = one.what if one.rep is None else f"rep {one.rep}"
    was, now = (
        ("included" if word is None else word) if one.what in ("clip", "rep") else _word(word)
        for word in (one.old, one.new)
    )
    return (
        f"{at:%Y-%m-%d %H:%M}", one.by or "not given", what, was, now, one.reason or "not given",
    )  # fmt: skip
