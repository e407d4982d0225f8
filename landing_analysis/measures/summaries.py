"""Measures of single reps -> the set: mean, spread, first against last third, limb against limb."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from landing_analysis.definitions import DEFINITIONS, IN_SECONDS
from landing_analysis.disturbances.effects import Effect
from landing_analysis.settings import MeasureSettings
from landing_analysis.tables import (
    Bout,
    FloatArray,
    Limb,
    Measure,
    Measures,
    NotCompared,
    Rep,
    SetSummary,
    SideComparison,
    UncertaintyPart,
    View,
    other_limb,
)

_SETTINGS = MeasureSettings()

NOISE = "landmark noise"
TIMING = "instant of the event"
REP_TIMING = "instant of both feet's event"
MODEL_TIMING = "pose model timing"
BOTH_LIMBS_TIMING = "pose model timing, both limbs"
OFFSET = "pose model offset"
PERSON = "pose model, person"
LIMB = "pose model, limb"
CLIP = "pose model, clip"
POSTURE = "pose model, posture"
OFFSET_PARTS = {"person": PERSON, "limb": LIMB, "clip": CLIP, "posture": POSTURE}
"""What is left of an offset that was taken off, by whose it is (`offsets.Part`)."""
YAW = "view yaw"
VERTICAL = "vertical of the picture"

SPREAD = "spread of reps"
"""What is random in a set's mean: the reps' spread, or what is claimed of one, over sqrt(n)."""

OWN_PARTS = frozenset({NOISE, TIMING, REP_TIMING, POSTURE})
"""Parts of an uncertainty that each rep has for itself; averaging does not shrink the others."""
BOTH_LIMBS_PARTS = frozenset({PERSON, CLIP, BOTH_LIMBS_TIMING, REP_TIMING})
"""Parts that both limbs of a clip share, so that they are not in the difference of the limbs."""


def with_set(
    measures: Measures, settings: MeasureSettings, effects: tuple[Effect, ...] = ()
) -> Measures:
    """Add the summaries of the set, and one limb against the other, to its single values.

    Parameters
    ----------
    measures : the single values
    settings : MeasureSettings
    effects : some may ask that means in time which differ by too little are not compared
    """
    summaries = summarise(measures.measures, settings)
    kept: list[SideComparison] = []
    left_out: list[NotCompared] = []
    for item in compare_sides(measures.measures, settings=settings):
        reasons = [
            effect.too_alike
            for effect in effects
            if effect.too_alike and differ_by_less(item.name, summaries, effect.least_difference_s)
        ]
        if reasons:
            left_out.append(NotCompared(item.name, reasons[0]))
        else:
            kept.append(item)
    return Measures(measures.measures, summaries, tuple(kept), tuple(left_out))


def differ_by_less(name: str, summaries: tuple[SetSummary, ...], least_s: float) -> bool:
    """Whether a measure is a time in which both limbs' means differ by less than so much."""
    to_s = IN_SECONDS.get(DEFINITIONS[name].unit)
    if to_s is None:
        return False
    means = [row.mean for row in summaries if row.name == name and row.limb is not None]
    return abs(means[0] - means[-1]) * to_s < least_s


def summarise(rows: tuple[Measure, ...], settings: MeasureSettings) -> tuple[SetSummary, ...]:
    """Summarise every measure and limb over the used reps.

    Parameters
    ----------
    rows : Measures of one clip; rows without a value, or not of the set, are left out
    settings : MeasureSettings

    Returns
    -------
    tuple of SetSummary, in the order of `definitions`, the left limb first

    Notes
    -----
    The standard uncertainty of the mean is the spread (or, where larger, the
    claimed noise) over the root of the number of reps, and the shared parts of
    the single uncertainties added unshrunk.
    """
    return tuple(
        _summary(name, limb, chosen, settings.fewest_reps_for_thirds)
        for name in DEFINITIONS
        for limb in ("left", "right", None)
        if (chosen := _with_value(rows, name, limb))
    )


