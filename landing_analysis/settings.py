"""Every adjustable number of the stages, in seconds, degrees and hertz, with its source."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

from landing_analysis.errors import SettingsError


@dataclass(frozen=True)
class PoseSettings:
    """How the pose model is asked."""

    scout_interval_s: float = 0.5  # choice: a bystander in view for a second is seen twice
    max_people: int = 3  # choice: patient, spotter and one passer-by
    workers: int = 2  # one landmarker per core; more gives nothing on one thread each


@dataclass(frozen=True)
class TrackSettings:
    """How landmarks become tracks."""

    max_gap_s: float = 0.1  # the longest gap that is bridged
    angle_cutoff_hz: float = 15.0  # motion low-pass in landing work: Nordin & Dufek, PMC4969247
    cutoff_per_rate: float = 0.2  # cut-off at most this share of the frame rate (choice)
    min_visibility: float = 0.3  # full model, image mode; lower limb seldom falls below .6


@dataclass(frozen=True)
class ContactSettings:
    """How contacts and flights are found."""

    min_flight_s: float = 0.06  # shorter than the shortest running flight, 75 ms (CMU, Rajagopal)
    max_flight_s: float = 1.0  # a jump of 1.2 m
    min_contact_s: float = 0.08  # below the fastest rebound, 150 ms (plausibility, no source)
    max_contact_s: float = 1.5  # a longer stay on the ground is a held landing (choice)


@dataclass(frozen=True)
class Settings:
    """All settings of one analysis."""

    pose: PoseSettings = field(default_factory=PoseSettings)
    tracks: TrackSettings = field(default_factory=TrackSettings)
    contacts: ContactSettings = field(default_factory=ContactSettings)
    target_flexion_deg: float = 60.0  # taught landing target; common practice, no source

    def __post_init__(self) -> None:
        for group in (self.pose, self.tracks, self.contacts):
            for item in fields(group):
                if getattr(group, item.name) <= 0:
                    raise SettingsError(
                        f"Setting {item.name} is {getattr(group, item.name)}; it must be above 0."
                    )
        if not 0 < self.target_flexion_deg < 150:
            raise SettingsError(
                f"The target knee flexion is {self.target_flexion_deg} deg; "
                "give a value between 0 and 150."
            )
