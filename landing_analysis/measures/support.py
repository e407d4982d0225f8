"""(Light, View) -> Support: what of the legs the picture shows, and what that costs the numbers.

The pose model puts a knee under a coat and feet into the dark as if it saw them, with the
same visibility and hardly more noise. So the picture itself is asked how far the legs stand
out from what is around them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot

import numpy as np

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.measures.summaries import SUPPORT, compare_sides, summarise
from landing_analysis.settings import ContactSettings, LightSettings
from landing_analysis.tables import (
    LIGHT_PARTS,
    LIMBS,
    Contacts,
    Event,
    KneeAngles,
    Light,
    Limb,
    Measure,
    Measures,
    Note,
    QualityState,
    Rep,
    Reps,
    UncertaintyPart,
)

_FULL_LEVEL = 255.0
_FLEXION = tuple(name for name in DEFINITIONS if name.startswith("knee_flexion"))
_FPPA = tuple(name for name in DEFINITIONS if name.startswith("fppa"))
_OF_KNEE = (*_FLEXION, *_FPPA, "knee_over_toes_offset")
_TIME_OF_KNEE = "time_to_peak_flexion"
_OF_FEET = ("pelvis_shift", "knee_over_toes_offset")
_MUCH_MORE = 2.0  # a camera in motion changes both alike (choice)
_OF_BOTH_KNEES = "knee_ankle_separation_ratio"


@dataclass(frozen=True)
class Support:
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


def judge_support(
    light: Light | None, near_limb: Limb | None, settings: LightSettings
) -> Support | None:
    """Say what of the legs can be seen.

    Parameters
    ----------
    light : of the patient alone (one slot), None where it was not measured
    near_limb : of a side view, whose other limb is hidden anyway; else None
    settings : LightSettings

    Returns
    -------
    Support, None where there was no light to judge by

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
    return Support(
        body_level=body,
        around_level=around,
        leg_levels=float(np.mean([max(at.values()) for at in steps.values()])),
        toe_levels=float(np.mean([at["toe"] for at in steps.values()])),
        covered=covered,
        loose=loose,
        mirrors=_mirrors(light, settings.mirror_share * usual),
        near_limb=near_limb,
    )


def _mirrors(light: Light, least_levels: float) -> bool:
    """Tell whether the floor in front of the feet changes while that beside it does not."""
    changes = light.floor_levels[:, 0]
    seen = changes[np.isfinite(changes).all(axis=1)]
    if not len(seen):
        return False
    in_front, beside = np.median(seen, axis=0)
    return bool(in_front - beside > least_levels and in_front > _MUCH_MORE * beside)


# --- what poor support costs -------------------------------------------------------------------


def contact_settings(
    support: Support | None, contacts: ContactSettings, settings: LightSettings
) -> ContactSettings:
    """Trust the feet more than the body where cloth hides the hips: a coat swings on its own."""
    if support is None or not support.covered:
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


@dataclass(frozen=True)
class EdgeSds:
    """What is added to the standard uncertainty of landings and of take-offs, seconds."""

    on_s: float = 0.0
    off_s: float = 0.0


def edge_sds(support: Support | None, settings: LightSettings) -> EdgeSds:
    """Return what poor support costs the edges of contacts; a take-off suffers more."""
    if support is None:
        return EdgeSds()
    dark = _lack(support.leg_levels, settings.clear_levels)
    lost = _is_lost(support, settings)
    cloth_s = settings.covered_edge_sd_s if support.covered else 0.0
    mirror_s = settings.mirror_on_sd_s * support.mirrors
    return EdgeSds(
        hypot(settings.dark_on_sd_s * dark, settings.lost_on_sd_s * lost, cloth_s, mirror_s),
        hypot(settings.dark_off_sd_s * dark, settings.lost_off_sd_s * lost, cloth_s),
    )


def _is_lost(support: Support, settings: LightSettings) -> bool:
    """Tell whether the feet merge with the floor."""
    return support.toe_levels < settings.lost_foot_levels


