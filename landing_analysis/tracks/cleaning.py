"""Landmarks -> Tracks: swaps repaired, gaps bridged, low-passed without lag, all of it flagged."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from landing_analysis.definitions import DEFAULT_STATURE_M, LEG_PER_STATURE
from landing_analysis.maths.kinematics import low_pass
from landing_analysis.maths.signals import (
    local_polynomial,
    noise_sd,
    running_median,
    runs,
    usual_steps_s,
)
from landing_analysis.settings import TrackSettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    BoolArray,
    FloatArray,
    Landmarks,
    Tracks,
)

_LEG_PARTS = ("hip", "knee", "ankle", "heel", "toe")
_LEFT = np.array([LANDMARK[f"left_{part}"] for part in _LEG_PARTS])
_RIGHT = np.array([LANDMARK[f"right_{part}"] for part in _LEG_PARTS])
_FOOT = [_LEG_PARTS.index(part) for part in ("ankle", "heel", "toe")]
_LAST = 4  # definition: as said below
"""Frames that tell where a leg was going: two of them misread do not turn their line round."""


def clean_tracks(
    landmarks: Landmarks, settings: TrackSettings, stature_m: float | None = None
) -> Tracks:
    """Turn one person's landmarks into tracks fit for measuring.

    Parameters
    ----------
    landmarks : Landmarks
    settings : TrackSettings
    stature_m : of the patient, None when not known

    Returns
    -------
    Tracks
        Gaps longer than ``settings.max_gap_s`` stay NaN. ``xy_px`` is low-passed
        with a two-pass Butterworth filter at the lower of the wanted cut-off and
        the share of the frame rate that the settings allow; ``raw_px`` is not, so
        that an impact keeps its edge.
    """
    t_s = landmarks.t_s
    rate_hz = 1.0 / float(np.median(np.diff(t_s))) if len(t_s) > 1 else float("nan")
    xy = np.where(
        landmarks.visibility[..., None] >= settings.min_visibility, landmarks.xy_px, np.nan
    )
    xy, swapped = repair_swaps(t_s, xy, settings)
    xy = _without_spikes(t_s, xy, settings)
    raw, filled = fill_gaps(t_s, xy, settings.max_gap_s)
    cutoff_hz = min(settings.angle_cutoff_hz, settings.cutoff_per_rate * rate_hz)
    smooth = _smooth(raw, rate_hz, cutoff_hz, settings.fewest_smoothed_frames)
    leg_px = leg_length_px(raw)
    px_per_m = leg_px / (LEG_PER_STATURE * (stature_m or DEFAULT_STATURE_M))
    scale_sd = settings.scale_sd_known if stature_m else settings.scale_sd_unknown
    return Tracks(
        t_s=t_s,
        raw_px=raw,
        xy_px=smooth,
        visibility=landmarks.visibility,
        filled=filled,
        swapped=swapped,
        noise_px=noise_sd(raw).max(axis=1),
        cutoff_hz=cutoff_hz,
        rate_hz=rate_hz,
        down=np.array([0.0, 1.0]),
        down_sd_deg=settings.roll_sd_deg,
        leg_px=leg_px,
        px_per_m=px_per_m,
        px_per_m_sd=scale_sd * px_per_m,
    )


def repair_swaps(
    t_s: FloatArray, xy_px: FloatArray, settings: TrackSettings
) -> tuple[FloatArray, BoolArray]:
    """Exchange left and right legs back where the model confused them.

    Parameters
    ----------
    t_s : (n_frames,) seconds
    xy_px : (n_frames, 33, 2) pixels
    settings : TrackSettings

    Returns
    -------
    xy_px : (n_frames, 33, 2) with the legs exchanged back
    swapped : (n_frames,) True where they were exchanged

    Notes
    -----
    Of the two readings of each frame the path on which legs stray least from where they were
    going is found by dynamic programming over the whole clip. Where a leg was going is told by
    a straight line through its last frames: legs that pass each other quickly are, from frame
    to frame, nearer to the other leg than to themselves, and a frame in which the model takes
    parts of one leg for the other one's is but one of several. Taking the legs as exchanged
    costs a little for as long as it lasts, so that frames in which both legs fall together
    cannot tip the rest of the clip over; and hips turned against the shoulders cost much where
    both are seen apart, from the front and the back. A foot that stands does not become the other
    one within hundredths of a second: legs that the model lets melt into one come out of it as they
    went in. Limits: legs that the model confuses for a second and more stay confused; fewer frames
    than make a line are left as they are.
    """
    if len(xy_px) <= _LAST:
        return xy_px.copy(), np.zeros(len(xy_px), dtype=bool)
    as_seen = np.concatenate([xy_px[:, _LEFT], xy_px[:, _RIGHT]], axis=1)
    exchanged = np.concatenate([xy_px[:, _RIGHT], xy_px[:, _LEFT]], axis=1)
    readings_legs = np.stack([as_seen, exchanged]) / leg_length_px(xy_px)
    costs = _costs(t_s, readings_legs, settings)
    costs[..., 0, 1] += settings.exchange_legs
    costs[..., 1, 0] += settings.exchange_legs
    alike_legs2 = _turned_alike_px2(xy_px)[1:] / leg_length_px(xy_px) ** 2
    for reading, sign in enumerate((1.0, -1.0)):
        twisted_legs2 = np.maximum(-sign * alike_legs2, 0.0)
        per_s = reading * settings.exchanged_legs_per_s
        against = (per_s + settings.twisted_legs_per_s * twisted_legs2) * np.diff(t_s)
        costs[..., reading] += against.reshape(-1, *[1] * _LAST)
    costs += _handed_over(t_s, readings_legs[0], _carried(t_s, xy_px, settings), settings)
    swapped = _cheapest_path(costs)
    repaired = xy_px.copy()
    repaired[np.ix_(swapped, _LEFT)] = xy_px[np.ix_(swapped, _RIGHT)]
    repaired[np.ix_(swapped, _RIGHT)] = xy_px[np.ix_(swapped, _LEFT)]
    return repaired, swapped


def _costs(t_s: FloatArray, readings: FloatArray, settings: TrackSettings) -> FloatArray:
    """Return how far legs stray in each frame but the first, by the readings of five frames.

    Parameters
    ----------
    t_s : (n_frames,) seconds
    readings : (2, n_frames, 10, 2) legs, as seen and exchanged
    settings : TrackSettings

    Returns
    -------
    (n_frames - 1, 2, 2, 2, 2, 2) how far, by `_movement`, from where legs were going, by the
    readings of the four frames before, the earliest first, and of this one; from where they
    were in the frame before where a line through the last ones is not known
    """
    costs = np.empty((len(t_s) - 1, *[2] * (_LAST + 1)))
    step_s = float(np.median(np.diff(t_s)))
    longer = max(1.0, settings.stray_in_s / step_s) if step_s > 0 else 1.0
    ahead = _weights_ahead(t_s, settings.line_s)
    for case in np.ndindex(*costs.shape[1:]):
        *before, now = case
        if before[0]:  # the same with all exchanged: nothing else moves
            costs[(slice(None), *case)] = costs[(slice(None), *(1 - one for one in case))]
            continue
        was = readings[before[-1]][:-1]
        line = sum(
            ahead[:, k, None, None] * readings[before[k]][k : len(t_s) - _LAST + k]
            for k in range(_LAST)
        )
        going = was.copy()
        going[_LAST - 1 :] = np.where(np.isfinite(line), line, was[_LAST - 1 :])
        costs[(slice(None), *case)] = _movement(longer * (readings[now][1:] - going), settings)
    return costs


def _carried(t_s: FloatArray, xy_px: FloatArray, settings: TrackSettings) -> BoolArray:
    """Return (n_frames,) where hips and shoulders do not fall as a body in flight does."""
    of_trunk = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("shoulder", "hip")]
    down_legs = xy_px[:, of_trunk, 1].mean(axis=1) / leg_length_px(xy_px)
    falls_legs_s2 = local_polynomial(t_s, down_legs, settings.carried_window_s, 2)[2]
    with np.errstate(invalid="ignore"):
        carried: BoolArray = falls_legs_s2 < settings.carried_legs_s2
    return carried


def _handed_over(
    t_s: FloatArray, as_seen: FloatArray, carried: BoolArray, settings: TrackSettings
) -> FloatArray:
    """Return what it costs that the foot that stands would become the other one.

    Parameters
    ----------
    t_s : (n_frames,) seconds
    as_seen : (n_frames, 10, 2) legs, left before right
    carried : (n_frames,) where the body does not fly

    Returns
    -------
    (n_frames - 1, 2, 2, 2, 2, 2) as of `_costs`

    Notes
    -----
    One of two feet that are seen apart stays where it was, in this frame and in one of those
    before: nobody sets the other one down there so soon. Frames in between in which the model
    takes parts of one leg for the other's do not hide it.
    """
    feet = as_seen.reshape(len(t_s), len(LIMBS), len(_LEG_PARTS), 2)[:, :, _FOOT].mean(axis=2)
    apart = np.linalg.norm(feet[:, 0] - feet[:, 1], axis=1) > settings.feet_apart_legs
    costs = np.zeros((len(t_s) - 1, *[2] * (_LAST + 1)))
    cases = np.array(list(np.ndindex(*costs.shape[1:])))
    for back in range(1, _LAST + 1):
        soon = t_s[back:] - t_s[:-back] < settings.handed_over_s
        stood = sliding_window_view(carried, back + 1).all(axis=1)
        asked = apart[back:] & apart[:-back] & soon & stood
        turned = cases[:, -1] != cases[:, -1 - back]
        for was, now in np.ndindex(2, 2):
            moved_legs = np.linalg.norm(feet[back:, now] - feet[:-back, was], axis=1)
            stands = asked & (moved_legs < settings.foot_stays_legs)
            for case in cases[turned == (was == now)]:
                costs[(slice(back - 1, None), *case)] += settings.hand_over_legs * stands
    return costs


def _turned_alike_px2(xy_px: FloatArray) -> FloatArray:
    """Return (n_frames,) the way from hip to hip along that from shoulder to shoulder.

    As their product in square pixels, below 0 where the pelvis is turned against the trunk; 0
    where one of the four is not seen.
    """
    trunk, pelvis = (
        xy_px[:, LANDMARK[f"right_{part}"]] - xy_px[:, LANDMARK[f"left_{part}"]]
        for part in ("shoulder", "hip")
    )
    alike_px2: FloatArray = np.nan_to_num((trunk * pelvis).sum(axis=1))
    return alike_px2


def _weights_ahead(t_s: FloatArray, line_s: float) -> FloatArray:
    """Return by how much the frames before count in where a straight line through them leads.

    (n_frames - ``_LAST``, ``_LAST``) for each frame that has as many before it, earliest first;
    least squares through those less than ``line_s`` before, and at least the last two.
    """
    since_s = sliding_window_view(t_s[:-1], _LAST) - t_s[_LAST:, None]
    on_line = since_s > -line_s
    on_line[:, -2:] = True
    number = on_line.sum(axis=1, keepdims=True)
    middle_s = (on_line * since_s).sum(axis=1, keepdims=True) / number
    away_s = on_line * (since_s - middle_s)
    weights: FloatArray = on_line / number
    weights -= middle_s * away_s / (away_s**2).sum(axis=1, keepdims=True)
    return weights


def _cheapest_path(costs: FloatArray) -> BoolArray:
    """Return in which frames the second of two readings lies on the cheapest path.

    ``costs`` (n - 1, 2, ..., 2) of going into a frame, by the readings of the frames before and
    of this one.
    """
    total = np.full(costs.shape[1:-1], np.inf)
    total[(0,) * total.ndim] = total[(0,) * (total.ndim - 1) + (1,)] = 0.0
    came_from = np.zeros((len(costs), *total.shape), dtype=np.uint8)
    for step, cost in enumerate(costs):
        ways = total[..., None] + cost
        came_from[step] = ways.argmin(axis=0)
        total = ways.min(axis=0)
    last = tuple(int(one) for one in np.unravel_index(int(total.argmin()), total.shape))
    path = [last[-1]]
    for before in came_from[::-1]:
        last = (int(before[last]), *last[:-1])
        path.append(last[-1])
    second: BoolArray = np.array(path[::-1]) == 1
    return second


def _movement(ways_legs: FloatArray, settings: TrackSettings) -> FloatArray:
    """Mean of what the ways of the ten leg landmarks count, (n,), from (n, 10, 2); 0 without any.

    A way counts by its square: legs that pass each other would turn back both at once if they were
    exchanged there, and what they do instead, one stopping and then the other starting, sums up to
    ways as long, but each of them is half.
    """
    distance = np.linalg.norm(ways_legs, axis=2)
    known = np.isfinite(distance)
    counted = np.minimum(distance, settings.most_stray_legs) ** 2 / settings.even_stray_legs
    total = np.where(known, counted, 0.0).sum(axis=1)
    mean: FloatArray = total / np.maximum(known.sum(axis=1), 1)
    return mean


def fill_gaps(t_s: FloatArray, xy_px: FloatArray, max_gap_s: float) -> tuple[FloatArray, BoolArray]:
    """Bridge gaps no longer than ``max_gap_s`` by a straight line.

    Parameters
    ----------
    t_s : (n_frames,) seconds
    xy_px : (n_frames, n, 2) pixels, NaN where missing
    max_gap_s : between the frames on both sides of the gap, not counting them

    Returns
    -------
    xy_px : (n_frames, n, 2)
    filled : (n_frames, n) True where a value was bridged
    """
    result = xy_px.copy()
    filled = np.zeros(xy_px.shape[:2], dtype=bool)
    step_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0
    with_ends_s = max_gap_s + 1.5 * step_s  # definition: to the frames on both sides, rounded
    for column in range(xy_px.shape[1]):
        missing = ~np.isfinite(xy_px[:, column, 0])
        for first, last in runs(missing):
            inside = first > 0 and last < len(t_s) - 1
            if not inside or t_s[last + 1] - t_s[first - 1] > with_ends_s:
                continue
            share = (t_s[first : last + 1] - t_s[first - 1]) / (t_s[last + 1] - t_s[first - 1])
            ends = xy_px[[first - 1, last + 1], column]
            result[first : last + 1, column] = ends[0] + share[:, None] * (ends[1] - ends[0])
            filled[first : last + 1, column] = True
    return result, filled


def _without_spikes(t_s: FloatArray, xy_px: FloatArray, settings: TrackSettings) -> FloatArray:
    """Blank samples that lie far from the running median of their own landmark.

    A running median follows any steady rise or fall exactly, an impact included, and
    cuts the top of a jump by a centimetre; a misread leg is 5 cm off and more. Hips and
    what is above them are given more room: they turn sharply in a deep, quick landing.
    Quick legs turn sharply as well: what lies on a parabola through the samples around it,
    those left out that the median doubts, is no spike.
    """
    if len(t_s) < settings.fewest_spike_frames:
        return xy_px.copy()
    filled, _ = fill_gaps(t_s, xy_px, float(t_s[-1] - t_s[0]))
    reach = max(2, round(settings.spike_window_s / float(usual_steps_s(t_s).max())))
    by_landmark = [running_median(one, reach, "edge") for one in np.moveaxis(filled, 1, 0)]
    usual = np.stack(by_landmark, axis=1)  # one by one, which needs less memory
    away = np.linalg.norm(xy_px - usual, axis=2)
    share = np.full(xy_px.shape[1], settings.spike_share_of_leg_body)
    share[np.concatenate([_LEFT[1:], _RIGHT[1:]])] = settings.spike_share_of_leg
    with np.errstate(invalid="ignore"):
        room_px = share * leg_length_px(xy_px)
        spike = away > room_px
    for column in np.flatnonzero(spike.any(axis=0)):
        for _ in range(settings.spike_rounds):
            doubted = np.flatnonzero(spike[:, column])
            trusted = np.where(spike[:, column, None], np.nan, xy_px[:, column])
            turning = local_polynomial(t_s, trusted, settings.spike_window_s, 2, doubted)[0]
            off = np.linalg.norm(xy_px[doubted, column] - turning, axis=1)
            with np.errstate(invalid="ignore"):
                spike[doubted, column] = ~(off <= room_px[column])
    return np.where(spike[..., None], np.nan, xy_px)


def _smooth(raw: FloatArray, rate_hz: float, cutoff_hz: float, fewest_frames: int) -> FloatArray:
    """Low-pass every unbroken segment of every landmark that is long enough to filter."""
    result = raw.copy()
    for column in range(raw.shape[1]):
        for first, last in runs(np.isfinite(raw[:, column, 0])):
            if last - first + 1 >= fewest_frames:
                segment = slice(first, last + 1)
                result[segment, column] = low_pass(raw[segment, column], rate_hz, cutoff_hz)
    return result


def leg_length_px(xy_px: FloatArray) -> float:
    """Length of the straight leg: the 90th percentile over the clip, of the longer limb."""
    lengths = []
    for limb in LIMBS:
        hip, knee, ankle = (xy_px[:, LANDMARK[f"{limb}_{part}"]] for part in _LEG_PARTS[:3])
        length = np.linalg.norm(knee - hip, axis=1) + np.linalg.norm(ankle - knee, axis=1)
        if np.isfinite(length).any():
            lengths.append(float(np.nanpercentile(length, 90)))  # definition: as said above
    return max(lengths, default=float("nan"))
