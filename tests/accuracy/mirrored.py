"""What a look at the mirrored picture, and other numbers of a leg, do for an FPPA.

Run from the project's root, the landings made first (`sample_clips/README.md`); `table` needs
none, since what was seen is kept in ``tests/frozen``, from where `bodies` fits to it:

    python -m tests.accuracy.mirrored look --landings build/landings    two minutes of one core
    python -m tests.accuracy.mirrored freeze --landings build/landings
    python -m tests.accuracy.mirrored table --write                     writes mirrored.md

Frames of the crowd's sets around the lowest points are looked at as they are and mirrored; the
mirrored points are turned back, and the mean of both is read. An angle is read as `measures` does:
by a parabola, whose top is here the true lowest point.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np

sys.path.append(str(Path(__file__).parents[2] / "sample_clips"))
sys.path.append(str(Path(__file__).parents[1]))

from drawn_rooms import packed
from synthetic_patients.landings import read_landing_truth
from synthetic_patients.sets import SETS

from landing_analysis.files import write_text
from landing_analysis.tables import LIMBS

from .landing_rows import FROZEN_LANDINGS, read_landings
from .looking import keep_looks
from .mirrored_table import mirrored_page
from .still_rows import KEPT

TABLE = Path(__file__).with_name("mirrored.md")
_TRUTH = "fppa_peak_flexion_deg"


def _looked_at(folder: Path) -> Iterator[tuple[int, Path]]:
    for number, plan in enumerate(SETS):
        clip = folder / f"{plan.name}.mp4"
        if clip.with_suffix(".looks.npy").exists():
            yield number, clip


# --- commands --------------------------------------------------------------------------------


@click.group()
def main() -> None:
    """What the mirrored picture would do for an FPPA."""


_LANDINGS = click.option(
    "--landings", "folder", default=Path("build/landings"), show_default=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path), help="Folder of the clips.",
)  # fmt: skip


@main.command()
@_LANDINGS
def look(folder: Path) -> None:
    """Run the pose model on the landings, plain and mirrored; what was looked at is kept."""
    for plan in SETS:
        if keep_looks(folder / f"{plan.name}.mp4"):
            click.echo(plan.name)


@main.command()
@_LANDINGS
def freeze(folder: Path) -> None:
    """Keep what was seen of all bodies, with its truth, for the table and the tests."""
    kept: dict[str, list[np.ndarray]] = {}
    for number, clip in _looked_at(folder):
        looks = np.load(clip.with_suffix(".looks.npy"))[:, :, KEPT].swapaxes(0, 1)
        truth, t_s, of_rep = read_landing_truth(clip)
        lowest_s = np.array([rep["lowest_pelvis_s"] for rep in truth["reps"]])
        true_deg = np.array(
            [[_true_deg(rep["landing"], limb) for limb in LIMBS] for rep in truth["reps"]]
        )
        rows = {
            "set": np.full(len(t_s), number, np.uint8),
            "rep": of_rep.astype(np.int8),
            "frame_s": t_s.astype(np.float32),
            "after_lowest_s": (t_s - lowest_s[of_rep]).astype(np.float32),
            "points_px": packed(looks[..., :2], 10.0),
            "world_m": packed(looks[..., 2:], 1000.0),
            "fppa_deg": true_deg[of_rep].astype(np.float32).round(2),
        }
        for name, values in rows.items():
            kept.setdefault(name, []).append(values)
    np.savez_compressed(FROZEN_LANDINGS, **{k: np.concatenate(v) for k, v in kept.items()})


def _true_deg(landing: dict[str, dict[str, float]], limb: str) -> float:
    return landing[limb][_TRUTH] if limb in landing else float("nan")


@main.command()
@click.option("--write", is_flag=True, help="Write the tables to mirrored.md, too.")
def table(write: bool) -> None:
    """Print what FPPA errs by, plain and with the mirrored picture, by form of the offset."""
    page = mirrored_page(list(read_landings(FROZEN_LANDINGS)))
    if write:
        write_text(TABLE, page)
    click.echo(page)


if __name__ == "__main__":
    main(prog_name="python -m tests.accuracy.mirrored")
