"""Means of sets -> means of visits, limb against limb, and what of their change is real.

A change between two visits is called real only when it lies beyond the minimal detectable
change at 95 % and beyond the uncertainty of the two values themselves, and only between
visits that were filmed and analysed alike. All else is ``NONE_SHOWN``, with the reason.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.maths.statistics import (
    Z_95,
    Repeats,
    limb_symmetry_index_pct,
    minimal_detectable_change,
    sem_from_repeats,
)
from landing_analysis.settings import TrendSettings
from landing_analysis.tables import VIEWS, Limb, Task, View

Family = Literal["front", "back", "side", "oblique"]
FAMILIES: tuple[Family, ...] = ("front", "back", "side", "oblique")
Key = tuple[Task, str, Family]
"""What a minimal detectable change holds for: task, measure, from where it is seen."""

_SETTINGS = TrendSettings()

NONE_SHOWN = "no change that this measurement can show"


@dataclass(frozen=True)
class SetMean:
    """Mean of one measure over one set, and how the set was filmed.

    ``made_with`` names the program, model and settings that made the value; ``sd`` is its
    standard uncertainty, ``yaw_sd_deg`` that of the turn from square-on.
    """

    code: str
    day: date
    task: Task
    name: str
    limb: Limb | None
    value: float
    sd: float
    reps: int
    view: View
    near_limb: Limb | None
    yaw_deg: float | None
    yaw_sd_deg: float | None
    frame_rate_hz: float
    made_with: str


@dataclass(frozen=True)
class VisitMean:
    """One measure of one visit over all its sets of one task, seen from one side of the body.

    A comparison of both limbs is a `VisitMean` as well: its ``limb`` is set against the
    other one, in per cent (limb symmetry index) or as a difference in the measure's unit.
    """

    day: date
    task: Task
    name: str
    family: Family
    limb: Limb | None
    value: float
    sd: float
    sets: tuple[SetMean, ...]

    @property
    def reps(self) -> int:
        """Reps of all sets."""
        return sum(one.reps for one in self.sets)

    @property
    def views(self) -> tuple[View, ...]:
        """The views of the sets, each once."""
        return tuple(view for view in VIEWS if any(one.view == view for one in self.sets))


@dataclass(frozen=True)
class MinimalChange:
    """The minimal detectable change at 95 % of one measure, and what it rests on.

    ``repeats`` is None where it was published; ``source`` then names the paper.
    """

    value: float
    source: str
    repeats: Repeats | None = None


@dataclass(frozen=True)
class Change:
    """What lies between two visits.

    ``needed`` is what a real change exceeds, and ``why`` then names what sets it; where no
    such limit is known or the visits are not comparable it is None, and ``why`` says so.
    """

    earlier: VisitMean
    later: VisitMean
    value: float
    sd: float
    needed: float | None
    real: bool
    why: str


PUBLISHED: dict[str, MinimalChange] = {
    "fppa_peak_flexion": MinimalChange(
        8.93,
        "Munro A, Herrington L, Carolan M. J Sport Rehabil 2012;21(1):7-11: 7.54 to 8.93 deg by "
        "task, 20 people, landmarks placed by hand; the largest is used.",
    )
}
"""Published minimal detectable changes at 95 %, by measure."""


# --- visits ------------------------------------------------------------------------------------


def family_of(view: View) -> Family:
    """Name from where the body is seen; both side views are one."""
    if view in ("left_side", "right_side"):
        return "side"
    return view  # type: ignore[return-value]  # the other three carry their own name


def visit_means(sets: Iterable[SetMean]) -> tuple[VisitMean, ...]:
    """Join the sets of each visit of one patient.

    Parameters
    ----------
    sets : of one patient

    Returns
    -------
    tuple of VisitMean, by day, in the order of `definitions`, the left limb first

    Notes
    -----
    In side views a limb is read from the clips that it is nearer to, where there are any.
    The uncertainty is the root mean square of the sets' own: what errors they share, those
    of the pose model above all, does not shrink with their number, so nothing is taken off.
    """
    groups: dict[tuple[date, Task, str, Family, Limb | None], list[SetMean]] = defaultdict(list)
    for one in sets:
        groups[one.day, one.task, one.name, family_of(one.view), one.limb].append(one)
    order = list(DEFINITIONS)
    joined = [_joined(*key, _nearer(found)) for key, found in groups.items()]
    return tuple(
        sorted(
            joined,
            key=lambda mean: (
                mean.day, mean.task, order.index(mean.name), FAMILIES.index(mean.family),
                mean.limb or "whole",
            ),
        )
    )  # fmt: skip


def _nearer(sets: list[SetMean]) -> tuple[SetMean, ...]:
    near = tuple(one for one in sets if one.limb is not None and one.near_limb == one.limb)
    return near or tuple(sets)


def _joined(
    day: date, task: Task, name: str, family: Family, limb: Limb | None, sets: tuple[SetMean, ...]
) -> VisitMean:
    value = math.fsum(one.value for one in sets) / len(sets)
    sd = math.sqrt(math.fsum(one.sd**2 for one in sets) / len(sets))
    return VisitMean(day, task, name, family, limb, value, sd, sets)


def side_means(
    visits: Iterable[VisitMean], compared: Iterable[SetMean], limb: Limb
) -> tuple[VisitMean, ...]:
    """Set ``limb`` against the other limb in every visit and measure that has both.

    Parameters
    ----------
    visits : from `visit_means`
    compared : comparisons within one clip, which know what errors both limbs share;
        preferred where there are any
    limb : the surgical limb, or the left one when no surgical side is known

    Returns
    -------
    tuple of VisitMean
        Limb symmetry index in per cent where the measure has a true zero, else the
        difference ``limb`` minus the other.
    """
    within_clips = visit_means(_turned(one, limb) for one in compared)
    known = {(v.day, v.task, v.name, v.family) for v in within_clips}
    visits = tuple(visits)
    others = {
        (v.day, v.task, v.name, v.family): v
        for v in visits
        if v.limb is not None and v.limb != limb
    }
    across_clips = [
        _side(own, others[key])
        for own in visits
        if own.limb == limb
        and DEFINITIONS[own.name].compare
        and (key := (own.day, own.task, own.name, own.family)) in others
        and key not in known
    ]
    return tuple(sorted((*within_clips, *across_clips), key=lambda side: side.day))


def _side(own: VisitMean, other: VisitMean) -> VisitMean:
    if DEFINITIONS[own.name].compare == "lsi":
        value = limb_symmetry_index_pct(own.value, other.value)
        sd = value * math.hypot(own.sd / own.value, other.sd / other.value)
    else:
        value, sd = own.value - other.value, math.hypot(own.sd, other.sd)
    return replace(own, value=value, sd=sd, sets=(*own.sets, *other.sets))


def _turned(one: SetMean, limb: Limb) -> SetMean:
    """Let a comparison name ``limb`` first."""
    if one.limb == limb:
        return one
    if DEFINITIONS[one.name].compare == "lsi":
        turned = 100.0**2 / one.value
        return replace(one, limb=limb, value=turned, sd=one.sd * turned / one.value)
    return replace(one, limb=limb, value=-one.value)


def unevenness(side: VisitMean) -> float:
    """Return how far a side comparison lies from equal limbs, without sign."""
    equal = 100.0 if DEFINITIONS[side.name].compare == "lsi" else 0.0
    return abs(side.value - equal)


# --- what change can be seen -------------------------------------------------------------------


def minimal_changes(
    sets: Iterable[SetMean], settings: TrendSettings = _SETTINGS
) -> dict[Key, MinimalChange]:
    """Return the minimal detectable change of each measure that has one.

    Parameters
    ----------
    sets : of all the clinic's patients
    settings : TrendSettings

    Returns
    -------
    dict
        The published one where there is one. Else from sets of one visit that were filmed
        and analysed alike: their spread within visits is the standard error of
        measurement, and 1.96 sqrt(2) times that the minimal detectable change. Measures
        with too few repeats are left out.

    Notes
    -----
    Repeats within one visit hold nothing of what changes from day to day (clothes, the
    camera's place, the patient), so a clinic's own limit is the least that is needed.
    """
    groups: dict[Key, dict[tuple[object, ...], list[float]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for one in sets:
        alike = (
            one.code, one.day, one.limb, one.view, one.made_with, round(one.frame_rate_hz, -1),
        )  # fmt: skip
        groups[one.task, one.name, family_of(one.view)][alike].append(one.value)
    found = {}
    for key, repeated in groups.items():
        repeats = sem_from_repeats(repeated.values())
        if key[1] in PUBLISHED:
            found[key] = replace(PUBLISHED[key[1]], repeats=repeats)
        elif repeats is not None and repeats.degrees >= settings.fewest_repeats:
            value = minimal_detectable_change(repeats.sem)
            found[key] = MinimalChange(value, "this clinic's own repeats within visits", repeats)
    return found


def minimal_side_change(
    minimal: MinimalChange | None, side: VisitMean, visits: Iterable[VisitMean]
) -> MinimalChange | None:
    """Turn a limb's minimal detectable change into that of limb against limb.

    Two independent errors add as squares: sqrt(2) times as much for a difference, and
    per cent of the other limb's mean value for a limb symmetry index.
    """
    if minimal is None:
        return None
    scale = math.sqrt(2.0)
    if DEFINITIONS[side.name].compare == "lsi":
        others = [
            v.value for v in visits
            if (v.task, v.name, v.family) == (side.task, side.name, side.family)
            and v.limb not in (None, side.limb)
        ]  # fmt: skip
        if not others:
            return None
        scale *= 100.0 * len(others) / math.fsum(others)
    return replace(minimal, value=scale * minimal.value)


def why_not_comparable(
    one: VisitMean, other: VisitMean, settings: TrendSettings = _SETTINGS
) -> str | None:
    """Say why two visits' values cannot be set against each other, or None when they can.

    Parameters
    ----------
    one, other : of the same task, measure and limb
    settings : TrendSettings

    Returns
    -------
    str or None
        The views must be the same; for angles and offsets, which change with the view,
        the patient's turn from square-on must not surely differ (beyond 1.96 standard
        uncertainties); frame rates, program, model and settings must be alike.
    """
    if one.views != other.views:
        return f"filmed from the {_views(one)} and from the {_views(other)}"
    rates = [s.frame_rate_hz for s in (*one.sets, *other.sets)]
    if max(rates) > settings.frame_rate_ratio * min(rates):
        return f"filmed at {_rates(one)} and at {_rates(other)} frames/s"
    if DEFINITIONS[one.name].views != VIEWS and (turn_deg := _sure_turn_deg(one, other)):
        return f"the patient stood turned {turn_deg:.0f} deg differently to the camera"
    if len({s.made_with for s in (*one.sets, *other.sets)}) > 1:
        return "the values were made by different versions, models or settings"
    return None


def _views(mean: VisitMean) -> str:
    return " and ".join(view.replace("_", " ") for view in mean.views)


def _rates(mean: VisitMean) -> str:
    rates = sorted({round(one.frame_rate_hz) for one in mean.sets})
    return " and ".join(map(str, rates))


def _sure_turn_deg(one: VisitMean, other: VisitMean) -> float | None:
    """Return by how much the turn differs, None when it may be the same."""
    (yaw_a, sd_a), (yaw_b, sd_b) = _turn_deg(one), _turn_deg(other)
    turn_deg = abs(yaw_a - yaw_b)
    return turn_deg if turn_deg > Z_95 * math.hypot(sd_a, sd_b) else None


def _turn_deg(mean: VisitMean) -> tuple[float, float]:
    known = [
        (s.yaw_deg, s.yaw_sd_deg) for s in mean.sets
        if s.yaw_deg is not None and s.yaw_sd_deg is not None
    ]  # fmt: skip
    if not known:
        return 0.0, math.inf
    return (
        math.fsum(yaw for yaw, _ in known) / len(known),
        math.sqrt(math.fsum(sd**2 for _, sd in known) / len(known)),
    )


# --- change ------------------------------------------------------------------------------------


def judge_change(
    earlier: VisitMean,
    later: VisitMean,
    minimal: MinimalChange | None,
    settings: TrendSettings = _SETTINGS,
) -> Change:
    """Say whether a value changed from one visit to another.

    Parameters
    ----------
    earlier, later : of the same task, measure and limb
    minimal : from `minimal_changes` or `minimal_side_change`, None where none is known
    settings : TrendSettings

    Returns
    -------
    Change
        ``real`` only beyond ``needed``, the larger of the minimal detectable change and
        1.96 times the standard uncertainty of the difference.
    """
    value, sd = later.value - earlier.value, math.hypot(earlier.sd, later.sd)
    unlike = why_not_comparable(earlier, later, settings)
    if unlike is not None:
        return Change(earlier, later, value, sd, None, False, f"not comparable: {unlike}")
    if minimal is None:
        why = "its minimal detectable change is neither published nor known from own repeats yet"
        return Change(earlier, later, value, sd, None, False, why)
    own = Z_95 * sd
    by_own = own > minimal.value
    why = "the uncertainty of both values" if by_own else "the minimal detectable change"
    needed = max(minimal.value, own)
    return Change(earlier, later, value, sd, needed, abs(value) > needed, why)


def has_grown(earlier: VisitMean, later: VisitMean, settings: TrendSettings = _SETTINGS) -> bool:
    """Whether two limbs have grown apart by more than the uncertainty of both comparisons."""
    growth = unevenness(later) - unevenness(earlier)
    return (
        why_not_comparable(earlier, later, settings) is None
        and growth > Z_95 * math.hypot(earlier.sd, later.sd)
    )  # fmt: skip


def series_of(
    visits: Iterable[VisitMean], task: Task, name: str, family: Family, limb: Limb | None
) -> tuple[VisitMean, ...]:
    """Return one measure of one limb from visit to visit, by day."""
    wanted = (task, name, family, limb)
    found = [v for v in visits if (v.task, v.name, v.family, v.limb) == wanted]
    return tuple(sorted(found, key=lambda mean: mean.day))


def last_change(series: Sequence[VisitMean], minimal: MinimalChange | None) -> Change | None:
    """Judge the last visit against the one before it, None with fewer than two."""
    return judge_change(series[-2], series[-1], minimal) if len(series) > 1 else None


def whole_change(series: Sequence[VisitMean], minimal: MinimalChange | None) -> Change | None:
    """Judge the last visit against the first, None with fewer than three."""
    return judge_change(series[0], series[-1], minimal) if len(series) > 2 else None


def best_family(visits: Iterable[VisitMean], task: Task, name: str) -> Family | None:
    """Return from where a measure was read best: most visits, both limbs, least uncertainty."""
    found: Mapping[Family, list[VisitMean]] = defaultdict(list)
    for visit in visits:
        if (visit.task, visit.name) == (task, name):
            found[visit.family].append(visit)
    if not found:
        return None

    def merit(family: Family) -> tuple[int, int, float]:
        means = found[family]
        days, limbs = len({m.day for m in means}), len({m.limb for m in means})
        return days, limbs, -math.fsum(m.sd for m in means) / len(means)

    return max(found, key=merit)
