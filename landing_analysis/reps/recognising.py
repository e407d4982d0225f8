"""Reps -> the exercise of each, with a confidence, and the bouts that they make up."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from landing_analysis.exercises import EXERCISES
from landing_analysis.maths.courses import likeliest_course
from landing_analysis.reasons import Code, because
from landing_analysis.reps.signs import Signs, is_of_unseen_feet, signs_of
from landing_analysis.settings import SignSettings
from landing_analysis.tables import (
    Bout,
    Exercise,
    FloatArray,
    Note,
    Rep,
    Reps,
    Tracks,
    ViewEstimate,
)

_TWO_FEET = because(Code.TWO_FEET_IN_HOPS)


def recognise(
    reps: Reps,
    tracks: Tracks,
    view: ViewEstimate,
    settings: SignSettings,
    given: Exercise | None = None,
    *,
    lies: bool = False,
    among: tuple[Exercise, ...] = (),
) -> Reps:
    """Say of each rep which exercise it is, and cut the clip into bouts.

    Parameters
    ----------
    reps : grouped by the feet that landed
    tracks : Tracks
    view : ViewEstimate
    settings : SignSettings
    given : what a person or the plan said that it is; then nothing is recognised but which
        landings of one off a box are its rebounds
    lies : the patient lies on a sled, and what is done there alone comes into question
    among : exercises that alone come into question, none for all

    Returns
    -------
    Reps
        With the exercise that most reps are of; None where no rep tells its feet and what is
        seen does not surely show an exercise that may land on one foot or on both. A bout runs from
        rep to rep of one exercise without a pause. A run of fewer than
        ``settings.fewest_of_bout`` reps between others is of the bout around it.

    Notes
    -----
    A rep's likeness to each exercise is the weakest of the signs that the exercise declares.
    An exercise is done more than once: the likeliest course of exercises over the clip is found
    in which each change costs something, so that some misread reps cut no bout in two. The
    confidence of a bout is its likeness, averaged over neighbours, over that of all exercises
    together; on a sled it falls by twice the share of reps that something speaks surely against.
    """
    if not reps.reps:
        return reps
    if given is not None:
        if reps.exercise is None:
            return reps
        told = reps.reps
        rebounds = [
            _is_rebound(given, signs, settings) for signs in signs_of(told, tracks, view, settings)
        ]
        if not all(rebounds):  # else no box was seen, and all are what was said
            told = tuple(replace(rep, rebound=one) for rep, one in zip(told, rebounds, strict=True))
        return replace(reps, reps=told, bouts=_bouts(told, [1.0] * len(told), settings))
    codes = [
        code
        for code, entry in EXERCISES.items()
        if entry.signs and code in (among or EXERCISES) and _is_done(code, lies=lies)
    ]
    seen = signs_of(reps.reps, tracks, view, settings)
    likeness = _likenesses(codes, seen, settings)
    chosen, sure = _most_alike(codes, likeness, seen, settings)
    if lies:
        sure = _by_those_that_fit(codes, likeness, chosen, sure, settings)
    any_feet = all(EXERCISES[code].feet is None for code in chosen)
    if reps.exercise is None and not (any_feet and min(sure) >= settings.sure_share):
        return reps
    told = tuple(
        replace(
            _whatever_its_feet(rep) if any_feet else _unless_odd(rep, code),
            exercise=code,
            rebound=_is_rebound(code, signs, settings),
        )
        for rep, code, signs in zip(reps.reps, chosen, seen, strict=True)
    )
    bouts = _bouts(told, sure, settings)
    (main, _), *_ = Counter(rep.exercise for rep in told).most_common(1)
    return replace(
        reps, exercise=main, reps=told, bouts=bouts, notes=(*reps.notes, *_doubts(bouts, settings))
    )


def _whatever_its_feet(rep: Rep) -> Rep:
    """Use a rep that was not used since nobody knows whether the other foot landed with it."""
    return replace(rep, used=True, reason=None) if is_of_unseen_feet(rep) else rep


def _unless_odd(rep: Rep, code: Exercise) -> Rep:
    """Refuse a rep that landed on one foot in a bout of jumps, or on both in a bout of hops."""
    landed, feet = [contact.limb for contact in rep.contacts], EXERCISES[code].feet
    if not rep.used or feet in (None, len(rep.limbs)) or not landed:
        return rep
    one = feet == 2  # definition: of a jump
    reason = because(Code.ONE_FOOT_IN_JUMPS, limb=landed[0]) if one else _TWO_FEET
    return replace(rep, used=False, reason=reason)


def planned_among(
    reps: Reps,
    planned: tuple[Exercise, ...],
    tracks: Tracks,
    view: ViewEstimate,
    settings: SignSettings,
    *,
    lies: bool = False,
) -> tuple[Exercise, ...]:
    """Return the exercises of a day's plan that decide what a clip shows, none where they do not.

    Parameters
    ----------
    reps : as they were recognised
    planned : exercises of the plan, each once
    tracks, view, settings, lies : as for `recognise`

    Returns
    -------
    tuple of Exercise
        The only one against which nothing speaks surely in most reps. Else, where recognition is
        not sure, those that between them most reps may be of.
    """
    if not reps.reps or not planned:
        return ()
    seen = signs_of(reps.reps, tracks, view, settings)
    down = all(rep.flight.take_off is None for rep in reps.reps)
    fits = {
        code: np.array([one >= settings.possible_likeness for one in _alike(code, seen, settings)])
        for code in planned
        if _is_done(code, lies=lies) and (EXERCISES[code].stays_down or not down)
    }
    whole = [code for code, own in fits.items() if own.mean() >= settings.most_reps_share]
    if len(whole) == 1:
        return (whole[0],)
    sure = bool(reps.bouts) and all(b.confidence >= settings.sure_share for b in reps.bouts)
    some = [code for code, own in fits.items() if own.any()]
    if sure or lies or not some:
        return ()
    covered = np.any([fits[code] for code in some], axis=0).mean() >= settings.most_reps_share
    return tuple(some) if covered else ()


def _is_done(code: Exercise, *, lies: bool) -> bool:
    """Say whether an exercise is done by somebody who lies on a sled, or stands."""
    return (EXERCISES[code].load == "reduced") == lies


def _alike(code: Exercise, seen: list[Signs], settings: SignSettings) -> list[float]:
    """Return how well each rep fits an exercise, 0 to 1."""
    return [EXERCISES[code].likeness(one, settings.edge_steepness) for one in seen]


def _is_rebound(code: str, signs: Signs, settings: SignSettings) -> bool:
    """Whether a rep of a drop jump is the rebound, and not the landing off the box."""
    return EXERCISES[code].rebounds and signs["own_drop_legs"] < settings.from_box_legs


def _doubts(bouts: tuple[Bout, ...], settings: SignSettings) -> tuple[Note, ...]:
    """Say of which exercises it is not sure that they were done."""
    unsure: dict[str, float] = {}
    for bout in bouts:
        if bout.confidence < settings.sure_share:
            unsure[bout.exercise] = min(bout.confidence, unsure.get(bout.exercise, 1.0))
    return tuple(
        Note("exercise", "limited", (because(
            Code.EXERCISE_NOT_SURE, exercise=EXERCISES[code].name, sure_pct=100 * sure
        ),))
        for code, sure in unsure.items()
    )  # fmt: skip


def confidence_of(reps: Reps) -> float | None:
    """Return how sure the exercise of a set is, the least sure of its bouts; None without any."""
    return min((b.confidence for b in reps.bouts if b.exercise == reps.exercise), default=None)


def _likenesses(codes: list[str], seen: list[Signs], settings: SignSettings) -> FloatArray:
    """Return (n_reps, n_codes) of 0 to 1."""
    steepness = settings.edge_steepness
    return np.array(
        [[EXERCISES[code].likeness(signs, steepness) for code in codes] for signs in seen]
    )


def _most_alike(
    codes: list[str], likeness: FloatArray, seen: list[Signs], settings: SignSettings
) -> tuple[list[str], list[float]]:
    """Return each rep's exercise and how sure that is."""
    around = np.arange(len(likeness))
    beside = [_beside(number, seen, settings) for number in range(len(seen))]
    smooth = np.array([np.median(likeness[reps], axis=0) for reps in beside])
    told = np.log(np.maximum(likeness, settings.least_likeness))
    course = likeliest_course(told, settings.bout_change_cost)
    best = _without_short_runs(course, settings.fewest_of_bout)
    total = smooth.sum(axis=1)
    share = smooth[around, best] / np.maximum(total, settings.least_likeness)
    sure = np.minimum(share, smooth[around, best])
    return [codes[k] for k in best], [float(one) for one in sure]


