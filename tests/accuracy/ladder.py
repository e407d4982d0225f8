"""Every exercise of the ladder held against known truth.

    python -m tests.accuracy.ladder --out DIR

``DIR`` holds the clips that ``python -m synthetic_patients ladder --out DIR`` has drawn;
landmarks are found once and kept beside them. ``DIR/known`` may hold earlier drawings of held-out
bodies that were looked at before a rule was changed: they are read as `known`, neither for tuning
nor held out. ``DIR/others`` may hold those of ``python -m synthetic_patients crowd-ladder``, on
17 other bodies. Each scene is analysed a second time from its joints as a perfect pose model would
give them, so that what the pose model costs is seen apart; that needs no drawing. Rows of
``ladder_earlier.md`` for which no clip is there are carried along, marked as an earlier program's.
Writes ``ladder.md`` beside this file.
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
from synthetic_patients.crowd_ladder import CROWD_LADDER
from synthetic_patients.ladder import LADDER, RUNGS, SAMPLES, Step
from synthetic_patients.matrix import scene_hash

from landing_analysis.errors import LandingAnalysisError
from landing_analysis.files import write_text
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people
from landing_analysis.reasons import Code
from landing_analysis.report.documents import analysis_document
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import Analysis, Clip, Poses

from .scoring import MATCH_WINDOW_S, Error, Score, score_clip, score_nothing, summary_row
from .stored import landmarks_of

RESULTS = Path(__file__).parent / "ladder.md"
EARLIER = Path(__file__).parent / "ladder_earlier.md"
_KNOWN, _OTHERS = "known", "others"
"""Folders of earlier drawings of held-out bodies and of other bodies, and their splits' names."""
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

_HEAD = (
    "| scenes | split | landmarks | contacts | reps true / found | initial contact | toe-off "
    "| knee flexion, peak | at contact | thigh at the top | bouts cut, s | called |\n"
    + "|---" * 12
    + "|\n"
)


@dataclass(frozen=True)
class Scored:
    """One scene as it was analysed: what was found, and what the exercise was called."""

    step: Step
    drawn: bool
    score: Score
    exercise: str | None
    cut_errors_s: tuple[float, ...] = ()
    told_as: str | None = None

    @property
    def split(self) -> str:
        """The body's split, or what the clip is told as besides."""
        return self.told_as or self.step.split

    @property
    def group(self) -> tuple[bool, int, str]:
        """Kind of landmarks, rung and split, by which scenes are put together."""
        rungs = [rung.name for rung in RUNGS]
        return not self.drawn, rungs.index(self.step.rung), self.split

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
    scored = [
        one
        for step in chosen
        for one in (from_clip(step, out), from_clip(step, out, _KNOWN), from_joints(step))
        if one
    ]
    others = [step for step, _ in CROWD_LADDER.values()]
    others = [step for step in others if not only or any(part in step.name for part in only)]
    scored += [one for step in others if (one := from_clip(step, out, _OTHERS))]
    scored += [one for step in SAMPLES.values() if not only and (one := from_clip(step, out))]
    page = as_markdown(scored, only)
    write_text(RESULTS, page)
    click.echo(page)


def from_clip(step: Step, folder: Path, told_as: str | None = None) -> Scored | None:
    """Analyse the drawn clip of a scene, in the folder of what it is told as; None if not drawn."""
    folder = folder / told_as if told_as else folder
    path, told = folder / f"{step.name}.mp4", folder / f"{step.name}.truth.json"
    if not path.exists() or not told.exists():
        return None
    truth = json.loads(told.read_text(encoding="utf-8"))
    if told_as != _KNOWN and truth["ladder"]["scene_hash"] != scene_hash(step.scene):
        click.echo(f"{step.name} shows an older scene; render it again.", err=True)
        return None
    return replace(_scored(step, True, truth, *landmarks_of(path, Options())), told_as=told_as)


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
        slides = truth["loads"][0]["exercise"] == "slide_board"  # the first load only pushes off
        score = replace(score, reps_true=len(truth["loads"]) - slides)
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
    name = ", ".join(runs) if len(runs) > 1 else analysis.decided.exercise
    doubted = any(
        remark.code == Code.EXERCISE_NOT_SURE
        for note in analysis.reps.notes
        for remark in note.remarks
    )
    return f"{name} (not sure)" if name and doubted else name


