"""How large a body is, by the picture's own scale, and how it is shared out. Pure.

Free fall gives the picture's metres (`gravity`), so a leg's length in them is the body's own and
no matter of distance or zoom. It says whether two clips can be of one person, and nothing else.
"""

from __future__ import annotations

import numpy as np

from landing_analysis.definitions import GRAVITY_M_S2
from landing_analysis.settings import BodySettings
from landing_analysis.tables import LANDMARK, BodySize, Tracks
from landing_analysis.tracks.gravity import FreeFall

_SHOULDERS = [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]
_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]


def body_size(tracks: Tracks, free_fall: FreeFall | None, settings: BodySettings) -> BodySize:
    """Measure a body by its free fall.

    Parameters
    ----------
    tracks : Tracks, as filmed or of a still camera
    free_fall : None when no flight is long enough, or while the clip's clock is in doubt
    settings : BodySettings

    Returns
    -------
    BodySize
        The leg is the straight one, hip to ankle; the trunk, middle of the hips to middle of the
        shoulders, is taken where it is long in the picture, so that leaning hardly shortens it.
    """
    leg_m = leg_sd_m = float("nan")
    if free_fall is not None:
        px_per_m = float(np.linalg.norm(free_fall.acceleration_px_s2)) / GRAVITY_M_S2
        leg_m = tracks.leg_px / px_per_m
        leg_sd_m = free_fall.size_sd * leg_m
    trunk = tracks.xy_px[:, _SHOULDERS].mean(axis=1) - tracks.xy_px[:, _HIPS].mean(axis=1)
    lengths = np.linalg.norm(trunk, axis=1)
    seen = lengths[np.isfinite(lengths)]
    trunk_px = float(np.percentile(seen, settings.upright_pct)) if len(seen) else float("nan")
    return BodySize(leg_m, leg_sd_m, trunk_px / tracks.leg_px, settings.trunk_per_leg_sd)


def differ_visibly(one: BodySize, other: BodySize, settings: BodySettings) -> bool:
    """Return whether two bodies are hardly one person's: in leg length, or in trunk over leg.

    Notes
    -----
    The part of the free fall's uncertainty that is the body's own (`GravitySettings.body_share`)
    is counted as if it were new in each clip, so that small differences are never noted.
    """
    with np.errstate(invalid="ignore"):
        leg_sd = np.hypot(one.leg_sd_m / one.leg_m, other.leg_sd_m / other.leg_m)
        leg_apart = abs(np.log(one.leg_m / other.leg_m)) / leg_sd
        trunk_sd = np.hypot(one.trunk_per_leg_sd, other.trunk_per_leg_sd)
        trunk_apart = abs(one.trunk_per_leg - other.trunk_per_leg) / trunk_sd
    return bool(max(np.nan_to_num([leg_apart, trunk_apart])) > settings.apart_sds)
