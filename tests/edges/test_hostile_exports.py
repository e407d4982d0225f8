"""Exports that lie: refused whole with the row named, or harmless to everything that reads."""

from __future__ import annotations

import copy
import csv
import io
import json
import shutil
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import date
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner
from stand_in import job, run, stand_in, template_document, tiny_clip

from landing_analysis.commands.main import main
from landing_analysis.errors import RecordError
from landing_analysis.files import sha256_of
from landing_analysis.record.correcting import Wish, correct, find_clip
from landing_analysis.record.database import connect, open_record
from landing_analysis.record.exchange import export_record, import_record
from landing_analysis.record.migrations import RECORD_TABLES
from landing_analysis.record.patients import list_patients
from landing_analysis.record.place import data_folder
from landing_analysis.record.sessions import enter_session, enter_tick

TEMPLATE = template_document()


@pytest.fixture(scope="module")
def exported(tmp_path_factory) -> Path:
    """The export of one patient with two visits, few rows of each table, all as they should be."""
    place = tmp_path_factory.mktemp("exported")
    few = copy.deepcopy(TEMPLATE)
    few["reps"] = few["reps"][:2]
    kept = {"contact_time", "toe_to_heel_interval", "knee_flexion_peak"}
    for rep in few["reps"]:
        rep["measures"] = [row for row in rep["measures"] if row["name"] in kept]
    few["contacts"], few["quality"] = few["contacts"][:3], few["quality"][:2]
    few["summaries"] = few["summaries"][:6]
    drop, folder = place / "drop", data_folder(place / "data")
    tiny_clip(drop / "P07" / "PXL_20260304_101112000.mp4", 1)
    tiny_clip(drop / "P07" / "PXL_20260311_101112000.mp4", 2)
    (drop / "P07" / "patient.toml").write_text('surgical_side = "left"\nsurgery_date = 2026-02-01')
    assert set(run(folder, job(drop, stand_in(few, place / "log"))).values()) == {"done"}
    with open_record(folder) as record:
        clip = find_clip(record, sha256_of(drop / "P07" / "PXL_20260304_101112000.mp4"))
        wishes = [Wish("rep", "excluded", 1, 2.5), Wish("view", "back"), Wish("date", "2026-03-05")]
        correct(record, clip, wishes, "T1", "slipped")
        enter_session(record, "P07", date(2026, 3, 5), {"after": {"pain": 2}, "note": "calm"}, "T1")
        enter_tick(record, "P07", "jump", date(2026, 3, 5), "T1", note="calm")
        export_record(record, place / "export")
    return place


@pytest.fixture
def document(exported) -> dict:
    return json.loads((exported / "export" / "record.json").read_text())


def _import(record, source: Path, document: dict) -> str | None:
    """Try an export and return the refusal, with the record empty again either way."""
    source.write_text(json.dumps(document))
    refusal = None
    try:
        import_record(record, source)
    except RecordError as error:
        refusal = str(error)
        assert not any(record.rows(f"SELECT 1 FROM {table}") for table in RECORD_TABLES)
        assert "\n" not in refusal
        assert len(refusal) < 600
    with record.change() as connection:
        connection.execute("DELETE FROM patient")
    return refusal


HOSTILE = [
    "", " ", "x", "<script>alert(1)</script>", "=1+1", "'; DROP TABLE patient; --", "../../x",
    "/etc", "~", "nan", "1", "1e5", "-0", "2026-02-31", "0000-01-01", "0001-01-01", "9999-12-31",
    "10000-01-01", "20260304", "2026-W10-3", "2026-03-04T10:11:12", "0001-01-01T00:00:00+23:59",
    "9999-12-31T23:59:59-23:59", "2026-03-04T99:11:12+01:00", "٢٠٢٦-٠٣-٠٤", "\0", "\ud800",
    "\x1b[2J", "\u202e", "x" * 100_000, "[", "[" * 100_000, "[" * 200 + "]" * 200, "[NaN]",
    "[1e999]", "[-1]",
    "null", "{}", '{"a": [Infinity]}', '["left", "left"]', '[{"name": "x"}]', "[true]", "a" * 64,
    -1, 0, 1, 7, -1.5, 0.5, 1e300, -1e300, 1e308, float("inf"), float("-inf"), float("nan"),
    5e-324, 2**31, 2**53 + 2, 2**63 - 1, -(2**63), 2**64, 10**30, True, False, None, [], {}, [1],
]  # fmt: skip


