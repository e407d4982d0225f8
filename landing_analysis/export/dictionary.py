"""The data dictionary: every column of the tidy tables, as `columns` describes it."""

from __future__ import annotations

from collections.abc import Iterable

from landing_analysis import __version__
from landing_analysis.definitions import CAUTIONS, INTENDED_USE
from landing_analysis.export.columns import OWN_UNIT, TABLES, UCUM, Column, Table
from landing_analysis.reasons import Code
from landing_analysis.wording import code_words

DICTIONARY_COLUMNS = ("table", "column", "type", "unit", "meaning", "sign", "source")

_RULES = (
    "`X_sd` is the standard uncertainty of `X`; twice it is about half of a 95 % interval.",
    "An empty cell is not known or not measurable, never 0; `reason` says why a value is missing.",
    "Left and right are the patient's own limbs. Jump = two feet, hop = one.",
    "Units are UCUM codes; where rows differ, they name theirs in the column `unit`.",
    "Rows with `invented` true belong to people who do not exist; leave them out of any study.",
    "Each clip is there with its newest analysis (`current` true); with --all-analyses earlier "
    "ones are there as well: filter, or reps count twice.",
    "Clips of several views show the same limb in several sets; uncertainties of one patient's "
    "sets are not independent, because the pose model's own error repeats in them.",
    "Dates can tell who somebody is; `weeks_since_surgery` often does as well.",
)


def dictionary_rows() -> list[dict[str, str]]:
    """Return a row per column of each table, keyed by `DICTIONARY_COLUMNS`."""
    return [
        {
            "table": table.name,
            "column": column.name,
            "type": column.kind,
            "unit": _unit(column),
            "meaning": column.meaning,
            "sign": column.sign,
            "source": column.source,
        }
        for table in TABLES.values()
        for column in table.columns
    ]


def dictionary_text(ending: str) -> str:
    """Return the dictionary to read, in Markdown.

    Parameters
    ----------
    ending : of the tables' files, ``csv`` or ``parquet``
    """
    head = [
        "# The tables, column by column",
        "",
        f"Written by landing_analysis {__version__}. {INTENDED_USE}",
        "",
        *(f"- {rule}" for rule in (*_RULES, *CAUTIONS)),
    ]
    parts = [line for table in TABLES.values() for line in _table_lines(table, ending)]
    return "\n".join([*head, *parts, *_code_lines()]) + "\n"


def _code_lines() -> Iterable[str]:
    yield from ("", "## Reason codes", "", "| code | what it says |", "|---|---|")
    for code in Code:
        yield f"| `{code}` | {code_words(code)} |"


def _unit(column: Column) -> str:
    if column.unit is None:
        return ""
    return "see column unit" if column.unit == OWN_UNIT else UCUM[column.unit]


def _table_lines(table: Table, ending: str) -> Iterable[str]:
    yield from ("", f"## {table.name}.{ending}", "", f"A row is {table.row}.", "")
    yield from ("| column | type | unit | meaning |", "|---|---|---|---|")
    for column in table.columns:
        extra = [f"Sign: {column.sign}." if column.sign else "", column.source]
        meaning = " ".join(filter(None, [column.meaning, *extra])).replace("|", "\\|")
        yield f"| `{column.name}` | {column.kind} | {_unit(column)} | {meaning} |"
