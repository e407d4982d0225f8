"""The text file ``session.toml`` that may lie beside a visit's clips in the drop folder."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from landing_analysis.errors import SessionError
from landing_analysis.sessions.session import session_of

FILE = "session.toml"
"""Its name, or the end of it: ``P07_session.toml`` says in itself whose it is."""


@dataclass(frozen=True)
class SessionFile:
    """What the file says: of which day, entered by whom, and the plain form of a session."""

    day: date
    by: str | None
    plain: Mapping[str, Any]


def is_session_file(name: str) -> bool:
    """Return whether a file of this name holds a session."""
    return name.lower().endswith(FILE)


def read_session_file(text: str, file: str, code: str) -> SessionFile:
    """Read a session's text file.

    Parameters
    ----------
    text : TOML with ``day`` (YYYY-MM-DD), ``by`` (a code such as T1, not needed) and the keys
        of `session`
    file, code : its name and the patient's code, for the error's sentence

    Raises
    ------
    SessionError
        In one sentence.
    """
    name = f"{file} of {code}"
    try:
        given = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise SessionError(f"{name} is not valid TOML ({error}); correct that line.") from error
    if "day" not in given:
        raise SessionError(f"{name} does not say of which day it is; write day = 2026-03-04.")
    by = given.get("by")
    if by is not None and not isinstance(by, str):
        raise SessionError(f'{name} says by = {by!r:.40}; write a code such as by = "T1".')
    plain = {key: value for key, value in given.items() if key not in ("day", "by")}
    try:
        session_of(plain)
    except SessionError as error:
        raise SessionError(f"{name}: {error}") from error
    return SessionFile(_day(given["day"], name), by, plain)


def _day(value: object, name: str) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return date.fromisoformat(str(value))
    except ValueError as error:
        raise SessionError(f"{name} says day = {value!r:.40}; write YYYY-MM-DD.") from error
