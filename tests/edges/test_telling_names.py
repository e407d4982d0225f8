"""A person's name in the name of a clip stays in the record, on the machine."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from marked_engine import stand_in_by_time
from stand_in import add_patients, job
from stick_patient import jump_plan, make_clip, make_motion, make_poses, seen_at

from landing_analysis import analysing
from landing_analysis.analysing import analyse_clip
from landing_analysis.commands.main import main
from landing_analysis.errors import OutputError
from landing_analysis.files import sha256_of
from landing_analysis.findings.limits import read_limits
from landing_analysis.folder.watch import work_through
from landing_analysis.folder.worker import Result
from landing_analysis.landmarks import pose
from landing_analysis.landmarks.storage import read_landmarks, write_landmarks
from landing_analysis.record.database import open_record
from landing_analysis.record.place import data_folder
from landing_analysis.report.documents import analysis_document
from landing_analysis.stages import Options
from landing_analysis.tables import LIMBS, Clip, Frame, Seen
from landing_analysis.video.clips import write_clip

NAME = "20260304_101500_Erika_Musterfrau.mp4"
TELLING = re.compile(rb"Erika|Musterfrau|20260304_10", re.IGNORECASE)
LANDMARKS, _ = make_motion(jump_plan(2), "front", LIMBS)
OPTIONS = Options(limits=read_limits(), annotated_clip=False)


@pytest.fixture(scope="module")
def clip(tmp_path_factory) -> Path:
    """A grey clip with the times of the invented patient, and a telling name."""
    path = tmp_path_factory.mktemp("clips") / NAME
    grey = np.full((160, 90, 3), 120, np.uint8)
    with write_clip(path, 90, 160) as writer:
        for t_s in LANDMARKS.t_s:
            writer.write(grey, float(t_s))
    return path


@pytest.fixture(autouse=True)
def engine(monkeypatch) -> list[str]:
    """Stands in for the pose engine and counts how often it is asked."""
    asked: list[str] = []
    monkeypatch.setattr(pose, "started", stand_in_by_time(_seen, asked))
    return asked


def _seen(clip: Clip, frame: Frame) -> Seen:
    scale = np.array([clip.width_px / 720, clip.height_px / 1280])
    return seen_at(replace(LANDMARKS, xy_px=LANDMARKS.xy_px * scale), frame)


def _told_in(folder: Path) -> Iterator[str]:
    """Yield every file or folder whose name or content tells."""
    for path in folder.rglob("*"):
        name = path.relative_to(folder)
        if TELLING.search(str(name).encode()):
            yield f"{name} by its name"
        if path.is_file() and TELLING.search(path.read_bytes()):
            yield str(name)
        if path.suffix == ".parquet" and TELLING.search(str(pq.read_schema(path)).encode()):
            yield f"{name} in its metadata"


def _names(folder: Path) -> list[str]:
    return sorted(item.name for item in folder.iterdir())


def test_nothing_that_analyse_writes_tells_the_name(clip, tmp_path):
    outcome = analyse_clip(clip, tmp_path, replace(OPTIONS, annotated_clip=True))
    assert outcome.name == NAME  # the terminal says which clip it was
    assert list(_told_in(tmp_path)) == []
    with av.open(str(outcome.report.with_name("annotated.mp4"))) as container:
        assert not TELLING.search(str(container.metadata).encode())


@pytest.mark.usefixtures("without_plots")
def test_folder_and_title_say_what_the_clip_is_and_the_terminal_which(clip, tmp_path):
    said = _ok("analyse", clip, "--out", tmp_path, "--no-annotated-clip")
    mark = sha256_of(clip)[:12]
    (report,) = tmp_path.glob("*/report.html")
    assert report.parent.name == f"2026-03-04_jumps_front_{mark}"
    title = f"<h1>2026-03-04: two-leg jumps, from the front, clip {mark}</h1>"
    assert title in report.read_text("utf-8")
    row = next(line for line in said.splitlines() if line.startswith(NAME))
    assert row.endswith(str(report))


@pytest.mark.usefixtures("without_plots")
def test_an_unreliable_date_is_not_in_the_name(clip, tmp_path):
    copied = tmp_path / "Erika.mp4"
    copied.write_bytes(clip.read_bytes())
    (folder,) = {analyse_clip(copied, tmp_path / "out", OPTIONS).report.parent.name}
    assert re.fullmatch(r"jumps_front_[0-9a-f]{12}", folder)


@pytest.mark.usefixtures("without_plots")
def test_a_second_analysis_finds_the_folder_whatever_it_is_called_then(clip, tmp_path, engine):
    first = analyse_clip(clip, tmp_path, OPTIONS).report.parent
    (first / "notes.txt").write_text("better than last week")
    other = analyse_clip(
        clip, tmp_path, replace(OPTIONS, exercise="hop", view="back")
    ).report.parent
    assert len(engine) == 1
    assert _names(tmp_path) == [other.name]
    assert re.fullmatch(r"2026-03-04_hops.*_back_[0-9a-f]{12}", other.name)
    assert (other / "notes.txt").read_text() == "better than last week"
    by_hand = other.rename(tmp_path / f"my favourite_{other.name[-12:]}")
    assert analyse_clip(clip, tmp_path, OPTIONS).report.parent == first
    assert len(engine) == 1
    assert not by_hand.exists()


@pytest.mark.usefixtures("without_plots")
def test_a_report_that_an_earlier_version_named_by_the_file_is_renamed(clip, tmp_path, engine):
    folder = analyse_clip(clip, tmp_path, OPTIONS).report.parent
    folder.rename(tmp_path / clip.stem)
    assert analyse_clip(clip, tmp_path, OPTIONS).report.parent == folder
    assert _names(tmp_path) == [folder.name]
    assert len(engine) == 1


def test_landmarks_that_an_earlier_version_stored_lose_the_name(tmp_path):
    stored = tmp_path / "landmarks.parquet"
    facts = make_clip(LANDMARKS, NAME, "c" * 64)
    write_landmarks(stored, make_poses(LANDMARKS), facts)
    table = pq.read_table(stored)
    metadata = table.schema.metadata[b"landing_analysis"].decode()
    old = metadata.replace('"sha256"', f'"file": "{NAME}", "sha256"', 1)
    pq.write_table(table.replace_schema_metadata({b"landing_analysis": old}), stored)
    assert TELLING.search(stored.read_bytes())
    folder = analyse_clip(stored, tmp_path / "out", OPTIONS).report.parent
    assert list(_told_in(tmp_path / "out")) == []
    assert read_landmarks(folder / "landmarks.parquet")[0].sha256 == "c" * 64


@pytest.mark.usefixtures("without_plots")
def test_a_run_that_stops_midway_leaves_no_name_and_goes_on(clip, tmp_path, engine, monkeypatch):
    with monkeypatch.context() as patched:
        patched.setattr(
            analysing, "analysis_json", lambda _: (_ for _ in ()).throw(KeyboardInterrupt)
        )
        with pytest.raises(KeyboardInterrupt):
            analyse_clip(clip, tmp_path, OPTIONS)
    assert list(_told_in(tmp_path)) == []
    assert analyse_clip(clip, tmp_path, OPTIONS).report.is_file()
    assert len(engine) == 1


# --- drop folder and record ----------------------------------------------------------------------


def _here(path: Path, out_dir: Path, options: Options, start: object) -> Result:
    """Analyse as the watcher does, without a process apart."""
    outcome = analyse_clip(path, out_dir, options)
    return Result(analysis_document(outcome.analysis), outcome.report.parent)


@pytest.fixture(scope="module")
def filled_once(clip, tmp_path_factory) -> Path:
    """A folder with a drop folder, in which P07 has one clip, and the data folder made of it."""
    base = tmp_path_factory.mktemp("filled")
    (base / "drop" / "P07").mkdir(parents=True)
    (base / "drop" / "P07" / NAME).write_bytes(clip.read_bytes())
    with (
        pytest.MonkeyPatch.context() as patch,
        open_record(data_folder(base / "data")) as record,
    ):
        patch.setattr(pose, "started", stand_in_by_time(_seen))
        add_patients(record, base / "drop")
        (state,) = work_through(record, job(base / "drop", _here, options=OPTIONS))
    assert state.state == "done"
    return base


@pytest.fixture
def filled(filled_once, tmp_path) -> Path:
    """A data folder of one's own; its drop folder lies beside it."""
    for name in ("drop", "data"):
        shutil.copytree(filled_once / name, tmp_path / name)
    with open_record(data_folder(tmp_path / "data")) as record, record.change() as connection:
        connection.execute("UPDATE dropped SET folder = ?", (os.fsencode(tmp_path / "drop"),))
    return tmp_path / "data"


