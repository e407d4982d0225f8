"""A visit's plan and how the patient was: what can be written, where it goes, and its history."""

from __future__ import annotations

import json
import re
from datetime import date, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from page import read_page
from stand_in import job, run, stand_in, template_document, tiny_clip

from landing_analysis.commands.main import main
from landing_analysis.errors import CorrectionError, RecordError, SessionError
from landing_analysis.exercises import EXERCISES
from landing_analysis.folder import queue
from landing_analysis.pages.writing import rewrite_pages, write_visit
from landing_analysis.patients import Patient
from landing_analysis.record.clips import list_visits
from landing_analysis.record.database import open_record
from landing_analysis.record.exchange import export_record, import_record
from landing_analysis.record.patients import add_patient
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.record.removal import holdings_of, remove_patient
from landing_analysis.record.sessions import (
    clips_waiting,
    enter_session,
    enter_tick,
    read_session,
    read_sessions,
    read_ticks,
    session_history,
)
from landing_analysis.record.unread import stray_files
from landing_analysis.sessions.plan import Cords, Prescribed, line_of, prescribed_in
from landing_analysis.sessions.published import EFFUSION_GRADING, RULES, warnings_in
from landing_analysis.sessions.session import (
    EFFUSION_GRADES,
    MOMENTS,
    SORENESS,
    plain_of,
    session_of,
    state_in,
)
from landing_analysis.sessions.text_file import read_session_file

DAY = date(2026, 3, 4)
FULL = {
    "plan": ["sled_jump 3x20 rest 60 load 2 red + 1 blue", "hop 2x20 rest 45 load body limb left"],
    "before": {"pain": 0, "effusion": "0", "soreness": "none", "confidence": 6},
    "during": {"pain": 2, "soreness": "warm-up only"},
    "after": {"pain": 1, "effusion": "trace", "distress": "a click at deep flexion"},
    "modified": ["hops: one set only, the knee felt tired"],
    "stopped": ["bounds: pain 4 under the kneecap"],
    "note": "new shoes",
    "went_well": "quiet landings",
    "work_on": "knee over the toes",
}
TEXT = """\
day = 2026-03-04
by = "T1"
plan = ["jump 3x20 rest 60 load body"]
note = "new shoes"
[after]
pain = 1
effusion = "trace"
"""
TEMPLATE = template_document()


@pytest.fixture
def folder(tmp_path, monkeypatch) -> DataFolder:
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / "data"))
    return data_folder()


@pytest.fixture
def record(folder):
    with open_record(folder) as record:
        add_patient(record, Patient("P07", surgical_side="left"))
        yield record


def _command(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


# --- lines of a plan ---------------------------------------------------------------------------


def test_a_line_of_a_plan_is_read_word_by_word():
    assert prescribed_in("jump 3x20 rest 60 load body") == Prescribed(
        "jump", 3, reps=20, rest_s=60, load=()
    )
    assert prescribed_in("Lateral-Bound 2×30s") == Prescribed("lateral_bound", 2, bout_s=30)
    assert prescribed_in("sled_hop 3X20 load 2 Red+1 blue limb left rest 45") == Prescribed(
        "sled_hop", 3, reps=20, rest_s=45, load=(Cords(2, "red"), Cords(1, "blue")), limb="left"
    )
    assert prescribed_in("drop_jump 3x8 box 30").box_height_m == 0.30


@given(
    st.builds(
        Prescribed,
        st.sampled_from(tuple(EXERCISES)),
        st.integers(1, 20),
        reps=st.integers(1, 200),
        rest_s=st.none() | st.integers(0, 1800).map(float),
        load=st.none()
        | st.lists(
            st.builds(Cords, st.integers(1, 12), st.sampled_from(("red", "blue", "green"))),
            max_size=3,
        ).map(tuple),
        box_height_m=st.none() | st.integers(1, 120).map(lambda cm: round(cm / 100, 4)),
        limb=st.sampled_from((None, "left", "right")),
    )
)
@settings(max_examples=50, deadline=None)
def test_a_line_says_all_of_what_was_prescribed(one):
    assert prescribed_in(line_of(one)) == one


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("jump", "no line of a plan"),
        ("leap 3x20", "no exercise 'leap'"),
        ("jump 3", "sets and reps belong"),
        ("jump 30x20", "1 to 20"),
        ("jump 3x0", "1 to 200"),
        ("jump 3x20 sixty", "after the sets come"),
        ("jump 3x20 rest long", "rest 'long'; write the seconds as a number alone"),
        ("jump 3x20 rest", "nothing after rest"),
        ("drop_jump 3x8 box 30 cm", "centimetres as a number alone"),
        ("jmp 3x20", "did you mean jump?"),
        ("jump 3x20 rest 60 rest 45", "rest twice"),
        ("sled_jump 3x20 load two red", "by number"),
        ("sled_jump 3x20 load 13 red", "1 to 12"),
        ("hop 3x20 limb both", "left or right"),
        ("drop_jump 3x8 box 300", "1 to 120"),
    ],
)
def test_a_line_that_cannot_be_read_is_refused_in_one_sentence(line, says):
    with pytest.raises(SessionError, match=says) as error:
        prescribed_in(line)
    assert len(str(error.value).splitlines()) == 1


