"""The benchmark's sums on errors made by hand, and its short version on rendered clips."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
from accuracy.benchmark import heading, main, score_entry
from accuracy.scoring import Error, Score, score_clip, score_nothing
from accuracy.table import Facts, Row, as_csv, as_markdown, table
from click.testing import CliRunner
from numpy.testing import assert_allclose
from synthetic_patients.matrix import MATRIX, SHORT, choose, film_entry, play_entry

ROUNDING = 1e-9
CLIP = "a.mp4"


def facts(view: str = "left_side", split: str = "hold", **others) -> Facts:
    known = {"body": "short_man", "fps": 60.0, "exposure_s": 1 / 120, "yaw_deg": -6.0}
    return Facts(CLIP, split, view=view, **(known | others))


def scored(*errors: Error, **counts) -> Score:
    known = {
        "contacts_true": 6, "contacts_missed": 1, "contacts_invented": 2, "reps_true": 3,
        "reps_found": 4,
    }  # fmt: skip
    return Score(CLIP, **(known | counts), errors=errors)


def error(value: float, sd: float, quantity: str = "initial_contact", limb="left") -> Error:
    return Error(CLIP, quantity, limb, None, value, sd, 1.0)


def row_of(rows: tuple[Row, ...], by: str, group: str, quantity: str) -> Row:
    (row,) = [r for r in rows if (r.by, r.group, r.quantity) == (by, group, quantity)]
    return row


def test_errors_are_summed_up_as_by_hand():
    errors = [error(x / 1000, 0.002) for x in (-1.0, 2.0, -3.0, 10.0)]
    row = row_of(table([(facts(), scored(*errors))]), "all", "all", "initial_contact")
    assert (row.unit, row.found, row.missed) == ("ms", 4, 0)
    assert_allclose(row.bias, 2.0, rtol=ROUNDING)
    assert_allclose(row.median_abs, 2.5, rtol=ROUNDING)
    assert_allclose(row.rms, np.sqrt(114 / 4), rtol=ROUNDING)
    assert_allclose(row.p95_abs, 3 + 0.85 * 7, rtol=ROUNDING)  # linear between ranks
    # 1.96 x 2 ms holds three of the four; Wilson's interval for 3 of 4 by hand:
    # (0.75 + z2/8 +- z sqrt(0.75 x 0.25 / 4 + z2/64)) / (1 + z2/4), z = 1.96
    assert_allclose(row.covered_pct, 75.0, rtol=ROUNDING)
    assert_allclose([row.covered_from_pct, row.covered_to_pct], [30.064, 95.441], atol=0.01)


def test_units_are_those_a_reader_expects():
    errors = [
        error(0.004, 0.01, "contact_time"), error(4.0, 3.0, "inter_limb_delay", None),
        error(-2.0, 3.0, "knee_flexion_peak"),
    ]  # fmt: skip
    rows = table([(facts(), scored(*errors))])
    found = {
        name: (row_of(rows, "all", "all", name).unit, row_of(rows, "all", "all", name).bias)
        for name in ("contact_time", "inter_limb_delay", "knee_flexion_peak")
    }
    assert found == {
        "contact_time": ("ms", 4.0),
        "inter_limb_delay": ("ms", 4.0), "knee_flexion_peak": ("deg", -2.0)
    }  # fmt: skip


def test_contacts_and_reps_are_counted_found_missed_and_invented():
    rows = table([(facts(), scored()), (facts("front"), scored(contacts_missed=0, reps_found=2))])
    contacts, reps = (row_of(rows, "all", "all", name) for name in ("contacts", "reps"))
    assert (contacts.found, contacts.missed, contacts.invented) == (11, 1, 4)
    assert (reps.found, reps.missed, reps.invented) == (5, 1, 1)


def test_groups_keep_views_splits_and_feet_apart():
    near, far = error(0.001, 0.01, limb="left"), error(0.05, 0.01, limb="right")
    rows = table([(facts(), scored(near, far)), (facts("front", "tune"), scored(near))])
    assert [row.split for row in rows] == sorted((row.split for row in rows), reverse=True)
    hold = tuple(row for row in rows if row.split == "hold")
    assert {row.group for row in hold if row.by == "view"} == {"left_side"}
    assert {row.group for row in hold if row.by == "yaw"} == {"beyond 5 deg"}
    assert {row.group for row in hold if row.by == "exposure"} == {"1/120 s"}
    assert_allclose(row_of(hold, "foot", "near", "initial_contact").bias, 1.0)
    assert_allclose(row_of(hold, "foot", "far", "initial_contact").bias, 50.0)


def documents() -> tuple[dict, dict]:
    """An analysis and a truth of one hop: contact 6 ms late, FPPA 1 deg over, flexion declined."""
    measures = [
        {"name": "fppa_peak_flexion", "limb": "left", "value": 9.0, "sd": 2.0},
        {"name": "knee_flexion_peak", "limb": "left", "value": None, "sd": None},
        {"name": "knee_separation", "limb": None, "value": 1.0, "sd": 0.1},
    ]
    contact = {
        "limb": "left", "initial_contact_s": 1.006, "initial_contact_sd_s": 0.004,
        "toe_off_s": None, "toe_off_sd_s": None,
    }  # fmt: skip
    analysis = {
        "contacts": [contact, contact | {"initial_contact_s": 3.0}],
        "reps": [{"flight": {"landing_s": 1.006}, "measures": measures}],
    }
    truth = {
        "contacts": [{"limb": "left", "initial_contact_s": 1.0, "toe_off_s": 1.3}],
        "reps": [
            {"take_off_s": 0.7, "flight_time_s": 0.3,
             "landing": {"left": {"fppa_peak_flexion_deg": 8.0, "knee_flexion_peak_deg": 60.0}}}
        ],
    }  # fmt: skip
    return analysis, truth


def test_an_analysis_is_held_against_its_truth():
    score = score_clip(CLIP, *documents())
    assert (score.contacts_true, score.contacts_missed, score.contacts_invented) == (1, 0, 1)
    errors = {e.quantity: e.error for e in score.errors}
    assert set(errors) == {"initial_contact", "fppa_peak_flexion"}
    assert_allclose(errors["initial_contact"], 0.006, atol=ROUNDING)
    assert_allclose(errors["fppa_peak_flexion"], 1.0, rtol=ROUNDING)
    assert sorted(score.declined) == [("knee_flexion_peak", "left"), ("toe_off", "left")]


def test_a_declined_value_is_in_the_table_and_not_among_the_errors():
    rows = table([(facts(), score_clip(CLIP, *documents()))])
    row = row_of(rows, "all", "all", "knee_flexion_peak")
    assert (row.found, row.missed, row.bias, row.covered_pct) == (0, 1, None, None)


def test_a_clip_that_cannot_be_analysed_counts_as_missed():
    _, truth = documents()
    row = row_of(table([(facts(), score_nothing(CLIP, truth))]), "all", "all", "contacts")
    assert (row.found, row.missed, row.invented) == (0, 1, 0)


def test_the_table_is_written_for_machines_and_readers():
    rows = table([(facts(), scored(error(0.004, 0.004)))])
    (line,) = [
        line for line in csv.DictReader(io.StringIO(as_csv(rows)))
        if (line["by"], line["quantity"]) == ("all", "initial_contact")
    ]  # fmt: skip
    assert (line["bias"], line["invented"], line["covered_pct"]) == ("4.00", "", "100.00")
    page = as_markdown(rows)
    assert (
        "| initial contact (ms) | 1 | 0 |  | +4.0 | 4.0 | 4.0 | 4.0 | 100 % (21 to 100) |" in page
    )


def test_a_table_of_some_scenes_says_that_it_is_partial():
    assert "Partial" in heading(choose("short"), "run")
    assert f"{len(SHORT)} of {len(MATRIX)} scenes" in heading(choose("short"), "run")
    assert "Partial" not in heading(choose(), "run")


def test_without_a_rendered_clip_one_sentence_says_what_to_do(tmp_path):
    outcome = CliRunner().invoke(main, ["run", "--out", str(tmp_path), "--split", "short"])
    assert outcome.exit_code == 1
    assert "None of the 4 chosen scenes is rendered" in outcome.output
    assert list(tmp_path.iterdir()) == []


def test_an_interpreter_that_is_not_there_gets_one_sentence(tmp_path):
    missing = str(tmp_path / "python")
    outcome = CliRunner().invoke(main, ["render", "--out", str(tmp_path), "--python", missing])
    assert outcome.exit_code == 1
    assert "cannot be started" in outcome.output


@pytest.mark.slow
def test_the_short_benchmark_finds_every_contact(tmp_path: Path):
    pytest.importorskip(
        "moderngl", reason="rendering needs moderngl; pip install -e '.[render]' to run this"
    )
    scores = []
    for entry in choose("short"):
        film_entry(entry, play_entry(entry), tmp_path)
        scores.append(score_entry(entry, tmp_path)[:2])
    counts = [r for r in table(scores) if (r.by, r.quantity) == ("all", "contacts")]
    assert {row.split for row in counts} == {"tune", "hold"}
    assert sum(row.missed + row.invented for row in counts) == 0
