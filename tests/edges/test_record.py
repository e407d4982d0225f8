"""The record: kept whole, kept private, migrated, exported and forgotten."""

from __future__ import annotations

import csv
import json
import os
import sqlite3
import stat
import subprocess
import sys
import threading
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from stand_in import job, run, stand_in, template_document, tiny_clip, values_in

from landing_analysis.commands.main import main
from landing_analysis.errors import (
    DamagedRecordError,
    PatientError,
    RecordError,
    RecordVersionError,
)
from landing_analysis.folder import queue
from landing_analysis.patients import Patient
from landing_analysis.record import backups, exchange, migrations
from landing_analysis.record.clips import list_visits
from landing_analysis.record.database import connect, open_record
from landing_analysis.record.exchange import export_record, import_record
from landing_analysis.record.migrations import (
    LATEST,
    RECORD_TABLES,
    migrate,
    tables_of,
    version_of,
)
from landing_analysis.record.patients import add_patient, edit_patient, find_patient, list_patients
from landing_analysis.record.place import DataFolder, data_folder, held
from landing_analysis.record.reading import read_analyses, read_set_rows
from landing_analysis.record.remarks import remark_on_visit
from landing_analysis.record.removal import remove_patient
from landing_analysis.record.sessions import enter_session, enter_tick

TEMPLATE = template_document()


@pytest.fixture
def folder(tmp_path, monkeypatch) -> DataFolder:
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / "data"))
    return data_folder()


@pytest.fixture
def drop(tmp_path) -> Path:
    """Two patients with a clip or two each; P07's surgical side is in a text file."""
    root = tmp_path / "drop"
    tiny_clip(root / "P07" / "PXL_20260304_101112000.mp4", 1)
    tiny_clip(root / "P07" / "PXL_20260311_101112000.mp4", 2)
    tiny_clip(root / "P08" / "PXL_20260304_111112000.mp4", 3)
    (root / "P07" / "patient.toml").write_text('surgical_side = "left"\n')
    return root


@pytest.fixture
def filled(folder, drop, tmp_path) -> DataFolder:
    states = run(folder, job(drop, stand_in(TEMPLATE, tmp_path / "log")))
    assert set(states.values()) == {"done"}
    return folder