# --- the plain form ----------------------------------------------------------------------------


def test_a_session_goes_into_its_plain_form_and_back():
    session = session_of(FULL)
    assert plain_of(session) == FULL
    assert session_of(json.loads(json.dumps(plain_of(session)))) == session
    assert session_of({}).is_empty
    assert plain_of(session_of({})) == {}


def test_what_is_named_replaces_and_what_is_not_stays():
    before = session_of(FULL)
    after = session_of({"after": {"pain": 3}, "note": "", "stopped": []}, before)
    assert after.state("after").pain == 3
    assert after.state("after").effusion == "trace"
    assert (after.note, after.stopped) == (None, ())
    assert (after.plan, after.modified) == (before.plan, before.modified)
    emptied = session_of({"during": {"pain": "", "soreness": ""}}, before)
    assert "during" not in plain_of(emptied)


@pytest.mark.parametrize(
    ("plain", "says"),
    [
        ({"pain": 3}, "no 'pain'"),
        ({"after": {"pain": 11}}, r"pain \(after\) is 11; write a whole number from 0 to 10"),
        ({"after": {"pain": 2.5}}, "whole number"),
        ({"after": {"pain": True}}, "whole number"),
        ({"after": {"effusion": "much"}}, "0, trace, 1\\+, 2\\+, 3\\+"),
        ({"after": {"soreness": "throughout"}}, "none, sore"),
        ({"during": {"soreness": "sore"}}, "warm-up only"),
        ({"during": {"mood": "good"}}, "no 'mood'"),
        ({"during": 3}, "each with a value"),
        ({"note": "=HYPERLINK(1)"}, "letter or a digit"),
        ({"note": "x" * 501}, "at most 500"),
        ({"note": 7}, "write text"),
        ({"modified": "hops"}, "a list of lines"),
        ({"plan": ["jump 1x1"] * 21}, "at most 20"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_sentence(plain, says):
    with pytest.raises(SessionError, match=says):
        session_of(plain)


def test_a_state_is_read_from_one_line():
    assert state_in("pain 2 effusion trace soreness warm-up only distress giving way") == {
        "pain": "2", "effusion": "trace", "soreness": "warm-up only", "distress": "giving way",
    }  # fmt: skip
    assert state_in("pain -") == {"pain": ""}
    for text, says in (
        ("2 of 10", "what it is about"),
        ("pain", "no value for pain"),
        ("pain effusion 1+", "no value for pain"),
        ("pain 1 effusion 0 pain 2", "says pain twice"),
    ):
        with pytest.raises(SessionError, match=says):
            state_in(text)


def test_warnings_are_pain_swelling_and_distress_and_nothing_else():
    assert warnings_in(session_of(FULL)) == (
        "pain 2 of 10 during", "pain 1 of 10 after", "effusion trace after",
        "a click at deep flexion after",
    )  # fmt: skip
    calm = {"pain": 0, "effusion": "0", "soreness": "sore", "confidence": 2}
    assert warnings_in(session_of({"after": calm})) == ()


def test_the_published_tables_know_each_grade_and_each_soreness():
    # Grades of the stroke test: Sturgill LP et al. 2009, J Orthop Sports Phys Ther 39(12):845-849
    # (five grades: abstract, read; their names: secondary page, read).
    assert [line.what for line in EFFUSION_GRADING] == ["0", "trace", "1+", "2+", "3+"]
    assert tuple(line.what for line in EFFUSION_GRADING) == EFFUSION_GRADES
    # Rules: Int J Sports Phys Ther 2018;13(3):422-431, table 5 (read): two days off and one level
    # down when soreness stays; one day off and repeat when it comes later; hold from 2+ on.
    says = {line.what: line.says for line in RULES}
    assert "two days" in says["sore in the warm-up, and it stays"]
    assert "one day" in says["sore for more than an hour after, or on the next day"]
    assert says["effusion of 2+ or more"].startswith("hold")
    spoken_of = {pair for line in RULES for pair in line.soreness}
    assert {("during", word) for word in SORENESS["during"]} <= spoken_of
    assert {grade for line in RULES for grade in line.grades} == set(EFFUSION_GRADES)
    late = session_of({"next_morning": {"soreness": "sore", "effusion": "2+"}})
    assert [line.what for line in RULES if line.noted(late)] == [
        "sore for more than an hour after, or on the next day", "effusion of 2+ or more",
    ]  # fmt: skip


# --- the record --------------------------------------------------------------------------------


def test_every_version_is_kept_with_who_and_when(record):
    first = enter_session(record, "p07", DAY, FULL, "T1")
    second = enter_session(record, "P07", DAY, {"next_morning": {"pain": 0}}, "T2")
    assert second.session.plan == first.session.plan
    assert read_session(record, "P07", DAY) == second
    assert [version.by for version in session_history(record, "P07", DAY)] == ["T1", "T2"]
    assert session_history(record, "P07", DAY)[0] == first
    again = enter_session(record, "P07", DAY, {"next_morning": {"pain": 0}}, "T3")
    assert again == second
    assert len(session_history(record, "P07")) == 2


def test_a_visit_without_a_clip_shows_the_session_and_explains_no_numbers(record):
    enter_session(record, "P07", DAY, FULL, "T1")
    text = read_page(write_visit(record, "P07", DAY).read_text(encoding="utf-8")).text
    assert "No clip with numbers on this day." in text
    assert "confidence interval" not in text
    assert "a picture could be chosen" not in text


def test_two_windows_do_not_overwrite_each_other(record):
    first = enter_session(record, "P07", DAY, {"note": "one"}, None, seen=0)
    enter_session(record, "P07", DAY, {"note": "two"}, None, seen=first.number)
    with pytest.raises(SessionError, match="changed meanwhile"):
        enter_session(record, "P07", DAY, {"note": "three"}, None, seen=first.number)
    assert read_session(record, "P07", DAY).session.note == "two"


def test_who_enters_is_a_code_and_a_visit_was_not_in_the_future(record):
    with pytest.raises(CorrectionError, match="looks like"):
        enter_session(record, "P07", DAY, {"note": "one"}, "Anna")
    with pytest.raises(CorrectionError, match="a day up to today"):
        enter_session(record, "P07", date.today() + timedelta(days=2), {"note": "one"}, None)
    assert read_sessions(record, "P07") == ()


def test_the_newest_tick_of_an_exercise_counts(record):
    enter_tick(record, "P07", "jump", DAY, "T1", note="three calm sets")
    enter_tick(record, "P07", "hop", DAY, "T1")
    enter_tick(record, "P07", "hop", DAY + timedelta(days=7), "T1", ticked=False)
    ticks = read_ticks(record, "P07")
    assert (ticks["jump"].ticked, ticks["jump"].note) == (True, "three calm sets")
    assert (ticks["hop"].ticked, ticks["hop"].day) == (False, date(2026, 3, 11))
    with pytest.raises(SessionError, match="no exercise"):
        enter_tick(record, "P07", "leap", DAY, "T1")


def test_sessions_and_ticks_are_exported_and_brought_back(record, tmp_path):
    enter_session(record, "P07", DAY, FULL, "T1")
    enter_tick(record, "P07", "jump", DAY, "T1")
    export_record(record, tmp_path / "out")
    for source in (tmp_path / "out", tmp_path / "out" / "tables"):
        with open_record(data_folder(tmp_path / f"back-{source.name}")) as other:
            import_record(other, source)
            assert session_history(other, "P07") == session_history(record, "P07")
            assert read_ticks(other, "P07") == read_ticks(record, "P07")


@pytest.mark.parametrize(
    ("column", "value"), [("content", '{"after": {"pain": 99}}'), ("content", "[]"),
                          ("made_by", "Anna"), ("date", "4.3.2026")],
)  # fmt: skip
def test_an_import_takes_no_session_that_could_not_be_entered(record, tmp_path, column, value):
    enter_session(record, "P07", DAY, FULL, "T1")
    export_record(record, tmp_path / "out")
    document = json.loads((tmp_path / "out" / "record.json").read_text())
    document["tables"]["session"][0][column] = value
    (tmp_path / "bad.json").write_text(json.dumps(document))
    with (
        open_record(data_folder(tmp_path / "other")) as other,
        pytest.raises(RecordError, match=f"row 1 of session: {column}"),
    ):
        import_record(other, tmp_path / "bad.json")


# --- the commands ------------------------------------------------------------------------------


def test_a_session_is_added_shown_and_edited(record, folder):
    added = _command(
        "session", "add", "P07", "--day", DAY, "--exercise", "jump 3x20 rest 60 load body",
        "--exercise", "lateral_bound 2x30s", "--before", "pain 0 effusion 0",
        "--after", "pain 2 effusion trace distress giving way once", "--by", "T1",
        "--stopped", "bounds: pain 4", "--note", "new shoes",
    )  # fmt: skip
    assert added.exit_code == 0, added.output
    for words in ("Two-leg jumps, 3 × 20 reps, rest 60 s, body weight", "2 × 30 s",
                  "before: pain 0 of 10, effusion 0", "joint giving way once",
                  "stopped: bounds: pain 4", "entered by T1"):  # fmt: skip
        assert words in added.output
    once_more = ("--before", "pain 1", "--before", "effusion trace")
    both = _command("session", "add", "P07", "--day", "2026-03-03", *once_more)
    assert "before: pain 1 of 10, effusion trace" in both.output
    again = _command("session", "add", "P07", "--day", DAY, "--note", "x")
    assert again.exit_code == 1
    assert "session edit P07 --day 2026-03-04" in again.output
    edited = _command("session", "edit", "P07", "--day", DAY, "--next-morning", "pain 0",
                      "--note", "")  # fmt: skip
    assert edited.exit_code == 0
    shown = _command("session", "show", "P07").output
    assert "next morning: pain 0 of 10" in shown
    assert "new shoes" not in shown
    assert "new shoes" in _command("session", "show", "P07", "--history").output


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("add", "P07"), 2, "Name what is to be entered"),
        (("add", "P09", "--note", "x"), 1, "There is no patient P09"),
        (("edit", "P07", "--day", "2026-03-04", "--note", "x"), 1, "no session of P07"),
        (("show", "P07"), 1, "no session of P07"),
        (("add", "P07", "--after", "fine"), 1, "what it is about"),
        (("add", "P07", "--note", ""), 1, "all that was given is empty"),
        (("add", "P07", "--day", "4.3.2026", "--note", "x"), 2, "write YYYY-MM-DD"),
        (("tick", "P07", "leap"), 1, "no exercise"),
    ],
)
def test_what_a_command_cannot_do_it_says_in_one_sentence(record, words, code, says):
    said = _command("session", *words)
    assert (said.exit_code, "Traceback" in said.output) == (code, False)
    assert says in said.output


