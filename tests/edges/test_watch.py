"""The drop folder: what settles, what is left alone, whose it is, what survives a kill."""

from __future__ import annotations

import json
import os
import pickle
import shlex
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta, timezone
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from stand_in import AT_ONCE, job, run, stand_in, template_document, tiny_clip, values_in

from landing_analysis import child
from landing_analysis.commands import folder as commands_folder
from landing_analysis.commands.main import main
from landing_analysis.errors import (
    ClipError,
    IncompleteClipError,
    InterruptedAnalysisError,
    MissingClipError,
    NoVideoError,
    OutputError,
    PatientError,
    RecordError,
)
from landing_analysis.folder import look, queue, watch
from landing_analysis.folder.entries import check_clip, is_left_alone, is_placeholder
from landing_analysis.folder.worker import analyse_in_worker, check_in_worker
from landing_analysis.pages.history import again_words, read_history
from landing_analysis.patients import Patient
from landing_analysis.progress import no_progress
from landing_analysis.record.backups import fault_in
from landing_analysis.record.clips import list_visits
from landing_analysis.record.database import open_record
from landing_analysis.record.patients import add_patient, list_patients
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.record.reading import read_analyses
from landing_analysis.record.removal import remove_patient
from landing_analysis.settings import WatchSettings
from landing_analysis.stages import Options
from landing_analysis.video.recording import recording_date

TEMPLATE = template_document()
ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_clips" / "p01_jumps_front.mp4"
PATIENCE_S = 120.0  # far longer than anything here takes


@pytest.fixture
def folder(tmp_path, monkeypatch) -> DataFolder:
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / "data"))
    return data_folder()


@pytest.fixture
def drop(tmp_path) -> Path:
    root = tmp_path / "drop"
    root.mkdir()
    return root


@pytest.fixture
def log(tmp_path) -> Path:
    path = tmp_path / "log"
    path.touch()
    return path


def _started(log: Path) -> list[str]:
    lines = log.read_text().splitlines()
    return [line.split()[1] for line in lines if line.startswith("start")]


def _states(folder: DataFolder, root: Path) -> dict[str, queue.ClipState]:
    with open_record(folder) as record:
        return {state.file: state for state in queue.states_in(record, root)}


# --- one clip, once ----------------------------------------------------------------------------


def test_a_clip_renamed_copied_or_moved_is_not_analysed_twice(folder, drop, log):
    tiny_clip(drop / "P07" / "IMG_1.MOV", 1)
    todo = job(drop, stand_in(TEMPLATE, log))
    assert run(folder, todo) == {"P07/IMG_1.MOV": "done"}
    shutil.copy(drop / "P07" / "IMG_1.MOV", drop / "P07" / "IMG_1 (1).MOV")
    assert set(run(folder, todo).values()) == {"done"}
    (drop / "P07" / "IMG_1.MOV").rename(drop / "P07" / "jumps.mov")
    (drop / "P07" / "week 48").mkdir()
    (drop / "P07" / "IMG_1 (1).MOV").rename(drop / "P07" / "week 48" / "P07 jumps.mp4")
    assert run(folder, todo) == {"P07/jumps.mov": "done", "P07/week 48/P07 jumps.mp4": "done"}
    assert len(_started(log)) == 1


def test_a_recording_that_is_dropped_again_is_told_with_where_it_counts(folder, drop, log, capsys):
    first = tiny_clip(drop / "P07" / "20260304_101112.mp4", 1)
    todo = job(drop, stand_in(TEMPLATE, log), say=commands_folder._say)
    run(folder, todo)
    assert "counted once" not in capsys.readouterr().out
    shutil.copy(first, drop / "P07" / "20260311_101112.mp4")
    shutil.copy(first, drop / "P07" / "copy.mp4")
    assert set(run(folder, todo).values()) == {"done"}
    lines = capsys.readouterr().out.splitlines()
    told = [line for line in lines if "the same recording as 20260304_101112.mp4" in line]
    assert ["20260311" in line.partition(":")[0] for line in told] == [True, False]
    assert all("counted once, at the visit of 2026-03-04" in line for line in told)
    assert ["clip set" in line and "--day 2026-03-11" in line for line in told] == [True, False]
    with open_record(folder) as record:
        history = read_history(record, "P07")
        assert history.days == (date(2026, 3, 4),)
        of_first, of_other = (again_words(history, date(2026, 3, day)) for day in (4, 11))
        assert len(of_first) == 2
        assert of_other == [words for words in of_first if "2026-03-11" in words]
        assert "mp4" not in str(of_first)


def test_a_renamed_recording_is_told_only_where_its_name_speaks_of_another_day(folder, drop, log):
    clip = tiny_clip(drop / "P07" / "20260304_101112.mp4", 1)
    todo = job(drop, stand_in(TEMPLATE, log))
    run(folder, todo)
    for name, day in (("jumps.mp4", None), ("20260304_jumps.mp4", None),
                      ("20260311_101112.mp4", date(2026, 3, 11))):  # fmt: skip
        clip = clip.rename(clip.with_name(name))
        run(folder, todo)
        again = _states(folder, drop)[f"P07/{name}"].again
        assert (again and again.own_day) == day
    assert "was 20260304_101112.mp4" in again.words


def test_a_clip_that_vanished_keeps_its_values_and_comes_back_done(folder, drop, log, tmp_path):
    clip = tiny_clip(drop / "P07" / "a.mp4", 1)
    todo = job(drop, stand_in(TEMPLATE, log))
    run(folder, todo)
    clip.rename(tmp_path / "a.mp4")
    assert run(folder, todo) == {}
    with open_record(folder) as record:
        assert len(values_in(record)) > 50
        assert [state.state for state in queue.all_states(record)] == ["done"]
    (tmp_path / "a.mp4").rename(drop / "P07" / "again.mp4")
    assert run(folder, todo) == {"P07/again.mp4": "done"}
    assert len(_started(log)) == 1


