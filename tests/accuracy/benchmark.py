"""Render the matrix, analyse it and hold the analyses against the truth."""

from __future__ import annotations

import csv
import io
import json
import shlex
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import click
from synthetic_patients.crowd_matrix import CROWD_MATRIX
from synthetic_patients.matrix import MATRIX, Entry, choose, scene_hash

from landing_analysis.errors import LandingAnalysisError
from landing_analysis.files import write_text
from landing_analysis.findings.judging import favoured_limb
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people
from landing_analysis.report.documents import analysis_document
from landing_analysis.stages import Options, analyse_people

from .goals import goals_as_markdown
from .scoring import Score, score_clip, score_nothing
from .stored import landmarks_of
from .table import Facts, as_csv, as_markdown, table, unit_of
from .verdicts import Verdict, judge_clip, verdict_table, verdicts_as_markdown

ROOT = Path(__file__).parents[2]
RESULTS = Path(__file__).parent
ANALYSED_AT = "benchmark"

_out = click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), default=Path("build/accuracy"),
    show_default=True, help="Folder of clips, truth files and stored landmarks.",
)  # fmt: skip
_SPLITS = ("tune", "hold", "short")
_only = click.option("--only", multiple=True, help="A scene's name or a part of it; repeatable.")


@click.group()
def main() -> None:
    """How far the analyses are from known truth, on rendered clips."""


@main.command()
@_out
@click.option("--split", type=click.Choice(_SPLITS), help="All without.")
@_only
@click.option(
    "--python", default=sys.executable, help="Interpreter that has moderngl; this one by default."
)
def render(out: Path, split: str | None, only: tuple[str, ...], python: str) -> None:
    """Render the chosen scenes; clips of the same scene that are there are kept."""
    command = [python, "-m", "synthetic_patients", "matrix", "--out", str(out.resolve()), *only]
    command += ["--split", split] if split else []
    try:
        done = subprocess.run(command, cwd=ROOT / "sample_clips", check=False)
    except OSError as error:
        message = f"{python} cannot be started ({error.strerror}); name another with --python."
        raise click.ClickException(message) from error
    sys.exit(done.returncode)


@main.command()
@_out
@click.option(
    "--split", type=click.Choice([*_SPLITS, "others"]),
    help="All of the matrix without it; others: its conditions on bodies of the crowd.",
)  # fmt: skip
@_only
@click.option(
    "--results", type=click.Path(file_okay=False, path_type=Path), default=RESULTS,
    help="Folder of results.csv and results.md; that of the committed ones by default.",
)  # fmt: skip
def run(out: Path, split: str | None, only: tuple[str, ...], results: Path) -> None:
    """Analyse the chosen scenes that are rendered, print the table and store it."""
    chosen = {e.name: e for name in only or (None,) for e in _scenes(split, name)}
    rendered = [entry for entry in chosen.values() if _is_current(entry, out)]
    if not rendered:
        message = (
            f"None of the {len(chosen)} chosen scenes is rendered in {out}; render them first."
        )
        raise click.ClickException(message)
    results_of = [score_entry(entry, out) for entry in rendered]
    scored = [(facts, score) for facts, score, _ in results_of]
    rows = table(scored)
    judged = [(facts.split, v) for facts, _, verdicts in results_of for v in verdicts]
    write_text(out / "errors.csv", errors_csv(scored))
    results.mkdir(parents=True, exist_ok=True)
    write_text(results / "results.csv", as_csv(rows))
    parts = [
        heading(rendered, _command(split, only)).rstrip(),
        goals_as_markdown(scored, judged),
        verdicts_as_markdown(verdict_table(judged)),
        as_markdown(rows),
    ]
    page = "\n\n".join(part.strip("\n") for part in parts) + "\n"
    write_text(results / "results.md", page)
    click.echo(page)


def _scenes(split: str | None, name: str | None) -> tuple[Entry, ...]:
    """Scenes of the matrix, or those of its conditions on other bodies."""
    if split != "others":
        return choose(split, name)
    return tuple(e for e, _ in CROWD_MATRIX.values() if name is None or name in e.name)


def _command(split: str | None, only: Sequence[str]) -> str:
    words = ["--split", split] if split else []
    words += [word for name in only for word in ("--only", name)]
    return shlex.join(["python", "-m", "tests.accuracy", "run", *words])


def heading(rendered: Sequence[Entry], command: str) -> str:
    """Say what the table covers, and plainly when that is not everything."""
    others = all(entry.split == "others" for entry in rendered)
    whole = len(CROWD_MATRIX if others else MATRIX)
    part = "" if len(rendered) == whole else " **Partial: the other scenes were not run.**"
    names = "" if not part else "\n\nScenes: " + ", ".join(f"`{e.name}`" for e in rendered) + "."
    counts = " and ".join(
        f"{sum(entry.split == split for entry in rendered)} of split `{split}`"
        for split in (("others",) if others else ("tune", "hold"))
    )
    return (
        f"# Accuracy on rendered clips\n\n{len(rendered)} of {whole} scenes ({counts}), "
        f"invented patients with known truth.{part} Error = measured minus true; `missed` of a "
        "measure counts truths for which no value was given; the last column's range is a Wilson "
        "interval as if values were independent, which those of one clip are not. By body, "
        f"exposure, yaw and foot: `results.csv`. Result by\n\n    {command}{names}\n\n"
    )


def _truth(entry: Entry, folder: Path) -> dict:
    return json.loads((folder / f"{entry.name}.truth.json").read_text(encoding="utf-8"))


def _is_current(entry: Entry, folder: Path) -> bool:
    """Tell whether the clip is there and shows the scene as it is defined now."""
    if not (folder / f"{entry.name}.mp4").exists():
        return False
    current = _truth(entry, folder).get("matrix", {}).get("scene_hash") == scene_hash(entry.scene)
    if not current:
        click.echo(f"{entry.name} is left out: it shows an older scene; render it again.", err=True)
    return current


def score_entry(entry: Entry, folder: Path) -> tuple[Facts, Score, tuple[Verdict, ...]]:
    """Analyse one clip as the tool would without being told anything, and score it."""
    truth = _truth(entry, folder)
    facts = Facts.of(truth)
    options = Options(limits=read_limits())
    try:
        clip, poses = landmarks_of(folder / f"{entry.name}.mp4", options)
        people = link_people(poses, options.settings.people)
        analysis = analyse_people(clip, poses, people, options, ANALYSED_AT)
    except LandingAnalysisError as error:
        click.echo(f"{entry.name}: {error}", err=True)
        return facts, score_nothing(facts.clip, truth), ()
    document = analysis_document(analysis)
    verdicts = judge_clip(facts.clip, document, truth, favoured_limb(analysis.findings))
    return facts, score_clip(facts.clip, document, truth), verdicts


def errors_csv(scored: Sequence[tuple[Facts, Score]]) -> str:
    """Write every single error with the facts of its clip, for a closer look."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        [*Facts.__dataclass_fields__, "foot", "quantity", "limb", "rep", "unit", "true", "error",
         "sd"]
    )  # fmt: skip
    for facts, score in scored:
        for error in score.errors:
            unit, factor = unit_of(error.quantity)
            numbers = (f"{factor * x:.3f}" for x in (error.true, error.error, error.sd))
            writer.writerow(
                [*asdict(facts).values(), facts.group("foot", error.limb), error.quantity,
                 error.limb, error.rep, unit, *numbers]
            )  # fmt: skip
    return text.getvalue()
