"""What a person sets right: kept with who and when, the values follow, nothing is deleted."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner
from page import read_page
from stand_in import AT_ONCE, job, run, tiny_clip
from stick_patient import jump_plan, make_clip, make_motion, make_poses

from landing_analysis.analysing import DATA, LANDMARKS, REPORT, analyse_clip
from landing_analysis.commands.corrections import _wishes
from landing_analysis.commands.main import main
from landing_analysis.corrections import exclude_reps, in_force, landing_s, makes_sense
from landing_analysis.errors import CorrectionError
from landing_analysis.exercises import EXERCISES
from landing_analysis.files import sha256_of
from landing_analysis.findings.limits import read_limits
from landing_analysis.folder import queue, watch
from landing_analysis.folder.entries import check_clip
from landing_analysis.folder.worker import Result
from landing_analysis.landmarks.people import link_people
from landing_analysis.landmarks.storage import write_landmarks
from landing_analysis.record.clips import list_visits
from landing_analysis.record.correcting import Wish, correct, find_clip
from landing_analysis.record.database import open_record
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.record.reading import read_analyses, read_landing_rows, read_set_rows
from landing_analysis.report.documents import analysis_document
from landing_analysis.settings import RepSettings, Settings
from landing_analysis.stages import Options, analyse_people
from landing_analysis.tables import LIMBS, Correction
from landing_analysis.wording import note_words, words_of

LANDMARKS_OF_JUMPS = make_motion(jump_plan(4), "front", LIMBS)[0]
POSES = make_poses(LANDMARKS_OF_JUMPS)
CLIP = make_clip(LANDMARKS_OF_JUMPS, "P07.mp4")
AT = "2026-03-05T08:00:00+00:00"
_AGAIN = "landing-analysis clip again"


def from_landmarks(path: Path, out_dir: Path, options: Options, start: object) -> Result:
    """Analyse a stick figure's jumps in a clip's stead, with all stages after the pose model."""
    stored = path
    if path.name != LANDMARKS:
        stored = out_dir / path.stem / LANDMARKS
        if not stored.is_file():
            stored.parent.mkdir(parents=True, exist_ok=True)
            clip = replace(CLIP, file=path.name, sha256=sha256_of(path))
            write_landmarks(stored, POSES, clip)
    outcome = analyse_clip(stored, out_dir, options)
    return Result(
        json.loads(json.dumps(analysis_document(outcome.analysis))), outcome.report.parent
    )


def _drop(root: Path) -> Path:
    tiny_clip(root / "P07" / "PXL_20260304_101112000.mp4", 1)
    tiny_clip(root / "P08" / "PXL_20260304_111112000.mp4", 2)
    (root / "P07" / "patient.toml").write_text('surgical_side = "left"\n')
    (root / "P08" / "patient.toml").write_text('surgical_side = "right"\n')
    return root


@pytest.fixture(scope="module")
def analysed(tmp_path_factory) -> Path:
    """A data folder with two patients and a clip each, whose files are gone by now."""
    base = tmp_path_factory.mktemp("analysed")
    root = _drop(base / "drop")
    options = Options(limits=read_limits(), settings=Settings(target_flexion_deg=70.0))
    todo = job(root, from_landmarks, options=options)
    assert set(run(data_folder(base / "data"), todo).values()) == {"done"}
    for clip in root.rglob("*.mp4"):
        clip.unlink()
    run(data_folder(base / "data"), todo)
    return base / "data"


@pytest.fixture
def filled(analysed, tmp_path, monkeypatch, without_plots) -> DataFolder:
    shutil.copytree(analysed, tmp_path / "data")
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / "data"))
    monkeypatch.delenv("LANDING_ANALYSIS_BY", raising=False)
    monkeypatch.setattr(watch, "Job", partial(watch.Job, analyse=from_landmarks))  # quicker
    return data_folder()


def _command(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


def _ids(folder: DataFolder) -> dict[str, str]:
    with open_record(folder) as record:
        return {state.code: state.short_id for state in queue.all_states(record)}


def _newest(folder: DataFolder, code: str):
    with open_record(folder) as record:
        (newest,) = read_analyses(record, code)
        return newest


def _document(folder: DataFolder, code: str) -> dict:
    (path,) = (folder.reports / code).rglob(DATA)
    return json.loads(path.read_text())


# --- rules -------------------------------------------------------------------------------------


def _set(what: str, new: str | None, old: str | None = None, **other: object) -> Correction:
    return Correction(what, old, new, AT, **other)


def test_the_latest_on_each_thing_counts_and_what_was_taken_back_does_not():
    history = [
        _set("view", "front"),
        _set("exercise", "hop"),
        _set("rep", "excluded", rep=3, rep_s=4.2),
        _set("view", "back", "front"),
        _set("exercise", None, "hop"),
        _set("rep", "excluded", rep=3, rep_s=6.1),  # counted otherwise by then: another rep
        _set("rep", None, "excluded", rep=3, rep_s=4.2),
    ]
    assert [(one.what, one.new, one.rep_s) for one in in_force(history)] == [
        ("view", "back", None),
        ("rep", "excluded", 6.1),
    ]


@pytest.mark.parametrize(
    ("what", "word", "sensible"),
    [
        ("exercise", "jump", True), ("exercise", "squat", False), ("view", "left_side", True),
        ("view", "above", False), ("person", "2", True), ("person", "2 of 3", True),
        ("person", "4 of 3", False), ("person", "0", False), ("slowed by", "8", True),
        ("slowed by", "0", False), ("slowed by", "nan", False), ("slowed by", "65", False),
        ("clip", "excluded", True), ("rep", "gone", False),
    ],
)  # fmt: skip
def test_only_words_that_make_sense_are_taken(what, word, sensible):
    assert makes_sense(what, word) is sensible


def _analysis(**how: object):
    people = link_people(POSES, Settings().people)
    options = Options(limits=read_limits(), **how)
    return analyse_people(CLIP, POSES, people, options, AT)


def test_an_excluded_rep_stays_with_its_reason_and_leaves_every_value_of_the_set():
    whole = _analysis()
    cut = _analysis(corrections=(_set("rep", "excluded", rep=2, rep_s=None, reason="slipped"),))
    assert [(rep.number, rep.used, rep.excluded) for rep in cut.reps.reps] == [
        (1, True, False), (2, False, True), (3, True, False), (4, True, False),
    ]  # fmt: skip
    assert words_of(cut.reps.reps[1].reason) == "excluded by hand: slipped"
    assert {row.rep for row in cut.measures.measures} == {1, 3, 4}
    assert max(row.reps_used for row in whole.measures.summaries) == 4
    assert max(row.reps_used for row in cut.measures.summaries) == 3
    assert 2 not in {finding.rep for finding in cut.findings}
    assert cut.contacts == whole.contacts


def test_a_rep_is_known_again_by_when_it_lands_and_a_note_says_what_no_longer_fits():
    whole = _analysis()
    second = whole.reps.reps[1]
    at_s = landing_s(second, CLIP.t_s, whole.tracks.t_s)
    fewer = replace(whole.reps, reps=tuple(
        replace(rep, number=n) for n, rep in enumerate(whole.reps.reps[1:], 1)
    ))  # fmt: skip

    def marked(*corrections: Correction):
        reps = exclude_reps(fewer, corrections, CLIP.t_s, whole.tracks.t_s, RepSettings())
        return [rep.number for rep in reps.reps if rep.excluded], [
            note_words(n) for n in reps.notes
        ]

    numbers, said = marked(_set("rep", "excluded", rep=2, rep_s=at_s + 0.05))
    assert numbers == [1]
    assert said == ["The rep excluded by hand as number 2 is number 1 now."]
    first_s = landing_s(whole.reps.reps[0], CLIP.t_s, whole.tracks.t_s)
    numbers, said = marked(_set("rep", "excluded", rep=1, rep_s=first_s))
    assert numbers == []
    assert "no rep is found there now" in said[0]
    numbers, said = marked(_set("rep", "excluded", rep=9))
    assert numbers == []
    assert said[0].startswith("Rep 9 was excluded by hand")


def test_a_person_set_when_others_were_told_apart_is_doubted():
    kept = _analysis(person=1, corrections=(_set("person", "1 of 1"),))
    doubted = _analysis(person=1, corrections=(_set("person", "1 of 3"),))
    assert not [note for note in kept.notes if note.check == "corrections"]
    (note,) = [note for note in doubted.notes if note.check == "corrections"]
    assert note.state == "poor"
    assert "now 1 person is told apart" in note_words(note)


def test_notes_name_the_command_that_works_where_the_clip_is():
    slow = replace(CLIP, t_s=4 * CLIP.t_s, duration_s=4 * CLIP.duration_s, median_fps=15.0)
    poses = replace(POSES, t_s=slow.t_s)
    people = link_people(poses, Settings().people)
    for advice in ("", "landing-analysis clip set cccccccc"):
        analysis = analyse_people(slow, poses, people, Options(advice=advice), AT)
        (note,) = [note for note in analysis.notes if note.check == "time base"]
        assert f"Settle it with {advice} --slowed-by 4".replace("  ", " ") in note_words(note)
        assert note_words(note).count("landing-analysis") == bool(advice)


# --- from the command line ---------------------------------------------------------------------


def test_clips_prints_the_id_that_the_other_commands_take(filled):
    name = _ids(filled)["P07"]
    lines = _command("clips").stdout.splitlines()
    assert lines[0].startswith("id ")
    assert any(line.startswith(name) for line in lines)
    shown = _command("clip", "show", name)
    assert shown.exit_code == 0, shown.stderr
    assert f"Clip {name}, P07, visit 2026-03-04" in shown.stdout
    assert "Nothing was set by hand." in shown.stdout
    assert _command("clip", "show", name[:4].upper()).exit_code == 0


def test_what_is_set_is_followed_at_once_and_kept_with_who_when_and_why(filled):
    name = _ids(filled)["P07"]
    before = _newest(filled, "P07")
    done = _command(
        "clip", "set", name, "--view", "back", "--slowed-by", "2", "--by", "T1",
        "--reason", "filmed from behind",
    )  # fmt: skip
    assert done.exit_code == 0, done.stderr
    assert "view as found -> back" in done.stdout
    assert "stick figures stand in" in done.stdout
    after = _newest(filled, "P07")
    assert after.values["id"] > before.values["id"]
    assert (after.values["view"], after.values["view_origin"]) == ("back", "given")
    assert after.values["target_flexion_deg"] == 70.0
    assert after.values["limits"] == before.values["limits"] != []
    document = _document(filled, "P07")
    assert document["decided"]["time_base"]["slowed_by"] == 2.0
    entry = document["corrections"][0]
    assert (entry["what"], entry["new"], entry["by"]) == ("view", "back", "T1")
    assert entry["reason"] == "filmed from behind"
    shown = _command("clip", "show", name).stdout
    assert "T1" in shown
    assert "filmed from behind" in shown
    with open_record(filled) as record:
        assert len(read_analyses(record, "P07", history=True)) == 2  # nothing was deleted
    again = _command("clip", "set", name, "--view", "back")
    assert "it is so already" in again.stdout
    back = _command("clip", "set", name, "--as-found", "view", "--as-found", "slowed-by")
    assert back.exit_code == 0, back.stderr
    assert _newest(filled, "P07").values["view"] == before.values["view"]
    assert _document(filled, "P07")["corrections"] == []


def test_a_clip_moved_to_another_patient_and_day_takes_report_and_values_along(filled):
    name = _ids(filled)["P07"]
    (report,) = (filled.reports / "P07").rglob(REPORT)
    (report.parent / "own notes.txt").write_text("kept")
    done = _command("clip", "set", name, "--patient", "p08", "--day", "2026-03-03")
    assert done.exit_code == 0, done.stderr
    assert not list((filled.reports / "P07").rglob("*.*"))
    assert [p.read_text() for p in (filled.reports / "P08").rglob("own notes.txt")] == ["kept"]
    with open_record(filled) as record:
        assert [(v.code, str(v.date), v.analysed) for v in list_visits(record)] == [
            ("P08", "2026-03-03", 1), ("P08", "2026-03-04", 1),
        ]  # fmt: skip
        moved = read_analyses(record, "P08")[0]
        assert moved.values["surgical_side"] == "right"
        assert (record.folder.path / moved.values["report"] / REPORT).is_file()
        assert "2026-03-03" in moved.values["report"]
    page = (record.folder.path / moved.values["report"] / REPORT).read_text()
    assert "P07" not in read_page(page).text.replace("PXL", "")
    back = _command("clip", "set", name, "--as-found", "patient", "--as-found", "date")
    assert back.exit_code == 0, back.stderr
    with open_record(filled) as record:
        assert [(v.code, str(v.date)) for v in list_visits(record)] == [
            ("P07", "2026-03-04"), ("P08", "2026-03-04"),
        ]  # fmt: skip


def test_a_clip_given_by_hand_stays_when_its_file_is_dropped_again(filled, tmp_path):
    name = _ids(filled)["P07"]
    assert _command("clip", "set", name, "--patient", "P08").exit_code == 0
    drop = tmp_path / "drop"
    tiny_clip(drop / "P07" / "again.mp4", 1)
    assert set(run(filled, job(drop, from_landmarks)).values()) == {"done"}
    with open_record(filled) as record:
        assert {visit.code for visit in list_visits(record)} == {"P08"}


def test_an_excluded_rep_is_remembered_and_taken_in_again(filled):
    name = _ids(filled)["P07"]
    before = _newest(filled, "P07")
    assert _command("rep", "exclude", name, 2).exit_code == 2  # a reason is needed
    done = _command("rep", "exclude", name, 2, "--reason", "slipped", "--by", "T1")
    assert done.exit_code == 0, done.stderr
    newest = _newest(filled, "P07")
    assert [(rep["used"], rep["excluded"]) for rep in newest.tables["rep"]] == [
        (1, 0), (0, 1), (1, 0), (1, 0),
    ]  # fmt: skip
    assert max(row["reps_used"] for row in newest.tables["summary"]) == 3
    (report,) = (filled.reports / "P07").rglob(REPORT)
    assert "excluded by hand: slipped" in read_page(report.read_text()).text
    with open_record(filled) as record:
        (entry,) = find_clip(record, name).history
        assert entry.rep_s == pytest.approx(before.tables["rep"][1]["landing_s"], abs=1e-9)
    missing = _command("rep", "exclude", name, 9, "--reason", "x")
    assert (missing.exit_code, "it has 4" in missing.stderr) == (1, True)
    wrong = _command("rep", "include", name, 3)
    assert (wrong.exit_code, "not excluded" in wrong.stderr) == (1, True)
    assert _command("rep", "include", name, 2).exit_code == 0
    assert [row["mean"] for row in _newest(filled, "P07").tables["summary"]] == [
        row["mean"] for row in before.tables["summary"]
    ]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("clip", "set", "zzzz", "--view", "front"), "names no clip"),
        (("clip", "set", "00000000", "--view", "front"), "There is no clip"),
        (("clip", "set", "ID", "--patient", "P09"), "There is no patient P09"),
        (("clip", "set", "ID", "--day", "2999-01-01"), "up to today"),
        (("clip", "set", "ID", "--day", "1999-01-01"), "up to today"),
        (("clip", "set", "ID", "--person", "2"), "There is no person 2"),
        (("clip", "set", "ID", "--view", "back", "--by", "Jane"), "looks like"),
        (("clip", "set", "ID", "--view", "back", "--by", "a b"), "is no code"),
        (("clip", "exclude", "ID", "--reason", "=1+1"), "starts with a letter"),
        (("clip", "exclude", "ID", "--reason", "x" * 201), "at most 200"),
    ],
)
def test_what_makes_no_sense_is_one_sentence_and_changes_nothing(filled, words, sentence):
    name = _ids(filled)["P07"]
    done = _command(*(name if word == "ID" else word for word in words))
    assert (done.exit_code, sentence in done.stderr) == (1, True), done.stderr
    assert "Traceback" not in done.stderr
    with open_record(filled) as record:
        assert find_clip(record, name).history == ()
        assert {state.state for state in queue.all_states(record)} == {"done"}


# --- what pages, tables and other programs are given -------------------------------------------


def _page(done) -> str:
    assert done.exit_code == 0, done.stderr
    return read_page(Path(done.stdout.strip()).read_text(encoding="utf-8")).text


def test_an_excluded_clip_leaves_every_number_and_pages_say_so(filled, tmp_path):
    name = _ids(filled)["P07"]
    done = _command("clip", "exclude", name, "--reason", "wrong patient filmed", "--by", "T1")
    assert done.exit_code == 0, done.stderr
    assert "excluded from averages" in done.stdout
    with open_record(filled) as record:
        assert {row["code"] for row in read_set_rows(record, "summary")} == {"P08"}
        assert {row["code"] for row in read_landing_rows(record)} == {"P08"}
    (report,) = (filled.reports / "P07").rglob(REPORT)
    assert "wrong patient filmed" in read_page(report.read_text(encoding="utf-8")).text
    for words in (("visit", "P07"), ("compare", "P07")):
        text = _page(_command(*words))
        assert f"Clip {name}" in text
        assert "left out of all numbers by hand: wrong patient filmed" in text
        assert "Peak knee" not in text
        assert "FPPA at" not in text
    assert "1 clip left out by hand" in _page(_command("week", "2026-03-04"))
    listed = [line for line in _command("clips").stdout.splitlines() if line.startswith(name)]
    assert "excluded" in listed[0]
    assert _command("clip", "include", name).exit_code == 0
    assert "left out of all numbers" not in _page(_command("visit", "P07"))
    with open_record(filled) as record:
        assert {row["code"] for row in read_set_rows(record, "summary")} == {"P07", "P08"}


def test_pages_made_before_follow_a_clip_to_another_patient(filled):
    name = _ids(filled)["P07"]
    assert _command("week", "2026-03-04").exit_code == 0
    done = _command("clip", "set", name, "--patient", "P08", "--day", "2026-03-03")
    assert done.exit_code == 0, done.stderr
    pages = {page.relative_to(filled.pages).as_posix() for page in filled.pages.rglob("*.html")}
    assert pages == {
        "week-2026-03-02.html", "P07/compare.html", "P08/compare.html", "P08/visit-2026-03-04.html",
        "P08/progress.html", "P08/for-patient.html",
    }  # fmt: skip
    compare = (filled.pages / "P07" / "compare.html").read_text(encoding="utf-8")
    assert "none yet" in read_page(compare).text
    week = read_page((filled.pages / "week-2026-03-02.html").read_text(encoding="utf-8")).text
    assert "1 of 2" in week


def test_tables_and_bundles_mark_what_was_excluded(filled, tmp_path):
    names = _ids(filled)
    assert _command("clip", "exclude", names["P08"], "--reason", "fell").exit_code == 0
    assert _command("rep", "exclude", names["P07"], 2, "--reason", "slipped").exit_code == 0
    assert _command("record", "tables", tmp_path / "tables").exit_code == 0

    def table(name: str) -> list[dict]:
        with (tmp_path / "tables" / f"{name}.csv").open(newline="") as file:
            return list(csv.DictReader(file))

    columns = ("patient", "clip_excluded", "excluded_reason")
    clips = [[row[column] for column in columns] for row in table("clips")]
    assert clips == [["P07", "false", ""], ["P08", "true", "fell"]]
    marked = {row["patient"]: row["clip_excluded"] for row in table("measures")}
    assert marked == {"P07": "false", "P08": "true"}
    reps = [row for row in table("reps") if row["patient"] == "P07"]
    assert [row["excluded"] for row in reps] == ["false", "true", "false", "false"]
    assert reps[1]["reason"] == "excluded by hand: slipped"
    done = _command("record", "fhir", "P07", "--out", tmp_path / "p07.json")
    assert done.exit_code == 0, done.stderr
    text = (tmp_path / "p07.json").read_text()
    assert "Rep 2 is excluded by hand: slipped." in text
    done = _command("record", "fhir", "P08", "--out", tmp_path / "p08.json")
    assert "1 clip excluded by hand" in done.stdout
    assert "Observation" not in (tmp_path / "p08.json").read_text()


def test_values_whose_clip_and_report_are_gone_are_said_to_stand(filled):
    name = _ids(filled)["P07"]
    shutil.rmtree(filled.reports / "P07")
    listed = [line for line in _command("clips").stdout.splitlines() if line.startswith(name)]
    assert f"its values stand; to leave them out: landing-analysis clip exclude {name}" in listed[0]
    text = _page(_command("visit", "P07"))
    assert f"its values stand; to leave them out: landing-analysis clip exclude {name}" in text
    done = _command("clip", "exclude", name, "--reason", "deleted")
    assert done.exit_code == 0, done.stderr
    assert "nothing is left to analyse again" in done.stdout
    with open_record(filled) as record:
        assert {row["code"] for row in read_set_rows(record, "summary")} == {"P08"}
        assert {state.state for state in queue.all_states(record)} == {"done"}
    refused = _command("clip", "set", name, "--view", "back")
    assert (refused.exit_code, "nothing is left to analyse again" in refused.stderr) == (1, True)
    with open_record(filled) as record:
        assert [one.what for one in find_clip(record, name).history] == ["clip"]


def test_a_removed_patients_code_leaves_the_corrections_of_others(filled):
    name = _ids(filled)["P07"]
    assert _command("clip", "set", name, "--patient", "P08").exit_code == 0
    assert _command("patient", "remove", "P07", "--yes").exit_code == 0
    with open_record(filled) as record:
        (entry,) = find_clip(record, name).history
        assert (entry.old, entry.new) == (None, "P08")
    lost = _command("clip", "set", name, "--as-found", "patient")
    assert (lost.exit_code, "no longer known" in lost.stderr) == (1, True)


# --- beside the drop folder --------------------------------------------------------------------


@pytest.fixture
def drop(tmp_path) -> Path:
    return _drop(tmp_path / "drop")


@pytest.fixture
def kept(filled, drop) -> DataFolder:
    """The same with the files still there."""
    assert set(run(filled, job(drop, from_landmarks)).values()) == {"done"}
    return filled


def test_watch_and_batch_go_by_what_is_set_and_by_their_options_for_the_rest(kept, drop):
    with open_record(kept) as record:
        clip = find_clip(record, _ids(kept)["P07"])
        correct(record, clip, [Wish("view", "back")], None, None)
    run(kept, job(drop, from_landmarks, options=Options(view="oblique"), renew=True))
    assert _newest(kept, "P07").values["view"] == "back"
    assert _newest(kept, "P08").values["view"] == "oblique"
    with open_record(kept) as record:
        n_analyses = record.rows("SELECT count(*) FROM analysis")[0][0]
    run(kept, job(drop, from_landmarks, options=Options(view="oblique"), renew=True))
    with open_record(kept) as record:
        assert record.rows("SELECT count(*) FROM analysis")[0][0] == n_analyses


def test_a_clip_corrected_while_it_is_analysed_is_analysed_again(kept, drop):
    name = _ids(kept)["P07"]
    views = []

    def correcting(path: Path, out_dir: Path, options: Options, start: object) -> Result:
        views.append(options.view)
        if len(views) == 1:
            with open_record(kept) as other:
                correct(other, find_clip(other, name), [Wish("view", "back")], None, None)
        return from_landmarks(path, out_dir, options, start)

    with open_record(kept) as record:
        queue.let_wait(record, find_clip(record, name).id)
        watch.work_through(record, job(drop, correcting))
    assert views == [None, "back"]
    assert _newest(kept, "P07").values["view"] == "back"


def test_a_correction_that_cannot_be_followed_leaves_the_earlier_values(filled):
    name = _ids(filled)["P07"]
    before = _newest(filled, "P07")
    with open_record(filled) as record:
        clip = find_clip(record, name)
        with pytest.raises(CorrectionError):
            correct(record, clip, [Wish("person", "7 of 3")], None, None)
        correct(record, clip, [Wish("person", "3 of 3")], None, None)  # as after a new version
    done = _command("clip", "again", name)
    assert done.exit_code == 1
    assert "Person 3 was asked for; 1 found" in done.stderr
    listed = [line for line in _command("clips").stdout.splitlines() if line.startswith(name)]
    assert "needs attention" in listed[0]
    assert f"Its earlier values stand; to try again as it is set now: {_AGAIN} {name}" in listed[0]
    assert _newest(filled, "P07").values["id"] == before.values["id"]


@pytest.mark.parametrize("code", EXERCISES)
def test_every_exercise_can_be_set_by_the_word_that_help_prints(code):
    others = dict.fromkeys(("patient", "day", "view", "person", "slowed_by"))
    (wish,) = _wishes((), exercise=code.replace("_", "-"), **others)
    assert makes_sense(wish.what, wish.new)


def test_folders_take_what_analyse_takes_and_a_correction_keeps_what_was_given(
    kept, drop, monkeypatch
):
    at_once = partial(watch.Job, check=check_clip, settings=AT_ONCE, analyse=from_landmarks)
    monkeypatch.setattr(watch, "Job", at_once)
    given = ("--exercise", "hop", "--view", "left-side", "--person", 1, "--slowed-by", 2)
    done = _command("batch", drop, "--renew", "--no-annotated-clip", *given)
    assert done.exit_code == 0, done.stderr
    name = _ids(kept)["P07"]
    assert _command("clip", "set", name, "--view", "back").exit_code == 0
    decided = _document(kept, "P07")["decided"]
    assert (decided["exercise"], decided["view"]) == ("hop", "back")
    assert decided["patient_reason"] == "chosen by the clinician"
    assert decided["time_base"]["slowed_by"] == 2.0
    assert _command("clip", "set", name, "--as-found", "view").exit_code == 0
    decided = _document(kept, "P07")["decided"]
    assert (decided["exercise"], decided["view_origin"]) == ("hop", "detected")
    other = _document(kept, "P08")["decided"]
    assert (other["view"], other["view_origin"]) == ("left_side", "given")
    for options in (given[4:6], ("--slowed-by", 0), ("--exercise", "squat")):
        wrong = _command("watch", drop, "--once", *options)
        assert (wrong.exit_code == 2) == (options != given[4:6])
