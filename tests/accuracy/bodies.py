"""How the pose model's FPPA errs from body to body: looked at, fitted, scored.

Run from the project's root, with the stills made first (`sample_clips/README.md`):

    python -m tests.accuracy.bodies look --stills build/stills     a quarter of an hour of one core
    python -m tests.accuracy.bodies fit --stills build/stills      writes data/offsets.json
    python -m tests.accuracy.bodies freeze --stills build/stills --sets build/sets
    python -m tests.accuracy.bodies coverage --write               writes bodies.md

``fit`` uses the bodies that are not of the split ``held_out``. ``freeze`` keeps what was seen of
those that are, in ``tests/frozen``; ``coverage`` is of them and needs neither stills nor sets.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Sequence
from itertools import combinations
from pathlib import Path
from typing import Any

import click
import numpy as np

sys.path.append(str(Path(__file__).parents[2] / "sample_clips"))
sys.path.append(str(Path(__file__).parents[1]))

from synthetic_patients.crowd import CROWD

from landing_analysis.files import write_text
from landing_analysis.landmarks.pose import find_poses
from landing_analysis.measures.offsets import Form, Looks, Part
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import FloatArray
from landing_analysis.video.clips import read_clip, read_frames

from .coverage import coverage_page, fitted_sets, freeze_sets
from .still_rows import FEATURES, FROZEN, KEPT, Row, left_of, read_rows

_ROUNDS, _TRIMMED_AT_RMS = 4, 3.5
_FOLDS = 10
_ALIKE_FLEXION_DEG, _ALIKE_DEG = 15.0, 10.0
_LEAST_DEG, _MOST_DEG = -15.0, 105.0
_PEOPLE_FACTOR = 1.15
ROOT = Path(__file__).parents[2]
OFFSETS = ROOT / "landing_analysis" / "data" / "offsets.json"
TABLE = Path(__file__).with_name("bodies.md")
_STORED = (
    "body", "shot", "standing", "one_leg", "behind", "points_px", "fppa_deg", "flexion_deg"
)  # fmt: skip


# --- fitting ---------------------------------------------------------------------------------


def fit_form(rows: Sequence[Row], names: Sequence[str], sds_deg: dict[Part, float]) -> Form:
    """Fit a linear form by least squares, and again without the rows it misses by far.

    Parameters
    ----------
    rows : of one view; still landings and moving sets count alike, however many they are
    names : of the features
    sds_deg : to be carried with the form
    """
    table, error = _table(rows, names), np.array([row.error_deg for row in rows])
    design = np.column_stack([np.ones(len(rows)), table])
    known = np.isfinite(table).all(axis=1)
    moving = np.array([row.moving for row in rows])
    root = np.where(moving, moving.sum(), (~moving).sum()) ** -0.5
    kept = known
    for _ in range(_ROUNDS):
        scaled = design[kept] * root[kept, None], error[kept] * root[kept]
        constant, *weights = np.linalg.lstsq(*scaled, rcond=None)[0]
        left = error - constant - table @ np.array(weights)
        kept = known & (np.abs(left) < _TRIMMED_AT_RMS * _rms(left[kept]))
    least, most = table[kept].min(axis=0), table[kept].max(axis=0)
    return Form(tuple(names), float(constant), np.array(weights), least, most, sds_deg)


def left_of_others(rows: Sequence[Row], names: Sequence[str]) -> FloatArray:
    """Return (n,) what is left of each row's error by forms fitted to other bodies."""
    bodies = sorted({row.member.number for row in rows})
    left = np.full(len(rows), np.nan)
    for fold in range(_FOLDS):
        held = np.array([bodies.index(row.member.number) % _FOLDS == fold for row in rows])
        form = fit_form([row for row, out in zip(rows, held, strict=True) if not out], names, {})
        left[held] = left_of([row for row, out in zip(rows, held, strict=True) if out], form)
    return left


def parts_of(rows: Sequence[Row], left: FloatArray) -> dict[Part, float]:
    """Split errors into four parts, as standard uncertainties.

    From the mean products of pairs of values in like postures, as the reps of a set are. Two
    limbs in two shots share the person; one limb in one shot shares all but the posture, and
    what two limbs in one shot do not share of it is the limb's.
    """
    products: dict[tuple[bool, bool], list[float]] = {}
    for group in _like_groups(rows):
        for i, j in combinations(group, 2):
            one, other = rows[i], rows[j]
            if _alike(one, other) and np.isfinite(left[[i, j]]).all():
                key = (one.shot == other.shot, one.limb == other.limb)
                products.setdefault(key, []).append(left[i] * left[j])
    shared = {key: float(np.mean(values)) for key, values in products.items()}
    everything, set_alike = float(np.nanmean(left**2)), shared[True, True]
    person = max(shared.get((False, False), 0.0), 0.0)
    limb = max(set_alike - shared[True, False], 0.0)
    clip = max(set_alike - person - limb, 0.0)
    squares: dict[Part, float] = {
        "person": person, "limb": limb, "clip": clip, "posture": max(everything - set_alike, 0.0)
    }  # fmt: skip
    return {part: math.sqrt(square) for part, square in squares.items()}


def _like_groups(rows: Sequence[Row]) -> Iterable[list[int]]:
    groups: dict[tuple[int, bool], list[int]] = {}
    for index, row in enumerate(rows):
        groups.setdefault((row.member.number, row.one_leg), []).append(index)
    return groups.values()


def _alike(one: Row, other: Row) -> bool:
    return (
        abs(one.flexion_deg - other.flexion_deg) < _ALIKE_FLEXION_DEG
        and abs(one.true_deg - other.true_deg) < _ALIKE_DEG
    )


