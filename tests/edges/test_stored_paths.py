"""Whatever places and names a record holds, nothing outside the data folder is touched or shown."""

from __future__ import annotations

import shutil
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner
from stand_in import job, run, stand_in, template_document, tiny_clip

from landing_analysis.analysing import ANNOTATED, REPORT
from landing_analysis.commands.main import main
from landing_analysis.folder import queue
from landing_analysis.record.clips import reports_of
from landing_analysis.record.database import open_record
from landing_analysis.record.patients import list_patients
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.record.removal import remove_patient

TEMPLATE = template_document()


@pytest.fixture(autouse=True)
def nothing_real_is_removed(tmp_path, monkeypatch):
    """Whoever breaks the program must not lose a folder to these tests."""
    really = shutil.rmtree

    def guarded(path, *args, **kwargs):
        assert Path(path).resolve().is_relative_to(tmp_path), f"would have removed {path}"
        really(path, *args, **kwargs)

    monkeypatch.setattr(shutil, "rmtree", guarded)


@pytest.fixture
def folder(tmp_path, monkeypatch) -> DataFolder:
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / "clinic" / "data"))
    return data_folder()


@pytest.fixture
def filled(folder, tmp_path) -> DataFolder:
    """P07 and P08 with a clip each, and other folders that are nobody's reports."""
    drop = tmp_path / "drop"
    tiny_clip(drop / "P07" / "a.mp4", 1)
    tiny_clip(drop / "P08" / "b.mp4", 2)
    assert set(run(folder, job(drop, stand_in(TEMPLATE, tmp_path / "log"))).values()) == {"done"}
    for place in ("precious", "clinic/precious", "clinic/data/precious"):
        (tmp_path / place / REPORT).mkdir(parents=True)
        (tmp_path / place / "thesis.txt").write_text("ten years of work")
        (tmp_path / place / ANNOTATED).write_bytes(b"a clip of somebody else's")
    (folder.reports / "P07" / "link").symlink_to(tmp_path / "precious")
    (folder.reports / "circle").symlink_to(folder.reports / "circle")
    return folder


def _all_but_of_p07(tmp_path: Path) -> dict[Path, bytes]:
    """Content of every file that is not P07's and not the record's own."""
    data = tmp_path / "clinic" / "data"
    spared = (data / "reports" / "P07", tmp_path / "drop" / "P07", data / "backups")
    return {
        path: path.read_bytes()
        for path in tmp_path.rglob("*")
        if path.is_file()
        and not any(path.is_relative_to(place) for place in spared)
        and not path.name.startswith("record.sqlite3")
    }


def _say_of_p07(folder: DataFolder, *reports: str) -> None:
    """Let the record name one report after another, each in an analysis of its own."""
    with open_record(folder) as record, record.change() as connection:
        columns = [row["name"] for row in connection.execute("PRAGMA table_info(analysis)")]
        kept = ", ".join(set(columns) - {"id", "report"})
        connection.executemany(
            f"INSERT INTO analysis ({kept}, report) SELECT {kept}, ? FROM analysis "
            "WHERE clip_id = (SELECT clip.id FROM clip JOIN visit ON visit_id = visit.id "
            "JOIN patient ON patient_id = patient.id WHERE code = 'P07') LIMIT 1",
            [(report,) for report in reports],
        )


HOSTILE = [
    "{tmp}/precious", "{tmp}/clinic/precious", "{tmp}", ".", "", "..", "../precious",
    "../../precious", "reports", "reports/", "reports/.", "reports/..", "reports/../precious",
    "reports/P07/../../precious", "reports/P07/../P08", "reports/P08", "./reports/P08", "precious",
    "reports/P07/link", "reports/P07/link/more", "reports/circle", "reports/circle/x", "backups",
    "{tmp}/clinic/data", "{tmp}/clinic/data/precious", "{tmp}/clinic/data/backups", "workers",
    "pages", "reports/.work", "{tmp}/drop", "{tmp}/drop/P08", "record.sqlite3", "~", "~root",
    "reports/" + "x" * 300, "reports/" + "x/" * 3000, "reports/a\0b", "\0", "C:\\", "\\\\host\\x",
    "file:///", "reports\\..\\..\\precious", "reports/P07\n", " ", "reports/P08/{day}",
]  # fmt: skip


def _hostile(folder: DataFolder, tmp_path: Path) -> list[str]:
    day = next((folder.reports / "P08").iterdir()).name
    return [text.replace("{tmp}", str(tmp_path)).replace("{day}", day) for text in HOSTILE]


def test_no_place_of_the_system_is_a_report(folder):
    for stored in ("/", "//", "///", "/etc", str(Path.home()), "../" * 50):
        assert folder.report_at(stored) is None