def test_a_tick_is_set_and_taken_back(record):
    said = _command("session", "tick", "P07", "sled-jump", "--day", DAY, "--by", "T1")
    assert said.output == "Ticked sled_jump for P07 on 2026-03-04.\n"
    assert read_ticks(record, "P07")["sled_jump"].ticked
    _command("session", "tick", "P07", "sled_jump", "--day", DAY, "--undo")
    assert not read_ticks(record, "P07")["sled_jump"].ticked


# --- session.toml ------------------------------------------------------------------------------


@pytest.fixture
def drop(tmp_path) -> Path:
    root = tmp_path / "drop"
    tiny_clip(root / "P07" / "PXL_20260304_101112000.mp4", 1)
    return root


def _run(folder, drop, tmp_path):
    return run(folder, job(drop, stand_in(TEMPLATE, tmp_path / "log")))


def test_a_text_file_beside_the_clips_becomes_the_session(folder, drop, tmp_path):
    file = drop / "P07" / "session.toml"
    file.write_text(TEXT)
    states = _run(folder, drop, tmp_path)
    assert list(states) == ["P07/PXL_20260304_101112000.mp4"]
    with open_record(folder) as record:
        saved = read_session(record, "P07", DAY)
        assert saved.session.state("after").effusion == "trace"
        assert saved.by == "T1"
        assert stray_files(record) == ()
    _run(folder, drop, tmp_path)
    with open_record(folder) as record:
        assert len(session_history(record, "P07")) == 1
        enter_session(record, "P07", DAY, {"note": "by command"}, "T2")
    _run(folder, drop, tmp_path)
    with open_record(folder) as record:
        assert read_session(record, "P07", DAY).session.note == "by command"
    file.write_text(TEXT.replace("pain = 1", "pain = 4"))
    _run(folder, drop, tmp_path)
    with open_record(folder) as record:
        saved = read_session(record, "P07", DAY)
        assert (saved.session.state("after").pain, saved.session.note) == (4, "new shoes")
        assert len(session_history(record, "P07")) == 3


