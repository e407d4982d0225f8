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
from collections.abc import Sequence
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

from .scoring import MATCH_WINDOW_S, Score, score_clip, score_nothing
from .stored import landmarks_of

RESULTS = Path(__file__).parent / "ladder.md"
_COLUMNS = (
    ("initial_contact", 1000.0), ("toe_off", 1000.0),
    ("knee_flexion_peak", 1.0), ("knee_flexion_initial_contact", 1.0),
)  # fmt: skip
"""Quantities of `scoring`, with the factor to the unit printed."""


@dataclass(frozen=True)
class Scored:
    """One scene as it was analysed: what was found, and what the exercise was called."""

    step: Step
    drawn: bool
    score: Score
    exercise: str | None
    thigh_errors_deg: tuple[float, ...] = ()
    cut_errors_s: tuple[float, ...] = ()

    @property
    def group(self) -> tuple[int, str, bool]:
        """Rung, split and kind of landmarks, by which scenes are put together."""
        rungs = [rung.name for rung in RUNGS]
        return rungs.index(self.step.rung), self.step.split, self.drawn


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
    score = score_clip(
        step.name, *(_of_loads(document, truth) if truth["loads"] else (document, truth))
    )
    return Scored(
        step, drawn, score, _exercises(analysis), _thigh_errors_deg(document, truth),
        _cut_errors_s(document, truth),
    )  # fmt: skip


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


def _thigh_errors_deg(document: dict, truth: dict) -> tuple[float, ...]:
    """Hold the thigh's angle at the top against the swing that ends with the same landing."""
    errors = []
    for rep in document["reps"]:
        landing_s = rep["flight"]["landing_s"]
        for row in rep["measures"]:
            if row["name"] != "thigh_angle_peak" or row["value"] is None or landing_s is None:
                continue
            swings = [
                swing
                for swing in truth["swings"]
                if swing["limb"] == row["limb"] and abs(swing["end_s"] - landing_s) < MATCH_WINDOW_S
            ]
            errors += [row["value"] - swing["thigh_peak_deg"] for swing in swings]
    return tuple(errors)


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
    rows = [_row(list(group)) for _, group in groupby(ordered, key=lambda one: one.group)]
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
        "|---|---|---|---|---|---|---|---|---|---|---|---|\n" + "\n".join(rows) + "\n"
    )


def _row(group: list[Scored]) -> str:
    scores = [one.score for one in group]
    contacts = [
        sum(getattr(score, f"contacts_{what}") for score in scores)
        for what in ("true", "missed", "invented")
    ]
    reps = [sum(getattr(score, f"reps_{what}") for score in scores) for what in ("true", "found")]
    cells = [
        f"{group[0].step.rung} ({len(group)})",
        group[0].step.split,
        "pose model" if group[0].drawn else "joints",
        " / ".join(str(number) for number in contacts),
        " / ".join(str(number) for number in reps),
        *(
            _typical([factor * e.error for s in scores for e in s.errors if e.quantity == name])
            for name, factor in _COLUMNS
        ),
        _typical([error for one in group for error in one.thigh_errors_deg]),
        ", ".join(f"{error:+.2f}" for one in group for error in one.cut_errors_s) or "–",
        "; ".join(dict.fromkeys(one.exercise or "nothing" for one in group)),
    ]
    return "| " + " | ".join(cells) + " |"


def _typical(errors: Sequence[float]) -> str:
    """Give the median of errors, and the median of their sizes."""
    return f"{np.median(errors):+.1f} / {np.median(np.abs(errors)):.1f}" if errors else "–"


if __name__ == "__main__":
    main(prog_name="python -m tests.accuracy.ladder")
