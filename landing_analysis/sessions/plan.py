"""What was prescribed: exercises with sets, reps or seconds, rest and load, one line each.

jump 3x20 rest 60 load body
sled_hop 3x20 rest 45 load 2 red + 1 blue limb left
lateral_bound 2x30s rest 60
drop_jump 3x8 rest 60 box 30
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise

from landing_analysis.errors import SessionError
from landing_analysis.exercises import EXERCISES
from landing_analysis.settings import SessionSettings
from landing_analysis.tables import LIMBS, Limb

BODY = "body"
"""The load of an exercise that cords do not change."""

_RANGES = SessionSettings()
_SETS = re.compile(r"(\d{1,3})[xX×](\d{1,4})(s?)")
_NUMBER = re.compile(r"\d{1,4}(\.\d{1,2})?")
_CORDS = re.compile(r"(\d{1,2}) ([a-z]{3,12})")
_KEYS = ("rest", "load", "box", "limb")
_EXAMPLE = "jump 3x20 rest 60 load body, or lateral_bound 2x30s rest 60"


@dataclass(frozen=True)
class Cords:
    """Elastic cords of one colour."""

    number: int
    colour: str


@dataclass(frozen=True)
class Prescribed:
    """One exercise of a plan; what is not said is None.

    Attributes
    ----------
    exercise : a key of `exercises.EXERCISES`
    sets : how many
    reps, bout_s : of each set; one of the two
    rest_s : between sets
    load : cords of a sled, empty for body weight, None when not said
    box_height_m : of a drop jump or a step-down
    limb : of a one-leg exercise done on one side only
    """

    exercise: str
    sets: int
    reps: int | None = None
    bout_s: float | None = None
    rest_s: float | None = None
    load: tuple[Cords, ...] | None = None
    box_height_m: float | None = None
    limb: Limb | None = None


def prescribed_in(line: str) -> Prescribed:
    """Read one line of a plan.

    Parameters
    ----------
    line : exercise, ``SETSxREPS`` or ``SETSxSECONDSs``, then any of ``rest SECONDS``,
        ``load body`` or ``load 2 red + 1 blue`` (cords), ``box CENTIMETRES``, ``limb left``

    Raises
    ------
    SessionError
        In one sentence that quotes the line.
    """
    words = line.replace("+", " + ").split()
    if len(words) < 2:
        raise SessionError(f"{line!r:.80} is no line of a plan; write for instance {_EXAMPLE}.")
    exercise, amount, *rest = words
    known = require_exercise(exercise)
    found = _SETS.fullmatch(amount)
    if not found:
        raise SessionError(
            f"{line!r:.80} says {amount!r:.20} where sets and reps belong; write 3x20 for reps "
            "or 2x30s for seconds."
        )
    facts: dict[str, object] = {"sets": _within(int(found[1]), _RANGES.sets, "sets", line)}
    if found[3]:
        facts["bout_s"] = float(_within(int(found[2]), _RANGES.bout_s, "seconds", line))
    else:
        facts["reps"] = int(_within(int(found[2]), _RANGES.reps, "reps", line))
    for key, value in _pairs(rest, line):
        facts |= _fact(key, value, line)
    return Prescribed(known, **facts)  # type: ignore[arg-type]


def line_of(one: Prescribed) -> str:
    """Return the line that reads as one prescribed exercise."""
    amount = f"{one.bout_s:g}s" if one.bout_s is not None else f"{one.reps}"
    words = [one.exercise, f"{one.sets}x{amount}"]
    if one.rest_s is not None:
        words.append(f"rest {one.rest_s:g}")
    if one.load is not None:
        words.append(f"load {load_words(one.load)}")
    if one.box_height_m is not None:
        words.append(f"box {100 * one.box_height_m:g}")
    if one.limb is not None:
        words.append(f"limb {one.limb}")
    return " ".join(words)


def load_words(load: tuple[Cords, ...]) -> str:
    """Return a load as a line of a plan writes it."""
    return " + ".join(f"{cords.number} {cords.colour}" for cords in load) or BODY


def require_exercise(code: str) -> str:
    """Return the code of a known exercise, which may be written with ``-``.

    Raises
    ------
    SessionError
    """
    known = code.lower().replace("-", "_")
    if known not in EXERCISES:
        near = get_close_matches(known, EXERCISES, n=1)
        meant = f"did you mean {near[0]}? Known" if near else "known"
        raise SessionError(
            f"There is no exercise {code!r:.40}; {meant} are {', '.join(EXERCISES)}."
        )
    return known


def _pairs(words: list[str], line: str) -> Iterator[tuple[str, str]]:
    """Yield each key with the words up to the next one."""
    at = [k for k, word in enumerate(words) if word in _KEYS]
    if words and at[:1] != [0]:
        raise SessionError(
            f"{line!r:.80} goes on with {words[0]!r:.20}; after the sets come {', '.join(_KEYS)}."
        )
    for begin, end in pairwise([*at, len(words)]):
        if words[begin] in words[:begin]:
            raise SessionError(f"{line!r:.80} says {words[begin]} twice.")
        yield words[begin], " ".join(words[begin + 1 : end])


def _fact(key: str, value: str, line: str) -> dict[str, object]:
    if key == "rest":
        return {
            "rest_s": _within(_number(value, key, line), _RANGES.rest_s, "seconds of rest", line)
        }
    if key == "box":
        height_cm = _within(_number(value, key, line), _RANGES.box_cm, "cm of box height", line)
        return {"box_height_m": round(height_cm / 100, 4)}
    if key == "limb":
        limb = next((limb for limb in LIMBS if limb == value), None)
        if limb is None:
            raise SessionError(f"{line!r:.80} says limb {value!r:.20}; write left or right.")
        return {"limb": limb}
    return {"load": _load(value, line)}


def _number(text: str, key: str, line: str) -> float:
    if not _NUMBER.fullmatch(text):
        unit = "seconds" if key == "rest" else "centimetres"
        said = f"says {key} {text!r:.20}" if text else f"says nothing after {key}"
        raise SessionError(f"{line!r:.80} {said}; write the {unit} as a number alone.")
    return float(text)


def _load(text: str, line: str) -> tuple[Cords, ...]:
    if text.lower() in (BODY, "body weight"):
        return ()
    found = [_CORDS.fullmatch(part.strip().lower()) for part in text.split("+")]
    cords = tuple(Cords(int(one[1]), one[2]) for one in found if one is not None)
    if len(cords) < len(found) or not all(_is_within(c.number, _RANGES.cords) for c in cords):
        low, high = _RANGES.cords
        raise SessionError(
            f"{line!r:.80} says load {text!r:.30}; write load body, or cords by number "
            f"({low} to {high}) and colour, as in load 2 red + 1 blue."
        )
    return cords


def _is_within(value: float, span: tuple[float, float]) -> bool:
    return span[0] <= value <= span[1]


def _within(value: float, span: tuple[float, float], what: str, line: str) -> float:
    if not _is_within(value, span):
        raise SessionError(
            f"{line!r:.80} asks for {value:g} {what}; {span[0]:g} to {span[1]:g} can be written."
        )
    return value
