"""How the pose model's FPPA errs from body to body: looked at, fitted, scored.

Run from the project's root, with the stills made first (`sample_clips/README.md`):

    python -m tests.accuracy.bodies look --stills build/stills     an hour of one core
    python -m tests.accuracy.bodies fit --stills build/stills      writes data/offsets.json
    python -m tests.accuracy.bodies freeze --stills build/stills   for tests/frozen

``fit`` uses the bodies of the split ``fit``; what it prints and writes to ``bodies.md`` is of
``held_out``. The form was chosen on ``choose``.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import click
import numpy as np

sys.path.append(str(Path(__file__).parents[2] / "sample_clips"))

from synthetic_patients.crowd import CROWD, Member

from landing_analysis.files import write_text
from landing_analysis.landmarks.pose import find_poses
from landing_analysis.maths.statistics import Z_95
from landing_analysis.measures.alignment import read_shape
from landing_analysis.measures.geometry import (
    PER_ANGLE_DEG,
    Bearings,
    frontal_geometry,
    standing_features,
)
from landing_analysis.measures.offsets import Form, Part, Seen
from landing_analysis.settings import AlignmentSettings, PoseSettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    N_LANDMARKS,
    FloatArray,
    Limb,
    Tracks,
)
from landing_analysis.tracks.cleaning import leg_length_px
from landing_analysis.video.clips import read_clip, read_frames

_ROUNDS, _TRIMMED_AT_RMS = 4, 3.5
_RIDGE, _LEAST_SCALE = 0.1, 1e-9
_FOLDS = 10
_ALIKE_FLEXION_DEG, _ALIKE_DEG = 15.0, 10.0
_LEAST_DEG, _MOST_DEG = -15.0, 105.0
_PEOPLE_FACTOR = 1.15
ROOT = Path(__file__).parents[2]
OFFSETS = ROOT / "landing_analysis" / "data" / "offsets.json"
FROZEN = ROOT / "tests" / "frozen" / "many_bodies.npz"
_STORED = (
    "body", "shot", "standing", "one_leg", "behind", "points_px", "fppa_deg", "flexion_deg"
)  # fmt: skip
_KEPT = [
    LANDMARK[f"{limb}_{part}"]
    for part in ("shoulder", "hip", "knee", "ankle", "heel", "toe")
    for limb in LIMBS
]
TABLE = Path(__file__).with_name("bodies.md")
_LEG = ("thigh_x", "thigh_y", "shank_x", "shank_y", "foot_x", "foot_y", "trunk_x", "trunk_y")
_FRONTAL = (
    "fppa", "fppa_fppa", "fppa_thigh_y", "fppa_shank_y", "fppa_hips_x", *_LEG,
    "hips_x", "hips_y", "shoulders_x", "shoulders_y", "ankles_x", "ankles_y", "other_lifted",
    "other_fppa", "other_thigh_x", "other_thigh_y", "other_shank_x", "other_shank_y",
    "standing_fppa", "standing_other_fppa",
)  # fmt: skip
FEATURES: dict[Seen, tuple[str, ...]] = {"front": _FRONTAL, "back": _FRONTAL}
"""What the offset is a linear form of, by view; chosen on the split ``choose``."""


@dataclass(frozen=True)
class Row:
    """One limb in one still: what is true, what is read, and how the leg lies."""

    member: Member
    view: str
    shot: int
    limb: Limb
    one_leg: bool
    flexion_deg: float
    true_deg: float
    read_deg: float
    features: dict[str, float]

    @property
    def error_deg(self) -> float:
        """What has to be added to the reading."""
        return self.true_deg - self.read_deg


def read_rows(folder: Path) -> list[Row]:
    """Return every limb of every still that was looked at, but for those in quiet standing."""
    return [
        row
        for member in CROWD
        if (folder / f"{member.name}.marks.npy").exists()
        for row in _rows_of(member, folder)
    ]


def _rows_of(member: Member, folder: Path) -> Iterator[Row]:
    marks = np.load(folder / f"{member.name}.marks.npy").astype(float)
    with np.load(folder / f"{member.name}.truth.npz") as stored:
        truth = dict(stored)
    for shot in np.unique(truth["shot"]):
        of_shot = truth["shot"] == shot
        yield from rows_of_shot(
            member, int(shot), marks[of_shot, :, :2], {k: v[of_shot] for k, v in truth.items()}
        )


def rows_of_shot(
    member: Member, shot: int, points_px: FloatArray, truth: dict[str, np.ndarray]
) -> Iterator[Row]:
    """Read one shot as a clip is read; what a clip would refuse is left out."""
    view, standing = str(truth["view"][0]), truth["standing"]
    if view not in FEATURES:
        return
    tracks, settings = _tracks(points_px), AlignmentSettings()
    for limb in LIMBS:
        bearings = Bearings(tracks.down, tracks.leg_px)
        features = frontal_geometry(tracks.xy_px, limb, view == "back", bearings)
        features |= standing_features(features, standing & ~truth["one_leg"])
        shape = read_shape(tracks, limb, settings)
        read_deg = PER_ANGLE_DEG * features["fppa"]
        true_deg = truth["truth"][:, LIMBS.index(limb)]
        known = np.isfinite(true_deg[:, 0]) & np.isfinite(read_deg) & ~standing
        known &= shape.gain <= settings.most_turn_gain
        known &= shape.over_foot_deg <= settings.most_over_foot_deg
        for i in np.flatnonzero(known):
            yield Row(
                member, view, shot, limb, bool(truth["one_leg"][i]), float(true_deg[i, 1]),
                float(true_deg[i, 0]), float(read_deg[i]),
                {name: float(value[i]) for name, value in features.items()},
            )  # fmt: skip


def _tracks(points_px: FloatArray) -> Tracks:
    """Return stills as if they were the frames of a clip, neither smoothed nor repaired."""
    frames = len(points_px)
    unknown = np.zeros((frames, N_LANDMARKS), dtype=bool)
    leg_px = leg_length_px(points_px)
    return Tracks(
        t_s=np.arange(frames) / 30.0, raw_px=points_px, xy_px=points_px,
        visibility=np.ones(unknown.shape), filled=unknown, swapped=unknown[:, 0],
        noise_px=np.zeros(N_LANDMARKS), cutoff_hz=15.0, rate_hz=30.0, down=np.array([0.0, 1.0]),
        down_sd_deg=4.0, leg_px=leg_px, px_per_m=leg_px / 0.85, px_per_m_sd=0.0,
    )  # fmt: skip


# --- fitting ---------------------------------------------------------------------------------


def fit_form(rows: Sequence[Row], names: Sequence[str], sds_deg: dict[Part, float]) -> Form:
    """Fit a linear form by ridge regression, and again without the rows it misses by far.

    Parameters
    ----------
    rows : of one view
    names : of the features
    sds_deg : to be carried with the form
    """
    table, error = _table(rows, names), np.array([row.error_deg for row in rows])
    kept = np.ones(len(rows), dtype=bool)
    for _ in range(_ROUNDS):
        constant, weights = _ridge(table[kept], error[kept])
        left = error - constant - table @ weights
        kept = np.abs(left) < _TRIMMED_AT_RMS * _rms(left[kept])
    least, most = table[kept].min(axis=0), table[kept].max(axis=0)
    return Form(tuple(names), constant, weights, least, most, sds_deg)


def _ridge(table: FloatArray, error: FloatArray) -> tuple[float, FloatArray]:
    mean, scale = table.mean(axis=0), table.std(axis=0) + _LEAST_SCALE
    design = (table - mean) / scale
    penalty = _RIDGE * len(design) * np.eye(design.shape[1])
    weights = np.linalg.solve(design.T @ design + penalty, design.T @ (error - error.mean()))
    weights = weights / scale
    return float(error.mean() - mean @ weights), weights


def left_of(rows: Sequence[Row], form: Form) -> FloatArray:
    """Return (n,) what a form leaves of each row's error, NaN outside its range."""
    features = {name: np.array([row.features[name] for row in rows]) for name in form.names}
    return np.array([row.error_deg for row in rows]) - form.offset_deg(features)


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
    """Split what is left into four parts, as standard uncertainties.

    From the mean products of pairs of values in like postures, as the reps of a set are:
    those of two limbs in two shots share the person, of one limb in two shots the limb as
    well, of two limbs in one shot the person and the clip.
    """
    products: dict[tuple[bool, bool], list[float]] = {}
    for group in _like_groups(rows):
        for i, j in combinations(group, 2):
            one, other = rows[i], rows[j]
            if _alike(one, other) and np.isfinite(left[[i, j]]).all():
                key = (one.shot == other.shot, one.limb == other.limb)
                products.setdefault(key, []).append(left[i] * left[j])
    shared = {key: float(np.mean(values)) for key, values in products.items()}
    everything = float(np.nanmean(left**2))
    set_alike = shared[True, True]
    person = max(shared.get((False, False), 0.0), 0.0)
    limb = max(shared.get((False, True), person) - person, 0.0)
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
def freeze(folder: Path) -> None:
    """Keep what was seen of the held-out bodies for the tests."""
    kept: dict[str, list[np.ndarray]] = {name: [] for name in _STORED}
    for member in CROWD:
        if member.split != "held_out" or not (folder / f"{member.name}.marks.npy").exists():
            continue
        marks = np.load(folder / f"{member.name}.marks.npy")[:, _KEPT, :2]
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


