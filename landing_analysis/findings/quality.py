"""(Clip, Tracks, View, Contacts, Reps) -> Notes on quality, and their order on the report."""

from __future__ import annotations

import numpy as np

from landing_analysis.clock.intervals import find_gaps, rate_ratio
from landing_analysis.definitions import FRONTAL_VIEWS
from landing_analysis.maths.kinematics import false_fppa_deg, interval_sd_s
from landing_analysis.maths.signals import runs
from landing_analysis.reasons import Code, because
from landing_analysis.settings import ClockSettings, QualitySettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
    WORST_FIRST,
    BoolArray,
    Clip,
    FloatArray,
    Note,
    QualityState,
    Reps,
    TimeBase,
    Tracks,
    ViewEstimate,
)

_LEG = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("hip", "knee", "ankle", "toe")]
_FEET = [LANDMARK[f"{limb}_{part}"] for limb in LIMBS for part in ("heel", "toe")]


def judge_clip(
    clip: Clip,
    tracks: Tracks,
    view: ViewEstimate,
    reps: Reps,
    time_base: TimeBase,
    settings: QualitySettings,
    clock: ClockSettings,
) -> tuple[Note, ...]:
    """Say how good a clip is for measuring, check by check.

    Parameters
    ----------
    clip, tracks, view, reps, time_base : of one clip
    settings : QualitySettings
    clock : ClockSettings

    Returns
    -------
    tuple of Note
    """
    notes = (
        _frame_rate(tracks, settings, clock) if time_base.doubt is None else _unknown_rate(clip),
        _intervals(clip, clock),
        _view(view, settings),
        _landmarks(tracks, settings),
        _feet(tracks, settings),
        _count(reps, settings),
    )
    return tuple(note for note in notes if note is not None)


def damage_notes(promised_s: FloatArray, read_s: FloatArray) -> tuple[Note, ...]:
    """Say where pictures of a clip could not be read.

    Parameters
    ----------
    promised_s : (n_frames,) times of the frames that the file lists
    read_s : (n_read,) times of those that could be decoded and trusted
    """
    lost = ~np.isin(promised_s, read_s)
    if not lost.any():
        return ()
    holes = runs(lost)
    remark = because(
        Code.PICTURES_DAMAGED,
        lost=int(lost.sum()),
        frames=len(lost),
        from_s=tuple(float(promised_s[first]) for first, _ in holes),
        to_s=tuple(float(promised_s[last]) for _, last in holes),
    )
    return (Note("damage", "poor", (remark,)),)


def repeats_note(t_s: FloatArray, repeats: BoolArray) -> Note:
    """Say that pictures are shown twice, and how many a second are new."""
    remark = because(
        Code.PICTURES_REPEATED,
        repeats=int(repeats.sum()),
        frames=len(repeats),
        new_fps=1.0 / float(np.median(np.diff(t_s[~repeats]))),
    )
    return Note("repeated frames", "limited", (remark,))


def _graded(value: float, good: float, limited: float) -> QualityState:
    """Grade a share or a rate of which more is better."""
    return "good" if value >= good else "limited" if value >= limited else "poor"


def _frame_rate(tracks: Tracks, settings: QualitySettings, clock: ClockSettings) -> Note:
    fps = tracks.rate_hz
    frame_ms = 1000.0 / fps
    sd_ms = 1000 * interval_sd_s(1.0 / fps)
    remarks = [because(Code.FRAME_RATE, fps=fps, frame_ms=frame_ms, interval_sd_ms=sd_ms)]
    if fps < clock.timing_rate_hz:
        remarks.append(because(Code.RATE_TOO_SLOW_FOR_SHORT_TIMES, frame_ms=frame_ms))
    state = _graded(fps, settings.good_rate_hz, settings.limited_rate_hz)
    return Note("frame rate", state, tuple(remarks))


def _unknown_rate(clip: Clip) -> Note:
    return Note("frame rate", "limited", (because(Code.RATE_NOT_KNOWN, fps=clip.median_fps),))


