"""Means of sets -> means of visits, limb against limb, and what of their change is real.

A change between two visits is called real only when it lies beyond the minimal detectable
change at 95 % and beyond the uncertainty of the two values themselves, and only between
visits that were filmed and analysed alike. All else is ``NONE_SHOWN``, with the reason.
That rule is `judge_change`, and every page that says what changed goes by it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import Literal, NamedTuple

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.exercises import rung
from landing_analysis.maths.statistics import (
    Z_95,
    Repeats,
    limb_symmetry_index_pct,
    minimal_detectable_change,
    sem_from_repeats,
)
from landing_analysis.measures.summaries import LIMB, OFFSET, PERSON
from landing_analysis.settings import TrendSettings
from landing_analysis.tables import LIMBS, VIEWS, Exercise, Limb, UncertaintyPart, View
from landing_analysis.trend.alike import ONE_WAY, Way

Family = Literal["front", "back", "side", "oblique"]
FAMILIES: tuple[Family, ...] = ("front", "back", "side", "oblique")


class Key(NamedTuple):
    """What a minimal detectable change holds for."""

    exercise: Exercise
    name: str
    family: Family
    foot_to_foot: bool = False


class Followed(NamedTuple):
    """One measure that is followed from visit to visit, from where it is read best."""

    exercise: Exercise
    way: Way
    name: str
    family: Family

    @property
    def key(self) -> Key:
        """What its minimal detectable change is known for."""
        return Key(self.exercise, self.name, self.family, self.way.foot_to_foot)


_SETTINGS = TrendSettings()

NONE_SHOWN = "no change that this measurement can show"


@dataclass(frozen=True)
class SetMean:
    """Mean of one measure over one set, and how the set was filmed.

    ``made_with`` names the program, model and settings that made the value; ``sd`` is its
    standard uncertainty, made of ``parts`` (empty where the record does not know them), and
    ``yaw_sd_deg`` that of the turn from square-on. ``number`` is the same for all means of
    one set. It is ``by_hand`` where contacts or landmarks that a person set changed a rep of it,
    and ``corrected`` where what the pose model is known to miss of an angle was added.
    """

    code: str
    day: date
    exercise: Exercise
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
    number: int = 0
    way: Way = ONE_WAY
    parts: tuple[UncertaintyPart, ...] = ()
    by_hand: bool = False
    corrected: bool = False

    @property
    def varying_sd(self) -> float:
        """What of ``sd`` is new at each visit; all of it where the parts are not known."""
        return _varying_sd(self.parts) if self.parts else self.sd


@dataclass(frozen=True)
class VisitMean:
    """One measure of one visit over its sets of one exercise and way, seen from one side.

    A comparison of both limbs is a `VisitMean` as well: its ``limb`` is set against the
    other one, in per cent (limb symmetry index) or as a difference in the measure's unit.
    ``varying_sd`` is what of ``sd`` is new at each visit of this person, so that it does not
    cancel in a change. ``left_out`` counts the sets that show one limb only while others show
    both, and ``apart`` says that the limbs of a comparison were seen in different sets.
    ``within_a_frame`` says that they differ by less than a frame in each set.
    """

    day: date
    exercise: Exercise
    name: str
    family: Family
    limb: Limb | None
    value: float
    sd: float
    varying_sd: float
    sets: tuple[SetMean, ...]
    way: Way = ONE_WAY
    left_out: int = 0
    apart: bool = False
    within_a_frame: bool = False

    @property
    def reps(self) -> int:
        """Reps of all sets."""
        return sum(one.reps for one in self.sets)

    @property
    def views(self) -> tuple[View, ...]:
        """The views of the sets, each once."""
        return tuple(view for view in VIEWS if any(one.view == view for one in self.sets))

    @property
    def by_hand(self) -> bool:
        """Whether any set rests on contacts or landmarks that a person set."""
        return any(one.by_hand for one in self.sets)


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

    @property
    def by_hand(self) -> bool:
        """Whether either visit rests on contacts or landmarks that a person set."""
        return self.earlier.by_hand or self.later.by_hand


PUBLISHED: dict[str, MinimalChange] = {
    "fppa_peak_flexion": MinimalChange(
        8.93,
        "Munro A, Herrington L, Carolan M. J Sport Rehabil 2012;21(1):7-11: 7.54 to 8.93 deg by "
        "exercise, 20 people, landmarks placed by hand; the largest is used.",
    )
}
"""Published minimal detectable changes at 95 %, by measure."""


# --- visits ------------------------------------------------------------------------------------


def _varying_sd(
    parts: Iterable[UncertaintyPart], settings: TrendSettings = _SETTINGS
) -> float:  # fmt: skip
    """Return what is new at each visit: all but what is the person's and the limb's own."""
    stays = {PERSON: 1.0, LIMB: 1.0, OFFSET: settings.offset_person_share}
    return math.sqrt(math.fsum((1 - stays.get(p.name, 0.0)) * p.sd**2 for p in parts))


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
    Where some of the sets that are left show both limbs, both are read from those, so that
    one limb minus the other is their difference in the same sets.
    The uncertainty is the root mean square of the sets' own: what errors they share, those
    of the pose model above all, does not shrink with their number, so nothing is taken off.
    """
    groups: dict[tuple[date, Exercise, Way, str, Family], list[SetMean]] = defaultdict(list)
    for one in sets:
        groups[one.day, one.exercise, one.way, one.name, family_of(one.view)].append(one)
    order = list(DEFINITIONS)
    joined = [mean for key, found in groups.items() for mean in _joined(*key, found)]
    return tuple(
        sorted(
            joined,
            key=lambda mean: (
                mean.day, mean.exercise, mean.way, order.index(mean.name),
                FAMILIES.index(mean.family), mean.limb or "whole",
            ),
        )
    )  # fmt: skip