def _files(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def _command(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


# --- what is kept ------------------------------------------------------------------------------


def test_a_clip_whose_times_are_withheld_is_kept_without_them(folder, drop, tmp_path):
    withheld = json.loads(json.dumps(TEMPLATE))
    for contact in withheld["contacts"]:
        for event in ("initial_contact", "toe_off", "toe_contact", "heel_contact"):
            contact[f"{event}_s"] = contact[f"{event}_sd_s"] = None
    states = run(folder, job(drop, stand_in(withheld, tmp_path / "log")))
    assert set(states.values()) == {"done"}
    with open_record(folder) as record:
        rows = record.rows("SELECT initial_contact_s, initial_contact_frame FROM contact")
    assert len(rows) == 3 * len(withheld["contacts"])
    assert all(time_s is None and frame > 0 for time_s, frame in map(tuple, rows))


def test_every_value_keeps_its_uncertainty_and_what_made_it(filled):
    with open_record(filled) as record:
        first, second = read_analyses(record, "P07")
    assert (first.date, second.date) == (date(2026, 3, 4), date(2026, 3, 11))
    made, decided = TEMPLATE["provenance"], TEMPLATE["decided"]
    assert first.values["settings"] == made["settings"]
    assert first.values["limits"] == TEMPLATE["limits"]
    assert first.values["version"] == made["version"]
    assert first.values["model_sha256"] == "a" * 64
    assert first.values["view_yaw_sd_deg"] == decided["view_yaw_sd_deg"]
    assert first.values["surgical_side"] == "left"
    measures = [row for rep in TEMPLATE["reps"] for row in rep["measures"]]
    assert len(measures) > 50
    stored = first.tables["measure"]
    for column in ("value", "sd", "reason", "unit", "limb", "frames", "parts"):
        key = "uncertainty_parts" if column == "parts" else column
        assert [row[column] for row in stored] == [row[key] for row in measures], column
    for table, key in (("summary", "summaries"), ("comparison", "comparisons")):
        kept = [
            {name: row[name] for name in given}
            for row, given in zip(first.tables[table], TEMPLATE[key], strict=True)
        ]
        assert kept == TEMPLATE[key]
    contacts = first.tables["contact"]
    assert [row["toe_off_s"] for row in contacts] == [c["toe_off_s"] for c in TEMPLATE["contacts"]]
    assert [row["limbs"] for row in first.tables["rep"]] == [r["limbs"] for r in TEMPLATE["reps"]]
    assert [row["limit_value"] for row in first.tables["finding"]] == [
        finding["limit"] for finding in TEMPLATE["findings"]
    ]
    assert len(first.tables["quality"]) == len(TEMPLATE["quality"])


def test_a_value_without_uncertainty_or_reason_is_refused(filled):
    with open_record(filled) as record:
        for sql in (
            "UPDATE measure SET sd = NULL WHERE value NOT NULL",
            "UPDATE measure SET value = NULL, sd = NULL WHERE reason IS NULL",
            "UPDATE measure SET value = 'many' WHERE value NOT NULL",
            "UPDATE visit SET date = '4.3.2026'",
            "UPDATE analysis SET model_sha256 = ''",
            "UPDATE clip SET visit_id = 999",
        ):
            with pytest.raises(sqlite3.IntegrityError), record.change() as connection:
                connection.execute(sql)


@pytest.mark.parametrize(
    ("pragma", "value"),
    [
        ("journal_mode", "wal"),
        ("synchronous", 2),  # FULL: a change survives a power cut once it is said to be made
        ("foreign_keys", 1),
        ("secure_delete", 1),
    ],
)
def test_the_record_is_opened_for_safety(folder, pragma, value):
    with open_record(folder) as record:
        assert record.rows(f"PRAGMA {pragma}")[0][0] == value


def test_a_change_happens_whole_or_not_at_all(filled):
    with open_record(filled) as record:
        before = values_in(record)
        with pytest.raises(ZeroDivisionError):
            _begin_and_fail(record)
        assert values_in(record) == before


def _begin_and_fail(record) -> None:
    with record.change() as connection:
        connection.execute("DELETE FROM analysis")
        raise ZeroDivisionError


_ELSEWHERE = """
import sys
from pathlib import Path
from landing_analysis.record.database import open_record
from landing_analysis.record.patients import list_patients
from landing_analysis.record.place import data_folder
with open_record(data_folder(Path(sys.argv[1]))) as record:
    print(*(patient.code for patient in list_patients(record)))
"""


def _codes_seen_elsewhere(folder):
    """Return the patients that a process of its own finds, which then closes the record."""
    done = subprocess.run(
        [sys.executable, "-c", _ELSEWHERE, folder.path], check=True, capture_output=True, text=True
    )
    return done.stdout.split()


def test_what_is_written_while_other_commands_come_and_go_is_kept(folder):
    # as the window does: one connection to begin with, a second one for the watcher
    with open_record(folder) as first, open_record(folder) as second:
        add_patient(first, Patient("P07"))
        assert _codes_seen_elsewhere(folder) == ["P07"]
        add_patient(second, Patient("P08"))
        assert _codes_seen_elsewhere(folder) == ["P07", "P08"]
        add_patient(first, Patient("P09"))
    assert _codes_seen_elsewhere(folder) == ["P07", "P08", "P09"]


def test_a_new_analysis_adds_and_the_earlier_values_stay(filled, drop, tmp_path):
    with open_record(filled) as record:
        before = values_in(record)
        edit_patient(record, Patient("P07", surgical_side="right", stature_m=1.8))
    again = stand_in({**TEMPLATE, "quality": []}, tmp_path / "log2")
    run(filled, job(drop, again, renew=True))
    run(filled, job(drop, again, renew=True))  # and not once more for nothing
    with open_record(filled) as record:
        after = values_in(record)
        assert after[: len(before)] == before
        assert len(after) - len(before) == 2 * len(before) // 3
        newest = read_analyses(record, "P07")
        assert [a.values["surgical_side"] for a in newest] == ["right", "right"]
        history = read_analyses(record, "P07", date(2026, 3, 4), history=True)
        assert [a.values["surgical_side"] for a in history] == ["left", "right"]
        assert [a.values["stature_m"] for a in history] == [None, 1.8]


def test_patients_and_visits_are_listed(filled):
    with open_record(filled) as record:
        assert [p.code for p in list_patients(record)] == ["P07", "P08"]
        assert find_patient(record, "p07").surgical_side == "left"
        assert [(v.code, v.date.day, v.clips, v.analysed) for v in list_visits(record)] == [
            ("P07", 4, 1, 1), ("P07", 11, 1, 1), ("P08", 4, 1, 1),
        ]  # fmt: skip
        assert len(list_visits(record, "p08")) == 1
        with pytest.raises(PatientError, match="known are: P07, P08"):
            find_patient(record, "P09")


# --- private -----------------------------------------------------------------------------------


@pytest.mark.skipif(os.name != "posix", reason="rights of this kind exist on POSIX systems only")
def test_only_the_owner_can_read_any_of_it(filled, tmp_path):
    with open_record(filled) as record:
        export_record(record, tmp_path / "export")
        inside = [filled.path, *filled.path.rglob("*")]  # with the log of the open record
        outside = [tmp_path / "export", *(tmp_path / "export").rglob("*")]
        for path in (*inside, *outside):
            assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


def test_nothing_is_written_outside_data_and_report_folder(folder, drop, tmp_path):
    before = set(_files(tmp_path))
    outside = data_folder(folder.path, tmp_path / "elsewhere")
    run(outside, job(drop, stand_in(TEMPLATE, tmp_path / "log")))
    new = set(_files(tmp_path)) - before - {tmp_path / "log"}
    assert new
    for path in new:
        assert path.is_relative_to(folder.path) or path.is_relative_to(tmp_path / "elsewhere")
    assert len(list((tmp_path / "elsewhere").glob("P0?/2026-03-*/*/report.html"))) == 3


def test_the_data_folder_is_named_by_option_or_environment_or_system(tmp_path, monkeypatch):
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / "one"))
    assert data_folder().path == tmp_path / "one"
    assert data_folder(tmp_path / "two").path == tmp_path / "two"
    monkeypatch.delenv("LANDING_ANALYSIS_DATA")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "share"))
    assert data_folder().path.name == "landing_analysis"
    assert data_folder().reports == data_folder().path / "reports"


