"""Means of sets -> means of visits, and limb against limb."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.maths.statistics import limb_symmetry_index_pct
from landing_analysis.measures.summaries import LIMB, OFFSET, PERSON
from landing_analysis.settings import TrendSettings
from landing_analysis.tables import LIMBS, Exercise, Limb, UncertaintyPart, View
from landing_analysis.trend.alike import ONE_WAY, Way

Family = Literal["front", "back", "side", "oblique"]

FAMILIES: tuple[Family, ...] = ("front", "back", "side", "oblique")

_SETTINGS = TrendSettings()


@dataclass(frozen=True)
class SetMean:
    """Mean of one measure over one set, and how the set was filmed.

    ``made_with`` names the program, model and settings that made the value; ``sd`` is its
    standard uncertainty, made of ``parts`` (empty where the record does not know them), and
    ``yaw_sd_deg`` that of the turn from square-on. ``number`` is the same for all means of
    one clip. It is ``by_hand`` where contacts or landmarks that a person set changed a rep of it,
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
    def by_hand(self) -> bool:
        """Whether any set rests on contacts or landmarks that a person set."""
        return any(one.by_hand for one in self.sets)


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
    within = {_set_key(one): one for one in compared}
    others = {_side_key(v): v for v in visits if v.limb is not None and v.limb != limb}
    found = [
        _side(own, others[_side_key(own)], within)
        for own in visits
        if own.limb == limb and DEFINITIONS[own.name].compare and _side_key(own) in others
    ]
    return tuple(sorted(found, key=lambda side: side.day))


_SetKey = tuple[int, Exercise, str]


def _set_key(one: SetMean) -> _SetKey:
    return one.number, one.exercise, one.name


def _side_key(mean: VisitMean) -> tuple[date, Exercise, Way, str, Family]:
    return mean.day, mean.exercise, mean.way, mean.name, mean.family


def _side(
    own: VisitMean, other: VisitMean, within: Mapping[_SetKey, SetMean]
) -> VisitMean:  # fmt: skip
    index = DEFINITIONS[own.name].compare == "lsi"
    value = limb_symmetry_index_pct(own.value, other.value) if index else own.value - other.value
    apart = {one.number for one in own.sets} != {one.number for one in other.sets}
    compared = [within[key] for one in own.sets if (key := _set_key(one)) in within]
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
