"""Poor light, loose clothes and floors that mirror or swallow the feet, held against truth.

Run from the project's root, with the benchmark's plain clips made first:

    python -m tests.accuracy.light --out build/light --plain build/accuracy
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import click
import numpy as np

from landing_analysis.files import write_text
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people
from landing_analysis.report.documents import analysis_document
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import Analysis, Note
from landing_analysis.wording import note_words

from .scoring import Error, Score, score_clip
from .stored import landmarks_of

ROOT = Path(__file__).parents[2]
TABLE = Path(__file__).with_name("light.md")
PLAIN = "plain"
GUISES = {
    PLAIN: "plain light, shorts",
    "dark": "dark",
    "nearly_black": "nearly black",
    "backlit": "against the light",
    "silhouette": "a silhouette",
    "loose_trousers": "loose trousers",
    "long_coat": "long coat",
    "glossy_floor": "floor that mirrors",
    "dark_floor": "dark shoes, dark floor",
}
SCENES = (
    "slim_woman_jumps_front", "heavy_man_jumps_side",
    "tall_woman_jumps_front", "short_man_jumps_side",
)  # fmt: skip
"""Two bodies on which the numbers were set, two that were held out."""
HELD_OUT = ("tall_woman", "short_man")
CHECKS = ("light", "clothes", "floor", "shoes and floor", "reflection")
COLUMNS = {
    "initial contact, ms": ("initial_contact",),
    "toe-off, ms": ("toe_off",),
    "contact time, ms": ("contact_time",),
    "flexion, deg": ("knee_flexion_initial_contact", "knee_flexion_peak"),
    "FPPA, deg": ("fppa_initial_contact", "fppa_peak_flexion", "fppa_peak_inward"),
}


@dataclass(frozen=True)
class Filmed:
    """One clip: its scene, its room, what was found and said.

    ``unasked`` is the score without what the picture says of the legs.
    """

    scene: str
    room: str
    score: Score
    unasked: Score
    analysis: Analysis


@click.command()
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True,
              help="Folder of the clips in other rooms; missing ones are rendered.")  # fmt: skip
@click.option("--plain", type=click.Path(exists=True, file_okay=False, path_type=Path),
              default=Path("build/accuracy"), show_default=True,
              help="Folder of the benchmark's clips.")  # fmt: skip
@click.option("--python", default=None, help="Interpreter with moderngl; nothing is rendered "
              "without.")  # fmt: skip
def main(out: Path, plain: Path, python: str | None) -> None:
    """Analyse the clips, print the table and store it."""
    if python:
        _render(out, plain, python)
    filmed = [
        _score(_clip(out, plain, scene, room), scene, room)
        for room in GUISES
        for scene in SCENES
        if _clip(out, plain, scene, room).exists()
    ]
    page = as_markdown(filmed)
    write_text(TABLE, page)
    click.echo(page)


def _clip(out: Path, plain: Path, scene: str, room: str) -> Path:
    return plain / f"{scene}.mp4" if room == PLAIN else out / f"{scene}_{room}.mp4"


def _render(out: Path, plain: Path, python: str) -> None:
    rooms = [word for room in GUISES if room != PLAIN for word in ("--guise", room)]
    command = [python, "-m", "synthetic_patients", "guises", *SCENES, *rooms]
    command += ["--plain", str(plain.resolve()), "--out", str(out.resolve())]
    subprocess.run(command, cwd=ROOT / "sample_clips", check=True)


def _score(path: Path, scene: str, room: str) -> Filmed:
    options = Options(limits=read_limits())
    clip, poses = landmarks_of(path, options)
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    people = link_people(poses, options.settings.people)
    analysis, unasked = (
        analyse_people(clip, seen, people, options, "light")
        for seen in (poses, replace(poses, light=None))
    )
    scores = (score_clip(path.stem, analysis_document(a), truth) for a in (analysis, unasked))
    return Filmed(scene, room, *scores, analysis)


def as_markdown(filmed: Sequence[Filmed]) -> str:
    """Write a line per room and half of the bodies, and the notes that were given."""
    lines = [
        "# Poor light, clothes and floors against truth", "",
        "Rendered clips of the same motion, 60 frames/s, three jumps each. Errors are root mean "
        "squares of measured minus true; `inside` is the share of truths within the claimed 95 % "
        "interval, over all columns, and before it the same had the picture not been asked; "
        "`refused` counts values that the plain clip gives and this one does not. Result by", "",
        "    python -m tests.accuracy.light --out build/light --plain build/accuracy", "",
        "| room | bodies | contacts found | invented | " + " | ".join(COLUMNS)
        + " | inside, unasked | inside | refused | notes |",
        "|---|---|--:|--:|" + "--:|" * len(COLUMNS) + "--:|--:|--:|---|",
    ]  # fmt: skip
    given = {f.scene: _given(f.score) for f in filmed if f.room == PLAIN}
    for room, words in GUISES.items():
        for held, name in ((False, "tuning"), (True, "held out")):
            chosen = [f for f in filmed if f.room == room and _is_held_out(f.scene) == held]
            if chosen:
                lines.append(f"| {words} | {name} | {_cells(chosen, given)} |")
    lines += ["", "What the first clip of each kind was told:", ""]
    told: dict[tuple[str, str], str] = {}
    for f in filmed:
        for note in _remarks(f):
            told.setdefault((f.room, note.check), note_words(note))
    lines += [f"- {GUISES[room]}, {check}: {text}" for (room, check), text in told.items()]
    return "\n".join(lines) + "\n"


def _is_held_out(scene: str) -> bool:
    return scene.startswith(HELD_OUT)


def _given(score: Score) -> set[tuple[str, str | None, int | None]]:
    return {(e.quantity, e.limb, e.rep) for e in score.errors if e.rep is not None}


def _cells(chosen: Sequence[Filmed], given: dict[str, set]) -> str:
    true = sum(f.score.contacts_true for f in chosen)
    found = true - sum(f.score.contacts_missed for f in chosen)
    invented = sum(f.score.contacts_invented for f in chosen)
    names = {name for group in COLUMNS.values() for name in group}
    errors = [e for f in chosen for e in f.score.errors if e.quantity in names]
    unasked = [e for f in chosen for e in f.unasked.errors if e.quantity in names]
    refused = sum(
        len({k for k in given.get(f.scene, set()) - _given(f.score) if k[0] in names})
        for f in chosen
    )
    said = dict.fromkeys(f"{n.check}: {n.state}" for f in chosen for n in _remarks(f))
    cells = [f"{found} of {true}", str(invented)]
    cells += [_rms(errors, group) for group in COLUMNS.values()]
    return " | ".join([*cells, _inside(unasked), _inside(errors), str(refused), ", ".join(said)])


def _inside(errors: Sequence[Error]) -> str:
    if not errors:
        return "-"
    return f"{100 * np.mean([e.covered for e in errors]):.0f} % of {len(errors)}"


def _rms(errors: Iterable[Error], names: tuple[str, ...]) -> str:
    values = np.array([e.error for e in errors if e.quantity in names])
    if not len(values):
        return "-"
    in_ms = names[0] in ("initial_contact", "toe_off", "contact_time")
    return f"{(1000 if in_ms else 1) * np.sqrt((values**2).mean()):.1f}"


def _remarks(filmed: Filmed) -> list[Note]:
    return [n for n in filmed.analysis.notes if n.check in CHECKS and n.state != "good"]


if __name__ == "__main__":
    sys.path.append(str(ROOT / "sample_clips"))
    main(prog_name="python -m tests.accuracy.light")
