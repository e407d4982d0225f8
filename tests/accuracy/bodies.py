"""How the pose model's FPPA errs from body to body: looked at, fitted, scored.

Run from the project's root. What was seen is kept in ``tests/frozen``, so that `fit` and
`coverage` need no clips; to see it anew make the clips first (`sample_clips/README.md`):

    python -m tests.accuracy.bodies look --stills build/stills     half an hour of one core
    python -m tests.accuracy.bodies freeze --stills build/stills --sets build/sets
    python -m tests.accuracy.bodies fit                            writes data/offsets.json
    python -m tests.accuracy.bodies coverage --write               writes bodies.md

``fit`` uses the still landings and the landings of sets (`mirrored`) of bodies that are not of the
split ``held_out``; ``coverage`` is of those that are.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations
from pathlib import Path
from typing import Any

import click
import numpy as np

sys.path.append(str(Path(__file__).parents[2] / "sample_clips"))
sys.path.append(str(Path(__file__).parents[1]))

from synthetic_patients.crowd import CROWD

from landing_analysis.files import write_text
from landing_analysis.measures.offsets import Form, Looks, Part, Seen
from landing_analysis.tables import FloatArray

from .coverage import coverage_page, freeze_sets
from .landing_rows import FROZEN_LANDINGS, as_row, read_landings
from .looking import keep_looks
from .still_rows import FROZEN, Row, freeze_shots, left_of, rows_of_shot, stored_shots

FORMS: dict[Looks, dict[Seen, tuple[str, ...]]] = {
    "plain": {
        "front": ("fppa_deg", "other_fppa_deg", "hips_legs", "standing_fppa_deg"),
        "back": (
            "fppa_deg", "other_fppa_deg", "other_lifted", "world_fppa_deg", "thigh_down_legs",
            "standing_fppa_deg",
        ),
    },
    "both": {
        "front": ("fppa_deg", "other_fppa_deg", "hips_legs", "standing_fppa_deg"),
        "back": (
            "fppa_deg", "other_fppa_deg", "other_lifted", "world_fppa_deg", "thigh_down_legs",
        ),
    },
}  # fmt: skip
"""What an offset is a linear form of, by looks and view: chosen on bodies left out in turn."""
OF_MORE_PICTURES = ("standing_fppa_deg", "world_fppa_deg")
"""What a clip tells from more pictures, and so with less noise, than stills do."""
OF_STANDING = ("hips_legs", "standing_fppa_deg")
"""What is known only of a body that was seen standing still: its angle, and its true length."""
_ROUNDS, _TRIMMED_AT_RMS = 4, 3.5
_ALIKE_FLEXION_DEG, _ALIKE_DEG = 15.0, 10.0
_LEAST_DEG, _MOST_DEG = -15.0, 105.0
_PEOPLE_FACTOR, _OTHER_CLIPS_DEG = 1.15, 1.0
ROOT = Path(__file__).parents[2]
OFFSETS = ROOT / "landing_analysis" / "data" / "offsets.json"
TABLE = Path(__file__).with_name("bodies.md")


# --- fitting ---------------------------------------------------------------------------------


def fit_form(rows: Sequence[Row], names: Sequence[str], sds_deg: dict[Part, float]) -> Form:
    """Fit a linear form by least squares, and again without the rows it misses by far.

    Parameters
    ----------
    rows : of one view; still landings and moving ones count alike, however many they are. Stills
        have a constant of their own, and weights of `OF_MORE_PICTURES`, so that motion alone sets
        the form's; they set its slope on the reading, and widen its range
    names : of the features
    sds_deg : to be carried with the form
    """
    table, error = _table(rows, names), np.array([row.error_deg for row in rows])
    moving = np.array([row.moving for row in rows])
    own = [~moving * table[:, names.index(name)] for name in OF_MORE_PICTURES if name in names]
    design = np.column_stack([np.ones(len(rows)), table, ~moving, *own])
    known = np.isfinite(table).all(axis=1)
    root = np.where(moving, moving[known].sum(), (known & ~moving).sum()) ** -0.5
    kept = known
    for _ in range(_ROUNDS):
        scaled = design[kept] * root[kept, None], error[kept] * root[kept]
        coefficients = np.linalg.lstsq(*scaled, rcond=None)[0]
        left = error - design @ coefficients
        kept = known & (np.abs(left) < _TRIMMED_AT_RMS * _rms(left[kept]))
    least, most = table[kept].min(axis=0), table[kept].max(axis=0)
    constant, weights = float(coefficients[0]), coefficients[1 : 1 + len(names)]
    return Form(tuple(names), constant, weights, least, most, sds_deg)


def left_of_others(rows: Sequence[Row], names: Sequence[str]) -> FloatArray:
    """Return (n,) what is left of each row's error by forms fitted to other bodies."""
    bodies = sorted({row.member.number for row in rows})
    left = np.full(len(rows), np.nan)
    for body in bodies:
        held = np.array([row.member.number == body for row in rows])
        form = fit_form([row for row, out in zip(rows, held, strict=True) if not out], names, {})
        left[held] = left_of([row for row, out in zip(rows, held, strict=True) if out], form)
    return left


