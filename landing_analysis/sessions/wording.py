"""A session in words: the lines that a terminal and a page show."""

from __future__ import annotations

from landing_analysis.exercises import EXERCISES
from landing_analysis.sessions.plan import Prescribed, load_words
from landing_analysis.sessions.session import MOMENT_WORDS, MOMENTS, Session, State

NOT_NOTED = "not noted"


def exercise_name(code: str) -> str:
    """Return the name of an exercise as pages print it."""
    return EXERCISES[code].title


def session_lines(session: Session) -> list[str]:
    """Return everything that was entered, a line each."""
    return [
        *(f"plan: {exercise_name(one.exercise)}, {prescribed_words(one)}" for one in session.plan),
        *(
            f"{MOMENT_WORDS[moment]}: {state_words(session.state(moment))}"
            for moment in MOMENTS
            if session.state(moment) != State()
        ),
        *(f"modified: {line}" for line in session.modified),
        *(f"stopped: {line}" for line in session.stopped),
        *(
            f"{name}: {text}"
            for name, text in (
                ("note", session.note),
                ("went well", session.went_well),
                ("to work on", session.work_on),
            )
            if text
        ),
    ]


def prescribed_words(one: Prescribed) -> str:
    """Return one line of a plan in words, without the exercise's name."""
    amount = f"{one.bout_s:g} s" if one.bout_s is not None else f"{one.reps} reps"
    words = [f"{one.sets} × {amount}"]
    if one.rest_s is not None:
        words.append(f"rest {one.rest_s:g} s")
    if one.load is not None:
        words.append("body weight" if not one.load else f"cords: {load_words(one.load)}")
    if one.box_height_m is not None:
        words.append(f"box {100 * one.box_height_m:g} cm")
    if one.limb is not None:
        words.append(f"{one.limb} limb")
    return ", ".join(words)


def state_words(state: State) -> str:
    """Return what was noted at one moment."""
    pairs = (
        ("pain", None if state.pain is None else f"{state.pain} of 10"),
        ("effusion", state.effusion),
        ("soreness", state.soreness),
        ("confidence", None if state.confidence is None else f"{state.confidence} of 10"),
        ("joint", state.distress),
    )
    return ", ".join(f"{name} {value}" for name, value in pairs if value is not None) or NOT_NOTED
