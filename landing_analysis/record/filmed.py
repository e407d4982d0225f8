"""A patient's stored analyses -> the sets of a day as `sessions.dose` counts them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, datetime
from itertools import groupby
from typing import Any

from landing_analysis.record.reading import StoredAnalysis
from landing_analysis.sessions.dose import ExerciseDose, Filmed, Landed, dose_of
from landing_analysis.sessions.session import Session
from landing_analysis.settings import DoseSettings
from landing_analysis.trend.alike import Landing, Landings, goes_from_foot_to_foot

_SETTINGS = DoseSettings()
_OWN_TIME = ("clip", "file name")
"""Where a time of recording comes from that is not that of a copy."""


def exercise_of(one: StoredAnalysis) -> str | None:
    """Return the exercise that a clip shows, None without a rep."""
    exercise = one.values["exercise"]
    if exercise != "hop":
        return str(exercise) if exercise else None
    landings = tuple(
        Landing(tuple(rep["limbs"]), None if rep["bound"] is None else bool(rep["bound"]), None)
        for rep in one.tables["rep"]
    )
    alternates = goes_from_foot_to_foot(Landings(one.code, exercise, landings))
    return "alternating_jump" if alternates else "hop"


def day_dose(
    analyses: Iterable[StoredAnalysis], day: date, session: Session | None
) -> tuple[ExerciseDose, ...]:  # fmt: skip
    """Count what was filmed on one day, set against the plan where there is one.

    Parameters
    ----------
    analyses : of one patient, by time of recording, without clips that a person left out
    day : of the visit
    session : of that day
    """
    filmed = (part for one in analyses if one.date == day for part in _filmed(one))
    return dose_of(filmed, session.plan if session else ())


def _filmed(one: StoredAnalysis) -> Iterator[Filmed]:
    """Yield the exercises of a clip, one after the other."""
    values = one.values
    started = datetime.fromisoformat(values["recorded_at"]).timestamp()
    for exercise, reps in _bouts(one):
        yield Filmed(
            clip=values["set_number"],
            exercise=exercise,
            started_s=started if values["recorded_from"] in _OWN_TIME else None,
            duration_s=values["duration_s"],
            landings=tuple(map(_landed, reps)),
        )


def _bouts(one: StoredAnalysis) -> list[tuple[str, list[dict[str, Any]]]]:
    """Return the counted reps of each bout, which early analyses had not told apart."""
    told = one.values["bouts"]
    if not told:
        return _inferred(one)
    by_number = {rep["number"]: rep for rep in one.tables["rep"] if _counts(rep)}
    found = (
        (bout["exercise"], [by_number[n] for n in bout["reps"] if n in by_number]) for bout in told
    )
    return [(exercise, reps) for exercise, reps in found if reps]


def _inferred(one: StoredAnalysis) -> list[tuple[str, list[dict[str, Any]]]]:
    """Cut a clip's counted reps where the exercise changes for more than a rep or two."""
    whole = exercise_of(one)
    bouts: list[tuple[str, list[dict[str, Any]]]] = []
    for exercise, run in groupby(filter(_counts, one.tables["rep"]), lambda rep: rep["exercise"]):
        reps = list(run)
        is_stray = exercise == one.values["exercise"] or len(reps) < _SETTINGS.fewest_of_bout
        name = whole if whole and is_stray else exercise
        if bouts and bouts[-1][0] == name:
            bouts[-1][1].extend(reps)
        else:
            bouts.append((name, reps))
    return bouts


def _counts(rep: dict[str, Any]) -> bool:
    """Whether a rep is part of the dose: all that landed, but none left out by hand."""
    return not rep["excluded"] and bool(rep["limbs"])


def _landed(rep: dict[str, Any]) -> Landed:
    return Landed(tuple(rep["limbs"]), rep["landing_s"])
