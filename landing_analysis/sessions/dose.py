"""What was filmed of a session -> its dose: sets, reps or seconds, rest, foot contacts, pace.

Only what was filmed is counted: a set without a clip is not known, and nobody says that it was
not done. Landings on both feet at once are one foot contact, as the trade's volume figure counts
(each time a foot, or both together, meet the ground; Potach & Chu in the NSCA's textbook, from
memory), and one contact of each limb.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import hypot, sqrt

from landing_analysis.sessions.plan import Prescribed
from landing_analysis.settings import DoseSettings
from landing_analysis.tables import Limb

_SETTINGS = DoseSettings()
_PER_MIN = 60.0  # definition: seconds in a minute


@dataclass(frozen=True)
class Landed:
    """One counted landing; ``at_s`` is real time within the clip, None where it is in doubt."""

    limbs: tuple[Limb, ...]
    at_s: float | None


@dataclass(frozen=True)
class Filmed:
    """One exercise in one clip of a day.

    ``started_s`` is when the clip began, on a clock that the day's clips share, None where only
    the file's own time is known, which is that of a copy. ``duration_s`` is the clip's.
    """

    clip: int
    exercise: str
    started_s: float | None
    duration_s: float
    landings: tuple[Landed, ...]


@dataclass(frozen=True)
class SetDose:
    """One set as it was filmed.

    Attributes
    ----------
    exercise : its code
    clips : that show it, the one that is counted first
    reps : landings counted
    bout_s : from the first landing to the last
    contacts : of each limb
    pace_per_min : landings per minute of the bout
    rest_s, rest_sd_s : from the last landing of the set before it to its first, and its
        standard uncertainty; None for the first set and where a time is not known
    after_same : whether the set before it was of the same exercise
    """

    exercise: str
    clips: tuple[int, ...]
    reps: int
    bout_s: float | None
    contacts: dict[Limb, int]
    pace_per_min: float | None
    rest_s: float | None = None
    rest_sd_s: float | None = None
    after_same: bool = False


@dataclass(frozen=True)
class ExerciseDose:
    """All sets of one exercise, against its lines of the plan, which may be none."""

    exercise: str
    sets: tuple[SetDose, ...]
    prescribed: tuple[Prescribed, ...]

    @property
    def foot_contacts(self) -> int:
        """Landings of all sets, both feet together counting once."""
        return sum(one.reps for one in self.sets)

    def contacts(self, limb: Limb) -> int:
        """Return the contacts of one limb in all sets."""
        return sum(one.contacts[limb] for one in self.sets)


@dataclass(frozen=True)
class _Part:
    """A stretch of a clip without a rest in it."""

    clip: Filmed
    landings: tuple[Landed, ...]

    @property
    def first_s(self) -> float | None:
        return next((one.at_s for one in self.landings if one.at_s is not None), None)

    @property
    def last_s(self) -> float | None:
        return next((one.at_s for one in reversed(self.landings) if one.at_s is not None), None)


def dose_of(
    filmed: Iterable[Filmed],
    plan: Sequence[Prescribed] = (),
    settings: DoseSettings = _SETTINGS,
) -> tuple[ExerciseDose, ...]:
    """Count the sets of one day.

    Parameters
    ----------
    filmed : of one patient and day, in the order of recording
    plan : what was prescribed
    settings : DoseSettings

    Returns
    -------
    tuple of ExerciseDose
        Exercises of the plan first, in its order, then the others as they were filmed.

    Notes
    -----
    1. A pause of ``settings.rest_from_s`` without a landing ends a set within a clip.
    2. Clips of one exercise that overlap in time by more than half of the shorter are one
       set seen by two cameras; the clip with more landings is counted.
    3. Rest between clips goes by their times of recording. These name a whole second, and some
       phones name the end of the recording instead of its start: the rest given lies halfway
       between both cases, and half of their difference stands in its uncertainty.
    """
    parts = [part for one in _seen_once(filmed) for part in _parts(*one, settings)]
    sets = _with_rest(parts, settings)
    exercises = dict.fromkeys([*(one.exercise for one in plan), *(s.exercise for s in sets)])
    return tuple(
        ExerciseDose(
            exercise,
            tuple(one for one in sets if one.exercise == exercise),
            tuple(one for one in plan if one.exercise == exercise),
        )
        for exercise in exercises
    )


def _seen_once(filmed: Iterable[Filmed]) -> list[tuple[Filmed, tuple[int, ...]]]:
    """Return each set's clip that is counted, with all clips that show it."""
    found: list[list[Filmed]] = []
    for one in filmed:
        same = next((group for group in found if _is_same(one, group[0])), None)
        if same is None:
            found.append([one])
        else:
            same.append(one)
    ordered = [sorted(group, key=lambda one: -len(one.landings)) for group in found]
    return [(group[0], tuple(one.clip for one in group)) for group in ordered]


