"""Many invented bodies, drawn once from a seed: on them is learnt how the pose model errs.

Kinds of clothes are spread evenly over the three splits, and nobody changes sides: ``fit``
is what coefficients are fitted to, ``choose`` what their form is chosen on, ``held_out``
what is quoted.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from synthetic_patients.body import Body, load_body
from synthetic_patients.clothes import in_loose_trousers
from synthetic_patients.export_body import BodyShape, Legs
from synthetic_patients.looks import Look, Surroundings
from synthetic_patients.scenes import Patient

Split = Literal["fit", "choose", "held_out"]
Clothes = Literal["shorts", "leggings", "trousers", "loose trousers"]

SEED = 20_261
SPLITS: dict[Clothes, tuple[int, int, int]] = {
    "shorts": (15, 6, 9), "leggings": (3, 1, 2), "trousers": (5, 2, 3), "loose trousers": (3, 1, 2)
}  # fmt: skip
"""Bodies in each split by what they wear."""
_LEGS: dict[Clothes, Legs] = {
    "shorts": "shorts", "leggings": "leggings", "trousers": "trousers", "loose trousers": "shorts"
}  # fmt: skip
_STATURE_M = {"woman": (1.66, 0.07, 1.50, 1.88), "man": (1.79, 0.08, 1.58, 2.00)}
"""Mean, standard deviation, least and most (choice: wide, so that the ends are seen)."""
_DARK_SKIN, _LIGHT_SKIN = np.array([0.30, 0.19, 0.13]), np.array([0.90, 0.72, 0.62])
_DARK_HAIR, _LIGHT_HAIR = np.array([0.05, 0.04, 0.04]), np.array([0.62, 0.48, 0.30])


@dataclass(frozen=True)
class Member:
    """One body of the crowd, what it wears, and where it is filmed."""

    number: int
    shape: BodyShape
    split: Split
    clothes: Clothes
    look: Look
    surroundings: Surroundings

    @property
    def name(self) -> str:
        """Name of the body's file, without suffix."""
        return self.shape.name


def _member(number: int, split: Split, clothes: Clothes) -> Member:
    rng = np.random.default_rng([SEED, number])
    woman = (number < 26) == (number % 2 == 0)
    mean_m, sd_m, least_m, most_m = _STATURE_M["woman" if woman else "man"]
    shape = BodyShape(
        name=f"crowd_{number:02}",
        gender=float(np.clip((1.0 if woman else 0.0) + rng.normal(0, 0.12), 0, 1)),
        stature_m=float(np.clip(rng.normal(mean_m, 1.3 * sd_m), least_m, most_m)),
        muscle=float(rng.uniform(0.30, 0.85)),
        weight=float(rng.uniform(0.30, 0.90)),
        proportions=float(rng.uniform(0.25, 0.75)),
        age=float(rng.uniform(0.62, 0.92)),
        legs=_LEGS[clothes],
        hem_share=float(rng.uniform(0.45, 0.92)),
        long_hair=woman and number % 3 > 0,
    )
    skin = _DARK_SKIN + rng.uniform() * (_LIGHT_SKIN - _DARK_SKIN)
    hair = _DARK_HAIR + rng.uniform() ** 2 * (_LIGHT_HAIR - _DARK_HAIR)
    look = Look(
        _colour(skin),
        _colour(rng.uniform(0.08, 0.90, 3)),
        _colour(rng.uniform(0.08, 0.65, 3)),
        _colour(hair),
        _colour(rng.uniform(0.08, 0.90, 3)),
        _colour(rng.uniform(0.5, 0.95) * np.ones(3)),
    )
    light = float(rng.uniform(0.75, 1.1))
    surroundings = Surroundings(_colour(rng.uniform(0.25, 0.6, 3)), 0.0, light, light)
    return Member(number, shape, split, clothes, look, surroundings)


def _colour(rgb: np.ndarray) -> tuple[float, float, float]:
    red, green, blue = (round(float(value), 3) for value in rgb)
    return red, green, blue


def _crowd() -> tuple[Member, ...]:
    kinds: list[tuple[Split, Clothes]] = [
        (split, clothes)
        for clothes, counts in SPLITS.items()
        for split, count in zip(("fit", "choose", "held_out"), counts, strict=True)
        for _ in range(count)
    ]
    order = np.random.default_rng(SEED).permutation(len(kinds))
    return tuple(_member(number, *kinds[place]) for number, place in enumerate(order))


CROWD: tuple[Member, ...] = _crowd()
"""All bodies; half are women."""


def strangers(seed: int) -> list[Member]:
    """Return the members that no angle was fitted to, in an order drawn from a seed."""
    members = [member for member in CROWD if member.split != "fit"]
    return [members[place] for place in np.random.default_rng(seed).permutation(len(members))]


def dressed_body(member: Member, bodies: Path) -> Body:
    """Load a body that ``export_body --crowd`` put into ``bodies``, in what its member wears.

    Raises
    ------
    FileNotFoundError
        If it was not exported there.
    """
    body = load_body(member.name, bodies)
    return in_loose_trousers(body) if member.clothes == "loose trousers" else body


def patient_of(member: Member) -> Patient:
    """Return a member as somebody who is filmed, operated on the right knee."""
    look = member.look
    return Patient(
        f"C-{member.number:02}", member.name, "right",
        look.skin, look.shirt, look.shorts, look.hair, look.shoe,
    )  # fmt: skip
