"""Every limb of every still landing that was looked at: what is true of it, and what is read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from synthetic_patients.crowd import CROWD, Member

from landing_analysis.measures.alignment import read_shape
from landing_analysis.measures.geometry import Bearings, frontal_geometry, standing_feature
from landing_analysis.measures.offsets import Form, Seen
from landing_analysis.settings import AlignmentSettings
from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, FloatArray, Limb, Tracks
from landing_analysis.tracks.cleaning import leg_length_px

FROZEN = Path(__file__).parents[1] / "frozen" / "many_bodies.npz"
KEPT = [
    LANDMARK[f"{limb}_{part}"]
    for part in ("shoulder", "hip", "knee", "ankle", "heel", "toe")
    for limb in LIMBS
]
FEATURES: dict[Seen, tuple[str, ...]] = {
    "front": ("fppa_deg", "other_lifted", "standing_fppa_deg"),
    "back": ("fppa_deg", "other_lifted", "thigh_down_legs", "standing_fppa_deg"),
}
"""What the offset is a linear form of, by view: the fewest that do nearly as well as all that were
tried, on bodies that were left out in turn."""


@dataclass(frozen=True)
class Row:
    """One limb in one still or rep: what is true, what is read, and how the leg lies.

    The shots of moving sets have numbers below 0.
    """

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
    def moving(self) -> bool:
        """Whether it is of a moving set."""
        return self.shot < 0

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
        features |= standing_feature(features, standing & ~truth["one_leg"])
        shape = read_shape(tracks, limb, settings)
        read_deg = features["fppa_deg"]
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


def stored_shots(path: Path) -> Iterator[tuple[Member, int, FloatArray, dict[str, np.ndarray]]]:
    """Yield the shots that `freeze` kept, as `rows_of_shot` takes them."""
    with np.load(path) as stored:
        table = dict(stored)
    points_px = np.full((len(table["body"]), N_LANDMARKS, 2), np.nan)
    points_px[:, KEPT] = table["points_px"]
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


def left_of(rows: Sequence[Row], form: Form) -> FloatArray:
    """Return (n,) what a form leaves of each row's error, NaN outside its range."""
    features = {name: np.array([row.features[name] for row in rows]) for name in form.names}
    left = np.array([row.error_deg for row in rows]) - form.offset_deg(features)
    inside: FloatArray = np.where(form.is_inside(features), left, np.nan)
    return inside
