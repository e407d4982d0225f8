"""The colours of a patient and of where they are filmed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Look:
    """Colours of one patient, RGB 0..1."""

    skin: tuple[float, float, float] = (0.80, 0.60, 0.49)
    shirt: tuple[float, float, float] = (0.16, 0.42, 0.58)
    shorts: tuple[float, float, float] = (0.16, 0.17, 0.21)
    hair: tuple[float, float, float] = (0.22, 0.14, 0.09)
    shoe: tuple[float, float, float] = (0.75, 0.30, 0.16)
    sole: tuple[float, float, float] = (0.92, 0.92, 0.90)


@dataclass(frozen=True)
class Surroundings:
    """Where the patient is filmed.

    Attributes
    ----------
    floor : its colour, RGB 0..1
    mirrors : share of the body's picture that the floor gives back
    room_light, body_light : how bright both are, 1 in plain light
    """

    floor: tuple[float, float, float] = (0.44, 0.47, 0.50)
    mirrors: float = 0.0
    room_light: float = 1.0
    body_light: float = 1.0
