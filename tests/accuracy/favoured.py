"""One limb against the other: contact times, and which limb is favoured, against known truth.

    python -m tests.accuracy.favoured [--clips DIR]     prints and writes favoured.md
    python -m tests.accuracy.favoured truths --bodies DIR

scores the two-leg sets of `tests/frozen/crowd_sets` (drawn bodies that no angle was fitted to,
as the pose model saw them), and the rendered scenes of the matrix whose clips and stored
landmarks lie in ``DIR``. No set was drawn with a pelvis shifted by just 10 %: what the pose model
saw of each set is carried sideways in its landings, by as much as its true mean shift lacks,
to either side. So the pose model's errors of body, limb and clip are those that it made; what it
makes of a leg that really leans further is not in it.

``truths`` performs the frozen sets once more, without drawing them, and keeps what is true of them
beyond their angles; ``--bodies`` holds those of ``python -m synthetic_patients.export_body``.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import Any

import click
import numpy as np

sys.path.append(str(Path(__file__).parents[2] / "sample_clips"))
sys.path.append(str(Path(__file__).parents[1]))

from drawn_rooms import unpack_poses
from stick_patient import make_clip
from synthetic_patients.clips import scene_truth
from synthetic_patients.matrix import MATRIX
from synthetic_patients.sets import SETS, play_set, set_scene

from landing_analysis.contacts.events import match_events
from landing_analysis.files import write_text
from landing_analysis.findings.judging import Favoured, favoured_limb
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people
from landing_analysis.landmarks.storage import read_landmarks
from landing_analysis.maths.statistics import Z_95
from landing_analysis.measures.summaries import compare_sides, summarise
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import (
    LIMBS,
    N_LANDMARKS,
    Analysis,
    Clip,
    FloatArray,
    Landmarks,
    Limb,
    Measure,
    Poses,
)

from .coverage import FROZEN_SETS
from .scoring import MATCH_WINDOW_S

RESULTS = Path(__file__).with_name("favoured.md")
TRUTHS = FROZEN_SETS / "truths.json"
_OF_CONTACT = ("limb", "initial_contact_s", "toe_off_s")
_OF_REP = (
    "take_off_s", "flight_time_s", "landing_lead_s", "lowest_pelvis_s", "pelvis_shift_pct",
    "trunk_lean_deg",
)  # fmt: skip
SHIFT_PCT = 10.0
LEVEL_PCT, LEVEL_MS = 4.0, 8.0
"""A set of less true mean shift and landing lead favours no limb (choice: limits are 5 and 10)."""
_ANKLES = 27, 28
_CARRIED = {**dict.fromkeys((*range(25),), 1.0), 25: 0.5, 26: 0.5}
"""Of the model's 33 points: trunk, arms and head go along, knees half as far (choice)."""
_FULLY_S = 0.05
_AFTER_HELD_S = 0.3


@dataclass(frozen=True)
class DrawnSet:
    """What the pose model saw of one set of jumps, and what is true of it."""

    name: str
    rate_hz: float
    clip: Clip
    poses: Poses
    truth: dict[str, Any]

    @property
    def shift_pct(self) -> float:
        """Mean true pelvis shift, positive to the patient's left."""
        return float(np.mean([rep["pelvis_shift_pct"] for rep in self.truth["reps"]]))

    @property
    def lead_ms(self) -> float:
        """Mean time by which the left foot truly lands first."""
        return 1000.0 * float(np.mean([rep["landing_lead_s"] for rep in self.truth["reps"]]))


@dataclass(frozen=True)
class Sides:
    """Errors of one set's contact times, measured minus true, with what is claimed."""

    view: str
    rate_hz: float
    reps: int
    mean_errors_ms: tuple[float, float]
    mean_sds_ms: tuple[float, float]
    index_error_pct: float
    index_sd_pct: float

    @property
    def apart_ms(self) -> float:
        """Error of left minus right."""
        return self.mean_errors_ms[0] - self.mean_errors_ms[1]


@dataclass(frozen=True)
class Called:
    """Which limb a set's evidence named, and which it should."""

    view: str
    rate_hz: float
    true: str
    said: Favoured


