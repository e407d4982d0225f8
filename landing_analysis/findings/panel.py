"""Notes -> the quality panel: one line for each check that a clinician asks about, in one order."""

from __future__ import annotations

from landing_analysis.reasons import Code, because
from landing_analysis.tables import WORST_FIRST, Note

PANEL = (
    "frame rate", "time base", "view", "roll", "distance", "light", "feet in view", "other people",
)  # fmt: skip
"""The checks of every clip. What else was noticed stands below them."""


def quality_panel(notes: tuple[Note, ...], *, fall_seen: bool) -> tuple[Note, ...]:
    """Put the notes in order, with a line for each check of which nobody said anything.

    Parameters
    ----------
    notes : of all stages
    fall_seen : whether a flight was long enough to hold the clock against free fall

    Returns
    -------
    tuple of Note
        First the checks of `PANEL` in their order, of one check the worst first and a good
        one only where it is the only one; then the rest as they came.
    """
    panel = [note for check in PANEL for note in _of_check(check, notes, fall_seen)]
    return (*panel, *(note for note in notes if note.check not in PANEL))


def _of_check(check: str, notes: tuple[Note, ...], fall_seen: bool) -> list[Note]:
    own = sorted(
        (note for note in notes if note.check == check),
        key=lambda note: WORST_FIRST.index(note.state),
    )
    if not own:
        return [_silent(check, fall_seen)]
    return [note for note in own if note.state != "good"] or own[:1]


def _silent(check: str, fall_seen: bool) -> Note:
    """Return the line of a check that found nothing to say."""
    if check == "time base":
        code = Code.REAL_TIME_BY_FALL if fall_seen else Code.REAL_TIME_UNCHECKED
        return Note(check, "good", (because(code),))
    if check == "other people":
        return Note(check, "good", (because(Code.NOBODY_ELSE),))
    return Note(check, "limited", (because(Code.NOT_MEASURED_IN_CLIP),))
