"""Whose clip it is: codes, places in the drop folder, text files, and the patient commands."""

from __future__ import annotations

from datetime import date

import pytest
from click.testing import CliRunner

from landing_analysis.commands.main import main
from landing_analysis.errors import PatientError
from landing_analysis.patients import (
    Patient,
    close_codes,
    doubt_about,
    doubt_about_surgery,
    owner_of,
    read_description,
    require_code,
    require_neutral_code,
)


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / "data"))
    return lambda *words: CliRunner().invoke(main, ["patient", *map(str, words)])


# --- codes -------------------------------------------------------------------------------------


@pytest.mark.parametrize("code", ["P07", "p7", "7", "A-12", "ACL_103", "knee04", "case-11", "X1y2"])
def test_codes_that_tell_nothing_are_taken(code):
    require_neutral_code(code)


@pytest.mark.parametrize(
    "code", ["Anna", "smith_j", "Smith1980", "JS", "Eva2", "eva02", "mueller-3", "ANNA7"]
)
def test_codes_that_look_like_a_name_are_refused(code):
    assert doubt_about(code) == "a person's name or initials"
    with pytest.raises(PatientError, match="name or initials"):
        require_neutral_code(code)


@pytest.mark.parametrize("code", ["1234567", "P-00123456", "1984-03-12", "K19840312"])
def test_codes_that_look_like_a_record_number_are_refused(code):
    with pytest.raises(PatientError, match="record number or a date of birth"):
        require_neutral_code(code)


@pytest.mark.parametrize("code", ["", "-7", "Anna Smith", "P07/..", "..", "Pü7", "P" * 33, "a.b"])
def test_what_is_no_code_is_refused(code):
    with pytest.raises(PatientError, match="no patient's code"):
        require_code(code)


@pytest.mark.parametrize("code", ["COM1", "lpt2", "nul"])
def test_codes_that_cannot_name_a_folder_everywhere_are_refused(code):
    with pytest.raises(PatientError, match="device"):
        require_code(code)


# --- places ------------------------------------------------------------------------------------

KNOWN = ("P07", "P07-1", "P12")


@pytest.mark.parametrize(
    ("parts", "owner"),
    [
        (("P07", "IMG_0001.MOV"), "P07"),
        (("p07", "IMG_0001.MOV"), "P07"),
        (("P07", "2026-11-25", "IMG_0001.MOV"), "P07"),
        (("P07_jumps.mp4",), "P07"),
        (("p07 jumps.mp4",), "P07"),
        (("P07.mp4",), "P07"),
        (("P07-1_jumps.mp4",), "P07-1"),
        (("P07-2_jumps.mp4",), "P07"),
        (("DCIM", "P12-a.mp4"), "P12"),
        (("P12", "P12-a.mp4"), "P12"),
    ],
    ids=str,
)
def test_folder_or_file_name_tell_whose_clip_it_is(parts, owner):
    assert owner_of(parts, KNOWN) == owner


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        (("IMG_0001.MOV",), "belongs to no patient"),
        (("P070_jumps.mp4",), "belongs to no patient"),
        (("P07x.mp4",), "belongs to no patient"),
        (("P33_jumps.mp4",), "belongs to no patient"),
        (("P7_jumps.mp4",), "if it is P07, say so in its name"),
        (
            ("P33", "a.mp4"),
            "no patient P33 yet; the clip waits for: landing-analysis patient add P33",
        ),
        (("P07b", "a.mp4"), "if it is P07, move .* somebody else, run: .* P07b --accept-code"),
        (("Anna Smith", "a.mp4"), "no patient's code"),
        (("DCIM", "a.mp4"), "name or initials"),
        (("100APPLE", "a.mp4"), "name or initials"),
        (("20261125", "a.mp4"), "record number or a date"),
        (("2026", "a.mp4"), "a date or a number of the phone's"),
        (("P12", "P07_jumps.mp4"), "folder of P12 but its name starts with P07"),
    ],
    ids=str,
)
def test_a_clip_that_may_be_anybodys_is_nobodys(parts, words):
    with pytest.raises(PatientError, match=words):
        owner_of(parts, KNOWN)


@pytest.mark.parametrize(
    ("code", "near"),
    [
        ("P7", ["P07"]), ("P007", ["P07"]), ("p-7", ["P07"]), ("PO7", ["P07"]), ("P07b", ["P07"]),
        ("P07-left", ["P07"]), ("Pl2", ["P12"]), ("P1_2", ["P12"]), ("P072", ["P07-2", "P07-2a"]),
        ("P07", []), ("p07", []), ("P70", []), ("P21", []), ("P1", []), ("P08", []), ("Q07", []),
        ("P0712", []), ("7", []),
    ],
)  # fmt: skip
def test_codes_that_a_slip_turns_into_one_another_are_close(code, near):
    known = ("P07", "P12", "P07-2", "P07-2a", "0", "x")
    assert list(close_codes(code, known)) == near
    assert all(code in close_codes(other, [code]) for other in near)


@pytest.mark.parametrize(
    ("day", "words"),
    [
        (date(2026, 11, 28), "in the future"), (date(2126, 3, 1), "in the future"),
        (date(2016, 3, 1), "10 years back"), (date(2026, 11, 27), None), (date(2018, 3, 1), None),
    ],
)  # fmt: skip
def test_a_day_of_surgery_that_can_hardly_be_is_doubted(day, words):
    doubt = doubt_about_surgery(day, date(2026, 11, 27))
    assert (doubt is None) if words is None else (words in doubt)


def test_a_code_with_the_clinicians_word_for_it_works_as_a_folder():
    assert owner_of(("Anna1", "a.mp4"), ("Anna1",)) == "Anna1"


