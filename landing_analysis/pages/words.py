"""What the pages have in common: numbers, limbs and dates in words, addresses, the frame."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import quote

from landing_analysis.definitions import CAUTIONS, DEFINITIONS, INTENDED_USE, printed_unit
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.judging import COVERAGE
from landing_analysis.patients import Patient
from landing_analysis.report.numbers import half_width_words, number, value_words
from landing_analysis.report.page import page_environment
from landing_analysis.report.style import limb_style
from landing_analysis.tables import LIMBS, Exercise, Limb
from landing_analysis.trend.alike import Way
from landing_analysis.trend.visits import VisitMean

Nav = tuple[tuple[str, str], ...]
"""What a page leads to beside its own links: (words, address)."""

FOOT_TO_FOOT = "One-leg landings from foot to foot (bounds, jogging in place)"
FAMILY_WORDS = {
    "front": "from the front", "back": "from the back", "side": "from the side",
    "oblique": "from between front and side",
}  # fmt: skip

INVENTED = (
    "Invented data. This patient does not exist: numbers were drawn at random, or measured in "
    "clips of a rendered figure. They say nothing about anybody."
)
SOME_INVENTED = (
    "Invented data. Patients marked “invented” do not exist: their numbers were drawn at random, "
    "or measured in clips of a rendered figure. They say nothing about anybody."
)


def exercise_words(exercise: Exercise, way: Way) -> str:
    """Name the sets of one exercise that were done in one way."""
    name = FOOT_TO_FOOT if way.foot_to_foot else EXERCISES[exercise].title
    return f"{name}, {way.rhythm}" if way.rhythm else name


def kept_apart_words(
    exercise: Exercise, way: Way, known: Iterable[tuple[Exercise, Way]]
) -> str | None:
    """Say which other sets of the same exercise are not averaged with these, None without any."""
    others = [exercise_words(*one).lower() for one in known if one[0] == exercise and one[1] != way]
    if not others:
        return None
    return (
        f"Not averaged with {' or with '.join(others)}: these land otherwise or in another rhythm, "
        "so they are another exercise."
    )


@dataclass(frozen=True)
class Amount:
    """A value as printed, with half of its 95 % interval and its unit.

    It is ``by_hand`` where it rests on contacts or landmarks that a person set.
    """

    value: str
    half_width: str
    unit: str
    by_hand: bool = False


def amount(mean: VisitMean) -> Amount:
    """Return a limb's value in words."""
    return Amount(
        value_words(mean.value, mean.name),
        half_width_words(mean.sd, mean.name),
        printed_unit(mean.name, share=False),
        mean.by_hand,
    )


def is_index(name: str) -> bool:
    """Whether two limbs are compared by the limb symmetry index."""
    return DEFINITIONS[name].compare == "lsi"


def side_amount(side: VisitMean) -> Amount:
    """Return a comparison of both limbs in words."""
    if is_index(side.name):
        return Amount(number(side.value, 0), number(COVERAGE * side.sd, 0), "%", side.by_hand)
    return amount(side)


def limb_role(limb: Limb | None, surgical_side: Limb | None) -> str:
    """Return ``surgical (left)``, or ``left`` where no surgical side is known."""
    if limb is None:
        return "whole body"
    if surgical_side is None:
        return limb
    return f"{'surgical' if limb == surgical_side else 'non-surgical'} ({limb})"


def short_day(day: date) -> str:
    """Return a day without its year, such as 3 Nov."""
    return f"{day.day} {day:%b}"


def day_words(day: date) -> str:
    """Return a date as ``4 March 2026``."""
    return f"{day.day} {day:%B %Y}"


def since_surgery(patient: Patient, day: date) -> str:
    """Return how long ago the surgery was, in weeks."""
    if patient.surgery_date is None:
        return "date of surgery not known"
    days = (day - patient.surgery_date).days
    if days < 0:
        return "before surgery"
    return f"{days / 7:.0f} weeks since surgery" if days >= 14 else f"{days} days since surgery"


def patient_facts(patient: Patient) -> list[tuple[str, str]]:
    """Return what is known of a patient, as (name, words)."""
    return [
        ("Surgical limb", patient.surgical_side or "not known: limbs are called left and right"),
        ("Surgery", day_words(patient.surgery_date) if patient.surgery_date else "not known"),
        ("Body height", f"{100 * patient.stature_m:.0f} cm" if patient.stature_m else "not given"),
    ]


def address(target: Path, page: Path) -> str:
    """Return where a file lies as seen from a page, to be put into a link."""
    try:
        return quote(Path(os.path.relpath(target, page.parent)).as_posix())
    except ValueError:  # on another drive
        return target.absolute().as_uri()


def render(template: str, **parts: Any) -> str:
    """Fill a template in the frame that all these pages share."""
    page = page_environment().get_template(template)
    return page.render(intended_use=INTENDED_USE, cautions=CAUTIONS, **parts)


def render_of_patient(
    template: str, patient: Patient, what: str, fact: tuple[str, str], **parts: Any
) -> str:
    """Fill the template of a page on one patient.

    Parameters
    ----------
    template : its name
    patient : whose code is the title
    what : the page shows of the patient, such as ``visit of 2026-03-04``
    fact : (name, words) that stands first, before what is known of the patient
    parts : what this kind of page needs besides
    """
    return render(
        template,
        title=patient.code,
        page_title=f"{patient.code}, {what}",
        invented=INVENTED if patient.invented else None,
        facts=[fact, *patient_facts(patient)],
        styles={limb: limb_style(limb, patient.surgical_side) for limb in LIMBS},
        **parts,
    )
