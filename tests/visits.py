"""Rows of a patient's visits, made to measure."""

from __future__ import annotations

from datetime import date, timedelta

from landing_analysis.trend.visits import SetMean, VisitMean, visit_means

FIRST_DAY = date(2026, 3, 2)


def set_mean(value: float, **other: object) -> SetMean:
    """Return a set filmed square-on from the front at 60 frames/s; ``week`` counts from 0."""
    week = other.pop("week", 0)
    return SetMean(**{
        "code": "P07", "day": FIRST_DAY + timedelta(weeks=week), "exercise": "jump",
        "name": "fppa_peak_flexion", "limb": "left", "value": value, "sd": 0.5, "reps": 8,
        "view": "front", "near_limb": None, "yaw_deg": 0.0, "yaw_sd_deg": 2.5,
        "frame_rate_hz": 60.0, "made_with": "now", **other,
    })  # fmt: skip


def visit(value: float, **other: object) -> VisitMean:
    """Return a visit of one set."""
    return visit_means([set_mean(value, **other)])[0]
