"""One analysis against one truth: errors per contact and per measure, with claimed uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from landing_analysis.contacts.events import match_events

MATCH_WINDOW_S = 0.100
"""A found contact farther than this from a true one is invented (choice)."""

# Measure in analysis.json -> key in the truth's landing of one limb, and its factor.
LIMB_TRUTHS = {
    "contact_time": "contact_time_s",
    "knee_flexion_initial_contact": "knee_flexion_initial_contact_deg",
    "knee_flexion_peak": "knee_flexion_peak_deg",
    "fppa_initial_contact": "fppa_initial_contact_deg",
    "fppa_peak_flexion": "fppa_peak_flexion_deg",
    "fppa_peak_inward": "fppa_most_inward_deg",
}
SET_CONTACT_TIME = "contact_time_set_mean"
BODY_TRUTHS = {
    "flight_time": "flight_time_s",
    "inter_limb_delay": "landing_lead_s",
    "pelvis_shift": "pelvis_shift_pct",
    "trunk_lean": "trunk_lean_deg",
    "trunk_flexion": "trunk_flexion_deg",
}


@dataclass(frozen=True)
class Error:
    """Measured minus true of one quantity, with the standard uncertainty claimed for it."""

    clip: str
    quantity: str
    limb: str | None
    rep: int | None
    error: float
    sd: float
    true: float

    @property
    def covered(self) -> bool:
        """True when the truth lies within the claimed 95 % interval."""
        return abs(self.error) <= 1.96 * self.sd


@dataclass(frozen=True)
class Score:
    """What was found, missed and invented in one clip, and every error."""

    clip: str
    contacts_true: int
    contacts_missed: int
    contacts_invented: int
    reps_true: int
    reps_found: int
    errors: tuple[Error, ...]
    declined: tuple[tuple[str, str | None], ...] = ()
    """Quantity and limb of each truth, in a contact or rep that was found, without a value."""


def score_clip(clip: str, analysis: dict, truth: dict) -> Score:
    """Hold one analysis document against one truth document."""
    errors: list[Error] = []
    declined: list[tuple[str, str | None]] = []
    missed = invented = 0
    for limb in ("left", "right"):
        true = [c for c in truth["contacts"] if c["limb"] == limb]
        found = [c for c in analysis["contacts"] if c["limb"] == limb]
        pairs = match_events(
            np.array([c["initial_contact_s"] for c in true]),
            np.array([c["initial_contact_s"] for c in found]),
            MATCH_WINDOW_S,
        )
        missed += len(true) - len(pairs)
        invented += len(found) - len(pairs)
        for row, column in pairs:
            for event in ("initial_contact", "toe_off"):
                expected, got = true[row][f"{event}_s"], found[column][f"{event}_s"]
                if expected is None:
                    continue
                if got is None:
                    declined.append((event, limb))
                    continue
                sd = found[column][f"{event}_sd_s"]
                errors.append(Error(clip, event, limb, None, got - expected, sd, expected))
    for number, rep in paired_reps(analysis, truth):
        of_rep, without = _measure_errors(clip, number, rep, truth["reps"][number])
        errors += of_rep
        declined += without
    errors += _set_errors(clip, errors)
    return Score(
        clip,
        len(truth["contacts"]),
        missed,
        invented,
        len(truth["reps"]),
        len(analysis["reps"]),
        tuple(errors),
        tuple(declined),
    )


def score_nothing(clip: str, truth: dict) -> Score:
    """Score of a clip that could not be analysed: everything in it was missed."""
    contacts = len(truth["contacts"])
    return Score(clip, contacts, contacts, 0, len(truth["reps"]), 0, ())


def paired_reps(analysis: dict, truth: dict) -> list[tuple[int, dict]]:
    """Pair found reps with row numbers of true ones, by the first contact of their landing."""
    found = [rep for rep in analysis["reps"] if rep["flight"]["landing_s"] is not None]
    true_s = [_landing_s(rep) for rep in truth["reps"]]
    pairs = match_events(
        np.array(true_s), np.array([rep["flight"]["landing_s"] for rep in found]), MATCH_WINDOW_S
    )
    return [(row, found[column]) for row, column in pairs]


def _landing_s(rep: dict) -> float:
    return rep["take_off_s"] + rep["flight_time_s"]


def _measure_errors(
    clip: str, number: int, rep: dict, truth: dict
) -> tuple[list[Error], list[tuple[str, str | None]]]:
    errors, declined = [], []
    for measure in rep["measures"]:
        name, limb, value = measure["name"], measure["limb"], measure["value"]
        if name in LIMB_TRUTHS:
            expected = truth["landing"].get(limb, {}).get(LIMB_TRUTHS[name])
        else:
            expected = truth.get(BODY_TRUTHS.get(name, ""))
        if expected is None:
            continue
        if value is None:
            declined.append((name, limb))
            continue
        if name == "inter_limb_delay":
            expected *= 1000.0
        error = value - expected
        errors.append(Error(clip, name, limb, number + 1, error, measure["sd"], expected))
    return errors, declined


def _set_errors(clip: str, errors: list[Error]) -> list[Error]:
    """Errors of the mean contact time of each limb over the clip's reps; no claim is tested."""
    of_set = []
    for limb in ("left", "right"):
        values = [e for e in errors if e.quantity == "contact_time" and e.limb == limb]
        if values:
            mean, true = (
                float(np.mean([getattr(e, x) for e in values])) for x in ("error", "true")
            )
            of_set.append(Error(clip, SET_CONTACT_TIME, limb, None, mean, float("nan"), true))
    return of_set


def summary_row(errors: list[Error]) -> dict[str, float]:
    """Summarise errors: count, bias, median, 95th percentile, RMS, share covered."""
    values = np.array([e.error for e in errors])
    return {
        "n": len(values),
        "bias": float(values.mean()),
        "median": float(np.median(np.abs(values))),
        "p95": float(np.percentile(np.abs(values), 95)),
        "worst": float(np.abs(values).max()),
        "rms": float(np.sqrt((values**2).mean())),
        "covered": float(np.mean([e.covered for e in errors])),
    }
