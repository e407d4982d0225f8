"""Every limb of every kept landing: what is true of it, and what is read, plain and mirrored."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from drawn_rooms import unpacked
from synthetic_patients.landings import STANDING
from synthetic_patients.sets import SETS, SetPlan

from landing_analysis.measures.geometry import Features
from landing_analysis.measures.offsets import Looks
from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, FloatArray, Limb, Poses

from .still_rows import LOOKS, Row, leg_numbers, on_all

FROZEN_LANDINGS = Path(__file__).parents[1] / "frozen" / "landings.npz"
_LOWER_LEGS = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("knee", "ankle")]
SET_FLEXION_DEG = 50.0
"""About that of the drawn sets."""


@dataclass(frozen=True)
class Landing:
    """One limb in one landing; ``read_deg`` and ``features`` by what was looked at."""

    plan: SetPlan
    rep: int
    limb: Limb
    true_deg: float
    read_deg: dict[Looks, float]
    features: dict[Looks, dict[str, float]]

    @property
    def one_leg(self) -> bool:
        """Whether it is a hop."""
        return len(self.plan.support) == 1

    @property
    def held_out(self) -> bool:
        """Whether its body is only quoted."""
        return self.plan.member.split == "held_out"


def read_landings(path: Path) -> Iterator[Landing]:
    """Yield the landings that ``mirrored freeze`` kept."""
    for number, table in stored_sets(path):
        yield from _landings_of(SETS[number], table)


def stored_sets(path: Path) -> Iterator[tuple[int, dict[str, np.ndarray]]]:
    """Yield the number of each set that was kept in a table of frames, and its frames."""
    with np.load(path) as stored:
        table = dict(stored)
    for number in np.unique(table["set"]):
        chosen = table["set"] == number
        yield int(number), {name: values[chosen] for name, values in table.items()}


def _landings_of(plan: SetPlan, table: dict[str, np.ndarray]) -> Iterator[Landing]:
    looked_px = on_all(unpacked(table["points_px"], 10.0))
    world_m = on_all(unpacked(table["world_m"], 1e3))[:, 0]
    standing = table["rep"] == STANDING
    for limb in plan.support:
        legs = {looks: leg_numbers(looked_px, world_m, limb, plan.view, looks) for looks in LOOKS}
        for rep in np.unique(table["rep"][~standing]):
            at = table["rep"] == rep
            fit = _value_at_lowest(table["after_lowest_s"][at].astype(float))
            yield Landing(
                plan, int(rep), limb, float(table["fppa_deg"][at][0, LIMBS.index(limb)]),
                {looks: float(fit @ leg["fppa_deg"][at]) for looks, leg in legs.items()},
                {looks: _numbers(leg, at, standing) for looks, leg in legs.items()},
            )  # fmt: skip


def with_landings(plan: SetPlan, poses: Poses) -> Poses:
    """Give a set, kept without them, its looks at mirrored pictures and its world landmarks.

    Of the frames that were drawn and coded apart from the set's own clip. NaN elsewhere, but for
    the world landmarks by which a body's view is told.
    """
    with np.load(FROZEN_LANDINGS) as stored:
        chosen = stored["set"] == SETS.index(plan)
        frames = np.abs(poses.t_s[:, None] - stored["frame_s"][chosen]).argmin(axis=0)
        points_px = on_all(unpacked(stored["points_px"][chosen], 10.0))[:, 1]
        world_m = on_all(unpacked(stored["world_m"][chosen], 1e3))[:, 0]
    mirrored_px = np.full((len(poses.t_s), N_LANDMARKS, 2), np.nan)
    mirrored_px[frames] = points_px
    all_m = poses.world_m.copy()
    all_m[:, :, _LOWER_LEGS] = np.nan
    all_m[frames, 0] = world_m
    return replace(poses, mirrored_px=mirrored_px, world_m=all_m)


def _numbers(leg: Features, at: np.ndarray, standing: np.ndarray) -> dict[str, float]:
    known = {name: float(values[at].mean()) for name, values in leg.items()}
    if standing.any():
        known["standing_fppa_deg"] = float(np.median(leg["fppa_deg"][standing]))
    return known


def _value_at_lowest(after_s: FloatArray) -> FloatArray:
    """Return what a parabola through samples weights each with at 0."""
    design = np.stack([np.ones_like(after_s), after_s, after_s**2], axis=1)
    weights: FloatArray = np.linalg.pinv(design)[0]
    return weights


def as_row(landing: Landing, looks: Looks) -> Row:
    """Return a landing as `bodies.fit_form` takes it; the two visits are its shots."""
    plan = landing.plan
    numbers = {"standing_fppa_deg": math.nan} | landing.features[looks]
    return Row(
        plan.member, plan.view, -plan.visit, landing.limb, landing.one_leg, SET_FLEXION_DEG,
        landing.true_deg, landing.read_deg[looks], numbers,
    )  # fmt: skip
