"""The limits file: read the one in the package, and a clinic's own on top of it."""

from __future__ import annotations

import math
import tomllib
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.errors import SettingsError
from landing_analysis.exercises import EXERCISES
from landing_analysis.files import read_at_most
from landing_analysis.findings.judging import SIGNED_MEASURES, TITLES
from landing_analysis.tables import Limit

_LARGEST_FILE = 1_000_000  # bytes; the package's own has three thousand (choice)
_KINDS = ("upper", "lower", "band")
_EARLIER_KEY = "tasks"  # of the exercises, in files written for earlier versions
_KEYS = frozenset(Limit.__dataclass_fields__)
_SURENESS = ("surely_pct", "probably_pct")


def read_limits(own: Path | None = None) -> tuple[Limit, ...]:
    """Read the default limits and lay a clinic's own over them.

    Parameters
    ----------
    own : a TOML file of the same form; an entry replaces the default with the same
        ``finding`` and ``measure``, key by key, and adds one where there is none

        Its table ``verdicts`` says from which probability on verdicts are given, for all
        limits that do not say it themselves.

    Returns
    -------
    tuple of Limit; disabled ones are left out

    Raises
    ------
    SettingsError
        When the file cannot be read or an entry makes no sense.
    """
    default = files("landing_analysis").joinpath("data/limits.toml").read_text(encoding="utf-8")
    entries, sureness = _entries(default, "the limits file of the package")
    if own is not None:
        own_entries, own_sureness = _entries(_text(own), own.name)
        for key, entry in own_entries.items():
            entries[key] = {**entries.get(key, {}), **entry}
        sureness = {**sureness, **own_sureness}
    name = own.name if own else "the limits file of the package"
    limits = [_limit({**sureness, **entry}, name) for entry in entries.values()]
    return tuple(limit for limit in limits if limit.enabled)


def _text(path: Path) -> str:
    try:
        content = read_at_most(path, _LARGEST_FILE)
        if content is not None:
            return content.decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"The limits file {path.name} cannot be read as text; give a TOML file."
        ) from error
    raise SettingsError(
        f"The limits file {path.name} is longer than {_LARGEST_FILE} bytes; give a TOML file."
    )


Entry = dict[str, object]


def _entries(text: str, name: str) -> tuple[dict[tuple[str, str], Entry], Entry]:
    """Return the entries by finding and measure, and from which probabilities on verdicts go."""
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # numbers too long, lists nested too deep
        raise SettingsError(f"{name} is not valid TOML ({error}); correct that line.") from error
    sureness = content.pop("verdicts", {})
    listed = content.pop("limit", [] if sureness else None)
    if content or not isinstance(listed, list) or not all(isinstance(e, dict) for e in listed):
        raise SettingsError(
            f"{name} must hold [[limit]] tables, a [verdicts] table, and nothing else."
        )
    if not isinstance(sureness, dict) or set(sureness) - {*_SURENESS, "source"}:
        raise SettingsError(f"{name}: [verdicts] takes {' and '.join(_SURENESS)}, and a source.")
    sureness.pop("source", None)
    entries = {}
    for entry in listed:
        key = (str(entry.get("finding")), str(entry.get("measure")))
        if key[0] not in TITLES or key[1] not in DEFINITIONS:
            raise SettingsError(
                f"{name} names the finding {key[0]!r} of the measure {key[1]!r}, which is not "
                "known; see landing_analysis/data/limits.toml for the names."
            )
        if _EARLIER_KEY in entry:
            entry["exercises"] = entry.pop(_EARLIER_KEY)
        entries[key] = entry
    return entries, sureness


def _limit(entry: dict[str, object], name: str) -> Limit:
    where = f"{name}, finding {entry['finding']} of {entry['measure']}"
    problem = _problem(entry) or _misfit(entry)
    if problem:
        raise SettingsError(f"{where}: {problem}")
    finding = entry["finding"]
    having = [code for code, exercise in EXERCISES.items() if finding in exercise.findings]
    named = entry.get("exercises", having)
    return Limit(**{**entry, "exercises": tuple(named)})  # type: ignore[arg-type]


def _problem(entry: dict[str, object]) -> str | None:
    """Say what is wrong with an entry by itself, None when nothing is."""
    unknown = set(entry) - _KEYS
    if unknown:
        return f"{', '.join(sorted(unknown))} is no key of a limit; take it out."
    for key in ("kind", "value", "unit", "source"):
        if key not in entry:
            return f"{key} is missing; every limit needs it."
    if entry["kind"] not in _KINDS:
        return f"kind is {entry['kind']!r}; use upper, lower or band."
    for key in ("value", "half_width"):
        number = entry.get(key, 0.0)
        if isinstance(number, bool) or not isinstance(number, int | float):
            return f"{key} is {number!r}; give a number."
        if not math.isfinite(number):
            return f"{key} is {number!r}; give a finite number."
        if key == "half_width" and entry["kind"] == "band" and number <= 0:
            return "a band needs half_width, above 0."
    if not isinstance(entry["source"], str) or not entry["source"].strip():
        return "source is empty; say what the limit rests on, or that it is a choice."
    if not isinstance(entry.get("enabled", True), bool):
        return f"enabled is {entry['enabled']!r}; use true or false."
    named = entry.get("exercises", ["jump"])
    if (
        not isinstance(named, list)
        or not named
        or any(code not in tuple(EXERCISES) for code in named)
    ):
        return f"exercises is {named!r}; use a list of codes such as 'jump' and 'hop'."
    surely_pct, probably_pct = (entry.get(key, getattr(Limit, key)) for key in _SURENESS)
    if not _is_order(50, probably_pct, surely_pct, 100):
        return (
            f"probably_pct is {probably_pct!r} and surely_pct {surely_pct!r}; give numbers above "
            "50 and below 100, the first one smaller."
        )
    return None


def _is_order(*numbers: object) -> bool:
    """Whether all are numbers, each larger than the one before it."""
    known = [n for n in numbers if isinstance(n, int | float) and not isinstance(n, bool)]
    return len(known) == len(numbers) and all(low < high for low, high in pairwise(known))


def _misfit(entry: dict[str, object]) -> str | None:
    """Say where an entry does not fit its measure, None when it does."""
    definition = DEFINITIONS[str(entry["measure"])]
    side = entry["finding"] == "side_difference"
    if side and definition.compare != "lsi":
        return "sides of this measure have no ratio; only measures with a true zero have one."
    if entry["finding"] == "limb_offloading" and definition.name not in SIGNED_MEASURES:
        return f"only {', '.join(SIGNED_MEASURES)} point to a limb."
    unit = "%" if side else definition.unit
    return None if entry["unit"] == unit else f"unit is {entry['unit']!r}; use {unit!r}."