def _intervals(clip: Clip, clock: ClockSettings) -> Note | None:
    """Say where frames are missing, and how unevenly they come."""
    steps_ms = 1000 * np.diff(clip.t_s)
    gaps = find_gaps(clip.t_s, clock)
    uneven = {
        "usual_ms": float(np.median(steps_ms)),
        "shortest_ms": float(steps_ms.min()),
        "longest_step_ms": float(steps_ms.max()),
    }
    if not gaps:
        late = steps_ms.max() > clock.gap_share * np.median(steps_ms)
        even = rate_ratio(clip.t_s) < clock.other_rate_ratio
        remark = because(Code.FRAMES_UNEVEN, **uneven)
        return Note("clock", "good", (remark,)) if late and even else None
    longest = max(gaps, key=lambda gap: gap.length_s)
    remark = because(
        Code.FRAMES_MISSING,
        gaps=len(gaps),
        longest_ms=1000 * longest.length_s,
        at_s=longest.start_s,
        void_ms=1000 * clock.void_gap_s,
        **uneven,
    )
    return Note("clock", "limited", (remark,))


def _view(view: ViewEstimate, settings: QualitySettings) -> Note:
    if view.view == "oblique":
        return Note("view", "poor", (because(Code.OBLIQUE),))
    turned_deg = abs(view.yaw_deg)
    if not np.isfinite(turned_deg):
        return Note("view", "limited", (because(Code.BODY_TURN_UNKNOWN),))
    false_deg = None
    if view.view in FRONTAL_VIEWS:
        false_deg = abs(float(false_fppa_deg(settings.false_valgus_at_deg, turned_deg)))
    square_on = turned_deg <= settings.square_on_deg
    remark = because(
        Code.TURNED,
        turned_deg=turned_deg,
        bent_deg=settings.false_valgus_at_deg,
        false_fppa_deg=false_deg,
        square_on=square_on,
    )
    return Note("view", "good" if square_on else "limited", (remark,))


def _landmarks(tracks: Tracks, settings: QualitySettings) -> Note:
    seen = float(np.isfinite(tracks.raw_px[:, _LEG, 0]).all(axis=1).mean())
    remark = because(
        Code.LEGS_SEEN,
        seen_pct=100 * seen,
        bridged=int(tracks.filled[:, _LEG].any(axis=1).sum()),
        exchanged=int(tracks.swapped.sum()),
    )
    state = _graded(seen, settings.good_seen_share, settings.limited_seen_share)
    return Note("landmarks", state, (remark,))


def _feet(tracks: Tracks, settings: QualitySettings) -> Note | None:
    visibility = tracks.visibility[:, _FEET]
    hidden = float((visibility < settings.clear_visibility).all(axis=1).mean())
    if hidden <= settings.hidden_share:
        return None
    return Note("feet in view", "limited", (because(Code.FEET_UNCLEAR, hidden_pct=100 * hidden),))


def _count(reps: Reps, settings: QualitySettings) -> Note | None:
    used = sum(rep.used and not rep.rebound for rep in reps.reps)
    if used == 0 or used >= settings.enough_reps:
        return None
    remark = because(Code.FEW_REPS, used=used, enough=settings.enough_reps)
    return Note("count of reps", "limited", (remark,))


PANEL = (
    "frame rate", "time base", "view", "roll", "distance", "light", "feet in view", "other people",
)  # fmt: skip
"""The checks of every clip. What else was noticed stands below them."""


def quality_panel(notes: tuple[Note, ...], *, fall_seen: bool) -> tuple[Note, ...]:
    """Put the notes in order, with a line for each check of which nobody said anything.

    Parameters
    ----------
    notes : of all stages
    fall_seen : whether a flight was long enough to hold the clock against free fall

    Returns
    -------
    tuple of Note
        First the checks of `PANEL` in their order, of one check the worst first and a good
        one only where it is the only one; then the rest as they came.
    """
    panel = [note for check in PANEL for note in _of_check(check, notes, fall_seen)]
    return (*panel, *(note for note in notes if note.check not in PANEL))


def _of_check(check: str, notes: tuple[Note, ...], fall_seen: bool) -> list[Note]:
    own = sorted(
        (note for note in notes if note.check == check),
        key=lambda note: WORST_FIRST.index(note.state),
    )
    if not own:
        return [_silent(check, fall_seen)]
    return [note for note in own if note.state != "good"] or own[:1]


def _silent(check: str, fall_seen: bool) -> Note:
    """Return the line of a check that found nothing to say."""
    if check == "time base":
        code = Code.REAL_TIME_BY_FALL if fall_seen else Code.REAL_TIME_UNCHECKED
        return Note(check, "good", (because(code),))
    if check == "other people":
        return Note(check, "good", (because(Code.NOBODY_ELSE),))
    return Note(check, "limited", (because(Code.NOT_MEASURED_IN_CLIP),))
