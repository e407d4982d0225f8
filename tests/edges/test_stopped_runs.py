"""The command stopped at any moment, run twice at once, or on a full disk."""

from __future__ import annotations

import os
import random
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from filelock import FileLock
from marked_engine import answers, marked_clip, stand_in
from numpy.testing import assert_array_equal

from landing_analysis import analysing
from landing_analysis.analysing import analyse_clip, analyse_paths
from landing_analysis.errors import OutputError
from landing_analysis.files import new_folder, sha256_of, sole_writer
from landing_analysis.folder import watch
from landing_analysis.landmarks import pose, unfinished
from landing_analysis.landmarks.storage import read_landmarks
from landing_analysis.stages import Options
from landing_analysis.tables import short_clip

ROOT = Path(__file__).parents[2]
STOPPED = (
    "Stopped. Nothing is half-written; earlier reports are as they were. "
    "Started again, an analysis goes on from there."
)
WRITTEN = {"report.html", "analysis.json", "reps.csv", "landmarks.parquet", "annotated.mp4"}


def _start(clip: Path, out: Path, slow_s: float = 0.0, **how: object) -> subprocess.Popen:
    paths = [str(ROOT), str(ROOT / "tests"), os.environ.get("PYTHONPATH", "")]
    return subprocess.Popen(
        [sys.executable, "-m", "marked_engine", "analyse", str(clip), "--out", str(out)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths), "MARKED_ENGINE_S": str(slow_s)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # As from a terminal; a job in a shell's background would ignore it.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        **how,
    )


def _wait_for(path: Path, process: subprocess.Popen) -> None:
    while not path.exists() and process.poll() is None:
        time.sleep(0.005)


def _mark(clip: Path) -> str:
    return short_clip(sha256_of(clip))


def _hidden(folder: Path) -> set[str]:
    return {path.name for path in folder.rglob(".*")}


@pytest.fixture
def quick_engine(monkeypatch) -> None:
    monkeypatch.setattr(pose, "engines", stand_in(answers()))


@pytest.fixture
def clip(tmp_path) -> Path:
    marked_clip(tmp_path / "P07_jumps.mp4")
    return tmp_path / "P07_jumps.mp4"


@pytest.mark.parametrize(
    ("number", "code"),
    [
        (signal.SIGINT, 130),
        pytest.param(signal.SIGTERM, 143, marks=pytest.mark.slow),
        (signal.SIGKILL, -9),
    ],
)
def test_stopped_while_it_finds_the_body_it_goes_on(
    tmp_path, clip, number, code, quick_engine, monkeypatch
):
    out = tmp_path / "out"
    process = _start(clip, out, slow_s=0.03)
    _wait_for(out / f".{_mark(clip)}.unfinished" / "0-00002.npz", process)
    process.send_signal(number)
    said = process.communicate()[1].strip()
    assert process.returncode == code
    if code == -9:  # Python itself then takes the pictures' memory away, and says so
        assert not said or ("leaked shared_memory" in said and "Traceback" not in said)
    else:
        assert said == STOPPED
    assert not list(out.glob("[!.]*"))

    looked_at = []
    see = answers()

    def look(rgb: np.ndarray) -> np.ndarray:
        looked_at.append(1)
        return see(rgb)

    monkeypatch.setattr(pose, "engines", stand_in(look))
    outcome = analyse_clip(clip, out, Options())
    frames = outcome.analysis.clip.frames
    assert 0 < len(looked_at) < frames
    assert len(outcome.analysis.reps.reps) == 2
    assert {item.name for item in out.glob("jumps_front_*/*")} == WRITTEN
    assert _hidden(out) == set()
    whole = analyse_clip(clip, tmp_path / "whole", Options())
    assert outcome.analysis.measures == whole.analysis.measures
    stored = [read_landmarks(o.report.parent / "landmarks.parquet")[1] for o in (outcome, whole)]
    assert_array_equal(stored[0].xy_px, stored[1].xy_px)


@pytest.mark.slow
def test_killed_at_random_moments_it_still_comes_to_the_same_end(tmp_path, clip, quick_engine):
    out, moments = tmp_path / "out", random.Random(5)
    for _ in range(12):
        lock = out / f".{_mark(clip)}.lock"
        lock.unlink(missing_ok=True)  # of the last one, who is dead
        process = _start(clip, out, slow_s=0.005)
        _wait_for(lock, process)
        time.sleep(moments.uniform(0.0, 4.0))
        process.kill()
        process.communicate()
        reports = [path for path in out.glob("jumps_front_*/*") if path.name[0] != "."]
        names = {path.name for path in reports}
        assert names in (set(), {"landmarks.parquet"}, WRITTEN)
    outcome = analyse_clip(clip, out, Options())
    whole = analyse_clip(clip, tmp_path / "whole", Options())
    assert outcome.analysis.measures == whole.analysis.measures
    assert _hidden(out) == set()


