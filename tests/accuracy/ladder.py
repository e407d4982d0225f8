"""Every exercise of the ladder held against known truth.

    python -m tests.accuracy.ladder --out DIR

``DIR`` holds the clips that ``python -m synthetic_patients ladder --out DIR`` has drawn;
landmarks are found once and kept beside them. Each scene is analysed a second time from its
joints as a perfect pose model would give them, so that what the pose model costs is seen
apart; that needs no drawing. Writes ``ladder.md`` beside this file.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path

import click
import numpy as np

sys.path.append(str(Path(__file__).parents[2] / "sample_clips"))
sys.path.append(str(Path(__file__).parents[1]))

from ladder_figures import figure
from stick_patient import make_clip, make_poses
from synthetic_patients.ladder import LADDER, RUNGS, Step
from synthetic_patients.matrix import scene_hash

from landing_analysis.errors import LandingAnalysisError
from landing_analysis.files import write_text
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people
from landing_analysis.report.documents import analysis_document
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import Analysis, Clip, Poses

from .scoring import MATCH_WINDOW_S, Error, Score, score_clip, score_nothing, summary_row
from .stored import landmarks_of

RESULTS = Path(__file__).parent / "ladder.md"
_COLUMNS = (
    ("initial_contact", 1000.0), ("toe_off", 1000.0),
    ("knee_flexion_peak", 1.0), ("knee_flexion_initial_contact", 1.0),
)  # fmt: skip
"""Quantities of `scoring`, with the factor to the unit printed."""
_THIGH = "thigh_angle_peak"
_CLAIMED = (
    _COLUMNS[0], ("contact_time", 1000.0), ("flight_time", 1000.0), *_COLUMNS[2:], (_THIGH, 1.0),
)  # fmt: skip
"""Quantities whose claimed uncertainty is held against their errors, in the same way."""


@dataclass(frozen=True)
class Scored:
    """One scene as it was analysed: what was found, and what the exercise was called."""

    step: Step
    drawn: bool
    score: Score
    exercise: str | None
    cut_errors_s: tuple[float, ...] = ()

    @property
    def group(self) -> tuple[int, str, bool]:
        """Rung, split and kind of landmarks, by which scenes are put together."""
        rungs = [rung.name for rung in RUNGS]
        return rungs.index(self.step.rung), self.step.split, self.drawn

    def errors(self, quantity: str) -> list[Error]:
        """Errors of one quantity."""
        return [error for error in self.score.errors if error.quantity == quantity]


@click.command()
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), required=True,
    help="Folder of the drawn clips.",
)  # fmt: skip
@click.option("--only", multiple=True, help="Scenes whose names contain this; repeatable.")
def main(out: Path, only: tuple[str, ...]) -> None:
    """Analyse the ladder's scenes, print the table and store it."""
    chosen = [
        step for step in LADDER.values() if not only or any(part in step.name for part in only)
    ]
    scored = [one for step in chosen for one in (from_clip(step, out), from_joints(step)) if one]
    page = as_markdown(scored, only)
    write_text(RESULTS, page)
    click.echo(page)


def from_clip(step: Step, folder: Path) -> Scored | None:
    """Analyse the drawn clip of a scene, None where it is not drawn."""
    path, told = folder / f"{step.name}.mp4", folder / f"{step.name}.truth.json"
    if not path.exists() or not told.exists():
        return None
    truth = json.loads(told.read_text(encoding="utf-8"))
    if truth["ladder"]["scene_hash"] != scene_hash(step.scene):
        click.echo(f"{step.name} shows an older scene; render it again.", err=True)
        return None
    return _scored(step, True, truth, *landmarks_of(path, Options()))


def from_joints(step: Step) -> Scored:
    """Analyse a scene from its joints, seen with a little noise."""
    landmarks, truth = figure(step.name)
    clip = replace(
        make_clip(landmarks, f"{step.name}.mp4"),
        width_px=landmarks.width_px,
        height_px=landmarks.height_px,
    )
    return _scored(step, False, truth, clip, make_poses(landmarks))


def _scored(step: Step, drawn: bool, truth: dict, clip: Clip, poses: Poses) -> Scored:
    options = Options(limits=read_limits())
    people = link_people(poses, options.settings.people)
    try:
        analysis = analyse_people(clip, poses, people, options, "benchmark")
    except LandingAnalysisError as error:
        click.echo(f"{step.name}: {error}", err=True)
        return Scored(step, drawn, score_nothing(step.name, truth), None)
    document = analysis_document(analysis)
    if truth["loads"]:
        score = score_clip(step.name, *_of_loads(document, truth))
        score = replace(score, reps_true=len(truth["loads"]))
    else:
        score = score_clip(step.name, document, truth)
    errors = (*score.errors, *_thigh_errors(step.name, document, truth))
    score = replace(score, errors=errors)
    return Scored(step, drawn, score, _exercises(analysis), _cut_errors_s(document, truth))


def _of_loads(document: dict, truth: dict) -> tuple[dict, dict]:
    """Take loads for contacts: once the pelvis has passed the middle, or a sliding foot stopped.

    The first load, which begins from standing, begins at no true instant: it is left out.
    """
    loads = truth["loads"][1:]
    slides = loads[0]["exercise"] == "slide_board"
    begins, ends = ("start_s", "end_s") if slides else ("over_from_s", "over_until_s")
    contacts = [
        {"limb": x["limb"], "initial_contact_s": x[begins], "toe_off_s": x[ends]} for x in loads
    ]
    found = [
        contact
        for contact in document["contacts"]
        if contact["initial_contact_s"] > loads[0][begins] - MATCH_WINDOW_S
    ]
    return document | {"contacts": found}, truth | {"contacts": contacts, "reps": []}


