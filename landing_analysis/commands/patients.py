"""The commands that add, change, list and remove patients."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from landing_analysis.commands.shared import (
    DAY,
    counted,
    data_option,
    in_one_sentence,
    opened_record,
    reports_option,
    table,
)
from landing_analysis.tables import LIMBS

if TYPE_CHECKING:
    from landing_analysis.patients import Patient
    from landing_analysis.record.removal import Holdings

_HEADERS = ("patient", "surgical side", "date of surgery", "stature", "visits", "clips")


def _facts_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option("--stature-cm", type=float, metavar="CM", help="Body height."),
        click.option(
            "--surgery-date",
            type=DAY,
            metavar="YYYY-MM-DD",
            help="Day of the operation; weeks since surgery are counted from it.",
        ),
        click.option(
            "--surgical", "--surgical-side", "surgical_side", type=click.Choice(LIMBS),
            help="The operated limb.",
        ),
        click.option(
            "--accept-date",
            is_flag=True,
            help="Take a date of surgery even though it lies in the future or long ago.",
        ),
    ):  # fmt: skip
        command = option(command)
    return command


@click.group()
def patient() -> None:
    """Add, edit, list and remove patients.

    A patient is known by a code that tells nothing, such as P07. A clip belongs to the
    patient whose code names the sub-folder it lies in or starts its file name.

    \b
    Clips of a code that nobody has added wait. Instead of typing what is known of a
    patient, put a file patient.toml into the patient's sub-folder:
        surgical_side = "left"
        surgery_date = 2026-03-01
        stature_cm = 172
    """  # noqa: D301 - \b must be the character that click looks for


@patient.command()
@click.argument("code")
@_facts_options
@click.option(
    "--accept-code",
    is_flag=True,
    help="Take the code even though it looks like a name, a record number or another code.",
)
@data_option
@in_one_sentence
def add(code: str, accept_code: bool, accept_date: bool, data: Path | None, **facts: Any) -> None:
    """Add a patient known by CODE; clips that wait for that code go on by themselves."""
    from landing_analysis.errors import PatientError
    from landing_analysis.patients import Patient, close_codes, require_neutral_code, same_code
    from landing_analysis.record.patients import add_patient, list_patients

    new = _with_facts(Patient(code), **facts)
    if not accept_code:
        try:
            require_neutral_code(code)
        except PatientError as error:
            raise PatientError(f"{error} To take it all the same, add --accept-code.") from error
    with opened_record(data) as record:
        known = [patient.code for patient in list_patients(record)]
        near = close_codes(code, known)
        if near and not accept_code and not any(same_code(code, other) for other in known):
            _make_sure(f"The code {code} may be a slip for {' or '.join(near)}.", "--accept-code")
        if not accept_date:
            _make_sure_of_date(new)
        add_patient(record, new)
    click.echo(f"Added {_in_words(new)}.")


@patient.command()
@click.argument("code")
@_facts_options
@data_option
@in_one_sentence
def edit(code: str, accept_date: bool, data: Path | None, **facts: Any) -> None:
    """Change what is known of the patient CODE; what is not named stays.

    Reports and pages made before are marked as out of date, and say so when they are opened.
    To make reports anew, run batch or watch with --renew; pages, visit, compare or week.
    """
    from landing_analysis.record.patients import edit_patient, find_patient

    if not any(facts.values()):
        raise click.UsageError("Name what is to change, for instance --surgical left.")
    with opened_record(data) as record:
        changed = _with_facts(find_patient(record, code), **facts)
        if facts["surgery_date"] and not accept_date:
            _make_sure_of_date(changed)
        edit_patient(record, changed)
    click.echo(f"Now {_in_words(changed)}.")


@patient.command("list")
@data_option
@in_one_sentence
def list_(data: Path | None) -> None:
    """List all patients."""
    from landing_analysis.record.clips import list_visits
    from landing_analysis.record.patients import list_patients

    with opened_record(data) as record:
        patients, visits = list_patients(record), list_visits(record)
    if not patients:
        click.echo("No patient yet; add one with: landing-analysis patient add P01")
        return
    rows = []
    for known in patients:
        own = [visit for visit in visits if visit.code == known.code]
        rows.append((*_cells(known), str(len(own)), str(sum(visit.clips for visit in own))))
    for line in table([_HEADERS, *rows]):
        click.echo(line)


@patient.command()
@click.argument("code")
@click.option("--keep-clips", is_flag=True, help="Leave the clips in the drop folder.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@data_option
@reports_option
@in_one_sentence
def remove(
    code: str, keep_clips: bool, yes: bool, data: Path | None, reports: Path | None
) -> None:  # fmt: skip
    """Remove the patient CODE for good: values, reports, clips, and the record's backups.

    Clips are deleted where they were dropped, as long as their content is the one that
    was analysed. Copies elsewhere, for instance on the phone, are yours to delete.
    """
    from landing_analysis.record.removal import holdings_of, remove_patient

    with opened_record(data, reports) as record:
        held = holdings_of(record, code)
        if not yes:
            for line in _lines_about(held, keep_clips):
                click.echo(line)
            click.confirm("Remove all of this for good?", abort=True)
        removed = remove_patient(record, code, keep_clips=keep_clips)
    click.echo(f"Removed {removed.code}:")
    for line in _lines_about(removed, keep_clips):
        click.echo(line)
    if keep_clips and held.clips:
        click.echo("Clips that stay in the drop folder wait until the patient is added again.")


def _make_sure_of_date(patient: Patient) -> None:
    from landing_analysis.patients import doubt_about_surgery

    day = patient.surgery_date
    doubt = doubt_about_surgery(day, date.today()) if day else None
    if doubt:
        _make_sure(doubt, "--accept-date")


def _make_sure(doubt: str, option: str) -> None:
    """Ask whether something doubtful is right; refuse it where nobody can answer."""
    from landing_analysis.errors import PatientError

    if not sys.stdin.isatty():
        raise PatientError(f"{doubt} To take it all the same, add {option}.")
    click.confirm(f"{doubt} Take it all the same?", abort=True)


def _with_facts(
    patient: Patient,
    surgical_side: str | None,
    surgery_date: datetime | None,
    stature_cm: float | None,
) -> Patient:
    return replace(
        patient,
        surgical_side=next((limb for limb in LIMBS if limb == surgical_side), None)
        or patient.surgical_side,
        surgery_date=surgery_date.date() if surgery_date else patient.surgery_date,
        stature_m=stature_cm / 100 if stature_cm is not None else patient.stature_m,
    )


def _cells(patient: Patient) -> tuple[str, str, str, str]:
    return (
        f"{patient.code} (invented)" if patient.invented else patient.code,
        patient.surgical_side or "not known",
        f"{patient.surgery_date}" if patient.surgery_date else "not known",
        f"{100 * patient.stature_m:.0f} cm" if patient.stature_m else "not known",
    )


def _in_words(patient: Patient) -> str:
    code, *facts = _cells(patient)
    return f"{code}: " + ", ".join(
        f"{name} {fact}" for name, fact in zip(_HEADERS[1:4], facts, strict=True)
    )


def _lines_about(held: Holdings, keep_clips: bool) -> list[str]:
    clips = [] if keep_clips else [f"  clip {click.format_filename(path)}" for path in held.clips]
    texts = [] if keep_clips else [f"  text {click.format_filename(path)}" for path in held.texts]
    return [
        f"  {counted(held.visits, 'visit')}, {counted(held.clips_recorded, 'clip')} recorded, "
        f"{counted(held.analyses, 'analysis').replace('analysiss', 'analyses')}, "
        f"{counted(held.values, 'value')}, {counted(held.sessions, 'session')}",
        *(f"  report {click.format_filename(path)}" for path in held.reports),
        *(
            f"  left as it is, for it lies outside the folder of the reports: "
            f"{click.format_filename(path)}; if reports are there, delete them yourself, or "
            "name their folder with --reports"
            for path in held.left
        ),
        *clips,
        *texts,
        "  pages on the patient and on weeks (weeks can be made again)",
        "  earlier backups of the record (a new one is made)",
    ]
