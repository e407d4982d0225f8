"""Analysis -> one for each exercise of its clip, with its own means and findings."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from landing_analysis.disturbances.effects import Effect
from landing_analysis.findings.judging import judge_measures
from landing_analysis.measures.summaries import with_set
from landing_analysis.reasons import Code, because
from landing_analysis.settings import MeasureSettings
from landing_analysis.tables import Analysis, Exercise, Finding, Limit, Measure, Measures, Rep

_SETTINGS = MeasureSettings()


def judge_apart(
    rows: Iterable[Measure], exercise: Exercise, limits: tuple[Limit, ...], frame_s: float
) -> tuple[Measures, tuple[Finding, ...]]:
    """Summarise the reps of one exercise of a clip that holds several, and judge them.

    Parameters
    ----------
    rows : of the reps that count, each ``of_set``
    exercise : that these reps are of, whose limits they are held against
    limits : from the limits file
    frame_s : between two frames; means in time that differ by less are not compared

    Returns
    -------
    (Measures, tuple of Finding)
    """
    alike = because(Code.LESS_THAN_A_FRAME_APART, frame_ms=1000.0 * frame_s)
    not_compared = Effect(least_difference_s=frame_s, too_alike=alike)
    measures = with_set(Measures(tuple(rows)), _SETTINGS, (not_compared,))
    return measures, judge_measures(measures, limits, exercise)


def by_exercise(analysis: Analysis) -> tuple[Analysis, ...]:
    """Return what a clip holds of each exercise, its own first, the others as they began.

    A clip of one exercise is returned as it is. Of several each has its own reps with what was
    measured in them, means, comparisons and findings, as a clip of its own would. Of the others
    rebounds do not count, nor reps that are seen in another view than the clip's.
    """
    own, reps = analysis.decided.exercise, analysis.reps.reps
    others = [rep for rep in reps if own is not None and rep.exercise != own]
    if not others:
        return (analysis,)
    return (
        _only(analysis, [rep for rep in reps if rep.exercise == own]),
        *(
            _apart(analysis, [rep for rep in others if rep.exercise == exercise])
            for exercise in dict.fromkeys(rep.exercise for rep in others)
        ),
    )


def _only(analysis: Analysis, reps: list[Rep]) -> Analysis:
    """Return an analysis with some of its reps, of one exercise, and with what is of the set."""
    numbers = {rep.number for rep in reps}
    rows = tuple(row for row in analysis.measures.measures if row.rep in numbers)
    exercise = reps[0].exercise
    bouts = tuple(bout for bout in analysis.reps.bouts if bout.exercise == exercise)
    return replace(
        analysis,
        reps=replace(analysis.reps, exercise=exercise, reps=tuple(reps), bouts=bouts),
        measures=replace(analysis.measures, measures=rows),
        findings=tuple(found for found in analysis.findings if found.rep in {*numbers, None}),
    )


def _apart(analysis: Analysis, reps: list[Rep]) -> Analysis:
    """Return some reps of another exercise than the clip's as an analysis of its own."""
    part, view = _only(analysis, reps), analysis.view.view
    counted = {rep.number for rep in reps if not rep.rebound and rep.view in (None, view)}
    rows = [replace(r, of_set=True) for r in part.measures.measures if r.rep in counted]
    exercise, frame_s = reps[0].exercise, 1.0 / analysis.tracks.rate_hz
    measures, findings = judge_apart(rows, exercise, analysis.limits, frame_s)
    sure = min((bout.confidence for bout in part.reps.bouts), default=None)
    decided = replace(part.decided, exercise=exercise, exercise_confidence=sure, limb=None)
    return replace(part, decided=decided, measures=measures, findings=findings)
