"""(Tracks, Contacts) -> Tracks: free fall as the ruler and the plumb line of the picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from landing_analysis.definitions import GRAVITY_M_S2
from landing_analysis.maths.signals import local_polynomial, runs
from landing_analysis.maths.statistics import weighted_mean
from landing_analysis.settings import GravitySettings
from landing_analysis.tables import LANDMARK, BoolArray, Contacts, Flight, FloatArray, Tracks

_ANKLES = [LANDMARK["left_ankle"], LANDMARK["right_ankle"]]
_SHOULDERS = [LANDMARK["left_shoulder"], LANDMARK["right_shoulder"]]
_HIPS = [LANDMARK["left_hip"], LANDMARK["right_hip"]]


@dataclass(frozen=True)
class FreeFall:
    """What the flights of a clip say about the picture.

    Attributes
    ----------
    acceleration_px_s2 : (2,) mean acceleration of the mid-hip point in flight
    size_sd, direction_sd_deg : standard uncertainties of its size, as a share,
        and of its direction
    flights : how many were used
    """

    acceleration_px_s2: FloatArray
    size_sd: float
    direction_sd_deg: float
    flights: int


def measure_free_fall(
    tracks: Tracks, contacts: Contacts, settings: GravitySettings
) -> FreeFall | None:
    """Fit a parabola to the mid-hip point in every flight and average the accelerations.

    Parameters
    ----------
    tracks : Tracks
    contacts : Contacts
        Flights without both edges, or too short to bend measurably, are left out.
    settings : GravitySettings

    Returns
    -------
    FreeFall or None when no flight is long enough

    Notes
    -----
    Flights are weighted by the fourth power of their duration, after the
    standard deviation of a fitted acceleration, 2 sqrt(180) sigma / (sqrt(n) T^2)
    for n samples over T. The mid-hip point is close to the body's centre
    of mass but not the same: trunk, arms and legs that move in flight push it.
    That part differs from flight to flight by ``settings.flight_share`` and is
    common to all by ``settings.body_share``, which no number of flights shrinks.
    """
    fits = [fit for flight in contacts.flights if (fit := _fit(tracks, flight, settings))]
    if not fits:
        return None
    accelerations = np.array([fit[0] for fit in fits])
    sds = np.array([fit[1] for fit in fits])
    usual = float(np.linalg.norm(np.median(accelerations, axis=0)))
    weights = np.hypot(sds, settings.flight_share * usual) ** -2.0
    mean: FloatArray = np.average(accelerations, axis=0, weights=weights)
    share = float(np.hypot(weights.sum() ** -0.5 / np.linalg.norm(mean), settings.body_share))
    return FreeFall(mean, share, float(np.degrees(share)), len(fits))


def standing_tilt_deg(tracks: Tracks, settings: GravitySettings) -> float | None:
    """Return how far the picture's vertical is turned, from quiet standing on both feet.

    Parameters
    ----------
    tracks : Tracks
        Of a front or back view: seen from the side a person stands leaning forward.
    settings : GravitySettings

    Returns
    -------
    Degrees by which the middle of the shoulders lies to the left of straight above
    the middle of the ankles (the angle that turns (0, 1) into ``down``); None when
    nobody stands still for long enough.
    """
    line = tracks.raw_px[:, _ANKLES].mean(axis=1) - tracks.raw_px[:, _SHOULDERS].mean(axis=1)
    standing = line[standing_frames(tracks, settings)]
    tilts = np.degrees(np.arctan2(standing[:, 0], standing[:, 1]))
    return float(np.median(tilts)) if len(tilts) else None


def standing_frames(tracks: Tracks, settings: GravitySettings) -> BoolArray:
    """Return (n_frames,) where the body stands still on both feet, for long enough."""
    shoulders = tracks.raw_px[:, _SHOULDERS].mean(axis=1)
    ankles = tracks.raw_px[:, _ANKLES]
    # Above the ankles, not in the picture: a hand that holds the camera moves both alike.
    above = (shoulders - ankles.mean(axis=1)) / tracks.px_per_m
    speed = local_polynomial(tracks.t_s, above, settings.standing_half_window_s, 1)[1]
    uneven = np.abs(ankles[:, 0, 1] - ankles[:, 1, 1])
    with np.errstate(invalid="ignore"):
        still = np.linalg.norm(speed, axis=1) < settings.still_m_s
        level = uneven < settings.level_share_of_leg * tracks.leg_px
    standing = np.zeros(len(tracks.t_s), dtype=bool)
    for first, last in runs(still & level):
        standing[first : last + 1] = tracks.t_s[last] - tracks.t_s[first] >= settings.still_s
    return standing


def calibrate(
    tracks: Tracks,
    free_fall: FreeFall | None,
    settings: GravitySettings,
    standing_deg: float | None = None,
) -> Tracks:
    """Refine scale and vertical of the tracks by free fall and quiet standing.

    Parameters
    ----------
    tracks : Tracks
    free_fall : FreeFall or None
    settings : GravitySettings
    standing_deg : from `standing_tilt_deg`, None when not known

    Returns
    -------
    Tracks
        With ``px_per_m`` and ``down`` as the mean of what was assumed (leg
        length, upright camera) and what free fall and standing say, weighted by
        their uncertainties. Left as it was when the two scales disagree by more than
        ``settings.trust_factor``: then the clip's clock is in doubt, not its ruler.
    """
    px_per_m, px_per_m_sd = tracks.px_per_m, tracks.px_per_m_sd
    down_deg, down_sd_deg = 0.0, tracks.down_sd_deg
    if free_fall is not None:
        measured = float(np.linalg.norm(free_fall.acceleration_px_s2)) / GRAVITY_M_S2
        if not 1 / settings.trust_factor < measured / px_per_m < settings.trust_factor:
            return tracks
        across, along = free_fall.acceleration_px_s2
        roll_deg = float(np.degrees(np.arctan2(across, along)))
        px_per_m, px_per_m_sd = weighted_mean(
            (px_per_m, px_per_m_sd), (measured, free_fall.size_sd * measured)
        )
        down_deg, down_sd_deg = weighted_mean(
            (down_deg, down_sd_deg), (roll_deg, free_fall.direction_sd_deg)
        )
    if standing_deg is not None:
        down_deg, down_sd_deg = weighted_mean(
            (down_deg, down_sd_deg), (standing_deg, settings.standing_sd_deg)
        )
    down = np.array([np.sin(np.radians(down_deg)), np.cos(np.radians(down_deg))])
    return replace(
        tracks, px_per_m=px_per_m, px_per_m_sd=px_per_m_sd, down=down, down_sd_deg=down_sd_deg
    )


def slow_motion_factor(tracks: Tracks, free_fall: FreeFall) -> tuple[float, float]:
    """Return how many times slower than real time the clip plays, with its standard uncertainty.

    Time that is stretched by a factor s makes free fall look weaker by s squared
    (checked in tests against the worked value 9.81 / 64 for eightfold slowing).
    """
    measured = float(np.linalg.norm(free_fall.acceleration_px_s2)) / tracks.px_per_m
    factor = float(np.sqrt(GRAVITY_M_S2 / measured))
    share = float(np.hypot(free_fall.size_sd, tracks.px_per_m_sd / tracks.px_per_m))
    return factor, 0.5 * share * factor


def _fit(
    tracks: Tracks, flight: Flight, settings: GravitySettings
) -> tuple[FloatArray, float] | None:
    """Return the acceleration (2,) of one flight and the deviation of one component."""
    if flight.take_off is None or flight.landing is None:
        return None
    start_s, end_s = flight.take_off.t_s, flight.landing.t_s
    if end_s - start_s < settings.min_flight_s:
        return None
    hips = tracks.raw_px[:, _HIPS].mean(axis=1)
    inside = (tracks.t_s >= start_s) & (tracks.t_s <= end_s) & np.isfinite(hips[:, 0])
    if inside.sum() < settings.min_samples:
        return None
    t_s = tracks.t_s[inside] - 0.5 * (start_s + end_s)
    coefficients = np.polynomial.polynomial.polyfit(t_s, hips[inside], 2)
    fitted = np.polynomial.polynomial.polyval(t_s, coefficients).T
    n = int(inside.sum())
    freedom = 2 * (n - 3)  # definition: less a parabola's coefficients, in both directions
    noise = float(np.sqrt(((hips[inside] - fitted) ** 2).sum() / freedom))
    of_bend = 2 * np.sqrt(180.0)  # definition: see `measure_free_fall`
    sd = of_bend * noise / (np.sqrt(n) * (t_s[-1] - t_s[0]) ** 2)
    acceleration: FloatArray = 2 * coefficients[2]
    return acceleration, float(sd)