# --- versions ----------------------------------------------------------------------------------

_EARLIER_ROWS = """
INSERT INTO patient (id, code, surgical_side, surgery_date, stature_m, added_at)
VALUES (1, 'P07', 'left', '2026-03-01', 1.72, '2026-03-04T00:00:00+00:00');
INSERT INTO visit VALUES (1, 1, '2026-03-04');
INSERT INTO clip VALUES (1, 1, '{sha}', 'a.mp4', '2026-03-04T10:11:12+01:00', 'clip',
                         720, 1280, 300, 5.0, 60.0, 0);
INSERT INTO clip VALUES (2, 1, '{other}', 'b.mp4', '2026-03-04T10:15:12+01:00', 'clip',
                         720, 1280, 300, 5.0, 60.0, 0);
INSERT INTO analysis (id, clip_id, schema_version, analysed_at, version, model_name, model_sha256,
  settings, limits, made_by, task, task_origin, view, view_origin, view_yaw_deg, view_yaw_sd_deg,
  view_reason, near_limb, limb, surgical_side, stature_m, target_flexion_deg, people,
  patient_number, patient_reason, report)
VALUES (1, 1, 1, '2026-03-04T12:00:00+00:00', '0.1.0', 'm', '{sha}', '{{}}',
  '[]', 'x', 'jump', 'detected', 'front', 'detected', 1.5, 2.5, 'r', NULL, NULL, 'left', 1.72,
  60.0, 1, 1, 'only one', 'reports/P07');
INSERT INTO rep (id, analysis_id, number, task, limbs, used) VALUES (1, 1, 1, 'jump', '[]', 1);
INSERT INTO measure (id, analysis_id, rep, name, limb, value, unit, sd, reason, foot_strike, frames,
  parts)
VALUES (1, 1, 1, 'contact_time', 'left', 0.30000000000000004, 's',
  0.011, NULL, NULL, '[1,2]', '[]');
""".format(sha="a" * 64, other="b" * 64)


def _make_version(path: Path, version: int) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with closing(connect(path)) as connection:
        migrate(connection, version)
        named = version > migrations.MIGRATIONS.index(migrations._EXERCISES)
        rows = _EARLIER_ROWS.replace("task", "exercise") if named else _EARLIER_ROWS
        connection.executescript(rows)


@pytest.mark.parametrize("version", range(1, LATEST + 1))
def test_a_record_of_each_earlier_version_is_migrated_with_a_backup_first(folder, version):
    _make_version(folder.record, version)
    with open_record(folder) as record:
        assert version_of(record.connection) == LATEST
        assert [row[-3] for row in values_in(record)] == [0.30000000000000004]
        assert find_patient(record, "P07").stature_m == 1.72
        if version < 2:
            states = record.rows("SELECT state FROM work ORDER BY clip_id")
            assert [row[0] for row in states] == ["done", "waiting"]
    copies = list(folder.backups.iterdir())
    assert len(copies) == (version < LATEST)
    for copy in copies:
        with closing(sqlite3.connect(copy)) as connection:
            assert version_of(connection) == version
            assert connection.execute("SELECT count(*) FROM measure").fetchone() == (1,)


@pytest.mark.parametrize("version", range(1, LATEST + 1))
def test_a_new_record_is_as_one_that_went_through_all_versions(version):
    schemas = []
    for stops in ([version], range(1, version + 1)):
        with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
            for stop in stops:
                migrate(connection, stop)
            assert version_of(connection) == version
            asked = "SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY type, name"
            schemas.append(connection.execute(asked).fetchall())
            tables = [name for kind, name, *_ in schemas[-1] if kind == "table"]
            assert not any(
                connection.execute(f"SELECT 1 FROM {table}").fetchone() for table in tables
            )
    assert schemas[0] == schemas[1]
    assert len(schemas[0]) > 10