def _ok(*arguments: object) -> str:
    result = CliRunner().invoke(main, list(map(str, arguments)))
    assert result.exit_code == 0, result.output
    return result.output


def test_a_report_of_the_record_is_titled_by_patient_day_and_set(filled):
    (report,) = (filled / "reports").rglob("report.html")
    mark = report.parent.name[-12:]
    folder = filled / "reports" / "P07" / "2026-03-04"
    assert report.parent == folder / f"P07_2026-03-04_set-1_jumps_front_{mark}"
    title = "P07, 2026-03-04, set 1: two-leg jumps, from the front"
    assert f"<h1>{title}</h1>" in report.read_text("utf-8")
    assert list(_told_in(filled / "reports")) == []


@pytest.mark.usefixtures("without_plots")
def test_sets_of_a_day_are_counted_in_the_order_in_which_they_came(filled, clip, tmp_path):
    drop = tmp_path / "drop"
    more = clip.read_bytes() + b"\0\0\0\x0cfree" + b"more"  # another content, the same video
    (drop / "P07" / "20260304_100000_earlier.mp4").write_bytes(more)
    with open_record(data_folder(filled)) as record:
        work_through(record, job(drop, _here, options=OPTIONS))
    names = _names(filled / "reports" / "P07" / "2026-03-04")
    assert [name[:20] for name in names] == ["P07_2026-03-04_set-1", "P07_2026-03-04_set-2"]


