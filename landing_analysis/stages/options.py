"""What a clinician or a clinic asks of an analysis."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from landing_analysis.settings import Settings
from landing_analysis.tables import Correction, Exercise, Limb, Limit, Occasion, View


@dataclass(frozen=True)
class Options:
    """What the pictures cannot tell, and what overrules what they do.

    ``corrections`` are those in force that are about the clip itself; what they say of exercise,
    view, person and speed stands in the fields of those names as well. ``advice`` is the
    command that takes the options which notes name, where that is not plain. ``stored`` takes the
    landmarks that are stored with the report, whichever model found them. ``planned`` are the
    exercises of the day's plan, which overrule what is recognised but not ``exercise``.
    """

    surgical_side: Limb | None = None
    stature_m: float | None = None
    exercise: Exercise | None = None
    view: View | None = None
    person: int | None = None
    model: Path | None = None
    limits: tuple[Limit, ...] = ()
    settings: Settings = field(default_factory=Settings)
    keep_faces: bool = False
    annotated_clip: bool = True
    slowed_by: float | None = None
    corrections: tuple[Correction, ...] = ()
    advice: str = ""
    stored: bool = False
    occasion: Occasion = field(default_factory=Occasion)
    planned: tuple[Exercise, ...] = ()
