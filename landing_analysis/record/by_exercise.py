"""A stored analysis of a clip that holds several exercises in a row -> one for each of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, replace
from typing import Any

from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.several import judge_apart
from landing_analysis.reasons import Code
from landing_analysis.record.reading import StoredAnalysis, measure_of
from landing_analysis.settings import SignSettings
from landing_analysis.tables import Measure

_SIGNS = SignSettings()


def by_exercise(one: StoredAnalysis) -> tuple[StoredAnalysis, ...]:
    """Return what an analysis holds of each exercise of its clip, the clip's own first.

    Parameters
    ----------
    one : StoredAnalysis

    Returns
    -------
    tuple of StoredAnalysis
        The analysis itself where its clip holds one exercise, or a person said which. Else the
        clip's own exercise keeps the set's means, comparisons and findings, without the reps of
        the others. Each other exercise has its own reps with what was measured in them, and
        means, comparisons and findings over the used ones of all its bouts.

    Notes
    -----
    An analysis of an earlier version does not tell which reps were seen in another view than the
    clip's, nor rebounds: there a clip in which the patient turned is not parted, nor are exercises
    that rebound. Reps of bouts that were not recognised with certainty stay with the clip's own
    exercise, but are none of its ``landings_that_count``.
    """
    told = one.tells_rebounds
    numbers = reps_by_exercise(one.values["bouts"] or (), one.values["exercise"], rebounds=told)
    turned = Code.PATIENT_TURNED in one.remark_codes and not told
    if not numbers or one.values["exercise_origin"] == "given" or turned:
        return (one,)
    others = set().union(*numbers.values())
    own = {rep["number"] for rep in one.tables["rep"]} - others
    return (
        _only(one, own, {}),
        *(_only(one, reps, _unlike_the_clip(one, exercise)) for exercise, reps in numbers.items()),
    )


def reps_by_exercise(
    bouts: Iterable[Mapping[str, Any]], own: str | None, *, rebounds: bool
) -> dict[str, set[int]]:  # fmt: skip
    """Return the numbers of the reps in the sure bouts of each exercise but the clip's own.

    Those that rebound only where ``rebounds`` are told apart.
    """
    numbers: dict[str, set[int]] = {}
    for bout in filter(_is_sure, bouts):
        apart = rebounds or not EXERCISES[bout["exercise"]].rebounds
        if bout["exercise"] != own and apart:
            numbers.setdefault(bout["exercise"], set()).update(bout["reps"])
    return numbers


def _is_sure(bout: Mapping[str, Any]) -> bool:
    """Whether a bout is more than some stray reps, and its exercise certain."""
    sure = bout["confidence"] is not None and bout["confidence"] >= _SIGNS.sure_share
    return sure and len(bout["reps"]) >= _SIGNS.fewest_of_bout


def mean_rows(one: StoredAnalysis) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return summaries and comparisons as `reading.read_set_rows` gives those of whole clips."""
    values = one.values
    corrected = {(name, limb) for _, name, limb in one.corrected}
    common = {
        **values,
        "code": one.code,
        "date": one.date.isoformat(),
        "analysis_id": values["id"],
        "hop_limb": values["limb"],
        "fppa_corrected": bool(corrected),
    }
    summaries = [
        common
        | {
            "name": row["name"],
            "limb": row["limb"],
            "value": row["mean"],
            "sd": row["mean_sd"],
            "reps": row["reps_used"],
            "parts": row["parts"],
            "by_hand": (row["name"], row["limb"]) in one.by_hand,
        }
        for row in one.tables["summary"]
    ]
    changed = {name for name, _ in one.by_hand}
    comparisons = [
        common
        | {
            **{key: row[key] for key in ("name", "limb", "value", "sd", "parts")},
            "reps": 0,
            "by_hand": row["name"] in changed,
        }
        for row in one.tables["comparison"]
    ]
    return summaries, comparisons


def _unlike_the_clip(one: StoredAnalysis, exercise: str) -> dict[str, Any]:
    """Return how surely an exercise was recognised: as its least sure bout, and by its motion."""
    bouts = [b for b in one.values["bouts"] if b["exercise"] == exercise and _is_sure(b)]
    return {
        "exercise": exercise,
        "exercise_confidence": min(bout["confidence"] for bout in bouts),
        "exercise_origin": "detected",
        "limb": None,
        "bouts": bouts,
    }


def _only(one: StoredAnalysis, reps: set[int], values: dict[str, Any]) -> StoredAnalysis:
    """Return an analysis with some of its reps; with another exercise, summarised anew.

    What is of no rep, a contact or what is found of the set, stays with the clip's own exercise.
    """
    kept = reps if values else {*reps, None}
    tables = one.tables | {
        "rep": tuple(row for row in one.tables["rep"] if row["number"] in reps),
        **{
            table: tuple(row for row in one.tables[table] if row["rep"] in kept)
            for table in ("contact", "measure", "finding")
        },
    }
    part = replace(one, values=one.values | values, tables=tables, is_part=bool(values))
    return replace(part, tables=tables | _judged(part)) if part.is_part else part


def _judged(one: StoredAnalysis) -> dict[str, tuple[dict[str, Any], ...]]:
    """Return means, comparisons and findings over the used reps."""
    measures, findings = judge_apart(
        _measures_of(one), one.values["exercise"], one.limits, 1.0 / one.values["median_fps"]
    )
    return {
        "summary": tuple(map(asdict, measures.summaries)),
        "comparison": tuple(map(asdict, measures.comparisons)),
        "finding": tuple({**asdict(row), "limit_value": row.limit} for row in findings),
    }


def _measures_of(one: StoredAnalysis) -> Iterable[Measure]:
    """Yield the values of the landings that count."""
    for row in one.tables["measure"]:
        if row["value"] is not None and row["rep"] in one.landings_that_count:
            yield measure_of(row)
