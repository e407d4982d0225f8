"""Marks reports and pages that were made before what is known of a patient was changed.

A report is a file that anybody may open, so the mark stands in the file itself, above all
else. The record keeps left and right only; which limb is the surgical one a page says, and
that is what goes out of date.
"""

from __future__ import annotations

import html
import re
from pathlib import Path

from landing_analysis.analysing import REPORT
from landing_analysis.errors import OutputError, RecordError
from landing_analysis.files import write_text
from landing_analysis.record.database import Record

_MARK = (
    '<aside class="outdated" role="alert" style="{style}"><strong>Out of date.</strong> '
    "{words}</aside>\n"
)
_STYLE = (
    "margin: 0; padding: .8rem 1rem; border: 3px solid #22303c; background: #fff; color: #22303c"
)
_MARKED = re.compile(r'<aside class="outdated".*?</aside>\n?', re.DOTALL)
_BODY = re.compile(r"<body[^>]*>\n?")


def is_outdated(made_for: str | None, now: str | None) -> bool:
    """Whether a report made for one surgical side says what the record no longer does."""
    return made_for != now


def mark_reports(record: Record, code: str, clip_id: int | None = None) -> None:
    """Mark each report made for another surgical side than the record's, and no other.

    Parameters
    ----------
    record : Record
    code : of the patient
    clip_id : of one clip, None for all of the patient's

    Raises
    ------
    RecordError
        When a report cannot be written; those before it are marked.
    """
    rows = record.rows(
        "SELECT report, analysis.surgical_side AS then_side, patient.surgical_side AS side "
        "FROM patient JOIN visit ON patient_id = patient.id JOIN clip ON visit_id = visit.id "
        "JOIN analysis ON clip_id = clip.id WHERE code = ? AND (?2 IS NULL OR clip_id = ?2) "
        "ORDER BY analysis.id",
        code, clip_id,
    )  # fmt: skip
    sides = {row["report"]: (row["then_side"], row["side"]) for row in rows}  # the newest last
    for stored, (then_side, side) in sides.items():
        folder = record.folder.report_at(stored)
        if folder is not None:
            outdated = is_outdated(then_side, side)
            _mark(folder / REPORT, _words(code, then_side, side) if outdated else None)


def _words(code: str, then_side: str | None, side: str | None) -> str:
    return (
        f"This report was made when the surgical side of {code} was {then_side or 'not known'}; "
        f"now it is {side or 'not known'}. Its numbers hold, what it calls surgical or "
        "non-surgical does not. Make it anew with: landing-analysis batch FOLDER --renew"
    )


def mark_pages(record: Record, code: str) -> None:
    """Mark every page that shows a patient, until it is written anew.

    Raises
    ------
    RecordError
        When a page cannot be written; those before it are marked.
    """
    words = (
        f"This page was made before what is known of {code} was changed. Make it anew with "
        "landing-analysis visit, compare or week."
    )
    for page in sorted((record.folder.pages / code).glob("*.html")):
        _mark(page, words)
    for page in sorted(record.folder.pages.glob("week-*.html")):
        if code in page.read_text(encoding="utf-8", errors="replace"):
            _mark(page, words)


def _mark(page: Path, words: str | None) -> None:
    """Put a mark at the top of a page, or take it away, where that changes anything."""
    if not page.is_file():
        return
    try:
        text = page.read_text(encoding="utf-8")
        bare = _MARKED.sub("", text)
        marked = bare
        if words is not None:
            mark = _MARK.format(style=_STYLE, words=html.escape(words))
            body = _BODY.search(bare)
            at = body.end() if body else 0
            marked = bare[:at] + mark + bare[at:]
        if marked != text:
            mode = page.stat().st_mode
            write_text(page, marked)
            page.chmod(mode)
    except (OSError, UnicodeDecodeError, OutputError) as error:
        raise RecordError(
            f"{page} cannot be marked as out of date ({error}); nothing was changed. Make the file "
            "writable, or take it away."
        ) from error
