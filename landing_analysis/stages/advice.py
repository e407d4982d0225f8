"""Remarks that name the command which their options go with."""

from __future__ import annotations

from dataclasses import replace

from landing_analysis.reasons import Reason, because
from landing_analysis.tables import Note, TimeBase


def advised_notes(notes: tuple[Note, ...], command: str) -> tuple[Note, ...]:
    """Say with which command the options go that remarks name."""
    return tuple(
        replace(note, remarks=tuple(_with_command(remark, command) for remark in note.remarks))
        for note in notes
    )


def advised_base(base: TimeBase, command: str) -> TimeBase:
    """Say with which command the options go that the doubt of a clock names."""
    return replace(base, doubt=base.doubt and _with_command(base.doubt, command))


def _with_command(reason: Reason, command: str) -> Reason:
    told = reason.as_dict()
    return because(reason.code, **{**told, "command": command}) if "command" in told else reason
