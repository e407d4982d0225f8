"""Values in the unit, the decimals and the signs in which pages print them."""

from __future__ import annotations

import re

from landing_analysis.definitions import (
    DEFINITIONS,
    is_fppa,
    printed_decimals,
    printed_unit,
    printed_value,
)
from landing_analysis.findings.judging import COVERAGE


def number(value: float, digits: int) -> str:
    """Return a number with a true minus sign and no negative zero."""
    return f"{value:z.{digits}f}".replace("-", "−")


def sentence(text: str) -> str:
    """Return a finding's sentence with true minus signs before its numbers."""
    return re.sub(r"(?<= )-(?=\d)", "−", text)


def value_words(value: float | None, name: str) -> str:
    """Return a value in the unit and with the decimals that are printed, FPPA with its sign.

    A dash where there is none.
    """
    if value is None:
        return "–"
    words = number(printed_value(value, name), printed_decimals(name))
    positive = is_fppa(name) and words.strip("0.") and not words.startswith("−")
    return f"+{words}" if positive else words


def spread_words(sd: float | None, name: str) -> str:
    """Return a spread in the unit and with the decimals that are printed, a dash for none."""
    return "–" if sd is None else number(printed_value(sd, name), printed_decimals(name))


def half_width_words(sd: float | None, name: str) -> str:
    """Return the half-width of the 95 % interval, in the unit and decimals that are printed."""
    return "" if sd is None else number(COVERAGE * printed_value(sd, name), printed_decimals(name))


def heading(name: str) -> str:
    """Return a measure's label with the unit in which it is printed."""
    unit = printed_unit(name)
    return DEFINITIONS[name].label + (f", {unit}" if unit else "")
