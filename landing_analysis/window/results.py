"""A clip's stored values -> one line of words; computes no measure."""

from __future__ import annotations

import json

from landing_analysis.definitions import VIEW_WORDS
from landing_analysis.exercises import clip_words
from landing_analysis.findings.judging import TITLES
from landing_analysis.record.overview import ClipLine, RepsOutside

_MOST_FINDINGS = 3  # in one line (choice)


def exercise_words(line: ClipLine) -> str:
    """Name what the set is, and on which limb; of several exercises in a row each once."""
    exercise, limb = line.values["exercise"], line.values["limb"]
    if exercise is None:
        return "exercise not told" if line.reps else "no reps"
    bouts = json.loads(line.values["bouts"] or "[]")
    return clip_words(exercise, limb, (bout["exercise"] for bout in bouts))


def result_words(line: ClipLine) -> str:
    """Return what a clip shows, and how it fell out."""
    if not line.analysed:
        return outcome_words(line)
    return f"{exercise_words(line)}, {VIEW_WORDS[line.values['view']]}, {outcome_words(line)}"


def outcome_words(line: ClipLine) -> str:
    """Return how a clip fell out: reps, and what lies outside a limit in how many."""
    if not line.analysed:
        return line.reason or "not analysed yet"
    reps = f"{line.reps} rep" + ("" if line.reps == 1 else "s")
    if line.used < line.reps:
        reps += f", {line.used} used"
    if line.rebounds:
        which = "a rebound" if line.rebounds == 1 else "rebounds"
        reps += f", {line.rebounds} of them {which}"
    found = [_outside_words(one) for one in line.outside[:_MOST_FINDINGS]]
    more = len(line.outside) - _MOST_FINDINGS
    if more > 0:
        found.append(f"{more} more")
    if line.sides_differ:
        found.append("side difference of the set")
    return f"{reps}: {'; '.join(found) or _none_words(line)}"


def _none_words(line: ClipLine) -> str:
    """Say what it means that no rep lies surely outside a limit."""
    if not line.judged:
        return "no rep could be held against a limit"
    if line.probably_outside:
        return f"probably outside a limit in {line.probably_outside}"
    if line.cannot_tell:
        return f"nothing outside a limit, cannot tell in {line.cannot_tell}"
    return "nothing outside a limit in any rep"


def _outside_words(one: RepsOutside) -> str:
    title = TITLES.get(one.finding, one.finding)
    limb = f" ({one.limb})" if one.limb else ""
    return f"{title[0].lower()}{title[1:]}{limb} in {one.reps}"