def test_pages_that_are_there_say_at_once_what_a_text_file_told(folder, drop, tmp_path):
    todo = job(drop, stand_in(TEMPLATE, tmp_path / "log"), rewrite=rewrite_pages)
    run(folder, todo)
    with open_record(folder) as record:
        page = write_visit(record, "P07", DAY)
    assert "new shoes" not in page.read_text(encoding="utf-8")
    (drop / "P07" / "session.toml").write_text(TEXT)
    run(folder, todo)
    assert "new shoes" in page.read_text(encoding="utf-8")


def test_pages_that_are_there_follow_an_analysis_that_the_plan_asked_for(folder, drop, tmp_path):
    todo = job(drop, stand_in(TEMPLATE, tmp_path / "log"), rewrite=rewrite_pages)
    run(folder, todo)
    with open_record(folder) as record:
        page = write_visit(record, "P07", DAY)
        enter_session(record, "P07", DAY, {"plan": ["hop 3x8"]}, "T1")
        assert clips_waiting(record, "P07", DAY) > 0
    page.write_text("before", encoding="utf-8")
    run(folder, todo)
    assert "P07" in page.read_text(encoding="utf-8")
    with open_record(folder) as record:
        assert clips_waiting(record, "P07", DAY) == 0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (TEXT.replace("pain = 1", "pain = 14"), r"pain \(after\) is 14"),
        (TEXT.replace("day = 2026-03-04", ""), "of which day"),
        (TEXT.replace("2026-03-04", '"yesterday"'), "YYYY-MM-DD"),
        (TEXT.replace('"T1"', '"Anna"'), "name or initials"),
        ("day = ", "not valid TOML"),
        (TEXT.replace("day = 2026-03-04", "day = 2999-03-04"), "a day up to today"),
    ],
)
def test_a_text_file_that_cannot_be_read_needs_attention_and_loses_nothing(
    folder, drop, tmp_path, text, says
):
    file = drop / "P07" / "session.toml"
    file.write_text(TEXT)
    _run(folder, drop, tmp_path)
    file.write_text(text)
    states = _run(folder, drop, tmp_path)
    assert states == {
        "P07/PXL_20260304_101112000.mp4": "done", "P07/session.toml": "needs attention",
    }  # fmt: skip
    with open_record(folder) as record:
        reason = next(s.reason for s in queue.all_states(record) if s.file.endswith("toml"))
        assert read_session(record, "P07", DAY).session.state("after").pain == 1
    assert len(reason.splitlines()) == 1
    assert re.search(says, reason)
    file.write_text(TEXT)
    assert set(_run(folder, drop, tmp_path).values()) == {"done"}