@click.group(invoke_without_command=True)
@click.option("--clips", type=click.Path(path_type=Path), help="Folder of rendered scenes.")
@click.pass_context
def main(context: click.Context, clips: Path | None) -> None:
    """Score the sets, print the tables and store them."""
    if context.invoked_subcommand is not None:
        return
    sets = [*frozen_sets(), *(rendered_sets(clips) if clips else ())]
    sides, called = [], []
    for one in sets:
        analysis = analysed(one)
        sides += sides_of(one, analysis)
        called += called_of(one, analysis)
    page = as_markdown(sets, sides, called)
    write_text(RESULTS, page)
    click.echo(page)


@main.command()
@click.option("--bodies", type=click.Path(path_type=Path), required=True)
def truths(bodies: Path) -> None:
    """Perform the frozen sets once more and keep their truths."""
    kept = {}
    for plan in SETS:
        if (FROZEN_SETS / f"{plan.name}.npz").exists():
            truth = scene_truth(set_scene(plan), play_set(plan, bodies))
            kept[plan.name] = {
                "contacts": [{key: row[key] for key in _OF_CONTACT} for row in truth["contacts"]],
                "reps": [{key: row[key] for key in _OF_REP} for row in truth["reps"]],
            }
    write_text(TRUTHS, json.dumps(kept, indent=None, separators=(",", ":")) + "\n")


# --- sets --------------------------------------------------------------------------------------


def frozen_sets() -> Iterator[DrawnSet]:
    """Yield the two-leg sets of `tests/frozen/crowd_sets`."""
    told = json.loads(TRUTHS.read_text(encoding="utf-8"))
    for plan in SETS:
        if plan.name in told and len(plan.support) == len(LIMBS):
            with np.load(FROZEN_SETS / f"{plan.name}.npz") as stored:
                poses = unpack_poses(stored)
            shape = len(poses.t_s), N_LANDMARKS
            empty = np.zeros((*shape, 2)), np.zeros(shape), np.zeros((*shape, 3))
            clip = make_clip(Landmarks(poses.t_s, *empty, 1, 1), f"{plan.name}.mp4")
            yield DrawnSet(plan.name, plan.fps, clip, poses, told[plan.name])


def rendered_sets(folder: Path) -> Iterator[DrawnSet]:
    """Yield the held-out frontal jumps of the matrix whose landmarks are stored in a folder."""
    for entry in MATRIX.values():
        stored = folder / f"{entry.name}.landmarks.parquet"
        scene = entry.scene
        frontal = scene.camera.view in ("front", "back") and len(scene.support) == len(LIMBS)
        if entry.split == "hold" and frontal and stored.exists():
            truth = json.loads((folder / f"{entry.name}.truth.json").read_text(encoding="utf-8"))
            yield DrawnSet(entry.name, scene.camera.fps, *read_landmarks(stored), truth)


def carried(one: DrawnSet, by_pct: float) -> DrawnSet:
    """Return a set whose body is carried toward the left foot in each landing.

    Parameters
    ----------
    by_pct : of the way between the ankles, negative toward the right; reached at the lowest point
    """
    t_s, xy_px = one.poses.t_s, one.poses.xy_px.copy()
    toward_left = xy_px[:, :, _ANKLES[0]] - xy_px[:, :, _ANKLES[1]]
    moved = 0.01 * by_pct * _bumps(one.truth, t_s)[:, None, None] * toward_left
    for point, share in _CARRIED.items():
        xy_px[:, :, point] += share * moved
    reps = [
        {**rep, "pelvis_shift_pct": rep["pelvis_shift_pct"] + by_pct} for rep in one.truth["reps"]
    ]
    return replace(one, poses=replace(one.poses, xy_px=xy_px), truth={**one.truth, "reps": reps})


def _bumps(truth: dict[str, Any], t_s: FloatArray) -> FloatArray:
    """Return (n_frames,) 0 in the air, 1 about each lowest point, smooth between."""
    found = np.zeros(len(t_s))
    for rep, next_rep in zip(truth["reps"], [*truth["reps"][1:], None], strict=True):
        lowest_s = rep["lowest_pelvis_s"]
        begin_s = rep["take_off_s"] + rep["flight_time_s"]
        end_s = next_rep["take_off_s"] if next_rep else lowest_s + _AFTER_HELD_S
        ends_s = [
            begin_s,
            lowest_s - _FULLY_S,
            lowest_s + _FULLY_S,
            end_s,
        ]
        ramp = np.interp(t_s, ends_s, [0.0, 1.0, 1.0, 0.0])
        found += 0.5 - 0.5 * np.cos(np.pi * ramp)
    return found


