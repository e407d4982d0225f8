"""Six invented patients over twelve weeks, and the distributions that their numbers come from.

Every number here is a choice that makes the pages show something; none is measured.
"""

from __future__ import annotations

from dataclasses import dataclass

from landing_analysis.measures.summaries import MODEL_TIMING, OFFSET
from landing_analysis.tables import Exercise, Limb


@dataclass(frozen=True)
class Story:
    """How one invented patient fares.

    ``days_before`` are the visits, counted back from the last day. ``deficit`` is the
    surgical limb's share of the invented deficit at each visit, 1 being all of it.
    ``inward_deg`` is added to that limb's FPPA at the last visit, ``rates_hz`` the frame
    rate at each visit, and ``poor`` whether the last visit can hardly be read. The sample clips of
    the body ``sample`` become the last visit.
    """

    code: str
    surgical_side: Limb | None
    weeks_since_surgery: int | None
    stature_m: float | None
    days_before: tuple[int, ...]
    deficit: tuple[float, ...]
    rates_hz: tuple[float, ...]
    fppa_deficit_deg: float = 4.0
    inward_deg: float = 0.0
    poor: bool = False
    sample: str | None = None


_EVEN_WEEKS = (84, 70, 56, 42, 28, 14, 0)
_AT_60 = (60.0,) * 7

STORIES: tuple[Story, ...] = (
    Story("DEMO1", "left", 14, 1.72, _EVEN_WEEKS, (1.0, 0.8, 0.7, 0.5, 0.4, 0.3, 0.2), _AT_60,
          sample="p01"),
    Story("DEMO2", "right", 18, 1.80, _EVEN_WEEKS, (0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2), _AT_60,
          sample="p02"),
    Story("DEMO3", "left", 12, 1.66, _EVEN_WEEKS, (1.2, 1.1, 0.9, 0.7, 0.5, 0.3, 0.2), _AT_60,
          fppa_deficit_deg=12.0),
    Story("DEMO4", "right", 20, 1.85, _EVEN_WEEKS, (0.5, 0.4, 0.4, 0.3, 0.3, 0.3, 1.4), _AT_60,
          inward_deg=13.0),
    Story("DEMO5", "left", 16, 1.75, _EVEN_WEEKS, (0.8, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3),
          (30.0, 30.0, 30.0, 60.0, 60.0, 60.0, 30.0), poor=True),
    Story("DEMO6", None, None, None, (9,), (0.3,), (60.0,)),
)  # fmt: skip
"""The six patients."""


@dataclass(frozen=True)
class Spread:
    """Where one measure's numbers come from.

    Attributes
    ----------
    typical : of the non-surgical limb or the whole body
    deficit : added for the surgical limb
    rep_sd, set_sd : from rep to rep, and from set to set within a visit
    noise_sd, shared_sd : the standard uncertainty that is claimed, in its two parts
    shared : name of the part that all reps share
    """

    typical: float
    deficit: float
    rep_sd: float
    set_sd: float
    noise_sd: float
    shared_sd: float
    shared: str = OFFSET


FRONT: dict[str, Spread] = {
    "contact_time": Spread(0.300, 0.050, 0.014, 0.006, 0.006, 0.010, MODEL_TIMING),
    "flight_time": Spread(0.330, 0.0, 0.012, 0.006, 0.005, 0.010, MODEL_TIMING),
    "jump_height": Spread(0.133, 0.0, 0.010, 0.004, 0.004, 0.008, MODEL_TIMING),
    "fppa_initial_contact": Spread(1.0, 1.5, 1.5, 1.0, 1.0, 2.2),
    "fppa_peak_flexion": Spread(3.0, 1.0, 2.5, 1.6, 0.9, 2.2),
    "fppa_peak_inward": Spread(4.0, 1.0, 2.5, 1.6, 0.9, 2.2),
    "knee_over_toes_offset": Spread(2.0, 1.0, 1.5, 0.9, 0.4, 2.0),
    "knee_ankle_separation_ratio": Spread(1.05, 0.0, 0.04, 0.02, 0.02, 0.05),
    "pelvis_shift": Spread(0.0, 0.0, 2.0, 1.2, 0.6, 3.0),
    "inter_limb_delay": Spread(0.0, 0.0, 6.0, 2.0, 5.0, 8.0, MODEL_TIMING),
    "trunk_lean": Spread(0.0, 0.0, 0.6, 0.4, 0.2, 1.2),
}
"""What a front view of jumps shows."""

SIDE: dict[str, Spread] = {
    "contact_time": Spread(0.302, 0.050, 0.014, 0.006, 0.006, 0.010, MODEL_TIMING),
    "knee_flexion_initial_contact": Spread(22.0, -3.0, 2.0, 1.2, 1.0, 2.5),
    "knee_flexion_peak": Spread(68.0, -14.0, 3.0, 1.8, 1.0, 2.5),
    "knee_flexion_excursion": Spread(46.0, -11.0, 3.0, 1.8, 1.4, 1.5),
    "toe_to_heel_interval": Spread(45.0, 0.0, 8.0, 4.0, 8.0, 12.0, MODEL_TIMING),
    "trunk_flexion": Spread(24.0, 0.0, 2.0, 1.5, 0.6, 2.0),
}
"""What a side view shows of the near limb, and of the trunk."""

_FPPA = {name: FRONT[name] for name in FRONT if name.startswith("fppa_")}

STEPS: dict[Exercise, dict[str, Spread]] = {
    "alternating_jump": {
        "contact_time": Spread(0.330, 0.040, 0.014, 0.006, 0.006, 0.010, MODEL_TIMING),
        "flight_time": Spread(0.300, 0.0, 0.012, 0.006, 0.005, 0.010, MODEL_TIMING),
        **_FPPA,
    },
    "lateral_bound": {
        "contact_time": Spread(0.420, 0.050, 0.018, 0.008, 0.006, 0.010, MODEL_TIMING),
        "flight_time": Spread(0.140, 0.0, 0.012, 0.006, 0.005, 0.010, MODEL_TIMING),
        "pelvis_height": Spread(84.0, 3.0, 2.0, 1.0, 0.8, 2.0),
        **_FPPA,
    },
    "jog_in_place": {
        "contact_time": Spread(0.240, 0.020, 0.012, 0.005, 0.006, 0.012, MODEL_TIMING),
        "flight_time": Spread(0.125, 0.0, 0.010, 0.005, 0.005, 0.012, MODEL_TIMING),
        "thigh_angle_peak": Spread(34.0, -3.0, 3.0, 1.5, 1.0, 4.0),
    },
    "high_knees": {
        "contact_time": Spread(0.215, 0.020, 0.012, 0.005, 0.006, 0.012, MODEL_TIMING),
        "flight_time": Spread(0.125, 0.0, 0.010, 0.005, 0.005, 0.012, MODEL_TIMING),
        "thigh_angle_peak": Spread(86.0, -7.0, 4.0, 2.0, 1.0, 4.0),
    },
    "heel_kicks": {
        "contact_time": Spread(0.210, 0.020, 0.012, 0.005, 0.006, 0.012, MODEL_TIMING),
        "flight_time": Spread(0.125, 0.0, 0.010, 0.005, 0.005, 0.012, MODEL_TIMING),
        "heel_height_peak": Spread(64.0, -6.0, 3.0, 1.5, 1.0, 3.0),
    },
}
"""What is shown of both limbs in exercises that go from foot to foot."""