def stored_shots(path: Path) -> Iterator[tuple[Member, int, FloatArray, dict[str, np.ndarray]]]:
    """Yield the shots that `freeze` kept, as `rows_of_shot` takes them."""
    with np.load(path) as stored:
        table = dict(stored)
    points_px = np.full((len(table["body"]), N_LANDMARKS, 2), np.nan)
    points_px[:, _KEPT] = table["points_px"]
    truth = {
        "view": np.where(table["behind"], "back", "front"),
        "standing": table["standing"].astype(bool),
        "one_leg": table["one_leg"].astype(bool),
        "truth": np.stack([table["fppa_deg"], table["flexion_deg"]], axis=-1),
    }
    for body, shot in sorted(set(zip(table["body"], table["shot"], strict=True))):
        chosen = (table["body"] == body) & (table["shot"] == shot)
        of_shot = {name: values[chosen] for name, values in truth.items()}
        yield CROWD[body], int(shot), points_px[chosen], of_shot


@main.command()
@_STILLS
def fit(folder: Path) -> None:
    """Fit the forms, write them into the package, and say what they leave."""
    rows = [row for row in read_rows(folder) if _LEAST_DEG < row.true_deg < _MOST_DEG]
    fitted = [row for row in rows if row.member.split != "held_out"]
    document: dict[str, object] = {
        "made_by": "tests/accuracy/bodies.py; see tests/accuracy/methods/angles.md",
        "bodies": len({row.member.number for row in fitted}),
        "standing": {}, "plain": {},
    }  # fmt: skip
    forms: dict[tuple[str, Seen], Form] = {}
    for seen, names in FEATURES.items():
        of_view = [row for row in fitted if row.view == seen]
        for kind, chosen in (("standing", names), ("plain", _without_standing(names))):
            sds_deg = parts_of(of_view, left_of_others(of_view, chosen))
            form = fit_form(of_view, chosen, _for_people(sds_deg))
            forms[kind, seen] = form
            document[kind][seen] = _as_plain(form)
    write_text(OFFSETS, json.dumps(document, indent=1) + "\n")
    table = scores_as_markdown(rows, forms)
    write_text(TABLE, table)
    click.echo(table)


