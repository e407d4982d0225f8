"""Published gradings and rules that a page quotes beside what was noted. Nothing is decided here.

All in our own words. The rules' table was read; of the grading paper only the abstract was, its
grades on a therapist's page (secondary): whoever goes by them should have read the paper.
"""

from __future__ import annotations

from dataclasses import dataclass

from landing_analysis.sessions.session import MOMENT_WORDS, MOMENTS, Moment, Session, State


@dataclass(frozen=True)
class Quoted:
    """One line of a published table; ``grades`` or ``soreness`` are what it speaks of."""

    what: str
    says: str
    grades: tuple[str, ...] = ()
    soreness: tuple[tuple[Moment, str], ...] = ()

    def noted(self, session: Session) -> tuple[Moment, ...]:
        """Return the moments of a session at which what the line speaks of was noted."""
        return tuple(
            moment for moment in MOMENTS
            if session.state(moment).effusion in self.grades
            or (moment, session.state(moment).soreness) in self.soreness
        )  # fmt: skip


EFFUSION_GRADING: tuple[Quoted, ...] = (
    Quoted("0", "no wave on the down stroke", grades=("0",)),
    Quoted("trace", "a small wave on the inner side on the down stroke", grades=("trace",)),
    Quoted("1+", "a large bulge on the inner side on the down stroke", grades=("1+",)),
    Quoted("2+", "the fluid comes back by itself after the up stroke", grades=("2+",)),
    Quoted("3+", "so much fluid that it cannot be moved away", grades=("3+",)),
)
EFFUSION_SOURCE = (
    "Stroke test, after Sturgill LP et al. J Orthop Sports Phys Ther 2009;39(12):845–849 (two "
    "examiners agreed on 73 % of 75 knees, κ 0.75). Own words, from a secondary source: go by the "
    "paper."
)

RULES: tuple[Quoted, ...] = (
    Quoted("no soreness", "go on to the next step", soreness=(("during", "none"),)),
    Quoted("sore in the warm-up, then gone", "repeat the last training day",
           soreness=(("during", "warm-up only"),)),
    Quoted("sore in the warm-up, and it stays", "stop, rest two days, go down one step",
           soreness=(("during", "throughout"),)),
    Quoted("sore for more than an hour after, or on the next day", "rest one day, then repeat",
           soreness=(("after", "sore"), ("next_morning", "sore"))),
    Quoted("effusion of at most 1+", "go on; if it is none or trace the next time, progress, if "
           "it is still 1+, stay", grades=("0", "trace", "1+")),
    Quoted("effusion of 2+ or more", "hold, and treat the swelling", grades=("2+", "3+")),
)  # fmt: skip
RULES_SOURCE = (
    "Soreness and effusion rules, after Int J Sports Phys Ther 2018;13(3):422–431, table 5, which "
    "goes back to Adams D et al. J Orthop Sports Phys Ther 2012;42(7):601–614. Own words."
)


def warnings_in(session: Session) -> tuple[str, ...]:
    """Return what was noted of pain, swelling and distress of the joint, in words.

    A page that has any leads with the caution to stop or modify: common practice, no source.
    """
    return tuple(words for moment in MOMENTS for words in _warnings(session.state(moment), moment))


def _warnings(state: State, moment: Moment) -> list[str]:
    when, found = MOMENT_WORDS[moment], []
    if state.pain:
        found.append(f"pain {state.pain} of 10 {when}")
    if state.effusion not in (None, "0"):
        found.append(f"effusion {state.effusion} {when}")
    if state.distress:
        found.append(f"{state.distress} {when}")
    return found
