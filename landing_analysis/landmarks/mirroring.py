"""A second look, at the mirrored picture.

What the pose model adds to one side of a body it adds to the other there, so that the mean of both
looks is fair to both limbs (tests/accuracy/methods/angles.md).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from landing_analysis.landmarks.people import OTHER_SIDE
from landing_analysis.landmarks.windows import Relaid
from landing_analysis.settings import PoseSettings
from landing_analysis.tables import LANDMARK, FloatArray, IntArray, Landmarks, Seen, View

MIRRORED_VIEWS: tuple[View, ...] = ("front", "back")
"""Views in which an FPPA is read from both looks."""
MIRRORED_STANDING: tuple[View, ...] = ("front",)
"""Those of them in which the angle in quiet standing counts, too (drawn)."""
SEEN_AS_RIGHT: tuple[View, ...] = ("right_side",)
"""Views whose near knee is read from the mirrored look, in which it is a left one (drawn)."""
_TORSO = [LANDMARK[f"{limb}_{part}"] for part in ("shoulder", "hip") for limb in ("left", "right")]


def relaid_closer(settings: PoseSettings) -> Relaid:
    """Return how windows are laid anew around a body that is filmed from the right, and mirrored.

    It faces left there.
    """
    turn = -np.radians(settings.relaid_forward_deg)
    return Relaid(settings.relaid_side_share, settings.relaid_lower, float(turn))


def turned_back(people: FloatArray, width_px: int) -> FloatArray:
    """Return who was seen in a mirrored picture, (people, 33, 6), as in the picture itself."""
    people = people[:, OTHER_SIDE]
    people[..., 0] = width_px - 1 - people[..., 0]
    people[..., 3] *= -1
    return people


def seen_mirrored(
    seen: Sequence[Seen], numbers: IntArray, patient: Landmarks, most_torsos: float
) -> FloatArray:
    """Return (n_frames, 33, 2) the patient's points by looks at mirrored pictures.

    Parameters
    ----------
    seen : in mirrored pictures, turned back
    numbers : (n_frames,) of all frames
    patient : as filmed, of the same frames
    most_torsos : from the patient's torso, in its own lengths, beyond which it is somebody else's

    Returns
    -------
    (n_frames, 33, 2)
        NaN where nobody looked, or the patient was not seen.
    """
    points_px = np.full_like(patient.xy_px, np.nan)
    for look in seen:
        frame = int(np.searchsorted(numbers, look.number))
        people = look.people
        own = patient.xy_px[frame, _TORSO]
        torso_px = float(np.linalg.norm(own[:2].mean(axis=0) - own[2:].mean(axis=0)))
        away_px = np.linalg.norm(people[:, _TORSO, :2] - own, axis=-1).mean(axis=-1)
        if len(people) and away_px.min() < most_torsos * torso_px:
            points_px[frame] = people[int(away_px.argmin()), :, :2]
    return points_px
