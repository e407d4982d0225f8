"""Several clips at once: on the cores of this machine, and on a cluster whose workers may die."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from stand_in import add_patients, job, stand_in, template_document, tiny_clip

from landing_analysis.commands.main import main
from landing_analysis.folder import queue, watch
from landing_analysis.folder.worker import Analyse, Result
from landing_analysis.progress import StartProgress
from landing_analysis.record.backups import fault_in
from landing_analysis.record.database import open_record
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.stages import Options

TEMPLATE = template_document()
PATIENCE_S = 120.0


@pytest.fixture
def folder(tmp_path) -> DataFolder:
    return data_folder(tmp_path / "data")


@pytest.fixture
def drop(tmp_path) -> Path:
    for k in range(6):
        tiny_clip(tmp_path / "drop" / f"P{k % 2}" / f"{k}.mp4", k)
    return tmp_path / "drop"


def _work(folder: DataFolder, todo: watch.Job) -> list[queue.ClipState]:
    with open_record(folder) as record:
        add_patients(record, todo.root)
        return list(watch.work_through(record, todo))


def _assert_each_done_once(folder: DataFolder, clips: int) -> None:
    with open_record(folder) as record:
        per_clip = [row[0] for row in record.rows("SELECT count(*) FROM analysis GROUP BY clip_id")]
        assert per_clip == [1] * clips
        assert fault_in(record.connection) is None
    assert list(folder.workers.iterdir()) == []
    assert list(folder.work.iterdir()) == []


# --- on this machine ---------------------------------------------------------------------------


@pytest.mark.parametrize(("cores", "clips"), [(1, 1), (2, 2), (4, 2), (8, 4), (64, 32)])
def test_two_clips_or_one_for_every_two_cores_are_analysed_at_once(cores, clips):
    assert watch.at_once_on(cores) == clips


def test_clips_are_analysed_at_once_and_share_the_cores(folder, drop, tmp_path):
    together, given = threading.Barrier(2), []
    quick = stand_in(TEMPLATE, tmp_path / "log")

    def meeting(path: Path, out_dir: Path, options: Options, start: StartProgress) -> Result:
        given.append(options.settings.pose.workers)
        together.wait(PATIENCE_S)  # nobody goes on before another one has come
        return quick(path, out_dir, options, start)

    states = _work(folder, job(drop, meeting, at_once=2))
    assert {state.state for state in states} == {"done"}
    assert given[:2] == [1, 1]  # of the two that are the usual number
    _assert_each_done_once(folder, 6)


def test_one_that_fails_leaves_the_others_alone(folder, drop, tmp_path):
    quick = stand_in(TEMPLATE, tmp_path / "log")

    def failing(path: Path, out_dir: Path, options: Options, start: StartProgress) -> Result:
        if path.name == "3.mp4":
            raise RuntimeError("of all things")
        return quick(path, out_dir, options, start)

    for _ in range(3):
        states = {s.file: s for s in _work(folder, job(drop, failing, at_once=3))}
    assert states.pop("P1/3.mp4").state == "needs attention"
    assert {state.state for state in states.values()} == {"done"}


def test_when_it_is_stopped_all_in_hand_wait_again(folder, drop):
    together, stopped = threading.Barrier(2), threading.Event()

    def endless(*_: object) -> Result:
        if together.wait(PATIENCE_S) == 0:
            os.kill(os.getpid(), signal.SIGINT)
        assert stopped.wait(PATIENCE_S)
        raise RuntimeError("killed")

    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored in the background
    try:
        with pytest.raises(KeyboardInterrupt):
            _work(folder, job(drop, endless, at_once=2, give_up=stopped.set))
    finally:
        signal.signal(signal.SIGINT, before)
    assert stopped.is_set()
    with open_record(folder) as record:
        assert [state.state for state in queue.states_in(record, drop)] == ["waiting"] * 6


# --- on a cluster ------------------------------------------------------------------------------


def _first_call_kills(template: dict, place: Path) -> Analyse:
    """Return an analysis whose first call, wherever it is, ends its whole process."""
    quick = stand_in(template, place / "log")

    def analyse(path: Path, out_dir: Path, options: Options, start: StartProgress) -> Result:
        try:
            (place / "killed").touch(exist_ok=False)
        except FileExistsError:
            return quick(path, out_dir, options, start)
        os.kill(os.getpid(), signal.SIGKILL)
        raise AssertionError("it is dead")

    return analyse


@pytest.fixture
def cluster() -> Iterator[str]:
    """The address of a cluster of two workers on this machine, each a process of its own."""
    distributed = pytest.importorskip(
        "distributed", reason="needs dask.distributed: pip install .[cluster]"
    )
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        host="127.0.0.1",
        dashboard_address=None,
        worker_dashboard_address=None,
        silence_logs=50,
    ) as here:
        yield here.scheduler_address


def test_a_killed_worker_of_a_cluster_loses_nothing_and_its_clip_is_done_again(
    folder, drop, tmp_path, cluster
):
    from landing_analysis.folder.cluster import Cluster, connected

    with connected(cluster) as there:
        assert there.at_once == 2
        deadly = Cluster(there._client, there.at_once, _first_call_kills(TEMPLATE, tmp_path))
        todo = job(drop, deadly.analyse, at_once=deadly.at_once, give_up=deadly.give_up)
        states = _work(folder, todo)
    assert (tmp_path / "killed").exists()
    assert {state.state for state in states} == {"done"}
    assert all((state.report / "report.html").is_file() for state in states)
    _assert_each_done_once(folder, 6)


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (["--on", "tcp://127.0.0.1:9"], 1, "No cluster answers at tcp://127.0.0.1:9"),
        (["--on", "nowhere://x"], 1, "No cluster answers at nowhere://x"),
        (["--on", "tcp://127.0.0.1:9", "--model", "own.task"], 2, "cannot be given with --on"),
    ],
)
def test_a_cluster_that_is_not_there_is_one_sentence(drop, monkeypatch, words, code, sentence):
    pytest.importorskip("distributed", reason="needs dask.distributed: pip install .[cluster]")
    from landing_analysis.folder import cluster

    monkeypatch.setattr(cluster, "_ANSWERS_S", 0.2)
    done = CliRunner().invoke(main, ["batch", str(drop), *words])
    assert done.exit_code == code
    assert sentence in done.stderr
    assert "Traceback" not in done.stderr


def test_without_the_library_the_extra_is_named(drop, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = CliRunner().invoke(main, ["batch", str(drop), "--on", "tcp://127.0.0.1:9"])
    assert done.exit_code == 1
    assert "landing-analysis[cluster]" in done.stderr
