"""Frame times, the phone's tag and free fall -> how the clip's clock runs against real time.

The file may say that a clip was filmed faster than it plays (the capture tag over the rate
that is measured), its frame intervals may say that a part of it was slowed, and bodies in the
air say it as well: time that is stretched by s makes free fall look weaker by s squared. Where
the checks disagree no time is measured until the clinician settles it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from landing_analysis.clock.intervals import rate_ratio, real_time_s, slow_frames
from landing_analysis.reasons import Code, Number, Reason, because
from landing_analysis.settings import ClockSettings
from landing_analysis.tables import FloatArray, Note, QualityState, TimeBase


class FreeFallSeen(NamedTuple):
    """One flight: its first and last frame, and by how much it looks slower than free fall."""

    first: int
    last: int
    factor: float
    sd: float


class FreeFalls(NamedTuple):
    """What bodies in the air say of one reading of the clock.

    ``flights`` counts all that were found, ``measured`` holds those long enough to say
    something. ``lifted``: both feet were off the floor for a while outside all flights, as in
    a flight that is slowed too much to be seen as one.
    """

    flights: int
    measured: tuple[FreeFallSeen, ...]
    lifted: bool = False

    @property
    def factor(self) -> float:
        """Median factor by which life still looks slowed, NaN when nothing was measured."""
        return float(np.median([fall.factor for fall in self.measured] or [np.nan]))

    @property
    def sd(self) -> float:
        """Its standard uncertainty; what is wrong with one flight is wrong with all."""
        return float(np.median([fall.sd for fall in self.measured] or [np.nan]))


FreeFallCheck = Callable[[FloatArray], FreeFalls]
"""Given frame times in real time, (n_frames,), returns what falls under them."""


class Settled(NamedTuple):
    """The time base, the frame times that follow from it, and what the report says of it."""

    time_base: TimeBase
    t_s: FloatArray
    notes: tuple[Note, ...] = ()


def settle_time_base(
    t_s: FloatArray,
    capture_fps: float | None,
    given: float | None,
    check: FreeFallCheck,
    settings: ClockSettings,
) -> Settled:
    """Decide how many times slower than real time a clip plays, or that it cannot be told.

    Parameters
    ----------
    t_s : (n_frames,) presentation times, seconds
    capture_fps : from the phone's tag, None without one
    given : by the clinician, None to decide here
    check : looks for free fall under given frame times
    settings : ClockSettings

    Returns
    -------
    Settled
        ``t_s`` are the likeliest times in real time even where ``doubt`` says why no time may
        be printed: angles are read with them.

    Notes
    -----
    1. What was given holds.
    2. A tag that differs from the measured rate by the factor of a slow motion is
       followed when free fall agrees or nobody falls.
    3. A segment of frames that come more seldom is slow motion, or a camera that took
       fewer in poor light: flights in that segment tell them apart.
    4. Without either, flights must look like flights in real time. When none is found,
       they are looked for at slower rates: a slowed jump is no "nobody jumped".
    5. Flights of one clip must agree with each other.

    Limit: a slow segment that was rendered to even intervals is noticed only when a whole
    flight lies in it.
    """
    if given is not None:
        real_s = real_time_s(t_s, given)
        base = TimeBase(given, "given")
        return Settled(base, real_s, (_given_note(given, check(real_s), settings),))
    even = rate_ratio(t_s) < settings.other_rate_ratio
    if capture_fps is not None:
        slowed_by = _tagged(t_s, capture_fps, settings)
        if np.any(slowed_by != 1.0):
            return _with_tag(t_s, slowed_by, capture_fps, check, settings)
    return _even(t_s, check, settings) if even else _of_two_rates(t_s, check, settings)


# --- what the file says ------------------------------------------------------------------------


def _tagged(t_s: FloatArray, capture_fps: float, settings: ClockSettings) -> FloatArray:
    """Return by how much the tag says that each interval is slowed, 1 where it is not."""
    fastest_s = float(np.median(np.diff(t_s)))
    slower = slow_frames(t_s, settings)
    if np.any(slower > 1.0):
        fastest_s = float(np.median(np.diff(t_s)[slower == 1.0]))
    factor: FloatArray = capture_fps * fastest_s * slower
    near_one = (factor < settings.other_rate_ratio) & (factor > 1 / settings.other_rate_ratio)
    factor[near_one] = 1.0
    return factor


def _with_tag(
    t_s: FloatArray,
    slowed_by: FloatArray,
    capture_fps: float,
    check: FreeFallCheck,
    settings: ClockSettings,
) -> Settled:
    factor = float(slowed_by[np.argmax(np.abs(np.log(slowed_by)))])
    real_s = real_time_s(t_s, slowed_by)
    falls = check(real_s)
    told = {"capture_fps": capture_fps, "slowed_by": factor}
    if not falls.flights:
        other = _best_trial(t_s, check, settings, (1.0, *settings.trials))
        if other is not None:
            return _contradicted(told, other, settings)
    elif _disagree(falls, settings):
        return _contradicted(told, _Trial(factor * falls.factor, real_s, falls), settings)
    elif _mixed(falls, settings):
        return _unsteady(real_s, factor, falls)
    remark = because(Code.SLOWED_BY_TAG, **told, seen=bool(falls.measured))
    return Settled(TimeBase(round(factor, 3), "tag"), real_s, _note("good", remark))


# --- what falls says ---------------------------------------------------------------------------


class _Trial(NamedTuple):
    factor: float
    t_s: FloatArray
    falls: FreeFalls


def _even(t_s: FloatArray, check: FreeFallCheck, settings: ClockSettings) -> Settled:
    falls = check(t_s)
    if not falls.flights:
        trial = _best_trial(t_s, check, settings, settings.trials)
        if trial is not None:
            return _untold(t_s, trial.factor, settings)
    elif _disagree(falls, settings):
        return _untold(t_s, falls.factor, settings)
    elif _mixed(falls, settings):
        return _unsteady(t_s, 1.0, falls)
    elif (slow := _slow_segment(t_s, falls, check, settings)) is not None:
        return slow
    return Settled(TimeBase(), t_s)


def _of_two_rates(t_s: FloatArray, check: FreeFallCheck, settings: ClockSettings) -> Settled:
    """Tell slow motion in a part of the clip from a camera that changed its rate."""
    slower = slow_frames(t_s, settings)
    ratio = float(slower.max())
    restored_s = real_time_s(t_s, slower)
    as_stored, as_slowed = check(t_s), check(restored_s)
    honest = _agreeing_in(as_stored, slower, settings)
    ramp = _agreeing_in(as_slowed, slower, settings)
    if ramp and not honest and not _mixed(as_slowed, settings):
        remark = because(Code.SLOWED_BY_INTERVALS, ratio=ratio)
        base = TimeBase(round(ratio, 3), "intervals")
        return Settled(base, restored_s, _note("good", remark))
    near_slow = [fall for fall in as_stored.measured if _touches(fall, slower, t_s, settings)]
    honest_or_far = honest or (as_stored.flights and not near_slow)
    settled = honest_or_far and not ramp
    if settled and not _disagree(as_stored, settings) and not _mixed(as_stored, settings):
        return Settled(TimeBase(), t_s, _note("limited", because(Code.RATE_CHANGED, ratio=ratio)))
    if not as_stored.flights and not as_slowed.flights:
        remark = because(Code.RATE_CHANGED_OR_SLOWED, ratio=ratio)
        return Settled(TimeBase(), t_s, _note("limited", remark))
    likely_s = restored_s if len(as_slowed.measured) > len(as_stored.measured) else t_s
    remark = because(Code.PART_SEEMS_SLOWED, ratio=ratio)
    return _doubtful(likely_s, remark, Code.PART_MAY_BE_SLOWED, (1.0,))


def _agreeing_in(
    falls: FreeFalls, slower: FloatArray, settings: ClockSettings
) -> list[FreeFallSeen]:
    """Return the flights that lie mostly in the slower segment and fall as in real time."""
    return [
        fall
        for fall in falls.measured
        if abs(fall.factor - 1.0) <= settings.speed_share
        and np.mean(slower[fall.first : fall.last] > 1.0) > settings.mostly_share
    ]


def _touches(
    fall: FreeFallSeen, slower: FloatArray, t_s: FloatArray, settings: ClockSettings
) -> bool:
    """Say whether a flight or its landing lies in the slower segment, at least in part."""
    over = int(np.searchsorted(t_s, t_s[fall.last] + settings.landing_s))
    return bool(np.any(slower[fall.first : over + 1] > 1.0))


def _best_trial(
    t_s: FloatArray, check: FreeFallCheck, settings: ClockSettings, factors: tuple[float, ...]
) -> _Trial | None:
    """Return the slowing at which most flights look like flights in real time, None at none."""
    best: _Trial | None = None
    for factor in factors:
        falls = check(real_time_s(t_s, factor))
        if not falls.measured or not settings.trial_least < falls.factor < settings.trial_most:
            continue
        refined = factor * falls.factor
        real_s = real_time_s(t_s, refined)
        again = check(real_s)
        if not again.measured or abs(again.factor - 1.0) > settings.speed_share:
            continue
        if best is None or len(again.measured) > len(best.falls.measured):
            best = _Trial(refined * again.factor, real_s, again)
    return best


def _slow_segment(
    t_s: FloatArray, falls: FreeFalls, check: FreeFallCheck, settings: ClockSettings
) -> Settled | None:
    """Look for flights in slow motion between those in real time, where feet were lifted."""
    if not falls.lifted:
        return None
    for factor in settings.trials[1:]:
        found = check(real_time_s(t_s, factor))
        apart = [
            fall
            for fall in found.measured
            if abs(fall.factor - 1.0) <= settings.segment_share
            and not any(fall.first <= o.last and o.first <= fall.last for o in falls.measured)
        ]
        if apart:
            slowed = tuple(fall._replace(factor=factor * fall.factor) for fall in apart)
            return _unsteady(t_s, 1.0, FreeFalls(falls.flights, (*falls.measured, *slowed)))
    return None


def _disagree(falls: FreeFalls, settings: ClockSettings) -> bool:
    """Say whether flights are surely no flights in real time."""
    return abs(falls.factor - 1.0) > max(settings.speed_share, settings.surely_sds * falls.sd)


def _mixed(falls: FreeFalls, settings: ClockSettings) -> bool:
    """Say whether two flights surely fall at different speeds."""
    if not falls.measured:
        return False
    slow = max(falls.measured, key=lambda fall: fall.factor)
    fast = min(falls.measured, key=lambda fall: fall.factor)
    apart = slow.factor - fast.factor > settings.surely_sds * float(np.hypot(slow.sd, fast.sd))
    return apart and slow.factor > settings.mixed_ratio * fast.factor


# --- what the report says ----------------------------------------------------------------------


def _untold(t_s: FloatArray, factor: float, settings: ClockSettings) -> Settled:
    remark = because(Code.FILE_NAMES_NO_RATE, seems_slowed_by=factor)
    usual = _usual(factor, settings)
    return _doubtful(
        real_time_s(t_s, usual), remark, Code.FALLS_AS_IF_SLOWED, (usual, 1.0),
        seems_slowed_by=factor,
    )  # fmt: skip


def _contradicted(told: dict[str, float], trial: _Trial, settings: ClockSettings) -> Settled:
    remark = because(Code.TAG_CONTRADICTED, **told, seems_slowed_by=trial.factor)
    choices = (_usual(told["slowed_by"], settings), _usual(trial.factor, settings))
    return _doubtful(trial.t_s, remark, Code.TAG_AND_FALL_DISAGREE, choices)


def _doubtful(
    t_s: FloatArray, found: Reason, doubt: Code, choices: tuple[float, ...], **numbers: Number
) -> Settled:
    choose = because(Code.TIMES_SUPPRESSED, choices=choices, command="")
    base = TimeBase(None, "unsettled", because(doubt, **numbers, command=""))
    return Settled(base, t_s, _note("poor", found, choose))


def _unsteady(t_s: FloatArray, factor: float, falls: FreeFalls) -> Settled:
    factors = [factor * fall.factor for fall in falls.measured]
    remark = because(
        Code.PARTS_SEEM_SLOWED, least_slowed_by=min(factors), most_slowed_by=max(factors)
    )
    base = TimeBase(None, "unsettled", because(Code.FLIGHTS_FALL_UNALIKE))
    return Settled(base, t_s, _note("poor", remark))


def _given_note(given: float, falls: FreeFalls, settings: ClockSettings) -> Note:
    against = bool(falls.measured) and _disagree(falls, settings)
    remark = because(
        Code.SLOWED_AS_GIVEN,
        slowed_by=given,
        seems_slowed_by=given * falls.factor if falls.measured else None,
        agrees=not against,
    )
    return Note("time base", "limited" if against else "good", (remark,))


def _note(state: QualityState, *remarks: Reason) -> tuple[Note, ...]:
    return (Note("time base", state, remarks),)


def _usual(factor: float, settings: ClockSettings) -> float:
    """Return a factor that phones and editors use where one is near, else one decimal."""
    near = min(settings.usual_factors, key=lambda usual: abs(np.log(factor / usual)))
    is_near = abs(factor / near - 1.0) <= settings.usual_within_share
    return float(near) if is_near else round(factor, 1)