def test_a_clip_put_into_another_patients_folder_is_theirs_from_then_on(folder, drop, log):
    tiny_clip(drop / "P07" / "PXL_20260304_101112000.mp4", 1)
    tiny_clip(drop / "P08" / "PXL_20260304_111112000.mp4", 2)
    (drop / "P08" / "patient.toml").write_text('surgical_side = "right"')
    todo = job(drop, stand_in(TEMPLATE, log))
    run(folder, todo)
    (drop / "P07" / "PXL_20260304_101112000.mp4").rename(
        drop / "P08" / "PXL_20260304_101112000.mp4"
    )
    assert set(run(folder, todo).values()) == {"done"}
    with open_record(folder) as record:
        assert [(v.code, v.clips) for v in list_visits(record)] == [("P08", 2)]
        newest = read_analyses(record, "P08")
        assert [a.values["surgical_side"] for a in newest] == ["right", "right"]
        assert len(read_analyses(record, "P08", history=True)) == 3
    assert not list((folder.reports / "P07").rglob("report.html"))
    assert len(list((folder.reports / "P08").rglob("report.html"))) == 2


def test_the_same_clip_with_two_patients_is_given_to_neither_silently(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    todo = job(drop, stand_in(TEMPLATE, log))
    run(folder, todo)
    (drop / "P08").mkdir()
    shutil.copy(drop / "P07" / "a.mp4", drop / "P08" / "a.mp4")
    assert run(folder, todo) == {"P07/a.mp4": "done", "P08/a.mp4": "needs attention"}
    assert "is with P07 already" in _states(folder, drop)["P08/a.mp4"].reason
    with open_record(folder) as record:
        assert [(v.code, v.clips) for v in list_visits(record)] == [("P07", 1)]


def test_a_file_that_changes_is_a_new_clip(folder, drop, log):
    todo = job(drop, stand_in(TEMPLATE, log))
    tiny_clip(drop / "P07" / "a.mp4", 1)
    run(folder, todo)
    tiny_clip(drop / "P07" / "a.mp4", 2)
    assert run(folder, todo) == {"P07/a.mp4": "done"}
    assert len(set(_started(log))) == 2
    with open_record(folder) as record:
        assert len(record.rows("SELECT * FROM clip")) == 2


def test_a_clip_exchanged_while_it_is_analysed_gives_no_mixed_values(folder, drop, log):
    clip = tiny_clip(drop / "P07" / "a.mp4", 1)
    plain = stand_in(TEMPLATE, log)

    def exchanged_meanwhile(path, out_dir, options, start):
        made = plain(path, out_dir, options, start)
        if len(_started(log)) == 1:
            tiny_clip(clip, 2)
        return made

    assert run(folder, job(drop, exchanged_meanwhile)) == {"P07/a.mp4": "done"}
    _, second = _started(log)
    with open_record(folder) as record:
        assert {row[0] for row in values_in(record)} == {second}


# --- what has settled --------------------------------------------------------------------------


def _grow(source: bytes, target: Path, share: float) -> None:
    target.parent.mkdir(exist_ok=True)
    target.write_bytes(source[: int(len(source) * share)])


def test_a_clip_under_way_waits_until_its_last_byte(folder, drop, log):
    whole = SAMPLE.read_bytes()
    todo = job(drop, stand_in(TEMPLATE, log), settings=WatchSettings(settled_s=0.0))
    for share in (0.2, 0.6, 0.99):
        _grow(whole, drop / "P07" / "a.mp4", share)
        assert run(folder, todo) == {"P07/a.mp4": "waiting"}
        assert "not copied completely" in _states(folder, drop)["P07/a.mp4"].reason
    _grow(whole, drop / "P07" / "a.mp4", 1.0)
    assert run(folder, todo) == {"P07/a.mp4": "done"}
    assert len(_started(log)) == 1


def test_a_whole_clip_that_has_just_arrived_waits_until_size_and_time_rest(folder, drop, log):
    clip = tiny_clip(drop / "P07" / "a.mp4", 1)
    slow = WatchSettings(settled_s=3600.0)
    with open_record(folder) as record:
        for _ in range(3):
            assert look.look(record, drop, slow, _never_read) == look.Looked(1, 1)
        os.utime(clip, ns=(1, 1))
        look.look(record, drop, slow, _never_read)
        known = queue.known_files(record, drop)[Path("P07/a.mp4")]
        assert known.mtime_ns == 1
        assert known.sha256 is None


def _never_read(path: Path):
    raise AssertionError(f"{path} was opened")


def test_a_copy_that_never_ends_needs_attention_and_is_looked_at_when_it_changes(folder, drop, log):
    _grow(SAMPLE.read_bytes(), drop / "P07" / "a.mp4", 0.5)
    todo = job(
        drop, stand_in(TEMPLATE, log), settings=WatchSettings(settled_s=0.0, incomplete_after_s=0.0)
    )
    assert run(folder, todo) == {"P07/a.mp4": "needs attention"}
    assert "incomplete" in _states(folder, drop)["P07/a.mp4"].reason
    _grow(SAMPLE.read_bytes(), drop / "P07" / "a.mp4", 1.0)
    assert run(folder, todo) == {"P07/a.mp4": "done"}


@pytest.mark.parametrize(
    "name",
    [".a.mp4", "._a.mp4", ".DS_Store", "~a.mp4", "a.mp4~", "a.mp4.part", "a.MP4.TMP",
     "a.crdownload", "a.mp4.filepart", ".sync_a.mp4", ".a.mp4.icloud", "a.mp4.!sync", "a.download"],
)  # fmt: skip
def test_unfinished_and_hidden_files_are_left_alone(name):
    assert is_left_alone(name)


def test_other_files_links_and_empty_files_are_no_clips(folder, drop, log, tmp_path):
    outside = tiny_clip(tmp_path / "outside.mp4", 1)
    (drop / "P07").mkdir()
    (drop / "P07" / "link.mp4").symlink_to(outside)
    (drop / "P08").symlink_to(tmp_path)
    (drop / "P07" / "empty.mp4").touch()
    (drop / "P07" / "notes.txt").write_text("good landing")
    (drop / "P07" / "patient.toml").write_text("")
    (drop / ".hidden").mkdir()
    tiny_clip(drop / ".hidden" / "a.mp4", 2)
    tiny_clip(drop / "P07" / "named otherwise.mp4", 3).rename(drop / "P07" / "clip.video")
    assert run(folder, job(drop, stand_in(TEMPLATE, log))) == {"P07/clip.video": "done"}


@pytest.mark.parametrize(
    ("facts", "placeholder"),
    [
        ({"st_flags": 0x40000000}, True),  # SF_DATALESS, sys/stat.h of macOS
        ({"st_flags": 0x20}, False),
        ({"st_file_attributes": 0x1000}, True),  # OFFLINE, Windows file attribute constants
        ({"st_file_attributes": 0x40000 | 0x20}, True),  # RECALL_ON_OPEN
        ({"st_file_attributes": 0x400000}, True),  # RECALL_ON_DATA_ACCESS
        ({"st_file_attributes": 0x20}, False),
        ({}, False),
    ],
)
def test_a_placeholder_of_a_cloud_folder_is_told_by_its_attributes(facts, placeholder):
    assert is_placeholder(SimpleNamespace(**facts)) == placeholder


def test_a_placeholder_is_never_opened_and_said_so(folder, drop, monkeypatch, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    tiny_clip(drop / "P07" / "b", 2)
    todo = job(drop, stand_in(TEMPLATE, log))
    with monkeypatch.context() as patch:
        patch.setattr(look, "is_placeholder", lambda facts: True)
        patch.setattr(Path, "open", _never_read)
        states = run(folder, job(drop, stand_in(TEMPLATE, log), check=_never_read))
    assert states == {"P07/a.mp4": "waiting"}
    assert "not downloaded yet" in _states(folder, drop)["P07/a.mp4"].reason
    assert set(run(folder, todo).values()) == {"done"}


def test_reports_in_the_drop_folder_are_not_taken_for_clips(drop, log, tmp_path):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    folder = data_folder(drop / "data", drop / "reports")
    run(folder, job(drop, stand_in(TEMPLATE, log)))
    tiny_clip(next((drop / "reports").rglob("report.html")).with_name("annotated.mp4"), 2)
    assert run(folder, job(drop, stand_in(TEMPLATE, log))) == {"P07/a.mp4": "done"}


# --- whose it is, and when it was recorded -----------------------------------------------------


def test_patients_are_told_by_folder_and_file_name_and_strangers_need_attention(folder, drop, log):
    tiny_clip(drop / "P07" / "IMG_1.mp4", 1)
    tiny_clip(drop / "P07_hops.mp4", 2)
    tiny_clip(drop / "IMG_2.mp4", 3)
    tiny_clip(drop / "Anna Smith" / "IMG_3.mp4", 4)
    todo = job(drop, stand_in(TEMPLATE, log))
    states = run(folder, todo)
    strangers = {"IMG_2.mp4": "needs attention", "Anna Smith/IMG_3.mp4": "needs attention"}
    assert states == {"P07/IMG_1.mp4": "done", "P07_hops.mp4": "done", **strangers}
    (drop / "IMG_2.mp4").rename(drop / "P07-IMG_2.mp4")
    (drop / "Anna Smith").rename(drop / "P09")
    assert set(run(folder, todo).values()) == {"done"}
    with open_record(folder) as record:
        assert [(v.code, v.clips) for v in list_visits(record)] == [("P07", 3), ("P09", 1)]


def test_a_stranger_is_analysed_as_soon_as_the_patient_is_added(folder, drop, log):
    tiny_clip(drop / "Smith1_a.mp4", 1)
    todo = job(drop, stand_in(TEMPLATE, log))
    assert run(folder, todo) == {"Smith1_a.mp4": "needs attention"}
    done = CliRunner().invoke(main, ["patient", "add", "Smith1", "--accept-code"])
    assert done.exit_code == 0
    assert run(folder, todo) == {"Smith1_a.mp4": "done"}


def _work(folder: DataFolder, todo: watch.Job) -> dict[str, str]:
    """Work through a folder whose patients nobody has added meanwhile."""
    with open_record(folder) as record:
        return {clip.file: clip.state for clip in watch.work_through(record, todo)}


def test_a_code_that_nobody_added_waits_and_goes_on_by_itself_when_it_is(folder, drop, log):
    tiny_clip(drop / "P08" / "a.mp4", 1)
    tiny_clip(drop / "P08b" / "b.mp4", 2)
    (drop / "P08b" / "patient.toml").write_text('surgical_side = "left"')
    todo = job(drop, stand_in(TEMPLATE, log))
    assert CliRunner().invoke(main, ["patient", "add", "P08"]).exit_code == 0
    assert _work(folder, todo) == {"P08/a.mp4": "done", "P08b/b.mp4": "needs attention"}
    with open_record(folder) as record:
        assert [patient.code for patient in list_patients(record)] == ["P08"]
    reason = _states(folder, drop)["P08b/b.mp4"].reason
    assert "no patient P08b yet; if it is P08, move" in reason
    command = reason.split("run: landing-analysis ")[1].split()
    assert CliRunner().invoke(main, command).exit_code == 0
    assert set(_work(folder, todo).values()) == {"done"}
    with open_record(folder) as record:
        assert [(v.code, v.clips) for v in list_visits(record)] == [("P08", 1), ("P08b", 1)]
        assert [a.values["surgical_side"] for a in read_analyses(record, "P08b")] == ["left"]


def test_the_advice_to_add_a_patient_works_where_the_record_is(drop, log, tmp_path):
    tiny_clip(drop / "P09" / "a.mp4", 1)
    folder = data_folder(tmp_path / "a clinic's data")
    todo = job(drop, stand_in(TEMPLATE, log))
    assert _work(folder, todo) == {"P09/a.mp4": "needs attention"}
    command = _states(folder, drop)["P09/a.mp4"].reason.split("landing-analysis ")[1]
    assert CliRunner().invoke(main, shlex.split(command)).exit_code == 0
    assert _work(folder, todo) == {"P09/a.mp4": "done"}


def test_a_removed_patient_does_not_come_back_by_the_clips_that_were_kept(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    todo = job(drop, stand_in(TEMPLATE, log))
    run(folder, todo)
    with open_record(folder) as record:
        remove_patient(record, "P07", keep_clips=True)
    assert _work(folder, todo) == {"P07/a.mp4": "needs attention"}
    with open_record(folder) as record:
        assert list_patients(record) == ()


def test_a_day_of_surgery_to_come_in_a_text_file_waits_for_a_word(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    (drop / "P07" / "patient.toml").write_text("surgery_date = 2126-03-01")
    todo = job(drop, stand_in(TEMPLATE, log))
    assert run(folder, todo) == {"P07/a.mp4": "needs attention"}
    reason = _states(folder, drop)["P07/a.mp4"].reason
    assert "2126-03-01 lies in the future" in reason
    command = reason.split("run: landing-analysis ")[1].split()
    assert CliRunner().invoke(main, command).exit_code == 0
    assert run(folder, todo) == {"P07/a.mp4": "done"}


def test_a_text_file_is_taken_over_once_per_change_and_never_guessed(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    (drop / "P07" / "patient.toml").write_text('surgical_side = "links"')
    todo = job(drop, stand_in(TEMPLATE, log))
    assert run(folder, todo) == {"P07/a.mp4": "needs attention"}
    assert _started(log) == []
    (drop / "P07" / "patient.toml").write_text('surgical_side = "left"\nstature_cm = 181')
    assert run(folder, todo) == {"P07/a.mp4": "done"}
    assert (
        CliRunner().invoke(main, ["patient", "edit", "P07", "--stature-cm", "179"]).exit_code == 0
    )
    tiny_clip(drop / "P07" / "b.mp4", 2)
    run(folder, todo)
    with open_record(folder) as record:
        used = [
            (a.values["surgical_side"], a.values["stature_m"]) for a in read_analyses(record, "P07")
        ]
    assert used == [("left", 1.81), ("left", 1.79)]


NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
EAST = timezone(timedelta(hours=9))
FILE_TIME = datetime(2026, 11, 20, 23, 30, tzinfo=UTC)
APPLE = "com.apple.quicktime.creationdate"


@pytest.mark.parametrize(
    ("tags", "file", "day", "found_in"),
    [
        ({APPLE: "2026-03-04T23:30:00-0800", "creation_time": "2026-03-05T07:30:00Z"},
         "IMG_1.MOV", "2026-03-04", "clip"),
        ({"creation_time": "2026-03-04T10:11:12.000000Z"}, "a.mp4", "2026-03-04", "clip"),
        ({"creation_time": "2026-03-04T20:11:12.000000Z"}, "a.mp4", "2026-03-05", "clip"),
        ({"creation_time": "1904-01-01T00:00:00.000000Z"}, "a.mp4", "2026-11-21", "file time"),
        ({"creation_time": "1970-01-01T00:00:00.000000Z"}, "VID_20260304_235900.mp4",
         "2026-03-04", "file name"),
        ({"creation_time": "2027-01-01T00:00:00Z"}, "a.mp4", "2026-11-21", "file time"),
        ({"creation_time": "yesterday"}, "a.mp4", "2026-11-21", "file time"),
        ({}, "PXL_20260304_200000123.mp4", "2026-03-05", "file name"),  # UTC
        ({}, "20260304_101112.mp4", "2026-03-04", "file name"),
        ({}, "P07_20261399_101112.mp4", "2026-11-21", "file time"),
        ({}, "IMG_1234.MOV", "2026-11-21", "file time"),
    ],
)  # fmt: skip
def test_the_visit_is_the_day_of_recording_where_the_clinic_is(tags, file, day, found_in):
    recording = recording_date(tags, file, FILE_TIME, NOW, EAST)
    assert (recording.at.date().isoformat(), recording.found_in) == (day, found_in)
    assert recording.at.tzinfo is not None


def test_the_origin_of_the_date_is_kept_and_said(folder, drop, log):
    clip = tiny_clip(drop / "P07" / "a.mp4", 1)
    os.utime(clip, (1770000000, 1770000000))
    tiny_clip(drop / "P07" / "PXL_20260304_101112000.mp4", 2)
    run(folder, job(drop, stand_in(TEMPLATE, log)))
    said = CliRunner().invoke(main, ["clips"]).stdout
    assert "2026-02-0" in said
    assert "(by file time)" in said
    assert "2026-03-04 (by file name)" in said


@pytest.mark.skipif(sys.platform != "linux", reason="other systems allow no such file names")
def test_a_file_name_that_is_no_text_is_shown_and_stored_as_text(folder, drop, log):
    odd = os.fsdecode(b"jump\xff.mp4")
    tiny_clip(drop / "P07" / "a.mp4", 1).rename(drop / "P07" / odd)
    (drop / odd).write_text("nobody's")
    (drop / "P07" / f"text{odd}").write_text("not a video")
    done = CliRunner().invoke(main, ["batch", str(drop)])
    assert done.exit_code == 1
    failing = _failing(log, {odd: [ClipError(f"{odd} is dark.")]})
    with open_record(folder) as record:
        queue.look_again(record, drop)
    states = run(folder, job(drop, failing))
    assert set(states.values()) == {"needs attention"}
    assert len(states) == 3
    said = CliRunner().invoke(main, ["clips"])
    assert said.exit_code == 0
    assert "jump\ufffd.mp4 is dark." in said.stdout
    with open_record(folder) as record:
        queue.look_again(record, drop)
    assert run(folder, job(drop, stand_in(TEMPLATE, log)))["P07/jump\ufffd.mp4"] == "done"


# --- what goes wrong ---------------------------------------------------------------------------


def _failing(log: Path, errors: dict[str, list[Exception]]):
    """Return the stand-in, which raises what is listed for a file's name, one after the other."""
    plain = stand_in(TEMPLATE, log)

    def analyse(path, out_dir, options, start):
        if errors.get(path.name):
            raise errors[path.name].pop(0)
        return plain(path, out_dir, options, start)

    return analyse


def test_a_bad_clip_never_stops_the_rest(folder, drop, log):
    for k, name in enumerate(("a.mp4", "b.mp4", "c.mp4")):
        tiny_clip(drop / "P07" / name, k)
    (drop / "P07" / "text.mp4").write_text("not a video")
    errors = {"a.mp4": [ClipError("No person was found.")], "b.mp4": [RuntimeError("a bug")] * 9}
    states = run(folder, job(drop, _failing(log, errors)))
    assert states == {
        "P07/a.mp4": "needs attention", "P07/b.mp4": "needs attention", "P07/c.mp4": "done",
        "P07/text.mp4": "needs attention",
    }  # fmt: skip
    known = _states(folder, drop)
    assert known["P07/a.mp4"].reason == "No person was found."
    assert "a bug" in known["P07/b.mp4"].reason
    assert "not a video" in known["P07/text.mp4"].reason
    assert len(errors["b.mp4"]) == 9 - 1 - len(AT_ONCE.retry_after_s)


def test_an_interrupted_analysis_is_tried_again_later_and_later(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    errors = {"a.mp4": [InterruptedAnalysisError("It fell silent.")] * 3}
    slow = WatchSettings(settled_s=0.0, retry_after_s=(1000.0, 2000.0, 3000.0))
    todo = job(drop, _failing(log, errors), settings=slow)
    pauses = []
    for _ in range(3):
        before_s = time.time()
        assert run(folder, todo) == {"P07/a.mp4": "waiting"}
        assert "Next attempt at" in _states(folder, drop)["P07/a.mp4"].reason
        with open_record(folder) as record:
            pauses.append(record.rows("SELECT retry_at_s FROM work")[0][0] - before_s)
            with record.change() as connection:
                connection.execute("UPDATE work SET retry_at_s = 0")
    assert [round(pause, -3) for pause in pauses] == [1000, 2000, 3000]
    assert run(folder, todo) == {"P07/a.mp4": "done"}


def test_a_folder_that_cannot_be_reached_forgets_nothing(folder, drop, log, tmp_path):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    todo = job(drop, stand_in(TEMPLATE, log))
    run(folder, todo)
    drop.rename(tmp_path / "away")
    with pytest.raises(MissingClipError, match="cannot be reached"):
        run(folder, todo)
    assert _states(folder, drop)["P07/a.mp4"].state == "done"


def test_a_report_folder_that_cannot_be_written_costs_no_attempt(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    errors = {"a.mp4": [OutputError("The disk is full.")]}
    todo = job(drop, _failing(log, errors))
    assert run(folder, todo) == {"P07/a.mp4": "waiting"}
    with open_record(folder) as record:
        assert tuple(record.rows("SELECT attempts, reason FROM work")[0]) == (
            0,
            "The disk is full.",
        )
        queue.look_again(record, drop)
    assert run(folder, todo) == {"P07/a.mp4": "done"}


@pytest.mark.skipif(os.name != "posix", reason="limits of this kind exist on POSIX systems only")
@pytest.mark.parametrize("largest_file", [1000, 130_000, 400_000, 1_000_000])
def test_a_file_that_may_not_grow_is_one_sentence_and_nothing_is_lost(
    folder, drop, log, largest_file
):
    for k in range(6):
        tiny_clip(drop / "P07" / f"{k}.mp4", k)
    done = _child("work_on_a_small_disk", drop, folder.path, log, largest_file)
    assert done.returncode == 1
    assert "cannot be written" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    with open_record(folder) as record:
        assert fault_in(record.connection) is None
        queue.look_again(record, drop)
    states = run(folder, job(drop, stand_in(TEMPLATE, log)))
    assert set(states.values()) == {"done"}
    _assert_nothing_lost_or_doubled(folder, 6)


def test_a_full_disk_is_waited_out_and_nothing_is_lost(drop, log, tmp_path):
    if subprocess.run(["unshare", "-rm", "true"], capture_output=True).returncode:
        pytest.skip("this system lets no user mount a disk in memory")
    for k in range(6):
        tiny_clip(drop / "P07" / f"{k}.mp4", k)
    done = _child(
        "fill_a_disk_and_make_room", drop, tmp_path / "disk", log, inside=["unshare", "-rm"]
    )
    assert done.returncode == 0, done.stderr
    said, kept, states, per_clip, fault, left = json.loads(done.stdout)
    assert any("disk is full" in words or "No space left" in words for words in said), said
    assert kept == sorted(kept)
    assert set(states.values()) == {"done"}
    assert per_clip == [1] * 6
    assert (fault, left) == (None, [])


# --- killed ------------------------------------------------------------------------------------


def _child(act: str, *arguments: object, inside: Sequence[str] = ()) -> subprocess.CompletedProcess:
    words = ", ".join(f"Path({str(a)!r})" if isinstance(a, Path) else repr(a) for a in arguments)
    program = f"import stand_in; from pathlib import Path; stand_in.{act}({words})"
    path = os.pathsep.join([str(ROOT), str(ROOT / "tests")])
    return subprocess.run(
        [*inside, sys.executable, "-c", program],
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=300,
    )


def _assert_nothing_lost_or_doubled(folder: DataFolder, clips: int) -> None:
    with open_record(folder) as record:
        assert fault_in(record.connection) is None
        per_clip = record.rows("SELECT count(*) FROM analysis GROUP BY clip_id")
        assert [row[0] for row in per_clip] == [1] * clips
        assert len(record.rows("SELECT * FROM clip")) == clips
        measures = sum(len(rep["measures"]) for rep in TEMPLATE["reps"])
        per_analysis = record.rows("SELECT count(*) FROM measure GROUP BY analysis_id")
        assert [row[0] for row in per_analysis] == [measures] * clips
        values = [row["value"] for rep in TEMPLATE["reps"] for row in rep["measures"]]
        assert [row[5] for row in values_in(record)] == values * clips
    reports = [path.parent for path in folder.reports.rglob("report.html")]
    assert len(reports) == clips
    for report in reports:
        names = {path.name for path in report.iterdir()}
        assert names == {"report.html", "analysis.json", "reps.csv"}
    assert list(folder.work.iterdir()) == []
    assert list(folder.workers.iterdir()) == []
    assert not [path for path in folder.path.rglob("*") if ".part" in path.name]


KILLS = 20


@pytest.mark.skipif(os.name != "posix", reason="forks, and kills with SIGKILL")
@pytest.mark.parametrize("seed", [1, 2])
def test_killed_at_twenty_random_moments_it_resumes_with_nothing_lost_or_doubled(
    folder, drop, log, seed
):
    clips = 40
    for k in range(clips):
        tiny_clip(drop / f"P{k % 4}" / f"{k}.mp4", k)
    killed = _child("kill_at_random_moments", drop, folder.path, log, seed, KILLS)
    assert killed.returncode == 0, killed.stderr
    after = [tuple(map(int, line.split())) for line in killed.stdout.splitlines()]
    assert len(after) == KILLS
    done = [count for count, _, _ in after]
    assert done == sorted(done)
    assert sum(held for _, held, _ in after) >= 3, "hardly ever was it killed while it analysed"
    assert done[-1] < clips, "it was done before the last kill"
    states = run(folder, job(drop, stand_in(TEMPLATE, log)))
    assert set(states.values()) == {"done"}
    assert len(states) == clips
    _assert_nothing_lost_or_doubled(folder, clips)
    ended = [line for line in log.read_text().splitlines() if line.startswith("end")]
    assert len(set(ended)) == clips
    # At most the one clip in hand at each kill was analysed more than once.
    assert len(_started(log)) - clips <= KILLS


DELICATE = (
    ("queue", "note_file", "after"),
    ("queue", "enter_clip", "before"),
    ("queue", "enter_clip", "after"),
    ("queue", "claim_next", "after"),
    ("watch", "_prepare", "after"),
    ("watch", "_publish", "before"),
    ("watch", "_publish", "after"),
    ("queue", "finish", "before"),
    ("queue", "insert_analysis", "after"),
    ("queue", "finish", "after"),
    ("watch", "reports_of", "after"),
)


@pytest.fixture(scope="module")
def killed(tmp_path_factory) -> Path:
    """Give a folder with a drop folder and the data of a killed run for each delicate moment."""
    base = tmp_path_factory.mktemp("killed")
    for moment in DELICATE:
        for k in range(2):
            tiny_clip(base / "-".join(moment) / "drop" / "P07" / f"{k}.mp4", k)
    done = _child("die_at_each", base, DELICATE)
    assert done.stdout.split() == ["-9"] * len(DELICATE), done.stderr
    return base


@pytest.mark.skipif(os.name != "posix", reason="forks, and kills with SIGKILL")
@pytest.mark.parametrize("moment", DELICATE, ids=" ".join)
def test_killed_at_each_delicate_moment_it_resumes(killed, log, moment):
    place = killed / "-".join(moment)
    folder = data_folder(place / "data")
    assert set(run(folder, job(place / "drop", stand_in(TEMPLATE, log))).values()) == {"done"}
    _assert_nothing_lost_or_doubled(folder, 2)


def test_ctrl_c_lets_the_clip_in_hand_wait(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)

    def interrupted(*_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(folder, job(drop, interrupted))
    assert _states(folder, drop)["P07/a.mp4"].state == "waiting"
    assert list(folder.workers.iterdir()) == []
    assert run(folder, job(drop, stand_in(TEMPLATE, log))) == {"P07/a.mp4": "done"}


# --- two at once -------------------------------------------------------------------------------


def test_two_watchers_on_one_folder_share_the_work_and_do_none_twice(folder, drop, log):
    clips = 16
    for k in range(clips):
        tiny_clip(drop / "P07" / f"{k}.mp4", k)
    results = []
    threads = [
        threading.Thread(
            target=lambda: results.append(_child("work_alone", drop, folder.path, log))
        )
        for _ in range(2)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENCE_S)
    assert [(done.returncode, done.stderr) for done in results] == [(0, "")] * 2
    assert sorted(_started(log)) == sorted(set(_started(log)))
    assert len(_started(log)) == clips
    run(folder, job(drop, stand_in(TEMPLATE, log)))
    _assert_nothing_lost_or_doubled(folder, clips)


def test_a_clip_in_living_hands_is_left_to_them(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    todo = job(drop, stand_in(TEMPLATE, log))
    with open_record(folder) as record, queue.working(record) as worker:
        add_patient(record, Patient("P07"))
        watch._look(record, todo)
        assert queue.claim_next(record, drop, worker) is not None
        assert run(folder, todo) == {"P07/a.mp4": "analysing"}
    assert _started(log) == []
    assert run(folder, todo) == {"P07/a.mp4": "done"}


def test_a_worker_whose_claim_went_to_another_stores_nothing(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    with open_record(folder) as record, queue.working(record) as slow:
        add_patient(record, Patient("P07"))
        watch._look(record, job(drop, stand_in(TEMPLATE, log)))
        lost = queue.claim_next(record, drop, slow)
        with queue.working(record) as quick:
            assert queue.claim_next(record, drop, quick) is None
            queue._release(record, slow)
            won = queue.claim_next(record, drop, quick)
            assert queue.finish(record, won, TEMPLATE, "quick", "report")
        assert not queue.finish(record, lost, TEMPLATE, "slow", "report")
        queue.give_up(record, lost, "too late")
        assert [row[0] for row in record.rows("SELECT made_by FROM analysis")] == ["quick"]
        assert [row[0] for row in record.rows("SELECT state FROM work")] == ["done"]


# --- watching ----------------------------------------------------------------------------------


def _watch_until(folder, todo, condition, wake, during=lambda: None) -> list[str]:
    """Watch in a thread until a condition on the states holds, and return what it complained of."""
    stop, complaints, failures = threading.Event(), [], []

    def target() -> None:
        try:
            with open_record(folder) as record:
                with suppress(PatientError):  # there already
                    add_patient(record, Patient("P07"))
                watch.watch(record, todo, complaints.append, wake, stop)
        except BaseException as error:
            failures.append(error)

    thread = threading.Thread(target=target)
    thread.start()
    try:
        during()
        end_s = time.monotonic() + PATIENCE_S
        while not condition(_states(folder, todo.root)) and not failures:
            assert time.monotonic() < end_s, _states(folder, todo.root)
            time.sleep(0.02)
    finally:
        stop.set()
        wake.set()
        thread.join(PATIENCE_S)
    assert failures == []
    return complaints


def _all_done(count: int):
    return lambda states: [state.state for state in states.values()] == ["done"] * count


def test_a_watched_folder_is_worked_through_by_poll_alone(folder, drop, log):
    def during() -> None:
        for k in range(3):
            tiny_clip(drop / "P07" / f"{k}.mp4", k)

    todo = job(drop, stand_in(TEMPLATE, log))
    assert _watch_until(folder, todo, _all_done(3), threading.Event(), during) == []
    _assert_nothing_lost_or_doubled(folder, 3)


def test_events_wake_the_watcher_long_before_the_next_poll(folder, drop, log):
    (drop / "P07").mkdir()
    rare = WatchSettings(poll_s=3600.0, settled_s=0.0, least_pause_s=0.0)
    wake = threading.Event()
    with watch.woken_by_events(drop, wake) as told:
        if not told:
            pytest.skip("this system reports no changes in folders")
        todo = job(drop, stand_in(TEMPLATE, log), settings=rare)
        _watch_until(folder, todo, _all_done(1), wake, lambda: tiny_clip(drop / "P07" / "a.mp4", 1))


def test_being_read_is_no_event(drop):
    clip = tiny_clip(drop / "P07" / "a.mp4", 1)
    wake = threading.Event()
    with watch.woken_by_events(drop, wake) as told:
        if not told:
            pytest.skip("this system reports no changes in folders")
        clip.read_bytes()
        list(drop.iterdir())
        assert not wake.wait(0.5)
        (drop / "P07" / "b.mp4").touch()
        assert wake.wait(PATIENCE_S)


def test_without_events_the_poll_goes_on(drop, monkeypatch):
    from watchdog.observers.api import BaseObserver

    def refused(self):
        raise OSError(28, "inotify watch limit reached")

    monkeypatch.setattr(BaseObserver, "start", refused)
    with watch.woken_by_events(drop, threading.Event()) as told:
        assert told is False


def test_a_lost_folder_pauses_the_watcher_with_one_complaint_until_it_is_back(
    folder, drop, log, tmp_path
):
    def during() -> None:
        drop.rename(tmp_path / "away")
        time.sleep(0.5)
        tiny_clip(tmp_path / "away" / "P07" / "a.mp4", 1)
        (tmp_path / "away").rename(drop)

    todo = job(drop, stand_in(TEMPLATE, log))
    complaints = _watch_until(folder, todo, _all_done(1), threading.Event(), during)
    assert len(complaints) <= 1
    assert all("cannot be reached" in complaint for complaint in complaints)


def test_a_record_that_cannot_be_written_pauses_the_watcher(folder, drop, log, monkeypatch):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    left = [3]
    finish = queue.finish

    def full(*arguments):
        left[0] -= 1
        if left[0] >= 0:
            raise RecordError("The record cannot be written: the disk is full.")
        return finish(*arguments)

    monkeypatch.setattr(queue, "finish", full)
    todo = job(drop, stand_in(TEMPLATE, log))
    complaints = _watch_until(folder, todo, _all_done(1), threading.Event())
    assert complaints == ["The record cannot be written: the disk is full."]
    _assert_nothing_lost_or_doubled(folder, 1)


def test_a_text_file_that_comes_later_counts_for_the_next_renewal(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    run(folder, job(drop, stand_in(TEMPLATE, log)))
    (drop / "P07" / "patient.toml").write_text('surgical_side = "right"')
    run(folder, job(drop, stand_in(TEMPLATE, log)))
    assert len(_started(log)) == 1
    run(folder, job(drop, stand_in(TEMPLATE, log), renew=True))
    with open_record(folder) as record:
        sides = [a.values["surgical_side"] for a in read_analyses(record, "P07", history=True)]
    assert sides == [None, "right"]


def test_each_change_of_state_is_told_once(folder, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    told = []
    todo = job(drop, stand_in(TEMPLATE, log), say=lambda clip: told.append(clip.state))
    run(folder, todo)
    assert told == ["waiting", "analysing", "done"]


# --- in a process of its own -------------------------------------------------------------------


def test_errors_come_from_the_other_process_as_they_are(tmp_path):
    (tmp_path / "text.mp4").write_text("not a video")
    with pytest.raises(NoVideoError, match="not a video"):
        analyse_in_worker(tmp_path / "text.mp4", tmp_path / "out", Options(), no_progress)
    _grow(SAMPLE.read_bytes(), tmp_path / "cut.mp4", 0.5)
    with pytest.raises(IncompleteClipError, match=r"cut\.mp4 is incomplete"):
        check_in_worker(tmp_path / "cut.mp4")
    with pytest.raises(InterruptedAnalysisError, match="nobody foresaw"):
        analyse_in_worker(SAMPLE, tmp_path / "out", None, no_progress)


def test_a_clip_is_checked_in_the_other_process_as_here():
    there, here = check_in_worker(SAMPLE), check_clip(SAMPLE)
    assert (there.clip.sha256, there.tags) == (here.clip.sha256, here.tags)
    assert there.clip.frames == here.clip.frames > 100


def test_a_process_that_dies_interrupts_one_clip_and_not_us(folder, drop, log, monkeypatch):
    monkeypatch.setattr(child, "_START", "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    with pytest.raises(InterruptedAnalysisError, match=r"without a word \(code -11\)"):
        analyse_in_worker(SAMPLE, drop / "out", Options(), no_progress)
    tiny_clip(drop / "P07" / "a.mp4", 1)
    tiny_clip(drop / "P07" / "b.mp4", 2)

    def deadly(path):
        return check_in_worker(path) if path.name == "a.mp4" else check_clip(path)

    todo = job(drop, stand_in(TEMPLATE, log), check=deadly)
    states = [run(folder, todo)["P07/a.mp4"] for _ in range(3)]
    assert states[-1] == "needs attention"
    assert "without a word" in _states(folder, drop)["P07/a.mp4"].reason
    assert _states(folder, drop)["P07/b.mp4"].state == "done"


def test_the_other_process_ends_when_we_do(tmp_path):
    process = subprocess.Popen(
        [sys.executable, "-c", child._START.format(path=sys.path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    order = pickle.dumps((SAMPLE, tmp_path / "out", Options()))
    pickle.dump(("landing_analysis.folder.worker:analyse", len(order)), process.stdin)
    process.stdin.write(order)
    process.stdin.close()
    assert process.wait(PATIENCE_S) == 1
    process.stdout.close()
    assert not (tmp_path / "out" / SAMPLE.stem / "report.html").exists()


# --- the commands ------------------------------------------------------------------------------


@pytest.fixture
def command(folder, log, monkeypatch):
    """Run a command with the stand-in and no waiting."""
    quick = partial(watch.Job, check=check_clip, analyse=stand_in(TEMPLATE, log), settings=AT_ONCE)
    monkeypatch.setattr(watch, "Job", quick)
    with open_record(folder) as record:
        add_patient(record, Patient("P07"))
    return lambda *words: CliRunner().invoke(main, list(map(str, words)))


@pytest.mark.parametrize(
    "words", [["watch"], ["clips"], ["patient", "add"], ["record"]], ids=" ".join
)
def test_help_loads_none_of_the_heavy_libraries(words):
    program = (
        "import sys\nfrom landing_analysis.commands.main import main\n"
        f"try:\n    main({[*words, '--help']!r})\nexcept SystemExit:\n    pass\n"
        "heavy = {'ai_edge_litert', 'cv2', 'av', 'scipy', 'sqlite3', 'watchdog', 'filelock'}\n"
        "sys.exit(str(sorted(heavy & set(sys.modules))))\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert done.stderr.strip() == "[]"
    assert "Usage" in done.stdout


@pytest.mark.parametrize("words", [["watch", "--once"], ["batch"]], ids=" ".join)
def test_a_folder_is_worked_through_and_counted(command, drop, words):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    done = command(*words, drop)
    assert (done.exit_code, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[-1] == "1 clip: 1 done"
    page = lines[-2].split("done: ")[1]
    assert Path(page).name == "report.html"
    assert Path(page).is_file()
    tiny_clip(drop / "b.mp4", 2)
    done = command(*words, drop)
    assert done.exit_code == 1
    assert "belongs to no patient" in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout.splitlines()[-1] == "2 clips: 1 done, 1 needs attention"
    assert command("clips", "--state", "done").stdout.splitlines()[-1] == "1 clip: 1 done"


@pytest.mark.parametrize("words", [["watch"], ["watch", "--once"], ["batch"]], ids=" ".join)
def test_a_folder_that_is_not_there_is_one_sentence(command, tmp_path, words):
    done = command(*words, tmp_path / "nothing")
    assert done.exit_code == 1
    assert "nothing" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


@pytest.mark.parametrize(
    "words", [["--limits", "no such file"], ["--model", "no such file"]], ids=" ".join
)
def test_wrong_options_stop_before_any_work(command, drop, log, words):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    done = command("batch", drop, *words)
    assert done.exit_code == 2
    assert "no such file" in done.stderr
    assert "Traceback" not in done.stderr
    assert _started(log) == []


def test_look_again_tries_what_needs_attention(command, drop, folder, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    run(folder, job(drop, _failing(log, {"a.mp4": [ClipError("Nobody.")]})))
    assert command("batch", drop).exit_code == 1
    assert command("watch", drop, "--once", "--look-again").exit_code == 0


def test_renew_adds_values_when_the_target_changes_and_not_otherwise(command, drop, log):
    tiny_clip(drop / "P07" / "a.mp4", 1)
    for words in ((), ("--renew",), ("--renew", "--target-flexion-deg", 70), ("--workers", 1)):
        assert command("batch", drop, *words).exit_code == 0
    assert len(_started(log)) == 2


# --- the real thing ----------------------------------------------------------------------------


@pytest.mark.slow
def test_a_real_clip_goes_through_the_folder_into_the_record(folder, drop):
    (drop / "P01").mkdir()
    shutil.copy(SAMPLE, drop / "P01" / "IMG_0001.mp4")
    (drop / "P01" / "patient.toml").write_text('surgical_side = "left"\nstature_cm = 172\n')
    (drop / "P01" / "IMG_0002.mp4").write_text("not a video")
    assert CliRunner().invoke(main, ["patient", "add", "P01"]).exit_code == 0
    done = CliRunner().invoke(main, ["watch", str(drop), "--once", "--no-annotated-clip"])
    assert done.exit_code == 1
    assert "IMG_0002.mp4 is not a video" in done.stderr
    assert done.stdout.splitlines()[-1] == "2 clips: 1 done, 1 needs attention"
    with open_record(folder) as record:
        (stored,) = read_analyses(record, "P01")
    assert stored.values["exercise"] == "jump"
    assert stored.values["stature_m"] == 1.72
    assert len(stored.tables["rep"]) >= 6
    measured = [row for row in stored.tables["measure"] if row["value"] is not None]
    assert len(measured) > 100
    assert all(row["sd"] > 0 for row in measured)
    report = folder.path / stored.values["report"]
    assert {path.name for path in report.iterdir()} == {
        "analysis.json", "landmarks.parquet", "report.html", "reps.csv",
    }  # fmt: skip
    again = CliRunner().invoke(
        main,
        ["batch", str(drop), "--no-annotated-clip", "--renew", "--target-flexion-deg", "70"],
    )
    assert again.stdout.splitlines()[-1] == "2 clips: 1 done, 1 needs attention"
    with open_record(folder) as record:
        first, second = read_analyses(record, "P01", history=True)
    assert first.tables["rep"] == tuple(
        {**row, "id": old["id"], "analysis_id": old["analysis_id"]}
        for row, old in zip(second.tables["rep"], first.tables["rep"], strict=True)
    )
    assert (first.values["target_flexion_deg"], second.values["target_flexion_deg"]) == (60, 70)
