"""Forms of the offset on plain and on both looks: bodies left out in turn, and those held out."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import NamedTuple

import numpy as np

from landing_analysis.measures.offsets import Looks
from landing_analysis.tables import FloatArray

from .landing_rows import Landing
from .still_rows import LOOKS, VIEWS

_READING, _STANDING, _OTHER = "fppa_deg", "standing_fppa_deg", "other_fppa_deg"
FORMS: dict[str, tuple[str, ...]] = {
    "a constant": (),
    "reading": (_READING,),
    "reading and standing": (_READING, _STANDING),
    "and the other limb": (_READING, _STANDING, _OTHER),
    "and the hips' width": (_READING, _STANDING, _OTHER, "hips_legs"),
    "and the world landmarks' angle": (_READING, _STANDING, _OTHER, "hips_legs", "world_fppa_deg"),
    "the same but for the hips": (_READING, _STANDING, _OTHER, "world_fppa_deg"),
    "and the thigh, the other foot": (
        _READING,
        _STANDING,
        _OTHER,
        "world_fppa_deg",
        "thigh_down_legs",
        "other_lifted",
    ),
    "the same but for standing": (
        _READING,
        _OTHER,
        "world_fppa_deg",
        "thigh_down_legs",
        "other_lifted",
    ),
}
"""By name: the numbers that an offset is a linear form of."""


class Told(NamedTuple):
    """One limb's mean in one set: what is told and what is true, degrees."""

    landing: Landing
    told_deg: float
    true_deg: float

    @property
    def error_deg(self) -> float:
        """What is told too much."""
        return self.told_deg - self.true_deg


@dataclass(frozen=True)
class _Line:
    """A form that was fitted: constant, weights, and the names it goes by."""

    names: tuple[str, ...]
    coefficients: FloatArray

    def told_deg(self, landing: Landing, looks: Looks) -> float:
        numbers = [1.0, *(landing.features[looks][name] for name in self.names)]
        return landing.read_deg[looks] + float(np.dot(numbers, self.coefficients))


def fitted(landings: Sequence[Landing], names: tuple[str, ...], looks: Looks) -> _Line:
    """Fit a form by least squares to the landings in which all its numbers are known."""
    known = [one for one in landings if all(name in one.features[looks] for name in names)]
    table = np.array([[1.0, *(one.features[looks][name] for name in names)] for one in known])
    missed = np.array([one.true_deg - one.read_deg[looks] for one in known])
    return _Line(names, np.linalg.lstsq(table, missed, rcond=None)[0])


def told(
    landings: Sequence[Landing], to_fit: Sequence[Landing], names: tuple[str, ...], looks: Looks
) -> list[float]:
    """Tell the angle of each landing; where no standing is seen, by a form without it."""
    without = tuple(name for name in names if not name.startswith("standing"))
    with_it, plain = fitted(to_fit, names, looks), fitted(to_fit, without, looks)
    return [
        (with_it if "standing_fppa_deg" in one.features[looks] else plain).told_deg(one, looks)
        for one in landings
    ]


def told_left_out(
    landings: Sequence[Landing], names: tuple[str, ...], looks: Looks
) -> list[float]:  # fmt: skip
    """Tell the angle of each landing by forms that were fitted to other bodies."""
    fold_of = [one.plan.number for one in landings]
    values = [math.nan] * len(landings)
    for fold in set(fold_of):
        others = [one for one, number in zip(landings, fold_of, strict=True) if number != fold]
        chosen = [index for index, number in enumerate(fold_of) if number == fold]
        of_fold = told([landings[index] for index in chosen], others, names, looks)
        for index, value in zip(chosen, of_fold, strict=True):
            values[index] = value
    return values


def set_means(landings: Sequence[Landing], values: Sequence[float]) -> list[Told]:
    """Return each limb's mean in each set."""
    pairs = sorted(zip(landings, values, strict=True), key=lambda pair: _limb_of_set(pair[0]))
    means = []
    for _, group in groupby(pairs, key=lambda pair: _limb_of_set(pair[0])):
        ones, told_deg = zip(*group, strict=True)
        true_deg = float(np.mean([one.true_deg for one in ones]))
        means.append(Told(ones[0], float(np.mean(told_deg)), true_deg))
    return means


