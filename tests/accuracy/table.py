"""Scores of many clips to the benchmark's table: one row per split, group and quantity."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, fields

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.maths.statistics import Z_95

from .scoring import BODY_TRUTHS, LIMB_TRUTHS, SET_CONTACT_TIME, Error, Score, summary_row

QUANTITIES = ("initial_contact", "toe_off", SET_CONTACT_TIME, *LIMB_TRUTHS, *BODY_TRUTHS)
GROUPINGS = ("all", "view", "frame_rate", "body", "exposure", "yaw", "foot")
SQUARE_ON_DEG = 5.0
SHORT_FLIGHT_S = 0.2
"""Toes rise by less than 5 cm in such a flight: the table shows its contacts apart."""


def wilson_interval(successes: int, trials: int, z: float = Z_95) -> tuple[float, float]:
    """Return the Wilson score interval of a share, 0..1."""
    share = successes / trials
    centre = share + z**2 / (2 * trials)
    half_width = z * math.sqrt(share * (1 - share) / trials + z**2 / (4 * trials**2))
    scale = 1 + z**2 / trials
    return (centre - half_width) / scale, (centre + half_width) / scale


@dataclass(frozen=True)
class Facts:
    """How a clip was made, as far as the table sorts by it."""

    clip: str
    split: str
    body: str
    view: str
    fps: float
    exposure_s: float
    yaw_deg: float
    short_flights: bool = False

    @classmethod
    def of(cls, truth: dict) -> Facts:
        """Read them from a truth document of the matrix."""
        camera, place = truth["camera"], truth["matrix"]
        return cls(
            truth["clip"], place["split"], place["body"], truth["view"], truth["fps"],
            camera["exposure_s"], camera["yaw_deg"],
            max(rep["flight_time_s"] for rep in truth["reps"]) < SHORT_FLIGHT_S,
        )  # fmt: skip

    def group(self, by: str, limb: str | None) -> str | None:
        """Name the group that a value of one limb falls into; None where it does not apply."""
        match by:
            case "all":
                return "all"
            case "view":
                return self.view
            case "frame_rate":
                return f"{self.fps:.0f} frames/s"
            case "body":
                return self.body
            case "exposure":
                return f"1/{1 / self.exposure_s:.0f} s"
            case "yaw":
                within = abs(self.yaw_deg) <= SQUARE_ON_DEG
                return f"{'within' if within else 'beyond'} {SQUARE_ON_DEG:.0f} deg"
            case "foot" if limb is not None:
                if self.view in ("front", "back"):
                    return "side by side"
                return "near" if self.view.startswith(limb) else "far"
        return None


@dataclass(frozen=True)
class Row:
    """One line of the table; times in ms.

    ``found``, ``missed`` and ``invented`` count contacts and reps; of a measure,
    ``missed`` counts the truths for which no value was given. ``covered`` is the
    share of truths within the claimed 95 % interval, ``covered_from`` and
    ``covered_to`` its Wilson interval, as if all values were independent.
    """

    split: str
    by: str
    group: str
    quantity: str
    unit: str
    found: int
    missed: int
    invented: int | None = None
    bias: float | None = None
    median_abs: float | None = None
    p95_abs: float | None = None
    rms: float | None = None
    covered_pct: float | None = None
    covered_from_pct: float | None = None
    covered_to_pct: float | None = None


def unit_of(quantity: str) -> tuple[str, float]:
    """Unit in the table and the factor that brings an error into it."""
    if quantity in ("initial_contact", "toe_off", SET_CONTACT_TIME):
        return "ms", 1000.0
    unit = DEFINITIONS[quantity].unit
    return ("ms", 1000.0) if unit == "s" else (unit, 1.0)


def table(scored: Sequence[tuple[Facts, Score]]) -> tuple[Row, ...]:
    """Sum up scores by split and by every grouping."""
    return tuple(
        row
        for split in sorted({facts.split for facts, _ in scored}, reverse=True)
        for by in GROUPINGS
        for row in _rows(split, by, [pair for pair in scored if pair[0].split == split])
    )


def _rows(split: str, by: str, scored: list[tuple[Facts, Score]]) -> Iterator[Row]:
    """Rows of one grouping; a value belongs to the group of its own limb."""
    errors: dict[str, list[Error]] = {}
    declined: dict[str, list[str]] = {}
    scores: dict[str, list[Score]] = {}
    for facts, score in scored:
        whole = facts.group(by, None)
        if whole is not None:
            scores.setdefault(whole, []).append(score)
        for error in score.errors:
            group = facts.group(by, error.limb)
            if group is not None:
                errors.setdefault(group, []).append(error)
        for quantity, limb in score.declined:
            group = facts.group(by, limb)
            if group is not None:
                declined.setdefault(group, []).append(quantity)
    for group in sorted({*errors, *declined, *scores}):
        yield from _counts(split, by, group, scores.get(group, []))
        for quantity in QUANTITIES:
            missed = declined.get(group, []).count(quantity)
            of_it = [e for e in errors.get(group, []) if e.quantity == quantity]
            if of_it or missed:
                yield _measure_row(split, by, group, quantity, of_it, missed)


def _counts(split: str, by: str, group: str, scores: list[Score]) -> Iterator[Row]:
    if not scores:
        return
    missed = sum(score.contacts_missed for score in scores)
    found = sum(score.contacts_true for score in scores) - missed
    invented = sum(score.contacts_invented for score in scores)
    yield Row(split, by, group, "contacts", "", found, missed, invented)
    less = sum(max(score.reps_true - score.reps_found, 0) for score in scores)
    more = sum(max(score.reps_found - score.reps_true, 0) for score in scores)
    true = sum(score.reps_true for score in scores)
    yield Row(split, by, group, "reps", "", true - less, less, more)


def _measure_row(
    split: str, by: str, group: str, quantity: str, errors: list[Error], missed: int
) -> Row:
    unit, factor = unit_of(quantity)
    if not errors:
        return Row(split, by, group, quantity, unit, 0, missed)
    row = summary_row(errors)
    sizes = [factor * row[name] for name in ("bias", "median", "p95", "rms")]
    covered: tuple[float, ...] = ()
    if all(math.isfinite(error.sd) for error in errors):
        range_ = wilson_interval(sum(error.covered for error in errors), len(errors))
        covered = tuple(100 * share for share in (row["covered"], *range_))
    return Row(split, by, group, quantity, unit, len(errors), missed, None, *sizes, *covered)


# --- writing -----------------------------------------------------------------------------------


def as_csv(rows: Sequence[Row]) -> str:
    """Write rows as CSV, numbers to 0.01."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(field.name for field in fields(Row))
    for row in rows:
        writer.writerow(
            f"{value:.2f}" if isinstance(value, float) else value for value in asdict(row).values()
        )
    return text.getvalue()


