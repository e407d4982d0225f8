"""What the pose model's FPPA errs by, learnt on many bodies; taken off a whole set or not at all.

The model's FPPA has a slope of some 0.8 on the truth (front; 0.7 from the back) and an offset that
is the body's own, so that no constant mends it. A linear form of the leg's own geometry does most
of it, and carries over to bodies it was not fitted to (tests/accuracy/methods/angles.md). It says
nothing of geometries that were not in the fit: a set that lies there is left as it was read.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from importlib.resources import files
from itertools import pairwise
from typing import Any, Literal, get_args

import numpy as np

from landing_analysis.maths.kinematics import fppa_deg
from landing_analysis.measures.geometry import (
    Bearings,
    Features,
    frontal_geometry,
    standing_feature,
    world_angle_deg,
)
from landing_analysis.reasons import Code, because
from landing_analysis.settings import MeasureSettings, OffsetSettings, Settings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    BoolArray,
    FloatArray,
    Landmarks,
    Limb,
    Note,
    Reps,
    Tracks,
    View,
    other_limb,
)
from landing_analysis.tracks.gravity import standing_frames

Seen = Literal["front", "back"]
Looks = Literal["plain", "both"]
"""One look a frame, or the mean of it and of one at the mirrored picture."""
Part = Literal["person", "limb", "clip", "posture"]
PARTS: tuple[Part, ...] = get_args(Part)
ByLimb = Mapping[Limb, FloatArray]
"""Degrees by limb, (n_frames,)."""


@dataclass(frozen=True)
class Sight:
    """What the pose model saw of a patient that tracks do not hold.

    Attributes
    ----------
    world_deg : FPPA of the world landmarks, NaN where there were none; of both limbs or empty
    second_look_deg : from `second_look_deg`, None where no mirrored picture was looked at
    """

    world_deg: ByLimb
    second_look_deg: ByLimb | None = None


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
        """Return (n_frames,) degrees to be added to a reading, as at the range's end beyond it."""
        table = np.clip(self._table(features), self.least, self.most)
        offset: FloatArray = self.constant + table @ self.weights
        return offset

    def is_inside(self, features: Features, beyond_share: float = 0.0) -> BoolArray:
        """Return (n_frames,) where all features lie in the range that was fitted.

        Or beyond its ends by no more than a share of it.
        """
        table, beyond = self._table(features), beyond_share * (self.most - self.least)
        with np.errstate(invalid="ignore"):
            within = (table >= self.least - beyond) & (table <= self.most + beyond)
        inside: BoolArray = np.all(within, axis=-1)
        return inside

    def _table(self, features: Features) -> FloatArray:
        return np.stack([features[name] for name in self.names], axis=-1)


@dataclass(frozen=True)
class Offsets:
    """All forms: by looks and view, with the angle in quiet standing and without it."""

    sha256: str
    standing: Mapping[tuple[Looks, Seen], Form]
    without: Mapping[tuple[Looks, Seen], Form]

    def form(self, seen: Seen, *, standing: bool, looks: Looks = "plain") -> Form:
        """Return the form for a view."""
        return (self.standing if standing else self.without)[looks, seen]


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
    standing, without = (
        {(looks, seen): _form(form)
         for looks in get_args(Looks) for seen, form in document[looks][kind].items()}
        for kind in ("standing", "without")
    )  # fmt: skip
    return Offsets(hashlib.sha256(text).hexdigest(), standing, without)


def offsets_sha256(view: View, settings: OffsetSettings) -> str | None:
    """Return the fingerprint of the coefficients for a view, None where none are named."""
    name = _file(view, settings)
    return read_offsets(name).sha256 if name else None


def _file(view: View, settings: OffsetSettings) -> str:
    return {"front": settings.front_file, "back": settings.back_file}.get(view, "")


def _form(entry: dict[str, Any]) -> Form:
    rows = entry["features"]
    weights, least, most = np.array([rows[name] for name in rows], dtype=float).T
    return Form(tuple(rows), entry["constant"], weights, least, most, entry["sds_deg"])


@dataclass(frozen=True)
class SetOffset:
    """What is added to the FPPAs of one set: to those of both limbs, or to none.

    Attributes
    ----------
    deg : by limb, (n_frames,) degrees, NaN where landmarks are missing; empty for none
    sds_deg : what the angles then err by, as standard uncertainties, by whose it is
    is_outside : coefficients are named, but the set lies outside what they were fitted to
    """

    deg: Mapping[Limb, FloatArray]
    sds_deg: Mapping[Part, float]
    is_outside: bool = False

    def at(self, limb: Limb, frames: tuple[int, ...]) -> float | None:
        """Return the mean over some frames, None where nothing is taken off."""
        return float(self.throughout_deg[limb][list(frames)].mean()) if self.deg else None

    @cached_property
    def throughout_deg(self) -> ByLimb:
        """By limb (n_frames,) degrees, the nearest known one where none is."""
        return {
            limb: _filled(deg) if np.isfinite(deg).any() else deg for limb, deg in self.deg.items()
        }


