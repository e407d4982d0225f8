"""The record's rows of one patient -> the typed rows that trends and triage work on."""

from __future__ import annotations

import hashlib
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import date
from typing import Any, Literal

from landing_analysis.analysing import REPORT
from landing_analysis.corrections import BY_HAND_WORDS
from landing_analysis.definitions import VIEW_WORDS, is_fppa
from landing_analysis.exercises import EXERCISES, lands_on_both, rung
from landing_analysis.findings.judging import with_roles
from landing_analysis.findings.tally import RepCount, Tally, count_reps, tally_of_set
from landing_analysis.patients import INVENTED_MODEL, Patient
from landing_analysis.record.by_exercise import by_exercise, mean_rows, reps_by_exercise
from landing_analysis.record.clips import SHORT_ID
from landing_analysis.record.database import Record
from landing_analysis.record.dropped_again import DroppedAgain, dropped_again
from landing_analysis.record.filmed import day_dose
from landing_analysis.record.patients import find_patient
from landing_analysis.record.reading import (
    StoredAnalysis,
    measure_of,
    read_analyses,
    read_landing_rows,
    read_set_rows,
)
from landing_analysis.record.sessions import SavedSession, Tick, read_sessions, read_ticks
from landing_analysis.record.unread import UnreadClip, unread_clips
from landing_analysis.report.verdicts import finding_title, landings_words
from landing_analysis.sessions.dose import ExerciseDose
from landing_analysis.sessions.published import warnings_in
from landing_analysis.sessions.session import Session
from landing_analysis.tables import (
    Exercise,
    Finding,
    Limb,
    Measures,
    SetSummary,
    UncertaintyPart,
)
from landing_analysis.trend.alike import ONE_WAY, Landing, Landings, Way, ways
from landing_analysis.trend.changes import (
    Change,
    Followed,
    Key,
    MinimalChange,
    changes_in,
    followed,
    minimal_changes,
    minimal_side_change,
    series_of,
)
from landing_analysis.trend.triage import SetFinding, VisitFacts
from landing_analysis.trend.visits import SetMean, VisitMean, side_means, visit_means

_SetKey = tuple[int, Exercise]
"""An analysis's number, and an exercise that its clip shows."""


@dataclass(frozen=True)
class History:
    """All visits of one patient.

    ``lead_limb`` is set against the other one: the surgical limb, or the left one when no
    surgical side is known. ``sets`` are the analyses by exercise, one that holds several in a row
    once for each (`record.by_exercise`); ``ways`` tells by an analysis's number and the exercise
    which of them were done alike. ``sessions`` are what was entered of each day, ``ticks`` the
    clinician's newest mark on each exercise. ``excluded`` are clips that a person left out of
    everything else, and ``gone`` those among ``analyses`` whose report is no longer there;
    ``again`` are files that hold a recording once more.
    """

    patient: Patient
    analyses: tuple[StoredAnalysis, ...]
    sets: tuple[StoredAnalysis, ...]
    excluded: tuple[StoredAnalysis, ...]
    gone: tuple[StoredAnalysis, ...]
    unread: tuple[UnreadClip, ...]
    again: tuple[DroppedAgain, ...]
    visits: tuple[VisitMean, ...]
    sides: tuple[VisitMean, ...]
    ways: Mapping[_SetKey, Way]
    sessions: Mapping[date, SavedSession]
    ticks: Mapping[str, Tick]

    @property
    def lead_limb(self) -> Limb:
        """The limb that comparisons name first."""
        return self.patient.surgical_side or "left"

    def way_of(self, one: StoredAnalysis) -> Way:
        """Return how a set was done."""
        return self.ways.get((one.values["id"], one.values["exercise"]), ONE_WAY)

    def sets_of(self, day: date, exercise: Exercise | None, way: Way) -> list[StoredAnalysis]:
        """Return the sets of one day and exercise that were done in one way."""
        asked = (day, exercise, way)
        return [s for s in self.sets if (s.date, s.values["exercise"], self.way_of(s)) == asked]

    @property
    def exercise_ways(self) -> tuple[tuple[Exercise, Way], ...]:
        """The exercises of all sets with each way they were done in, in the order of the pages."""
        found = {
            (one.values["exercise"], self.way_of(one))
            for one in self.sets
            if one.values["exercise"]
        }
        return tuple(sorted(found, key=lambda one: (rung(one[0]), one[1])))

    @property
    def days(self) -> tuple[date, ...]:
        """Days with a clip or a session, in order."""
        of_clips = {a.date for a in (*self.analyses, *self.excluded)}
        return tuple(sorted(of_clips | {u.date for u in self.unread} | set(self.sessions)))

    def session(self, day: date) -> Session:
        """Return what was entered of a day."""
        saved = self.sessions.get(day)
        return saved.session if saved else Session()

    def dose(self, day: date) -> tuple[ExerciseDose, ...]:
        """Return what was filmed on a day, set against its plan."""
        return day_dose(self.analyses, day, self.session(day))


