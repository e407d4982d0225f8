"""The package's forms of both looks, fitted to the kept landings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from landing_analysis.landmarks.mirroring import MIRRORED_VIEWS
from landing_analysis.measures.offsets import read_offsets

from .bodies import as_plain, fit_form, for_people, left_of_others, parts_of, tame
from .landing_rows import Landing, as_row

NAMES = ("fppa_deg", "standing_fppa_deg")


def both_forms(landings: Sequence[Landing]) -> dict[str, Any]:
    """Fit the forms with and without quiet standing, by view.

    The clip's part of what is claimed is that of plain looks where it is larger: two visits of few
    bodies are among the landings.
    """
    forms: dict[str, Any] = {"standing": {}, "without": {}}
    for seen in MIRRORED_VIEWS:
        rows = [as_row(one, "both") for one in landings if one.plan.view == seen]
        for kind, names in (("standing", NAMES), ("without", NAMES[:1])):
            plain = read_offsets("offsets.json").form(seen, standing=kind == "standing")
            sds_deg = for_people(parts_of(rows, tame(left_of_others(rows, names))))
            sds_deg["clip"] = max(sds_deg["clip"], plain.sds_deg["clip"])
            forms[kind][seen] = as_plain(fit_form(rows, names, sds_deg))
    return forms