def rows_of_bout(
    bout: Bout, reps: tuple[Rep, ...], view: View, rows: tuple[Measure, ...]
) -> tuple[Measure, ...]:
    """Return the rows of one bout by itself, those of the set that it is.

    Left out are rebounds, and reps that are seen in another view than the clip's, as in a set;
    reps that are not used have no rows.
    """
    counted = {
        rep.number
        for rep in reps
        if rep.number in bout.reps and not rep.rebound and rep.view in (None, view)
    }
    return tuple(replace(row, of_set=True) for row in rows if row.rep in counted)


def summarise_bout(
    bout: Bout,
    reps: tuple[Rep, ...],
    view: View,
    rows: tuple[Measure, ...],
    settings: MeasureSettings = _SETTINGS,
) -> tuple[SetSummary, ...]:
    """Summarise one bout by itself, as `summarise` does a set."""
    return summarise(rows_of_bout(bout, reps, view, rows), settings)


def compare_sides(
    rows: tuple[Measure, ...], limb: Limb = "left", settings: MeasureSettings = _SETTINGS
) -> tuple[SideComparison, ...]:
    """Compare ``limb`` with the other limb in every measure that both have.

    Parameters
    ----------
    rows : Measures of one clip
    limb : the left one in all that is stored; a page may name the surgical one first

    Returns
    -------
    tuple of SideComparison: the limb symmetry index (``limb`` over the other, per
    cent) for ratio quantities, none where a mean is not above 0, else the difference (``limb``
    minus the other)

    Notes
    -----
    The limbs' uncertainties add as squares, but for what both limbs share
    (`BOTH_LIMBS_PARTS`), which is not in their difference, and that of yaw: a turned body shows
    false valgus on one knee and as much false varus on the other. Where both land in the same
    reps, what differs from rep to rep in both limbs alike is not in their difference either: a
    longer landing is longer for both.
    """
    other = other_limb(limb)
    comparisons = []
    for name, definition in DEFINITIONS.items():
        own, opposite = _with_value(rows, name, limb), _with_value(rows, name, other)
        if definition.compare is None or not own or not opposite:
            continue
        a, b = _summary(name, limb, _apart(own)), _summary(name, other, _apart(opposite))
        if definition.compare == "lsi":
            if not min(a.mean, b.mean) > 0:
                continue
            value, unit = 100.0 * a.mean / b.mean, "%"
            per_limb = abs(value / a.mean), abs(value / b.mean)
        else:
            value, unit = a.mean - b.mean, definition.unit
            per_limb = 1.0, 1.0
        spread = UncertaintyPart(SPREAD, _spread_between(own, opposite, per_limb, settings))
        parts = (spread, *_of_difference(a, b, *per_limb))
        sd = math.hypot(*(part.sd for part in parts))
        comparisons.append(SideComparison(name, definition.compare, limb, value, sd, unit, parts))
    return tuple(comparisons)


def _apart(rows: list[Measure]) -> list[Measure]:
    """Return the rows without what the other limb's values share."""
    return [
        replace(row, parts=tuple(p for p in row.parts if p.name not in BOTH_LIMBS_PARTS))
        for row in rows
    ]


def _spread_between(
    one: list[Measure],
    other: list[Measure],
    per_limb: tuple[float, float],
    settings: MeasureSettings,
) -> float:
    """Return what is random in the difference of two limbs' means, each limb's by a factor.

    That is no less than what is claimed of single values, and else the spread of both limbs; of
    both without what limbs are alike by in the reps that both land in.
    """
    scaled = [
        dict(zip((row.rep for row in rows), factor * _values(rows), strict=True))
        for rows, factor in zip((one, other), per_limb, strict=True)
    ]
    both = sorted(scaled[0].keys() & scaled[1].keys())
    twice = 2.0 * len(both) / math.prod(map(len, scaled))  # definition: of means' covariance
    claimed = sum(
        factor**2 * _random_square(rows) / len(rows)
        for rows, factor in zip((one, other), per_limb, strict=True)
    )
    of_rep = (_mean_squares(rows).get(REP_TIMING, 0.0) for rows in (one, other))
    claimed -= twice * math.prod(per_limb) * math.sqrt(math.prod(of_rep))
    if min(map(len, scaled)) < 2:  # definition: one value has no spread
        return math.sqrt(claimed)
    squares = [float(np.var(list(values.values()), ddof=1)) for values in scaled]
    apart = sum(square / len(values) for square, values in zip(squares, scaled, strict=True))
    if len(both) >= settings.fewest_reps_to_pair:
        pairs = np.array([[values[rep] for rep in both] for values in scaled])
        apart -= twice * float(np.cov(pairs)[0, 1])
    return math.sqrt(max(claimed, apart))