def sight_of(filmed: Landmarks, mirrored_px: FloatArray | None, view: View) -> Sight:
    """Gather what was seen of a patient in a front or back view.

    Parameters
    ----------
    filmed : the patient's landmarks as filmed
    mirrored_px : as for `second_look_deg`, None where no mirrored picture was looked at
    view : any
    """
    return Sight(
        {limb: world_angle_deg(filmed.world_m, limb, view == "back") for limb in LIMBS},
        None if mirrored_px is None else second_look_deg(filmed.xy_px, mirrored_px, view),
    )


def second_look_deg(filmed_px: FloatArray, mirrored_px: FloatArray, view: View) -> ByLimb:
    """Return by limb (n_frames,) what a look at the mirrored picture adds to an FPPA.

    Parameters
    ----------
    filmed_px, mirrored_px : (n_frames, 33, 2) landmarks of the plain and of the mirrored picture,
        turned back; the mean of both is read
    view : front or back

    Returns
    -------
    Degrees to be added to the angle of the plain look, NaN where there was one look alone.
    """
    mean_px, from_behind = (filmed_px + mirrored_px) / 2, view == "back"

    def angle_deg(points_px: FloatArray, limb: Limb) -> FloatArray:
        hip, knee, ankle = (
            points_px[:, LANDMARK[f"{limb}_{part}"]] for part in ("hip", "knee", "ankle")
        )
        return fppa_deg(hip, knee, ankle, limb, from_behind)

    return {limb: angle_deg(mean_px, limb) - angle_deg(filmed_px, limb) for limb in LIMBS}


def set_offset(
    reps: Reps,
    tracks: Tracks,
    view: View,
    settings: Settings,
    sight: Sight | None = None,
) -> SetOffset:
    """Work out what is to be added to the FPPAs of a set in a front or back view.

    Parameters
    ----------
    reps : whose used ones, of the set's exercise, decide whether the set lies inside
    tracks : Tracks; the low-passed ones are used, an offset is smooth
    view : any; there are offsets of front and back views of a body that stands
    settings : Settings
    sight : what tracks do not hold, None where that is not known; a second look is used where
        there was one in every landing

    Returns
    -------
    SetOffset
        One decision for all reps and both limbs, so that reps and limbs stay comparable: taken
        off where, of each landing limb, ``offsets.inside_share`` of the frames on the ground lie
        inside the range that was fitted, or little beyond. What lies beyond gets the offset of the
        range's end.
    """
    name = _file(view, settings.offsets)
    landings = _landings(reps, tracks, view)
    seen: Seen = "back" if view == "back" else "front"
    as_read = SetOffset({}, errors_as_read(seen, settings.measures))
    if not name or not landings or tracks.turns:
        return as_read
    plain = replace(sight, second_look_deg=None) if sight else None
    added_deg = _known_in_all(sight.second_look_deg, landings) if sight else {}
    if sight and added_deg:
        both = _inside(landings, tracks, seen, settings, replace(sight, second_look_deg=added_deg))
        if both:
            return both
    return _inside(landings, tracks, seen, settings, plain) or replace(as_read, is_outside=True)


def _inside(
    landings: Mapping[Limb, Sequence[BoolArray]],
    tracks: Tracks,
    seen: Seen,
    settings: Settings,
    sight: Sight | None,
) -> SetOffset | None:
    """Return the offset by plain looks, or by both, or None where a limb lies outside the fit."""
    legs = leg_features(tracks, seen, settings, sight)
    added_deg = (sight.second_look_deg if sight else None) or {}
    standing = all("standing_fppa_deg" in features for features in legs.values())
    looks: Looks = "both" if added_deg else "plain"
    name = settings.offsets.back_file if seen == "back" else settings.offsets.front_file
    form = read_offsets(name).form(seen, standing=standing, looks=looks)
    if not all(name in features for name in form.names for features in legs.values()):
        return None
    deg = {
        limb: form.offset_deg(features) + added_deg.get(limb, 0.0)
        for limb, features in legs.items()
    }
    for limb, of_limb in landings.items():
        inside = form.is_inside(legs[limb], settings.offsets.beyond_share)
        landed = inside[np.any(of_limb, axis=0) & np.isfinite(deg[limb])]
        if not len(landed) or landed.mean() < settings.offsets.inside_share:
            return None
    return SetOffset(deg, form.sds_deg)


def offset_notes(offset: SetOffset) -> tuple[Note, ...]:
    """Say that the FPPAs of a set are corrected, or why they are not."""
    if offset.is_outside:
        return (Note("knee angle", "limited", (because(Code.FPPA_OUTSIDE_FIT),)),)
    return (Note("knee angle", "good", (because(Code.FPPA_CORRECTED),)),) if offset.deg else ()


def errors_as_read(seen: Seen, settings: MeasureSettings) -> dict[Part, float]:
    """Return what an FPPA errs by that is left as it was read, as standard uncertainties."""
    errors = settings.fppa_back if seen == "back" else settings.fppa_front
    return {
        "person": errors.person_sd_deg,
        "limb": errors.limb_sd_deg,
        "clip": errors.clip_sd_deg,
        "posture": errors.posture_sd_deg,
    }


