"""What the pose model's knee angles err by, as learnt on many bodies; to be taken off. Pure.

The model's FPPA has a slope of some 0.8 on the truth and an offset that is the body's own, so
that no constant mends it. A linear form of the leg's own geometry does most of it, and carries
over to bodies it was not fitted to (tests/accuracy/methods/angles.md). It says nothing of
geometries that were not in the fit: there no offset is known.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal, get_args

import numpy as np

from landing_analysis.measures.geometry import (
    Bearings,
    Features,
    frontal_geometry,
    standing_features,
)
from landing_analysis.settings import Settings
from landing_analysis.tables import LANDMARK, LIMBS, BoolArray, FloatArray, Limb, Tracks, View
from landing_analysis.tracks.gravity import standing_frames

Seen = Literal["front", "back"]
Part = Literal["person", "limb", "clip", "posture"]
PARTS: tuple[Part, ...] = get_args(Part)


@dataclass(frozen=True)
class Form:
    """A linear form: offset = constant + weights . features, inside the range that was fitted.

    Attributes
    ----------
    names : of the features
    weights, least, most : (n,) in degrees per unit, and the ends of the range
    sds_deg : what is left, as standard uncertainties, by whose it is
    """

    names: tuple[str, ...]
    constant: float
    weights: FloatArray
    least: FloatArray
    most: FloatArray
    sds_deg: Mapping[Part, float]

    def offset_deg(self, features: Features) -> FloatArray:
        """Return (n_frames,) degrees to be added to a reading, NaN outside the range."""
        table = np.stack([features[name] for name in self.names], axis=-1)
        with np.errstate(invalid="ignore"):
            inside = ((table >= self.least) & (table <= self.most)).all(axis=-1)
        offset: FloatArray = np.where(inside, self.constant + table @ self.weights, np.nan)
        return offset


@dataclass(frozen=True)
class Offsets:
    """All forms: by view, with the angle in quiet standing and without it."""

    sha256: str
    standing: Mapping[Seen, Form]
    plain: Mapping[Seen, Form]

    def form(self, seen: Seen, *, standing: bool) -> Form:
        """Return the form for a view."""
        return (self.standing if standing else self.plain)[seen]


@cache
def read_offsets(name: str) -> Offsets:
    """Read a file of coefficients that comes with the package.

    Raises
    ------
    FileNotFoundError
        When there is no such file.
    """
    text = (files("landing_analysis") / "data" / name).read_bytes()
    document = json.loads(text)
    forms = {kind: {seen: _form(document[kind][seen]) for seen in get_args(Seen)}
             for kind in ("standing", "plain")}  # fmt: skip
    return Offsets(hashlib.sha256(text).hexdigest(), forms["standing"], forms["plain"])


def offsets_sha256(name: str) -> str | None:
    """Return the fingerprint of a file of coefficients, None where none is named."""
    return read_offsets(name).sha256 if name else None


def _form(entry: dict[str, Any]) -> Form:
    rows = entry["features"]
    weights, least, most = np.array([rows[name] for name in rows], dtype=float).T
    return Form(tuple(rows), entry["constant"], weights, least, most, entry["sds_deg"])


@dataclass(frozen=True)
class KnownOffset:
    """The offset of one limb's angle over a clip: (n_frames,) degrees, NaN where not known."""

    deg: FloatArray
    sds_deg: Mapping[Part, float]

    def at(self, frames: tuple[int, ...], inside_share: float) -> float | None:
        """Return the mean over some frames, None where too few of them know it."""
        chosen = self.deg[list(frames)]
        known = np.isfinite(chosen)
        return float(chosen[known].mean()) if known.mean() >= inside_share else None

    def throughout_deg(self) -> FloatArray:
        """Return (n_frames,) degrees without a jump where the offset is not known.

        There the nearest known one holds on; zeros where none is known.
        """
        known = np.flatnonzero(np.isfinite(self.deg))
        if not len(known):
            return np.zeros(len(self.deg))
        return np.interp(np.arange(len(self.deg)), known, self.deg[known])


def fppa_offset(tracks: Tracks, view: View, limb: Limb, settings: Settings) -> KnownOffset:
    """Work out the offset of a limb's FPPA in a front or back view.

    Parameters
    ----------
    tracks : Tracks; the low-passed ones are used, an offset is smooth
    view : front or back
    limb : the patient's own
    settings : Settings

    Returns
    -------
    KnownOffset, to be added to the angle in the picture
    """
    seen: Seen = "back" if view == "back" else "front"
    bearings = Bearings(tracks.down, tracks.leg_px)
    features = frontal_geometry(tracks.xy_px, limb, seen == "back", bearings)
    return _known(features, seen, tracks, settings)


def _known(features: Features, seen: Seen, tracks: Tracks, settings: Settings) -> KnownOffset:
    if not settings.offsets.file:
        return KnownOffset(np.full(len(tracks.t_s), np.nan), {})
    standing = _quiet_standing(tracks, settings)
    enough = bool(standing.sum() >= settings.offsets.fewest_standing_frames)
    if enough:
        features = features | standing_features(features, standing)
    form = read_offsets(settings.offsets.file).form(seen, standing=enough)
    return KnownOffset(form.offset_deg(features), form.sds_deg)


def _quiet_standing(tracks: Tracks, settings: Settings) -> BoolArray:
    """Return (n_frames,) where the body stands still on two straight legs."""
    still = standing_frames(tracks, settings.gravity)
    for limb in LIMBS:
        leg = tracks.xy_px[:, LANDMARK[f"{limb}_ankle"]] - tracks.xy_px[:, LANDMARK[f"{limb}_hip"]]
        with np.errstate(invalid="ignore"):
            still &= np.linalg.norm(leg, axis=1) > settings.offsets.straight_share * tracks.leg_px
    return still