def test_a_file_may_say_by_its_name_whose_it_is(folder, drop, tmp_path):
    (drop / "P07_session.toml").write_text(TEXT)
    _run(folder, drop, tmp_path)
    with open_record(folder) as record:
        assert read_session(record, "P07", DAY) is not None


def test_a_removed_patient_takes_sessions_ticks_and_text_files_along(folder, drop, tmp_path):
    inside, beside = drop / "P07" / "a" / "session.toml", drop / "P07_session.toml"
    inside.parent.mkdir()
    inside.write_text(TEXT)
    beside.write_text(TEXT.replace("new shoes", "old shoes"))
    _run(folder, drop, tmp_path)
    with open_record(folder) as record:
        enter_tick(record, "P07", "jump", DAY, "T1")
        assert holdings_of(record, "P07").sessions == 1
        remove_patient(record, "P07")
        assert record.rows("SELECT 1 FROM session UNION SELECT 1 FROM tick") == []
        assert record.rows("SELECT 1 FROM dropped") == []
    assert not inside.exists()
    assert not beside.exists()


def test_a_text_file_says_which_keys_a_session_has():
    with pytest.raises(SessionError, match=f"may hold plan, {', '.join(MOMENTS)}"):
        read_session_file("day = 2026-03-04\nmood = 1\n", "session.toml", "P07")


