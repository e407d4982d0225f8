"""(Light, View) -> LegVisibility -> Effect: what of the legs the picture shows, and its cost.

The pose model puts a knee under a coat and feet into the dark as if it saw them, with the
same visibility and hardly more noise. So the picture itself is asked how far the legs stand
out from what is around them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot

import numpy as np

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.disturbances.effects import (
    NO_EFFECT,
    Effect,
    Suppressed,
    VoidExercise,
    WiderEvents,
    WiderMeasures,
)
from landing_analysis.reasons import Code, because
from landing_analysis.settings import ContactSettings, LightSettings
from landing_analysis.tables import (
    LIGHT_PARTS,
    LIMBS,
    KneeAngles,
    Light,
    Limb,
    Note,
    QualityState,
)

PART = "poorly seen legs"

_FULL_LEVEL = 255.0  # definition: of eight bits
_FLEXION = tuple(name for name in DEFINITIONS if name.startswith("knee_flexion"))
_FPPA = tuple(name for name in DEFINITIONS if name.startswith("fppa"))
_OF_KNEE = (*_FLEXION, *_FPPA, "knee_over_toes_offset")
_TIME_OF_KNEE = "time_to_peak_flexion"
_OF_FEET = ("pelvis_shift", "knee_over_toes_offset")
_OF_BOTH_KNEES = "knee_ankle_separation_ratio"


@dataclass(frozen=True)
class LegVisibility:
    """How far the legs of the limbs that are measured stand out from their surroundings.

    Attributes
    ----------
    body_level, around_level : median grey level of patient and background, 0..255
    leg_levels : the strongest of the steps in grey level along the leg, mean of the limbs
    toe_levels : the step at the toes
    covered, loose : limbs whose thigh shows no outline, or whose knee only a faint one
    mirrors : the floor in front of the feet changes with the body
    near_limb : of a side view, where the time of peak flexion is read from the knee
    """

    body_level: float
    around_level: float
    leg_levels: float
    toe_levels: float
    covered: tuple[Limb, ...]
    loose: tuple[Limb, ...]
    mirrors: bool
    near_limb: Limb | None = None


def judge_leg_visibility(
    light: Light | None, near_limb: Limb | None, settings: LightSettings
) -> LegVisibility | None:
    """Say what of the legs can be seen.

    Parameters
    ----------
    light : of the patient alone (one slot), None where it was not measured
    near_limb : of a side view, whose other limb is hidden anyway; else None
    settings : LightSettings

    Returns
    -------
    LegVisibility, None where there was no light to judge by

    Notes
    -----
    The step in grey level around the leg is held against the step from body to background. A
    leg shows its outline within 12 cm of the middle of the thigh, wide trousers too; in the
    middle of a coat there is none. A bare knee shows it within 9 cm. Dark cloth before a dark
    wall looks the same, and is as little seen. Limit: cloth with a pattern, or with folds that
    catch the light, passes for a leg.
    """
    if light is None or not np.isfinite(light.contrast_levels).any():
        return None
    levels = np.nanmedian(light.contrast_levels[:, 0], axis=0).reshape(len(LIMBS), -1)
    steps = {
        limb: dict(zip(LIGHT_PARTS, levels[LIMBS.index(limb)], strict=True))
        for limb in (LIMBS if near_limb is None else (near_limb,))
    }
    body, around = (float(np.nanmedian(x)) for x in (light.body_levels, light.around_levels))
    usual = max(abs(around - body), settings.least_step_levels)
    covered = tuple(
        limb for limb, at in steps.items() if at["thigh_12cm"] < settings.covered_share * usual
    )
    loose = tuple(
        limb
        for limb, at in steps.items()
        if limb not in covered and at["knee_9cm"] < settings.loose_share * usual
    )
    return LegVisibility(
        body_level=body,
        around_level=around,
        leg_levels=float(np.mean([max(at.values()) for at in steps.values()])),
        toe_levels=float(np.mean([at["toe"] for at in steps.values()])),
        covered=covered,
        loose=loose,
        mirrors=_mirrors(light, settings.mirror_share * usual, settings.mirror_ratio),
        near_limb=near_limb,
    )


def _mirrors(light: Light, least_levels: float, least_ratio: float) -> bool:
    """Tell whether the floor in front of the feet changes while that beside it does not."""
    changes = light.floor_levels[:, 0]
    seen = changes[np.isfinite(changes).all(axis=1)]
    if not len(seen):
        return False
    in_front, beside = np.median(seen, axis=0)
    return bool(in_front - beside > least_levels and in_front > least_ratio * beside)


# --- what poorly seen legs cost ----------------------------------------------------------------


def contact_settings(
    legs: LegVisibility | None, contacts: ContactSettings, settings: LightSettings
) -> ContactSettings:
    """Trust the feet more than the body where cloth hides the hips: a coat swings on its own."""
    if legs is None or not legs.covered:
        return contacts
    reach_s = settings.covered_body_reach_s
    return replace(
        contacts,
        off_before_body_s=reach_s,
        off_after_body_s=reach_s,
        on_before_body_s=reach_s,
        body_off_sd_s=settings.covered_body_sd_s,
        body_on_sd_s=settings.covered_body_sd_s,
    )


def _lack(levels: float, enough_levels: float) -> float:
    """Return 0 where the step in grey level is enough, toward 1 where there is none."""
    return max(0.0, 1.0 - levels / enough_levels)


def leg_visibility_effect(
    legs: LegVisibility | None, settings: LightSettings, *, exercise_given: bool
) -> Effect:
    """Say what poorly seen legs cost.

    Parameters
    ----------
    legs : of the patient, None where it was not measured
    settings : LightSettings
    exercise_given : the clinician named the exercise, so that a hop is surely one

    Returns
    -------
    Effect
        Events and angles less certain by how much is lacking; a take-off suffers more than
        a landing. No angles of a covered knee. No hops of a dark or covered side view,
        whose other foot may have landed unseen.
    """
    if legs is None:
        return NO_EFFECT
    dark = _lack(legs.leg_levels, settings.clear_levels)
    lost = _is_lost(legs, settings)
    cloth_s = settings.covered_event_sd_s if legs.covered else 0.0
    mirror_s = settings.mirror_on_sd_s * legs.mirrors
    events = WiderEvents(
        hypot(settings.dark_on_sd_s * dark, settings.lost_on_sd_s * lost, cloth_s, mirror_s),
        hypot(settings.dark_off_sd_s * dark, settings.lost_off_sd_s * lost, cloth_s),
    )
    unsure_hop = (
        legs.near_limb is not None and not exercise_given and (dark or legs.covered or lost)
    )
    return Effect(
        events=(events,),
        void=(VoidExercise("hop", _UNSURE_HOP),) if unsure_hop else (),
        suppressed=_suppressed(legs),
        widened=_widened(legs, dark, lost, settings),
        notes=_notes(legs, settings),
    )


def _is_lost(legs: LegVisibility, settings: LightSettings) -> bool:
    """Tell whether the feet merge with the floor."""
    return legs.toe_levels < settings.lost_foot_levels


def _suppressed(legs: LegVisibility) -> tuple[Suppressed, ...]:
    if not legs.covered:
        return ()
    covered = frozenset(legs.covered)
    knee = Suppressed(frozenset({*_OF_KNEE, _OF_BOTH_KNEES}), _COVERED, covered, body_too=True)
    if legs.near_limb is None:
        return (knee,)
    return (knee, Suppressed(frozenset({_TIME_OF_KNEE}), _COVERED, covered))


def _widened(
    legs: LegVisibility, dark: float, lost: bool, settings: LightSettings
) -> tuple[WiderMeasures, ...]:
    """Return what cloth, dark and floor add to angles and offsets, limb by limb."""
    rows = []
    for limb in LIMBS:
        loose = limb in legs.loose
        flexion_deg = hypot(
            settings.dark_flexion_sd_deg * dark,
            settings.loose_flexion_sd_deg * loose,
            settings.lost_flexion_sd_deg * lost,
            settings.mirror_flexion_sd_deg * legs.mirrors,
        )
        fppa_deg = hypot(settings.dark_fppa_sd_deg * dark, settings.loose_fppa_sd_deg * loose)
        rows += [(_FLEXION, flexion_deg, limb), (_FPPA, fppa_deg, limb)]
    wider = [
        WiderMeasures(frozenset(names), PART, sd, frozenset({limb}))
        for names, sd, limb in rows
        if sd
    ]
    if lost:
        wider.append(WiderMeasures(frozenset(_OF_FEET), PART, settings.lost_offset_sd_pct))
    return tuple(wider)


_UNSURE_HOP = because(Code.FEET_NOT_SURE)
_COVERED = because(Code.LEG_COVERED)


def seen_angles(angles: KneeAngles | None, legs: LegVisibility | None) -> KneeAngles | None:
    """Leave out of the drawn curves those of a knee that is not seen."""
    if angles is None or legs is None or not legs.covered:
        return angles
    kept = {limb: deg for limb, deg in angles.deg.items() if limb not in legs.covered}
    return replace(angles, deg=kept) if kept else None


# --- what is said ------------------------------------------------------------------------------


def _notes(legs: LegVisibility, settings: LightSettings) -> tuple[Note, ...]:
    """Say in words what of the legs can be seen, and what it costs."""
    notes = (_light_note(legs, settings), _clothes_note(legs, settings),
             _feet_note(legs, settings), _mirror_note(legs, settings))  # fmt: skip
    return tuple(note for note in notes if note is not None)


def _light_note(legs: LegVisibility, settings: LightSettings) -> Note:
    seen = {
        "body_pct": _pct(legs.body_level),
        "around_pct": _pct(legs.around_level),
        "legs_pct": _pct(legs.leg_levels),
    }
    dark = _lack(legs.leg_levels, settings.clear_levels)
    if dark > 0.0:
        state: QualityState = "poor" if legs.leg_levels < settings.poor_levels else "limited"
        remark = because(
            Code.LEGS_TOO_DARK,
            **seen,
            toe_off_sd_ms=1000 * settings.dark_off_sd_s * dark,
            flexion_sd_deg=settings.dark_flexion_sd_deg * dark,
            fppa_sd_deg=settings.dark_fppa_sd_deg * dark,
        )
        return Note("light", state, (remark,))
    if legs.around_level > settings.bright_level and legs.body_level < settings.shadow_level:
        return Note("light", "limited", (because(Code.SILHOUETTE, **seen),))
    return Note("light", "good", (because(Code.LEGS_STAND_OUT, **seen),))


def _pct(level: float) -> float:
    return 100 * level / _FULL_LEVEL


def _clothes_note(legs: LegVisibility, settings: LightSettings) -> Note | None:
    if legs.covered:
        return Note("clothes", "poor", (because(Code.KNEES_COVERED, limbs=legs.covered),))
    if legs.loose:
        remark = because(
            Code.KNEES_FAINT,
            limbs=legs.loose,
            flexion_sd_deg=settings.loose_flexion_sd_deg,
            fppa_sd_deg=settings.loose_fppa_sd_deg,
        )
        return Note("clothes", "limited", (remark,))
    return None


def _feet_note(legs: LegVisibility, settings: LightSettings) -> Note | None:
    if not _is_lost(legs, settings):
        return None
    remark = because(
        Code.FEET_LIKE_FLOOR,
        toes_pct=_pct(legs.toe_levels),
        toe_off_sd_ms=1000 * settings.lost_off_sd_s,
        flexion_sd_deg=settings.lost_flexion_sd_deg,
    )
    return Note("shoes and floor", "poor", (remark,))


def _mirror_note(legs: LegVisibility, settings: LightSettings) -> Note | None:
    if not legs.mirrors:
        return None
    remark = because(
        Code.FLOOR_MIRRORS,
        initial_contact_sd_ms=1000 * settings.mirror_on_sd_s,
        flexion_sd_deg=settings.mirror_flexion_sd_deg,
    )
    return Note("floor", "limited", (remark,))
