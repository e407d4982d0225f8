"""Sets of one exercise -> which of them may be averaged: landed alike and in one rhythm.

An exercise says on how many feet a rep lands and no more, so bounds, jogging in place and hops
are all one-leg landings. Until exercises are told apart, what their landings show is.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import NamedTuple, TypeVar

from landing_analysis.settings import TrendSettings
from landing_analysis.tables import Exercise, Limb

_SETTINGS = TrendSettings()
_Key = TypeVar("_Key")


class Way(NamedTuple):
    """How the sets of one exercise were done, in so far as it keeps them apart.

    ``foot_to_foot`` for bounds and jogging in place. ``rhythm`` is in words, empty where one
    patient's sets of an exercise are all in one rhythm.
    """

    foot_to_foot: bool = False
    rhythm: str = ""


ONE_WAY = Way()
"""That of an exercise whose sets are all done alike."""


@dataclass(frozen=True)
class Landing:
    """The landing of one rep.

    ``is_bound`` as in `tables.Rep`, None where the record does not know it; ``at_s`` is the
    instant of landing, None where the clip's times are in doubt.
    """

    limbs: tuple[Limb, ...]
    is_bound: bool | None
    at_s: float | None


@dataclass(frozen=True)
class Landings:
    """All landings of one set, in order of time."""

    code: str
    exercise: Exercise
    landings: tuple[Landing, ...]


def ways(
    sets: Mapping[_Key, Landings], settings: TrendSettings = _SETTINGS
) -> dict[_Key, Way]:  # fmt: skip
    """Tell which sets may be averaged: those of one patient, one exercise and one way.

    Parameters
    ----------
    sets : of any patients, by what names each
    settings : TrendSettings

    Returns
    -------
    dict
        The way of each set. In sets of one way the rhythm, the median time from landing to
        landing, differs by no more than ``settings.rhythm_ratio``; sets slower than
        ``settings.one_by_one_s`` are as slow as that, whatever the pauses between reps.

    Notes
    -----
    Where the rhythms of one patient's sets differ by more, they are cut at the widest gap,
    and each part again, so that sets done alike stay together. A set without a rhythm (one
    rep, or times in doubt) stays with the others as long as these are together.
    """
    groups: dict[tuple[str, Exercise, bool], list[_Key]] = defaultdict(list)
    for key, one in sets.items():
        groups[one.code, one.exercise, goes_from_foot_to_foot(one)].append(key)
    return {
        key: Way(foot_to_foot, rhythm)
        for (_, _, foot_to_foot), keys in groups.items()
        for key, rhythm in _rhythms({key: sets[key] for key in keys}, settings).items()
    }


def goes_from_foot_to_foot(one: Landings) -> bool:
    """Whether at least half of a set's one-leg landings left from the other foot.

    Where the record does not know from which foot, whether they alternate.
    """
    if one.exercise != "hop":  # others say so by their name
        return False
    known = [landing.is_bound for landing in one.landings if landing.is_bound is not None]
    bounds = known or [a.limbs != b.limbs for a, b in pairwise(one.landings)]
    return bool(bounds) and 2 * sum(bounds) >= len(bounds)


def period_s(one: Landings) -> float | None:
    """Return the median time from landing to landing, None where there are no two."""
    instants_s = sorted(landing.at_s for landing in one.landings if landing.at_s is not None)
    between_s = [later - earlier for earlier, later in pairwise(instants_s)]
    return median(between_s) if between_s else None


def _rhythms(sets: Mapping[_Key, Landings], settings: TrendSettings) -> dict[_Key, str]:
    periods_s = {key: period_s(one) for key, one in sets.items()}
    known = {
        key: min(found_s, settings.one_by_one_s)
        for key, found_s in periods_s.items() if found_s is not None
    }  # fmt: skip
    parts = _cut(sorted(known.values()), settings.rhythm_ratio)
    if len(parts) < 2:
        return dict.fromkeys(sets, "")
    words = {value: _words(part, settings) for part in parts for value in part}
    return {key: words[known[key]] if key in known else _UNKNOWN for key in sets}


_UNKNOWN = "in an unknown rhythm"


def _cut(ordered_s: list[float], ratio: float) -> list[list[float]]:
    """Cut at the widest gap until the ends of no part differ by more than ``ratio``."""
    if not ordered_s or ordered_s[-1] <= ratio * ordered_s[0]:
        return [ordered_s] if ordered_s else []
    gaps = [later / earlier for earlier, later in pairwise(ordered_s)]
    at = gaps.index(max(gaps)) + 1
    return [*_cut(ordered_s[:at], ratio), *_cut(ordered_s[at:], ratio)]


def _words(part_s: Iterable[float], settings: TrendSettings) -> str:
    low_s, high_s = min(part_s), max(part_s)
    if low_s >= settings.one_by_one_s:
        return "one at a time"
    low, high = f"{low_s:.1f}", f"{high_s:.1f}"
    return f"a landing every {low if low == high else f'{low} to {high}'} s"
