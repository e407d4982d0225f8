"""Points in, angles out: closed-form geometry with a stated sign convention.

Picture coordinates have y down. Knee flexion is positive, 0 is straight. FPPA is
positive when the knee lies medial to the line from hip to ankle (valgus).
"""

from __future__ import annotations

from functools import cache

import numpy as np

from landing_analysis.definitions import GRAVITY_M_S2
from landing_analysis.tables import FloatArray, Limb

TWO_PASS = (np.sqrt(2.0) - 1.0) ** 0.25  # definition: of two passes of a second-order filter
"""Cut-off of two passes over cut-off of one, analogue (Winter 2009 through the BMC notebooks)."""


def flexion_deg(hip: FloatArray, knee: FloatArray, ankle: FloatArray) -> FloatArray:
    """Return the planar joint angle as deviation from straight.

    Parameters
    ----------
    hip, knee, ankle : (..., 2), any one length unit

    Returns
    -------
    (...) degrees, 0..180, 0 when the three points lie on one line
    """
    return np.abs(_turn_deg(hip, knee, ankle))


def fppa_deg(
    hip: FloatArray, knee: FloatArray, ankle: FloatArray, limb: Limb, from_behind: bool
) -> FloatArray:
    """Return the frontal-plane projection angle.

    Parameters
    ----------
    hip, knee, ankle : (..., 2) picture points, y down
    limb : the patient's own
    from_behind : True when the camera sees the patient's back

    Returns
    -------
    (...) degrees, positive valgus (knee medial to the line from hip to ankle),
    negative varus

    References
    ----------
    Lines after Willson 2006 and Munro 2012 (secondary page).
    """
    # A person who faces the camera has the right limb on the left of the picture. A
    # knee displaced to the right of hip and ankle there is medial, and turns the
    # lower segment clockwise on the screen, which is positive with y down.
    medial_right = (limb == "right") != from_behind
    return _turn_deg(hip, knee, ankle) * (1.0 if medial_right else -1.0)


def _turn_deg(hip: FloatArray, knee: FloatArray, ankle: FloatArray) -> FloatArray:
    """Signed turn from the upper to the lower segment, clockwise on the screen positive."""
    upper = np.asarray(knee, dtype=float) - np.asarray(hip, dtype=float)
    lower = np.asarray(ankle, dtype=float) - np.asarray(knee, dtype=float)
    cross = upper[..., 0] * lower[..., 1] - upper[..., 1] * lower[..., 0]
    dot = (upper * lower).sum(axis=-1)
    turn: FloatArray = np.degrees(np.arctan2(cross, dot))
    return turn


def joint_angle_sd_deg(
    hip: FloatArray,
    knee: FloatArray,
    ankle: FloatArray,
    noise_px: tuple[float, float, float],
) -> FloatArray:
    """Propagate landmark noise into the angle at the knee.

    Parameters
    ----------
    hip, knee, ankle : (..., 2) pixels
    noise_px : standard deviation of one coordinate of hip, knee and ankle

    Returns
    -------
    (...) degrees, standard deviation of one frame's angle

    Notes
    -----
    First order. With segment lengths a and b and flexion f the knee's part is
    1/a^2 + 1/b^2 + 2 cos(f) / (a b), the others' 1/a^2 and 1/b^2.
    """
    a = np.linalg.norm(np.asarray(knee) - np.asarray(hip), axis=-1)
    b = np.linalg.norm(np.asarray(ankle) - np.asarray(knee), axis=-1)
    cosine = np.cos(np.radians(_turn_deg(hip, knee, ankle)))
    variance = (
        noise_px[0] ** 2 / a**2
        + noise_px[2] ** 2 / b**2
        + noise_px[1] ** 2 * (1 / a**2 + 1 / b**2 + 2 * cosine / (a * b))
    )
    sd: FloatArray = np.degrees(np.sqrt(variance))
    return sd


def tilt_deg(lower: FloatArray, upper: FloatArray, down: FloatArray) -> FloatArray:
    """Return the tilt of a segment from the vertical.

    Parameters
    ----------
    lower, upper : (..., 2) picture points
    down : (2,) unit vector of gravity in the picture

    Returns
    -------
    (...) degrees, positive when the upper end leans to the right of the picture
    """
    segment = np.asarray(upper, dtype=float) - np.asarray(lower, dtype=float)
    right = np.array([down[1], -down[0]])
    tilt: FloatArray = np.degrees(np.arctan2(segment @ right, -(segment @ down)))
    return tilt