def leg_features(
    tracks: Tracks, seen: Seen, settings: Settings, sight: Sight | None = None
) -> dict[Limb, Features]:
    """Return what the offset goes by, of both limbs and frame by frame.

    ``standing_fppa_deg`` is among it where quiet standing is seen for long enough, and
    ``world_fppa_deg`` where there are world landmarks. A second look, known in all frames, is
    added to the angles, those of the other limb among them.
    """
    standing = quiet_standing(tracks, settings)
    known = bool(standing.sum() >= settings.offsets.fewest_standing_frames)
    bearings = Bearings(tracks.down, _standing_leg_px(tracks, standing) if known else tracks.leg_px)
    added_deg = (sight.second_look_deg if sight else None) or {}
    world_deg = _own_world_deg(sight, tracks.swapped) if sight else {}
    legs: dict[Limb, Features] = {}
    for limb in LIMBS:
        leg = legs[limb] = frontal_geometry(tracks.xy_px, limb, seen == "back", bearings)
        leg["fppa_deg"] = leg["fppa_deg"] + added_deg.get(limb, 0.0)
        other_deg = added_deg.get(other_limb(limb), 0.0)
        leg["other_fppa_deg"] = leg["other_fppa_deg"] + other_deg * (1.0 - leg["other_lifted"])
        if limb in world_deg:
            leg["world_fppa_deg"] = world_deg[limb]
        if known:
            legs[limb] |= standing_feature(legs[limb], standing)
    return legs


def _own_world_deg(sight: Sight, swapped: BoolArray) -> dict[Limb, FloatArray]:
    """Return the angles of the world landmarks of the limbs that tracks say they are.

    Empty where there are none; between frames that have them as well.
    """
    if not sight.world_deg:
        return {}
    left, right = (sight.world_deg[limb] for limb in LIMBS)
    # A leg taken for the other one shows its angle with the other sign.
    own: dict[Limb, FloatArray] = {
        "left": np.where(swapped, -right, left), "right": np.where(swapped, -left, right)
    }  # fmt: skip
    return {limb: _filled(deg) for limb, deg in own.items() if np.isfinite(deg).any()}


def _filled(deg: FloatArray) -> FloatArray:
    known = np.isfinite(deg)
    return np.interp(np.arange(len(deg)), np.flatnonzero(known), deg[known])


def _known_in_all(
    second_look: ByLimb | None, landings: Mapping[Limb, Sequence[BoolArray]]
) -> ByLimb:
    """Return a second look frame by frame, between those that were taken as well.

    Empty where a landing had none.
    """
    if second_look is None:
        return {}
    known = {limb: np.isfinite(deg) for limb, deg in second_look.items()}
    if not all((known[limb] & landing).any() for limb in landings for landing in landings[limb]):
        return {}
    return {limb: _filled(deg) for limb, deg in second_look.items() if known[limb].any()}


def _landings(reps: Reps, tracks: Tracks, view: View) -> dict[Limb, list[BoolArray]]:
    """Return by limb, for each of the set's reps, (n_frames,) from initial contact to lowest."""
    found: dict[Limb, list[BoolArray]] = {}
    for rep in reps.reps:
        of_set = rep.used and rep.exercise == reps.exercise and rep.view in (None, view)
        if not of_set or rep.peak_flexion_s is None:
            continue
        for contact in rep.contacts:
            landing = (tracks.t_s >= contact.initial_contact.t_s) & (
                tracks.t_s <= rep.peak_flexion_s
            )
            found.setdefault(contact.limb, []).append(landing)
    return found


def quiet_standing(tracks: Tracks, settings: Settings) -> BoolArray:
    """Return (n_frames,) where the body stands still on two straight legs."""
    still = standing_frames(tracks, settings.gravity)
    if not still.any():
        return still
    reach_px = np.min([_leg_px(tracks, limb, ("hip", "ankle")) for limb in LIMBS], axis=0)
    # From the front legs in flight look up to a tenth longer than those that stand.
    longest_px = float(np.nanmax(np.where(still, reach_px, 0.0)))
    if longest_px < settings.offsets.least_standing_share * tracks.leg_px:
        return np.zeros_like(still)
    with np.errstate(invalid="ignore"):
        standing: BoolArray = still & (reach_px > settings.offsets.straight_share * longest_px)
    return standing


def _standing_leg_px(tracks: Tracks, standing: BoolArray) -> float:
    """Return the length of the longer leg as it stands."""
    return float(max(np.median(_leg_px(tracks, limb)[standing]) for limb in LIMBS))


def _leg_px(
    tracks: Tracks, limb: Limb, names: tuple[str, ...] = ("hip", "knee", "ankle")
) -> FloatArray:
    """Return (n_frames,) the way along some points of a leg."""
    points = [tracks.xy_px[:, LANDMARK[f"{limb}_{name}"]] for name in names]
    steps = [np.linalg.norm(last - first, axis=1) for first, last in pairwise(points)]
    length: FloatArray = np.sum(steps, axis=0)
    return length