def _joined(
    day: date, exercise: Exercise, way: Way, name: str, family: Family, sets: list[SetMean]
) -> Iterable[VisitMean]:
    """Join the sets of one measure, limb by limb."""
    by_limb = {limb: _nearer([s for s in sets if s.limb == limb]) for limb in (*LIMBS, None)}
    both = {s.number for s in by_limb["left"]} & {s.number for s in by_limb["right"]}
    for limb, own in by_limb.items():
        if own:
            kept = tuple(s for s in own if s.number in both) if both and limb else own
            value = math.fsum(one.value for one in kept) / len(kept)
            sd = _root_mean_square(one.sd for one in kept)
            varying = _root_mean_square(one.varying_sd for one in kept)
            left_out = len(own) - len(kept)
            yield VisitMean(
                day, exercise, name, family, limb, value, sd, varying, kept, way, left_out
            )  # fmt: skip


def _nearer(sets: list[SetMean]) -> tuple[SetMean, ...]:
    near = tuple(one for one in sets if one.limb is not None and one.near_limb == one.limb)
    return near or tuple(sets)


def _root_mean_square(values: Iterable[float]) -> float:
    squares = [value**2 for value in values]
    return math.sqrt(math.fsum(squares) / len(squares))


def side_means(
    visits: Iterable[VisitMean], compared: Iterable[SetMean], limb: Limb
) -> tuple[VisitMean, ...]:
    """Set ``limb`` against the other limb in every visit and measure that has both.

    Parameters
    ----------
    visits : from `visit_means`
    compared : comparisons within one set, which know what errors both limbs share
    limb : the surgical limb, or the left one when no surgical side is known

    Returns
    -------
    tuple of VisitMean
        Limb symmetry index in per cent where the measure has a true zero, else the
        difference ``limb`` minus the other: of the two limbs' values as they stand in
        ``visits``, so that both limbs and their difference add up.
    """
    visits = tuple(visits)
    within = {(one.number, one.name): one for one in compared}
    others = {_side_key(v): v for v in visits if v.limb is not None and v.limb != limb}
    found = [
        _side(own, others[_side_key(own)], within)
        for own in visits
        if own.limb == limb and DEFINITIONS[own.name].compare and _side_key(own) in others
    ]
    return tuple(sorted(found, key=lambda side: side.day))


def _side_key(mean: VisitMean) -> tuple[date, Exercise, Way, str, Family]:
    return mean.day, mean.exercise, mean.way, mean.name, mean.family