def _is_same(one: Filmed, other: Filmed) -> bool:
    if one.clip == other.clip or one.exercise != other.exercise:
        return False
    if one.started_s is None or other.started_s is None:
        return False
    begin = max(one.started_s, other.started_s)
    end = min(one.started_s + one.duration_s, other.started_s + other.duration_s)
    shorter = min(one.duration_s, other.duration_s)
    return shorter > 0 and end - begin > shorter / 2


def _parts(
    clip: Filmed, clips: tuple[int, ...], settings: DoseSettings
) -> Iterator[tuple[_Part, tuple[int, ...]]]:
    """Cut a clip where nobody lands for as long as a rest."""
    begun: list[Landed] = []
    last_s: float | None = None
    for one in clip.landings:
        paused_s = one.at_s - last_s if one.at_s is not None and last_s is not None else 0.0
        if paused_s >= settings.rest_from_s:
            yield _Part(clip, tuple(begun)), clips
            begun = []
        begun.append(one)
        last_s = one.at_s if one.at_s is not None else last_s
    if begun:
        yield _Part(clip, tuple(begun)), clips


def _with_rest(
    parts: Sequence[tuple[_Part, tuple[int, ...]]], settings: DoseSettings
) -> list[SetDose]:
    sets = [_set(*one) for one in parts]
    for k, ((before, _), (part, _)) in enumerate(pairwise(parts), start=1):
        rest_s, sd_s = _rest(before, part, settings)
        same = before.clip.exercise == part.clip.exercise
        sets[k] = replace(sets[k], rest_s=rest_s, rest_sd_s=sd_s, after_same=same)
    return sets


def _set(part: _Part, clips: tuple[int, ...]) -> SetDose:
    first_s, last_s = part.first_s, part.last_s
    timed = sum(one.at_s is not None for one in part.landings)
    bout_s = last_s - first_s if first_s is not None and last_s is not None else None
    pace = _PER_MIN * (timed - 1) / bout_s if bout_s else None
    limbs: tuple[Limb, Limb] = ("left", "right")
    return SetDose(
        exercise=part.clip.exercise,
        clips=clips,
        reps=len(part.landings),
        bout_s=bout_s or None,
        contacts={limb: sum(limb in one.limbs for one in part.landings) for limb in limbs},
        pace_per_min=pace,
    )


def _rest(
    before: _Part, part: _Part, settings: DoseSettings
) -> tuple[float, float] | tuple[None, None]:
    """Return the rest between two sets with its standard uncertainty."""
    ended_s, began_s = before.last_s, part.first_s
    if ended_s is None or began_s is None:
        return None, None
    if before.clip.clip == part.clip.clip:
        return began_s - ended_s, 0.0
    if before.clip.started_s is None or part.clip.started_s is None:
        return None, None
    between_s = part.clip.started_s + began_s - before.clip.started_s - ended_s
    half_s = (part.clip.duration_s - before.clip.duration_s) / 2
    rest_s = between_s - half_s
    stamps_sd_s = settings.stamp_s / sqrt(6)  # definition: of two uniform distributions
    return (rest_s, hypot(stamps_sd_s, half_s)) if rest_s > 0 else (None, None)