def test_a_second_run_on_the_same_place_says_so_and_leaves_it_alone(tmp_path, clip, quick_engine):
    out = tmp_path / "out"
    process = _start(clip, out, slow_s=0.02)
    _wait_for(out / f".{_mark(clip)}.unfinished", process)
    (second,) = analyse_paths((clip,), out, Options())
    assert "is being written by another analysis" in second.error
    assert process.wait() == 0
    process.communicate()
    assert {item.name for item in out.glob("jumps_front_*/*")} == WRITTEN
    assert _hidden(out) == set()
    (third,) = analyse_paths((clip,), out, Options())
    assert third.error is None


def test_a_place_is_ones_own_until_it_is_given_back(tmp_path):
    with sole_writer(tmp_path / "P07"):
        for other in ("P07_jumps", "P0", "P07.1"):
            with sole_writer(tmp_path / other):
                pass
        with pytest.raises(OutputError, match="another analysis"), sole_writer(tmp_path / "P07"):
            pass
    with sole_writer(tmp_path / "P07"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_what_a_killed_process_left_is_cleared_and_nothing_else(tmp_path):
    ours = [f".P07.{'a' * 32}.part", f".jumps_P07.{'b' * 32}.part", f".P07.{'c' * 32}.replaced"]
    others = [f".P07_jumps.{'a' * 32}.part", ".P07.notes", "P07_jumps", f".P08.{'a' * 32}.part"]
    for name in (*ours, *others, "P07"):
        (tmp_path / name).mkdir()
        (tmp_path / name / f".landmarks.parquet.{'d' * 32}.part").write_text("half")
        (tmp_path / name / "notes.txt").write_text("better")
    with sole_writer(tmp_path / "P07"):
        pass
    assert {path.name for path in tmp_path.iterdir()} == {*others, "P07"}
    assert {path.name for path in (tmp_path / "P07").iterdir()} == {"notes.txt"}


def test_a_report_that_was_set_aside_at_the_moment_of_a_kill_comes_back(tmp_path, monkeypatch):
    report = tmp_path / "P07"
    report.mkdir()
    (report / "report.html").write_text("earlier")
    rename = Path.rename

    def killed(path: Path, to: Path) -> Path:
        if to == report:
            os._exit(9)
        return rename(path, to)

    pid = os.fork()
    if not pid:
        monkeypatch.setattr(Path, "rename", killed)
        with new_folder(report):
            pass
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 9
    assert not report.exists()
    with sole_writer(report):
        assert (report / "report.html").read_text() == "earlier"
    assert [path.name for path in tmp_path.iterdir()] == ["P07"]


def test_a_killed_run_frees_its_place(tmp_path):
    lock = tmp_path / ".P07.lock"
    lock.touch()  # what a killed process leaves: the file, held by nobody
    with sole_writer(tmp_path / "P07"):
        assert lock.exists()
    assert not lock.exists()
    with FileLock(lock), pytest.raises(OutputError), sole_writer(tmp_path / "P07"):
        pass


def test_the_drop_folder_keeps_what_was_found_of_a_clip_and_clears_the_rest(tmp_path):
    aside = tmp_path / "work" / "abc"
    kept = [aside / ".P07.unfinished" / "00000.npz", aside / "P07" / "landmarks.parquet"]
    cleared = [aside / "P07" / "report.html", aside / f".P07.{'a' * 32}.part" / "analysis.json"]
    for path in (*kept, *cleared):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
    watch._prepare(aside, tmp_path / "reports" / "P07-01234567", "0" * 64)
    assert [path.exists() for path in (*kept, *cleared)] == [True, True, False, False]


@contextmanager
def _full_disk() -> Iterator[None]:
    """Let no file grow beyond 100 bytes: the system refuses more as on a full disk."""
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100, limits[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, before)


WRITERS = {
    "parts": (unfinished.Parts, "_store_part"),
    "landmarks": (analysing, "write_landmarks"),
    "documents": (analysing, "write_text"),
    "annotated clip": (analysing, "_annotate"),
    "files of others": (analysing, "_keep_other_files"),
}


@pytest.mark.parametrize("step", WRITERS)
def test_a_full_disk_is_one_sentence_and_costs_no_earlier_report(
    tmp_path, clip, quick_engine, monkeypatch, step
):
    out = tmp_path / "out"
    monkeypatch.setattr(unfinished, "_EVERY_S", 0.0 if step == "parts" else 100.0)
    if step != "parts":
        report = analyse_clip(clip, out, Options(annotated_clip=False)).report
        report.with_name("notes.txt").write_text("better than last week\n" * 20)
    earlier = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    owner, name = WRITERS[step]
    write = getattr(owner, name)

    def on_a_full_disk(*given: object) -> object:
        with _full_disk():
            return write(*given)

    @contextmanager
    def meanwhile_on_a_full_disk(*given: object) -> Iterator[None]:
        with _full_disk(), write(*given):
            yield

    in_its_place = meanwhile_on_a_full_disk if step == "annotated clip" else on_a_full_disk

    with monkeypatch.context() as patch:
        patch.setattr(owner, name, in_its_place)
        (outcome,) = analyse_paths((clip,), out, Options())
    assert "cannot be written" in outcome.error
    assert outcome.unexpected is None
    assert "\n" not in outcome.error
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == earlier
    (outcome,) = analyse_paths((clip,), out, Options(annotated_clip=False))
    assert outcome.error is None