def _beside(number: int, seen: list[Signs], settings: SignSettings) -> slice:
    """Return the reps whose likeness counts for one: itself and those before and after it.

    The first and the last of a run begin or end on both feet, half a stride that tells little:
    one that does not show whether it changes the foot is judged by as many others at an end, too.
    """
    reach = settings.reps_around
    first, stop = max(number - reach, 0), number + reach + 1
    if "changes_foot" not in seen[number]:
        first = max(min(first, len(seen) - 2 * reach - 1), 0)
        stop = max(stop, 2 * reach + 1)
    return slice(first, stop)


def _by_those_that_fit(
    codes: list[str],
    likeness: FloatArray,
    chosen: list[str],
    sure: list[float],
    settings: SignSettings,
) -> list[float]:
    """Return how sure each rep's exercise is, the less so the more of its reps cannot be it.

    On a sled the feet that land alone tell what is done: nothing else outweighs some that speak
    against it, and one that was taken for the other makes two landings wrong, of which one shows.
    """
    fits = (
        np.array([row[codes.index(code)] for row, code in zip(likeness, chosen, strict=True)])
        >= settings.possible_likeness
    )
    against = {code: 1.0 - float(fits[np.array(chosen) == code].mean()) for code in set(chosen)}
    most = {code: max(1.0 - 2.0 * share, 0.0) for code, share in against.items()}  # definition: two
    return [min(one, most[code]) for one, code in zip(sure, chosen, strict=True)]


