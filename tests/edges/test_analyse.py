"""The whole job on stored landmarks: what is written, kept, and never half-written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from page import read_page
from stick_patient import jump_plan, make_clip, make_motion, make_poses, make_squats

from landing_analysis import analysing
from landing_analysis.analysing import analyse_clip, analyse_paths, prepare_out_dir
from landing_analysis.errors import CacheError, OutputError
from landing_analysis.findings.limits import read_limits
from landing_analysis.landmarks.storage import write_landmarks
from landing_analysis.reasons import Code
from landing_analysis.stages import Options, finding
from landing_analysis.tables import LIMBS

OPTIONS = Options(surgical_side="right", limits=read_limits())
FOLDER = f"jumps_front_{'c' * 12}"
WRITTEN = {"analysis.json", "landmarks.parquet", "report.html", "reps.csv"}


def _store(path: Path, landmarks=None, file: str = "P07 jumps.mp4", sha256: str = "c" * 64) -> Path:
    landmarks = landmarks or make_motion(jump_plan(4), "front", LIMBS)[0]
    path.parent.mkdir(parents=True, exist_ok=True)
    write_landmarks(path, make_poses(landmarks), make_clip(landmarks, file, sha256))
    return path


def _names(folder: Path) -> set[str]:
    return {item.name for item in folder.iterdir()}


def test_stored_landmarks_give_a_whole_report_without_a_video(tmp_path):
    outcome = analyse_clip(_store(tmp_path / "a.parquet"), tmp_path / "out", OPTIONS)
    folder = tmp_path / "out" / FOLDER
    assert outcome.report == folder / "report.html"
    assert _names(folder) == WRITTEN
    assert "stick figures stand in" in read_page(outcome.report.read_text("utf-8")).text
    document = json.loads((folder / "analysis.json").read_text("utf-8"))
    assert document["decided"]["surgical_side"] == "right"
    assert [rep["number"] for rep in document["reps"]] == [1, 2, 3, 4]
    assert document["provenance"]["settings"]["target_flexion_deg"] == 60.0


@pytest.mark.usefixtures("without_plots")
def test_a_report_can_be_made_again_from_what_lies_beside_it(tmp_path):
    first = analyse_clip(_store(tmp_path / "a.parquet"), tmp_path / "out", OPTIONS)
    stored = first.report.parent / "landmarks.parquet"
    again = analyse_clip(stored, tmp_path / "out", OPTIONS)
    assert again.report == first.report
    assert _names(first.report.parent) == WRITTEN
    assert again.analysis.measures == first.analysis.measures


def test_no_output_names_a_folder_of_this_machine(tmp_path):
    outcome = analyse_clip(_store(tmp_path / "a.parquet"), tmp_path / "out", OPTIONS)
    for name in WRITTEN:
        assert str(tmp_path).encode() not in (outcome.report.parent / name).read_bytes()


@pytest.mark.usefixtures("without_plots")
def test_a_clinicians_own_files_survive_the_next_analysis(tmp_path):
    stored = _store(tmp_path / "a.parquet")
    folder = analyse_clip(stored, tmp_path / "out", OPTIONS).report.parent
    (folder / "notes.txt").write_text("better than last week")
    (folder / "annotated.mp4").write_bytes(b"drawn earlier")
    analyse_clip(stored, tmp_path / "out", OPTIONS)
    assert (folder / "notes.txt").read_text() == "better than last week"
    assert _names(folder) == WRITTEN | {"notes.txt", "annotated.mp4"}
    assert 'href="annotated.mp4"' in (folder / "report.html").read_text("utf-8")


@pytest.mark.usefixtures("without_plots")
@pytest.mark.parametrize("stop", [RuntimeError("a bug"), KeyboardInterrupt()], ids=repr)
def test_a_run_that_stops_half_way_leaves_the_earlier_report_as_it_was(tmp_path, monkeypatch, stop):
    stored = _store(tmp_path / "a.parquet")
    folder = analyse_clip(stored, tmp_path / "out", OPTIONS).report.parent
    before = {item.name: item.read_bytes() for item in folder.iterdir()}

    def stopped(analysis):
        raise stop

    monkeypatch.setattr(analysing, "reps_csv", stopped)
    with pytest.raises(type(stop)):
        analyse_clip(stored, tmp_path / "out", Options())
    assert {item.name: item.read_bytes() for item in folder.iterdir()} == before
    assert _names(tmp_path / "out") == {folder.name}


def test_a_first_run_that_stops_leaves_no_report_behind(tmp_path, monkeypatch):
    def stopped(analysis):
        raise KeyboardInterrupt

    monkeypatch.setattr(analysing, "analysis_json", stopped)
    with pytest.raises(KeyboardInterrupt):
        analyse_clip(_store(tmp_path / "a.parquet"), tmp_path / "out", OPTIONS)
    assert _names(tmp_path / "out" / FOLDER) == {"landmarks.parquet"}
    assert _names(tmp_path / "out") == {FOLDER}


@pytest.mark.usefixtures("without_plots")
def test_two_clips_of_one_name_do_not_overwrite_each_other(tmp_path):
    one = _store(tmp_path / "one" / "a.parquet", sha256="1" * 64)
    two = _store(tmp_path / "two" / "a.parquet", sha256="2" * 64)
    for _ in range(2):
        done = list(analyse_paths((one, two), tmp_path / "out", OPTIONS))
    names = [f"jumps_front_{'1' * 12}", f"jumps_front_{'2' * 12}"]
    assert [o.report.parent.name for o in done] == names
    assert _names(tmp_path / "out") == set(names)


@pytest.mark.usefixtures("without_plots")
def test_a_bad_clip_never_stops_the_rest(tmp_path):
    text = tmp_path / "text.mp4"
    text.write_text("not a video")
    paths = (tmp_path / "missing.mp4", text, _store(tmp_path / "a.parquet"))
    bad, worse, good = analyse_paths(paths, tmp_path / "out", OPTIONS)
    assert "missing.mp4" in bad.error
    assert "text.mp4" in worse.error
    assert good.error is None
    assert _names(tmp_path / "out") == {FOLDER}


def test_an_unforeseen_error_is_one_sentence_and_keeps_the_exception(tmp_path, monkeypatch):
    def broken(*_):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(finding, "measure_reps", broken)
    stored = _store(tmp_path / "a.parquet")
    outcomes = list(analyse_paths((stored, tmp_path / "no.mp4"), tmp_path / "out", OPTIONS))
    assert len(outcomes) == 2
    assert isinstance(outcomes[0].unexpected, ZeroDivisionError)
    assert "--debug" in outcomes[0].error
    assert "\n" not in outcomes[0].error


def test_squats_are_analysed_and_have_no_reps(tmp_path):
    stored = _store(tmp_path / "a.parquet", make_squats(), "P03_squats.mp4")
    outcome = analyse_clip(stored, tmp_path / "out", OPTIONS)
    assert outcome.analysis.reps.reps == ()
    assert outcome.analysis.contacts.contacts == ()
    assert "No flight was found" in read_page(outcome.report.read_text("utf-8")).text
    assert (outcome.report.parent / "reps.csv").read_text("utf-8").count("\n") == 1


def test_a_damaged_table_is_refused_and_nothing_is_written(tmp_path):
    broken = tmp_path / "landmarks.parquet"
    broken.write_bytes(b"PAR1 and nothing more")
    with pytest.raises(CacheError):
        analyse_clip(broken, tmp_path / "out", OPTIONS)
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_made_is_refused_before_any_work(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match="cannot be written"):
        prepare_out_dir(tmp_path / "file" / "reports")


@pytest.mark.usefixtures("without_plots")
def test_given_exercise_view_and_person_overrule_what_was_seen(tmp_path):
    options = Options(exercise="hop", view="back", person=1)
    decided = analyse_clip(
        _store(tmp_path / "a.parquet"), tmp_path / "out", options
    ).analysis.decided
    assert (decided.exercise, decided.exercise_origin) == ("hop", "given")
    assert (decided.view, decided.view_origin) == ("back", "given")
    assert decided.patient_reason.code is Code.GIVEN_BY_CLINICIAN