def false_fppa_deg(flexion: FloatArray | float, yaw: FloatArray | float) -> FloatArray:
    """Return the false FPPA that a turned body shows: 2 atan(tan(flexion/2) sin(yaw)).

    Parameters
    ----------
    flexion, yaw : degrees; yaw is the turn away from square-on

    Returns
    -------
    degrees, of the sign of ``yaw``

    Notes
    -----
    Derived: equal segments, each tilted by half of the flexion in the sagittal
    plane, parallel projection. With unequal tilt it errs by about a fifth at 60 deg.
    """
    half = np.tan(np.radians(flexion) / 2)
    false: FloatArray = np.degrees(2 * np.arctan(half * np.sin(np.radians(yaw))))
    return false


def tilt_tangent(share: FloatArray) -> FloatArray:
    """Return the tangent of a segment's tilt out of the picture.

    Parameters
    ----------
    share : (...) seen length over length when square to the camera, taken as 1 at most

    Returns
    -------
    (...) sqrt(1 / share^2 - 1): a segment tilted by ``a`` looks ``cos a`` as long. Infinite
    for one that points at the camera.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        tangent: FloatArray = np.sqrt(1 / np.clip(share, 0, 1) ** 2 - 1)
    return tangent


def turned_leg_fppa_deg(
    thigh_tangent: FloatArray, shank_tangent: FloatArray, turn_sine: FloatArray | float
) -> FloatArray:
    """Return the FPPA that a leg shows which bends straight over a foot turned from the camera.

    Parameters
    ----------
    thigh_tangent, shank_tangent : from `tilt_tangent`
    turn_sine : sine of the foot's turn out of the camera's direction

    Returns
    -------
    (...) degrees, of the sign of ``turn_sine``

    Notes
    -----
    Derived: turning a tilted segment about the vertical turns its picture by
    atan(tan(tilt) sin(turn)); thigh and shank tilt opposite ways, so their parts add. Equal
    tilts give `false_fppa_deg`. A small turn changes FPPA by the sum of both tangents, degree
    by degree. Parallel projection: a segment that comes toward the camera looks a few per
    cent longer than it should, and its tilt smaller.
    """
    fppa: FloatArray = np.degrees(
        np.arctan(thigh_tangent * turn_sine) + np.arctan(shank_tangent * turn_sine)
    )
    return fppa


def flexion_seen_deg(flexion: FloatArray | float, yaw: FloatArray | float) -> FloatArray:
    """Return the flexion that a camera ``yaw`` degrees off the side view sees."""
    half = np.tan(np.radians(flexion) / 2)
    seen: FloatArray = np.degrees(2 * np.arctan(half * np.cos(np.radians(yaw))))
    return seen


def flexion_from_seen_deg(seen: FloatArray | float, yaw: FloatArray | float) -> FloatArray:
    """Return the flexion behind what a camera ``yaw`` degrees off the side view sees."""
    half = np.tan(np.radians(seen) / 2)
    flexion: FloatArray = np.degrees(2 * np.arctan(half / np.cos(np.radians(yaw))))
    return flexion


def fppa_with_flexion_deg(offset: float, flexion: FloatArray | float) -> FloatArray:
    """Return the FPPA of a knee ``offset`` segment lengths off the hip-ankle line when bent.

    2 atan(d / sqrt(L^2 - d^2 - L^2 sin^2(flexion/2))) with L = 1; degrees. Derived:
    the same sideways offset looks larger when the leg is foreshortened.
    """
    sine = np.sin(np.radians(flexion) / 2)
    angle: FloatArray = np.degrees(2 * np.arctan(offset / np.sqrt(1 - offset**2 - sine**2)))
    return angle


def flexion_from_shortening_deg(
    seen_px: FloatArray | float, straight_px: float, least_share: float
) -> FloatArray:
    """Estimate knee flexion in a frontal view from how short the leg looks.

    Equal segments, each tilted by half of the flexion: seen / straight = cos(flexion/2), taken
    as ``least_share`` at least.
    Rough (perspective, unequal tilt); used only to size the effect of yaw, never reported.
    """
    ratio = np.clip(np.asarray(seen_px) / straight_px, least_share, 1.0)
    flexion: FloatArray = 2 * np.degrees(np.arccos(ratio))
    return flexion


def flight_height_m(flight_s: float, pull_m_s2: float = GRAVITY_M_S2) -> float:
    """Return g t^2 / 8 for a flight time in seconds; metres. ``pull_m_s2`` stands for g.

    Too high by about half of what the body's centre is lower at landing than at
    take-off. Formula as in PMC9750644, Table 1.
    """
    return pull_m_s2 * flight_s**2 / 8  # definition: g (t/2)^2 / 2


def flight_height_sd_m(flight_s: float, flight_sd_s: float) -> float:
    """Return the standard uncertainty of the height from flight time: g t / 4 times that of t."""
    return GRAVITY_M_S2 * flight_s / 4 * flight_sd_s  # definition: its derivative


def event_sd_s(frame_interval_s: float) -> float:
    """Return the standard deviation of an instant known only to one frame: interval / sqrt(12)."""
    return frame_interval_s / float(np.sqrt(12.0))  # definition: of a uniform distribution


def interval_sd_s(frame_interval_s: float) -> float:
    """Return that of an interval between two such instants: interval / sqrt(6)."""
    return frame_interval_s / float(np.sqrt(6.0))  # definition: of two


def two_pass_cutoff_hz(cutoff_hz: float, rate_hz: float) -> float:
    """Return the cut-off to design one Butterworth pass with, so that two reach ``cutoff_hz``.

    The analogue ratio is applied to the pre-warped frequency, so that the gain of
    two passes at ``cutoff_hz`` is 1/sqrt(2) at any frame rate.
    """
    warped = np.tan(np.pi * cutoff_hz / rate_hz) / TWO_PASS
    return float(rate_hz / np.pi * np.arctan(warped))


def low_pass(samples: FloatArray, rate_hz: float, cutoff_hz: float) -> FloatArray:
    """Low-pass along the first axis without lag: second-order Butterworth, there and back.

    Parameters
    ----------
    samples : (n, ...) evenly spaced, more than nine
    rate_hz, cutoff_hz : hertz; the cut-off must lie below half of the rate

    Returns
    -------
    (n, ...)

    Notes
    -----
    The ends are mirrored through the first and the last sample, and each pass starts as if its
    first value had been there for ever. Own code, since loading ``scipy.signal`` takes longer
    than the filtering of many clips; the tests hold it against that.
    """
    x = np.asarray(samples, dtype=float).reshape(len(samples), -1)
    mirrored = 9  # definition: three times the filter's length, as usual
    before, after = 2 * x[:1] - x[mirrored:0:-1], 2 * x[-1:] - x[-2 : -mirrored - 2 : -1]
    design = two_pass_cutoff_hz(cutoff_hz, rate_hz) / rate_hz
    there = _one_pass(np.concatenate([before, x, after]), design)
    smooth: FloatArray = _one_pass(there[::-1], design)[::-1][mirrored:-mirrored]
    return smooth.reshape(np.shape(samples))


def _one_pass(x: FloatArray, cutoff: float) -> FloatArray:
    """Filter (n, columns) once, block by block, each by one product with what a block does."""
    block, state = _filter_block(cutoff)
    length = block.shape[0]
    given = np.zeros((length + 2, x.shape[1]))
    given[length:] = _resting_state(cutoff)[:, None] * x[0]
    y = np.empty_like(x)
    for first in range(0, len(x), length):
        part = x[first : first + length]
        given[: len(part)] = part
        y[first : first + length] = (block @ given)[: len(part)]
        given[length:] = state @ given
    return y


@cache
def _filter_block(cutoff: float) -> tuple[FloatArray, FloatArray]:
    """Return what 64 samples and the two numbers of the state become: 64 samples and the state."""
    b, a = _butterworth(cutoff)
    length = 64  # definition: of a block; another one changes no result
    basis = np.eye(length + 2)
    x, state = basis[:length], basis[length:]
    y = np.empty_like(x)
    for n in range(length):
        y[n] = b[0] * x[n] + state[0]
        state = np.stack([b[1] * x[n] - a[1] * y[n] + state[1], b[2] * x[n] - a[2] * y[n]])
    return y, state


def _resting_state(cutoff: float) -> FloatArray:
    """Return the state of the filter after an input of 1 for ever."""
    b, a = _butterworth(cutoff)
    last = b[2] - a[2]
    return np.array([b[1] - a[1] + last, last])


def _butterworth(cutoff: float) -> tuple[FloatArray, FloatArray]:
    """Return numerator and denominator of the second-order filter, cut-off in cycles a sample.

    The analogue 1 / (s^2 + sqrt(2) s + 1) by the bilinear transform.
    """
    k = np.tan(np.pi * cutoff)
    whole = 1 + np.sqrt(2) * k + k**2
    b = np.array([1.0, 2.0, 1.0]) * k**2 / whole
    a = np.array([whole, 2 * (k**2 - 1), 1 - np.sqrt(2) * k + k**2]) / whole
    return b, a
