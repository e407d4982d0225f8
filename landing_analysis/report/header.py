"""Analysis -> what is known of the clip, in words: the head of its page; computes no measure."""

from __future__ import annotations

import math
from collections import Counter

from landing_analysis.corrections import added_contact
from landing_analysis.definitions import VIEW_WORDS
from landing_analysis.exercises import EXERCISES, rung
from landing_analysis.findings.judging import COVERAGE
from landing_analysis.reasons import Code
from landing_analysis.report.numbers import number
from landing_analysis.settings import SignSettings
from landing_analysis.tables import (
    IN_THE_CLIP,
    Analysis,
    Correction,
    QualityState,
    TimeBase,
    short_clip,
)
from landing_analysis.wording import note_words, words_of

QUALITY_SYMBOLS: dict[QualityState, str] = {"good": "●", "limited": "◐", "poor": "○"}
_SIGNS = SignSettings()
_MOST_CHECKS = 3  # named beside the state of the clip; the rest stands below (choice)
_SETTLED_BY = {
    "clip": "by the clip's own times",
    "tag": "by the phone's tag",
    "intervals": "by the frame intervals",
    "given": "given",
}


def title_words(analysis: Analysis) -> str:
    """Say which clip it is by what is known of it, never by the name of its file."""
    decided = analysis.decided
    occasion = decided.occasion
    which = [word for word in (occasion.code, occasion.day) if word]
    if occasion.set_number is not None:
        which.append(f"set {occasion.set_number}")
    what = f"{exercise_words(analysis)}, {VIEW_WORDS[decided.view]}"
    if occasion.set_number is None:
        what += f", clip {short_clip(analysis.clip.sha256)}"
    return f"{', '.join(which)}: {what[0].lower()}{what[1:]}" if which else what


def exercise_words(analysis: Analysis) -> str:
    """Name what the set is."""
    decided = analysis.decided
    if not analysis.reps.reps:
        return "No reps"
    if decided.exercise is None:
        return "Two-leg jumps or one-leg hops"
    if len(analysis.reps.bouts) > 1 and is_mixed(analysis):
        done = (
            f"{EXERCISES[bout.exercise].name} ({len(bout.reps)})" for bout in analysis.reps.bouts
        )
        return "In a row: " + ", ".join(done)
    if is_mixed(analysis):
        counted = Counter(rep.exercise for rep in analysis.reps.reps)
        counts = sorted(counted.items(), key=lambda one: rung(one[0]))
        return "Mixed: " + ", ".join(f"{n} {EXERCISES[code].name}" for code, n in counts)
    if decided.exercise != "hop":
        return EXERCISES[decided.exercise].title
    if any(rep.is_bound and rep.used for rep in analysis.reps.reps):
        return "One-leg landings from foot to foot (bounds, jogging in place)"
    return f"One-leg hops, {decided.limb} limb" if decided.limb else "One-leg hops, both limbs"


def is_mixed(analysis: Analysis) -> bool:
    """Whether the set holds reps of more than one exercise."""
    return len({rep.exercise for rep in analysis.reps.reps}) > 1


def no_reps_words(analysis: Analysis) -> str:
    """Say why there are no reps: that nobody flew, or that it could not be told."""
    if analysis.contacts.notes:
        return "There are no reps: " + " ".join(map(note_words, analysis.contacts.notes))
    for note in analysis.notes:
        if any(remark.code == Code.SOMEBODY_HID_PATIENT for remark in note.remarks):
            return "No flight was seen. " + note_words(note)
    return (
        "No flight was found in this clip: nobody left the ground long enough to count as a "
        "jump or a hop, so there are no reps and nothing is measured."
    )


def view_words(analysis: Analysis) -> str:
    """Name the view and how far the patient is turned from square-on."""
    decided = analysis.decided
    name = decided.view.replace("_", " ").capitalize()
    if not math.isfinite(decided.view_yaw_deg):
        return name
    turned = f"turned {number(abs(decided.view_yaw_deg), 0)}°"
    if math.isfinite(decided.view_yaw_sd_deg):
        turned += f" ± {number(COVERAGE * decided.view_yaw_sd_deg, 0)}°"
    return f"{name}, {turned} from square-on"


def overall_quality(analysis: Analysis) -> QualityState:
    """Return the worst state of all quality notes."""
    states = {note.state for note in analysis.notes}
    return "poor" if "poor" in states else "limited" if "limited" in states else "good"


def header_facts(analysis: Analysis) -> list[tuple[str, str]]:
    """Return what was decided about the clip, as (name, words)."""
    decided, clip = analysis.decided, analysis.clip
    used = sum(rep.used for rep in analysis.reps.reps)
    total = len(analysis.reps.reps)
    facts = [
        ("Patient", decided.occasion.code or "no code given"),
        ("Filmed", decided.occasion.day or "day not known"),
        ("Exercise", exercise_words(analysis) + _how_sure(analysis)),
        ("View", view_words(analysis) + _given(decided.view_origin)),
        ("Reps", (f"{total} counted, {used} used" if total else "none") + _apart(analysis)),
        ("Surgical side", decided.surgical_side or "not named"),
        ("Quality", quality_words(analysis)),
        ("Clip", f"{clip.duration_s:.1f} s, {clip.frames} frames, {clip.median_fps:.0f} frames/s"),
    ]
    if decided.time_base != TimeBase():
        facts.append(("Time base", time_base_words(decided.time_base)))
    if decided.people > 1:
        person = f"{decided.patient_number} of {decided.people}: {words_of(decided.patient_reason)}"
        facts.append(("Person measured", person))
    return facts