def _table(rows: Sequence[Row], names: Sequence[str]) -> FloatArray:
    return np.array([[row.features[name] for name in names] for row in rows])


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.nanmean(values**2)))


# --- commands --------------------------------------------------------------------------------


@click.group()
def main() -> None:
    """What the pose model's FPPA errs by on many bodies."""


_STILLS = click.option(
    "--stills", "folder", default=Path("build/stills"), show_default=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path), help="Folder of the clips.",
)  # fmt: skip


_SETS = click.option(
    "--sets", "moving", default=Path("build/sets"), show_default=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path), help="Folder of the sets.",
)  # fmt: skip


@main.command()
@_STILLS
def look(folder: Path) -> None:
    """Run the pose model on the stills; what was looked at is kept."""
    for member in CROWD:
        clip, marks = folder / f"{member.name}.mp4", folder / f"{member.name}.marks.npy"
        if clip.exists() and not marks.exists():
            poses = find_poses(
                read_frames(clip), read_clip(clip), PoseSettings(max_people=1, workers=1)
            )
            np.save(marks, poses.xy_px[:, 0].astype(np.float32))
            click.echo(member.name)


@main.command()
@_STILLS
@_SETS
def freeze(folder: Path, moving: Path) -> None:
    """Keep what was seen of the held-out bodies for the tests."""
    freeze_sets(moving)
    kept: dict[str, list[np.ndarray]] = {name: [] for name in _STORED}
    for member in CROWD:
        if member.split != "held_out" or not (folder / f"{member.name}.marks.npy").exists():
            continue
        marks = np.load(folder / f"{member.name}.marks.npy")[:, KEPT, :2]
        with np.load(folder / f"{member.name}.truth.npz") as truth:
            frontal = np.isin(truth["view"], list(FEATURES))
            kept["body"].append(np.full(frontal.sum(), member.number, np.uint8))
            kept["points_px"].append(marks[frontal].astype(np.float32).round(1))
            kept["behind"].append(truth["view"][frontal] == "back")
            kept["fppa_deg"].append(truth["truth"][frontal, :, 0].astype(np.float32).round(2))
            kept["flexion_deg"].append(truth["truth"][frontal, :, 1].astype(np.float32).round(1))
            for name in ("shot", "standing", "one_leg"):
                kept[name].append(truth[name][frontal].astype(np.uint8))
    np.savez_compressed(FROZEN, **{name: np.concatenate(rows) for name, rows in kept.items()})


@main.command()
@_STILLS
@_SETS
def fit(folder: Path, moving: Path) -> None:
    """Fit the forms, write them into the package, and print what the readings themselves err by."""
    rows = [row for row in read_rows(folder) if _LEAST_DEG < row.true_deg < _MOST_DEG]
    fitted = [row for row in rows if row.member.split != "held_out"]
    fitted += fitted_sets(moving)
    plain: dict[str, Any] = {"standing": {}, "without": {}}
    for seen, names in FEATURES.items():
        of_view = [row for row in fitted if row.view == seen]
        for kind, chosen in (("standing", names), ("without", without_standing(names))):
            sds_deg = parts_of(of_view, tame(left_of_others(of_view, chosen)))
            plain[kind][seen] = as_plain(fit_form(of_view, chosen, for_people(sds_deg)))
        as_read = parts_of(of_view, tame(np.array([row.error_deg for row in of_view])))
        parts = ", ".join(f"{part} {sd:.1f}" for part, sd in for_people(as_read).items())
        click.echo(f"{seen}, as read: {parts} deg")
    write_forms("plain", plain, len({row.member.number for row in fitted}))


def write_forms(looks: Looks, forms: dict[str, Any], bodies: int) -> None:
    """Write the forms of one way of looking into the package; the others stay as they are."""
    document = json.loads(OFFSETS.read_text(encoding="utf-8"))
    document |= {
        "made_by": "tests/accuracy/bodies.py, mirrored.py; see tests/accuracy/methods/angles.md",
        "bodies": bodies,
        looks: forms,
    }
    write_text(OFFSETS, json.dumps(document, indent=1) + "\n")


def tame(errors: FloatArray) -> FloatArray:
    """Return the errors without the wild ones, where the pose model took one leg for the other."""
    tame = errors
    for _ in range(_ROUNDS):
        middle = float(np.nanmedian(tame))
        far = np.abs(errors - middle) > _TRIMMED_AT_RMS * _rms(tame - middle)
        tame = np.where(far, np.nan, errors)
    return tame


@main.command()
@click.option("--write", is_flag=True, help="Write the tables to bodies.md, too.")
def coverage(write: bool) -> None:
    """Print what FPPA of held-out bodies errs by, what is claimed, and how often it holds."""
    page = coverage_page()
    if write:
        write_text(TABLE, page)
    click.echo(page)


def without_standing(names: Sequence[str]) -> tuple[str, ...]:
    return tuple(name for name in names if not name.startswith("standing"))


def for_people(sds_deg: dict[Part, float]) -> dict[Part, float]:
    """Widen what was measured on rendered bodies: real ones vary more."""
    return {part: sd * _PEOPLE_FACTOR for part, sd in sds_deg.items()}


def as_plain(form: Form) -> dict[str, object]:
    rows = zip(form.names, form.weights, form.least, form.most, strict=True)
    return {
        "constant": round(form.constant, 4),
        "sds_deg": {part: round(sd, 3) for part, sd in form.sds_deg.items()},
        "features": {name: [round(float(x), 4) for x in numbers] for name, *numbers in rows},
    }


if __name__ == "__main__":
    main(prog_name="python -m tests.accuracy.bodies")
