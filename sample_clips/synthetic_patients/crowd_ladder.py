"""Every exercise of the ladder on a body of the crowd that no angle was fitted to.

Bodies, clothes and motions are others than those of `ladder`; they are drawn from one seed.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from synthetic_patients.crowd import Member, dressed_body, patient_of, strangers
from synthetic_patients.ladder import FREE_LEG, RUNGS, Rung, Step, camera_of, film_step
from synthetic_patients.scenes import Scene
from synthetic_patients.script import LIMBS, Limb

SERIES = 73_000
"""Start of the seeds, and what bodies are chosen by; raise it once these scenes were looked at."""
REDRAWN: dict[str, int] = {"crowd_08_tuck_jumps": 1}
"""Redraws of what the body cannot do."""


def _step(rung: Rung, number: int, member: Member) -> Step:
    name = f"{member.name}_{rung.name}"
    seed = SERIES + 1000 * member.number + 100 * REDRAWN.get(name, 0) + number
    other_way = not rung.single and np.random.default_rng([seed, 9]).random() >= 0.5
    support: tuple[Limb, ...] = ("left",) if rung.single else LIMBS
    camera = camera_of(rung, -1.0 if other_way else 1.0, seed)
    scene = Scene(
        name, patient_of(member), rung.script, seed, camera, support, FREE_LEG, rung.place
    )
    return Step(scene, rung.name, "hold")


def _ladder() -> dict[str, tuple[Step, Member]]:
    pairs = zip(RUNGS, strangers(SERIES), strict=False)
    steps = (
        (_step(rung, number, member), member)
        for number, (rung, member) in enumerate(pairs, start=1)
    )
    return {step.name: (step, member) for step, member in steps}


CROWD_LADDER: dict[str, tuple[Step, Member]] = _ladder()
"""All scenes by name, with who performs them."""


def film_crowd_step(
    name: str, bodies: Path, folder: Path, advance: Callable[[], None] = lambda: None
) -> Path:
    """Render a scene into ``folder``, as `ladder.film_step`."""
    step, member = CROWD_LADDER[name]
    return film_step(step, folder, advance, dressed_body(member, bodies))