def test_a_new_record_needs_no_backup(folder):
    with open_record(folder) as record:
        assert version_of(record.connection) == LATEST
    assert not list(folder.backups.iterdir())


def test_stored_sentences_of_earlier_versions_name_left_and_right_only(folder):
    before = migrations.MIGRATIONS.index(migrations._LEFT_AND_RIGHT_ONLY)
    _make_version(folder.record, before)
    with closing(connect(folder.record)) as connection:
        (analysis,) = connection.execute("SELECT min(id) FROM analysis").fetchone()
        for limb, side, text in (
            ("left", "non-surgical", "FPPA, non-surgical (left) limb, the set: 3.0 deg."),
            ("right", "surgical", "Contact time, surgical (right) limb as a share of the other."),
            (None, None, "Pelvis shift; carried toward the surgical (left) limb."),
        ):
            connection.execute(
                "INSERT INTO finding (analysis_id, name, measure, limb, side, verdict, value, sd, "
                "limit_value, unit, source, text, frames) VALUES "
                "(?, 'a', 'b', ?, ?, 'above', 1.0, 1.0, 1.0, 'deg', 'c', ?, '[]')",
                (analysis, limb, side, text),
            )
    with open_record(folder) as record:
        rows = record.rows("SELECT * FROM finding ORDER BY id")
    assert "side" not in rows[0].keys()  # noqa: SIM118 - a row iterates over its values
    assert [row["text"] for row in rows[-3:]] == [
        "FPPA, left limb, the set: 3.0 deg.",
        "Contact time, right limb as a share of the other.",
        "Pelvis shift; carried toward the left limb.",
    ]


def test_what_earlier_versions_called_a_task_is_an_exercise_now(folder):
    _make_version(folder.record, migrations.MIGRATIONS.index(migrations._EXERCISES))
    with closing(connect(folder.record)) as connection:
        connection.execute("""UPDATE analysis SET limits = '[{"tasks": ["hop"]}]'""")
        for what in ("task", "view"):
            connection.execute(
                "INSERT INTO correction (clip_id, what, new, made_at) VALUES (1, ?, 'x', 'now')",
                (what,),
            )
    with open_record(folder) as record:
        (analysis,) = record.rows("SELECT exercise, exercise_origin, limits FROM analysis")
        assert tuple(analysis) == ("jump", "detected", '[{"exercises": ["hop"]}]')
        assert [tuple(row) for row in record.rows("SELECT exercise FROM rep")] == [("jump",)]
        corrected = record.rows("SELECT what FROM correction ORDER BY id")
        assert [row[0] for row in corrected] == ["exercise", "view"]


def test_a_migration_that_fails_leaves_the_record_as_it_was(folder, monkeypatch):
    _make_version(folder.record, LATEST)
    broken = (*migrations.MIGRATIONS, "CREATE TABLE one (x TEXT) STRICT;\nDROP TABLE nothing;")
    with closing(connect(folder.record)) as connection:
        monkeypatch.setattr(migrations, "MIGRATIONS", broken)
        with pytest.raises(sqlite3.OperationalError):
            migrate(connection, LATEST + 1)
        assert version_of(connection) == LATEST
        assert not connection.execute("SELECT * FROM sqlite_schema WHERE name = 'one'").fetchall()


def test_a_record_of_a_future_version_is_refused_and_left_alone(folder):
    _make_version(folder.record, LATEST)
    with closing(connect(folder.record)) as connection:
        connection.execute(f"PRAGMA user_version = {LATEST + 7}")
    before = folder.record.read_bytes()
    with pytest.raises(RecordVersionError, match=f"record version {LATEST + 7}.*up to {LATEST}"):
        open_record(folder).__enter__()
    done = _command("patient", "list")
    assert done.exit_code == 1
    assert "update the program" in done.stderr
    assert "Traceback" not in done.stderr
    assert folder.record.read_bytes() == before
    assert not list(folder.backups.iterdir())


def test_the_database_of_another_program_is_refused_and_left_alone(folder):
    folder.path.mkdir()
    with closing(sqlite3.connect(folder.record)) as connection:
        connection.execute("CREATE TABLE recipe (name TEXT)")
    before = folder.record.read_bytes()
    with pytest.raises(RecordError, match="another program"):
        open_record(folder).__enter__()
    assert folder.record.read_bytes() == before


# --- damage and backups ------------------------------------------------------------------------


def _zero_header(data: bytearray) -> bytearray:
    data[:100] = bytes(100)
    return data


