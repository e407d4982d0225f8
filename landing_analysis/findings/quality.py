"""(Clip, Tracks, View, Contacts, Reps) -> Notes: what the clip's quality costs the numbers."""

from __future__ import annotations

import numpy as np

from landing_analysis.clock.intervals import find_gaps, rate_ratio
from landing_analysis.definitions import FRONTAL_VIEWS
from landing_analysis.maths.kinematics import false_fppa_deg, interval_sd_s
from landing_analysis.maths.signals import runs
from landing_analysis.settings import ClockSettings, QualitySettings
from landing_analysis.tables import (
    LANDMARK,
    LIMBS,
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
_BENT_DEG = 60.0  # the flexion at which false valgus is worked out for the reader


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
    holes = [f"{promised_s[first]:.2f} to {promised_s[last]:.2f} s" for first, last in runs(lost)]
    text = (
        f"The file is damaged: {int(lost.sum())} of {len(lost)} pictures are left out, from "
        f"{'; '.join(holes)}. Copy it from the phone again if you can."
    )
    return (Note("damage", "poor", text),)


def repeats_note(t_s: FloatArray, repeats: BoolArray) -> Note:
    """Say that pictures are shown twice, and how many a second are new."""
    fps = 1.0 / float(np.median(np.diff(t_s[~repeats])))
    text = (
        f"{int(repeats.sum())} of {len(repeats)} frames show the picture before them once more, "
        "as editors and messengers add them; they are not measured. "
        f"{fps:.0f} new pictures/s are left."
    )
    return Note("repeated frames", "limited", text)


def _graded(value: float, good: float, limited: float) -> QualityState:
    """Grade a share or a rate of which more is better."""
    return "good" if value >= good else "limited" if value >= limited else "poor"


def _frame_rate(tracks: Tracks, settings: QualitySettings, clock: ClockSettings) -> Note:
    fps = tracks.rate_hz
    step_ms = 1000.0 / fps
    text = (
        f"{fps:.0f} frames/s: one frame is {step_ms:.0f} ms, and counting frames alone would "
        f"know an interval to {1000 * interval_sd_s(1.0 / fps):.0f} ms (standard uncertainty)."
    )
    if fps < clock.timing_rate_hz:
        text += (
            " Too slow for which foot lands first, for toe to heel, and for a difference in time "
            f"between the limbs below {step_ms:.0f} ms: these are not given. Contact and flight "
            "times carry the uncertainty that stands beside them. Film at 60 frames/s or more."
        )
    state = _graded(fps, settings.good_rate_hz, settings.limited_rate_hz)
    return Note("frame rate", state, text)


def _unknown_rate(clip: Clip) -> Note:
    text = (
        f"The clip plays {clip.median_fps:.0f} frames/s; how many were filmed in a second of life "
        "is not known."
    )
    return Note("frame rate", "limited", text)


def _intervals(clip: Clip, clock: ClockSettings) -> Note | None:
    """Say where frames are missing, and how unevenly they come."""
    steps_ms = 1000 * np.diff(clip.t_s)
    gaps = find_gaps(clip.t_s, clock)
    uneven = (
        f"Frames come every {np.median(steps_ms):.1f} ms, {steps_ms.min():.1f} to "
        f"{steps_ms.max():.1f} ms"
    )
    if not gaps:
        late = steps_ms.max() > clock.gap_share * np.median(steps_ms)
        even = rate_ratio(clip.t_s) < clock.other_rate_ratio
        text = f"{uneven}; each is measured at its own time."
        return Note("clock", "good", text) if late and even else None
    longest = max(gaps, key=lambda gap: gap.length_s)
    count = "One gap" if len(gaps) == 1 else f"{len(gaps)} gaps"
    text = (
        f"{count} between frames, the longest {1000 * longest.length_s:.0f} ms at "
        f"{longest.start_s:.2f} s; events beside a gap are less certain, a rep across one of "
        f"more than {1000 * clock.void_gap_s:.0f} ms is not used. {uneven}."
    )
    return Note("clock", "limited", text)


def _view(view: ViewEstimate, settings: QualitySettings) -> Note:
    if view.view == "oblique":
        text = "Oblique: neither knee flexion nor FPPA can be measured; film square-on."
        return Note("view", "poor", text)
    turned_deg = abs(view.yaw_deg)
    if not np.isfinite(turned_deg):
        return Note("view", "limited", "The turn of the body could not be seen.")
    text = f"Turned by {turned_deg:.0f} deg"
    if view.view in FRONTAL_VIEWS:
        false_deg = abs(float(false_fppa_deg(_BENT_DEG, turned_deg)))
        text += (
            f": a knee bent by {_BENT_DEG:.0f} deg would then show up to {false_deg:.0f} deg of "
            "false FPPA, of opposite sign in the two limbs"
        )
    if turned_deg <= settings.square_on_deg:
        return Note("view", "good", text + ".")
    return Note("view", "limited", text + ". Film square-on.")


def _landmarks(tracks: Tracks, settings: QualitySettings) -> Note:
    seen = float(np.isfinite(tracks.raw_px[:, _LEG, 0]).all(axis=1).mean())
    text = f"Both legs were seen in {100 * seen:.0f} % of the frames"
    bridged = int(tracks.filled[:, _LEG].any(axis=1).sum())
    if bridged:
        text += f", {bridged} of them with short gaps bridged"
    swapped = int(tracks.swapped.sum())
    if swapped:
        text += f"; left and right were exchanged back in {swapped}"
    state = _graded(seen, settings.good_seen_share, settings.limited_seen_share)
    return Note("landmarks", state, text + ".")


def _feet(tracks: Tracks, settings: QualitySettings) -> Note | None:
    visibility = tracks.visibility[:, _FEET]
    hidden = float((visibility < settings.clear_visibility).all(axis=1).mean())
    if hidden <= settings.hidden_share:
        return None
    text = (
        f"The feet are unclear in {100 * hidden:.0f} % of the frames; keep them in the picture "
        "and in the light."
    )
    return Note("feet in view", "limited", text)


def _count(reps: Reps, settings: QualitySettings) -> Note | None:
    used = sum(rep.used for rep in reps.reps)
    if used == 0 or used >= settings.enough_reps:
        return None
    text = (
        f"{used} used rep{'s' if used > 1 else ''}; a mean of {settings.enough_reps} or more is "
        "steadier (Ortiz 2007)."
    )
    return Note("count of reps", "limited", text)