def read_history(record: Record, code: str) -> History:
    """Read everything the pages show of one patient: the newest analysis of each clip.

    Raises
    ------
    PatientError
        When there is no such patient.
    """
    patient = find_patient(record, code)
    known = _ways(record, patient.code)
    stored = read_analyses(record, patient.code)
    counted = tuple(one for one in stored if one.values["excluded"] is None)
    parts = [by_exercise(one) for one in counted]
    further = [mean_rows(one) for own, *others in parts for one in others]
    summaries = [row for rows, _ in further for row in rows]
    comparisons = [row for _, rows in further for row in rows]
    visits = visit_means(
        _set_means([*read_set_rows(record, "summary", patient.code), *summaries], known)
    )
    compared = _set_means([*read_set_rows(record, "comparison", patient.code), *comparisons], known)
    return History(
        patient=patient,
        analyses=counted,
        sets=tuple(one for some in parts for one in some),
        excluded=tuple(one for one in stored if one.values["excluded"] is not None),
        gone=tuple(one for one in counted if _is_gone(record, one)),
        unread=unread_clips(record, patient.code),
        again=dropped_again(record, patient.code),
        visits=visits,
        sides=side_means(visits, compared, patient.surgical_side or "left"),
        ways=known,
        sessions={saved.day: saved for saved in read_sessions(record, patient.code)},
        ticks=read_ticks(record, patient.code),
    )


def _is_gone(record: Record, one: StoredAnalysis) -> bool:
    if one.values["model_name"] == INVENTED_MODEL:
        return False
    folder = record.folder.report_at(one.values["report"])
    return not (folder and (folder / REPORT).is_file())


def left_out_words(history: History, day: date | None = None) -> list[str]:
    """Say which clips of one day, or of all, a person left out, and which only seem to be gone."""
    excluded = [
        f"{_clip_words(one)} is left out of all numbers by hand: {one.values['excluded']}."
        for one in history.excluded
        if day in (None, one.date)
    ]
    return excluded + [
        f"The report of {_clip_words(one, capital=False)} is no longer there, but its values "
        f"stand; to leave them out: landing-analysis clip exclude {one.values['sha256'][:SHORT_ID]}"
        for one in history.gone
        if day in (None, one.date)
    ]


def again_words(history: History, day: date) -> list[str]:
    """Say which recordings were dropped again, of one day or under a name that speaks of it."""
    return [
        f"A file named {one.own_day} holds the same recording as set {one.set_number} of "
        f"{one.day}, where it counts once. If it was filmed on {one.own_day}: "
        f"landing-analysis clip set {one.short_id} --day {one.own_day}"
        if one.own_day
        else f"Set {one.set_number} was dropped again as another file; it counts once."
        for one in reversed(history.again)
        if day in (one.day, one.own_day)
    ]


def _clip_words(one: StoredAnalysis, *, capital: bool = True) -> str:
    """Name a clip by its id, its view and when it was filmed."""
    values = one.values
    words = (
        f"clip {values['sha256'][:SHORT_ID]} ({VIEW_WORDS[values['view']]}, {one.date}, "
        f"{values['recorded_at'][11:16]})"
    )
    return words[0].upper() + words[1:] if capital else words


def read_minimal_changes(record: Record) -> dict[Key, MinimalChange]:
    """Return what change each measure can show, from the sets of all patients."""
    return minimal_changes(_set_means(read_set_rows(record, "summary"), _ways(record)))


def side_minimal(
    history: History, what: Followed, minimal: Mapping[Key, MinimalChange]
) -> MinimalChange | None:
    """Return what change of limb against limb one measure of a patient can show."""
    sides = series_of(history.sides, what, history.lead_limb)
    if not sides:
        return None
    return minimal_side_change(minimal.get(what.key), sides[-1], history.visits)