def _zero_pages(data: bytearray) -> bytearray:
    for page in range(2, len(data) // 4096, 2):
        data[page * 4096 : page * 4096 + 2000] = bytes(2000)
    return data


def _cut_short(data: bytearray) -> bytearray:
    return data[: len(data) // 2]


def _write_text(data: bytearray) -> bytearray:
    return bytearray(b"not a database, but a long enough text " * 100)


@pytest.mark.parametrize("damage", [_zero_header, _zero_pages, _cut_short, _write_text])
def test_a_damaged_record_is_noticed_and_its_backup_offered_and_brought_back(filled, damage):
    with open_record(filled) as record:
        before = values_in(record)
        backups.make_backup(record.connection, filled)
    data = bytearray(filled.record.read_bytes())
    filled.record.write_bytes(damage(data))
    damaged = filled.record.read_bytes()
    with pytest.raises(DamagedRecordError, match="newest whole backup is of"):
        open_record(filled).__enter__()
    done = _command("patient", "list")
    assert done.exit_code == 1
    assert "landing-analysis record restore" in done.stderr
    assert "Traceback" not in done.stderr
    done = _command("record", "restore")
    assert done.exit_code == 0, done.stderr
    with open_record(filled) as record:
        assert values_in(record) == before
    kept = list(filled.path.glob("record-before-*.sqlite3"))
    assert [path.read_bytes() for path in kept] == [damaged]


def test_nothing_is_restored_under_a_running_watch(filled):
    with open_record(filled) as record, queue.working(record):
        before = filled.record.read_bytes()
        done = _command("record", "restore")
        assert (done.exit_code, "stop it first" in done.stderr) == (1, True)
        assert filled.record.read_bytes() == before


def test_damage_without_a_backup_is_said_so(folder):
    _make_version(folder.record, LATEST)
    folder.record.write_bytes(_zero_header(bytearray(folder.record.read_bytes())))
    with pytest.raises(DamagedRecordError, match="there is no backup"):
        open_record(folder).__enter__()
    done = _command("record", "restore")
    assert done.exit_code == 1
    assert "no whole backup" in done.stderr


def test_a_damaged_backup_is_passed_over(filled):
    with open_record(filled) as record:
        first = backups.make_backup(record.connection, filled)
        second = backups.make_backup(record.connection, filled)
    assert backups.newest_whole_backup(filled) == second
    second.write_bytes(_zero_pages(bytearray(second.read_bytes())))
    assert backups.newest_whole_backup(filled) == first


def test_an_old_log_is_never_played_into_a_restored_record(filled):
    with open_record(filled) as record:
        backups.make_backup(record.connection, filled)
        add_patient(record, Patient("P99"))
        log = filled.record.with_name("record.sqlite3-wal").read_bytes()
        assert log
    filled.record.write_bytes(b"damaged")
    filled.record.with_name("record.sqlite3-wal").write_bytes(log)
    backups.restore(filled)
    with open_record(filled) as record:
        assert [p.code for p in list_patients(record)] == ["P07", "P08"]


def test_backups_are_made_daily_and_the_newest_kept(filled, monkeypatch):
    for path in filled.backups.iterdir():
        path.unlink()
    with open_record(filled) as record:
        backups.make_backup_if_old(record.connection, filled)
        backups.make_backup_if_old(record.connection, filled)
        assert len(list(filled.backups.iterdir())) == 1
        day = datetime.now(UTC)

        class Later(datetime):
            @classmethod
            def now(cls, tz=None):
                return day

        monkeypatch.setattr(backups, "datetime", Later)
        for _ in range(backups.KEPT + 3):
            day += timedelta(days=1)
            backups.make_backup_if_old(record.connection, filled)
    names = sorted(path.name for path in filled.backups.iterdir())
    assert len(names) == backups.KEPT
    assert names[-1].startswith(f"record-{day:%Y%m%d}")


# --- export and import -------------------------------------------------------------------------

_TRICKY = (0.1 + 0.2, 1e-300, 5e-324, 999999999999.9999, -1 / 3, 123456789.12345679, 2.0)


@pytest.fixture
def tricky(filled) -> DataFolder:
    with open_record(filled) as record, record.change() as connection:
        angles = connection.execute("SELECT id FROM measure WHERE unit = 'deg' AND sd NOT NULL")
        for (number,), value in zip(angles.fetchmany(len(_TRICKY)), _TRICKY, strict=True):
            connection.execute("UPDATE measure SET value = ? WHERE id = ?", (value, number))
        connection.execute(
            "INSERT INTO correction (clip_id, what, old, new, rep, rep_s, reason, made_by, made_at)"
            " VALUES (1, 'rep', NULL, 'excluded', 2, ?, 'slipped, \"off\"', 'T1', "
            "'2026-03-05T08:00:00+00:00')",
            (_TRICKY[0],),
        )
        connection.execute("UPDATE quality SET text = 'says \"so\", twice;\nand é' WHERE id = 1")
    with open_record(filled) as record:
        enter_session(record, "P07", date(2026, 3, 4), {"note": 'says "so", and é'}, "T1")
        enter_tick(record, "P07", "jump", date(2026, 3, 4), None, note="calm")
        remark_on_visit(record, "P07", date(2026, 3, 4), "note", "Sore at night", "T1")
    return filled


def _tables(record) -> dict[str, list[tuple]]:
    return {
        table: [tuple(row) for row in record.rows(f"SELECT * FROM {table} ORDER BY id")]
        for table in RECORD_TABLES
    }


@pytest.mark.parametrize("source", ["", "record.json", "tables"])
def test_an_export_comes_back_with_the_same_numbers_to_the_last_bit(tricky, tmp_path, source):
    assert _command("record", "export", tmp_path / "export").exit_code == 0
    with open_record(tricky) as record:
        with record.change() as connection:  # the names of files are left out of an export
            connection.execute("UPDATE clip SET file = substr(sha256, 1, 12)")
        before = _tables(record)
    assert all(before.values())
    other = data_folder(tmp_path / "other")
    done = _command("record", "import", tmp_path / "export" / source, "--data", other.path)
    assert done.exit_code == 0, done.stderr
    with open_record(other) as record:
        assert _tables(record) == before
        assert {row[0] for row in record.rows("SELECT state FROM work")} == {"done"}
        export_record(record, tmp_path / "again")
    for path in _files(tmp_path / "export"):
        if path.name not in (exchange.ABOUT, exchange.DOCUMENT):
            twin = tmp_path / "again" / path.relative_to(tmp_path / "export")
            assert twin.read_bytes() == path.read_bytes()
    first, second = (
        json.loads((tmp_path / name / "record.json").read_text()) for name in ("export", "again")
    )
    assert first["tables"] == second["tables"]


def test_an_import_leaves_dropped_clips_that_it_knows_alone(filled, drop, tmp_path):
    with open_record(filled) as record:
        export_record(record, tmp_path / "export")
    other = data_folder(tmp_path / "other")
    with open_record(other) as record:
        import_record(record, tmp_path / "export")
    assert set(run(other, job(drop, stand_in(TEMPLATE, tmp_path / "log3"))).values()) == {"done"}
    assert not (tmp_path / "log3").exists()


def _old_export(place: Path, version: int, rows: str = "") -> Path:
    """Write what an earlier version exported: its earlier rows and those given."""
    aside = data_folder(place / "aside")
    _make_version(aside.record, version)
    with closing(connect(aside.record)) as connection:
        connection.executescript(rows)
        tables = {
            table: [dict(row) for row in connection.execute(f"SELECT * FROM {table}")]
            for table in tables_of(version)
        }
    export = place / "old.json"
    export.write_text(json.dumps({"record_version": version, "tables": tables}))
    return export


def test_an_export_of_an_earlier_version_is_migrated(folder, tmp_path):
    export = _old_export(tmp_path, 1)
    with open_record(folder) as record:
        import_record(record, export)
        assert [row[-3] for row in values_in(record)] == [0.30000000000000004]
        assert [row[0] for row in record.rows("SELECT state FROM work")] == ["done", "waiting"]


_LEAD, _INWARD = migrations.EARLIER_NAMES  # as measures were named then
(_FINDING,) = migrations.EARLIER_FINDINGS
_WORDED_ROWS = f"""
INSERT INTO measure (id, analysis_id, rep, name, limb, unit, reason, frames, parts) VALUES
  (2, 1, 1, 'knee_flexion_peak', 'left', 'deg', 'not measurable: this is a front view', '[]', '[]'),
  (3, 1, 1, 'knee_flexion_peak', 'right', 'deg', 'the rep is not used', '[]', '[]'),
  (4, 1, 1, '{_INWARD}', 'left', 'deg', 'not measurable: this is a side view', '[]', '[]');
INSERT INTO measure (id, analysis_id, rep, name, unit, value, sd, frames, parts) VALUES
  (5, 1, 1, '{_LEAD}', 'ms', 10.0, 2.0, '[7]', '[]');
INSERT INTO quality (analysis_id, check_name, state, text) VALUES
  (1, 'light', 'limited', 'The picture is dark.');
INSERT INTO finding (analysis_id, name, measure, limb, verdict, value, sd, limit_value, unit,
  source, text, frames) VALUES
  (1, '{_FINDING}', '{_INWARD}', 'left', 'above', 9.0, 1.0, 5.0, 'deg', 'c',
   'FPPA, surgical (left) limb: 9 deg.', '[]');
UPDATE analysis SET limits = '[{{"finding":"{_FINDING}","measure":"{_LEAD}"}}]';
"""


@pytest.mark.parametrize(
    "version", range(1, 1 + migrations.MIGRATIONS.index(migrations._REASON_CODES))
)
def test_an_export_with_worded_reasons_ends_without_the_prefix_and_without_codes(
    folder, tmp_path, version
):
    sided = version <= migrations.MIGRATIONS.index(migrations._LEFT_AND_RIGHT_ONLY)
    side = "UPDATE finding SET side = 'surgical';" if sided else ""
    export = _old_export(tmp_path, version, _WORDED_ROWS + side)
    with open_record(folder) as record:
        import_record(record, export)
        measures = record.rows("SELECT name, reason, reason_code FROM measure ORDER BY id")
        quality = record.rows("SELECT text, codes FROM quality")
        findings = record.rows("SELECT * FROM finding")
        (analysis,) = read_analyses(record, "P07")
    assert [tuple(row) for row in measures] == [
        ("contact_time", None, None),
        ("knee_flexion_peak", "this is a front view", None),
        ("knee_flexion_peak", "the rep is not used", None),
        ("fppa_peak_inward", "this is a side view", None),
        ("inter_limb_delay", None, None),
    ]
    assert (findings[0]["name"], findings[0]["measure"]) == ("limb_offloading", "fppa_peak_inward")
    (limit,) = analysis.values["limits"]  # by which a corrected clip is judged again
    assert limit == {"finding": "limb_offloading", "measure": "inter_limb_delay"}
    assert [tuple(row) for row in quality] == [("The picture is dark.", None)]
    assert "side" not in findings[0].keys()  # noqa: SIM118 - a row iterates over its values
    if sided:
        assert findings[0]["text"] == "FPPA, left limb: 9 deg."
    assert analysis.values["body"] is None
    for words in (("visit", "P07"), ("compare", "P07"), ("record", "tables", tmp_path / "csv")):
        done = _command(*words)
        assert done.exit_code == 0, done.stderr


def _no_table(export: Path) -> None:
    (export / "tables" / "measure.csv").unlink()


def _no_number(export: Path) -> None:
    path = export / "tables" / "summary.csv"
    rows = list(csv.DictReader(path.read_text().splitlines()))
    path.write_text(path.read_text().replace(rows[0]["mean"], "plenty", 1))


def _no_parent(export: Path) -> None:
    path = export / "tables" / "visit.csv"
    path.write_text(path.read_text().splitlines()[0] + "\n")


def _other_column(export: Path) -> None:
    path = export / "tables" / "visit.csv"
    path.write_text(path.read_text().replace("date", "day", 1))


def _future(export: Path) -> None:
    path = export / "tables" / "export.csv"
    path.write_text(path.read_text().replace(f"\n{LATEST},", f"\n{LATEST + 1},"))


@pytest.mark.parametrize("harm", [_no_table, _no_number, _no_parent, _other_column, _future])
def test_a_damaged_export_is_refused_and_the_record_stays_empty(filled, tmp_path, harm):
    with open_record(filled) as record:
        export_record(record, tmp_path / "export")
    harm(tmp_path / "export")
    other = tmp_path / "other"
    done = _command("record", "import", tmp_path / "export" / "tables", "--data", other)
    assert done.exit_code == 1
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    with open_record(data_folder(other)) as record:
        assert not any(_tables(record).values())
    assert not list(other.glob(".*part*"))


def test_import_and_export_never_overwrite(filled, tmp_path):
    assert _command("record", "export", tmp_path / "export").exit_code == 0
    done = _command("record", "import", tmp_path / "export")
    assert (done.exit_code, "holds patients already" in done.stderr) == (1, True)
    before = {path: path.read_bytes() for path in _files(tmp_path / "export")}
    done = _command("record", "export", tmp_path / "export")
    assert (done.exit_code, "exists already" in done.stderr) == (1, True)
    assert {path: path.read_bytes() for path in _files(tmp_path / "export")} == before
    done = _command("record", "import", tmp_path / "nothing", "--data", tmp_path / "other")
    assert (done.exit_code, "no whole export" in done.stderr) == (1, True)


# --- forgetting --------------------------------------------------------------------------------


def test_removing_a_patient_removes_all_of_them_and_nobody_else(filled, drop):
    stray = filled.reports / "P07" / "2026-03-04" / "published, and then killed"
    stray.mkdir()
    (filled.backups / ".record-20260304T101112Z.sqlite3.part").write_bytes(b"P07, half-written")
    (filled.path / "record-before-20260304T101112Z.sqlite3").write_bytes(b"P07, damaged")
    with open_record(filled) as record:
        backups.make_backup(record.connection, filled)
        others = [row for row in values_in(record) if row[0] in _hashes(record, "P08")]
        hashes = _hashes(record, "P07")
    done = _command("patient", "remove", "P07", "--yes")
    assert done.exit_code == 0, done.stderr
    assert "2 visits, 2 clips recorded, 2 analyses" in done.stdout
    assert str(drop / "P07" / "PXL_20260304_101112000.mp4") in done.stdout
    assert str(drop / "P07" / "patient.toml") in done.stdout
    assert done.stdout.count("  report ") == 3
    assert not (drop / "P07").exists()
    assert not (filled.reports / "P07").exists()
    assert len(_files(filled.backups)) == 1
    for path in _files(filled.path):
        content = path.read_bytes()
        assert b"P07" not in content.replace(b"P07.mp4", b""), path  # the template's own file name
        assert not any(sha256.encode() in content for sha256 in hashes), path
    with open_record(filled) as record:
        assert [patient.code for patient in list_patients(record)] == ["P08"]
        assert values_in(record) == others
        assert len(others) > 50
    assert len(_files(filled.reports / "P08")) == 3
    assert (drop / "P08" / "PXL_20260304_111112000.mp4").exists()


def test_a_removal_leaves_no_trace_in_the_log_while_others_have_the_record_open(filled):
    with open_record(filled) as other, open_record(filled) as record:
        assert len(list_patients(other)) == 2
        hashes = _hashes(record, "P07")
        edit_patient(record, Patient("P07", surgical_side="right"))
        remove_patient(record, "P07")
        for path in _files(filled.path):
            assert not any(sha256.encode() in path.read_bytes() for sha256 in hashes), path


def _hashes(record, code: str) -> set[str]:
    return {
        row[0]
        for row in record.rows(
            "SELECT sha256 FROM clip JOIN visit ON visit_id = visit.id "
            "JOIN patient ON patient_id = patient.id WHERE code = ?",
            code,
        )
    }


def test_clips_are_kept_when_asked_and_when_they_are_not_the_ones_recorded(filled, drop):
    one, two = sorted((drop / "P07").glob("*.mp4"))
    tiny_clip(one, 44)  # another clip under the same name
    with open_record(filled) as record:
        held = remove_patient(record, "P07")
    assert held.clips == (two,)
    assert one.exists()
    assert not two.exists()
    done = _command("patient", "remove", "P08", "--yes", "--keep-clips")
    assert "wait until the patient is added again" in done.stdout
    assert (drop / "P08" / "PXL_20260304_111112000.mp4").exists()


def test_a_file_that_cannot_be_deleted_keeps_the_patient_in_the_record(filled, drop, monkeypatch):
    def refused(self, *args, **kwargs):
        raise PermissionError(13, "Permission denied", str(self))

    with open_record(filled) as record:
        before = values_in(record)
        monkeypatch.setattr(Path, "unlink", refused)
        with pytest.raises(RecordError, match="cannot be deleted"):
            remove_patient(record, "P07")
        monkeypatch.undo()
        assert values_in(record) == before
        remove_patient(record, "P07")


def test_values_of_a_patient_removed_while_a_clip_is_analysed_are_not_stored(
    folder, drop, tmp_path
):
    analyse = stand_in(TEMPLATE, tmp_path / "log")
    removed = []

    def removed_meanwhile(path, out_dir, options, start):
        made = analyse(path, out_dir, options, start)
        if path.parent.name == "P07" and not removed:
            with open_record(folder) as other:
                removed.append(remove_patient(other, "P07", keep_clips=True))
                assert not list((folder.reports / "P07").glob("*"))
        return made

    states = run(folder, job(drop, removed_meanwhile))
    # The clips were left in the drop folder, and wait until the patient is added again.
    assert [states[file] for file in sorted(states)] == ["needs attention"] * 2 + ["done"]
    log = (tmp_path / "log").read_text().splitlines()
    assert len([line for line in log if line.startswith("start")]) == 2
    with open_record(folder) as record:
        assert [(visit.code, visit.analysed) for visit in list_visits(record)] == [("P08", 1)]
        assert len(values_in(record)) > 50


def test_two_processes_do_not_make_a_new_record_at_once(folder):
    def make() -> None:
        with open_record(folder) as record:
            made.append(migrations.version_of(record.connection))

    made: list[int] = []
    folder.path.mkdir(parents=True)
    with held(folder.path / "record.lock"):  # as by one that is making it
        second = threading.Thread(target=make)
        second.start()
        second.join(0.2)
        assert made == []
    second.join()
    assert made == [migrations.LATEST]


@pytest.mark.parametrize(("code", "known"), [("fppa_corrected", 1), ("fppa_outside_fit", 0)])
def test_the_record_knows_whether_the_angles_of_a_set_are_corrected(
    folder, drop, tmp_path, code, known
):
    remark = {"code": code, "numbers": {}, "text": "Words."}
    note = {"check": "knee angle", "state": "good", "text": "Words.", "remarks": [remark]}
    others = [row for row in TEMPLATE["quality"] if row["check"] != note["check"]]
    told = {**TEMPLATE, "quality": [*others, note]}
    run(folder, job(drop, stand_in(told, tmp_path / "log")))
    with open_record(folder) as record:
        for table in ("summary", "comparison"):
            assert {row["fppa_corrected"] for row in read_set_rows(record, table)} == {known}