def given_facts(analysis: Analysis) -> list[tuple[str, str]]:
    """Return what was given with the clip, as (name, words)."""
    decided = analysis.decided
    return [
        ("Body height", f"{100 * decided.stature_m:.0f} cm" if decided.stature_m else "not given"),
        ("Target flexion", f"{decided.target_flexion_deg:g}°"),
    ]


def quality_words(analysis: Analysis) -> str:
    """Say how good the clip is, and which checks make it so."""
    state = overall_quality(analysis)
    words = f"{QUALITY_SYMBOLS[state]} {state}"
    checks = list(dict.fromkeys(note.check for note in analysis.notes if note.state == state))
    if state == "good" or not checks:
        return words
    more = len(checks) - _MOST_CHECKS
    return f"{words}: {', '.join(checks[:_MOST_CHECKS])}" + (f", {more} more" if more > 0 else "")


def _apart(analysis: Analysis) -> str:
    """Say how many reps are seen in another view than the clip, and how many are rebounds."""
    main, reps = analysis.decided.view, analysis.reps.reps
    apart = sum(rep.view not in (None, main) for rep in reps)
    rebounds = sum(rep.rebound for rep in reps)
    words = f", {apart} in another view" if apart else ""
    if not rebounds:
        return words
    which = "a rebound" if rebounds == 1 else "rebounds"
    return f"{words}, {rebounds} of them {which}, in no mean or count"


def time_base_words(time_base: TimeBase) -> str:
    """Say how the clip's clock runs against real time, and what settled it."""
    if time_base.doubt is not None or time_base.slowed_by is None:
        return "in doubt: no times are given"
    settled_by = _SETTLED_BY[time_base.origin]
    if time_base.slowed_by == 1.0:
        return f"real time ({settled_by})"
    return f"plays {time_base.slowed_by:.3g} times slower than real time, taken out ({settled_by})"


def doubt_words(analysis: Analysis) -> str | None:
    """Say why no times are given and what settles it; None where they are."""
    if analysis.decided.time_base.doubt is None:
        return None
    return next((note_words(note) for note in analysis.notes if note.check == "time base"), None)


def by_hand_words(analysis: Analysis) -> list[str]:
    """Say what a person set right about the clip, by whom and when, a clip left out first."""
    ordered = sorted(analysis.corrections, key=lambda one: one.what != "clip")
    return [correction_words(one) for one in ordered]


def correction_words(one: Correction) -> str:
    """Say what a person set, or took back, and who did so when."""
    return f"{_set_words(one)} ({_who_words(one)})."


def _set_words(one: Correction) -> str:
    if one.what in IN_THE_CLIP:
        words = _placed_words(one)
    elif one.new is None:
        words = f"{one.what.capitalize()} as found again"
        words += f", rep {one.rep}" if one.rep else ""
    elif one.what == "clip":
        words = "This clip is left out of all averages and comparisons"
    elif one.what == "rep":
        words = f"Rep {one.rep} is left out of the set's values"
    elif one.what == "sides":
        words = "Left and right exchanged"
    else:
        words = f"{one.what.capitalize()} set to {one.new.replace('_', ' ')}"
    return f"{words}: {one.reason}" if one.reason else words


def _placed_words(one: Correction) -> str:
    """Say what was set of one foot or landmark at one time of the clip."""
    where = f"{one.limb} {one.part or 'foot'} at {one.player_s:.2f} s"
    if one.new is None:
        return f"{one.what.capitalize()} of the {where} as found again"
    if one.what == "landmark":
        return f"The {where} moved to {one.new.replace(' ', ', ')} px"
    if one.what == "contact":
        added = added_contact(one.new)
        return f"Contact of the {where} {'added' if added else 'deleted'}"
    return f"{one.what.capitalize()} of the {where} set to {float(one.new):.3f} s"


def _who_words(one: Correction) -> str:
    return f"by {one.by or 'somebody who gave no code'}, {one.at[:10]}"


def _how_sure(analysis: Analysis) -> str:
    """Say whether an exercise was given, or how sure it is that it was done."""
    decided = analysis.decided
    sure = decided.exercise_confidence
    if decided.exercise_origin == "plan":
        return " (exercise from the plan)"
    if decided.exercise_origin == "given" or sure is None:
        return _given(decided.exercise_origin)
    certain = sure >= _SIGNS.sure_share
    return " (recognised)" if certain else f" (not sure, {100 * sure:.0f} %)"


def _given(origin: str) -> str:
    return " (given)" if origin == "given" else ""