def analysed(one: DrawnSet) -> Analysis:
    """Analyse a set as the tool would without being told anything."""
    options = Options(limits=read_limits())
    people = link_people(one.poses, options.settings.people)
    return analyse_people(one.clip, one.poses, people, options, "benchmark")


# --- contact times -----------------------------------------------------------------------------


def sides_of(one: DrawnSet, analysis: Analysis) -> Iterator[Sides]:
    """Yield the errors of a set's contact times, where both limbs have at least two."""
    true_s = _true_contact_times_s(one, analysis)
    rows = tuple(
        row
        for row in analysis.measures.measures
        if row.name == "contact_time" and row.of_set and row.value is not None
        and (row.rep, row.limb) in true_s
    )  # fmt: skip
    of_limb = [tuple(row for row in rows if row.limb == limb) for limb in LIMBS]
    if min(map(len, of_limb)) < 2:  # definition: one value has no spread
        return
    errors_ms, sds_ms, means_s = [], [], []
    for values in of_limb:
        (summary,) = summarise(values, Settings().measures)
        means_s.append(_mean_true_s(values, true_s))
        errors_ms.append(1000.0 * (summary.mean - means_s[-1]))
        sds_ms.append(1000.0 * summary.mean_sd)
    (index,) = compare_sides(rows)
    true_pct = 100.0 * means_s[0] / means_s[1]
    yield Sides(
        analysis.decided.view, one.rate_hz, min(map(len, of_limb)), (errors_ms[0], errors_ms[1]),
        (sds_ms[0], sds_ms[1]), index.value - true_pct, index.sd,
    )  # fmt: skip


def _mean_true_s(rows: Sequence[Measure], true_s: dict[tuple[int, str | None], float]) -> float:
    return float(np.mean([true_s[row.rep, row.limb] for row in rows]))


def _true_contact_times_s(one: DrawnSet, analysis: Analysis) -> dict[tuple[int, str | None], float]:
    """Return true contact times by found rep and limb."""
    found: dict[tuple[int, str | None], float] = {}
    for limb in LIMBS:
        true = [row for row in one.truth["contacts"] if row["limb"] == limb]
        landed = [(rep.number, c) for rep in analysis.reps.reps if (c := rep.contact(limb))]
        pairs = match_events(
            np.array([row["initial_contact_s"] for row in true]),
            np.array([contact.initial_contact.t_s for _, contact in landed]),
            MATCH_WINDOW_S,
        )
        for row, column in pairs:
            if true[row]["toe_off_s"] is not None:
                begin_s, end_s = true[row]["initial_contact_s"], true[row]["toe_off_s"]
                found[landed[column][0], limb] = end_s - begin_s
    return found


# --- which limb is favoured --------------------------------------------------------------------


def called_of(one: DrawnSet, analysis: Analysis) -> Iterator[Called]:
    """Yield what a set is called as it was drawn, where that is level, and carried to each side."""
    view = analysis.decided.view
    if abs(one.shift_pct) < LEVEL_PCT and abs(one.lead_ms) < LEVEL_MS:
        yield Called(view, one.rate_hz, "none", favoured_limb(analysis.findings))
    for true, sign in true_limbs(one):
        shifted = analysed(carried(one, sign * SHIFT_PCT - one.shift_pct))
        yield Called(view, one.rate_hz, true, favoured_limb(shifted.findings))


def true_limbs(one: DrawnSet) -> Iterator[tuple[Limb, float]]:
    """Yield the limbs toward which a set is carried, with the sign of the shift.

    Not away from a foot that truly lands first: that would favour both limbs.
    """
    signs: dict[Limb, float] = {"left": 1.0, "right": -1.0}
    for limb, sign in signs.items():
        if sign * one.lead_ms > -LEVEL_MS:
            yield limb, sign


# --- tables ------------------------------------------------------------------------------------


