"""Whatever lies in a drop folder costs its own line at most; `fuzz.folder` has the long run."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from fuzz import folder as fuzz_folder
from fuzz.container import listed
from stand_in import add_patients, job, open_record, run, stand_in, template_document, tiny_clip

from landing_analysis.commands.main import main
from landing_analysis.errors import MissingClipError, PatientError, SettingsError
from landing_analysis.files import printable, read_document
from landing_analysis.findings.limits import read_limits
from landing_analysis.folder import entries, queue
from landing_analysis.folder.entries import check_clip
from landing_analysis.folder.look import look
from landing_analysis.folder.watch import woken_by_events
from landing_analysis.patients import LARGEST_DESCRIPTION, read_description
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.settings import WatchSettings
from landing_analysis.video.clips import list_clips
from landing_analysis.video.recording import file_time, recording_date

TEMPLATE = template_document()
PAST_64_BITS_S = 9_300_000_000  # the year 2264: nanoseconds since 1970 need 64 bits and a sign

pytestmark = pytest.mark.skipif(os.name != "posix", reason="entries of POSIX systems")


@pytest.fixture
def folder(tmp_path, monkeypatch) -> DataFolder:
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / "data"))
    return data_folder()


@pytest.fixture
def drop(tmp_path) -> Path:
    tiny_clip(tmp_path / "drop" / "P01" / "good.mp4", 1)
    return tmp_path / "drop"


@pytest.fixture
def log(tmp_path) -> Path:
    path = tmp_path / "log"
    path.touch()
    return path


def lines_of(folder: DataFolder, root: Path) -> dict[str, tuple[str, str | None]]:
    with open_record(folder) as record:
        return {line.file: (line.state, line.reason) for line in queue.states_in(record, root)}


def worked_through(folder: DataFolder, root: Path, log: Path) -> dict[str, tuple[str, str | None]]:
    run(folder, job(root, stand_in(TEMPLATE, log)))
    return lines_of(folder, root)


# --- the folder as a whole -----------------------------------------------------------------------


@pytest.mark.skipif(sys.platform != "linux", reason="other disks refuse such names")
def test_odd_entries_never_stop_the_good_clips_beside_them():
    outcomes, findings = fuzz_folder.run(16, seed=1)
    assert not findings, listed(findings)
    assert outcomes["good ones done, others said"] > 8  # not all entries are harmless


def test_a_seed_fills_a_folder_always_alike(tmp_path):
    clips = [bytes([k]) * 100 for k in range(13)]
    one, other, third = (
        fuzz_folder.fill(tmp_path / str(k), clips, seed) for k, seed in enumerate((7, 7, 8))
    )
    fuzz_folder.remove(tmp_path / "0"), fuzz_folder.remove(tmp_path / "1")
    fuzz_folder.remove(tmp_path / "2")
    assert one == other != third


# --- times ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("time_s", [PAST_64_BITS_S, -2_000_000_000, 0])
def test_a_file_time_that_is_no_day_of_recording_costs_its_own_line(folder, drop, log, time_s):
    odd = tiny_clip(drop / "P01" / "odd.mp4", 2)
    os.utime(odd, (time_s, time_s))
    if odd.stat().st_mtime != time_s:
        pytest.skip("this disk keeps no such time")
    lines = worked_through(folder, drop, log)
    assert lines["P01/good.mp4"][0] == "done"
    state, reason = lines["P01/odd.mp4"]
    assert state == "needs attention"
    assert "on which day it was recorded; put day and time into its name" in reason
    odd.rename(odd.with_name("odd_20260304_101112.mp4"))
    assert worked_through(folder, drop, log)["P01/odd_20260304_101112.mp4"] == ("done", None)


def test_a_time_that_the_record_cannot_hold_still_tells_a_change():
    def facts(time_ns: int) -> SimpleNamespace:
        return SimpleNamespace(st_size=1, st_mtime_ns=time_ns)

    known = queue.Dropped(Path("a.mp4"), 1, 2**63 - 1, 0.0)
    assert known.is_as(facts(2**63 + 5))
    assert not known.is_as(facts(5))
    assert queue.Dropped(Path("a.mp4"), 1, 1 - 2**63, 0.0).is_as(facts(-(2**70)))


def test_a_time_in_no_calendar_is_no_time():
    now = datetime(2026, 11, 25, tzinfo=UTC)
    for time_s in (1e18, float("nan"), -1e15):
        assert file_time(SimpleNamespace(st_mtime=time_s)) is None
    assert recording_date({}, "a.mp4", None, now) is None
    assert recording_date({}, "a.mp4", datetime(2300, 1, 1, tzinfo=UTC), now) is None
    assert recording_date({}, "VID_20260304_101112.mp4", None, now).found_in == "file name"


# --- folders -------------------------------------------------------------------------------------


@pytest.fixture
def deep(drop):
    """Nest folders 1500 deep, with a clip at the bottom, and delete them again afterwards."""
    here = os.open(drop, os.O_RDONLY)
    for _ in range(1500):
        os.mkdir("d", dir_fd=here)
        below = os.open("d", os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = below
    os.close(os.open("x.mp4", os.O_CREAT, dir_fd=here))
    os.close(here)
    yield drop
    subprocess.run(["rm", "-rf", drop / "d"], check=True)


def test_folders_nested_too_deep_cost_one_line(folder, deep, log):
    lines = worked_through(folder, deep, log)
    assert lines.pop("P01/good.mp4") == ("done", None)
    ((file, (state, reason)),) = lines.items()
    deepest = WatchSettings().deepest_folder
    assert file == "/".join("d" * (deepest + 1))
    assert (state, reason) == (
        "needs attention",
        f"this folder lies more than {deepest} folders down; move its clips up.",
    )


def test_folders_nested_too_deep_leave_the_poll(deep):
    wake = threading.Event()
    with woken_by_events(deep, wake):
        pass  # with or without events, it goes on


def test_a_clip_as_deep_as_is_looked_is_found(folder, drop, log):
    deepest = WatchSettings().deepest_folder
    place = drop.joinpath("P01", *("d" * (deepest - 1)))
    tiny_clip(place / "a.mp4", 2)
    tiny_clip(place / "e" / "b.mp4", 3)
    lines = worked_through(folder, drop, log)
    assert lines[f"{(place / 'a.mp4').relative_to(drop)}"] == ("done", None)
    assert lines[f"{(place / 'e').relative_to(drop)}"][0] == "needs attention"
    assert len(lines) == 3


def test_a_folder_that_cannot_be_listed_costs_one_line(folder, drop, log, monkeypatch):
    closed = drop / "P02"
    tiny_clip(closed / "a.mp4", 2)
    listed_now = entries._listed

    def forbidden(place: Path) -> list[os.DirEntry[str]]:
        if place == closed:
            raise PermissionError(13, "Permission denied")
        return listed_now(place)

    monkeypatch.setattr(entries, "_listed", forbidden)
    lines = worked_through(folder, drop, log)
    assert lines["P01/good.mp4"][0] == "done"
    assert lines["P02"] == (
        "needs attention",
        "this folder cannot be looked into (Permission denied); change its rights or its name.",
    )
    monkeypatch.undo()
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(folder.path))
    assert "P02" not in worked_through(folder, drop, log)


def test_an_error_that_nobody_foresaw_costs_one_line(folder, drop, log):
    tiny_clip(drop / "P01" / "odd.mp4", 2)

    def check(path: Path) -> object:
        if path.name == "odd.mp4":
            raise ZeroDivisionError("of nothing")
        return check_clip(path)

    run(folder, job(drop, stand_in(TEMPLATE, log), check=check))
    lines = lines_of(folder, drop)
    assert lines["P01/good.mp4"][0] == "done"
    assert lines["P01/odd.mp4"] == (
        "needs attention",
        "it met an unforeseen error (ZeroDivisionError: of nothing).",
    )


def test_a_long_clip_says_how_long_it_takes_when_its_analysis_begins(folder, drop, log):
    said: list[queue.ClipState] = []
    work = job(drop, stand_in(TEMPLATE, log), say=said.append)
    with open_record(folder) as record:
        add_patients(record, drop)
        look(record, drop, work.settings, check_clip)
        with record.change() as connection:
            connection.execute("UPDATE clip SET frames = 90000")
    run(folder, work)
    assert [(line.state, line.reason) for line in said] == [
        ("waiting", None),
        ("analysing", "90,000 frames, which take about 60 minutes."),
        ("done", None),
    ]


# --- text files ----------------------------------------------------------------------------------


def test_a_huge_text_file_costs_its_patient_a_line_and_no_memory(folder, drop, log):
    import resource

    tiny_clip(drop / "P02" / "a.mp4", 2)
    with (drop / "P02" / "patient.toml").open("wb") as file:
        file.truncate(3 << 30)
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    lines = worked_through(folder, drop, log)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 500_000
    assert lines["P01/good.mp4"][0] == "done"
    assert lines["P02/a.mp4"] == (
        "needs attention",
        f"patient.toml of P02 is longer than {LARGEST_DESCRIPTION} bytes; it may hold three short "
        "lines.",
    )


@pytest.mark.parametrize(
    "text",
    ["a = " + "[" * 9000, "stature_cm = " + "9" * 5000, "stature_cm = " + "9" * 400,
     "stature_cm = nan", "stature_cm = -inf", "surgery_date = 10:00:00", "[a]\nb=1", "\0"],
    ids=str.__len__,
)  # fmt: skip
def test_an_odd_text_is_refused_in_one_sentence(text):
    with pytest.raises(PatientError) as caught:
        read_description(text, "P07")
    assert "\n" not in str(caught.value)


def test_text_files_that_are_links_or_pipes_are_left_alone(folder, drop, log, tmp_path):
    (tmp_path / "elsewhere").write_text('surgical_side = "left"\n')
    (drop / "P01" / "patient.toml").symlink_to(tmp_path / "elsewhere")
    tiny_clip(drop / "P02" / "a.mp4", 2)
    os.mkfifo(drop / "P02" / "patient.toml")
    lines = worked_through(folder, drop, log)
    assert {state for state, _ in lines.values()} == {"done"}
    assert "left" not in CliRunner().invoke(main, ["patient", "list"]).stdout


def test_a_huge_or_bottomless_limits_file_is_refused(tmp_path):
    path = tmp_path / "limits.toml"
    path.write_bytes(b"# a remark\n")
    with path.open("r+b") as file:
        file.truncate(3 << 30)
    with pytest.raises(SettingsError, match=r"limits.toml is longer than \d+ bytes"):
        read_limits(path)
    path.write_text("a = " + "[" * 9000)
    with pytest.raises(SettingsError, match="is not valid TOML"):
        read_limits(path)


def test_a_document_of_a_report_that_is_none_is_a_value_error(tmp_path):
    path = tmp_path / "analysis.json"
    path.write_text("[" * 100_000)
    with pytest.raises(ValueError, match="nested too deep"):
        read_document(path)
    with path.open("r+b") as file:
        file.truncate(3 << 30)
    with pytest.raises(ValueError, match="Expecting value"):
        read_document(path)


# --- names ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("two\nlines.mp4", "two\ufffdlines.mp4"),
        ("\x1b[2Jclear.mp4", "\ufffd[2Jclear.mp4"),
        ("\u202e4pm.mp4", "\ufffd4pm.mp4"),
        ("caf\udce9.mp4", "caf\ufffd.mp4"),
        ("Übung 日本.mp4", "Übung 日本.mp4"),
    ],
)
def test_a_name_cannot_write_on_the_screen(folder, drop, log, name, shown):
    tiny_clip(drop / "P01" / "clip.mp4", 2).rename(drop / "P01" / name)
    (drop / f"nobodys {name}").write_bytes(b"no clip")
    assert printable(name) == shown
    assert f"P01/{shown}" in worked_through(folder, drop, log)
    said = CliRunner().invoke(main, ["clips"]).stdout
    assert shown in said
    done = CliRunner().invoke(main, ["analyse", str(drop / f"nobodys {name}"), "--out", str(log)])
    assert name == shown or name not in said + done.output


@pytest.mark.parametrize("place", ["x" * 300 + ".mp4", "x/" * 3000])
def test_a_name_longer_than_the_disk_allows_is_one_sentence(tmp_path, place):
    with pytest.raises(MissingClipError, match=r"cannot be looked into|There is no clip"):
        list_clips(tmp_path / place)


def test_a_link_in_a_loop_is_one_sentence(tmp_path):
    (tmp_path / "loop.mp4").symlink_to("loop.mp4")
    with pytest.raises(MissingClipError):
        list_clips(tmp_path / "loop.mp4")
    assert list_clips(tmp_path) == ()