def _without_short_runs(best: np.ndarray, fewest: int) -> np.ndarray:
    """Give runs that are too short to be a bout to the longer one of their neighbours."""
    kept = best.copy()
    edges = [0, *(np.flatnonzero(np.diff(kept)) + 1), len(kept)]
    lengths = np.diff(edges)
    for k, (first, length) in enumerate(zip(edges, lengths, strict=False)):
        beside = [j for j in (k - 1, k + 1) if 0 <= j < len(lengths)]
        longest = max(beside, key=lambda j: lengths[j], default=None)
        if length < fewest and longest is not None and lengths[longest] >= fewest:
            kept[first : first + length] = best[edges[longest]]
    return kept


def _bouts(reps: tuple[Rep, ...], sure: list[float], settings: SignSettings) -> tuple[Bout, ...]:
    """Cut reps where the exercise changes, or nothing is done for a while."""
    cuts: list[list[int]] = []
    for k, rep in enumerate(reps):
        if cuts and rep.exercise == reps[cuts[-1][-1]].exercise:
            pause_s = _start_s(rep) - _end_s(reps[cuts[-1][-1]])
            if not pause_s > settings.pause_s:
                cuts[-1].append(k)
                continue
        cuts.append([k])
    return tuple(
        Bout(
            number=number,
            exercise=reps[cut[0]].exercise,
            confidence=float(np.mean([sure[k] for k in cut])),
            reps=tuple(reps[k].number for k in cut),
            start_s=_start_s(reps[cut[0]]),
            end_s=_end_s(reps[cut[-1]]),
        )
        for number, cut in enumerate(cuts, 1)
    )


def _start_s(rep: Rep) -> float:
    event = rep.flight.take_off or rep.flight.landing
    return event.t_s if event else np.nan


def _end_s(rep: Rep) -> float:
    """Return when the last foot of a landing left again, or else landed."""
    ends = [c.toe_off.t_s if c.toe_off else c.initial_contact.t_s for c in rep.contacts]
    return max(ends, default=_start_s(rep))