def as_markdown(rows: Sequence[Row]) -> str:
    """Write rows of all, by view and by frame rate, without what was never measured."""
    parts = []
    for by, title in (("all", "All"), ("view", "By view"), ("frame_rate", "By frame rate")):
        lines = [
            f"## {title}", "",
            "| scenes | | quantity | found | missed | invented | bias | median | 95 % within | RMS "
            "| inside the claimed 95 % interval |",
            "|---|---|---|--:|--:|--:|--:|--:|--:|--:|--:|",
        ]  # fmt: skip
        lines += [_line(row) for row in rows if row.by == by and row.found]
        parts.append("\n".join(lines))
    return "\n\n".join(parts) + "\n"


def _line(row: Row) -> str:
    unit = f" ({row.unit})" if row.unit else ""
    errors = [_digits(row.bias, "+.1f"), *(_digits(x) for x in (row.median_abs, row.p95_abs))]
    inside = ""
    if row.covered_pct is not None:
        inside = f"{row.covered_pct:.0f} % ({row.covered_from_pct:.0f} to {row.covered_to_pct:.0f})"
    cells = [
        row.split, "" if row.group == "all" else row.group.replace("_", " "),
        row.quantity.replace("_", " ") + unit, str(row.found), str(row.missed),
        "" if row.invented is None else str(row.invented), *errors, _digits(row.rms), inside,
    ]  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def _digits(value: float | None, form: str = ".1f") -> str:
    return "" if value is None else format(value, form)
