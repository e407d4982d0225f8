"""Analysis -> what stands behind its values, as plain rows; computes no measure."""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Iterable

from landing_analysis.definitions import DEFINITIONS, printed_decimals, printed_unit, printed_value
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.judging import TITLES, edges
from landing_analysis.report.header import time_base_words
from landing_analysis.report.numbers import sentence
from landing_analysis.report.verdicts import severity
from landing_analysis.tables import Analysis, Finding, Limb, Verdict
from landing_analysis.wording import words_of


def findings_by_title(analysis: Analysis) -> list[tuple[str, list[Finding]]]:
    """Return the findings of single reps under their headings."""
    grouped: dict[str, list[Finding]] = defaultdict(list)
    for finding in analysis.findings:
        if finding.rep is not None:
            grouped[TITLES.get(finding.name, finding.name)].append(finding)
    return list(grouped.items())


def finding_matrix(analysis: Analysis) -> list[tuple[str, Limb | None, dict[int, Verdict]]]:
    """Return the verdict of every judged measure by rep, as (measure, limb, verdicts).

    A measure with two limits has the worse of its verdicts.
    """
    rows: dict[tuple[str, Limb | None], dict[int, Verdict]] = {}
    for finding in analysis.findings:
        if finding.rep is not None:
            verdicts = rows.setdefault((finding.measure, finding.limb), {})
            seen = (finding.verdict, verdicts.get(finding.rep, finding.verdict))
            verdicts[finding.rep] = min(seen, key=severity)
    return [(DEFINITIONS[name].label, limb, verdicts) for (name, limb), verdicts in rows.items()]


def unmeasured(analysis: Analysis) -> list[tuple[str, str]]:
    """Return what could not be measured, as (reason, what), the same reason once."""
    grouped: dict[str, dict[str, set[int]]] = defaultdict(lambda: defaultdict(set))
    for row in analysis.measures.measures:
        if row.value is None:
            label = DEFINITIONS[row.name].label + (f" ({row.limb})" if row.limb else "")
            grouped[words_of(row.reason)][label].add(row.rep)
    used = sum(rep.used for rep in analysis.reps.reps)
    missing = [(reason, _what(labels, used)) for reason, labels in grouped.items()]
    sides: dict[str, list[str]] = defaultdict(list)
    for item in analysis.measures.not_compared:
        sides[words_of(item.reason)].append(
            f"{DEFINITIONS[item.name].label}, one limb against the other"
        )
    return missing + [(reason, "; ".join(labels)) for reason, labels in sides.items()]


def _what(labels: dict[str, set[int]], used: int) -> str:
    by_reps: dict[tuple[int, ...], list[str]] = defaultdict(list)
    for label, reps in labels.items():
        by_reps[tuple(sorted(reps))].append(label)
    parts = []
    for numbers, names in by_reps.items():
        where = "" if len(numbers) == used else f" in rep {_listed(numbers)}"
        parts.append(", ".join(_both_limbs(names)) + where)
    return "; ".join(parts)


def _listed(numbers: Iterable[int]) -> str:
    return ", ".join(str(item) for item in numbers)


def _both_limbs(names: list[str]) -> list[str]:
    """Say a measure once when it is missing for both limbs."""
    merged = []
    for name in names:
        bare = name.removesuffix(" (left)").removesuffix(" (right)")
        if {f"{bare} (left)", f"{bare} (right)"} <= set(names):
            name = bare
        if name not in merged:
            merged.append(name)
    return merged


def uncertainty_rows(analysis: Analysis) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the parts of each measure's standard uncertainty, root mean square over the set."""
    squares: dict[tuple[str, Limb | None], dict[str, list[float]]] = {}
    for row in analysis.measures.measures:
        for part in row.parts:
            of_row = squares.setdefault((row.name, row.limb), {})
            of_row.setdefault(part.name, []).append(part.sd**2)
    rows = []
    for (name, limb), parts in squares.items():
        label = DEFINITIONS[name].label + (f", {limb}" if limb else "")
        unit = printed_unit(name, share=False)
        digits = printed_decimals(name) + 1
        words = [
            (
                part,
                f"{printed_value(math.sqrt(sum(found) / len(found)), name):.{digits}f} "
                f"{unit}".strip(),
            )
            for part, found in parts.items()
        ]
        rows.append((label, words))
    return rows


def limit_rows(analysis: Analysis) -> list[tuple[str, str, str]]:
    """Return the limits in force, as (what, outside which values, source)."""
    rows = []
    for limit in analysis.limits:
        side = limit.finding == "side_difference"
        unit = "% of the other limb" if side else printed_unit(limit.measure)
        scale = 1.0 if side else printed_value(1.0, limit.measure)
        low, high = (None if edge is None else f"{scale * edge:g}" for edge in edges(limit))
        words = f"above {high}" if low is None else f"below {low}"
        if low is not None and high is not None:
            words = f"below {low} or above {high}"
        what = f"{TITLES[limit.finding]}: {DEFINITIONS[limit.measure].label}"
        named = ", ".join(EXERCISES[code].name for code in limit.exercises)
        of = f"; of {named}" if named and set(limit.exercises) < set(EXERCISES) else ""
        rows.append((what, sentence(f"{words} {unit}".rstrip() + of), limit.source))
    return rows


def provenance_facts(analysis: Analysis) -> list[tuple[str, str]]:
    """Return what made the numbers, as (name, words)."""
    made = analysis.provenance
    return [
        ("landing_analysis", made.version),
        ("Analysed", made.analysed_at),
        ("Clip sha256", made.clip_sha256),
        ("Pose model", made.model_name),
        ("Model sha256", made.model_sha256),
        (
            "Time base",
            "presentation time of each frame, as stored in the clip; "
            + time_base_words(analysis.decided.time_base),
        ),
        ("Low-pass of angles", f"{analysis.tracks.cutoff_hz:.1f} Hz, two passes"),
        ("Settings", json.dumps(made.settings, sort_keys=True)),
    ]
