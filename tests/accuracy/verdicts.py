"""Verdicts against truth: a knee named inward, a limb named favoured."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from landing_analysis.findings.judging import Favoured

from .scoring import paired_reps

CLEAR_DEG = 4.0
"""A true FPPA nearer to the limit than this is left out: no verdict on it can be wrong."""
CLEAR_SHIFT_PCT = 10.0
"""A set whose true mean pelvis shift is smaller is no set of a favoured limb."""

Kind = Literal["knee_inward", "knee_inward_reading", "favoured_limb", "favoured_limb_certain"]


@dataclass(frozen=True)
class Verdict:
    """What was said, and what is true.

    ``knee_inward``: ``yes``, ``no``, and ``cannot tell`` where neither is said plainly, if only
    probably so; ``knee_inward_reading``: the value alone, whatever its uncertainty;
    ``favoured_limb``: ``left``, ``right``, and ``cannot tell`` where none is named;
    ``favoured_limb_certain``: the same where it is said with certainty.
    """

    clip: str
    kind: Kind
    said: str
    true: str


def judge_clip(clip: str, analysis: dict, truth: dict, favoured: Favoured) -> tuple[Verdict, ...]:
    """Hold the verdicts of one analysis document against one truth document.

    Parameters
    ----------
    favoured : what `findings.favoured_limb` says of the analysis
    """
    return (*_inward(clip, analysis, truth), *_favoured(clip, truth, favoured))


def _inward(clip: str, analysis: dict, truth: dict) -> Iterable[Verdict]:
    numbers = {rep["number"]: truth["reps"][row] for row, rep in paired_reps(analysis, truth)}
    for finding in analysis["findings"]:
        if finding["name"] != "knee_inward" or finding["rep"] not in numbers:
            continue
        landing = numbers[finding["rep"]]["landing"].get(finding["limb"], {})
        angle_deg = landing.get("fppa_peak_flexion_deg")
        if angle_deg is None or abs(angle_deg - finding["limit"]) < CLEAR_DEG:
            continue
        true = "yes" if angle_deg > finding["limit"] else "no"
        words = {"above": "yes", "within": "no"}
        yield Verdict(clip, "knee_inward", words.get(finding["verdict"], "cannot tell"), true)
        reading = "yes" if finding["value"] > finding["limit"] else "no"
        yield Verdict(clip, "knee_inward_reading", reading, true)


def _favoured(clip: str, truth: dict, favoured: Favoured) -> Iterable[Verdict]:
    shifts = [rep["pelvis_shift_pct"] for rep in truth["reps"] if rep["exercise"] == "jump"]
    frontal = truth["view"] in ("front", "back")
    if not frontal or not shifts or abs(np.mean(shifts)) < CLEAR_SHIFT_PCT:
        return
    true = "left" if np.mean(shifts) > 0 else "right"
    said = favoured.limb if favoured.limb in ("left", "right") else "cannot tell"
    yield Verdict(clip, "favoured_limb", said, true)
    yield Verdict(clip, "favoured_limb_certain", said if favoured.certain else "cannot tell", true)


@dataclass(frozen=True)
class VerdictRow:
    """One line of the table of verdicts."""

    split: str
    question: str
    right: int
    wrong: int
    cannot_tell: int

    @property
    def right_pct(self) -> float:
        """Share of all that was said rightly."""
        return 100 * self.right / (self.right + self.wrong + self.cannot_tell)


_QUESTIONS: tuple[tuple[str, Kind, tuple[str, ...]], ...] = (
    ("knee inward, told so (sensitivity)", "knee_inward", ("yes",)),
    ("knee not inward, told so (specificity)", "knee_inward", ("no",)),
    ("knee inward, by the value alone", "knee_inward_reading", ("yes",)),
    ("knee not inward, by the value alone", "knee_inward_reading", ("no",)),
    ("favoured limb of a set, named", "favoured_limb", ("left", "right")),
    ("favoured limb of a set, named with certainty", "favoured_limb_certain", ("left", "right")),
)


def verdict_table(judged: Sequence[tuple[str, Verdict]]) -> tuple[VerdictRow, ...]:
    """Count verdicts, given with their splits, question by question."""
    rows = []
    for split in sorted({split for split, _ in judged}, reverse=True):
        of_split = [verdict for name, verdict in judged if name == split]
        for question, kind, answers in _QUESTIONS:
            asked = [v for v in of_split if v.kind == kind and v.true in answers]
            right = sum(v.said == v.true for v in asked)
            cannot = sum(v.said == "cannot tell" for v in asked)
            if asked:
                rows.append(VerdictRow(split, question, right, len(asked) - right - cannot, cannot))
    return tuple(rows)


def verdicts_as_markdown(rows: Sequence[VerdictRow]) -> str:
    """Write the table of verdicts."""
    lines = [
        f"## Verdicts, true FPPA at least {CLEAR_DEG:.0f} deg from the limit, "
        f"true shift at least {CLEAR_SHIFT_PCT:.0f} %",
        "",
        "| scenes | question | right | wrong | cannot tell | right |",
        "|---|---|--:|--:|--:|--:|",
    ]
    lines += [
        f"| {row.split} | {row.question} | {row.right} | {row.wrong} | {row.cannot_tell} "
        f"| {row.right_pct:.0f} % |"
        for row in rows
    ]
    return "\n".join(lines) + "\n"
