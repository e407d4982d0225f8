"""Does the truth lie in the claimed 95 % intervals of FPPA: values, means, limbs, visits.

On bodies that were held out: still landings, whose shots stand for sets, and moving sets at two
visits. Every interval is the product's own (`summaries`, `trend.changes`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby, product
from pathlib import Path

import numpy as np
from drawn_rooms import pack_poses, unpack_poses
from stick_patient import make_clip
from synthetic_patients.sets import SETS, SetPlan

from landing_analysis.findings.judging import verdict
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people
from landing_analysis.maths.statistics import Z_95
from landing_analysis.measures.offsets import (
    Form,
    Seen,
    errors_as_read,
    read_offsets,
)
from landing_analysis.measures.summaries import OFFSET_PARTS, compare_sides, summarise
from landing_analysis.report.documents import analysis_document
from landing_analysis.settings import OffsetSettings, Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import (
    LIMBS,
    N_LANDMARKS,
    Analysis,
    FloatArray,
    Landmarks,
    Limb,
    Measure,
    Poses,
    UncertaintyPart,
)
from landing_analysis.trend.changes import judge_change
from landing_analysis.trend.visits import SetMean, VisitMean, visit_means

from .landing_rows import with_landings
from .scoring import paired_reps
from .still_rows import FROZEN, VIEWS, Row, left_of, rows_of_shot, stored_shots
from .stored import landmarks_of

FROZEN_SETS = FROZEN.parent / "crowd_sets"
AS_READ = replace(Settings(), offsets=OffsetSettings(front_file="", back_file=""))
NAME, TRUTH = "fppa_peak_flexion", "fppa_peak_flexion_deg"
FEWEST = 3
"""Values of a mean; a shot of fewer stills is no set (choice)."""
KINDS = ("value", "mean of a set", "left minus right", "change between visits")


@dataclass(frozen=True)
class LimbSet:
    """One limb in one set: what was read of it, and what is true of each value."""

    body: int
    view: str
    one_leg: bool
    visit: int
    limb: Limb
    rows: tuple[Measure, ...]
    true: tuple[float, ...]

    @property
    def alike(self) -> LimbSet:
        """The same with reps that do not differ."""
        mean = float(np.mean([row.value or 0.0 for row in self.rows]))
        return replace(self, rows=tuple(replace(row, value=mean) for row in self.rows))

    @property
    def mean_true(self) -> float:
        """Mean of the truths."""
        return float(np.mean(self.true))


@dataclass(frozen=True)
class Claim:
    """An error with the standard uncertainty that is claimed for it.

    ``same_reps_sd_deg`` leaves out how much the reps differ: of the limb at large that is unsure as
    well, but not of the very reps that the truth is of.
    """

    view: str
    one_leg: bool
    kind: str
    error_deg: float
    sd_deg: float
    same_reps_sd_deg: float
    true_deg: float

    @property
    def covered(self) -> bool:
        """Whether the truth lies in the 95 % interval."""
        return abs(self.error_deg) <= Z_95 * self.sd_deg

    @property
    def covered_as_same_reps(self) -> bool:
        """The same by what is claimed of the very reps."""
        return abs(self.error_deg) <= Z_95 * self.same_reps_sd_deg


def claims(sets: Sequence[LimbSet]) -> list[Claim]:
    """Hold values, means, limbs against each other and visits against the truth."""
    means = [one for one in sets if len(one.rows) >= FEWEST]
    return [
        *(claim for one in sets for claim in _values(one)),
        *map(_mean, means),
        *_sides(means),
        *_changes(means),
    ]


def _values(one: LimbSet) -> Iterator[Claim]:
    for row, true in zip(one.rows, one.true, strict=True):
        if row.value is not None and row.sd is not None:
            yield Claim(one.view, one.one_leg, KINDS[0], row.value - true, row.sd, row.sd, true)


def _mean(one: LimbSet) -> Claim:
    summary, alike = (summarise(some.rows, Settings().measures)[0] for some in (one, one.alike))
    return Claim(
        one.view, one.one_leg, KINDS[1], summary.mean - one.mean_true, summary.mean_sd,
        alike.mean_sd, one.mean_true,
    )  # fmt: skip


def _sides(sets: Sequence[LimbSet]) -> Iterator[Claim]:
    def same(one: LimbSet) -> tuple[int, str, int]:
        return one.body, one.view, one.visit

    for _, group in groupby(sorted(sets, key=same), key=same):
        both = {one.limb: one for one in group if not one.one_leg}
        if len(both) == len(LIMBS):
            left, right = both["left"], both["right"]
            (side,) = compare_sides((*left.rows, *right.rows))
            (alike,) = compare_sides((*left.alike.rows, *right.alike.rows))
            true = left.mean_true - right.mean_true
            yield Claim(
                left.view, left.one_leg, KINDS[2], side.value - true, side.sd, alike.sd, true
            )


def _changes(sets: Sequence[LimbSet]) -> Iterator[Claim]:
    first, second = ([one for one in sets if one.visit == visit] for visit in (1, 2))
    for one, other in product(first, second):
        if (one.body, one.view, one.one_leg, one.limb) != (
            other.body, other.view, other.one_leg, other.limb,
        ):  # fmt: skip
            continue
        change = judge_change(_visit(one), _visit(other), None)
        alike = judge_change(_visit(one.alike), _visit(other.alike), None)
        true = other.mean_true - one.mean_true
        yield Claim(one.view, one.one_leg, KINDS[3], change.value - true, change.sd, alike.sd, true)


def _visit(one: LimbSet) -> VisitMean:
    (summary,) = summarise(one.rows, Settings().measures)
    mean = SetMean(
        code=str(one.body), day=date(2000, 1, one.visit), name=NAME, limb=one.limb,
        exercise="hop" if one.one_leg else "jump", value=summary.mean, sd=summary.mean_sd,
        reps=summary.reps_used, view="back" if one.view == "back" else "front", near_limb=None,
        yaw_deg=None, yaw_sd_deg=None, frame_rate_hz=30.0, made_with="", parts=summary.parts,
    )  # fmt: skip
    (visit,) = visit_means([mean])
    return visit


# --- where they come from ----------------------------------------------------------------------


def held_out_stills() -> list[Row]:
    """Return the still landings of the bodies that are only quoted, by plain looks."""
    return [row for shot in stored_shots() for row in rows_of_shot(shot) if row.held_out]


def still_sets(rows: Iterable[Row], settings: Settings) -> list[LimbSet]:
    """Return still landings as if each shot were a set, the shots of one stance two visits."""
    found = []
    shots: dict[tuple[int, str, bool], list[int]] = {}
    for (body, view, one_leg, shot), group in groupby(sorted(rows, key=_shot), key=_shot):
        visits = shots.setdefault((body, view, one_leg), [])
        visits.append(shot)
        for limb, of_limb in _read_again(tuple(group), settings).items():
            true = tuple(row.true_deg for row, _ in of_limb)
            values = tuple(measure for _, measure in of_limb)
            found.append(LimbSet(body, view, one_leg, len(visits), limb, values, true))
    return found


def _shot(row: Row) -> tuple[int, str, bool, int]:
    return row.member.number, row.view, row.one_leg, row.shot


def _read_again(
    rows: Sequence[Row], settings: Settings
) -> dict[Limb, list[tuple[Row, Measure]]]:  # fmt: skip
    """Read the FPPAs of one shot as `measuring` does."""
    seen: Seen = "back" if rows[0].view == "back" else "front"
    name = settings.offsets.back_file if seen == "back" else settings.offsets.front_file
    sds_deg, offsets_deg = errors_as_read(seen, settings.measures), np.zeros(len(rows))
    if name:
        standing = np.isfinite(rows[0].features["standing_fppa_deg"])
        form = read_offsets(name).form(seen, standing=bool(standing))
        features = {key: np.array([row.features[key] for row in rows]) for key in form.names}
        inside = form.is_inside(features, settings.offsets.beyond_share)
        limbs = np.array([row.limb for row in rows])
        least = settings.offsets.inside_share
        if all(inside[limbs == limb].mean() >= least for limb in set(limbs)):
            sds_deg, offsets_deg = form.sds_deg, form.offset_deg(features)
    parts = tuple(UncertaintyPart(OFFSET_PARTS[part], sd) for part, sd in sds_deg.items())
    sd_deg = math.hypot(*sds_deg.values())
    found: dict[Limb, list[tuple[Row, Measure]]] = {}
    for number, (row, offset_deg) in enumerate(zip(rows, offsets_deg, strict=True)):
        value = row.read_deg + float(offset_deg)
        measure = Measure(number, NAME, row.limb, value, "deg", sd_deg, parts=parts)
        found.setdefault(row.limb, []).append((row, measure))
    return found


def freeze_sets(folder: Path) -> None:
    """Keep what the pose model saw of the sets of held-out bodies, with their truth.

    Parameters
    ----------
    folder : of clips drawn by ``python -m synthetic_patients sets``; landmarks are found once
    """
    FROZEN_SETS.mkdir(exist_ok=True)
    for plan in SETS:
        clip = folder / f"{plan.name}.mp4"
        if plan.member.split == "held_out" and clip.exists():
            truth = json.loads(clip.with_suffix(".truth.json").read_text(encoding="utf-8"))
            kept = [
                {
                    "take_off_s": rep["take_off_s"],
                    "flight_time_s": rep["flight_time_s"],
                    "landing": {limb: {TRUTH: one[TRUTH]} for limb, one in rep["landing"].items()},
                }
                for rep in truth["reps"]
            ]
            _, poses = landmarks_of(clip, Options())
            np.savez_compressed(
                FROZEN_SETS / f"{plan.name}.npz", **pack_poses(poses), reps=json.dumps(kept)
            )


def moving_sets(settings: Settings) -> list[LimbSet]:
    """Analyse the sets that `freeze_sets` has kept."""
    return [one for plan in SETS for one in _moving_set(plan, settings)]


def _moving_set(plan: SetPlan, settings: Settings) -> list[LimbSet]:
    path = FROZEN_SETS / f"{plan.name}.npz"
    if not path.exists():
        return []
    with np.load(path) as stored:
        poses, reps = unpack_poses(stored), json.loads(str(stored["reps"]))
    poses = with_landings(plan, poses)
    return analysed_set(plan, poses, reps, settings)[1]


def analysed_set(
    plan: SetPlan, poses: Poses, reps: Sequence[dict], settings: Settings
) -> tuple[Analysis, list[LimbSet]]:
    """Analyse a moving set; ``reps`` are the truth's."""
    shape = len(poses.t_s), N_LANDMARKS
    empty = np.zeros((*shape, 2)), np.zeros(shape), np.zeros((*shape, 3))
    clip = make_clip(Landmarks(poses.t_s, *empty, 1, 1), f"{plan.name}.mp4")
    people = link_people(poses, settings.people)
    analysis = analyse_people(clip, poses, people, Options(settings=settings), "")
    pairs = paired_reps(analysis_document(analysis), {"reps": reps})
    number_of = {rep["number"]: row for row, rep in pairs}
    found = []
    for limb in plan.support:
        rows = tuple(
            row
            for row in analysis.measures.measures
            if (row.name, row.limb) == (NAME, limb) and row.of_set and row.value is not None
            and row.rep in number_of
        )  # fmt: skip
        true = (reps[number_of[row.rep]]["landing"][limb][TRUTH] for row in rows)
        if rows:
            found.append(
                LimbSet(
                    plan.number, plan.view, len(plan.support) == 1, plan.visit, limb, rows,
                    tuple(true),
                )
            )  # fmt: skip
    return analysis, found


