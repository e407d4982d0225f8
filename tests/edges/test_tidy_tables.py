"""The tidy tables hold what the record holds, say what each column is, and tell no name."""

from __future__ import annotations

import csv
import json
import os
import re
from datetime import date, datetime, timedelta
from pathlib import Path

import jsonschema
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from exported import LAST_DAY, REAL, REAL_DAY, TYPED, make_invented
from stick_patient import make_analysis

from landing_analysis.commands.main import main
from landing_analysis.definitions import DEFINITIONS, SIGNS
from landing_analysis.errors import OutputError, RecordError
from landing_analysis.export import writing
from landing_analysis.export.columns import (
    OWN_UNIT,
    TABLES,
    UCUM,
    dictionary_rows,
    dictionary_text,
    wide_names,
)
from landing_analysis.export.rows import PatientRows, set_rows, tidy_rows
from landing_analysis.export.writing import write_tables
from landing_analysis.frames import reps_frame
from landing_analysis.patients import Patient
from landing_analysis.reasons import Code
from landing_analysis.record.database import open_record
from landing_analysis.record.patients import add_patient, edit_patient, find_patient, list_patients
from landing_analysis.record.place import DataFolder
from landing_analysis.record.reading import StoredAnalysis, read_analyses
from landing_analysis.record.storing import insert_analysis
from landing_analysis.report.documents import analysis_document


def _command(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def as_csv(sample_record, tmp_path_factory) -> Path:
    target = tmp_path_factory.mktemp("csv") / "tables"
    result = _command("record", "tables", target, "--data", sample_record.path)
    assert result.exit_code == 0, result.output
    return target


@pytest.fixture(scope="module")
def as_parquet(sample_record, tmp_path_factory) -> Path:
    target = tmp_path_factory.mktemp("parquet") / "tables"
    with open_record(sample_record) as record:
        write_tables(record, target, "parquet")
    return target


@pytest.fixture
def small(tmp_path) -> DataFolder:
    """A record of one invented visit, to change."""
    return make_invented(tmp_path / "data", "DEMO6")


def _rows(folder: Path, table: str) -> list[dict[str, str]]:
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, strict=True))


_READ = {
    "text": str, "category": str, "integer": int, "number": float, "date": date.fromisoformat,
    "time": datetime.fromisoformat, "boolean": {"true": True, "false": False}.__getitem__,
    "integers": lambda text: [int(word) for word in text.split()],
}  # fmt: skip


def _typed(table: str, row: dict[str, str]) -> dict[str, object]:
    """Read a row of CSV as its columns are described."""
    kinds = {column.name: column.kind for column in TABLES[table].columns}
    return {name: _READ[kinds[name]](text) if text else None for name, text in row.items()}


# --- what is written -----------------------------------------------------------------------------


def test_a_folder_holds_every_table_and_the_dictionary(as_csv, as_parquet):
    beside = {"dictionary.csv", "dictionary.md"}
    assert {path.name for path in as_csv.iterdir()} == beside | {f"{n}.csv" for n in TABLES}
    assert {path.name for path in as_parquet.iterdir()} == beside | {
        f"{name}.parquet" for name in TABLES
    }


@pytest.mark.parametrize("table", TABLES)
def test_csv_and_parquet_hold_the_same(as_csv, as_parquet, table):
    from_csv = [_typed(table, row) for row in _rows(as_csv, table)]
    from_parquet = pq.read_table(as_parquet / f"{table}.parquet").to_pylist()
    for row in from_parquet:
        if "frames" in row:  # a list that is empty leaves an empty cell
            row["frames"] = row["frames"] or None
    assert len(from_csv) > 0
    assert from_csv == from_parquet


def test_every_value_of_the_record_is_in_the_long_table_to_the_last_digit(sample_record, as_csv):
    with open_record(sample_record) as record:
        stored = [
            tuple(row)
            for row in record.rows(
                "SELECT substr(sha256, 1, 12), rep, name, measure.limb, value, measure.unit, sd, "
                "measure.reason, measure.frames FROM measure JOIN analysis ON "
                "analysis_id = analysis.id JOIN clip ON clip_id = clip.id"
            )
        ]
    written = [_typed("measures", row) for row in _rows(as_csv, "measures")]
    names = ("clip", "rep", "measure", "limb", "value", "unit", "value_sd", "reason")
    assert sorted(map(str, stored)) == sorted(
        str(
            (*(row[name] for name in names), json.dumps(row["frames"] or [], separators=(",", ":")))
        )
        for row in written
    )


