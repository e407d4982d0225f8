"""What a disturbance does to the numbers of a clip, as one frozen record."""

from __future__ import annotations

from dataclasses import dataclass

from landing_analysis.reasons import Code, Reason
from landing_analysis.tables import Exercise, FloatArray, Limb, Note


@dataclass(frozen=True)
class WiderEvents:
    """Foot events that are less certain than they say.

    Attributes
    ----------
    landing_sd_s, take_off_sd_s : standard uncertainties added, in quadrature, to each event
        of a foot that comes down, and that leaves
    times : what the uncertainty is multiplied by, before anything is added
    near_s : (n,) only events within ``reach_s`` of one of these instants; None for all
    """

    landing_sd_s: float = 0.0
    take_off_sd_s: float = 0.0
    times: float = 1.0
    near_s: FloatArray | None = None
    reach_s: float = 0.0


@dataclass(frozen=True)
class Unseen:
    """A span of time in which the patient could not be watched: reps that meet it are void.

    ``toe_off_reason``: a flight may have been missed in it, so that a toe-off behind it says
    nothing of the landing before it, and a flight behind it does not follow the rep before it.
    None where only what is read in it is lost. ``remark`` is the code of the note's remark
    that names the void reps.
    """

    start_s: float
    end_s: float
    reason: Reason
    toe_off_reason: Reason | None = None
    remark: Code | None = None


@dataclass(frozen=True)
class VoidExercise:
    """All used reps of an exercise are void."""

    exercise: Exercise
    reason: Reason


@dataclass(frozen=True)
class WiderMeasures:
    """Measures that carry one more named part of uncertainty, shared by all reps of a clip.

    ``limbs`` None for every limb and for the whole body.
    """

    names: frozenset[str]
    part: str
    sd: float
    limbs: frozenset[Limb] | None = None


@dataclass(frozen=True)
class Suppressed:
    """Measures that are not given, and why; ``limbs`` as in `WiderMeasures`.

    ``body_too``: with ``limbs``, also the measures that no single limb has.
    """

    names: frozenset[str]
    reason: Reason
    limbs: frozenset[Limb] | None = None
    body_too: bool = False


@dataclass(frozen=True)
class Effect:
    """All that one disturbance does.

    Attributes
    ----------
    events, unseen, void, widened, suppressed : see their classes
    least_difference_s : limbs are not compared in a time in which their means differ by
        less, for the reason ``too_alike``
    vertical_sd_deg : added, in quadrature, to the uncertainty of the vertical
    notes : what is said of it on the report
    """

    events: tuple[WiderEvents, ...] = ()
    unseen: tuple[Unseen, ...] = ()
    void: tuple[VoidExercise, ...] = ()
    widened: tuple[WiderMeasures, ...] = ()
    suppressed: tuple[Suppressed, ...] = ()
    least_difference_s: float = 0.0
    too_alike: Reason | None = None
    vertical_sd_deg: float = 0.0
    notes: tuple[Note, ...] = ()


NO_EFFECT = Effect()