def _limb_of_set(one: Landing) -> tuple[str, str]:
    return one.plan.name, one.limb


def side_errors(means: Sequence[Told]) -> list[float]:
    """Return what left minus right errs by, of each set of jumps."""
    by = {_limb_of_set(one.landing): one.error_deg for one in means}
    return [by[name, "left"] - by[name, "right"] for name, limb in by
            if limb == "left" and (name, "right") in by]  # fmt: skip


def change_errors(means: Sequence[Told]) -> list[float]:
    """Return what the change between two visits errs by, of each limb."""

    def who(one: Told) -> tuple[object, ...]:
        plan = one.landing.plan
        return plan.number, plan.view, plan.support, one.landing.limb, plan.visit

    by = {who(one): one.error_deg for one in means}
    return [error - by[(*key[:-1], 1)] for key, error in by.items()
            if key[-1] == 2 and (*key[:-1], 1) in by]  # fmt: skip


def rms(values: Iterable[float]) -> float:
    """Root mean square; NaN of nothing."""
    squares = np.square(list(values))
    return float(np.sqrt(squares.mean())) if len(squares) else math.nan


# --- the page --------------------------------------------------------------------------------


def mirrored_page(landings: Sequence[Landing]) -> str:
    """Write the tables of both views."""
    parts = [
        "# FPPA with the mirrored picture beside the plain one\n",
        "Printed by `python -m tests.accuracy.mirrored table`.\nMean of a set of four landings, "
        "deg; read at the true lowest point. See `methods/angles.md`.\n",
    ]
    for view in VIEWS:
        seen = [one for one in landings if one.plan.view == view]
        held = [one for one in seen if one.held_out]
        others = [one for one in seen if not one.held_out]
        for what, chosen, tell in (
            ("bodies left out of the fit in turn", others, told_left_out),
            ("held-out bodies", held, lambda ones, *form, fit=others: told(ones, fit, *form)),
        ):  # fmt: skip
            if chosen:
                parts.append(f"## {view.capitalize()}: {what}\n\n{_table(chosen, tell)}")
    return "\n".join(parts)


def _table(
    landings: Sequence[Landing],
    tell: Callable[[Sequence[Landing], tuple[str, ...], Looks], list[float]],
) -> str:
    lines = [
        "| looks | offset | sets | RMS | bias | slope | two legs | one leg | trousers "
        "| left minus right (n) | slope | change (n) |",
        "|---|---|" + "--:|" * 10,
    ]
    for name, numbers in FORMS.items():
        for looks in LOOKS:
            means = set_means(landings, tell(landings, numbers, looks))
            lines.append(f"| {looks} | {name} | {_cells(means)} |")
    return "\n".join(lines) + "\n"


def _cells(means: Sequence[Told]) -> str:
    def of(group: Callable[[Told], bool]) -> str:
        return _number(rms(one.error_deg for one in means if group(one)))

    sides, changes = side_errors(means), change_errors(means)
    both = {(one.landing.plan.name, one.landing.limb): one for one in means}
    pairs = [(one, both[name, "right"]) for (name, limb), one in both.items()
             if limb == "left" and (name, "right") in both]  # fmt: skip
    return " | ".join([
        str(len(means)),
        of(lambda one: True),
        f"{np.mean([one.error_deg for one in means]):+.1f}",
        _slope([(one.true_deg, one.told_deg) for one in means]),
        of(lambda one: not one.landing.one_leg),
        of(lambda one: one.landing.one_leg),
        of(lambda one: "trousers" in one.landing.plan.member.clothes),
        f"{_number(rms(sides))} ({len(sides)})",
        _slope([(a.true_deg - b.true_deg, a.told_deg - b.told_deg) for a, b in pairs]),
        f"{_number(rms(changes))} ({len(changes)})",
    ])  # fmt: skip


def _number(value: float) -> str:
    return f"{value:.2f}" if math.isfinite(value) else ""


def _slope(points: Sequence[tuple[float, float]]) -> str:
    true, read = np.array(points).T if len(points) > 2 else (np.empty(0), np.empty(0))
    return f"{np.polyfit(true, read, 1)[0]:.2f}" if len(true) else ""