def test_only_the_list_of_clips_tells_the_name(filled, tmp_path):
    assert NAME in _ok("clips", "--data", filled)
    for command in (
        ("visit", "P07"), ("compare", "P07"), ("week", "2026-03-04"),
        ("record", "export", tmp_path / "sent" / "export"),
        ("record", "tables", tmp_path / "sent" / "tables"),
        ("record", "tables", "--format", "parquet", tmp_path / "sent" / "parquet"),
        ("record", "fhir", "P07", "--out", tmp_path / "sent" / "visit.json"),
    ):  # fmt: skip
        said = _ok(*command, "--data", filled)
        assert not TELLING.search(said.encode()), command
    for folder in (filled / "pages", filled / "reports", tmp_path / "sent"):
        assert list(_told_in(folder)) == []


def test_an_export_comes_back_in_without_the_names_and_clips_find_them_again(filled, tmp_path):
    _ok("record", "export", tmp_path / "export", "--data", filled)
    _ok("record", "import", tmp_path / "export", "--data", tmp_path / "new")
    said = _ok("clips", "--data", tmp_path / "new")
    assert not TELLING.search(said.encode())
    with open_record(data_folder(tmp_path / "new")) as record:
        work_through(record, job(tmp_path / "drop", _here, options=OPTIONS))
        assert len(record.rows("SELECT * FROM analysis")) == 1
    assert NAME in _ok("clips", "--data", tmp_path / "new")


def test_reports_that_an_earlier_version_named_by_the_file_do_not_tell_in_an_export(
    filled, tmp_path
):
    with open_record(data_folder(filled)) as record, record.change() as connection:
        connection.execute("UPDATE analysis SET report = 'reports/P07/2026-03-04/Erika-1234abcd'")
    _ok("record", "export", tmp_path / "export", "--data", filled)
    assert list(_told_in(tmp_path / "export")) == []


def test_why_a_clip_has_no_numbers_is_said_without_any_of_its_names(filled, tmp_path):
    renamed = "Musterfrau renamed.mp4"
    drop = tmp_path / "drop"
    (drop / "P07" / NAME).rename(drop / "P07" / renamed)

    def full(path: Path, *_: object) -> Result:
        raise OutputError(f"{path} cannot be read; {NAME} neither, {path.name} too.")

    with open_record(data_folder(filled)) as record:
        with record.change() as connection:
            connection.execute("DELETE FROM analysis")
            connection.execute("UPDATE work SET state = 'waiting'")
        work_through(record, job(drop, full, options=OPTIONS))
    _ok("visit", "P07", "--data", filled)
    (page,) = (filled / "pages").rglob("visit-*.html")
    assert "the clip cannot be read" in page.read_text("utf-8")
    assert list(_told_in(filled / "pages")) == []
    assert "/drop/" not in page.read_text("utf-8")