def side_changes(
    history: History, minimal: Mapping[Key, MinimalChange]
) -> tuple[Change, ...]:  # fmt: skip
    """Judge limb against limb from visit to visit, in every measure that is followed."""
    return tuple(
        change
        for what in followed(history.visits)
        for change in changes_in(
            series_of(history.sides, what, history.lead_limb), side_minimal(history, what, minimal)
        )
    )


def _ways(record: Record, code: str | None = None) -> dict[_SetKey, Way]:
    """Tell of each set, in the newest analysis of its clip, how it was done."""
    whose: dict[_SetKey, str] = {}
    landed: defaultdict[_SetKey, list[Landing]] = defaultdict(list)
    for row in read_landing_rows(record, code):
        told = row["rebound"] is not None
        others = reps_by_exercise(row["bouts"] or (), row["exercise"], rebounds=told).items()
        exercise = next((name for name, reps in others if row["number"] in reps), row["exercise"])
        bound = None if row["bound"] is None else bool(row["bound"])
        key = row["analysis_id"], exercise
        whose[key] = row["code"]
        landed[key].append(Landing(tuple(row["limbs"]), bound, row["landing_s"]))
    return ways(
        {key: Landings(whose[key], key[1], tuple(landings)) for key, landings in landed.items()}
    )


def _set_means(rows: Iterable[dict[str, Any]], known: Mapping[_SetKey, Way]) -> tuple[SetMean, ...]:
    return tuple(
        _set_mean(row, known.get((row["analysis_id"], row["exercise"]), ONE_WAY))
        for row in rows if row["exercise"] is not None
    )  # fmt: skip


def _set_mean(row: dict[str, Any], way: Way) -> SetMean:
    """Return one row; what concerns the whole body of a hop belongs to the limb that hops."""
    return SetMean(
        code=row["code"],
        day=date.fromisoformat(row["date"]),
        exercise=row["exercise"],
        name=row["name"],
        limb=row["limb"] or (None if lands_on_both(row["exercise"]) else row["hop_limb"]),
        value=row["value"],
        sd=row["sd"],
        reps=row["reps"],
        view=row["view"],
        near_limb=row["near_limb"],
        yaw_deg=row["view_yaw_deg"],
        yaw_sd_deg=row["view_yaw_sd_deg"],
        frame_rate_hz=row["median_fps"],
        made_with=_made_with(row),
        number=row["analysis_id"],
        way=way,
        parts=tuple(UncertaintyPart(**part) for part in row["parts"] or ()),
        by_hand=bool(row["by_hand"]),
        corrected=is_fppa(row["name"]) and bool(row["fppa_corrected"]),
    )


def _made_with(row: dict[str, Any]) -> str:
    """Name what shaped a value: neither the number of processes nor the taught target does."""
    settings = {name: own for name, own in row["settings"].items() if name != "target_flexion_deg"}
    if isinstance(settings.get("pose"), dict):
        settings["pose"] = {k: own for k, own in settings["pose"].items() if k != "workers"}
    made = json.dumps([row["version"], row["model_sha256"], settings], sort_keys=True)
    return hashlib.sha256(made.encode()).hexdigest()


def visit_facts(history: History) -> tuple[VisitFacts, ...]:
    """Return what triage wants to know of every visit, by day."""
    return tuple(_facts(history, day) for day in history.days)


def _facts(history: History, day: date) -> VisitFacts:
    analyses = [analysis for analysis in history.analyses if analysis.date == day]
    troubles = [
        unread_words(clip) for clip in history.unread
        if clip.date == day and clip.state == "needs attention"
    ]  # fmt: skip
    troubles += [text for analysis in analyses for text in _too_poor(analysis)]
    return VisitFacts(
        day=day,
        warnings=warnings_in(history.session(day)),
        findings=tuple(
            found for one in history.sets if one.date == day for found in set_findings(history, one)
        ),
        unread=tuple(
            text if n == 1 else f"{text} ({n} clips)" for text, n in Counter(troubles).items()
        ),
    )


def unread_words(clip: UnreadClip) -> str:
    """Say why a clip has no numbers."""
    return f"A clip has no numbers: {clip.reason.rstrip('.')}."