def _cells(document: dict) -> list[tuple[str, int, str]]:
    return [
        (table, number, column)
        for table, rows in document["tables"].items()
        if rows
        for number in {0, len(rows) - 1}
        for column in rows[number]
    ]


@contextmanager
def _changed(row: dict, column: str, value: object) -> Iterator[None]:
    before, row[column] = row[column], value
    yield
    row[column] = before


def test_no_correction_is_taken_that_could_not_be_made_here(exported, document, tmp_path):
    columns = ("what", "old", "new", "rep", "rep_s", "reason", "made_by", "made_at")
    rows = document["tables"]["correction"]
    with open_record(data_folder(tmp_path / "data")) as record:
        for row in rows:
            for column in columns:
                for value in ("<b>", "=1+1", "x" * 201, 7, [], "front", "2026-02-31", "Jane"):
                    with _changed(row, column, value):
                        taken = _import(record, tmp_path / "x.json", document) is None
                    fits = (column, value) in {
                        ("reason", "front"), ("reason", "2026-02-31"), ("reason", "Jane"),
                        *((c, 7) for c in ("rep", "rep_s") if row["what"] == "rep"),
                        *((c, "front") for c in ("old", "new") if row["what"] == "view"),
                    } if not isinstance(value, list) else False  # fmt: skip
                    assert taken == fits, (row["what"], column, value)
    assert {row["what"] for row in rows} == {"rep", "view", "date"}


def test_a_single_hostile_value_is_refused_with_its_row_or_harms_no_reader(
    exported, document, tmp_path, monkeypatch
):
    rng = Random(7)
    cells = _cells(document)
    pairs = rng.sample([(cell, value) for cell in cells for value in HOSTILE], 150)
    taken = []
    with open_record(data_folder(tmp_path / "data")) as record:
        assert _import(record, tmp_path / "x.json", document) is None
        for (table, number, column), value in pairs:
            with _changed(document["tables"][table][number], column, value):
                refusal = _import(record, tmp_path / "x.json", document)
            if refusal is None:
                taken.append((table, number, column, value))
            elif "no whole export" not in refusal:
                assert f"row {number + 1} of {table}" in refusal or "row " in refusal
    assert 5 < len(taken) < 50
    for k in range(2):
        harmless = copy.deepcopy(document)
        for table, number, column, value in rng.sample(taken, len(taken) // 2):
            before = harmless["tables"][table][number][column]
            harmless["tables"][table][number][column] = value
            with open_record(data_folder(tmp_path / "try")) as record:
                if _import(record, tmp_path / "x.json", harmless):  # they exclude each other
                    harmless["tables"][table][number][column] = before
        (tmp_path / "x.json").write_text(json.dumps(harmless))
        monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / f"clinic{k}"))
        assert _ended(["record", "import", tmp_path / "x.json"]) == 0
        code = harmless["tables"]["patient"][0]["code"]
        for words in _readers(code, tmp_path / f"out{k}"):
            assert _ended(words) == 0, words
        again = tmp_path / f"again{k}"
        assert _ended(["record", "import", tmp_path / f"out{k}" / "export", "--data", again]) == 0


def _readers(code: str, out: Path) -> list[list[object]]:
    return [
        ["patient", "list"],
        ["clips"],
        ["visit", code],
        ["compare", code],
        ["week"],
        ["week", "2026-03-04"],
        ["record", "tables", out / "csv"],
        ["record", "tables", out / "parquet", "--format", "parquet", "--all-analyses"],
        ["record", "fhir", code, "--out", out / "fhir.json"],
        ["record", "export", out / "export"],
    ]