def refuse_unsure(reps: Reps, support: Support | None, settings: LightSettings) -> Reps:
    """Refuse hops of a dark or covered side view, whose other foot may have landed unseen.

    Parameters
    ----------
    reps : Reps of a side view whose task was not given
    support : of the patient, None where it was not measured
    settings : LightSettings
    """
    if support is None:
        return reps
    dark = support.leg_levels < settings.clear_levels
    if not (dark or support.covered or _is_lost(support, settings)):
        return reps
    return replace(reps, reps=tuple(_unsure(rep) for rep in reps.reps))


def _unsure(rep: Rep) -> Rep:
    if rep.task != "hop" or not rep.used:
        return rep
    reason = (
        "the feet are not seen well enough to know whether one landed or both; name the task if "
        "it was a hop"
    )
    return replace(rep, used=False, reason=reason)


def widen_contacts(contacts: Contacts, more: EdgeSds) -> Contacts:
    """Add standard uncertainties to the edges of all contacts and flights."""
    if more == EdgeSds():
        return contacts

    def wider(event: Event, landing: bool) -> Event:
        return replace(event, sd_s=hypot(event.sd_s, more.on_s if landing else more.off_s))

    return contacts.with_events(wider)


def hold_measures(
    measures: Measures, support: Support | None, settings: LightSettings, first_limb: Limb
) -> Measures:
    """Refuse the angles of a knee that is not seen, and widen those that are poorly seen.

    Parameters
    ----------
    measures : Measures
    support : of the patient, None where it was not measured
    settings : LightSettings
    first_limb : the limb that is named first in comparisons

    Returns
    -------
    Measures, the same where the legs stand out well
    """
    if support is None:
        return measures
    rows = tuple(_row(row, support, settings) for row in measures.measures)
    if rows == measures.measures:
        return measures
    return replace(
        measures,
        measures=rows,
        summaries=summarise(rows),
        comparisons=compare_sides(rows, first_limb),
    )


def _row(row: Measure, support: Support, settings: LightSettings) -> Measure:
    covered = row.limb in support.covered if row.limb else bool(support.covered)
    if row.value is None or row.sd is None:
        return row
    of_knee = row.name in (*_OF_KNEE, _OF_BOTH_KNEES) or (
        row.name == _TIME_OF_KNEE and row.limb == support.near_limb
    )
    if covered and of_knee:
        return replace(row, value=None, sd=None, parts=(), frames=(), reason=_COVERED)
    more = _more_sd(row, support, settings)
    if more == 0.0:
        return row
    parts = (*row.parts, UncertaintyPart(SUPPORT, more))
    return replace(row, sd=hypot(row.sd, more), parts=parts)


_COVERED = (
    "not measurable: nothing of the leg's outline is seen at thigh and knee, as under a coat or "
    "before a background of the same colour; film in shorts"
)


def _more_sd(row: Measure, support: Support, settings: LightSettings) -> float:
    """Return what cloth, dark and floor add to one value, in its unit."""
    dark = _lack(support.leg_levels, settings.clear_levels)
    loose = row.limb in support.loose
    lost_feet = _is_lost(support, settings)
    if row.name in _OF_FEET:
        return settings.lost_offset_sd_pct * lost_feet
    if row.name in _FLEXION:
        lost = settings.lost_flexion_sd_deg * lost_feet
        cloth = settings.loose_flexion_sd_deg * loose
        mirror = settings.mirror_flexion_sd_deg * support.mirrors
        return hypot(settings.dark_flexion_sd_deg * dark, cloth, lost, mirror)
    if row.name in _FPPA:
        return hypot(settings.dark_fppa_sd_deg * dark, settings.loose_fppa_sd_deg * loose)
    return 0.0


def seen_angles(angles: KneeAngles | None, support: Support | None) -> KneeAngles | None:
    """Leave out of the drawn curves those of a knee that is not seen."""
    if angles is None or support is None or not support.covered:
        return angles
    kept = {limb: deg for limb, deg in angles.deg.items() if limb not in support.covered}
    return replace(angles, deg=kept) if kept else None


