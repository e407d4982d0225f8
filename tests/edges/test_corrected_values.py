"""A value from which the pose model's offset was taken off is marked wherever it is handed on."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from stick_patient import make_analysis

from landing_analysis.definitions import is_fppa
from landing_analysis.export.bundle import visit_bundle
from landing_analysis.export.rows import PatientRows, tidy_rows
from landing_analysis.frames import measures_frame, reps_csv
from landing_analysis.patients import Patient
from landing_analysis.reasons import Code, because
from landing_analysis.record.clips import insert_clip, read_clips
from landing_analysis.record.database import open_record
from landing_analysis.record.patients import add_patient
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.record.reading import read_analyses
from landing_analysis.record.storing import insert_analysis
from landing_analysis.report.documents import analysis_document
from landing_analysis.tables import Analysis, Note

P01 = Patient("P01")
DAY = date(2026, 6, 1)
TAKEN_OFF_DEG = 1.5


def _corrected() -> Analysis:
    """Return a set whose FPPAs read as many degrees less than is given."""
    analysis = make_analysis()
    rows = tuple(
        replace(row, reading=row.value - TAKEN_OFF_DEG)
        if is_fppa(row.name) and row.value is not None
        else row
        for row in analysis.measures.measures
    )
    said = Note("knee angle", "good", (because(Code.FPPA_CORRECTED),))
    return replace(
        analysis,
        measures=replace(analysis.measures, measures=rows),
        notes=(*analysis.notes, said),
    )


def _stored(folder: DataFolder, analysis: Analysis) -> None:
    with open_record(folder) as record:
        add_patient(record, P01)
        with record.change() as connection:
            at = datetime(DAY.year, DAY.month, DAY.day, 9, 30, tzinfo=UTC)
            clip_id = insert_clip(connection, P01.code, analysis.clip, at, "file time")
            document = analysis_document(analysis)
            insert_analysis(connection, clip_id, document, "f" * 64, "reports/one")


def _read(folder: DataFolder) -> PatientRows:
    with open_record(folder) as record:
        return PatientRows(
            P01, tuple(read_clips(record, P01.code)), read_analyses(record, P01.code)
        )


@pytest.fixture
def folder(tmp_path) -> DataFolder:
    place = data_folder(tmp_path / "data")
    _stored(place, _corrected())
    return place


def test_the_long_table_has_each_corrected_value_as_it_was_read(folder):
    rows = tidy_rows(_read(folder))["measures"]
    for row in rows:
        assert row["corrected"] == (is_fppa(row["measure"]) and row["value"] is not None)
        expected = row["value"] - TAKEN_OFF_DEG if row["corrected"] else None
        assert row["reading"] == expected
    assert any(row["corrected"] for row in rows)


def test_a_corrected_mean_stands_beside_the_mean_of_what_was_read(folder):
    rows = tidy_rows(_read(folder))["sets"]
    for row in rows:
        assert row["corrected"] == (is_fppa(row["measure"]) and row["reps_used"] > 0)
        if row["corrected"]:
            assert row["mean_reading"] == pytest.approx(row["mean"] - TAKEN_OFF_DEG)
        else:
            assert row["mean_reading"] is None
    assert any(row["corrected"] for row in rows)


@pytest.mark.parametrize("table", ["side_comparisons", "findings"])
def test_what_rests_on_corrected_values_says_so(folder, table):
    rows = [row for row in tidy_rows(_read(folder))[table] if row["value"] is not None]
    assert {row["corrected"] for row in rows} == {True, False}
    assert all(row["corrected"] == is_fppa(row["measure"]) for row in rows)


def test_the_wide_table_names_the_corrected_measures(folder):
    for row in tidy_rows(_read(folder))["reps_wide"]:
        named = (row["measures_corrected"] or "").split("; ")
        given = [name for name in ("fppa_initial_contact", "fppa_peak_flexion", "fppa_peak_inward")
                 if row.get(f"{name}_deg") is not None]  # fmt: skip
        assert named == (given or [""])


def test_a_bundle_marks_a_corrected_mean_and_says_what_was_read(folder):
    bundle = visit_bundle(_read(folder), DAY)
    means = {}
    for resource in (entry["resource"] for entry in bundle["entry"]):
        kind = resource.get("code", {}).get("coding", [{}])[0]
        if kind.get("system") == "urn:landing-analysis:measure" and "valueQuantity" in resource:
            parts = {p["code"]["coding"][0]["code"]: p for p in resource.get("component", ())}
            means[kind["code"], resource["id"]] = resource, parts
    assert any(is_fppa(name) for name, _ in means)
    for (name, _), (resource, parts) in means.items():
        notes = " ".join(note["text"] for note in resource["note"])
        assert ("corrected" in parts) == ("reading" in parts) == is_fppa(name)
        assert ("Corrected:" in notes) == is_fppa(name)
        if is_fppa(name):
            read_deg = parts["reading"]["valueQuantity"]["value"]
            told_deg = resource["valueQuantity"]["value"]
            assert read_deg == pytest.approx(told_deg - TAKEN_OFF_DEG, abs=0.011)


@pytest.mark.parametrize("said", [True, False])
def test_analyses_of_before_readings_were_stored_are_marked_by_what_they_say(folder, said):
    with open_record(folder) as record, record.change() as connection:
        connection.execute("UPDATE measure SET reading = NULL")
        if not said:
            connection.execute("UPDATE quality SET codes = NULL")
    tables = tidy_rows(_read(folder))
    for row in tables["measures"]:
        asked = said and is_fppa(row["measure"]) and row["value"] is not None
        assert (row["corrected"], row["reading"]) == (asked, None)
    assert {row["mean_reading"] for row in tables["sets"]} == {None}


def test_python_users_get_the_reading_beside_the_value():
    document = analysis_document(_corrected())
    frame = measures_frame(document)
    corrected = frame[frame["corrected"]]
    assert {is_fppa(name) for name in corrected["measure"]} == {True}
    assert (corrected["value"] - corrected["reading"]).tolist() == pytest.approx(
        [TAKEN_OFF_DEG] * len(corrected)
    )
    assert frame[~frame["corrected"]]["reading"].isna().all()
    listed = [row["corrected"] for row in csv.DictReader(io.StringIO(reps_csv(document)))]
    assert any("fppa_peak_flexion" in names.split("; ") for names in listed)