def _side(
    own: VisitMean, other: VisitMean, within: Mapping[tuple[int, str], SetMean]
) -> VisitMean:  # fmt: skip
    index = DEFINITIONS[own.name].compare == "lsi"
    value = limb_symmetry_index_pct(own.value, other.value) if index else own.value - other.value
    apart = {one.number for one in own.sets} != {one.number for one in other.sets}
    compared = [within[key] for one in own.sets if (key := (one.number, own.name)) in within]
    if not apart and len(compared) == len(own.sets):
        scales = [value / c.value if index else 1.0 for c in compared]
        sd, varying = (
            _root_mean_square(scale * one for scale, one in zip(scales, sds, strict=True))
            for sds in ([c.sd for c in compared], [c.varying_sd for c in compared])
        )
    else:
        sd, varying = (
            value * math.hypot(a / own.value, b / other.value) if index else math.hypot(a, b)
            for a, b in ((own.sd, other.sd), (own.varying_sd, other.varying_sd))
        )
    return replace(
        own,
        value=value,
        sd=sd,
        varying_sd=varying,
        sets=(*own.sets, *other.sets),
        left_out=own.left_out + other.left_out,
        apart=apart,
        within_a_frame=not (apart or compared) and DEFINITIONS[own.name].unit in ("s", "ms"),
    )


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
            one.code, one.day, one.limb, one.view, one.way, one.made_with, one.corrected,
            round(one.frame_rate_hz, -1),
        )  # fmt: skip
        key = Key(one.exercise, one.name, family_of(one.view), one.way.foot_to_foot)
        groups[key][alike].append(one.value)
    found = {}
    for key, repeated in groups.items():
        repeats = sem_from_repeats(repeated.values())
        if key.name in PUBLISHED:
            found[key] = replace(PUBLISHED[key.name], repeats=repeats)
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
            if (v.exercise, v.way) == (side.exercise, side.way)
            and (v.name, v.family) == (side.name, side.family)
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
    one, other : of the same exercise, measure and limb
    settings : TrendSettings

    Returns
    -------
    str or None
        The views must be the same; for angles and offsets, which change with the view,
        the patient's turn from square-on must not surely differ (beyond 1.96 standard
        uncertainties); frame rates, program, model and settings must be alike, and an angle
        corrected in all sets or in none.
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
    if len({s.corrected for s in (*one.sets, *other.sets)}) > 1:
        return "the angle is corrected in some sets and left as read in others"
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
    earlier, later : of the same exercise, measure and limb
    minimal : from `minimal_changes` or `minimal_side_change`, None where none is known
    settings : TrendSettings

    Returns
    -------
    Change
        ``real`` only beyond ``needed``, the larger of the minimal detectable change and
        1.96 times the standard uncertainty of the difference, in which what is the same at
        both visits (`VisitMean.varying_sd`) cancels.
    """
    value = later.value - earlier.value
    sd = math.hypot(earlier.varying_sd, later.varying_sd)
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


def has_grown(change: Change) -> bool:
    """Whether two limbs have really grown apart, by a change of their comparison."""
    return change.real and unevenness(change.later) > unevenness(change.earlier)


def followed(visits: Iterable[VisitMean]) -> tuple[Followed, ...]:
    """Return the measures that are followed from visit to visit, in the order of the pages."""
    visits = tuple(visits)
    done = {(visit.exercise, visit.way) for visit in visits}
    return tuple(
        Followed(exercise, way, name, family)
        for exercise, way in sorted(done, key=lambda one: (rung(one[0]), one[1]))
        for name in DEFINITIONS
        if name not in _NOT_FOLLOWED and (family := best_family(visits, exercise, name, way))
    )


_NOT_FOLLOWED = {"knee_flexion_target_difference"}  # peak flexion again, minus a constant


def series_of(
    visits: Iterable[VisitMean], what: Followed, limb: Limb | None
) -> tuple[VisitMean, ...]:  # fmt: skip
    """Return one measure of one limb from visit to visit, by day."""
    found = [v for v in visits if (v.exercise, v.way, v.name, v.family, v.limb) == (*what, limb)]
    return tuple(sorted(found, key=lambda mean: mean.day))


def changes_in(series: Sequence[VisitMean], minimal: MinimalChange | None) -> tuple[Change, ...]:
    """Judge each visit against the one before it."""
    return tuple(judge_change(*pair, minimal) for pair in pairwise(series))


def last_change(series: Sequence[VisitMean], minimal: MinimalChange | None) -> Change | None:
    """Judge the last visit against the one before it, None with fewer than two."""
    return next(reversed(changes_in(series, minimal)), None)


def whole_change(series: Sequence[VisitMean], minimal: MinimalChange | None) -> Change | None:
    """Judge the last visit against the first, None with fewer than three."""
    return judge_change(series[0], series[-1], minimal) if len(series) > 2 else None


def best_family(
    visits: Iterable[VisitMean], exercise: Exercise, name: str, way: Way = ONE_WAY
) -> Family | None:
    """Return from where a measure was read best: most visits, both limbs, least uncertainty."""
    found: Mapping[Family, list[VisitMean]] = defaultdict(list)
    for visit in visits:
        if (visit.exercise, visit.name, visit.way) == (exercise, name, way):
            found[visit.family].append(visit)
    if not found:
        return None

    def merit(family: Family) -> tuple[int, int, float]:
        means = found[family]
        days, limbs = len({m.day for m in means}), len({m.limb for m in means})
        return days, limbs, -math.fsum(m.sd for m in means) / len(means)

    return max(found, key=merit)