def test_a_plan_reaches_the_analysis_and_another_plan_lets_the_days_clips_wait(folder, tmp_path):
    drop, log, seen = tmp_path / "drop", tmp_path / "log", []
    log.touch()
    tiny_clip(drop / "P07_2026-03-04_a.mp4")
    analyse = stand_in(template_document(), log)

    def noting(path, out_dir, options, start):
        seen.append(options.planned)
        return analyse(path, out_dir, options, start)

    todo = job(drop, noting)
    with open_record(folder) as record:
        add_patient(record, Patient("P07"))
    assert run(folder, todo) == {"P07_2026-03-04_a.mp4": "done"}
    for plan in (["hop 2x20"], ["hop 3x10"]):  # the second names the same exercise
        with open_record(folder) as record:
            (visit,) = list_visits(record, "P07")
            enter_session(record, "P07", visit.date, {"plan": plan}, None)
        run(folder, todo)
    assert seen == [(), ("hop",)]


def test_plans_of_invented_patients_let_no_clip_wait(invented_record):
    with open_record(invented_record) as record:
        assert read_sessions(record, "DEMO5")[0].session.plan
        assert [tuple(row) for row in record.rows("SELECT DISTINCT state FROM work")] == [("done",)]


def test_a_visits_page_says_where_an_exercise_is_from_and_what_was_done_in_a_row(
    folder, drop, tmp_path
):
    document = template_document()
    numbers = [rep["number"] for rep in document["reps"]]
    document["decided"]["exercise_origin"] = "plan"
    (bout,) = document["bouts"]
    document["bouts"] = [
        bout | {"number": 1, "reps": numbers[:2]},
        bout | {"number": 2, "reps": numbers[2:], "exercise": "tuck_jump"},
    ]
    run(folder, job(drop, stand_in(document, tmp_path / "log")))
    with open_record(folder) as record:
        text = write_visit(record, "P07", DAY).read_text(encoding="utf-8")
    assert "exercise from the plan" in text
    assert f"in a row: jumps (2), tuck jumps ({len(numbers) - 2})" in text