def parts_of(
    rows: Sequence[Row], left: FloatArray, clip_deg: float | None = None
) -> dict[Part, float]:
    """Split the errors of moving sets into four parts, as standard uncertainties.

    From the mean products of pairs of values. Two reps of a limb in one set share all but the
    posture, the two limbs of a set the person and the clip; what one limb shares in one shot of
    stills and not in two shots is the clip's, as the sets have too few second visits. Where
    ``clip_deg`` is given, that is the clip's.
    """
    moving = [index for index, row in enumerate(rows) if row.moving]
    still = [index for index, row in enumerate(rows) if not row.moving]
    everything = float(np.nanmean(left[moving] ** 2))
    of_set, of_sides, _ = _products(rows, left, moving)
    of_shot, _, of_shots = _products(rows, left, still)
    clip = min(max(of_shot - of_shots, 0.0), max(of_sides, 0.0))
    if clip_deg is not None:
        clip = clip_deg**2
    squares: dict[Part, float] = {
        "person": max(of_sides - clip, 0.0),
        "limb": max(of_set - max(of_sides, 0.0), 0.0),
        "clip": clip,
        "posture": max(everything - of_set, 0.0),
    }
    return {part: math.sqrt(square) for part, square in squares.items()}


def _products(
    rows: Sequence[Row], left: FloatArray, chosen: Sequence[int]
) -> tuple[float, float, float]:  # fmt: skip
    """Return mean products of one limb in one shot, of both limbs in one, of one limb in two."""
    of_set, of_sides, of_shots = [], [], []
    for group in _like_groups(rows, chosen):
        for i, j in combinations(group, 2):
            one, other = rows[i], rows[j]
            if _alike(one, other) and np.isfinite(left[[i, j]]).all():
                product = left[i] * left[j]
                if one.shot == other.shot:
                    (of_set if one.limb == other.limb else of_sides).append(product)
                elif one.limb == other.limb:
                    of_shots.append(product)
    return tuple(float(np.mean(found)) if found else 0.0 for found in (of_set, of_sides, of_shots))


def _like_groups(rows: Sequence[Row], chosen: Sequence[int]) -> Iterable[list[int]]:
    groups: dict[tuple[int, bool], list[int]] = {}
    for index in chosen:
        groups.setdefault((rows[index].member.number, rows[index].one_leg), []).append(index)
    return groups.values()


def _alike(one: Row, other: Row) -> bool:
    return one.moving or (
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
    "--sets", "moving", type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder of the sets; without it those that are kept stay.",
)  # fmt: skip


@main.command()
@_STILLS
def look(folder: Path) -> None:
    """Run the pose model on the stills, plain and mirrored; what was looked at is kept."""
    for member in CROWD:
        if keep_looks(folder / f"{member.name}.mp4"):
            click.echo(member.name)


@main.command()
@_STILLS
@_SETS
def freeze(folder: Path, moving: Path | None) -> None:
    """Keep what was seen of the stills, and of the sets of held-out bodies."""
    if moving:
        freeze_sets(moving)
    clips = ((number, folder / f"{one.name}.mp4") for number, one in enumerate(CROWD))
    freeze_shots([one for one in clips if one[1].with_suffix(".looks.npy").exists()], FROZEN)


@main.command()
def fit() -> None:
    """Fit the forms, write them into the package, and print what the readings themselves err by."""
    document: dict[str, Any] = {
        "made_by": "tests/accuracy/bodies.py; see tests/accuracy/methods/angles.md"
    }
    for looks, by_view in FORMS.items():
        rows = [row for row in all_rows(looks) if not row.held_out]
        document["bodies"] = len({row.member.number for row in rows})
        forms: dict[str, Any] = {"standing": {}, "without": {}}
        clip_deg = None
        for seen, names in by_view.items():
            of_view = [row for row in rows if row.view == seen]
            for kind, chosen in (("standing", names), ("without", without_standing(names))):
                # From the back there is one shot of each stance, and without standing stills tell
                # of their stance what sets do not show: the clip's part is the front's, standing.
                left = tame(left_of_others(of_view, chosen))
                sds_deg = parts_of(of_view, left, clip_deg)
                clip_deg = sds_deg["clip"]
                forms[kind][seen] = as_plain(fit_form(of_view, chosen, for_people(sds_deg)))
            as_read = parts_of(of_view, tame(np.array([row.error_deg for row in of_view])))
            parts = ", ".join(f"{part} {sd:.1f}" for part, sd in as_read.items())
            click.echo(f"{looks}, {seen}, as read: {parts} deg")
        document[looks] = forms
    write_text(OFFSETS, json.dumps(document, indent=1) + "\n")


def all_rows(looks: Looks) -> Iterator[Row]:
    """Yield the stills and the landings that were kept, of all bodies."""
    for shot in stored_shots():
        for row in rows_of_shot(shot, looks):
            if _LEAST_DEG < row.true_deg < _MOST_DEG:
                yield row
    yield from (as_row(landing, looks) for landing in read_landings(FROZEN_LANDINGS))


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
    return tuple(name for name in names if name not in OF_STANDING)


def for_people(sds_deg: dict[Part, float]) -> dict[Part, float]:
    """Widen what was measured on bodies that were drawn and filmed alike: others vary more.

    In everything a little, and in what both limbs share by what other drawn bodies in other clips
    (`matrix`, two for tuning) are read higher than these.
    """
    wider = {part: sd * _PEOPLE_FACTOR for part, sd in sds_deg.items()}
    wider["person"] = math.hypot(wider["person"], _OTHER_CLIPS_DEG)
    return wider


def as_plain(form: Form) -> dict[str, object]:
    rows = zip(form.names, form.weights, form.least, form.most, strict=True)
    return {
        "constant": round(form.constant, 4),
        "sds_deg": {part: round(sd, 3) for part, sd in form.sds_deg.items()},
        "features": {name: [round(float(x), 4) for x in numbers] for name, *numbers in rows},
    }


if __name__ == "__main__":
    main(prog_name="python -m tests.accuracy.bodies")
