"""Every limb of every still landing that was looked at: what is true of it, and what is read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

import numpy as np
from drawn_rooms import packed, unpacked
from synthetic_patients.crowd import CROWD, Member

from landing_analysis.measures.alignment import read_shape
from landing_analysis.measures.geometry import (
    Bearings,
    Features,
    frontal_geometry,
    standing_feature,
    world_angle_deg,
)
from landing_analysis.measures.offsets import Form, Looks, Seen
from landing_analysis.settings import AlignmentSettings
from landing_analysis.tables import LANDMARK, LIMBS, N_LANDMARKS, FloatArray, Limb, Tracks
from landing_analysis.tracks.cleaning import leg_length_px

FROZEN = Path(__file__).parents[1] / "frozen" / "many_bodies.npz"
KEPT = [
    LANDMARK[f"{limb}_{part}"]
    for part in ("shoulder", "hip", "knee", "ankle", "heel", "toe")
    for limb in LIMBS
]
LOOKS: tuple[Looks, ...] = get_args(Looks)
VIEWS: tuple[Seen, ...] = get_args(Seen)
_PX, _M, _DEG = 10.0, 1000.0, 100.0
"""What whole numbers are kept of a pixel, a metre and a degree."""


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
    def held_out(self) -> bool:
        """Whether its body is only quoted."""
        return self.member.split == "held_out"

    @property
    def error_deg(self) -> float:
        """What has to be added to the reading."""
        return self.true_deg - self.read_deg


@dataclass(frozen=True)
class Shot:
    """The stills of one camera and stance, with what the pose model saw.

    Attributes
    ----------
    looked_px : (n, 2, 33, 2) of the picture as it is, and mirrored and turned back
    world_m : (n, 33, 3) of the picture as it is
    standing, one_leg : (n,) booleans
    truth_deg : (n, 2, 2) FPPA and flexion of both limbs, left first
    """

    member: Member
    number: int
    view: Seen
    looked_px: FloatArray
    world_m: FloatArray
    standing: np.ndarray
    one_leg: np.ndarray
    truth_deg: FloatArray


def leg_numbers(
    looked_px: FloatArray, world_m: FloatArray, limb: Limb, view: str, looks: Looks
) -> Features:
    """Return, frame by frame, what the package goes by (`offsets.leg_features`).

    Parameters
    ----------
    looked_px, world_m : (n, 2, 33, 2) and (n, 33, 3), see `Shot`
    limb, view, looks : the angles of both limbs are of the mean of both looks, where both are
        asked for; all else is of the plain one
    """
    behind, plain_px = view == "back", looked_px[:, 0]
    bearings = Bearings(np.array([0.0, 1.0]), leg_length_px(plain_px))
    numbers = frontal_geometry(plain_px, limb, behind, bearings)
    numbers["world_fppa_deg"] = world_angle_deg(world_m, limb, behind)
    if looks == "both":
        mean = frontal_geometry(looked_px.mean(axis=1), limb, behind, bearings)
        numbers |= {name: mean[name] for name in ("fppa_deg", "other_fppa_deg")}
    return numbers


def rows_of_shot(shot: Shot, looks: Looks = "plain") -> Iterator[Row]:
    """Read one shot as a clip is read; what a clip would refuse is left out."""
    tracks, settings = _tracks(shot.looked_px[:, 0]), AlignmentSettings()
    for limb in LIMBS:
        features = leg_numbers(shot.looked_px, shot.world_m, limb, shot.view, looks)
        features |= standing_feature(features, shot.standing & ~shot.one_leg)
        shape = read_shape(tracks, limb, settings)
        read_deg = features["fppa_deg"]
        true_deg = shot.truth_deg[:, LIMBS.index(limb)]
        known = np.isfinite(true_deg[:, 0]) & np.isfinite(read_deg) & ~shot.standing
        known &= shape.gain <= settings.most_turn_gain
        known &= shape.over_foot_deg <= settings.most_over_foot_deg
        for i in np.flatnonzero(known):
            yield Row(
                shot.member, shot.view, shot.number, limb, bool(shot.one_leg[i]),
                float(true_deg[i, 1]), float(true_deg[i, 0]), float(read_deg[i]),
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


# --- what is kept ------------------------------------------------------------------------------


def freeze_shots(clips: Iterable[tuple[int, Path]], path: Path) -> None:
    """Keep what was seen of the stills of some bodies, with its truth.

    Parameters
    ----------
    clips : number of a body, and its clip; ``.looks.npy`` and ``.truth.npz`` lie beside it
    path : to be written
    """
    kept: dict[str, list[np.ndarray]] = {}
    for number, clip in clips:
        looks = np.load(clip.with_suffix(".looks.npy"))[:, :, KEPT].swapaxes(0, 1)
        with np.load(clip.with_suffix(".truth.npz")) as truth:
            frontal = np.isin(truth["view"], VIEWS)
            rows = {
                "body": np.full(frontal.sum(), number, np.uint8),
                "shot": truth["shot"][frontal].astype(np.uint8),
                "behind": truth["view"][frontal] == "back",
                "standing": truth["standing"][frontal].astype(bool),
                "one_leg": truth["one_leg"][frontal].astype(bool),
                "points_px": packed(looks[frontal, ..., :2], _PX),
                "world_m": packed(looks[frontal, 0, :, 2:], _M),
                "truth_deg": packed(truth["truth"][frontal, :, :2], _DEG),
            }
        for name, values in rows.items():
            kept.setdefault(name, []).append(values)
    np.savez_compressed(path, **{name: np.concatenate(rows) for name, rows in kept.items()})


def stored_shots(path: Path = FROZEN) -> Iterator[Shot]:
    """Yield the shots that `freeze_shots` kept."""
    with np.load(path) as stored:
        table = dict(stored)
    looked_px = on_all(unpacked(table["points_px"], _PX))
    world_m = on_all(unpacked(table["world_m"], _M))
    for body, number in sorted(set(zip(table["body"], table["shot"], strict=True))):
        of = (table["body"] == body) & (table["shot"] == number)
        yield Shot(
            CROWD[body], int(number), "back" if table["behind"][of][0] else "front",
            looked_px[of], world_m[of], table["standing"][of], table["one_leg"][of],
            unpacked(table["truth_deg"][of], _DEG),
        )  # fmt: skip


def on_all(kept: FloatArray) -> FloatArray:
    """Put the kept landmarks in their places: (..., 33, k), NaN elsewhere."""
    whole = np.full((*kept.shape[:-2], N_LANDMARKS, kept.shape[-1]), np.nan)
    whole[..., KEPT, :] = kept
    return whole


def left_of(rows: Sequence[Row], form: Form) -> FloatArray:
    """Return (n,) what a form leaves of each row's error, NaN outside its range."""
    features = {name: np.array([row.features[name] for row in rows]) for name in form.names}
    left = np.array([row.error_deg for row in rows]) - form.offset_deg(features)
    inside: FloatArray = np.where(form.is_inside(features), left, np.nan)
    return inside
