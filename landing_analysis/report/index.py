"""The analysed clips of one folder -> index.html, which links their reports."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from landing_analysis.definitions import INTENDED_USE
from landing_analysis.exercises import clip_words
from landing_analysis.files import read_document
from landing_analysis.findings.tally import worst_verdicts
from landing_analysis.report.page import page_environment
from landing_analysis.tables import OUTSIDE, PROBABLY_OUTSIDE, Verdict, short_clip


@dataclass(frozen=True)
class IndexRow:
    """One report in the list."""

    clip: str
    address: str
    recorded: str
    exercise: str
    view: str
    reps: str
    findings: str
    analysed: str


def index_html(out_dir: Path) -> str | None:
    """Return the page that lists every report below a folder, by name.

    Parameters
    ----------
    out_dir : whose sub-folders hold an ``analysis.json`` and a ``report.html`` each;
        others are left out

    Returns
    -------
    str or None when there are fewer than two reports to list
    """
    rows = [row for folder in sorted(out_dir.iterdir()) if (row := _row(folder)) is not None]
    if len(rows) < 2:
        return None
    page = page_environment().get_template("index.html.j2")
    return page.render(rows=rows, intended_use=INTENDED_USE)


def _row(folder: Path) -> IndexRow | None:
    if folder.name.startswith(".") or not (folder / "report.html").is_file():
        return None
    try:
        document = read_document(folder / "analysis.json")
        decided, reps = document["decided"], document["reps"]
        worst = worst_verdicts(
            ((item["measure"], item["limb"], item["name"] == "side_difference"), item["verdict"])
            for item in document["findings"]
            if item["rep"] is None
        )
        return IndexRow(
            clip=_clip(document),
            address=f"{quote(folder.name)}/report.html",
            recorded=decided["occasion"]["day"] or "–",
            exercise=_exercise(decided, document.get("bouts", ())),
            view=decided["view"].replace("_", " "),
            reps=f"{len(reps)}, {sum(rep['used'] for rep in reps)} used" if reps else "none",
            findings=_counted(list(worst.values())),
            analysed=document["provenance"]["analysed_at"][:16].replace("T", " "),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _clip(document: dict[str, Any]) -> str:
    occasion = document["decided"]["occasion"]
    words = [occasion["code"]] if occasion["code"] else []
    words += [f"set {occasion['set_number']}"] if occasion["set_number"] else []
    return ", ".join(words) or short_clip(document["clip"]["sha256"])


def _counted(verdicts: list[Verdict]) -> str:
    outside = sum(one in OUTSIDE for one in verdicts)
    probably = sum(one in PROBABLY_OUTSIDE for one in verdicts)
    within = sum(one.endswith("within") for one in verdicts)
    return (
        f"{outside} outside a limit, {probably} probably, {within} within or probably so, "
        f"{verdicts.count('cannot tell')} cannot tell"
    )


def _exercise(decided: dict[str, str | None], bouts: Iterable[dict[str, Any]]) -> str:
    if decided["exercise"] is None:
        return "–"
    limb = f"{decided['limb']} limb" if decided["limb"] else None
    return clip_words(decided["exercise"], limb, (bout["exercise"] for bout in bouts))