def test_a_missing_value_has_a_reason_and_is_empty_and_not_zero(as_csv):
    tables = {"measures": "value", "side_comparisons": "value", "sets": "mean"}
    for table, value in tables.items():
        rows = _rows(as_csv, table)
        missing = [row for row in rows if row[value] == ""]
        assert missing
        assert all(row["reason"] and row[f"{value}_sd"] == "" for row in missing)
        assert not any(row["reason"] for row in rows if row[value] != "")
    assert {row["reps_used"] for row in missing} == {"0"}


def test_limbs_that_are_not_compared_are_those_of_the_report(as_csv, sample_reports):
    for name in ("p01_jumps_front", "p01_jumps_left_side"):
        document = json.loads((sample_reports / name / "analysis.json").read_text())
        clip = document["clip"]["sha256"][:12]
        rows = [row for row in _rows(as_csv, "side_comparisons") if row["clip"] == clip]
        left_out = {row["measure"]: row["reason"] for row in rows if row["value"] == ""}
        assert left_out == {
            one["name"]: one["reason"].partition(" (")[0] for one in document["not_compared"]
        }


def test_the_wide_table_holds_what_the_long_one_holds(as_csv):
    wide = {
        (row["clip"], row["rep"], row["limb"]): row for row in _rows(as_csv, "reps_wide")
    }  # fmt: skip
    column_of = {row["measure"]: row["wide_column"] for row in _rows(as_csv, "measure_definitions")}
    seen = 0
    for row in _rows(as_csv, "measures"):
        own = row["limb"] or ("both" if row["exercise"] == "jump" else row["landing_limb"])
        cells = wide.get((row["clip"], row["rep"], own))
        if cells is None:  # the other limb of a hop, which has no value
            assert row["value"] == ""
            continue
        assert cells[column_of[row["measure"]]] == row["value"]
        assert (f"{row['measure']}: " in cells["not_measurable"]) == (row["value"] == "")
        seen += row["value"] != ""
    assert seen > 1000


def test_the_wide_columns_are_named_as_in_reps_csv():
    columns = reps_frame(analysis_document(make_analysis())).columns
    measured = {column for name in DEFINITIONS for column in columns if column.startswith(name)}
    assert len(measured) == 2 * len(DEFINITIONS)
    assert measured <= {column.name for column in TABLES["reps_wide"].columns}


def test_limbs_know_their_role_and_visits_their_distance_from_surgery(as_csv):
    rows = _rows(as_csv, "measures")
    real = [row for row in rows if row["patient"] == REAL.code]
    assert {(row["limb"], row["limb_role"]) for row in real} == {
        ("left", "surgical"), ("right", "non-surgical"), ("", ""),
    }  # fmt: skip
    assert {(row["visit_date"], row["weeks_since_surgery"]) for row in real} == {
        (REAL_DAY.isoformat(), "13.0")
    }
    unknown = [row for row in rows if row["patient"] == "DEMO6"]
    assert {(row["limb_role"], row["weeks_since_surgery"]) for row in unknown} == {("", "")}


def test_invented_rows_are_marked_in_every_table(as_csv):
    for table in set(TABLES) - {"measure_definitions"}:
        for row in _rows(as_csv, table):
            assert row["invented"] == ("false" if row["patient"] == REAL.code else "true")


def test_earlier_analyses_come_only_when_asked_for(small, tmp_path):
    with open_record(small) as record:
        old = read_analyses(record, "DEMO6")[0]
        document = {
            "schema_version": 1, "limits": [], "decided": old.values, "reps": [], "contacts": [],
            "summaries": [], "comparisons": [], "findings": [], "quality": [],
            "provenance": {**old.values, "settings": {}},
        }  # fmt: skip
        with record.change() as connection:
            insert_analysis(connection, old.values["clip_id"], document, "newer", "reports/none")
        for every, expected in ((False, ["true"]), (True, ["false", "true"])):
            write_tables(record, tmp_path / str(every), all_analyses=every)
            rows = _rows(tmp_path / str(every), "analyses")
            of_clip = [row for row in rows if row["clip"] == old.values["sha256"][:12]]
            assert [row["current"] for row in of_clip] == expected