def _without_standing(names: Sequence[str]) -> tuple[str, ...]:
    return tuple(name for name in names if not name.startswith("standing"))


def _for_people(sds_deg: dict[Part, float]) -> dict[Part, float]:
    """Widen what was measured on rendered bodies: real ones vary more."""
    return {part: sd * _PEOPLE_FACTOR for part, sd in sds_deg.items()}


def _as_plain(form: Form) -> dict[str, object]:
    rows = zip(form.names, form.weights, form.least, form.most, strict=True)
    return {
        "constant": round(form.constant, 4),
        "sds_deg": {part: round(sd, 3) for part, sd in form.sds_deg.items()},
        "features": {name: [round(float(x), 4) for x in numbers] for name, *numbers in rows},
    }


def scores_as_markdown(rows: Sequence[Row], forms: Mapping[tuple[str, Seen], Form]) -> str:
    """Write what is read and what is left on held-out bodies, with the coverage of the claim."""
    held = [row for row in rows if row.member.split == "held_out"]
    lines = [
        f"Held out: {len({row.member.number for row in held})} bodies.", "",
        "| | n | bias | RMS | slope | in range | left: bias | RMS | slope | shots RMS | in 95 % |",
        "|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]  # fmt: skip
    for seen in FEATURES:
        of_view = [row for row in held if row.view == seen]
        for kind in ("standing", "plain"):
            lines.append(_line(f"{seen}, {kind}", of_view, forms[kind, seen]))
        for label, chosen in _GROUPS.items():
            group = [row for row in of_view if chosen(row)]
            if group:
                lines.append(_line(f"{seen}, {label}", group, forms["standing", seen]))
    return "\n".join(lines) + "\n"


_GROUPS: dict[str, Callable[[Row], bool]] = {
    "two legs": lambda row: not row.one_leg,
    "one leg": lambda row: row.one_leg,
    "shorts and leggings": lambda row: row.member.clothes in ("shorts", "leggings"),
    "trousers": lambda row: "trousers" in row.member.clothes,
}


def _line(label: str, rows: Sequence[Row], form: Form) -> str:
    left, error = left_of(rows, form), np.array([row.error_deg for row in rows])
    inside = np.isfinite(left)
    true = np.array([row.true_deg for row in rows])
    claimed = math.hypot(*form.sds_deg.values())
    shots = [(row.member.number, row.shot, row.limb) for row in rows]
    means = [
        np.mean([x for x, s in zip(left, shots, strict=True) if s == shot and np.isfinite(x)])
        for shot in dict.fromkeys(s for s, x in zip(shots, left, strict=True) if np.isfinite(x))
    ]
    cells = [
        str(len(rows)),
        f"{-error.mean():+.1f}",
        f"{_rms(error):.2f}",
        f"{_slope(true, true - error):.2f}",
        f"{100 * inside.mean():.0f} %",
        f"{-left[inside].mean():+.1f}",
        f"{_rms(left):.2f}",
        f"{_slope(true[inside], (true - left)[inside]):.2f}",
        f"{_rms(np.array(means)):.2f}",
        f"{100 * np.mean(np.abs(left[inside]) < Z_95 * claimed):.0f} %",
    ]
    return f"| {label} | " + " | ".join(cells) + " |"


def _slope(true: FloatArray, told: FloatArray) -> float:
    return float(np.polyfit(true, told, 1)[0])


if __name__ == "__main__":
    main(prog_name="python -m tests.accuracy.bodies")
