"""Who is measured where others are in the picture, and from where: held against known truth.

    python -m tests.accuracy.people --out DIR

``DIR`` holds the clips that ``python -m synthetic_patients rooms --out DIR`` has drawn;
landmarks are found once and kept beside them. Writes ``people.md`` beside this file.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np

sys.path.append(str(Path(__file__).parents[2] / "sample_clips"))

from synthetic_patients.rooms import ROOMS, Room

from landing_analysis.files import write_text
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.people import link_people
from landing_analysis.report.documents import analysis_document
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LANDMARK, LIMBS, Analysis

from .scoring import Error, paired_reps, score_clip
from .stored import landmarks_of

RESULTS = Path(__file__).parent / "people.md"
WRONG_SHARE_OF_LEG = 0.25
"""A landmark farther from the patient's joint than this is somebody else's, or nobody's."""

_PARTS = [f"{limb}_{part}" for limb in LIMBS for part in ("shoulder", "hip", "knee", "ankle")]
_TIMES = ("initial_contact", "toe_off", "contact_time", "flight_time", "inter_limb_delay")
_ANGLES = ("knee_flexion_initial_contact", "knee_flexion_peak", "fppa_initial_contact",
           "fppa_peak_flexion", "fppa_peak_inward", "trunk_lean", "trunk_flexion")  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One scene of the table."""

    scene: str
    split: str
    shows: str
    reps: str
    views: str
    wrong: str
    times: str
    angles: str
    covered: str
    notes: str


@click.command()
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), required=True,
    help="Folder of the drawn rooms.",
)  # fmt: skip
def main(out: Path) -> None:
    """Analyse the drawn rooms, print the table and store it."""
    drawn = [room for room in ROOMS if (out / f"{room.name}.mp4").exists()]
    if not drawn:
        raise click.ClickException(f"{out} holds no drawn rooms; draw them first.")
    rows = [row_of(room, out) for room in drawn]
    page = as_markdown(rows, len(ROOMS))
    write_text(RESULTS, page)
    click.echo(page)


def row_of(room: Room, folder: Path) -> Row:
    """Analyse one room as the tool would without being told anything."""
    options = Options(limits=read_limits())
    clip, poses = landmarks_of(folder / f"{room.name}.mp4", options)
    people = link_people(poses, options.settings.people)
    analysis = analyse_people(clip, poses, people, options, "benchmark")
    truth = json.loads((folder / f"{room.name}.truth.json").read_text(encoding="utf-8"))
    with np.load(folder / f"{room.name}.truth.npz") as arrays:
        wrong = wrong_frames(analysis, list(arrays["joints"]), arrays["joints_px"][:, 0])
    errors = errors_of_used(room.name, analysis_document(analysis), truth)
    reps = analysis.reps.reps
    used = [rep for rep in reps if rep.used]
    inside = np.zeros(len(wrong), dtype=bool)
    for rep in used:
        start_s = rep.flight.take_off.t_s if rep.flight.take_off else 0.0
        end_s = rep.peak_flexion_s or start_s
        inside |= (analysis.tracks.t_s >= start_s - 0.1) & (analysis.tracks.t_s <= end_s + 0.1)
    return Row(
        room.name,
        room.split,
        room.remark,
        f"{len(truth['reps'])} / {len(reps)} / {len(used)}",
        views_words(analysis, truth),
        f"{int((wrong & inside).sum())} / {int(wrong.sum())}",
        _worst(errors, _TIMES, 1000.0, "ms"),
        _worst(errors, _ANGLES, 1.0, "deg"),
        f"{sum(e.covered for e in errors)} of {len(errors)}",
        "; ".join(f"{n.check}: {n.state}" for n in analysis.notes
                  if n.check in ("other people", "turning")) or "none",
    )  # fmt: skip


def wrong_frames(analysis: Analysis, joints: list[str], true_px: np.ndarray) -> np.ndarray:
    """Return (n_frames,) True where a measured landmark lies on somebody else, or nowhere."""
    own = analysis.tracks.raw_px[:, [LANDMARK[part] for part in _PARTS]]
    true = true_px[:, [joints.index(part) for part in _PARTS]]
    with np.errstate(invalid="ignore"):
        away = np.linalg.norm(own - true, axis=2) > WRONG_SHARE_OF_LEG * analysis.tracks.leg_px
    return away.any(axis=1)


def errors_of_used(name: str, document: dict, truth: dict) -> tuple[Error, ...]:
    """Return the errors of contacts and measures of the reps that are used."""
    used = {rep["number"] for rep in document["reps"] if rep["used"]}
    kept = document | {
        "contacts": [c for c in document["contacts"] if c["rep"] in used],
        "reps": [rep for rep in document["reps"] if rep["used"]],
    }
    errors = score_clip(name, kept, truth).errors
    return tuple(e for e in errors if np.isfinite(e.sd))


def views_words(analysis: Analysis, truth: dict) -> str:
    """Say for how many found reps the view is right, and which is the clip's."""
    true = {number: rep["view"] for number, rep in enumerate(truth["reps"])}
    pairs = paired_reps(analysis_document(analysis), truth)
    right = sum(true[number] == rep["view"] for number, rep in pairs)
    return f"{analysis.decided.view}; {right} of {len(pairs)} right"


def _worst(errors: tuple[Error, ...], names: tuple[str, ...], factor: float, unit: str) -> str:
    chosen = [e for e in errors if e.quantity in names]
    if not chosen:
        return "–"

    def size(error: Error) -> float:
        return abs(error.error) / (1000.0 if error.quantity == "inter_limb_delay" else 1.0)

    worst = max(chosen, key=size)
    sds = abs(worst.error) / worst.sd
    return f"{factor * size(worst):.1f} {unit} ({worst.quantity}, {sds:.1f} sd)"


def as_markdown(rows: list[Row], of: int) -> str:
    """Write the table as a page."""
    part = "" if len(rows) == of else f" **Partial: {len(rows)} of {of} scenes.**"
    head = (
        "# Other people in the picture, and a patient who turns\n\n"
        f"Drawn scenes with known truth, 60 frames/s, 540 x 960.{part} Settings were chosen on "
        "`tune`; rules were last changed after `seen`, `hold` was analysed "
        "afterwards. Reps: true / counted / used. Wrong frames: a "
        f"measured landmark farther than {WRONG_SHARE_OF_LEG:g} leg lengths from the patient's "
        "joint, within used reps / in the whole clip. Worst errors are of used reps; covered: "
        "errors within 1.96 claimed sd. Result by\n\n    python -m tests.accuracy.people --out DIR"
        "\n\n| scene | split | shows | reps | view | wrong frames | worst time | worst angle "
        "| covered | notes |\n|---|---|---|---|---|---|---|---|---|---|\n"
    )
    lines = [
        f"| {r.scene} | {r.split} | {r.shows} | {r.reps} | {r.views} | {r.wrong} | {r.times} "
        f"| {r.angles} | {r.covered} | {r.notes} |"
        for r in rows
    ]
    return head + "\n".join(lines) + "\n"


if __name__ == "__main__":
    main(prog_name="python -m tests.accuracy.people")
