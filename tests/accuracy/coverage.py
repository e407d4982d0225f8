"""Does the truth lie in the claimed 95 % intervals of FPPA: values, means, limbs, visits.

On bodies that were held out: still landings, whose shots stand for sets, and moving sets at two
visits. Every interval is the product's own (`summaries`, `trend.changes`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby, product

import numpy as np
from synthetic_patients.sets import SetPlan

from landing_analysis.landmarks.people import link_people
from landing_analysis.maths.statistics import Z_95
from landing_analysis.measures.summaries import compare_sides, summarise
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LIMBS, Analysis, Clip, Limb, Measure, Poses
from landing_analysis.trend.changes import SetMean, VisitMean, judge_change, visit_means

from .scoring import paired_reps

NAME = "fppa_peak_flexion"
FEWEST = 3
"""Values of a mean; a shot of fewer stills is no set (choice)."""
KINDS = ("value", "mean of a set", "left minus right", "change between visits")


@dataclass(frozen=True)
class LimbSet:
    """One limb in one set: what was read of it, and what is true of each value."""

    body: int
    view: str
    one_leg: bool
    visit: int
    limb: Limb
    rows: tuple[Measure, ...]
    true: tuple[float, ...]

    @property
    def mean_true(self) -> float:
        """Mean of the truths."""
        return float(np.mean(self.true))


@dataclass(frozen=True)
class Claim:
    """An error with the standard uncertainty that is claimed for it."""

    view: str
    one_leg: bool
    kind: str
    error_deg: float
    sd_deg: float
    true_deg: float

    @property
    def covered(self) -> bool:
        """Whether the truth lies in the 95 % interval."""
        return abs(self.error_deg) <= Z_95 * self.sd_deg


def claims(sets: Sequence[LimbSet]) -> list[Claim]:
    """Hold values, means, limbs against each other and visits against the truth."""
    means = [one for one in sets if len(one.rows) >= FEWEST]
    return [
        *(claim for one in sets for claim in _values(one)),
        *map(_mean, means),
        *_sides(means),
        *_changes(means),
    ]


def _values(one: LimbSet) -> Iterator[Claim]:
    for row, true in zip(one.rows, one.true, strict=True):
        if row.value is not None and row.sd is not None:
            yield Claim(one.view, one.one_leg, KINDS[0], row.value - true, row.sd, true)


def _mean(one: LimbSet) -> Claim:
    (summary,) = summarise(one.rows, Settings().measures)
    error_deg = summary.mean - one.mean_true
    return Claim(one.view, one.one_leg, KINDS[1], error_deg, summary.mean_sd, one.mean_true)


def _sides(sets: Sequence[LimbSet]) -> Iterator[Claim]:
    def same(one: LimbSet) -> tuple[int, str, int]:
        return one.body, one.view, one.visit

    for _, group in groupby(sorted(sets, key=same), key=same):
        both = {one.limb: one for one in group if not one.one_leg}
        if len(both) == len(LIMBS):
            left, right = both["left"], both["right"]
            (side,) = compare_sides((*left.rows, *right.rows))
            true = left.mean_true - right.mean_true
            yield Claim(left.view, left.one_leg, KINDS[2], side.value - true, side.sd, true)


def _changes(sets: Sequence[LimbSet]) -> Iterator[Claim]:
    first, second = ([one for one in sets if one.visit == visit] for visit in (1, 2))
    for one, other in product(first, second):
        if (one.body, one.view, one.one_leg, one.limb) != (
            other.body, other.view, other.one_leg, other.limb,
        ):  # fmt: skip
            continue
        change = judge_change(_visit(one), _visit(other), None)
        true = other.mean_true - one.mean_true
        yield Claim(one.view, one.one_leg, KINDS[3], change.value - true, change.sd, true)


def _visit(one: LimbSet) -> VisitMean:
    (summary,) = summarise(one.rows, Settings().measures)
    mean = SetMean(
        code=str(one.body), day=date(2000, 1, one.visit), name=NAME, limb=one.limb,
        exercise="hop" if one.one_leg else "jump", value=summary.mean, sd=summary.mean_sd,
        reps=summary.reps_used, view="back" if one.view == "back" else "front", near_limb=None,
        yaw_deg=None, yaw_sd_deg=None, frame_rate_hz=30.0, made_with="", parts=summary.parts,
    )  # fmt: skip
    (visit,) = visit_means([mean])
    return visit


# --- where they come from ----------------------------------------------------------------------


def set_of_clip(plan: SetPlan, analysis: Analysis, document: dict, truth: dict) -> list[LimbSet]:
    """Return the limbs of one moving set.

    Parameters
    ----------
    plan, truth : of the drawn clip
    analysis, document : the clip's
    """
    found = []
    for limb in plan.support:
        rows, true = [], []
        for number, rep in paired_reps(document, truth):
            landing = truth["reps"][number]["landing"].get(limb)
            row = next(
                (row for row in analysis.measures.measures
                 if (row.rep, row.name, row.limb) == (rep["number"], NAME, limb)), None
            )  # fmt: skip
            if landing and row and row.value is not None and row.of_set:
                rows.append(row)
                true.append(float(landing["fppa_peak_flexion_deg"]))
        if rows:
            one_leg = len(plan.support) == 1
            found.append(
                LimbSet(plan.number, plan.view, one_leg, plan.visit, limb, tuple(rows), tuple(true))
            )
    return found


def analysed(clip: Clip, poses: Poses, options: Options) -> Analysis:
    """Analyse one moving set."""
    return analyse_people(clip, poses, link_people(poses, options.settings.people), options, "")


def coverage_as_markdown(found: Iterable[Claim]) -> str:
    """Write errors, claims and coverage by view and number of legs."""
    found = tuple(found)
    lines = [
        "| | n | bias, deg | RMS | claimed SD | in 95 % |",
        "|---|--:|--:|--:|--:|--:|",
    ]
    for view, one_leg, kind in product(("front", "back"), (False, True), KINDS):
        group = [c for c in found if (c.view, c.one_leg, c.kind) == (view, one_leg, kind)]
        if group:
            legs = "one leg" if one_leg else "two legs"
            lines.append(_line(f"{view}, {legs}: {kind}", group))
    for view in ("front", "back"):
        deep = [
            c for c in found if c.view == view and c.kind == KINDS[0] and c.true_deg >= INWARD_DEG
        ]
        if deep:
            lines.append(_line(f"{view}: value, true {INWARD_DEG:.0f} deg and more", deep))
    return "\n".join(lines) + "\n"


INWARD_DEG = 14.0
"""From here on a knee lies clearly inward (choice: 4 deg beyond the limit)."""


def _line(label: str, group: Sequence[Claim]) -> str:
    errors = np.array([c.error_deg for c in group])
    sds = np.array([c.sd_deg for c in group])
    cells = (
        str(len(group)), f"{errors.mean():+.1f}", f"{_rms(errors):.1f}", f"{_rms(sds):.1f}",
        f"{100 * np.mean([c.covered for c in group]):.0f} %",
    )  # fmt: skip
    return f"| {label} | " + " | ".join(cells) + " |"


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt((values**2).mean()))
