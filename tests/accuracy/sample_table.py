"""Print how far the analyses of the sample clips are from their truth.

Run from the ``tests`` folder, with the reports of the sample clips made first:
``python -m accuracy.sample_table ../reports``.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from accuracy.scoring import Error, score_clip, summary_row
from landing_analysis.files import sha256_of

CLIPS = Path(__file__).parents[2] / "sample_clips"
ROWS = {
    "initial_contact": ("initial contact", "ms", 1000.0),
    "toe_off": ("toe-off", "ms", 1000.0),
    "contact_time": ("contact time", "ms", 1000.0),
    "flight_time": ("flight time", "ms", 1000.0),
    "inter_limb_delay": ("inter-limb contact delay", "ms", 1.0),
    "knee_flexion_initial_contact": ("knee flexion, initial contact", "deg", 1.0),
    "knee_flexion_peak": ("knee flexion, peak", "deg", 1.0),
    "fppa_initial_contact": ("FPPA, initial contact", "deg", 1.0),
    "fppa_peak_flexion": ("FPPA, peak flexion", "deg", 1.0),
    "fppa_peak_inward": ("FPPA, peak inward", "deg", 1.0),
    "pelvis_shift": ("pelvis shift", "%", 1.0),
    "trunk_lean": ("trunk lean", "deg", 1.0),
    "trunk_flexion": ("trunk flexion", "deg", 1.0),
}


def main(reports: Path) -> None:
    """Print a Markdown table per clip."""
    everything: list[Error] = []
    analyses = [json.loads(path.read_text("utf-8")) for path in reports.glob("*/analysis.json")]
    of_clip = {analysis["clip"]["sha256"]: analysis for analysis in analyses}
    for path in sorted(CLIPS.glob("*.truth.json")):
        name = path.name.removesuffix(".truth.json")
        analysis = of_clip[sha256_of(CLIPS / f"{name}.mp4")]
        score = score_clip(name, analysis, json.loads(path.read_text(encoding="utf-8")))
        everything += score.errors
        print(
            f"\n{name}: {score.contacts_true} contacts, {score.contacts_missed} missed, "
            f"{score.contacts_invented} invented; {score.reps_found} of {score.reps_true} reps\n"
        )
        _print_rows(list(score.errors))
    covered = sum(error.covered for error in everything) / len(everything)
    print(f"\n{len(everything)} values, {100 * covered:.0f} % within their claimed 95 % interval")


def _print_rows(errors: list[Error]) -> None:
    print("| | n | bias | median | 95 % within | worst | covered |")
    print("|---|---|---|---|---|---|---|")
    for quantity, (label, unit, factor) in ROWS.items():
        chosen = [error for error in errors if error.quantity == quantity]
        if chosen:
            row = summary_row(chosen)
            numbers = " | ".join(
                f"{factor * row[key]:.1f}" for key in ("bias", "median", "p95", "worst")
            )
            print(f"| {label}, {unit} | {row['n']} | {numbers} | {100 * row['covered']:.0f} % |")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
