"""analysis.json and reps.csv say what the records say, and nothing that is not a number."""

from __future__ import annotations

import csv
import io
import json
from importlib.resources import files

import jsonschema
import pytest
from stick_patient import make_analysis, without_reps

from landing_analysis.definitions import CAUTIONS, DEFINITIONS, value_columns
from landing_analysis.exercises import has_measure
from landing_analysis.files import read_document
from landing_analysis.frames import reps_csv
from landing_analysis.report.documents import analysis_document, analysis_json
from landing_analysis.wording import words_of

SETS = (
    {},
    {"view": "right_side", "exercise": "hop"},
    {"view": "left_side", "limb": "left", "surgical_side": None},
    {"view": "oblique", "surgical_side": "left"},
)


def _schema() -> dict[str, object]:
    text = files("landing_analysis").joinpath("data/analysis.schema.json").read_text()
    return json.loads(text)


def _document(analysis):
    def refuse(name: str) -> None:
        raise AssertionError(f"{name} in JSON")

    return json.loads(analysis_json(analysis_document(analysis)), parse_constant=refuse)


@pytest.mark.parametrize("chosen", SETS, ids=str)
def test_the_document_fits_its_schema(chosen):
    jsonschema.validate(_document(make_analysis(**chosen)), _schema())


def test_a_clip_without_reps_fits_the_schema():
    document = _document(without_reps(make_analysis()))
    jsonschema.validate(document, _schema())
    assert document["reps"] == []
    assert document["decided"]["exercise"] is None


def test_the_schema_refuses_a_measure_with_neither_value_nor_reason():
    document = _document(make_analysis())
    row = document["reps"][0]["measures"][0]
    row["value"] = row["sd"] = row["reason"] = None
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, _schema())


def test_the_schema_knows_every_measure_and_only_those():
    assert _schema()["$defs"]["measure_name"]["enum"] == list(DEFINITIONS)


def test_values_and_reasons_come_through_unchanged():
    analysis = make_analysis()
    reps = {rep["number"]: rep for rep in _document(analysis)["reps"]}
    for row in analysis.measures.measures:
        written = next(
            m for m in reps[row.rep]["measures"] if (m["name"], m["limb"]) == (row.name, row.limb)
        )
        assert (written["value"], written["sd"], written["reason"]) == (
            row.value,
            row.sd,
            words_of(row.reason) or None,
        )
    assert reps[4]["used"] is False
    assert "only the left foot" in reps[4]["reason"]


def test_a_contact_names_its_rep_and_a_held_landing_says_why_it_has_no_toe_off():
    contacts = _document(make_analysis())["contacts"]
    assert [c["rep"] for c in contacts if c["limb"] == "left"] == [1, 2, 3, 4, 5, 6, 7, 8]
    held = contacts[-1]
    assert held["toe_off_s"] is None
    assert held["toe_off_sd_s"] is None
    assert "held" in held["toe_off_reason"]


def test_what_is_stored_is_the_same_whichever_side_is_the_surgical_one():
    documents, tables = [], set()
    for side in ("left", "right", None):
        analysis = make_analysis(surgical_side=side)
        document = _document(analysis)
        assert document["decided"].pop("surgical_side") == side
        documents.append(document)
        tables.add(reps_csv(analysis_document(analysis)))
    assert documents[0] == documents[1] == documents[2]
    assert len(tables) == 1
    assert {item["limb"] for item in documents[0]["comparisons"]} == {"left"}


def test_cautions_and_provenance_are_in_the_document():
    document = _document(make_analysis())
    assert document["cautions"] == list(CAUTIONS)
    assert document["provenance"]["model_sha256"] == "a" * 64


def _rows(analysis) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(reps_csv(analysis_document(analysis)))))


def test_a_jump_has_a_row_per_limb_and_one_for_the_body():
    rows = _rows(make_analysis())
    assert [r["limb"] for r in rows[:3]] == ["left", "right", "both"]
    assert len(rows) == 8 * 3
    assert rows[0]["contact_time_s"] == "0.3400"
    assert rows[0]["flight_time_s"] == ""
    assert rows[2]["flight_time_s"] == "0.3600"


def test_a_hop_has_the_measures_of_the_body_in_its_own_row():
    rows = _rows(make_analysis(view="right_side", exercise="hop"))
    assert [r["limb"] for r in rows] == ["right"] * 8
    assert rows[0]["flight_time_s"] == "0.3600"
    assert rows[0]["trunk_flexion_deg"] != ""


def test_an_empty_cell_has_its_reason_in_the_same_row():
    for row in _rows(make_analysis()):
        if row["used"] == "no":
            assert row["reason"]
            continue
        for name, definition in DEFINITIONS.items():
            on_this_row = (row["limb"] == "both") == (definition.scope == "body")
            column, _ = value_columns(name, definition.unit)
            asked = on_this_row and has_measure(row["exercise"], name)
            if asked and row[column] == "":
                assert f"{name}: " in row["not_measurable"]


def test_every_measure_has_a_header_with_its_unit_and_its_uncertainty():
    columns = list(_rows(make_analysis())[0])
    assert len(set(columns)) == len(columns)
    for header in (
        "contact_time_s",
        "contact_time_sd_s",
        "knee_over_toes_offset_sd_pct",
        "inter_limb_delay_ms",
        "reactive_strength_index",
        "jump_height_m",
    ):
        assert header in columns


def test_documents_of_versions_that_said_task_are_read_as_exercises(tmp_path):
    earlier = {
        "schema_version": 2, "decided": {"task": "hop", "task_origin": "given"},
        "limits": [{"tasks": ["jump"]}], "corrections": [{"what": "task", "new": "hop"}],
    }  # fmt: skip
    path = tmp_path / "analysis.json"
    path.write_text(json.dumps(earlier))
    assert read_document(path) == {
        "schema_version": 2, "decided": {"exercise": "hop", "exercise_origin": "given"},
        "limits": [{"exercises": ["jump"]}], "corrections": [{"what": "exercise", "new": "hop"}],
    }  # fmt: skip