def _ended(words: list[object]) -> int:
    """Run a command and return its exit code; a traceback fails, and so does a long story."""
    done = CliRunner().invoke(main, list(map(str, words)))
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert "Traceback" not in done.output
    assert done.exit_code == 0 or len(done.stderr.strip().splitlines()) == 1, done.stderr
    return done.exit_code


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("patient", "code", "../../x"),
        ("patient", "code", "<script>alert(1)</script>"),
        ("patient", "code", "=1+1"),
        ("patient", "code", "nul"),
        ("patient", "surgery_date", "2026-02-31"),
        ("patient", "surgery_date", "1026-02-01"),
        ("patient", "stature_m", -1.0),
        ("patient", "stature_m", 17.2),
        ("patient", "stature_m", "1.72"),
        ("patient", "added_at", "yesterday"),
        ("patient", "id", 2**62),
        ("patient", "invented", True),
        ("visit", "date", "0000-01-01"),
        ("visit", "date", "2026-02-31"),
        ("visit", "patient_id", 99),
        ("clip", "sha256", "../" * 21 + "x"),
        ("clip", "file", "../../a.mp4"),
        ("clip", "recorded_at", "2026-03-04"),
        ("clip", "median_fps", 0.0),
        ("clip", "median_fps", float("inf")),
        ("clip", "width_px", -720),
        ("analysis", "report", "/etc"),
        ("analysis", "report", "../../x"),
        ("analysis", "report", "reports/../backups"),
        ("analysis", "report", "reports"),
        ("analysis", "report", ""),
        ("analysis", "settings", "{"),
        ("analysis", "settings", "[" * 100_000),
        ("analysis", "settings", '{"a":' * 300 + "1" + "}" * 300),
        ("analysis", "body", "{}"),
        (
            "analysis",
            "body",
            '{"leg_m": 0, "leg_sd_m": 0.1, "trunk_per_leg": 0.6, "trunk_per_leg_sd": 0.03}',
        ),
        ("analysis", "limits", "[NaN]"),
        ("analysis", "view", "above"),
        ("rep", "limbs", '["left","left"]'),
        ("rep", "limbs", '["both"]'),
        ("contact", "initial_contact_sd_s", -0.01),
        ("measure", "name", "jump_happiness"),
        ("measure", "unit", "furlong"),
        ("measure", "value", "plenty"),
        ("measure", "value", "0.3"),
        ("measure", "value", 1e300),
        ("measure", "value", float("nan")),
        ("measure", "value", -0.3),
        ("measure", "frames", '["x"]'),
        ("measure", "parts", "1"),
        ("summary", "mean", float("inf")),
        ("summary", "reps_used", 0),
        ("summary", "mean", -0.3),
        ("comparison", "name", "x"),
        ("finding", "text", "\x1b[2Jclean"),
        ("quality", "state", "splendid"),
    ],
    ids=lambda value: repr(value)[:40],
)
def test_what_no_rule_allows_is_refused_with_its_row(document, tmp_path, table, column, value):
    rows = document["tables"][table]
    number = next((k for k, row in enumerate(rows) if row.get("name") == "contact_time"), 0)
    rows[number][column] = value
    with open_record(data_folder(tmp_path / "data")) as record:
        refusal = _import(record, tmp_path / "x.json", document)
    if value != value or value == float("inf"):  # JSON has no such numbers
        assert "no whole export" in refusal
    else:
        assert f"because of row {number + 1} of {table}: " in refusal
        assert column in refusal or "schema" in refusal


def _without(document: dict, table: str) -> None:
    del document["tables"][table]


