"""What a person set right about a clip -> the settings and the reps of its analysis. Pure.

A correction is an entry that is only ever added; the latest on the same thing counts. Its
words are those of the record and of the command line:

======== ================================================================
patient  a code; the record alone goes by it
date     YYYY-MM-DD, of the visit; the record alone goes by it
exercise a code of `exercises.EXERCISES`
view     one of `VIEWS`
person   ``2``, or ``2 of 3`` when three people were told apart then
slowed by how many times slower than real time the clip plays, ``8``
clip     ``excluded``: its values are left out of every mean and comparison
rep      ``excluded``: left out of the set's values
sides    ``swapped``: the pose model took left for right throughout
contact  ``deleted``, or for one that was not found ``on 3.217``, with ``off 3.450`` and
         ``from 2.900`` (when its flight began) where known; seconds as a player shows them
initial contact, toe-off  when a contact begins or ends, ``3.217``
landmark where it is in its frame as filmed, pixels, ``412.5 703.0``
======== ================================================================

`by_hand` applies the last four.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple, TypedDict

import numpy as np

from landing_analysis.exercises import EXERCISES
from landing_analysis.reasons import Code, because
from landing_analysis.settings import CorrectionSettings, RepSettings
from landing_analysis.tables import (
    IN_THE_CLIP,
    VIEWS,
    Corrected,
    Correction,
    Exercise,
    FloatArray,
    Note,
    Rep,
    Reps,
    View,
)

EXCLUDED = "excluded"
SETTINGS: tuple[Corrected, ...] = ("exercise", "view", "person", "slowed by")
"""What of the corrections overrules what the analysis finds out by itself."""

_ACCEPTED = CorrectionSettings()
SLOWED_RANGE = (_ACCEPTED.least_slowed_by, _ACCEPTED.most_slowed_by)
LONGEST_REASON = _ACCEPTED.longest_reason

CHECK = "corrections"
"""What quality notes on corrections are filed under."""
DELETED, SWAPPED = "deleted", "swapped"
BY_HAND_WORDS = "✎ Rests on contacts or landmarks set by hand."
"""Follows a sentence about a value that a correction changed."""

_PERSON = re.compile(r"([1-9]\d?)(?: of ([1-9]\d?))?")
_FACTOR = re.compile(r"\d{1,2}(\.\d{1,6})?")
_SECONDS = re.compile(r"\d{1,5}(\.\d{1,6})?")
_ADDED = re.compile("on ({0})(?: off ({0}))?(?: from ({0}))?".format(r"\d{1,5}(?:\.\d{1,6})?"))
_PLACE = re.compile(r"(-?\d{1,5}(?:\.\d{1,3})?) (-?\d{1,5}(?:\.\d{1,3})?)")


class Given(TypedDict, total=False):
    """Options of an analysis that a person gave; what is not in it is as the program finds it."""

    exercise: Exercise
    view: View
    person: int
    slowed_by: float


def makes_sense(what: str, new: str) -> bool:
    """Return whether a word can be what a clip is set to; codes and dates are not looked at."""
    if what == "exercise":
        return new in EXERCISES
    if what == "view":
        return new in VIEWS
    if what == "person":
        return _person(new) is not None
    if what == "slowed by":
        low, high = SLOWED_RANGE
        return bool(_FACTOR.fullmatch(new)) and low <= float(new) <= high
    if what == "contact":
        return new == DELETED or added_contact(new) is not None
    if what in ("initial contact", "toe-off"):
        return _SECONDS.fullmatch(new) is not None
    if what == "landmark":
        return place_px(new) is not None
    if what == "sides":
        return new == SWAPPED
    return what in ("patient", "date") or (what in ("clip", "rep") and new == EXCLUDED)


def clean_reason(text: str) -> str | None:
    """Return a reason as one printable line that no spreadsheet takes for a formula, else None."""
    line = " ".join(text.split())
    fits = line[:1].isalnum() and line.isprintable() and len(line) <= LONGEST_REASON
    return line if fits else None


def in_force(history: Iterable[Correction]) -> tuple[Correction, ...]:
    """Return the corrections that count: the latest on each thing, unless it took one back.

    Parameters
    ----------
    history : all corrections of one clip, in the order in which they were made
    """
    latest: dict[object, Correction] = {}
    for one in history:
        latest.pop(subject := _subject(one), None)
        latest[subject] = one
    return tuple(one for one in latest.values() if one.new is not None)


def _subject(one: Correction) -> object:
    """Return what a correction is about: a rep is the one that landed then, whatever its number."""
    if one.what in IN_THE_CLIP:
        return (one.what, one.limb, one.part, one.player_s)
    if one.what != "rep":
        return one.what
    return (one.what, one.rep_s) if one.rep_s is not None else (one.what, "number", one.rep)


def given(corrections: Iterable[Correction]) -> Given:
    """Return the options of an analysis that corrections in force overrule."""
    found: Given = {}
    for one in corrections:
        if one.what == "exercise":
            found["exercise"] = next(code for code in EXERCISES if code == one.new)
        elif one.what == "view":
            found["view"] = next(view for view in VIEWS if view == one.new)
        elif one.what == "person":
            found["person"] = (_person(one.new) or (1, None))[0]
        elif one.what == "slowed by":
            found["slowed_by"] = float(one.new or 1)
    return found


class AddedContact(NamedTuple):
    """A contact that a person added, seconds as a player shows them; None where not known."""

    on_s: float
    off_s: float | None
    from_s: float | None


def added_contact(new: str) -> AddedContact | None:
    """Read the words of a contact that was added, None when they are not such; see the top."""
    found = _ADDED.fullmatch(new)
    if found is None:
        return None
    on_s, off_s, from_s = (None if text is None else float(text) for text in found.groups())
    added = AddedContact(on_s or 0.0, off_s, from_s)
    in_order = (off_s is None or added.on_s < off_s) and (from_s is None or from_s < added.on_s)
    return added if in_order else None


def place_px(new: str) -> tuple[float, float] | None:
    """Read where a landmark was put, pixels of the frame as filmed."""
    found = _PLACE.fullmatch(new)
    return (float(found[1]), float(found[2])) if found else None


def are_swapped(corrections: Iterable[Correction]) -> bool:
    """Return whether a person said that left and right are exchanged."""
    return any(one.what == "sides" for one in corrections)


def exclusion_of_clip(corrections: Iterable[Correction]) -> Correction | None:
    """Return the correction in force that leaves the whole clip out, None when it counts."""
    return next((one for one in corrections if one.what == "clip"), None)


def person_note(corrections: Iterable[Correction], people: int) -> tuple[Note, ...]:
    """Say when other people are told apart than when the person was set."""
    for one in corrections:
        then = (_person(one.new) or (1, None))[1] if one.what == "person" else None
        if then not in (None, people):
            remark = because(Code.OTHER_PEOPLE_THAN_WHEN_SET, person=one.new, people=people)
            return (Note(CHECK, "poor", (remark,)),)
    return ()


def exclude_reps(
    reps: Reps,
    corrections: Iterable[Correction],
    clip_t_s: FloatArray,
    t_s: FloatArray,
    settings: RepSettings,
) -> Reps:
    """Leave out the reps that a person excluded.

    Parameters
    ----------
    reps : Reps
    corrections : in force
    clip_t_s : (n_frames,) seconds, as a player shows the clip
    t_s : (n_frames,) the same frames in seconds of real time, as in `Tracks`
    settings : RepSettings

    Returns
    -------
    Reps
        Excluded ones stay, not used, with the reason. A rep is known again by when it
        lands, or by its number where that was not noted; a note says when its number has
        changed, and when it is a rep no more.
    """
    marked = {rep.number: rep for rep in reps.reps}
    notes = []
    for one in corrections:
        if one.what != "rep":
            continue
        rep = _found_again(one, reps.reps, clip_t_s, t_s, settings)
        if rep is None:
            gone = because(Code.EXCLUDED_REP_GONE, rep=one.rep, at_s=one.rep_s)
            notes.append(Note(CHECK, "limited", (gone,)))
            continue
        marked[rep.number] = replace(
            rep,
            used=False,
            excluded=True,
            reason=because(Code.EXCLUDED_BY_HAND, given=one.reason),
        )
        if rep.number != one.rep:
            moved = because(Code.EXCLUDED_REP_RENUMBERED, then=one.rep, now=rep.number)
            notes.append(Note(CHECK, "good", (moved,)))
    return replace(reps, reps=tuple(marked.values()), notes=(*reps.notes, *notes))


def landing_s(rep: Rep, clip_t_s: FloatArray, t_s: FloatArray) -> float | None:
    """Return when a rep lands, or takes off where that is not seen, as a player shows it.

    None where neither is seen, and for invented sets, which have no frames.
    """
    event = rep.flight.landing or rep.flight.take_off
    return None if event is None or not len(t_s) else float(np.interp(event.t_s, t_s, clip_t_s))


def _found_again(
    one: Correction,
    reps: tuple[Rep, ...],
    clip_t_s: FloatArray,
    t_s: FloatArray,
    settings: RepSettings,
) -> Rep | None:
    if one.rep_s is None:
        return next((rep for rep in reps if rep.number == one.rep), None)
    at_s = float(np.interp(one.rep_s, clip_t_s, t_s))
    near = [
        (abs(event.t_s - at_s), rep)
        for rep in reps
        if (event := rep.flight.landing or rep.flight.take_off) is not None
    ]
    apart_s, rep = min(near, key=lambda found: found[0], default=(np.inf, None))
    return rep if apart_s <= settings.same_rep_s else None


def _person(words: str | None) -> tuple[int, int | None] | None:
    found = _PERSON.fullmatch(words or "")
    if found is None:
        return None
    number, of = int(found[1]), int(found[2]) if found[2] else None
    return (number, of) if of is None or number <= of else None
