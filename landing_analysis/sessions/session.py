"""A visit's session: the plan, how the patient was, what was changed, and notes.

The plain form, in which a session comes from the command line, from ``session.toml`` or from a
form, and in which the record keeps it (as JSON), has these keys; any may be missing:

==================================== ==========================================================
plan                                 list of lines, `plan.prescribed_in`
before, during, after, next_morning  any of ``pain`` (0 to 10), ``effusion`` (`EFFUSION_GRADES`),
                                     ``soreness`` (`SORENESS`), ``confidence`` (0 to 10),
                                     ``distress`` (text: giving way, locking ...)
modified, stopped                    list of lines: what, and why
note                                 text
went_well, work_on                   text for the patient, in the clinician's words
==================================== ==========================================================

An empty text or list takes back what stood there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from itertools import pairwise
from typing import Any, Literal, get_args

from landing_analysis.errors import SessionError
from landing_analysis.sessions.plan import Prescribed, line_of, prescribed_in
from landing_analysis.settings import SessionSettings

Moment = Literal["before", "during", "after", "next_morning"]
MOMENTS: tuple[Moment, ...] = get_args(Moment)
MOMENT_WORDS: dict[Moment, str] = {
    "before": "before", "during": "during", "after": "after", "next_morning": "next morning",
}  # fmt: skip

EFFUSION_GRADES = ("0", "trace", "1+", "2+", "3+")
"""Grades of the stroke test; `published` says what each looks like."""
SORENESS: dict[Moment, tuple[str, ...]] = {
    "before": ("none", "sore"),
    "during": ("none", "warm-up only", "throughout"),
    "after": ("none", "sore"),
    "next_morning": ("none", "sore"),
}
"""What can be noted of soreness at each moment."""
SCORE_RANGE = (0, 10)  # definition: of the usual numeric rating scale
"""Of pain and of confidence."""

_LIMITS = SessionSettings()
_STATE_KEYS = ("pain", "effusion", "soreness", "confidence", "distress")
_LINES = ("modified", "stopped")
_TEXTS = ("note", "went_well", "work_on")
KEYS: tuple[str, ...] = ("plan", *MOMENTS, *_LINES, *_TEXTS)
"""Of the plain form."""


@dataclass(frozen=True)
class State:
    """How the patient was at one moment; what was not noted is None.

    Attributes
    ----------
    pain : 0 (none) to 10 (worst), as the patient says
    effusion : one of `EFFUSION_GRADES`, as the clinician grades it
    soreness : one of `SORENESS` of the moment
    confidence : 0 to 10 (sure of the knee), as the patient says
    distress : of the joint, in words
    """

    pain: int | None = None
    effusion: str | None = None
    soreness: str | None = None
    confidence: int | None = None
    distress: str | None = None


@dataclass(frozen=True)
class Session:
    """All that was entered of one visit of one patient."""

    plan: tuple[Prescribed, ...] = ()
    states: Mapping[Moment, State] = field(default_factory=dict)
    modified: tuple[str, ...] = ()
    stopped: tuple[str, ...] = ()
    note: str | None = None
    went_well: str | None = None
    work_on: str | None = None

    def state(self, moment: Moment) -> State:
        """Return how the patient was at one moment."""
        return self.states.get(moment, State())

    @property
    def is_empty(self) -> bool:
        """Whether nothing at all was entered."""
        return self == Session()


def session_of(plain: Mapping[str, Any], before: Session | None = None) -> Session:
    """Read a session from its plain form.

    Parameters
    ----------
    plain : see the module; what it names replaces what was there, state by state and value by
        value, and what it does not name stays
    before : what was there

    Raises
    ------
    SessionError
        In one sentence that names the key.
    """
    session = before or Session()
    for key in plain:
        if key not in KEYS:
            raise SessionError(f"A session has no {key!r:.40}; it may hold {', '.join(KEYS)}.")
    changes: dict[str, Any] = {}
    if "plan" in plain:
        lines = _lines(plain["plan"], "plan", _LIMITS.most_exercises)
        changes["plan"] = tuple(map(prescribed_in, lines))
    states = dict(session.states)
    for moment in MOMENTS:
        if moment in plain:
            states[moment] = _state(plain[moment], moment, session.state(moment))
    changes["states"] = {m: states[m] for m in MOMENTS if states.get(m, State()) != State()}
    for key in _LINES:
        if key in plain:
            changes[key] = tuple(
                text_of(line, key) for line in _lines(plain[key], key, _LIMITS.most_lines)
            )
    for key in _TEXTS:
        if key in plain:
            changes[key] = text_of(plain[key], key) if plain[key] != "" else None
    return replace(session, **changes)


def plain_of(session: Session) -> dict[str, Any]:
    """Return the plain form of a session, without what was not entered."""
    plain: dict[str, Any] = {
        "plan": [line_of(one) for one in session.plan],
        **{moment: _plain_state(session.state(moment)) for moment in MOMENTS},
        **{key: list(getattr(session, key)) for key in _LINES},
        **{key: getattr(session, key) for key in _TEXTS},
    }
    return {key: value for key, value in plain.items() if value}


def state_in(text: str) -> dict[str, str]:
    """Read how the patient was from one line, such as ``pain 2 effusion trace soreness none``.

    Raises
    ------
    SessionError
        When a word stands where one of the names belongs, a name stands twice or has no value.
    """
    words = text.split()
    at = [k for k, word in enumerate(words) if word in _STATE_KEYS]
    if not words or at[:1] != [0]:
        raise SessionError(
            f"{text!r:.60} does not say what it is about; write for instance pain 2 effusion "
            f"trace, with any of {', '.join(_STATE_KEYS)}."
        )
    found = {words[k]: " ".join(words[k + 1 : end]) for k, end in pairwise([*at, len(words)])}
    if len(found) < len(at):
        twice = next(words[k] for k in at if words.count(words[k]) > 1)
        raise SessionError(f"{text!r:.60} says {twice} twice.")
    for key, value in found.items():
        if not value:
            raise SessionError(
                f"{text!r:.60} gives no value for {key}; write one, or {key} - to take it back."
            )
    return {key: "" if value == "-" else value for key, value in found.items()}


def _plain_state(state: State) -> dict[str, Any]:
    values = {one.name: getattr(state, one.name) for one in fields(State)}
    return {name: value for name, value in values.items() if value is not None}


def _state(given: object, moment: Moment, before: State) -> State:
    if not isinstance(given, Mapping):
        raise SessionError(
            f"{moment} is {given!r:.40}; it holds {', '.join(_STATE_KEYS)}, each with a value."
        )
    changes: dict[str, Any] = {}
    for key, value in given.items():
        if key not in _STATE_KEYS:
            raise SessionError(
                f"{moment} has no {key!r:.40}; it may hold {', '.join(_STATE_KEYS)}."
            )
        changes[key] = None if value in ("", None) else _READ[key](value, key, moment)
    return replace(before, **changes)


def _score(value: object, key: str, moment: Moment) -> int:
    low, high = SCORE_RANGE
    text = str(value)
    if isinstance(value, bool) or not text.isdecimal() or not low <= int(text) <= high:
        raise SessionError(
            f"{_called(key, moment)} is {value!r:.20}; write a whole number from {low} to {high}."
        )
    return int(text)


def _grade(value: object, key: str, moment: Moment) -> str:
    return _one_of(str(value).lower(), EFFUSION_GRADES, key, moment)


def _soreness(value: object, key: str, moment: Moment) -> str:
    return _one_of(str(value).lower(), SORENESS[moment], key, moment)


def _one_of(value: str, known: tuple[str, ...], key: str, moment: Moment) -> str:
    if value not in known:
        raise SessionError(
            f"{_called(key, moment)} is {value!r:.20}; write one of: {', '.join(known)}."
        )
    return value


def _distress(value: object, key: str, moment: Moment) -> str:
    return text_of(value, _called(key, moment))


_READ: dict[str, Callable[[object, str, Moment], object]] = {
    "pain": _score, "confidence": _score, "effusion": _grade, "soreness": _soreness,
    "distress": _distress,
}  # fmt: skip


def _called(key: str, moment: Moment) -> str:
    return f"{key} ({MOMENT_WORDS[moment]})"


def _lines(given: object, key: str, most: int) -> list[str]:
    if not isinstance(given, (list, tuple)) or not all(isinstance(line, str) for line in given):
        raise SessionError(f"{key} is {given!r:.40}; write a list of lines.")
    if len(given) > most:
        raise SessionError(f"{key} has {len(given)} lines; at most {most} can be written.")
    return list(given)


def text_of(value: object, key: str) -> str:
    """Return a text as one printable line that no spreadsheet takes for a formula.

    Raises
    ------
    SessionError
        That calls it by its key.
    """
    line = " ".join(value.split()) if isinstance(value, str) else ""
    if not (line[:1].isalnum() and line.isprintable() and len(line) <= _LIMITS.longest_line):
        raise SessionError(
            f"{key} is {value!r:.40}; write text of at most {_LIMITS.longest_line} characters "
            "that starts with a letter or a digit."
        )
    return line