def set_findings(history: History, analysis: StoredAnalysis) -> tuple[SetFinding, ...]:
    """Return the findings on one of the sets, each with the count of the landings that show it."""
    findings = [_finding(row) for row in analysis.tables["finding"]]
    counted = count_reps(findings, analysis.landings_that_count)
    counts = {(one.name, one.measure, one.limb): one for one in counted}
    of_set = [one for one in findings if one.rep is None]
    ours = history.patient.surgical_side
    return tuple(
        SetFinding(
            exercise=analysis.values["exercise"],
            name=shown.name,
            measure=shown.measure,
            limb=shown.limb,
            verdict=shown.verdict,
            text=_counted_words(counts.get((one.name, one.measure, one.limb)))
            + shown.text
            + (f" {BY_HAND_WORDS}" if (one.measure, one.limb) in analysis.by_hand else ""),
            way=history.way_of(analysis),
        )
        for one, shown in ((one, with_roles(one, analysis.limits, ours)) for one in of_set)
    )


def _counted_words(count: RepCount | None) -> str:
    return f"{finding_title(count)} {landings_words(count)}. " if count else ""


def tally_of(analysis: StoredAnalysis) -> Tally:
    """Count out the findings of one set, as its report does.

    An analysis of an earlier version does not tell rebounds, nor reps that were seen in another
    view; a measure that only these have counts neither as given nor as missing.
    """
    values, landings = analysis.values, analysis.landings_that_count
    summaries = tuple(
        SetSummary(**{name: row[name] for name in _SUMMARY}) for row in analysis.tables["summary"]
    )
    summed = {(row.name, row.limb) for row in summaries}
    return tally_of_set(
        Measures(
            tuple(
                measure_of(row, of_set=row["value"] is None or (row["name"], row["limb"]) in summed)
                for row in analysis.tables["measure"]
                if row["rep"] in landings
            ),
            summaries,
        ),
        (_finding(row) for row in analysis.tables["finding"]),
        analysis.limits,
        values["exercise"],
        values["view"],
        values["near_limb"],
    )


_SUMMARY = tuple(field.name for field in fields(SetSummary) if field.name != "parts")


def _finding(row: Mapping[str, Any]) -> Finding:
    return Finding(
        name=row["name"],
        limb=row["limb"],
        rep=row["rep"],
        verdict=row["verdict"],
        value=row["value"],
        sd=row["sd"],
        limit=row["limit_value"],
        unit=row["unit"],
        source=row["source"],
        text=row["text"],
        measure=row["measure"],
        probability=row["probability"],
    )


def quality_of(analysis: StoredAnalysis) -> Literal["good", "limited", "poor"]:
    """Return the worst state of the clip's quality notes."""
    states = {row["state"] for row in analysis.tables["quality"]}
    return "poor" if "poor" in states else "limited" if "limited" in states else "good"


def used_reps(analysis: StoredAnalysis) -> tuple[int, int]:
    """Return how many reps were used, and how many counted."""
    reps = analysis.tables["rep"]
    return sum(rep["used"] for rep in reps), len(reps)


def left_out_landings(analysis: StoredAnalysis) -> str:
    """Say which used reps are in no mean and no count of findings, empty where all count."""
    own, view = analysis.values["exercise"], analysis.values["view"]
    used = [rep for rep in analysis.tables["rep"] if rep["used"]]
    others = Counter(rep["exercise"] for rep in used if rep["exercise"] != own)
    of_own = [rep for rep in used if rep["exercise"] == own]
    rebounds = sum(bool(rep["rebound"]) for rep in of_own)
    turned = sum(not rep["rebound"] and rep["view"] not in (None, view) for rep in of_own)
    found = [
        f"{rebounds} rebound{'' if rebounds == 1 else 's'}" if rebounds else "",
        f"{turned} seen in another view" if turned else "",
        *(f"{n} that may be {EXERCISES[name].name}" for name, n in others.items() if own),
    ]
    return ", ".join(filter(None, found))


def _too_poor(analysis: StoredAnalysis) -> list[str]:
    poor = [
        f"{row['check_name'].capitalize()}: {row['text']}"
        for row in analysis.tables["quality"]
        if row["state"] == "poor"
    ]
    if poor:
        return poor
    return [] if used_reps(analysis)[0] else ["No rep could be used."]
