"""Measures with and without what a person set -> which values that changed. Pure."""

from __future__ import annotations

from dataclasses import replace

from landing_analysis.settings import Settings
from landing_analysis.tables import Measure, Measures, Rep, Reps


def marked_by_hand(
    measures: Measures, reps: Reps, found_reps: Reps, found: Measures, settings: Settings
) -> Measures:
    """Mark the values that contacts and landmarks set by hand made others.

    Parameters
    ----------
    measures, reps : with what was set by hand
    found_reps, found : of the same clip without it
    settings : Settings

    Returns
    -------
    Measures
        A value that differs, or that there would not be, is ``by_hand``.
    """
    known = {(row.rep, row.name, row.limb): row for row in found.measures}
    numbers = {rep.number: _same(rep, found_reps, settings.reps.same_rep_s) for rep in reps.reps}

    def mark(row: Measure) -> Measure:
        before = known.get((numbers.get(row.rep) or 0, row.name, row.limb))
        value = before.value if before else None
        if value is None and row.value is None:
            return row
        if value is not None and row.value is not None:
            least = settings.by_hand.least_share_of_sd * (row.sd or 0.0)
            if abs(value - row.value) <= least:
                return row
        return replace(row, by_hand=True, found=value)

    return replace(measures, measures=tuple(map(mark, measures.measures)))


def _same(rep: Rep, among: Reps, within_s: float) -> int | None:
    landing = rep.flight.landing
    near: list[tuple[float, int]] = [
        (abs(other.flight.landing.t_s - landing.t_s), other.number)
        for other in among.reps
        if landing is not None and other.flight.landing is not None
    ]
    apart_s, number = min(near, default=(within_s + 1, 0))
    return number if apart_s <= within_s else None