def test_a_clip_without_values_is_listed_with_its_state_and_without_its_name(small, tmp_path):
    with open_record(small) as record:
        with record.change() as connection:
            connection.execute("UPDATE clip SET file = ? WHERE id = 1", (TYPED,))
            connection.execute("DELETE FROM analysis WHERE clip_id = 1")
            connection.execute(
                "UPDATE work SET state = 'needs attention', reason = ? WHERE clip_id = 1",
                (f"/home/erika/{TYPED} holds no person.",),
            )
        write_tables(record, tmp_path / "tables")
    states = [row["state"] for row in _rows(tmp_path / "tables", "clips")]
    assert states.count("needs attention") == 1
    (visit,) = _rows(tmp_path / "tables", "visits")
    assert (visit["clips"], visit["clips_analysed"]) == ("8", "7")
    assert not _tells(tmp_path / "tables")


# --- types ---------------------------------------------------------------------------------------


def test_parquet_has_dates_as_dates_and_units_beside_the_columns(as_parquet):
    schema = pq.read_schema(as_parquet / "reps_wide.parquet")
    assert schema.field("visit_date").type == pa.date32()
    assert schema.field("rep").type == pa.int64()
    assert schema.field("used").type == pa.bool_()
    peak = schema.field("knee_flexion_peak_deg")
    assert peak.type == pa.float64()
    assert peak.metadata[b"unit"] == b"deg"
    assert b"Largest knee flexion" in peak.metadata[b"meaning"]
    clips = pq.read_schema(as_parquet / "clips.parquet")
    assert clips.field("recorded_at").type == pa.timestamp("us", tz="UTC")


def test_pandas_reads_both_forms_without_further_words(as_csv, as_parquet):
    wide = pd.read_csv(as_csv / "reps_wide.csv", parse_dates=["visit_date"])
    assert wide["used"].dtype == bool
    assert wide["contact_time_s"].dtype == float
    again = pd.read_parquet(as_parquet / "reps_wide.parquet")
    assert (wide["contact_time_s"].dropna() == again["contact_time_s"].dropna()).all()


# --- the dictionary ------------------------------------------------------------------------------


