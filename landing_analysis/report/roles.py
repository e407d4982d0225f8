"""Analysis -> the same, telling the surgical limb from the other."""

from __future__ import annotations

from dataclasses import replace

from landing_analysis.findings import judging
from landing_analysis.measures.summaries import compare_sides
from landing_analysis.tables import Analysis


def with_roles(analysis: Analysis) -> Analysis:
    """Return the same, with findings that say which limb is surgical and that limb named first.

    What is stored knows left and right only; this is for the page.
    """
    side = analysis.decided.surgical_side
    if side is None:
        return analysis
    measures = analysis.measures
    compared = {item.name for item in measures.comparisons}
    turned = tuple(item for item in compare_sides(measures.measures, side) if item.name in compared)
    return replace(
        analysis,
        measures=replace(measures, comparisons=turned),
        findings=tuple(
            judging.with_roles(finding, analysis.limits, side) for finding in analysis.findings
        ),
    )