def as_markdown(sets: Sequence[DrawnSet], sides: Sequence[Sides], called: Sequence[Called]) -> str:
    """Write both tables."""
    frozen = sum(one.name.startswith("crowd") for one in sets)
    return (
        "# One limb against the other\n\n"
        f"{frozen} sets of jumps of drawn bodies that no angle was fitted to, 4 landings each, and "
        f"{len(sets) - frozen} held-out rendered scenes of 2 to 4. Printed by `python -m "
        "tests.accuracy.favoured --clips DIR`; `--clips` is of the rendered scenes only.\n\n"
        "## Contact time\n\nMeasured minus true; claimed: root mean square of the standard "
        "uncertainties; in 95 %: truths inside the claimed interval. The last landing is held and "
        "has no contact time.\n\n"
        "| seen from, frames/s | sets | reps | mean of a limb, ms: bias | RMS | claimed | in 95 % "
        "| left minus right, ms: bias | RMS | left over right, %: RMS | claimed | in 95 % |\n"
        "|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|\n"
        + "".join(_side_row(*one) for one in _grouped(sides))
        + "\n## Favoured limb\n\nEach set carried sideways to a true mean pelvis shift of "
        f"{SHIFT_PCT:.0f} % to either side (what the pose model saw is moved; it did not see the "
        f"moved body), and as drawn where the true shift is below {LEVEL_PCT:.0f} % and the feet "
        f"land within {LEVEL_MS:.0f} ms. No set is carried away from a foot that truly lands "
        "first. Certain: beyond a limit with its probability.\n\n"
        "| seen from, frames/s | truth | sets | named rightly | other limb | unclear | none "
        "| certain, rightly | certain, other limb |\n|---|---|--:|--:|--:|--:|--:|--:|--:|\n"
        + "".join(_called_row(*one) for one in _grouped(called))
    )  # fmt: skip


def _grouped(rows: Sequence[Any]) -> Iterator[tuple[str, list[Any]]]:
    def key(row: Any) -> tuple[str, float]:
        return row.view, row.rate_hz

    for (view, rate_hz), group in groupby(sorted(rows, key=key), key=key):
        yield f"{view}, {rate_hz:.0f}", list(group)
    yield "all", list(rows)


def _side_row(label: str, group: list[Sides]) -> str:
    errors = np.array([one.mean_errors_ms for one in group]).ravel()
    sds = np.array([one.mean_sds_ms for one in group]).ravel()
    apart = np.array([one.apart_ms for one in group])
    index = np.array([one.index_error_pct for one in group])
    index_sds = np.array([one.index_sd_pct for one in group])
    cells = (
        str(len(group)), f"{np.mean([one.reps for one in group]):.1f}",
        f"{errors.mean():+.1f}", f"{_rms(errors):.1f}", f"{_rms(sds):.1f}", _covered(errors, sds),
        f"{apart.mean():+.1f}", f"{_rms(apart):.1f}",
        f"{_rms(index):.1f}", f"{_rms(index_sds):.1f}", _covered(index, index_sds),
    )  # fmt: skip
    return f"| {label} | " + " | ".join(cells) + " |\n"


def _called_row(label: str, group: list[Called]) -> str:
    lines = []
    for truth, chosen in (
        (f"{SHIFT_PCT:.0f} %", [one for one in group if one.true != "none"]),
        ("level", [one for one in group if one.true == "none"]),
    ):
        said = [one.said.limb for one in chosen]
        right = [one.said.limb == one.true for one in chosen]
        certain = [one for one in chosen if one.said.certain and one.said.limb in LIMBS]
        cells = (
            len(chosen), sum(right) if truth != "level" else said.count("none"),
            sum(limb in LIMBS for limb in said) - sum(r for r in right if truth != "level"),
            said.count("unclear"), said.count("none"),
            sum(one.said.limb == one.true for one in certain),
            sum(one.said.limb != one.true for one in certain),
        )  # fmt: skip
        if chosen:
            lines.append(f"| {label} | {truth} | " + " | ".join(map(str, cells)) + " |\n")
    return "".join(lines)


def _rms(values: FloatArray) -> float:
    return float(np.sqrt((values**2).mean()))


def _covered(errors: FloatArray, sds: FloatArray) -> str:
    return f"{100 * np.mean(np.abs(errors) <= Z_95 * sds):.0f} %"


if __name__ == "__main__":
    main(prog_name="python -m tests.accuracy.favoured")
