"""The exercises: each module of this folder that holds an ``EXERCISE`` is one."""

from __future__ import annotations

import pkgutil
from collections.abc import Iterable
from importlib import import_module

from landing_analysis.exercises.entry import Entry


def _entries() -> list[Entry]:
    modules = (
        import_module(f"{__name__}.{found.name}") for found in pkgutil.iter_modules(__path__)
    )
    entries = (getattr(module, "EXERCISE", None) for module in modules)
    return sorted((one for one in entries if one is not None), key=lambda one: one.rung)


EXERCISES: dict[str, Entry] = {one.code: one for one in _entries()}
"""Every exercise by its code, in the order of the ladder."""


def rung(code: str) -> int:
    """Return the place of an exercise on the ladder."""
    return EXERCISES[code].rung


def lands_on_both(code: str | None) -> bool:
    """Whether a rep of an exercise lands on both feet, so that the body is measured as one."""
    return code is not None and EXERCISES[code].feet == 2


def name_of(code: str | None) -> str:
    """Return how an exercise is called within a sentence, its code where it is none of these.

    Documents of other versions may name exercises that this one has not; empty without one.
    """
    return EXERCISES[code].name if code in EXERCISES else (code or "").replace("_", " ")


def clip_words(code: str, limb: str | None, of_bouts: Iterable[str]) -> str:
    """Name what a clip holds: its exercise and limb, or those of its bouts where they are several.

    Parameters
    ----------
    code : of the clip's exercise
    limb : in words, None where there is not one
    of_bouts : codes of the exercises of its bouts; each is named once
    """
    names = list(dict.fromkeys(map(name_of, of_bouts)))
    if len(names) > 1:
        return f"in a row {', '.join(names)}"
    return f"{name_of(code)}, {limb}" if limb else name_of(code)


def has_measure(code: str, name: str) -> bool:
    """Whether reps of an exercise have a measure: a common one, or one of its own."""
    entry = EXERCISES[code]
    own = name in entry.measures
    return own or (name not in entry.without and name not in _of_some())


def _of_some() -> frozenset[str]:
    """Return the measures that only the exercises have which name them."""
    return frozenset(name for entry in EXERCISES.values() for name in entry.measures)


def taught_deg(code: str | None, target_deg: float) -> float | None:
    """Return the peak knee flexion that an exercise is held against, None for one that is not."""
    held = code is None or has_measure(code, "knee_flexion_target_difference")
    return target_deg if held else None


def may_stay_down(code: str | None) -> bool:
    """Whether an exercise may be done without leaving the ground; where it is not known it may."""
    return code is None or EXERCISES[code].stays_down
