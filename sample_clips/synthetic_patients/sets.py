"""Sets of jumps and hops by bodies of the `crowd`: small clips, to see how FPPA errs in motion.

Every limb has an angle of its own at the lowest points, spread evenly from 0 to 20 deg over the
clips, about which its reps vary.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from synthetic_patients.camera import Camera, View
from synthetic_patients.choreography import Performance, perform
from synthetic_patients.clips import film
from synthetic_patients.crowd import CROWD, Member, dressed_body, patient_of
from synthetic_patients.scenes import Scene, Script
from synthetic_patients.script import LIMBS, Action, Leap, Limb, LimbPlan, Stand

SEED = 52_711
_SIZE_PX = (480, 854)
_AIM_M = 0.9
_REPS = 4
_VARIES_DEG = 2.0
ONE_PICTURE = ((0.0, 0.0),)
"""Without motion blur, as a third of the time draws it."""


@dataclass(frozen=True)
class SetPlan:
    """One clip: who of the crowd, filmed from where, on which limbs, with which knees inward.

    Attributes
    ----------
    inward_deg : FPPA about which the reps vary, of the left and of the right limb
    draw : another number draws again, where the body could not do the first
    visit : 2 films the same person once more, through a camera put up anew, with other reps
    """

    number: int
    view: View
    support: tuple[Limb, ...]
    inward_deg: tuple[float, float]
    fps: float = 30.0
    draw: int = 0
    visit: int = 1

    @property
    def name(self) -> str:
        """Name of the clip, without suffix."""
        what = "jumps" if len(self.support) == 2 else f"{self.support[0]}_hops"
        again = f"_{self.visit}" if self.visit > 1 else ""
        return f"crowd_{self.number:02}_{what}_{self.view}{again}"

    @property
    def member(self) -> Member:
        """Who it is."""
        return CROWD[self.number]


_FIRST_VISIT: tuple[SetPlan, ...] = (
    SetPlan(11, "front", LIMBS, (3, 15)),
    SetPlan(24, "front", LIMBS, (18, 6), draw=1),
    SetPlan(17, "back", LIMBS, (4, 16)),
    SetPlan(35, "front", ("left",), (12, 12)),
    SetPlan(22, "front", LIMBS, (9, 1)),
    SetPlan(47, "back", LIMBS, (14, 2)),
    SetPlan(23, "front", ("right",), (17, 17)),
    SetPlan(41, "front", LIMBS, (6, 17), 60.0),
    SetPlan(46, "front", LIMBS, (13, 4)),
    SetPlan(6, "front", LIMBS, (2, 11)),
    SetPlan(8, "back", LIMBS, (8, 18)),
    SetPlan(15, "front", LIMBS, (2, 14)),
    SetPlan(25, "front", LIMBS, (16, 8)),
    SetPlan(18, "back", LIMBS, (12, 4)),
    SetPlan(7, "front", ("right",), (10, 10)),
    SetPlan(31, "front", LIMBS, (12, 3)),
    SetPlan(5, "front", LIMBS, (5, 14)),
    SetPlan(11, "front", ("right",), (14, 14)),
    SetPlan(8, "front", ("left",), (6, 6)),
    SetPlan(4, "front", LIMBS, (10, 2)),
    SetPlan(10, "back", LIMBS, (10, 2)),
    SetPlan(22, "back", LIMBS, (15, 5)),
    SetPlan(41, "back", LIMBS, (3, 12)),
    SetPlan(46, "back", ("right",), (13, 13)),
    SetPlan(31, "back", ("left",), (8, 8)),
)
"""All but those of the bodies 15, 25, 18 and 7 (``choose``) are of the split ``held_out``."""
_REDRAWN = {"crowd_17_jumps_back": 1, "crowd_08_jumps_back": 2}
"""Second sets that are drawn again, since the body could not do the first."""
_FITTED: tuple[SetPlan, ...] = (
    SetPlan(0, "front", LIMBS, (2, 14)),
    SetPlan(1, "front", LIMBS, (17, 5)),
    SetPlan(3, "front", LIMBS, (8, 0)),
    SetPlan(9, "front", ("left",), (3, 3)),
    SetPlan(14, "front", LIMBS, (4, 10), draw=1),
    SetPlan(16, "front", LIMBS, (15, 3)),
    SetPlan(19, "front", LIMBS, (1, 7)),
    SetPlan(20, "front", ("right",), (8, 8)),
    SetPlan(21, "front", LIMBS, (13, 2)),
    SetPlan(26, "front", LIMBS, (6, 16)),
    SetPlan(27, "front", LIMBS, (2, 14), draw=1),
    SetPlan(28, "front", ("left",), (13, 13)),
    SetPlan(29, "front", LIMBS, (8, 0)),
    SetPlan(30, "front", LIMBS, (11, 19)),
    SetPlan(33, "front", LIMBS, (4, 10)),
    SetPlan(34, "front", ("right",), (18, 18)),
    SetPlan(36, "front", LIMBS, (1, 7)),
    SetPlan(37, "front", LIMBS, (9, 18)),
    SetPlan(39, "front", LIMBS, (13, 2)),
    SetPlan(40, "front", ("left",), (6, 6)),
    SetPlan(43, "front", LIMBS, (2, 14)),
    SetPlan(44, "front", LIMBS, (17, 5)),
    SetPlan(48, "front", LIMBS, (8, 0)),
    SetPlan(49, "front", ("right",), (11, 11)),
    SetPlan(50, "front", LIMBS, (4, 10)),
    SetPlan(51, "front", LIMBS, (15, 3)),
    SetPlan(2, "front", LIMBS, (1, 7)),
    SetPlan(12, "front", ("left",), (16, 16)),
    SetPlan(32, "front", LIMBS, (13, 2)),
    SetPlan(38, "front", LIMBS, (6, 16)),
    SetPlan(42, "front", LIMBS, (2, 14), draw=1),
    SetPlan(45, "front", ("right",), (3, 3)),
    SetPlan(0, "back", LIMBS, (11, 19)),
    SetPlan(3, "back", LIMBS, (4, 10)),
    SetPlan(14, "back", LIMBS, (15, 3), draw=1),
    SetPlan(19, "back", ("right",), (5, 5)),
    SetPlan(21, "back", LIMBS, (9, 18)),
    SetPlan(27, "back", LIMBS, (13, 2), draw=1),
    SetPlan(29, "back", LIMBS, (6, 16)),
    SetPlan(33, "back", ("left",), (10, 10)),
    SetPlan(36, "back", LIMBS, (17, 5)),
    SetPlan(39, "back", LIMBS, (8, 0)),
    SetPlan(43, "back", LIMBS, (11, 19)),
    SetPlan(48, "back", ("right",), (15, 15)),
    SetPlan(50, "back", LIMBS, (15, 3)),
    SetPlan(2, "back", LIMBS, (1, 7)),
    SetPlan(32, "back", LIMBS, (9, 18)),
    SetPlan(42, "back", ("left",), (2, 2)),
)
"""Of the bodies whose still landings the offsets are fitted to: these are fitted to as well."""
SETS = (
    *_FIRST_VISIT,
    *(replace(plan, visit=2, draw=_REDRAWN.get(plan.name, plan.draw)) for plan in _FIRST_VISIT),
    *_FITTED,
)
"""All sets; those who are not fitted to at two visits."""


def set_scene(plan: SetPlan) -> Scene:
    """Build the scene of a set; its seed is the body's and the draw's."""
    seed = SEED + plan.number + 100 * plan.draw + 10_000 * (plan.visit - 1)
    rng = np.random.default_rng([seed, 1])
    height_m, distance_m = rng.uniform(0.7, 1.2), rng.uniform(2.4, 3.0)
    camera = Camera(
        view=plan.view,
        yaw_deg=float(rng.normal(0, 2)),
        roll_deg=float(rng.normal(0, 1)),
        pitch_deg=float(np.rad2deg(np.arctan2(_AIM_M - height_m, distance_m))),
        height_m=height_m,
        distance_m=distance_m,
        width_px=_SIZE_PX[0],
        height_px=_SIZE_PX[1],
        fps=plan.fps,
        exposure_s=1 / 120,
    )
    return Scene(plan.name, patient_of(plan.member), _script(plan), seed, camera, plan.support)


def _script(plan: SetPlan) -> Script:
    one_leg = len(plan.support) == 1

    def leap(rng: np.random.Generator, held: bool) -> Leap:
        flexion = rng.uniform(*((44, 52) if one_leg or held else (50, 64)))
        limbs = {}
        for limb in plan.support:
            inward = plan.inward_deg[LIMBS.index(limb)] + rng.normal(0, _VARIES_DEG)
            limbs[limb] = LimbPlan(
                flexion + rng.normal(0, 1.5), 0.3 * inward, inward, rng.uniform(12, 22)
            )
        start = rng.uniform(19, 24)
        return Leap(
            flight_s=rng.uniform(*((0.23, 0.27) if one_leg else (0.27, 0.32))),
            contact_s=0.5 if held else rng.uniform(*((0.29, 0.34) if one_leg else (0.32, 0.38))),
            limbs=limbs,
            flexion_initial_contact_deg=start,
            flexion_flight_deg=34.0 if one_leg else start + 5,
            landing_lead_s=0.0 if one_leg else rng.normal(0, 0.005),
            pelvis_shift_pct=0.0 if one_leg else rng.normal(0, 5),
            trunk_flexion_deg=rng.normal(22 if one_leg else 32, 3),
            trunk_lean_deg=rng.normal(0, 2),
            arm_swing=0.4 if one_leg else 1.0,
            held=held,
        )

    def script(rng: np.random.Generator) -> list[Action]:
        return [Stand(0.5), *(leap(rng, rep == _REPS) for rep in range(1, _REPS + 1))]

    return script


def play_set(plan: SetPlan, bodies: Path) -> Performance:
    """Perform a set.

    Raises
    ------
    ValueError
        If the body cannot do it.
    """
    scene = set_scene(plan)
    return perform(
        dressed_body(plan.member, bodies),
        scene.script(np.random.default_rng(scene.seed)),
        scene.support,
        seed=scene.seed,
    )


def film_set(
    plan: SetPlan, bodies: Path, folder: Path, advance: Callable[[], None] = lambda: None
) -> Path:
    """Render a set into ``folder``, with its truth."""
    scene, performance = set_scene(plan), play_set(plan, bodies)
    return film(scene, performance, folder, shifts_px=ONE_PICTURE, advance=advance)