def test_removal_never_leaves_the_reports_whatever_the_record_says(filled, tmp_path):
    before = _all_but_of_p07(tmp_path)
    _say_of_p07(filled, *_hostile(filled, tmp_path))
    done = CliRunner().invoke(main, ["patient", "remove", "P07", "--yes"])
    assert (done.exit_code, done.stderr) == (0, "")
    assert _all_but_of_p07(tmp_path) == before
    assert (tmp_path / "precious" / REPORT).is_dir()
    assert done.stdout.count("left as it is") > 5
    with open_record(filled) as record:
        assert [patient.code for patient in list_patients(record)] == ["P08"]
    assert not list((filled.reports / "P07").rglob(REPORT))


def test_removal_survives_climbs_and_links_put_together_at_random(filled, tmp_path):
    rng = Random(5)
    words = ["..", ".", "reports", "P07", "P08", "link", "precious", "", "data", "backups", "drop",
             str(tmp_path), "circle", "clinic", ".work", "pages", "\0", "é"]  # fmt: skip
    before = _all_but_of_p07(tmp_path)
    stored = ["/".join(rng.choices(words, k=rng.randint(1, 7))) for _ in range(2000)]
    reports = filled.path.resolve() / "reports"
    for place in filter(None, map(filled.report_at, stored)):
        assert reports in place.resolve().parents
    _say_of_p07(filled, *stored)
    with open_record(filled) as record:
        remove_patient(record, "P07")
    assert _all_but_of_p07(tmp_path) == before


def test_a_fingerprint_or_a_code_that_climbs_removes_nothing_else(filled, tmp_path):
    before = _all_but_of_p07(tmp_path)
    climbing = "../../../../precious".rjust(64, "/").replace("//", "./")
    (filled.path / "pages" / "P07").mkdir(parents=True, exist_ok=True)
    with open_record(filled) as record:
        with record.change() as connection:
            connection.execute(
                "UPDATE clip SET sha256 = ? WHERE id IN (SELECT clip_id FROM analysis WHERE "
                "report LIKE 'reports/P07%')",
                (climbing,),
            )
        remove_patient(record, "P07")
    assert _all_but_of_p07(tmp_path) == before


def test_a_text_file_behind_a_link_is_not_the_patients(filled, tmp_path):
    elsewhere = tmp_path / "elsewhere" / "patient.toml"
    elsewhere.parent.mkdir()
    elsewhere.write_text('surgical_side = "left"')
    (tmp_path / "drop" / "p07").symlink_to(elsewhere.parent)
    with open_record(filled) as record:
        remove_patient(record, "P07")
    assert elsewhere.is_file()


def test_no_page_or_list_shows_what_lies_outside(filled, tmp_path):
    for hostile in _hostile(filled, tmp_path)[:-1]:
        _say_of_p07(filled, hostile)
        shown = CliRunner().invoke(main, ["clips"])
        assert shown.exit_code == 0, hostile
        assert "precious" not in shown.stdout
        made = CliRunner().invoke(main, ["visit", "P07"])
        assert (made.exit_code, made.stderr) == (0, ""), hostile
        page = Path(made.stdout.strip()).read_text()
        assert "precious" not in page
        assert "data:image/jpeg" not in page


def test_a_report_of_somebody_else_is_not_outdated(filled, tmp_path):
    theirs = next((filled.reports / "P08").rglob(REPORT))
    _say_of_p07(filled, "reports/P08")
    todo = job(tmp_path / "drop", stand_in({**TEMPLATE, "quality": []}, tmp_path / "log"))
    with open_record(filled) as record:
        record.rows("UPDATE work SET state = 'waiting'")
    assert set(run(filled, todo).values()) == {"done"}
    assert theirs.is_file()


def test_reports_in_a_folder_of_their_own_are_removed_when_it_is_named(folder, tmp_path):
    drop, outer = tmp_path / "drop", tmp_path / "outer"
    tiny_clip(drop / "P07" / "a.mp4", 1)
    apart = data_folder(folder.path, outer)
    run(apart, job(drop, stand_in(TEMPLATE, tmp_path / "log")))
    with open_record(folder) as record:
        assert reports_of(record) == set()
        assert [state.report for state in queue.all_states(record)] == [None]
    assert "--reports" in CliRunner().invoke(main, ["clips"]).stdout
    assert REPORT in CliRunner().invoke(main, ["clips", "--reports", str(outer)]).stdout
    asked = CliRunner().invoke(main, ["patient", "remove", "P07"], input="n\n")
    assert "left as it is" in asked.stdout
    assert f"  report {outer}" not in asked.stdout
    done = CliRunner().invoke(main, ["patient", "remove", "P07", "--yes", "--reports", str(outer)])
    assert f"  report {outer / 'P07'}" in done.stdout
    assert not (outer / "P07").exists()
    assert outer.is_dir()
