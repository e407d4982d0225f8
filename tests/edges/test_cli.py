"""The command as a clinician meets it: help, bad input, exit codes, the last line."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest
from click.testing import CliRunner
from stick_patient import jump_plan, make_clip, make_motion, make_poses, make_squats

from landing_analysis.commands import bar as bars
from landing_analysis.commands.analyse import analyse
from landing_analysis.commands.main import main
from landing_analysis.landmarks.storage import write_landmarks
from landing_analysis.progress import NO_PROGRESS
from landing_analysis.stages import finding
from landing_analysis.tables import LIMBS
from landing_analysis.video.clips import write_clip

pytestmark = pytest.mark.usefixtures("without_plots")


def _run(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


def _store(path: Path, file: str, landmarks=None) -> Path:
    landmarks = landmarks or make_motion(jump_plan(4), "front", LIMBS)[0]
    write_landmarks(
        path, make_poses(landmarks), make_clip(landmarks, file, file[:1].ljust(64, "0"))
    )
    return path


def _one_sentence(text: str) -> None:
    assert "Traceback" not in text
    assert text.strip()


# --- help ------------------------------------------------------------------------------------


HEAVY = {"ai_edge_litert", "cv2", "matplotlib", "av", "scipy", "pyarrow", "jinja2", "pandas"}
LIGHT = {"numpy", "landing_analysis.tables", "landing_analysis.settings"}


@pytest.mark.parametrize(
    ("words", "not_needed"),
    [(["--help"], HEAVY | LIGHT), (["--version"], HEAVY | LIGHT), (["analyse", "--help"], HEAVY)],
)
def test_help_loads_none_of_the_libraries_that_it_does_not_need(words, not_needed):
    program = (
        "from landing_analysis.commands.main import main\n"
        f"sys.argv = ['landing-analysis', *{words!r}]\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code"
    )
    assert _loaded_by(program, not_needed) == "[]"


def _loaded_by(program: str, watched: set[str]) -> str:
    """Return which of some modules a program has loaded when it ends."""
    told = f"\nprint(sorted({watched!r} & set(sys.modules)), file=sys.stderr)\n"
    done = subprocess.run(
        [sys.executable, "-c", "import sys\n" + program + told],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stderr.strip()


def test_an_analysis_of_one_person_starts_without_the_slowest_libraries(tmp_path):
    words = ["analyse", str(_store(tmp_path / "a.parquet", "P07.mp4"))]
    words += ["--out", str(tmp_path / "out")]
    program = (
        "from landing_analysis.commands.main import main\n"
        f"try:\n    main({words!r})\nexcept SystemExit as end:\n    assert not end.code"
    )
    assert _loaded_by(program, {"scipy.signal", "pandas", "ai_edge_litert"}) == "[]"


def test_drawing_the_clip_loads_no_library_for_plots():
    assert _loaded_by("import landing_analysis.report.annotated", {"matplotlib", "scipy"}) == "[]"


def test_each_command_is_found_by_its_name_and_says_what_it_does():
    listed = _run("--help").output
    for name in main.list_commands(None):
        assert main.get_command(None, name).name == name
        assert f"  {name} " in listed
    assert main.get_command(None, "analyze") is None


def test_help_names_every_option_every_file_and_every_exit_code():
    text = _run("analyse", "--help").output
    for option in analyse.params:
        assert max(option.opts, key=len).lstrip("-") in text or option.name == "paths"
    for name in ("report.html", "reps.csv", "annotated.mp4", "analysis.json", "landmarks.parquet"):
        assert name in text
    for code in ("0  all", "1  some", "2  wrong use", "130  stopped"):
        assert code in text
    assert "landing-analysis analyse P07_jumps.mp4 --out reports" in text


@pytest.mark.parametrize("command", ["open", "watch"])
def test_a_folder_that_is_not_there_is_not_watched(tmp_path, command):
    done = _run(command, tmp_path / "nowhere", "--data", tmp_path / "data")
    assert done.exit_code == 1
    assert done.stderr == f"Error: There is no folder {tmp_path / 'nowhere'}; check the name.\n"


# --- good input --------------------------------------------------------------------------------


def test_the_last_line_is_the_page_to_open(tmp_path):
    stored = _store(tmp_path / "a.parquet", "P07_jumps.mp4")
    done = _run("analyse", stored, "--out", tmp_path / "out", "--surgical-side", "left")
    assert done.exit_code == 0
    (report,) = tmp_path.glob("out/*/report.html")
    assert done.stdout.splitlines()[-1] == str(report)
    table = done.stdout.splitlines()
    row = next(line for line in table if line.startswith(f"{tmp_path.name}/a.parquet"))
    assert row.split()[1:5] == ["front", "jumps", "4", "8"]
    assert str(report) in row


def test_several_clips_end_with_a_page_that_links_their_reports(tmp_path):
    one = _store(tmp_path / "a.parquet", "a_jumps.mp4")
    two = _store(tmp_path / "b.parquet", "b squats & more.mp4", make_squats())
    done = _run("analyse", one, two, "--out", tmp_path / "out")
    assert done.exit_code == 0
    index = tmp_path / "out" / "index.html"
    assert done.stdout.splitlines()[-1] == str(index)
    page = index.read_text("utf-8")
    assert 'href="jumps_front_a00000000000/report.html">a00000000000</a>' in page
    assert 'href="no-reps_front_b00000000000/report.html">b00000000000</a>' in page
    assert "4, 4 used" in page


def test_squats_are_no_error_and_are_named(tmp_path):
    stored = _store(tmp_path / "a.parquet", "P03_squats.mp4", make_squats())
    done = _run("analyse", stored, "--out", tmp_path / "out")
    assert done.exit_code == 0
    assert f"{tmp_path.name}/a.parquet: no flight was found in this clip" in done.stdout


def test_options_reach_the_analysis(tmp_path):
    stored = _store(tmp_path / "a.parquet", "P07_jumps.mp4")
    done = _run("analyse", stored, "--out", tmp_path / "out", "--view", "left-side",
                "--stature-cm", "181", "--target-flexion-deg", "75",
                "--exercise", "hop")  # fmt: skip
    assert done.exit_code == 0
    text = next(tmp_path.glob("out/*/report.html")).read_text("utf-8")
    for words in ("Left side", "181 cm", "75°", "(given)"):
        assert words in text


def test_doubtful_times_are_told_at_the_end_and_the_option_settles_them(tmp_path):
    landmarks = make_motion(jump_plan(4), "front", LIMBS)[0]
    slowed = replace(landmarks, t_s=8 * landmarks.t_s)
    stored = _store(tmp_path / "a.parquet", "P07_slow.mp4", slowed)
    done = _run("analyse", stored, "--out", tmp_path / "out")
    assert done.exit_code == 0
    (told,) = [line for line in done.stdout.splitlines() if "--slowed-by 8" in line]
    assert told.startswith(f"{tmp_path.name}/a.parquet: ")
    done = _run("analyse", stored, "--out", tmp_path / "out", "--slowed-by", "8")
    assert "--slowed-by" not in done.stdout
    table = next(tmp_path.glob("out/*/reps.csv")).read_text("utf-8")
    assert "--slowed-by" not in table


def test_a_copy_under_another_name_is_analysed_once_and_said(tmp_path):
    one = _store(tmp_path / "a.parquet", "P07_jumps.mp4")
    copy = tmp_path / "b.parquet"
    copy.write_bytes(one.read_bytes())
    done = _run("analyse", one, copy, "--out", tmp_path / "out")
    assert done.exit_code == 0
    assert done.stderr.strip() == "b.parquet is a copy of a.parquet; left out."
    assert done.stdout.splitlines()[-1].endswith("jumps_front_P00000000000/report.html")


# --- bad input ---------------------------------------------------------------------------------


def _bad_clips(folder: Path) -> dict[str, Path]:
    folder.mkdir()
    (folder / "text.mp4").write_text("This is not a video.\n" * 50)
    (folder / "empty.mp4").write_bytes(b"")
    with av.open(str(folder / "sound.mp4"), "w") as container:
        stream = container.add_stream("aac", rate=44100)
        for k in range(20):
            frame = av.AudioFrame.from_ndarray(
                np.zeros((1, 1024), np.float32), format="fltp", layout="mono"
            )
            frame.sample_rate, frame.pts = 44100, 1024 * k
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return {name: folder / name for name in ("text.mp4", "empty.mp4", "sound.mp4", "missing.mp4")}


@pytest.mark.parametrize("name", ["text.mp4", "empty.mp4", "sound.mp4", "missing.mp4"])
def test_a_bad_clip_is_one_sentence_with_its_name_and_code_1(tmp_path, name):
    path = _bad_clips(tmp_path / "clips")[name]
    done = _run("analyse", path, "--out", tmp_path / "out")
    assert done.exit_code == 1
    first, *rest = done.stderr.strip().splitlines()
    assert first.startswith("Not analysed: ")
    assert name in first
    assert rest == ["1 of 1 could not be analysed."]
    assert list((tmp_path / "out").iterdir()) == []


def test_a_clip_with_nobody_in_it_is_one_sentence_and_code_1(tmp_path):
    path = tmp_path / "room.mp4"
    with write_clip(path, 360, 640) as writer:
        for k in range(20):
            writer.write(np.full((640, 360, 3), 140, np.uint8), k / 30)
    done = _run("analyse", path, "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert "No person was found" in done.stderr
    assert list((tmp_path / "out").iterdir()) == []


def test_a_folder_without_clips_is_code_1(tmp_path):
    (tmp_path / "clips").mkdir()
    done = _run("analyse", tmp_path / "clips", "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert "holds no clips" in done.stderr


def test_bad_and_good_together_give_the_good_report_and_code_1(tmp_path):
    bad = _bad_clips(tmp_path / "clips")["text.mp4"]
    good = _store(tmp_path / "a.parquet", "P07_jumps.mp4")
    done = _run("analyse", bad, good, "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert "1 of 2 could not be analysed." in done.stderr
    assert done.stdout.splitlines()[-1].endswith("jumps_front_P00000000000/report.html")


@pytest.mark.parametrize(
    "wrong",
    [
        ["--stature-cm", "17"],
        ["--surgical-side", "both"],
        ["--limits", "no such file.toml"],
        ["--target-flexion-deg", "sixty"],
        ["--person", "0"],
        ["--slowed-by", "0"],
        ["--slowed-by", "eight"],
        ["--nonsense"],
    ],
    ids=" ".join,
)
def test_wrong_use_is_code_2_before_any_work(tmp_path, wrong):
    stored = _store(tmp_path / "a.parquet", "P07_jumps.mp4")
    done = _run("analyse", stored, "--out", tmp_path / "out", *wrong)
    assert done.exit_code == 2
    _one_sentence(done.stderr)
    assert not (tmp_path / "out").exists()


def test_no_out_folder_and_no_path_are_code_2(tmp_path):
    assert _run("analyse", tmp_path).exit_code == 2
    assert _run("analyse", "--out", tmp_path).exit_code == 2


def test_an_output_folder_that_cannot_be_written_is_code_2(tmp_path):
    (tmp_path / "file").write_text("in the way")
    stored = _store(tmp_path / "a.parquet", "P07_jumps.mp4")
    done = _run("analyse", stored, "--out", tmp_path / "file" / "reports")
    assert done.exit_code == 2
    assert "cannot be written" in done.stderr
    _one_sentence(done.stderr)
    assert (tmp_path / "file").read_text() == "in the way"


def test_ctrl_c_is_one_line_and_code_130(tmp_path, monkeypatch):
    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(finding, "measure_reps", interrupted)
    stored = _store(tmp_path / "a.parquet", "P07_jumps.mp4")
    done = _run("analyse", stored, "--out", tmp_path / "out")
    assert done.exit_code == 130
    assert done.stderr.strip().splitlines() == [
        "Stopped. Nothing is half-written; earlier reports are as they were. "
        "Started again, an analysis goes on from there."
    ]
    assert list((tmp_path / "out").iterdir()) == []


def test_an_unforeseen_error_has_a_traceback_only_when_asked_for(tmp_path, monkeypatch):
    def broken(*_):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(finding, "measure_reps", broken)
    stored = _store(tmp_path / "a.parquet", "P07_jumps.mp4")
    done = _run("analyse", stored, "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert "--debug" in done.stderr
    _one_sentence(done.stderr)
    shown = _run("analyse", stored, "--out", tmp_path / "out", "--debug")
    assert isinstance(shown.exception, ZeroDivisionError)


# --- progress ----------------------------------------------------------------------------------


class _Terminal:
    def __init__(self) -> None:
        self.written = ""

    def write(self, text: str) -> int:
        self.written += text
        return len(text)

    def flush(self) -> None:
        pass

    def isatty(self) -> bool:
        return True


def _progress_on_a_terminal(monkeypatch, label: str, steps: int, advances: list[int]) -> _Terminal:
    """Advance a bar every two seconds and return what the terminal was sent."""
    terminal = _Terminal()
    now_s = [1000.0]
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr(bars.time, "monotonic", lambda: now_s[0])
    monkeypatch.setattr(bars.time, "time", lambda: now_s[0])
    bar = bars.start_bar(label, steps)
    for n in advances:
        now_s[0] += 2.0
        bar.advance(n)
    bar.close()
    return terminal


def test_a_terminal_sees_steps_per_second_and_time_left(monkeypatch):
    label = "P07_jumps.mp4: finding the body"
    terminal = _progress_on_a_terminal(monkeypatch, label, 120, [20] * 4)
    last = terminal.written.split("\r")[-1]
    # 80 of 120 frames in 8 s: 10 frames/s, and 4 s left.
    for words in ("P07_jumps.mp4: finding the body", "80/120", "10/s", "00:00:04"):
        assert words in last


def test_a_line_of_progress_fits_into_80_columns(monkeypatch):
    label = "P07_jumps_on_the_gym_floor_second_set.mp4: finding the body"
    terminal = _progress_on_a_terminal(monkeypatch, label, 3600, [1000] * 3)
    for line in terminal.written.split("\r"):
        assert len(line.replace("\x1b[?25l", "").replace("\x1b[?25h", "").strip()) <= 80


def test_a_long_label_keeps_its_count_and_its_end(monkeypatch):
    label = "123 of 500, P07_jumps_on_the_gym_floor.mp4: finding the body"
    terminal = _progress_on_a_terminal(monkeypatch, label, 3600, [1000] * 3)
    last = terminal.written.split("\r")[-1]
    assert "123 of 500" in last
    assert ": finding the body" in last


def test_nobody_looking_means_no_bar():
    assert bars.start_bar("finding the body", 10) is NO_PROGRESS
