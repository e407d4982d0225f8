"""Means of visits -> what of their change is real.

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
from itertools import pairwise
from typing import Literal, NamedTuple

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.exercises import rung
from landing_analysis.maths.statistics import (
    Z_95,
    Repeats,
    minimal_detectable_change,
    sem_from_repeats,
)
from landing_analysis.settings import TrendSettings
from landing_analysis.tables import VIEWS, Exercise, Limb, View
from landing_analysis.trend.alike import ONE_WAY, Way
from landing_analysis.trend.visits import Family, SetMean, VisitMean, family_of, unevenness


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

Outcome = Literal["real", "none shown", "not comparable", "not judged"]
"""Of two visits: what their change is, or that they were not filmed or analysed alike, or that
nobody knows yet from which size on such a change is real."""

NONE_SHOWN = "no change that this measurement can show"
OTHERWISE_MADE = "the values were made by different versions, models or settings"


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
    such limit is known or the visits are not ``comparable`` it is None, and ``why`` says so.
    """

    earlier: VisitMean
    later: VisitMean
    value: float
    sd: float
    needed: float | None
    comparable: bool
    why: str

    @property
    def real(self) -> bool:
        """Whether it is beyond what is needed."""
        return self.needed is not None and abs(self.value) > self.needed

    @property
    def outcome(self) -> Outcome:
        """What can be said of it; pages have their own words for each."""
        if not self.comparable:
            return "not comparable"
        if self.needed is None:
            return "not judged"
        return "real" if self.real else "none shown"

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
        corrected in all sets or in none. Of a comparison of both limbs this holds for each:
        where one limb cannot be set against its earlier self, neither can both against theirs.
    """
    limbs = dict.fromkeys(s.limb for s in (*one.sets, *other.sets))
    for limb in limbs:
        before, after = (tuple(s for s in mean.sets if s.limb == limb) for mean in (one, other))
        unlike = _why_unlike(one.name, before, after, settings) if before and after else None
        if unlike is not None:
            return unlike
    return None


_Sets = tuple[SetMean, ...]


def _why_unlike(name: str, one: _Sets, other: _Sets, settings: TrendSettings) -> str | None:
    """Say why sets of one limb at two visits are unlike, or None when they are alike."""
    both = (*one, *other)
    if _views_of(one) != _views_of(other):
        return f"filmed from the {_view_words(one)} and from the {_view_words(other)}"
    rates = [s.frame_rate_hz for s in both]
    if max(rates) > settings.frame_rate_ratio * min(rates):
        return f"filmed at {_rates(one)} and at {_rates(other)} frames/s"
    if DEFINITIONS[name].views != VIEWS and (turn_deg := _sure_turn_deg(one, other)):
        return f"the patient stood turned {turn_deg:.0f} deg differently to the camera"
    if len({s.made_with for s in both}) > 1:
        return OTHERWISE_MADE
    if len({s.corrected for s in both}) > 1:
        return "the angle is corrected in some sets and left as read in others"
    return None


def _views_of(sets: _Sets) -> list[View]:
    return [view for view in VIEWS if any(one.view == view for one in sets)]


def _view_words(sets: _Sets) -> str:
    return " and ".join(view.replace("_", " ") for view in _views_of(sets))


def _rates(sets: _Sets) -> str:
    rates = sorted({round(one.frame_rate_hz) for one in sets})
    return " and ".join(map(str, rates))


def _sure_turn_deg(one: _Sets, other: _Sets) -> float | None:
    """Return by how much the turn differs, None when it may be the same."""
    (yaw_a, sd_a), (yaw_b, sd_b) = _turn_deg(one), _turn_deg(other)
    turn_deg = abs(yaw_a - yaw_b)
    return turn_deg if turn_deg > Z_95 * math.hypot(sd_a, sd_b) else None


def _turn_deg(sets: _Sets) -> tuple[float, float]:
    known = [
        (s.yaw_deg, s.yaw_sd_deg) for s in sets
        if s.yaw_deg is not None and s.yaw_sd_deg is not None
    ]  # fmt: skip
    if not known:
        return 0.0, math.inf
    return (
        math.fsum(yaw for yaw, _ in known) / len(known),
        math.sqrt(math.fsum(sd**2 for _, sd in known) / len(known)),
    )


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
        return Change(
            earlier, later, value, sd, None, comparable=False, why=f"not comparable: {unlike}"
        )
    if minimal is None:
        why = "its minimal detectable change is neither published nor known from own repeats yet"
        return Change(earlier, later, value, sd, None, comparable=True, why=why)
    own = Z_95 * sd
    by_own = own > minimal.value
    why = "the uncertainty of both values" if by_own else "the minimal detectable change"
    needed = max(minimal.value, own)
    return Change(earlier, later, value, sd, needed, comparable=True, why=why)


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