@pytest.mark.parametrize(
    "harm",
    [
        lambda d: d["tables"].update(patients=[]),
        lambda d: d["tables"].update(patient={}),
        lambda d: d["tables"].update(patient=[[]]),
        lambda d: d["tables"].update(patient=None),
        lambda d: d["tables"].update(work=[{"clip_id": 1, "state": "analysing", "worker": "x"}]),
        lambda d: d["tables"].pop("quality"),
        lambda d: d.update(tables=[]),
        lambda d: d.pop("tables"),
        lambda d: d.update(record_version="3"),
        lambda d: d.update(record_version=0),
        lambda d: d.update(record_version=-1),
        lambda d: d.update(record_version=True),
        lambda d: d.update(record_version=2.5),
        lambda d: d.update(record_version=10**30),
        lambda d: d.update(record_version=None),
        lambda d: d["tables"]["visit"][0].pop("date"),
        lambda d: d["tables"]["visit"][0].update(day="2026-03-04"),
        lambda d: d["tables"]["visit"].append(dict(d["tables"]["visit"][0])),
        lambda d: d["tables"]["patient"][0].update({"code) VALUES ('x'); --": "P07"}),
    ],
)
def test_an_export_of_another_shape_is_refused(document, tmp_path, harm):
    harm(document)
    with open_record(data_folder(tmp_path / "data")) as record:
        assert _import(record, tmp_path / "x.json", document)


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b"null", b"\xff\xfe", b"[" * 200_000, b'{"record_version": 1e999}',
     bytes(99), b'{"a":' * 100_000],
    ids=lambda content: repr(content[:12]),
)  # fmt: skip
def test_what_is_no_export_is_refused_in_one_sentence(tmp_path, content):
    (tmp_path / "x.json").write_bytes(content)
    assert _ended(["record", "import", tmp_path / "x.json", "--data", tmp_path / "data"]) == 1


@pytest.mark.parametrize(
    ("table", "column", "text"),
    [
        ("measure", "value", "nan"), ("measure", "value", "inf"), ("measure", "value", "1e999"),
        ("measure", "value", "0x10"), ("measure", "value", "1_0"), ("measure", "value", "٣"),
        ("clip", "frames", "3.5"), ("clip", "frames", "9" * 30), ("patient", "code", "=1+1"),
        ("analysis", "report", "/etc"), ("rep", "limbs", "[left]"), ("visit", "date", "4.3.2026"),
    ],
)  # fmt: skip
def test_hostile_tables_are_refused_like_hostile_json(exported, tmp_path, table, column, text):
    shutil.copytree(exported / "export" / "tables", tmp_path / "tables")
    path = tmp_path / "tables" / f"{table}.csv"
    rows = list(csv.DictReader(path.read_text().splitlines()))
    rows[0][column] = text
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(out.getvalue())
    done = CliRunner().invoke(
        main, ["record", "import", str(tmp_path / "tables"), "--data", str(tmp_path / "data")]
    )
    assert done.exit_code == 1
    assert f"row 1 of {table}: {column} is" in done.stderr


def test_lines_of_tables_with_too_many_or_few_cells_are_refused(exported, tmp_path):
    for k, change in enumerate((lambda line: line + ",1", lambda line: line.rsplit(",", 1)[0])):
        shutil.copytree(exported / "export" / "tables", tmp_path / f"tables{k}")
        path = tmp_path / f"tables{k}" / "visit.csv"
        header, first, *rest = path.read_text().splitlines()
        path.write_text("\n".join([header, change(first), *rest]))
        assert _ended(["record", "import", path.parent, "--data", tmp_path / "data"]) == 1


def test_reports_in_a_folder_of_their_own_come_in_when_it_is_named(document, tmp_path):
    for row in document["tables"]["analysis"]:
        row["report"] = str(tmp_path / "outer" / "P07" / "2026-03-04" / "a")
    (tmp_path / "x.json").write_text(json.dumps(document))
    words = ["record", "import", tmp_path / "x.json", "--data", tmp_path / "data"]
    done = CliRunner().invoke(main, list(map(str, words)))
    assert (done.exit_code, "name it with --reports" in done.stderr) == (1, True)
    assert _ended([*words, "--reports", tmp_path / "outer"]) == 0


# --- records that are bad all the same ---------------------------------------------------------