def _thigh_errors(clip: str, document: dict, truth: dict) -> Iterator[Error]:
    """Hold the thigh's angle at the top against the swing that ends with the same landing."""
    for rep in document["reps"]:
        landing_s = rep["flight"]["landing_s"]
        for row in rep["measures"]:
            if row["name"] != _THIGH or row["value"] is None or landing_s is None:
                continue
            for swing in truth["swings"]:
                if (
                    swing["limb"] == row["limb"]
                    and abs(swing["end_s"] - landing_s) < MATCH_WINDOW_S
                ):
                    true, number = swing["thigh_peak_deg"], rep["number"]
                    error = row["value"] - true
                    yield Error(clip, _THIGH, row["limb"], number, error, row["sd"], true)


def _cut_errors_s(document: dict, truth: dict) -> tuple[float, ...]:
    """Hold where one bout turns into the next against the truth, where as many were found."""
    found, true = document.get("bouts", []), truth["bouts"]
    if [bout["exercise"] for bout in found] != [bout["exercise"] for bout in true]:
        return ()
    return tuple(f["start_s"] - t["start_s"] for f, t in zip(found[1:], true[1:], strict=True))


def _exercises(analysis: Analysis) -> str | None:
    """Name what was found, bout by bout."""
    runs = [name for name, _ in groupby(rep.exercise for rep in analysis.reps.reps)]
    return ", ".join(runs) if len(runs) > 1 else analysis.decided.exercise


def as_markdown(scored: Sequence[Scored], only: Sequence[str] = ()) -> str:
    """Write the table as a page, which says so where it covers a part of the scenes."""
    part = f" **Partial: scenes named {', '.join(only)}.**" if only else ""
    drawn = sum(one.drawn for one in scored)
    ordered = sorted(scored, key=lambda one: one.group)
    groups = [list(group) for _, group in groupby(ordered, key=lambda one: one.group)]
    return (
        "# The exercises of the ladder\n\n"
        f"{len(LADDER)} scenes with known truth at 60 frames/s.{part} {drawn} of them were drawn "
        "and seen by the pose model; all of them besides from their joints with 1.5 px of noise. "
        "Settings were chosen on `tune`, quote `hold`. Contacts: true / missed / invented; of "
        "weight shifts, loads from and to where the pelvis passes the middle of the feet; of the "
        "slide board, from where a foot stops at its end until it leaves. Times in ms, angles in "
        "degrees, measured minus true: median / median size. "
        "Called: what the tool says without being told. Result by\n\n"
        "    python -m tests.accuracy.ladder --out DIR\n\n"
        "| scenes | split | landmarks | contacts | reps true / found | initial contact | toe-off "
        "| knee flexion, peak | at contact | thigh at the top | bouts cut, s | called |\n"
        "|---|---|---|---|---|---|---|---|---|---|---|---|\n"
        + "\n".join(_row(group) for group in groups)
        + "\n\n## What is claimed against what is wrong\n\n"
        "Root mean square of errors / of standard uncertainties claimed for them, number, and how "
        "many of the truths lie in the claimed 95 % interval; ms and degrees.\n\n"
        "| scenes | split | landmarks | initial contact | contact time | flight time "
        "| knee flexion, peak | at contact | thigh at the top |\n"
        "|---|---|---|---|---|---|---|---|---|\n"
        + "\n".join(_claims_row(group) for group in groups)
        + "\n"
    )


def _row(group: list[Scored]) -> str:
    scores = [one.score for one in group]
    contacts = [
        sum(getattr(score, f"contacts_{what}") for score in scores)
        for what in ("true", "missed", "invented")
    ]
    reps = [sum(getattr(score, f"reps_{what}") for score in scores) for what in ("true", "found")]
    cells = [
        *_names(group),
        " / ".join(str(number) for number in contacts),
        " / ".join(str(number) for number in reps),
        *(
            _typical([factor * error.error for one in group for error in one.errors(name)])
            for name, factor in (*_COLUMNS, (_THIGH, 1.0))
        ),
        ", ".join(f"{error:+.2f}" for one in group for error in one.cut_errors_s) or "–",
        "; ".join(dict.fromkeys(one.exercise or "nothing" for one in group)),
    ]
    return "| " + " | ".join(cells) + " |"


def _names(group: list[Scored]) -> tuple[str, str, str]:
    """Name a group's scenes, split and landmarks."""
    first = group[0]
    landmarks = "pose model" if first.drawn else "joints"
    return f"{first.step.rung} ({len(group)})", first.step.split, landmarks


def _claims_row(group: list[Scored]) -> str:
    cells = (
        _claimed([error for one in group for error in one.errors(name)], factor)
        for name, factor in _CLAIMED
    )
    return "| " + " | ".join((*_names(group), *cells)) + " |"


def _claimed(errors: list[Error], factor: float) -> str:
    """Give errors beside their claims, and how many are covered."""
    if not errors:
        return "–"
    row, inside = summary_row(errors), sum(error.covered for error in errors)
    claimed = np.sqrt(np.mean([error.sd**2 for error in errors]))
    return f"{factor * row['rms']:.1f} / {factor * claimed:.1f}, {inside} of {row['n']}"


def _typical(errors: Sequence[float]) -> str:
    """Give the median of errors, and the median of their sizes."""
    return f"{np.median(errors):+.1f} / {np.median(np.abs(errors)):.1f}" if errors else "–"


if __name__ == "__main__":
    main(prog_name="python -m tests.accuracy.ladder")
