"""A story -> invented sets in the form in which analyses are stored; pure, seeded."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from landing_analysis import __version__
from landing_analysis.definitions import DEFINITIONS
from landing_analysis.demo.stories import FRONT, SIDE, STEPS, Spread, Story
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.judging import judge_measures
from landing_analysis.maths.kinematics import interval_sd_s
from landing_analysis.measures.summaries import NOISE, with_set
from landing_analysis.patients import INVENTED_MODEL, Patient
from landing_analysis.reasons import Code, because
from landing_analysis.report.documents import analysis_document
from landing_analysis.settings import MeasureSettings
from landing_analysis.tables import (
    LANDMARK_NAMES,
    LIMBS,
    Analysis,
    Clip,
    Contacts,
    Decided,
    Event,
    Exercise,
    Flight,
    Limb,
    Limit,
    Measure,
    Measures,
    Note,
    Provenance,
    Rep,
    Reps,
    Tracks,
    UncertaintyPart,
    View,
    ViewEstimate,
)

_REPS = 8
_BOUT_S = 20.0
"""Length of a bout of an exercise that is counted in seconds."""
_Set = tuple[Exercise, Limb | None, View]
_SETS: tuple[_Set, ...] = (
    ("jump", None, "front"), ("jump", None, "front"),
    ("jump", None, "left_side"), ("jump", None, "left_side"),
    ("jump", None, "right_side"), ("jump", None, "right_side"),
    ("hop", "left", "left_side"), ("hop", "right", "right_side"),
)  # fmt: skip
"""What is filmed at each visit: two sets of jumps from three sides, a set of hops per limb."""

_SLED_JUMPS: tuple[_Set, ...] = (
    ("sled_jump", None, "left_side"), ("sled_jump", None, "right_side"),
)  # fmt: skip
_SLED_HOPS: tuple[_Set, ...] = (
    ("sled_hop", "left", "left_side"), ("sled_hop", "right", "right_side"),
)  # fmt: skip
_CLIMB: tuple[tuple[_Set, ...], ...] = (
    _SLED_JUMPS,
    _SLED_JUMPS,
    _SLED_HOPS,
    (("alternating_jump", None, "front"),),
    (("lateral_bound", None, "front"), ("jog_in_place", None, "left_side")),
    tuple((steps, None, "left_side") for steps in ("jog_in_place", "high_knees", "heel_kicks")),
)
"""What is filmed besides at the visits before the last one: less than is prescribed."""

_POOR = because(Code.LEGS_SEEN, seen_pct=41.0, bridged=0, exchanged=0)


@dataclass(frozen=True)
class InventedSet:
    """One set that nobody jumped; ``number`` counts those of its day from 1."""

    day: date
    number: int
    clip: Clip
    document: dict[str, object]


@dataclass(frozen=True)
class _Scene:
    """What one set is drawn from."""

    story: Story
    visit: int
    exercise: Exercise
    limb: Limb | None
    view: View
    seed: int

    @property
    def near_limb(self) -> Limb | None:
        return {"left_side": LIMBS[0], "right_side": LIMBS[1]}.get(self.view)

    @property
    def is_last(self) -> bool:
        return self.visit == len(self.story.days_before) - 1

    @property
    def spreads(self) -> dict[str, Spread]:
        """Of what the view shows of the exercise."""
        shown = STEPS.get(self.exercise) or (FRONT if self.view == "front" else SIDE)
        if EXERCISES[self.exercise].load == "reduced":  # lying down, a trunk has no lean
            return {name: spread for name, spread in shown.items() if name != "trunk_flexion"}
        return shown

    @property
    def flight_s(self) -> float:
        """The typical flight."""
        return STEPS.get(self.exercise, FRONT)["flight_time"].typical

    @property
    def period_s(self) -> float:
        """From landing to landing: the typical contact and the flight after it."""
        return STEPS.get(self.exercise, FRONT)["contact_time"].typical + self.flight_s

    @property
    def reps(self) -> range:
        if EXERCISES[self.exercise].counted_in == "seconds":
            return range(1, round(_BOUT_S / self.period_s) + 1)
        return range(1, _REPS + 1)

    def limbs_of(self, rep: int) -> tuple[Limb, ...]:
        """Return the limbs that land in a rep."""
        if self.limb is not None:
            return (self.limb,)
        return (LIMBS[rep % len(LIMBS)],) if self.exercise in STEPS else LIMBS


def invent_patient(story: Story, last_day: date) -> Patient:
    """Return the patient of a story, marked as invented."""
    weeks = story.weeks_since_surgery
    first_day = last_day - timedelta(days=story.days_before[0])
    return Patient(
        code=story.code,
        surgical_side=story.surgical_side,
        surgery_date=first_day - timedelta(weeks=weeks) if weeks is not None else None,
        stature_m=story.stature_m,
        invented=True,
    )


def invent_sets(
    story: Story, last_day: date, seed: int, limits: tuple[Limit, ...], *, but_last: bool
) -> Iterator[InventedSet]:
    """Yield the sets of all visits of a story, in order.

    Parameters
    ----------
    story : Story
    last_day : of the twelve weeks
    seed : the same seed gives the same numbers
    limits : which findings are held against
    but_last : leave the last visit to clips that are really analysed
    """
    for visit, before in enumerate(story.days_before):
        if but_last and visit == len(story.days_before) - 1:
            return
        day = last_day - timedelta(days=before)
        climbed = _CLIMB[visit] if visit < len(_CLIMB) and len(story.days_before) > 1 else ()
        for number, (exercise, limb, view) in enumerate((*_SETS, *climbed), start=1):
            scene = _Scene(story, visit, exercise, limb, view, seed)
            file = f"invented-{story.code}-{day}-{number}"
            rng = np.random.default_rng([seed, int(story.code[-1]), visit, number])
            analysis = _analysis(scene, file, day, rng, limits)
            yield InventedSet(day, number, analysis.clip, analysis_document(analysis))


# --- numbers -----------------------------------------------------------------------------------


def _measures(scene: _Scene, rng: np.random.Generator) -> tuple[Measure, ...]:
    rows: list[Measure] = []
    for name, spread in scene.spreads.items():
        for limb in _limbs_of(scene, name):
            rows += _row_per_rep(scene, name, limb, spread, rng)
    return (*rows, *_unmeasured(scene))


def _limbs_of(scene: _Scene, name: str) -> tuple[Limb | None, ...]:
    if DEFINITIONS[name].scope == "body":
        return (None,)
    if scene.near_limb is not None and scene.exercise not in STEPS:
        return (scene.near_limb,)
    return LIMBS if scene.limb is None else (scene.limb,)


def _row_per_rep(
    scene: _Scene, name: str, limb: Limb | None, spread: Spread, rng: np.random.Generator
) -> list[Measure]:
    mean = _mean(scene, name, limb, spread) + rng.normal(0, spread.set_sd)
    slower = 60.0 / scene.story.rates_hz[scene.visit] if name.endswith("time") else 1.0
    noise_sd = spread.noise_sd * slower
    parts = (UncertaintyPart(NOISE, noise_sd), UncertaintyPart(spread.shared, spread.shared_sd))
    sd = float(np.hypot(noise_sd, spread.shared_sd))
    return [
        Measure(
            rep=rep, name=name, limb=limb, value=float(mean + rng.normal(0, spread.rep_sd)),
            unit=DEFINITIONS[name].unit, sd=sd, parts=parts,
        )
        for rep in scene.reps
        if limb is None or limb in scene.limbs_of(rep)
    ]  # fmt: skip


def _mean(scene: _Scene, name: str, limb: Limb | None, spread: Spread) -> float:
    surgical = scene.story.surgical_side or "left"
    if limb != surgical:
        return spread.typical
    is_fppa = name in ("fppa_peak_flexion", "fppa_peak_inward")
    deficit = spread.deficit * (scene.story.fppa_deficit_deg if is_fppa else 1.0)
    inward = scene.story.inward_deg if is_fppa and scene.is_last else 0.0
    share = min(scene.story.deficit[scene.visit], 1.2) if is_fppa else (
        scene.story.deficit[scene.visit]
    )  # fmt: skip
    return spread.typical + share * deficit + inward


def _unmeasured(scene: _Scene) -> list[Measure]:
    """Say of each measure that the other kind of view would show why it is missing."""
    other = SIDE if scene.view == "front" else FRONT
    needs = "side" if scene.view == "front" else "frontal"
    why = because(Code.VIEW_CANNOT_SHOW, view=scene.view, needs=needs)
    return [
        Measure(rep, name, limb, None, DEFINITIONS[name].unit, None, reason=why)
        for name in other
        if name not in scene.spreads
        for limb in _limbs_of(scene, name)
        for rep in scene.reps
        if limb is None or limb in scene.limbs_of(rep)
    ]


# --- the form of an analysis -------------------------------------------------------------------


def _analysis(
    scene: _Scene, file: str, day: date, rng: np.random.Generator, limits: tuple[Limit, ...]
) -> Analysis:
    rows = _measures(scene, rng)
    decided = _decided(scene, rng)
    measures = with_set(Measures(rows), MeasureSettings())
    clip = _clip(scene, file)
    return Analysis(
        clip=clip,
        decided=decided,
        tracks=_no_tracks(scene),
        view=_view(scene, decided),
        contacts=Contacts((), ()),
        reps=Reps(scene.exercise, scene.limb, tuple(_rep(scene, rep) for rep in scene.reps)),
        measures=measures,
        findings=judge_measures(measures, limits, scene.exercise),
        notes=_notes(scene),
        provenance=Provenance(
            version=__version__,
            model_name=INVENTED_MODEL,
            model_sha256=_sha256(INVENTED_MODEL),
            clip_sha256=clip.sha256,
            settings={"invented": True, "seed": scene.seed},
            analysed_at=f"{day}T12:00:00+00:00",
        ),
        limits=limits,
    )


def _clip(scene: _Scene, file: str) -> Clip:
    """Return the facts of a clip that does not exist: no frames, no duration."""
    rate_hz = scene.story.rates_hz[scene.visit]
    sha256 = _sha256(f"{file} {scene.seed}")
    return Clip(file, sha256, 720, 1280, 0, 0.0, rate_hz, mirrored=False, t_s=np.empty(0))


def _decided(scene: _Scene, rng: np.random.Generator) -> Decided:
    return Decided(
        exercise=scene.exercise,
        exercise_origin="given",
        view=scene.view,
        view_origin="given",
        view_yaw_deg=float(rng.normal(0, 1.0)),
        view_yaw_sd_deg=2.5 if scene.view == "front" else 4.5,
        limb=scene.limb,
        surgical_side=scene.story.surgical_side,
        stature_m=scene.story.stature_m,
        target_flexion_deg=60.0,
        patient_number=1,
        people=1,
        patient_reason=because(Code.INVENTED_NUMBERS),
    )


def _view(scene: _Scene, decided: Decided) -> ViewEstimate:
    invented = because(Code.INVENTED_NUMBERS)
    yaw = decided.view_yaw_deg, decided.view_yaw_sd_deg
    return ViewEstimate(scene.view, *yaw, scene.near_limb, invented, np.empty(0))


def _rep(scene: _Scene, number: int) -> Rep:
    landing = Event(scene.period_s * number, 0.01)
    limbs, before = scene.limbs_of(number), scene.limbs_of(number - 1)
    flight = Flight(Event(landing.t_s - scene.flight_s, 0.01), landing, before, limbs)
    return Rep(number, scene.exercise, limbs, flight, (), landing.t_s + 0.15)


def _notes(scene: _Scene) -> tuple[Note, ...]:
    rate_hz = scene.story.rates_hz[scene.visit]
    rate = because(
        Code.FRAME_RATE,
        fps=rate_hz,
        frame_ms=1000 / rate_hz,
        interval_sd_ms=1000 * interval_sd_s(1 / rate_hz),
    )
    notes = [
        Note("invented numbers", "limited", (because(Code.INVENTED_NUMBERS),)),
        Note("frame rate", "good" if rate_hz >= 60 else "limited", (rate,)),
    ]
    if scene.story.poor and scene.is_last:
        notes.append(Note("landmarks", "poor", (_POOR,)))
    return tuple(notes)


def _no_tracks(scene: _Scene) -> Tracks:
    marks = len(LANDMARK_NAMES)
    nowhere = np.empty((0, marks, 2))
    return Tracks(
        t_s=np.empty(0), raw_px=nowhere, xy_px=nowhere, visibility=np.empty((0, marks)),
        filled=np.empty((0, marks), dtype=bool), swapped=np.empty(0, dtype=bool),
        noise_px=np.full(marks, np.nan), cutoff_hz=float("nan"),
        rate_hz=scene.story.rates_hz[scene.visit], down=np.array([0.0, 1.0]),
        down_sd_deg=float("nan"), leg_px=float("nan"), px_per_m=float("nan"),
        px_per_m_sd=float("nan"),
    )  # fmt: skip


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