def _random_square(rows: list[Measure]) -> float:
    """Return what is claimed that each value has for itself, squared."""
    return sum(square for part, square in _mean_squares(rows).items() if part in OWN_PARTS)


def _of_difference(
    one: SetSummary, other: SetSummary, per_one: float, per_other: float
) -> tuple[UncertaintyPart, ...]:
    """Return the parts of two limbs against each other but their spread, each by a factor."""
    ones = {part.name: per_one * part.sd for part in one.parts if part.name != SPREAD}
    others = {part.name: per_other * part.sd for part in other.parts if part.name != SPREAD}
    return tuple(
        UncertaintyPart(
            name,
            ones.get(name, 0.0) + others.get(name, 0.0)
            if name == YAW
            else math.hypot(ones.get(name, 0.0), others.get(name, 0.0)),
        )
        for name in dict.fromkeys((*ones, *others))
    )


def _with_value(rows: tuple[Measure, ...], name: str, limb: Limb | None) -> list[Measure]:
    return [
        r for r in rows if r.of_set and r.name == name and r.limb == limb and r.value is not None
    ]


def _values(rows: list[Measure]) -> FloatArray:
    return np.array([row.value for row in rows], dtype=float)


def _summary(
    name: str, limb: Limb | None, rows: list[Measure], fewest_for_thirds: float = math.inf
) -> SetSummary:
    values = _values(rows)
    n = len(values)
    squares = _mean_squares(rows)
    spread = float(values.std(ddof=1)) if n > 1 else None
    noise = math.sqrt(_random_square(rows))
    parts = (
        UncertaintyPart(SPREAD, max(noise, spread or 0.0) / math.sqrt(n)),
        *(
            UncertaintyPart(part, math.sqrt(square))
            for part, square in squares.items()
            if part not in OWN_PARTS
        ),
    )
    best, worst = _extremes(values, DEFINITIONS[name].better)
    first = last = fatigue = fatigue_sd = None
    if n >= fewest_for_thirds:
        third = n // 3  # definition: a third
        first, last = float(values[:third].mean()), float(values[-third:].mean())
        fatigue = last - first
        fatigue_sd = float(max(noise, spread or 0.0) * np.sqrt(2.0 / third))
    return SetSummary(
        name=name,
        limb=limb,
        unit=DEFINITIONS[name].unit,
        reps_used=n,
        mean=float(values.mean()),
        mean_sd=math.hypot(*(part.sd for part in parts)),
        sd=spread,
        best=best,
        worst=worst,
        first_third=first,
        last_third=last,
        fatigue=fatigue,
        fatigue_sd=fatigue_sd,
        parts=parts,
    )


def _mean_squares(rows: list[Measure]) -> dict[str, float]:
    """Return the mean square of each part of the single uncertainties."""
    sums: dict[str, float] = {}
    for part in (part for row in rows for part in row.parts):
        sums[part.name] = sums.get(part.name, 0.0) + part.sd**2
    return {name: total / len(rows) for name, total in sums.items()}


def _extremes(values: np.ndarray, better: str | None) -> tuple[float | None, float | None]:
    """Return the best and the worst value, None where neither direction is better."""
    if better is None:
        return None, None
    merit = values if better == "higher" else -np.abs(values)
    return float(values[np.argmax(merit)]), float(values[np.argmin(merit)])