def test_the_dictionary_describes_each_column_that_is_written_and_no_other(as_csv, as_parquet):
    described = [(row["table"], row["column"]) for row in _rows(as_csv, "dictionary")]
    assert len(described) == len(set(described))
    in_csv, in_parquet = set(), set()
    for table in TABLES:
        with (as_csv / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            in_csv |= {(table, name) for name in next(csv.reader(file))}
        schema = pq.read_schema(as_parquet / f"{table}.parquet")
        in_parquet |= {(table, name) for name in schema.names}
    assert set(described) == in_csv == in_parquet


def test_no_row_is_made_with_a_column_that_is_not_described(sample_record):
    seen: dict[str, set[str]] = {}
    asked: set[str] = set()
    with open_record(sample_record) as record:
        for code in (REAL.code, "DEMO2", "DEMO6"):
            rows = tidy_rows(writing._read(record, find_patient(record, code), all_analyses=False))
            asked.update(row["measure"] for row in rows["measures"])
            for table, made in rows.items():
                seen.setdefault(table, set()).update(*made)
    of_others = {
        column
        for definition in DEFINITIONS.values()
        if definition.name not in asked
        for column in wide_names(definition)
    }
    for table, names in seen.items():
        described = {column.name for column in TABLES[table].columns}
        assert names == described - of_others, table


def test_every_column_says_what_it_is_in_which_unit():
    endings = {"_s": "s", "_ms": "ms", "_m": "m", "_deg": "deg", "_pct": "%", "_hz": "Hz",
               "_px": "{pixel}"}  # fmt: skip
    for row in dictionary_rows():
        assert row["meaning"].endswith("."), row
        for ending, unit in endings.items():
            if row["column"].endswith(ending):
                assert row["unit"] == unit, row
        if row["type"] == "number":
            assert row["unit"], row
    for table in TABLES.values():
        own = [column for column in table.columns if column.unit == OWN_UNIT]
        assert not own or any(column.name == "unit" for column in table.columns)


def test_every_measure_carries_its_definition_into_the_dictionary():
    described = {row["column"]: row for row in dictionary_rows() if row["table"] == "reps_wide"}
    for definition in DEFINITIONS.values():
        row = next(r for name, r in described.items() if name.startswith(definition.name))
        assert definition.meaning in row["meaning"]
        assert (row["source"], row["unit"]) == (definition.source, UCUM[definition.unit])
        assert row["sign"] == SIGNS.get(definition.name, "")


def test_signs_are_said_of_measures_and_where_values_are_negative(as_csv):
    assert set(SIGNS) <= set(DEFINITIONS)
    negative = {r["measure"] for r in _rows(as_csv, "measures") if r["value"].startswith("-")}
    assert negative
    assert negative <= set(SIGNS)


def test_the_readable_dictionary_shows_each_column_and_the_cautions(as_csv):
    text = (as_csv / "dictionary.md").read_text(encoding="utf-8")
    assert text == dictionary_text("csv")
    for row in dictionary_rows():
        assert f"| `{row['column']}` |" in text
    for code in Code:
        assert f"| `{code}` |" in text
    assert "does not diagnose" in text
    assert not any(
        line.count("|") - line.count("\\|") not in (0, 3, 5) for line in text.splitlines()
    )


# --- privacy -------------------------------------------------------------------------------------


def _tells(folder: Path) -> list[str]:
    """Return the files that hold a file name, a path or a person's name."""
    telling = re.compile(rb"Erika|Musterfrau|\.mp4|\.MOV|/home|reports/|\\\\")
    return [path.name for path in folder.iterdir() if telling.search(path.read_bytes())]


def test_no_file_name_and_no_path_comes_out(as_csv, as_parquet):
    assert not _tells(as_csv)
    for path in as_parquet.glob("*.parquet"):
        table = pq.read_table(path)
        texts = [column for column in table.columns if not pa.types.is_floating(column.type)]
        text = " ".join(
            str(column.unique()) for column in texts if not pa.types.is_list(column.type)
        )
        assert not re.search(r"Erika|Musterfrau|\.mp4|/home|reports/", text), path.name


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps its own rights")
def test_the_tables_are_for_their_owner_only(as_csv):
    assert as_csv.stat().st_mode & 0o077 == 0
    assert all(path.stat().st_mode & 0o077 == 0 for path in as_csv.iterdir())


# --- what can go wrong ---------------------------------------------------------------------------


def test_writing_again_replaces_the_tables_of_either_form(small, tmp_path):
    target = tmp_path / "tables"
    assert _command("record", "tables", target, "--data", small.path).exit_code == 0
    again = _command("record", "tables", target, "--format", "parquet", "--data",
                     small.path)  # fmt: skip
    assert re.search(r"Wrote \d+ rows to ", again.output)
    assert not list(target.glob("measures.csv"))
    assert {path.name for path in tmp_path.iterdir()} == {"data", "tables"}


def test_a_folder_with_anything_else_in_it_is_left_alone(small, tmp_path):
    target = tmp_path / "own"
    target.mkdir()
    (target / "thesis.docx").write_text("years of work")
    result = _command("record", "tables", target, "--data", small.path)
    assert result.exit_code == 1
    assert result.output.startswith("Error: ")
    assert "holds other files (thesis.docx)" in result.output
    assert [path.name for path in target.iterdir()] == ["thesis.docx"]


def test_a_place_that_is_a_file_is_refused_in_one_sentence(small, tmp_path):
    place = tmp_path / "taken"
    place.write_text("something")
    for target in (place, place / "tables"):
        result = _command("record", "tables", target, "--data", small.path)
        assert result.exit_code == 1
        assert result.output.count("\n") == 1, result.output
    assert place.read_text() == "something"


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_full_disk_leaves_the_earlier_tables(small, tmp_path, monkeypatch, form):
    target = tmp_path / "tables"
    with open_record(small) as record:
        write_tables(record, target, form)
        before = {path.name: path.read_bytes() for path in target.iterdir()}

        def full(rows: PatientRows) -> dict:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(writing, "tidy_rows", full)
        with pytest.raises(OutputError, match=r"cannot be written .*No space left"):
            write_tables(record, target, form)
        assert not record.connection.in_transaction
    assert {path.name: path.read_bytes() for path in target.iterdir()} == before
    assert {path.name for path in tmp_path.iterdir()} == {"data", "tables"}


def test_an_unreadable_folder_is_refused_in_one_sentence(small, tmp_path, monkeypatch):
    def refuse(self: Path):
        raise PermissionError(13, "Permission denied")

    with open_record(small) as record:
        monkeypatch.setattr(Path, "iterdir", refuse)
        with pytest.raises(RecordError, match="Permission denied"):
            write_tables(record, tmp_path)


def test_an_empty_record_gives_empty_tables_with_their_headers(tmp_path):
    result = _command("record", "tables", tmp_path / "t", "--data", tmp_path / "data")
    assert result.exit_code == 0
    assert _rows(tmp_path / "t", "measures") == []
    assert len(_rows(tmp_path / "t", "measure_definitions")) == len(DEFINITIONS)


def test_a_patient_whose_side_was_corrected_gets_the_new_roles(small, tmp_path):
    with open_record(small) as record:
        edit_patient(record, Patient("DEMO6", surgical_side="right", surgery_date=LAST_DAY))
        write_tables(record, tmp_path / "t")
    rows = _rows(tmp_path / "t", "sets")
    assert {r["limb_role"] for r in rows if r["limb"] == "right"} == {"surgical"}
    assert float(rows[0]["weeks_since_surgery"]) < 0


def test_tables_are_of_one_moment_while_others_go_on_writing(small):
    with open_record(small) as record, open_record(small) as watcher:
        with record.at_one_moment():
            before = len(list_patients(record))
            add_patient(watcher, Patient("P09"))
            assert len(list_patients(record)) == before
        assert len(list_patients(record)) == before + 1


def _stored(reps: list[dict], measures: list[dict]) -> StoredAnalysis:
    below = dict.fromkeys(("contact", "summary", "comparison", "finding", "quality"), ())
    return StoredAnalysis(
        "P07", LAST_DAY, "x", {}, {"rep": tuple(reps), "measure": tuple(measures), **below}
    )


def test_a_set_without_any_used_rep_says_so():
    measure = {"name": "contact_time", "limb": "left", "rep": 1, "value": None, "unit": "s",
               "reason": "held", "by_hand": 0, "reading": None}  # fmt: skip
    (row,) = set_rows(_stored([{"number": 1, "used": 0}], [measure]))
    assert row["reason"] == "no rep of the set could be used"
    (row,) = set_rows(_stored([{"number": 1, "used": 1}], [measure]))
    assert row["reason"] == "held"
    assert row["reps_used"] == 0


def test_a_measure_that_an_older_program_knew_is_not_lost():
    measure = {"name": "a_former_name", "limb": None, "rep": 1, "value": None, "unit": "px",
               "reason": "held", "by_hand": 0, "reading": None}  # fmt: skip
    (row,) = set_rows(_stored([{"number": 1, "used": 1}], [measure]))
    assert (row["measure"], row["unit"]) == ("a_former_name", "{pixel}")


# --- the schema of analysis.json -----------------------------------------------------------------


def _measured(document: dict) -> dict:
    """Return the first measure of the first rep that was measured."""
    return next(rep["measures"][0] for rep in document["reps"] if rep["measures"])


def test_the_printed_schema_describes_the_analyses_of_real_clips(sample_reports, tmp_path):
    printed = _command("record", "schema")
    schema = json.loads(printed.output)
    written = _command("record", "schema", "--out", tmp_path / "schema.json")
    assert written.exit_code == 0
    assert json.loads((tmp_path / "schema.json").read_text()) == schema
    validator = jsonschema.validators.validator_for(schema)(schema)
    reports = sorted(sample_reports.glob("*/analysis.json"))
    assert len(reports) == len(list((Path(__file__).parents[2] / "sample_clips").glob("*.mp4")))
    for path in reports:
        document = json.loads(path.read_text(encoding="utf-8"))
        validator.validate(document)
        if any(rep["measures"] for rep in document["reps"]):
            del _measured(document)["unit"]
        else:  # a set of which no rep counts
            del document["reps"][0]["number"]
        assert not validator.is_valid(document)


def _undescribed(schema: dict, document: object, path: str = "") -> set[str]:
    """Return the keys of a document that its schema does not know or does not describe."""
    if isinstance(document, list) and "items" in schema:
        return {key for one in document for key in _undescribed(schema["items"], one, path)}
    if not isinstance(document, dict) or schema.get("additionalProperties") is True:
        return set()
    known = schema.get("properties")
    if known is None:  # a table of names
        inner = schema.get("additionalProperties", {})
        return {key for one in document.values() for key in _undescribed(inner, one, path)}
    without = {f"{path}/{key}" for key in document if "description" not in known.get(key, {})}
    return without.union(
        *(_undescribed(known.get(key, {}), one, f"{path}/{key}") for key, one in document.items())
    )


def test_the_schema_describes_every_key_of_a_real_analysis(sample_reports):
    schema = json.loads(_command("record", "schema").output)
    for path in sample_reports.glob("*/analysis.json"):
        document = json.loads(path.read_text(encoding="utf-8"))
        assert _undescribed(schema, document) == set()
    _measured(document)["unknown"] = 1
    assert _undescribed(schema, document) == {"/reps/measures/unknown"}


# --- sessions ----------------------------------------------------------------------------------


def test_what_was_entered_of_a_visit_is_in_the_tables(as_csv):
    visit = {"patient": "DEMO2", "visit_date": (LAST_DAY - timedelta(28)).isoformat()}

    def of_visit(table: str) -> list[dict[str, str]]:
        return [row for row in _rows(as_csv, table) if visit.items() <= row.items()]

    assert [(row["exercise"], row["sets"], row["reps"], row["bout_s"], row["rest_s"], row["load"])
            for row in of_visit("plans")][1:3] == [
        ("hop", "2", "8", "", "60.0", "body"), ("lateral_bound", "2", "", "30.0", "60.0", ""),
    ]  # fmt: skip
    assert [row["moment"] for row in of_visit("symptoms")] == [
        "before", "during", "after", "next_morning",
    ]  # fmt: skip
    assert {row["effusion_grade"] for row in of_visit("symptoms")} == {"0", ""}
    assert [row["entered_by"] for row in of_visit("sessions")] == ["T1"]
    ticks = {row["exercise"] for row in _rows(as_csv, "ticks") if row["patient"] == "DEMO2"}
    assert {"sled_jump", "jump", "lateral_bound"} <= ticks


def test_the_dose_is_in_the_tables_set_by_set(as_csv):
    day = (LAST_DAY - timedelta(28)).isoformat()
    rows = [
        row for row in _rows(as_csv, "doses")
        if (row["patient"], row["visit_date"]) == ("DEMO2", day)
    ]  # fmt: skip
    # Six sets of eight jumps, and eight hops on each limb, 75 s from start to start, a landing
    # every 0.63 s; 20 s of bounds every 0.56 s and of steps every 0.365 s (`demo.invent`).
    assert [(row["exercise"], row["set"], row["reps"]) for row in rows] == [
        *(("jump", str(number), "8") for number in range(1, 7)), ("hop", "1", "8"),
        ("hop", "2", "8"), ("lateral_bound", "1", "36"), ("jog_in_place", "1", "55"),
    ]  # fmt: skip
    assert [row["contacts_left"] for row in rows[6:]] == ["8", "0", "18", "27"]
    assert abs(float(rows[1]["rest_s"]) - (75 - 7 * 0.63)) < 1e-6
    assert abs(float(rows[1]["pace_per_min"]) - 60 / 0.63) < 1e-6
    assert rows[0]["rest_s"] == ""
