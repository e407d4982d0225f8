"""The limits file: read the one in the package, and a clinic's own on top of it."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.errors import SettingsError
from landing_analysis.tables import TASKS, Limit

FINDINGS = (
    "knee_inward",
    "knees_together",
    "target_flexion",
    "stiff_landing",
    "long_ground_contact",
    "heel_first_landing",
    "favouring",
    "side_difference",
)
"""The findings that a limit may belong to."""

_KINDS = ("upper", "lower", "band")
_KEYS = frozenset(Limit.__dataclass_fields__)


def read_limits(own: Path | None = None) -> tuple[Limit, ...]:
    """Read the default limits and lay a clinic's own over them.

    Parameters
    ----------
    own : a TOML file of the same form; an entry replaces the default with the same
        ``finding`` and ``measure``, key by key, and adds one where there is none

    Returns
    -------
    tuple of Limit; disabled ones are left out

    Raises
    ------
    SettingsError
        When the file cannot be read or an entry makes no sense.
    """
    default = files("landing_analysis").joinpath("data/limits.toml").read_text(encoding="utf-8")
    entries = _entries(default, "the limits file of the package")
    if own is not None:
        for key, entry in _entries(_text(own), own.name).items():
            entries[key] = {**entries.get(key, {}), **entry}
    name = own.name if own else "the limits file of the package"
    limits = [_limit(entry, name) for entry in entries.values()]
    return tuple(limit for limit in limits if limit.enabled)


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"The limits file {path.name} cannot be read as text; give a TOML file."
        ) from error


def _entries(text: str, name: str) -> dict[tuple[str, str], dict[str, object]]:
    try:
        listed = tomllib.loads(text).get("limit", [])
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name} is not valid TOML ({error}); correct that line.") from error
    if not isinstance(listed, list) or not all(isinstance(entry, dict) for entry in listed):
        raise SettingsError(f"{name} must hold its limits as [[limit]] tables.")
    entries = {}
    for entry in listed:
        key = (str(entry.get("finding")), str(entry.get("measure")))
        if key[0] not in FINDINGS or key[1] not in DEFINITIONS:
            raise SettingsError(
                f"{name} names the finding {key[0]!r} of the measure {key[1]!r}, which is not "
                "known; see landing_analysis/data/limits.toml for the names."
            )
        entries[key] = entry
    return entries


def _limit(entry: dict[str, object], name: str) -> Limit:
    where = f"{name}, finding {entry['finding']} of {entry['measure']}"
    unknown = set(entry) - _KEYS
    if unknown:
        raise SettingsError(f"{where}: {', '.join(sorted(unknown))} is no key of a limit.")
    for key in ("kind", "value", "unit", "source"):
        if key not in entry:
            raise SettingsError(f"{where}: {key} is missing; every limit needs it.")
    if entry["kind"] not in _KINDS:
        raise SettingsError(f"{where}: kind is {entry['kind']!r}; use upper, lower or band.")
    for key in ("value", "half_width"):
        number = entry.get(key, 0.0)
        if isinstance(number, bool) or not isinstance(number, int | float):
            raise SettingsError(f"{where}: {key} is {number!r}; give a number.")
    if entry["kind"] == "band" and "half_width" not in entry:
        raise SettingsError(f"{where}: a band needs half_width.")
    tasks = entry.get("tasks", TASKS)
    if not isinstance(tasks, list | tuple) or not set(tasks) <= set(TASKS):
        raise SettingsError(f"{where}: tasks is {tasks!r}; use 'jump', 'hop' or both.")
    return Limit(**{**entry, "tasks": tuple(tasks)})  # type: ignore[arg-type]