# --- what is said ------------------------------------------------------------------------------


def support_notes(support: Support | None, settings: LightSettings) -> tuple[Note, ...]:
    """Say in words what of the legs can be seen, and what it costs.

    Returns
    -------
    tuple of Note: the light, and where there is need clothes, feet and floor; none where
    the light was not measured
    """
    if support is None:
        return ()
    notes = (_light_note(support, settings), _clothes_note(support, settings),
             _feet_note(support, settings), _mirror_note(support, settings))  # fmt: skip
    return tuple(note for note in notes if note is not None)


def _light_note(support: Support, settings: LightSettings) -> Note:
    body, around, legs = (
        f"{100 * level / _FULL_LEVEL:.0f} %"
        for level in (support.body_level, support.around_level, support.leg_levels)
    )
    seen = f"Patient {body}, background {around} of full brightness; the legs stand out by {legs}"
    dark = _lack(support.leg_levels, settings.clear_levels)
    if dark > 0.0:
        state: QualityState = "poor" if support.leg_levels < settings.poor_levels else "limited"
        text = (
            f"{seen}, too little to be seen well. Toe-off carries "
            f"{1000 * settings.dark_off_sd_s * dark:.0f} ms, knee flexion "
            f"{settings.dark_flexion_sd_deg * dark:.0f} deg and FPPA "
            f"{settings.dark_fppa_sd_deg * dark:.1f} deg more standard uncertainty. Film with the "
            "lights on, with light from the camera's side, before a wall unlike the clothes."
        )
        return Note("light", state, text)
    if support.around_level > settings.bright_level and support.body_level < settings.shadow_level:
        text = (
            f"{seen}. The patient is a dark shape before a bright background: look whether the "
            "drawn legs lie on the legs. Film with light from the camera's side and no window "
            "behind."
        )
        return Note("light", "limited", text)
    return Note("light", "good", f"{seen}.")


def _clothes_note(support: Support, settings: LightSettings) -> Note | None:
    if support.covered:
        text = (
            f"Nothing of the leg's outline is seen at {_knees(support.covered)}, as under a coat "
            "or before a background of the same colour: no angle is given there, and contacts "
            "rest on the feet. Film in shorts."
        )
        return Note("clothes", "poor", text)
    if support.loose:
        text = (
            f"The outline of {_knees(support.loose)} is faint, as in wide trousers: angles there "
            f"carry {settings.loose_flexion_sd_deg:.0f} deg (flexion) and "
            f"{settings.loose_fppa_sd_deg:.0f} deg (FPPA) more standard uncertainty. How far a "
            "knee is from where the cloth makes it seem is not in the picture. Film in shorts."
        )
        return Note("clothes", "limited", text)
    return None


def _knees(limbs: tuple[Limb, ...]) -> str:
    return f"the {limbs[0]} knee" if len(limbs) == 1 else "both knees"


def _feet_note(support: Support, settings: LightSettings) -> Note | None:
    if not _is_lost(support, settings):
        return None
    text = (
        f"The toes stand out from the floor by {100 * support.toe_levels / _FULL_LEVEL:.0f} % of "
        "full brightness: feet are not told from it well. Toe-off carries "
        f"{1000 * settings.lost_off_sd_s:.0f} ms and knee flexion "
        f"{settings.lost_flexion_sd_deg:.0f} deg more standard uncertainty; a foot behind the "
        "other may have landed unseen. Film in shoes unlike the floor."
    )
    return Note("shoes and floor", "poor", text)


def _mirror_note(support: Support, settings: LightSettings) -> Note | None:
    if not support.mirrors:
        return None
    text = (
        "The floor in front of the feet changes with the body, as where it mirrors or where a hard "
        "shadow falls: feet may be drawn toward their own image. The image is not measured; "
        f"initial contact carries {1000 * settings.mirror_on_sd_s:.0f} ms and knee flexion "
        f"{settings.mirror_flexion_sd_deg:.0f} deg more standard uncertainty. Film on a dull floor."
    )
    return Note("floor", "limited", text)