def as_markdown(scored: Sequence[Scored], only: Sequence[str] = ()) -> str:
    """Write the table as a page, which says so where it covers a part of the scenes."""
    part = f" **Partial: scenes named {', '.join(only)}.**" if only else ""
    ordered = sorted(scored, key=lambda one: one.group)
    groups = [list(group) for _, group in groupby(ordered, key=lambda one: one.group)]
    seen = [group for group in groups if group[0].drawn]
    joints = [group for group in groups if not group[0].drawn]
    return (
        "# The exercises of the ladder\n\n"
        f"{len(LADDER)} scenes with known truth at 60 frames/s.{part} This page is written by\n\n"
        "    python -m tests.accuracy.ladder --out DIR\n\n"
        "Split: `tune`, bodies on which settings were chosen; `hold`, bodies held out, in drawings "
        "by which no rule was set; `others`, 17 bodies of a crowd, each another one, to which no "
        "angle was fitted, analysed when all rules stood but those of tucks and hidden kicks; "
        "`known`, earlier drawings of `hold` that were looked at when a rule was changed (their "
        "seeds are raised since). Contacts: true / missed / invented; of weight shifts, "
        "loads from and to where the pelvis passes the middle of the feet; of the "
        "slide board, from where a foot stops at its end until it leaves. Times in ms, angles in "
        "degrees, measured minus true: median / median size. Called: what the tool says without "
        "being told. Claims: root mean square of errors / of standard "
        "uncertainties claimed for them, and how many truths lie in the claimed 95 % interval.\n\n"
        f"## {sum(map(len, seen))} clips drawn and seen by the pose model\n\n"
        + _tables(seen)
        + "\n"
        + "\n".join(f"- {line}" for line in _clips(seen))
        + "\n"
        + _earlier(seen)
        + "\n## All scenes from their joints, with 1.5 px of noise\n\n"
        + _tables(joints)
    )


def _tables(groups: list[list[Scored]]) -> str:
    """Write what groups of scenes give, and what is claimed of it."""
    return (
        _HEAD
        + "".join(f"{_row(group)}\n" for group in groups)
        + "\n| scenes | split | landmarks | initial contact | contact time | flight time "
        + "| knee flexion, peak | at contact | thigh at the top |\n"
        + "|---" * 9
        + "|\n"
        + "".join(f"{_claims_row(group)}\n" for group in groups)
    )


def _clips(groups: list[list[Scored]]) -> Iterator[str]:
    """Name the clips of each split, with the seeds of those that can be drawn again."""
    drawn = [one for group in groups for one in group]
    for split in (_OTHERS, "hold", _KNOWN, "tune"):
        names = [
            one.step.name + ("" if one.told_as == _KNOWN else f" ({one.step.scene.seed})")
            for one in drawn
            if one.split == split
        ]
        if names:
            yield f"`{split}` (seeds): {', '.join(names)}"


def _earlier(groups: list[list[Scored]]) -> str:
    """Carry rows of earlier programs along whose rung and split no clip covers now."""
    covered = {(group[0].step.rung, group[0].split) for group in groups}
    rows = [
        line
        for line in EARLIER.read_text(encoding="utf-8").splitlines()
        if line.startswith("| ") and _rung_and_split(line) not in covered | {("scenes", "split")}
    ]
    if not rows:
        return ""
    return (
        "\nRead by an earlier program, since no clip of these is at hand today:\n\n"
        + _HEAD
        + "\n".join(rows)
        + "\n"
    )


def _rung_and_split(row: str) -> tuple[str, str]:
    """Return the rung and the split that a row tells of."""
    scenes, split = (cell.strip() for cell in row.split("|")[1:3])
    return scenes.split(" (")[0], split


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
    return f"{first.step.rung} ({len(group)})", first.split, landmarks


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
