"""The benchmark in a dozen lines: what was aimed at, and what was reached on each split."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from .scoring import Error, Score
from .table import SQUARE_ON_DEG, Facts, unit_of
from .verdicts import Verdict, VerdictRow, verdict_table

Scored = Sequence[tuple[Facts, Score]]

LEAST_VALUES = 20
"""Coverage of fewer values than this says nothing."""


def goals_as_markdown(scored: Scored, judged: Sequence[tuple[str, Verdict]]) -> str:
    """Write a line per goal with the figures of both splits."""
    splits = [
        split for split in ("tune", "hold", "others") if any(f.split == split for f, _ in scored)
    ]
    columns = [
        _column(
            [(facts, score) for facts, score in scored if facts.split == split],
            [(name, verdict) for name, verdict in judged if name == split],
        )
        for split in splits
    ]
    lines = [
        "## Against the goals", "",
        "| | goal | " + " | ".join(splits) + " |",
        "|---|---|" + "---|" * len(splits),
    ]  # fmt: skip
    for number, (name, goal) in enumerate(_GOALS):
        cells = " | ".join(column[number] for column in columns)
        lines.append(f"| {name} | {goal} | {cells} |")
    return "\n".join(lines) + "\n"


_EDGE_60, _EDGE_240 = "median 5, 95 % within 15, bias 3 ms", "median 3, 95 % within 8 ms"
_GOALS = (
    ("contacts after flights of 0.2 s and more", "found 99.5 %, invented 0.5 %"),
    ("contacts after shorter flights", "found 99.5 %, invented 0.5 %"),
    ("initial contact, 60 frames/s", _EDGE_60),
    ("toe-off, 60 frames/s", _EDGE_60),
    ("initial contact, 240 frames/s", _EDGE_240),
    ("toe-off, 240 frames/s", _EDGE_240),
    ("contact time of a rep, 60 frames/s", "RMS 7.5 ms"),
    ("knee flexion from the side, initial contact", "median 2, 95 % within 5 deg"),
    ("knee flexion from the side, peak", "median 2, 95 % within 5 deg"),
    ("FPPA from the front, peak flexion, yaw within 5 deg", "median 1.5, 95 % within 4 deg"),
    ("knee inward, true angle 4 deg and more from the limit", "sensitivity, specificity 97 %"),
    ("the same by the value alone", "sensitivity, specificity 97 %"),
    ("favoured limb named, true shift of 10 % and more", "right 95 %, never wrong with certainty"),
    ("truth inside the claimed 95 % interval, by measure", "90 to 98 %"),
)


def _column(scored: Scored, judged: Sequence[tuple[str, Verdict]]) -> list[str]:
    errors = [(facts, error) for facts, score in scored for error in score.errors]

    def of(quantity: str, holds: Callable[[Facts], bool]) -> list[Error]:
        return [e for facts, e in errors if e.quantity == quantity and holds(facts)]

    def at(fps: float) -> Callable[[Facts], bool]:
        return lambda facts: facts.fps == fps and not facts.short_flights

    def square(facts: Facts) -> bool:
        return facts.view == "front" and abs(facts.yaw_deg) <= SQUARE_ON_DEG

    rows = {row.question: row for row in verdict_table(judged)}
    return [
        _contacts([score for facts, score in scored if not facts.short_flights]),
        _contacts([score for facts, score in scored if facts.short_flights]),
        *(
            _sizes(of(name, at(fps)))
            for fps in (60, 240)
            for name in ("initial_contact", "toe_off")
        ),
        _rms(of("contact_time", at(60))),
        _sizes(of("knee_flexion_initial_contact", lambda _: True)),
        _sizes(of("knee_flexion_peak", lambda _: True)),
        _sizes(of("fppa_peak_flexion", square)),
        _both(rows, "told so (sensitivity)", "told so (specificity)"),
        _both(rows, "by the value alone", "by the value alone"),
        _favoured(rows),
        _coverage([error for _, error in errors]),
    ]


def _contacts(scores: Sequence[Score]) -> str:
    true = sum(score.contacts_true for score in scores)
    if not true:
        return "-"
    found = true - sum(score.contacts_missed for score in scores)
    invented = sum(score.contacts_invented for score in scores)
    return f"{found} of {true} ({100 * found / true:.1f} %), {invented} invented"


def _sizes(errors: Sequence[Error]) -> str:
    if not errors:
        return "-"
    unit, factor = unit_of(errors[0].quantity)
    values = factor * np.array([error.error for error in errors])
    median, p95 = np.median(np.abs(values)), np.percentile(np.abs(values), 95)
    bias = f"bias {values.mean():+.1f} {unit} (n {len(values)})"
    return f"median {median:.1f}, 95 % within {p95:.1f}, {bias}"


def _rms(errors: Sequence[Error]) -> str:
    if not errors:
        return "-"
    values = 1000 * np.array([error.error for error in errors])
    return f"RMS {np.sqrt((values**2).mean()):.1f} ms (n {len(values)})"


def _both(rows: dict[str, VerdictRow], inward: str, not_inward: str) -> str:
    pair = [rows.get(f"knee inward, {inward}"), rows.get(f"knee not inward, {not_inward}")]
    return "; ".join(_counts(row) for row in pair)


def _counts(row: VerdictRow | None) -> str:
    if row is None:
        return "-"
    return f"{row.right} right, {row.wrong} wrong, {row.cannot_tell} cannot tell"


def _favoured(rows: dict[str, VerdictRow]) -> str:
    named = rows.get("favoured limb of a set, named")
    certain = rows.get("favoured limb of a set, named with certainty")
    if named is None or certain is None:
        return "-"
    return f"{_counts(named)}; with certainty {certain.right} right, {certain.wrong} wrong"


def _coverage(errors: Sequence[Error]) -> str:
    shares = {}
    for name in {error.quantity for error in errors}:
        covered = [e.covered for e in errors if e.quantity == name and np.isfinite(e.sd)]
        if len(covered) >= LEAST_VALUES:
            shares[name] = 100 * float(np.mean(covered))
    if not shares:
        return "-"
    ordered = sorted(shares.items(), key=lambda item: item[1])
    return ", ".join(f"{name.replace('_', ' ')} {share:.0f} %" for name, share in ordered)