BAD = [
    ("correction", "old", "x"), ("correction", "made_at", "x"),
    ("patient", "code", "../../x"), ("patient", "code", "<script>"),
    ("patient", "stature_m", 1e+308), ("patient", "surgery_date", "2026-02-31"),
    ("patient", "surgery_date", "0000-01-01"), ("visit", "date", "2026-02-31"),
    ("visit", "date", "0000-01-01"), ("visit", "date", "9999-12-31"), ("visit", "date", "x"),
    ("clip", "recorded_at", "x"), ("clip", "recorded_at", ""),
    ("clip", "recorded_at", "0001-01-01T00:00:00+23:59"), ("clip", "median_fps", 0.0),
    ("clip", "median_fps", float("inf")), ("clip", "file", ""), ("clip", "file", "\x1b[2J"),
    ("analysis", "settings", "{"), ("analysis", "settings", "[" * 100_000),
    ("analysis", "settings", "1"), ("analysis", "limits", ""), ("analysis", "view", "above"),
    ("analysis", "body", "{"), ("analysis", "body", "7"), ("analysis", "body", '{"leg_m": 1}'),
    ("analysis", "analysed_at", "x"), ("analysis", "exercise", "dance"),
    ("analysis", "report", "\x00"), ("analysis", "view_yaw_deg", 1e+308),
    ("analysis", "view_yaw_sd_deg", -1e+308), ("rep", "limbs", "{"), ("rep", "limbs", "[[]]"),
    ("rep", "limbs", "1"), ("rep", "peak_flexion_s", float("inf")), ("rep", "number", -5),
    ("contact", "limb", "third"), ("measure", "name", "x"), ("measure", "frames", "{"),
    ("measure", "parts", "x"), ("measure", "value", float("inf")), ("measure", "sd", -1.0),
    ("measure", "unit", "furlong"), ("measure", "rep", 99), ("summary", "mean", float("-inf")),
    ("summary", "mean", 1e+200), ("summary", "mean_sd", 0.0), ("summary", "mean_sd", -1.0),
    ("summary", "mean_sd", 1e+200), ("summary", "name", "x"), ("summary", "reps_used", 0),
    ("summary", "limb", "third"), ("comparison", "name", "x"), ("comparison", "value", 1e+300),
    ("comparison", "kind", "x"), ("finding", "measure", "x"), ("finding", "verdict", "splendid"),
    ("finding", "frames", "x"), ("quality", "state", "splendid"), ("quality", "check_name", ""),
]  # fmt: skip


def test_a_record_that_is_bad_all_the_same_never_ends_in_a_traceback(
    exported, tmp_path, monkeypatch
):
    said = set()
    for k, (table, column, value) in enumerate(BAD):
        data = tmp_path / f"data{k}"
        data.mkdir()
        shutil.copy(exported / "data" / "record.sqlite3", data)
        with closing(connect(data / "record.sqlite3")) as connection:
            connection.execute("PRAGMA ignore_check_constraints = ON")
            connection.execute("PRAGMA foreign_keys = OFF")
            connection.execute(f"UPDATE OR IGNORE {table} SET {column} = ?", (value,))
        monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(data))
        code = value if column == "code" else "P07"
        readers = _readers(code, tmp_path / f"out{k}")
        for words in (readers[k % len(readers)], readers[(k + 3) % len(readers)]):
            done = CliRunner().invoke(main, list(map(str, words)))
            assert done.exception is None or isinstance(done.exception, SystemExit), (
                table, column, value, words, done.exception,
            )  # fmt: skip
            assert done.exit_code == 0 or len(done.stderr.strip().splitlines()) == 1
            if done.exit_code:
                said.add(column)
                assert any(word in done.stderr for word in ("patient remove", "no ", "damaged"))
        if k % 3 == 0 and "damaged" not in done.stderr:
            assert _ended(["patient", "remove", code, "--yes"]) == 0, (table, column, value)
            with open_record(data_folder(data)) as record:
                assert list_patients(record) == ()
    assert len(said) > 5
