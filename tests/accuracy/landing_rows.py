"""Every limb of every kept landing: what is true of it, and what is read, plain and mirrored."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

import numpy as np
from drawn_rooms import unpacked
from synthetic_patients.landings import STANDING
from synthetic_patients.sets import SETS, SetPlan

from landing_analysis.maths.kinematics import fppa_deg
from landing_analysis.measures.geometry import Bearings, Features, frontal_geometry
from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, FloatArray, Limb
from landing_analysis.tracks.cleaning import leg_length_px

from .still_rows import KEPT, Row

FROZEN_LANDINGS = Path(__file__).parents[1] / "frozen" / "landings.npz"
Looks = Literal["plain", "both"]
LOOKS: tuple[Looks, ...] = get_args(Looks)
SET_FLEXION_DEG = 50.0
"""About that of the drawn sets."""
_DOWN = np.array([0.0, 1.0])


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
    with np.load(path) as stored:
        table = dict(stored)
    for number in np.unique(table["set"]):
        chosen = table["set"] == number
        yield from _landings_of(SETS[number], {k: v[chosen] for k, v in table.items()})


def _landings_of(plan: SetPlan, table: dict[str, np.ndarray]) -> Iterator[Landing]:
    looked = _on_all(unpacked(table["points_px"], 10.0)), _on_all(unpacked(table["world_m"], 1e3))
    points: dict[Looks, tuple[FloatArray, FloatArray]] = {
        "plain": (looked[0][:, 0], looked[1][:, 0]),
        "both": (looked[0].mean(axis=1), looked[1].mean(axis=1)),
    }
    behind = plan.view == "back"
    for limb in plan.support:
        legs = {looks: leg_numbers(*seen, limb, behind) for looks, seen in points.items()}
        for rep in np.unique(table["rep"][table["rep"] != STANDING]):
            at = table["rep"] == rep
            fit = _value_at_lowest(table["after_lowest_s"][at].astype(float))
            yield Landing(
                plan, int(rep), limb, float(table["fppa_deg"][at][0, LIMBS.index(limb)]),
                {looks: float(fit @ leg["fppa_deg"][at]) for looks, leg in legs.items()},
                {looks: _numbers(leg, at, table["rep"] == STANDING) for looks, leg in legs.items()},
            )  # fmt: skip


def leg_numbers(
    points_px: FloatArray, world_m: FloatArray, limb: Limb, from_behind: bool
) -> Features:
    """Return, frame by frame, what the package goes by, and what might be added.

    ``world_fppa_deg`` is the angle of the pose model's world landmarks, as they are turned towards
    the camera; ``hips_legs`` the distance of its hips in straight legs.
    """
    leg_px = leg_length_px(points_px)
    hip, knee, ankle = (world_m[:, LANDMARK[f"{limb}_{p}"], :2] for p in ("hip", "knee", "ankle"))
    hips_px = points_px[:, LANDMARK["left_hip"]] - points_px[:, LANDMARK["right_hip"]]
    return frontal_geometry(points_px, limb, from_behind, Bearings(_DOWN, leg_px)) | {
        "world_fppa_deg": fppa_deg(hip, knee, ankle, limb, from_behind),
        "hips_legs": np.linalg.norm(hips_px, axis=1) / leg_px,
    }


def mirrored_px(plan: SetPlan, t_s: FloatArray) -> FloatArray:
    """Return (n_frames, 33, 2) what was seen of a set's mirrored pictures, NaN elsewhere.

    The frames were drawn and coded apart from the set's own clip.
    """
    with np.load(FROZEN_LANDINGS) as stored:
        chosen = stored["set"] == SETS.index(plan)
        frame_s = stored["frame_s"][chosen]
        points_px = _on_all(unpacked(stored["points_px"][chosen], 10.0))[:, 1]
    whole = np.full((len(t_s), N_LANDMARKS, 2), np.nan)
    whole[np.abs(t_s[:, None] - frame_s).argmin(axis=0)] = points_px
    return whole


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


def _on_all(kept: FloatArray) -> FloatArray:
    """Put the kept landmarks in their places: (n, 2, 33, ...), NaN elsewhere."""
    whole = np.full((*kept.shape[:2], N_LANDMARKS, kept.shape[-1]), np.nan)
    whole[:, :, KEPT] = kept
    return whole


def as_row(landing: Landing, looks: Looks) -> Row:
    """Return a landing as `bodies.fit_form` takes it; the two visits are its shots."""
    plan = landing.plan
    numbers = {"standing_fppa_deg": math.nan} | landing.features[looks]
    return Row(
        plan.member, plan.view, -plan.visit, landing.limb, landing.one_leg, SET_FLEXION_DEG,
        landing.true_deg, landing.read_deg[looks], numbers,
    )  # fmt: skip
