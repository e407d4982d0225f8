"""Reasons in a test's own words."""

from __future__ import annotations

from landing_analysis.reasons import Code, Reason, because


def told(text: str) -> Reason:
    """Return a reason that says just this."""
    return because(Code.AS_WRITTEN_BEFORE, text=text)
