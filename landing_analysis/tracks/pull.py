"""Tracks -> Tracks: what pulls a lying body to the surface that its feet land on.

Cords along a sled pull with a share of gravity that nobody states. The flights say how much:
between take-off and landing nothing but the cords moves the carriage. The rails say where to: the
carriage goes to and fro on them, whatever legs and hips do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from landing_analysis.maths.signals import local_polynomial, within
from landing_analysis.settings import GravitySettings, LyingSettings
from landing_analysis.tables import LANDMARK, Contacts, FloatArray, Tracks
from landing_analysis.tracks.gravity import measure_free_fall

_BODY = [LANDMARK[n] for n in ("left_hip", "right_hip", "left_shoulder", "right_shoulder")]


def with_own_pull(
    tracks: Tracks,
    find: Callable[[Tracks], Contacts],
    lying: LyingSettings,
    gravity: GravitySettings,
) -> Tracks:
    """Read size and direction of the pull from the flights, and the flights by the pull, in turns.

    Parameters
    ----------
    tracks : of a lying body, stood up
    find : the search for contacts

    Returns
    -------
    Tracks
        With ``pull_m_s2`` and, where the trunk goes far enough, ``down`` along its way. The scale
        stays that of the leg's length: a pull that is not known measures no metre. Without flights
        the pull stays the first guess.
    """
    tracks = replace(
        tracks, pull_m_s2=_first_guess_m_s2(tracks, lying), down_sd_deg=lying.down_sd_deg
    )
    for _ in range(lying.rounds):
        contacts = find(tracks)
        fall = measure_free_fall(tracks, contacts, gravity)
        if fall is None:
            return tracks
        size_px_s2 = float(np.linalg.norm(fall.acceleration_px_s2))
        down, sd_deg = fall.acceleration_px_s2 / size_px_s2, fall.direction_sd_deg
        rails = along_rails(tracks, contacts, lying)
        if rails is not None:
            down, sd_deg = rails, lying.rails_sd_deg
        pull_m_s2 = float(fall.acceleration_px_s2 @ down) / tracks.px_per_m
        if not lying.least_pull_m_s2 < pull_m_s2 < lying.most_pull_m_s2:
            return tracks
        tracks = replace(
            tracks, pull_m_s2=pull_m_s2, down=down, down_sd_deg=min(sd_deg, lying.down_sd_deg)
        )
    return tracks


def along_rails(tracks: Tracks, contacts: Contacts, settings: LyingSettings) -> FloatArray | None:
    """Return (2,) the unit vector of the carriage's way, towards the feet.

    It is the line on which the trunk goes to and fro from the first take-off to the last landing.
    None where it does not go far enough along it, or strays from it too much.
    """
    edges_s = [e.t_s for f in contacts.flights for e in (f.take_off, f.landing) if e]
    if not edges_s:
        return None
    beside_s = settings.rails_beside_s
    trunk_px = tracks.raw_px[within(tracks.t_s, min(edges_s) - beside_s, max(edges_s) + beside_s)][
        :, _BODY
    ].mean(axis=1)
    trunk_px = trunk_px[np.isfinite(trunk_px).all(axis=1)]
    if len(trunk_px) < settings.fewest_rail_frames:
        return None
    _, spread, axes = np.linalg.svd(trunk_px - trunk_px.mean(axis=0), full_matrices=False)
    along_m = spread[0] / np.sqrt(len(trunk_px)) / tracks.px_per_m
    if along_m < settings.least_rail_m or spread[0] < settings.rail_straightness * spread[1]:
        return None
    rails: FloatArray = axes[0] if axes[0] @ tracks.down > 0 else -axes[0]
    return rails


def body_height_m(tracks: Tracks) -> FloatArray:
    """Return how far the middle of hips and shoulders is along ``down``, upwards, (n_frames,)."""
    height_m: FloatArray = -(tracks.raw_px[:, _BODY].mean(axis=1) @ tracks.down) / tracks.px_per_m
    return height_m


def _first_guess_m_s2(tracks: Tracks, settings: LyingSettings) -> float:
    """Return the usual acceleration towards the feet while the body moves along its own axis."""
    _, speed, acceleration = local_polynomial(
        tracks.t_s, body_height_m(tracks)[:, None], settings.pull_half_window_s, 2
    )
    with np.errstate(invalid="ignore"):
        falls = (np.abs(speed[:, 0]) > settings.moves_m_s) & (acceleration[:, 0] < 0)
    if not falls.any():
        return settings.usual_pull_m_s2
    usual = float(-np.median(acceleration[falls, 0]))
    return float(np.clip(usual, settings.least_pull_m_s2, settings.most_pull_m_s2))