# --- tables ------------------------------------------------------------------------------------


def coverage_page() -> str:
    """Write all tables of held-out bodies."""
    rows = held_out_stills()
    parts = [
        "# FPPA of bodies that were held out\n",
        "Printed by `python -m tests.accuracy.bodies coverage`.\n",
        scores_as_markdown(rows),
    ]
    for title, settings in (("As read", AS_READ), ("Corrected", Settings())):
        for what, sets in (
            ("still landings", still_sets(rows, settings)), ("moving sets", moving_sets(settings)),
        ):  # fmt: skip
            parts.append(f"## {title}: {what}\n\n{coverage_as_markdown(claims(sets))}")
            if what == "moving sets":
                parts.append(inward_as_markdown(sets))
    return "\n".join(parts)


def scores_as_markdown(rows: Sequence[Row]) -> str:
    """Write what stills of held-out bodies are read wrong by, and what the offsets leave."""
    offsets = read_offsets("offsets.json")
    lines = [
        f"{len({row.member.number for row in rows})} bodies, still landings, plain looks; deg.", "",
        "| | n | bias | RMS | slope | in range | left: bias | RMS | slope |",
        "|---|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]  # fmt: skip
    for seen in dict.fromkeys(row.view for row in rows):
        of_view = [row for row in rows if row.view == seen]
        for standing, words in ((True, "standing known"), (False, "standing not known")):
            form = offsets.form(seen, standing=standing)
            lines.append(_score(f"{seen}, {words}", of_view, form))
        for label, chosen in _GROUPS.items():
            group = [row for row in of_view if chosen(row)]
            lines.append(_score(f"{seen}, {label}", group, offsets.form(seen, standing=True)))
    return "\n".join(lines) + "\n"


_GROUPS: dict[str, Callable[[Row], bool]] = {
    "two legs": lambda row: not row.one_leg,
    "one leg": lambda row: row.one_leg,
    "shorts and leggings": lambda row: row.member.clothes in ("shorts", "leggings"),
    "trousers": lambda row: "trousers" in row.member.clothes,
}


def _score(label: str, rows: Sequence[Row], form: Form) -> str:
    left, error = left_of(rows, form), np.array([row.error_deg for row in rows])
    inside = np.isfinite(left)
    true = np.array([row.true_deg for row in rows])
    cells = [
        str(len(rows)),
        f"{-error.mean():+.1f}",
        f"{_rms(error):.1f}",
        f"{_slope(true, true - error):.2f}",
        f"{100 * inside.mean():.0f} %",
        f"{-left[inside].mean():+.1f}",
        f"{_rms(left[inside]):.1f}",
        f"{_slope(true[inside], (true - left)[inside]):.2f}",
    ]
    return f"| {label} | " + " | ".join(cells) + " |"


def _slope(true: FloatArray, told: FloatArray) -> float:
    return float(np.polyfit(true, told, 1)[0])


def coverage_as_markdown(found: Iterable[Claim]) -> str:
    """Write errors, claims and coverage by view and number of legs."""
    found = tuple(found)
    lines = [
        "| | n | bias, deg | RMS | claimed SD | in 95 % | of these reps: claimed SD | in 95 % |",
        "|---|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for view, one_leg, kind in product(("front", "back"), (False, True), KINDS):
        group = [c for c in found if (c.view, c.one_leg, c.kind) == (view, one_leg, kind)]
        if group:
            legs = "one leg" if one_leg else "two legs"
            lines.append(_line(f"{view}, {legs}: {kind}", group))
    for view in ("front", "back"):
        deep = [
            c for c in found if c.view == view and c.kind == KINDS[0] and c.true_deg >= INWARD_DEG
        ]
        if deep:
            lines.append(_line(f"{view}: value, true {INWARD_DEG:.0f} deg and more", deep))
    return "\n".join(lines) + "\n"


def inward_as_markdown(sets: Sequence[LimbSet]) -> str:
    """Write how sets and single landings are called, by how far they lie from the limit."""
    (limit,) = (one for one in read_limits(None) if (one.finding, one.measure) == INWARD)
    words = ("above", "probably above", "cannot tell", "probably within", "within")
    lines = [f"| knee inward, limit {limit.value:.0f} deg | " + " | ".join(words) + " |",
             "|---|" + "--:|" * len(words)]  # fmt: skip
    judged = {"sets": _judged_sets, "landings": _judged_landings}
    for (what, judge), view, (least, most, label) in product(judged.items(), VIEWS, _CLEARLY):
        called = [
            verdict(value, sd, limit)
            for one in sets if one.view == view
            for value, sd, true in judge(one) if least <= true - limit.value < most
        ]  # fmt: skip
        counts = " | ".join(str(called.count(word)) for word in words)
        lines.append(f"| {what}, {view}, {label} | {counts} |")
    return "\n".join(lines) + "\n"


def _judged_sets(one: LimbSet) -> Iterator[tuple[float, float, float]]:
    """Yield value, standard uncertainty and truth of a set's mean."""
    (summary,) = summarise(one.rows, Settings().measures)
    yield summary.mean, summary.mean_sd, one.mean_true


def _judged_landings(one: LimbSet) -> Iterator[tuple[float, float, float]]:
    for row, true in zip(one.rows, one.true, strict=True):
        if row.value is not None and row.sd is not None:
            yield row.value, row.sd, true


INWARD = ("knee_inward", "fppa_peak_flexion")
_CLEARLY = (
    (4.0, math.inf, "4 deg and more beyond"), (0.0, 4.0, "up to 4 beyond"),
    (-4.0, 0.0, "up to 4 within"), (-math.inf, -4.0, "4 and more within"),
)  # fmt: skip
INWARD_DEG = 14.0
"""From here on a knee lies clearly inward (choice: 4 deg beyond the limit)."""


def _line(label: str, group: Sequence[Claim]) -> str:
    errors = np.array([c.error_deg for c in group])
    sds = np.array([c.sd_deg for c in group])
    cells = (
        str(len(group)), f"{errors.mean():+.1f}", f"{_rms(errors):.1f}", f"{_rms(sds):.1f}",
        f"{100 * np.mean([c.covered for c in group]):.0f} %",
        f"{_rms(np.array([c.same_reps_sd_deg for c in group])):.1f}",
        f"{100 * np.mean([c.covered_as_same_reps for c in group]):.0f} %",
    )  # fmt: skip
    return f"| {label} | " + " | ".join(cells) + " |"


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt((values**2).mean()))