# --- the text file -----------------------------------------------------------------------------


def test_a_text_file_describes_a_patient():
    text = 'surgical_side = "left"\nsurgery_date = 2026-03-01\nstature_cm = 172\n'
    assert read_description(text, "P07") == {
        "surgical_side": "left",
        "surgery_date": date(2026, 3, 1),
        "stature_m": 1.72,
    }
    assert read_description('surgery_date = "2026-03-01"', "P07") == {
        "surgery_date": date(2026, 3, 1)
    }
    assert read_description("", "P07") == {}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("surgical_side = left", "not valid TOML"),
        ('surgical_side = "both"', 'write "left" or "right"'),
        ('surgery_date = "1.3.26"', "write YYYY-MM-DD"),
        ("surgery_date = 1026-03-01", "too far back"),
        ('stature_cm = "172"', "write a number"),
        ("stature_cm = true", "write a number"),
        ("stature_cm = 1.72", "not one of a person"),
        ("stature_cm = nan", "not one of a person"),
        ('name = "x"', "may hold surgical_side"),
    ],
)
def test_a_text_file_that_makes_no_sense_is_refused_in_one_sentence(text, words):
    with pytest.raises(PatientError, match=words) as caught:
        read_description(text, "P07")
    assert "P07" in str(caught.value) or "cm" in str(caught.value) or "date" in str(caught.value)


def test_a_patient_that_cannot_be_is_refused():
    with pytest.raises(PatientError, match="80 to 230"):
        Patient("P07", stature_m=17.2)


# --- the commands ------------------------------------------------------------------------------


def test_add_edit_and_list(run):
    assert "No patient yet" in run("list").stdout
    done = run(
        "add", "P07", "--surgical", "left", "--surgery-date", "2026-03-01", "--stature-cm", 172
    )
    assert (done.exit_code, done.stderr) == (0, "")
    assert "surgical side left, date of surgery 2026-03-01, stature 172 cm" in done.stdout
    assert run("add", "P08").exit_code == 0
    assert run("edit", "p07", "--surgical-side", "right").exit_code == 0
    lines = run("list").stdout.splitlines()
    assert lines[1].split() == ["P07", "right", "2026-03-01", "172", "cm", "0", "0"]
    assert "not known" in lines[2]


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (["add", "P7"], "--accept-code"),
        (["add", "P07b"], "--accept-code"),
        (["add", "P09", "--surgery-date", "2126-03-01"], "--accept-date"),
        (["add", "P09", "--surgery-date", "1996-03-01"], "--accept-date"),
        (["edit", "P07", "--surgery-date", "2126-03-01"], "--accept-date"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_what_is_hardly_meant_is_asked_about(run, monkeypatch, words, option):
    run("add", "P07")
    before = run("list").stdout
    refused = run(*words)
    assert (refused.exit_code, option in refused.stderr) == (1, True)
    assert run("list").stdout == before
    with monkeypatch.context() as at_a_screen:
        at_a_screen.setattr("click.testing._NamedTextIOWrapper.isatty", lambda self: True)
        answer = CliRunner().invoke(main, ["patient", *words], input="n\n")
        assert (answer.exit_code, "all the same? [y/N]" in answer.stdout) == (130, True)
        assert run("list").stdout == before
        assert CliRunner().invoke(main, ["patient", *words], input="y\n").exit_code == 0
    assert run("list").stdout != before


def test_what_is_hardly_meant_is_taken_with_its_option(run):
    run("add", "P07")
    assert run("add", "P7", "--accept-code").exit_code == 0
    far = ["--surgery-date", "2126-03-01", "--accept-date"]
    assert run("add", "P09", *far).exit_code == 0
    assert run("edit", "P07", *far).exit_code == 0
    assert run("edit", "P09", "--stature-cm", 180).exit_code == 0  # and is not asked about again


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["add", "Anna"], 1, "--accept-code"),
        (["add", "12345678"], 1, "--accept-code"),
        (["add", "Anna Smith"], 1, "no patient's code"),
        (["add", "P07"], 1, "There is a patient P07 already"),
        (["add", "p07"], 1, "already"),
        (["add", "P09", "--stature-cm", "1.72"], 1, "80 to 230"),
        (["add", "P09", "--surgical", "both"], 2, "left"),
        (["add", "P09", "--surgery-date", "1.3.2026"], 2, "1.3.2026"),
        (["edit", "P09", "--surgical", "left"], 1, "There is no patient P09; known are: P07"),
        (["edit", "P07"], 2, "Name what is to change"),
        (["remove", "P09", "--yes"], 1, "There is no patient P09"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_wrong_use_is_one_sentence_and_changes_nothing(run, words, code, says):
    run("add", "P07", "--surgical", "left")
    before = run("list").stdout
    done = run(*words)
    assert done.exit_code == code
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert run("list").stdout == before


def test_a_code_can_be_insisted_on(run):
    assert run("add", "Anna1", "--accept-code").exit_code == 0
    assert "Anna1" in run("list").stdout


def test_removal_asks_and_a_no_keeps_everything(run, tmp_path):
    run("add", "P07")
    done = CliRunner().invoke(main, ["patient", "remove", "P07"], input="n\n")
    assert done.exit_code == 130
    assert "P07" in run("list").stdout
    assert run("remove", "P07", "--yes").exit_code == 0
    assert "No patient yet" in run("list").stdout


def test_a_data_folder_that_cannot_be_made_is_one_sentence(tmp_path):
    (tmp_path / "file").write_text("in the way")
    done = CliRunner().invoke(
        main, ["patient", "add", "P07", "--data", str(tmp_path / "file" / "data")]
    )
    assert done.exit_code == 1
    assert "--data" in done.stderr
    assert "Traceback" not in done.stderr
