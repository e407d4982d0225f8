"""Tracks -> Tracks: what pulls a lying body to the surface that its feet land on.

Cords along a sled pull with a share of gravity that nobody states. The flights say it: between
take-off and landing nothing but the cords moves the carriage.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from landing_analysis.maths.signals import local_polynomial
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
        With ``pull_m_s2`` and, where flights show it, ``down`` along it. The scale stays that of
        the leg's length: a pull that is not known measures no metre. Without flights
        the pull stays the first guess.
    """
    tracks = replace(
        tracks, pull_m_s2=_first_guess_m_s2(tracks, lying), down_sd_deg=lying.down_sd_deg
    )
    for _ in range(lying.rounds):
        fall = measure_free_fall(tracks, find(tracks), gravity)
        if fall is None:
            return tracks
        size_px_s2 = float(np.linalg.norm(fall.acceleration_px_s2))
        pull_m_s2 = size_px_s2 / tracks.px_per_m
        if not lying.least_pull_m_s2 < pull_m_s2 < lying.most_pull_m_s2:
            return tracks
        tracks = replace(
            tracks,
            pull_m_s2=pull_m_s2,
            down=fall.acceleration_px_s2 / size_px_s2,
            down_sd_deg=min(fall.direction_sd_deg, lying.down_sd_deg),
        )
    return tracks


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
