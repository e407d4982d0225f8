"""What Python programs get is what the command writes, number for number."""

from __future__ import annotations

import doctest
import io
import json
import re
import subprocess
import sys
from dataclasses import replace
from inspect import signature
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from marked_engine import answers, marked_clip, stand_in
from pandas.testing import assert_frame_equal
from stick_patient import make_analysis, without_reps

import landing_analysis as la
from landing_analysis import library
from landing_analysis.analysing import analyse_clip
from landing_analysis.commands.analyse import analyse as command
from landing_analysis.definitions import DEFINITIONS, value_columns
from landing_analysis.errors import DocumentError
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.limits import read_limits
from landing_analysis.frames import reps_csv, reps_frame
from landing_analysis.landmarks import pose
from landing_analysis.reasons import Code, because
from landing_analysis.report.documents import SCHEMA_VERSION, analysis_document, analysis_json
from landing_analysis.stages import Options
from landing_analysis.tables import TimeBase
from landing_analysis.wording import note_words, words_of

TABLES = ("measures", "reps", "contacts", "findings", "notes")
_ALL_BUT_THE_LAST = ", ".join(list(EXERCISES)[:-1])
SETS = ({}, {"view": "right_side", "exercise": "hop"}, {"view": "oblique", "surgical_side": None})


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The clip of an invented set, its analysis in memory, and the folder that it stands in."""
    folder = tmp_path_factory.mktemp("front door")
    marked_clip(folder / "set1.mp4")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pose, "engines", stand_in(answers()))
        analysis = la.analyse(folder / "set1.mp4", surgical_side="left", stature_cm=172)
    return folder, analysis


def _read_back(analysis, folder: Path) -> la.ClipAnalysis:
    path = folder / "analysis.json"
    path.write_text(analysis_json(analysis_document(analysis)), encoding="utf-8")
    return la.read_analysis(path)


def _same_tables(one: la.ClipAnalysis, other: la.ClipAnalysis) -> None:
    for name in TABLES:
        assert_frame_equal(getattr(one, name)(), getattr(other, name)(), check_exact=True)


# --- loading -----------------------------------------------------------------------------------


def test_the_package_loads_nothing_before_it_is_asked():
    program = (
        "import sys\nbefore = set(sys.modules)\nimport landing_analysis as la\n"
        "heavy = {'numpy', 'pandas', 'cv2', 'ai_edge_litert', 'matplotlib', 'pyarrow', 'scipy',"
        " 'av'}\n"
        "print(sorted(heavy & set(sys.modules)), 'analyse' in dir(la), end=' ')\n"
        "la.analyse, la.read_analysis\n"
        "print(sorted((heavy - {'numpy'}) & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[] True []"


def test_the_stub_names_what_the_package_offers():
    stub = (Path(la.__file__).parent / "__init__.pyi").read_text(encoding="utf-8")
    assert all(f"    {name},\n" in stub for name in la.__all__)
    assert set(la.__all__) == set(library.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = la.nothing


def test_the_example_of_the_docstring_runs(made, tmp_path, monkeypatch):
    folder, _ = made
    monkeypatch.chdir(tmp_path)
    (tmp_path / "set1.mp4").write_bytes((folder / "set1.mp4").read_bytes())
    monkeypatch.setattr(pose, "engines", stand_in(answers()))
    test = doctest.DocTestParser().get_doctest(library.__doc__, {}, "library", None, None)
    assert len(test.examples) >= 8
    said = []
    results = doctest.DocTestRunner().run(test, out=said.append, clear_globs=False)
    assert results.failed == 0, "".join(said)
    assert {item.name for item in (tmp_path / "reports" / "set1").iterdir()} == {
        "report.html", "reps.csv", "analysis.json", "annotated.mp4", "landmarks.parquet",
    }  # fmt: skip
    assert len(test.globs["means"]) > 5


def test_the_python_example_of_the_readme_runs(made, tmp_path, monkeypatch):
    folder, _ = made
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    example = re.search(r"<!-- python example -->\n```python\n(.+?)```", readme, re.DOTALL)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "set1.mp4").write_bytes((folder / "set1.mp4").read_bytes())
    monkeypatch.setattr(pose, "engines", stand_in(answers()))
    names: dict[str, object] = {}
    exec(example[1], names)
    assert (tmp_path / "reports" / "set1" / "report.html").is_file()
    assert len(names["a"].measures()) > 0


class _Screen(io.StringIO):
    def __init__(self, *, terminal: bool) -> None:
        super().__init__()
        self._terminal = terminal

    def isatty(self) -> bool:
        return self._terminal


@pytest.mark.parametrize("where", ["terminal", "notebook", "nobody"])
def test_long_steps_are_counted_where_somebody_looks(made, tmp_path, monkeypatch, where):
    folder, found = made
    screen = _Screen(terminal=where == "terminal")
    monkeypatch.setattr(pose, "engines", stand_in(answers()))
    monkeypatch.setattr(sys, "stderr", screen)
    if where == "notebook":
        monkeypatch.setitem(sys.modules, "ipykernel", sys)
    la.analyse(folder / "set1.mp4")
    lines = [line for line in re.split(r"[\r\n]", screen.getvalue()) if line]
    frames = found.document["clip"]["frames"]
    assert (f"set1.mp4: finding the body: {frames} of {frames}" in lines) == (where != "nobody")
    done = re.compile(r"set1.mp4: looking at it mirrored: (\d+) of \1")
    assert bool(lines and done.fullmatch(lines[-1])) == (where != "nobody")


# --- the same as the command -------------------------------------------------------------------


def test_memory_holds_what_the_command_writes_with_its_limits(made, tmp_path, monkeypatch):
    folder, found = made
    monkeypatch.setattr(pose, "engines", stand_in(answers()))
    options = Options(
        surgical_side="left", stature_m=1.72, limits=read_limits(), annotated_clip=False
    )
    report = analyse_clip(folder / "set1.mp4", tmp_path / "out", options).report
    written = la.read_analysis(report.parent)
    for document in (found.document, written.document):
        assert document["findings"]
        assert document["limits"]
    _same_tables(found, written)
    apart = {"provenance"}  # when, and on how many cores
    assert {k: v for k, v in found.document.items() if k not in apart} == {
        k: v for k, v in written.document.items() if k not in apart
    }


def test_nothing_is_written_unless_asked(made):
    folder, _ = made
    assert [item.name for item in folder.iterdir()] == ["set1.mp4"]


def test_the_options_have_the_names_of_the_command():
    given = set(signature(la.analyse).parameters) - {"path", "start"}
    ours = {option.name for option in command.params}
    renamed = {"limits_file": "limits"}
    of_report = {"annotated_clip", "keep_faces"} & set(signature(la.write_report).parameters)
    assert of_report == {"annotated_clip", "keep_faces"}
    elsewhere = {"paths", "out_dir", "debug", "keep_faces", "no_annotated_clip"}
    assert given == {renamed.get(name, name) for name in ours - elsewhere}


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"surgical_side": "Left"}, "surgical_side is 'Left'; give left or right."),
        ({"stature_cm": 1.72}, "stature_cm is 1.72; give a number from 80 to 230."),
        ({"stature_cm": float("nan")}, "stature_cm is nan; give a number from 80 to 230."),
        ({"stature_cm": "172"}, "stature_cm is '172'; give a number from 80 to 230."),
        ({"target_flexion_deg": 0}, "target_flexion_deg is 0; give a number from 10 to 140."),
        (
            {"exercise": "squat"},
            f"exercise is 'squat'; give {', '.join(list(EXERCISES)[:-1])} or tuck_jump.",
        ),
        ({"view": "side"}, "view is 'side'; give front, back, left_side, right_side or oblique."),
        ({"person": 0}, "person is 0; give a whole number from 1 to 99."),
        ({"person": 1.5}, "person is 1.5; give a whole number from 1 to 99."),
        ({"person": True}, "person is True; give a whole number from 1 to 99."),
        ({"slowed_by": float("inf")}, "slowed_by is inf; give a number from 0.1 to 64."),
        ({"workers": 65}, "workers is 65; give a whole number from 1 to 64."),
    ],
    ids=str,
)
def test_an_option_that_makes_no_sense_gives_one_sentence(made, wrong, words):
    folder, _ = made
    with pytest.raises(la.LandingAnalysisError) as refused:
        la.analyse(folder / "set1.mp4", **wrong)
    assert str(refused.value) == words


def test_options_overrule_and_the_limits_file_is_read(made, tmp_path):
    _, found = made
    stored = la.write_report(found, tmp_path / "report", annotated_clip=False).parent
    limit = found.document["limits"][0]
    names = f'finding = "{limit["finding"]}"\nmeasure = "{limit["measure"]}"\n'
    own = tmp_path / "own.toml"
    own.write_text(f"[[limit]]\n{names}enabled = false\n")
    again = la.analyse(
        str(stored / "landmarks.parquet"), exercise="jump", view="left-side", person=1, slowed_by=1,
        target_flexion_deg=70, limits=str(own),
    )  # fmt: skip
    assert len(again.document["limits"]) == len(found.document["limits"]) - 1
    decided = again.document["decided"]
    assert (decided["exercise_origin"], decided["view"]) == ("given", "left_side")
    assert decided["target_flexion_deg"] == 70.0
    assert decided["time_base"]["origin"] == "given"


def test_a_clip_that_is_not_there_gives_one_sentence(tmp_path):
    for path in (tmp_path / "none.mp4", tmp_path / "none.parquet", tmp_path):
        with pytest.raises(la.LandingAnalysisError, match=r"^[^\n]+\.$"):
            la.analyse(path)


# --- tables ------------------------------------------------------------------------------------


@pytest.mark.parametrize("chosen", SETS, ids=str)
def test_measures_hold_every_value_as_the_stages_gave_it(chosen, tmp_path):
    analysis = make_analysis(**chosen)
    table = _read_back(analysis, tmp_path).measures()
    rows = analysis.measures.measures
    assert len(table) == len(rows) > 0
    known = {(m.rep, m.name, m.limb): m for m in rows}
    seen = set()
    for row in table.itertuples():
        limb = None if pd.isna(row.limb) else row.limb
        m = known[row.rep, row.measure, limb]
        seen.add((row.rep, row.measure, limb))
        assert (row.unit, row.frames, row.of_set) == (m.unit, m.frames, m.of_set)
        if m.reason is None:
            assert (row.value, row.value_sd) == (m.value, m.sd)
            assert pd.isna(row.reason)
            assert pd.isna(row.reason_code)
        else:
            assert np.isnan(row.value)
            assert np.isnan(row.value_sd)
            assert (row.reason, row.reason_code) == (words_of(m.reason), str(m.reason.code))
    assert seen == set(known)
    assert table["value"].dtype == table["value_sd"].dtype == np.float64


def test_reps_have_a_row_per_limb_with_numbers_in_columns_that_name_their_unit(tmp_path):
    analysis = make_analysis()
    table = _read_back(analysis, tmp_path).reps()
    assert list(table["limb"][:3]) == ["left", "right", "both"]
    of_limb = table.set_index(["rep", "limb"])
    for rep in analysis.reps.reps:
        for contact in rep.contacts:
            row = of_limb.loc[(rep.number, contact.limb)]
            assert row["initial_contact_s"] == contact.initial_contact.t_s
            if contact.toe_off:
                assert row["toe_off_sd_s"] == contact.toe_off.sd_s
        refused = table[table["rep"] == rep.number]
        assert (refused["used"] == rep.used).all()
        if rep.reason:
            assert set(refused["reason_code"]) == {str(rep.reason.code)}
    for m in analysis.measures.measures:
        if m.name == "contact_time" and m.value is not None:
            assert of_limb.loc[(m.rep, m.limb)]["contact_time_s"] == m.value
    assert all(
        table[column].dtype == np.float64
        for column in table
        if column.endswith(("_s", "_ms", "_deg", "_pct", "_m"))
    )


@pytest.mark.parametrize("chosen", SETS, ids=str)
def test_reps_csv_is_the_table_of_reps_rounded_no_more_than_it_says(chosen):
    document = analysis_document(make_analysis(**chosen))
    table, text = reps_frame(document), reps_csv(document)
    written = pd.read_csv(io.StringIO(text), true_values=["yes"], false_values=["no"])
    assert list(written.columns) == list(table.columns)
    values = {
        column: 10.0 ** -(item.decimals + 1)
        for item in DEFINITIONS.values()
        for column in value_columns(item.name, item.unit)
    }
    steps = {**values, "initial_contact_s": 1e-4, "toe_off_s": 1e-4, "view_yaw_deg": 1.0}
    for column, step in steps.items():
        np.testing.assert_allclose(
            written[column].astype(float), table[column], atol=0.5 * step * (1 + 1e-6)
        )
    for column in ("used", "limb", "reason", "reason_code", "not_measurable", "view"):
        one, other = written[column].astype("object"), table[column].astype("object")
        assert one.where(one.notna(), "").tolist() == other.where(other.notna(), "").tolist()


def test_a_held_landing_says_why_it_has_no_toe_off(tmp_path):
    held = _read_back(make_analysis(), tmp_path).contacts().iloc[-1]
    assert np.isnan(held["toe_off_s"])
    assert pd.isna(held["toe_off_frame"])
    assert held["reason_code"] in set(Code)
    assert "held" in held["reason"]


def test_notes_have_a_remark_a_row_and_findings_a_value_a_row(made):
    _, found = made
    notes, findings = found.notes(), found.findings()
    stored = found.worked.analysis
    assert len(notes) == sum(len(note.remarks) for note in stored.notes)
    for note in stored.notes:
        words = notes[notes["check"] == note.check]["reason"]
        assert note_words(note) in " ".join(words)
    assert list(findings["value"]) == [finding.value for finding in stored.findings]
    assert set(findings["measure"]) <= set(DEFINITIONS)


def test_bouts_have_a_row_each_that_says_how_sure_the_exercise_is(made):
    _, found = made
    bouts = found.bouts()
    stored = found.worked.analysis.reps
    assert list(bouts["exercise"]) == [bout.exercise for bout in stored.bouts]
    assert list(bouts["reps"]) == [len(bout.reps) for bout in stored.bouts]
    assert bouts["reps_used"].sum() == sum(rep.used for rep in stored.reps)
    assert bouts["confidence"].between(0, 1).all()
    without = {key: value for key, value in found.document.items() if key != "bouts"}
    assert la.ClipAnalysis(without).bouts().empty


@pytest.mark.parametrize("chosen", SETS[:2], ids=str)
def test_the_angle_frame_by_frame_is_that_of_the_stages(made, chosen):
    _, found = made
    stored = make_analysis(**chosen)
    worked = replace(found.worked, analysis=stored)
    angles = la.ClipAnalysis(analysis_document(stored), worked).knee_angles()
    assert len(angles) == len(stored.knee_angles.deg) * len(stored.tracks.t_s)
    for limb, deg in stored.knee_angles.deg.items():
        of_limb = angles[angles["limb"] == limb]
        np.testing.assert_array_equal(of_limb["angle_deg"], deg)
        np.testing.assert_array_equal(of_limb["t_s"], stored.tracks.t_s)
    assert set(angles["angle"]) == {stored.knee_angles.kind}


def test_no_time_is_given_while_the_time_base_is_in_doubt(made):
    _, found = made
    doubt = because(Code.AS_WRITTEN_BEFORE, text="in doubt")
    stored = make_analysis()
    base = TimeBase(None, "unsettled", doubt)
    in_doubt = replace(stored, decided=replace(stored.decided, time_base=base))
    worked = replace(found.worked, analysis=in_doubt)
    t_s = la.ClipAnalysis(analysis_document(in_doubt), worked).knee_angles()["t_s"]
    assert len(t_s) > 0
    assert t_s.isna().all()


def test_a_clip_without_reps_gives_empty_tables_with_the_same_columns(tmp_path):
    empty = _read_back(without_reps(make_analysis()), tmp_path)
    full = _read_back(make_analysis(), tmp_path)
    for name in ("measures", "reps", "contacts", "findings"):
        none, some = getattr(empty, name)(), getattr(full, name)()
        assert len(none) == 0
        assert list(none.dtypes) == list(some.dtypes)
        assert list(none.columns) == list(some.columns)
    assert "no reps" in repr(empty)


# --- reading back ------------------------------------------------------------------------------


@pytest.mark.parametrize("chosen", SETS, ids=str)
def test_an_analysis_read_back_is_the_same_to_the_last_digit(chosen, tmp_path):
    analysis = make_analysis(**chosen)
    before = la.ClipAnalysis(analysis_document(analysis))
    after = _read_back(analysis, tmp_path)
    assert after == before
    _same_tables(after, before)


def test_what_is_read_back_says_that_it_holds_nothing_frame_by_frame(tmp_path):
    after = _read_back(make_analysis(), tmp_path)
    for ask in (after.knee_angles, lambda: la.write_report(after, tmp_path / "report")):
        with pytest.raises(DocumentError, match=r"nothing frame by frame; give the landmarks"):
            ask()
    assert not (tmp_path / "report").exists()


def _as_before_codes(document: dict) -> dict:
    """Return the document as versions wrote it that had sentences and no codes."""

    def bare(value):
        if isinstance(value, dict):
            return {
                key: bare(item)
                for key, item in value.items()
                if not key.endswith(("_code", "_numbers")) and key not in ("remarks", "of_set")
            }
        return [bare(item) for item in value] if isinstance(value, list) else value

    return bare({**document, "schema_version": 1})


def test_documents_of_versions_without_codes_are_read_with_their_sentences(tmp_path):
    analysis = make_analysis()
    new = la.ClipAnalysis(analysis_document(analysis))
    path = tmp_path / "analysis.json"
    before_codes = _as_before_codes(new.document)
    for rep in before_codes["reps"]:
        del rep["view"], rep["yaw_deg"]  # the first versions knew the clip's only
    path.write_text(json.dumps(before_codes))
    old = la.read_analysis(path)
    assert old.reps()[["view", "view_yaw_deg"]].isna().all(axis=None)
    for name in ("measures", "reps", "contacts"):
        apart = ["reason_code", "of_set", "view", "view_yaw_deg"]
        before, after = (getattr(one, name)() for one in (old, new))
        assert before["reason_code"].isna().all()
        assert_frame_equal(
            before.drop(columns=apart, errors="ignore"),
            after.drop(columns=apart, errors="ignore"),
            check_exact=True,
        )
    assert list(old.notes()["reason"]) == [note_words(note) for note in analysis.notes]


def test_documents_with_ungraded_verdicts_are_read_as_they_were(tmp_path):
    document = {**analysis_document(make_analysis()), "schema_version": 3}
    for finding in document["findings"]:
        del finding["probability"]
        finding["verdict"] = finding["verdict"].removeprefix("probably ")
    for row in (*document["summaries"], *document["comparisons"]):
        del row["parts"]
    path = tmp_path / "analysis.json"
    path.write_text(json.dumps(document))
    old = la.read_analysis(path)
    assert list(old.findings()["verdict"]) == [one["verdict"] for one in document["findings"]]


def test_measures_that_have_another_name_now_keep_the_one_of_their_document(tmp_path):
    text = analysis_json(analysis_document(make_analysis()))
    (tmp_path / "analysis.json").write_text(text.replace("contact_time", "time_on_ground"))
    old = la.read_analysis(tmp_path)
    assert old.reps()["time_on_ground_s"].notna().any()
    assert "time_on_ground" in set(old.measures()["measure"])


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "is not there; name the analysis.json of a report."),
        ("", "is no analysis.json that can be read, or lacks parts of one"),
        ("[]", "is no analysis.json that can be read, or lacks parts of one"),
        ('{"schema_version": 1}', "lacks parts of one; analyse the clip, or the landmarks"),
        (f'{{"schema_version": {SCHEMA_VERSION + 1}}}', "the program that wrote it, or a newer"),
    ],
    ids=str,
)
def test_what_is_no_analysis_gives_one_sentence(tmp_path, content, words):
    path = tmp_path / "a.json"
    if content is not None:
        path.write_text(content)
    with pytest.raises(la.LandingAnalysisError) as refused:
        la.read_analysis(path)
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("key", ["clip", "decided", "contacts", "reps", "findings", "quality"])
def test_a_document_that_lacks_a_part_gives_one_sentence(tmp_path, key):
    document = analysis_document(make_analysis())
    for broken in (None, 7, "x", [1], {"a": 1}):
        (tmp_path / "analysis.json").write_text(json.dumps({**document, key: broken}))
        with pytest.raises(DocumentError, match="lacks parts of one"):
            la.read_analysis(tmp_path)


# --- a report where it is asked for ------------------------------------------------------------


def test_a_report_replaces_only_a_report_of_the_same_clip(made, tmp_path):
    _, found = made
    target = tmp_path / "set1"
    page = la.write_report(found, target, annotated_clip=False)
    (target / "own notes.txt").write_text("kept")
    assert la.write_report(found, target, annotated_clip=False) == page
    assert (target / "own notes.txt").read_text() == "kept"
    assert {item.name for item in tmp_path.iterdir()} == {"set1"}
    other = tmp_path / "other"
    other.mkdir()
    (other / "thesis.txt").write_text("not ours")
    file = tmp_path / "file"
    file.write_text("not ours")
    for taken in (other, file):
        with pytest.raises(la.LandingAnalysisError, match="holds something else"):
            la.write_report(found, taken)
    assert [item.name for item in other.iterdir()] == ["thesis.txt"]
    assert file.read_text() == "not ours"


def test_a_report_takes_no_pictures_from_another_clip_of_the_name(made, tmp_path):
    _, found = made
    clip = tmp_path / "set1.mp4"
    moved = la.ClipAnalysis(found.document, replace(found.worked, video=clip))
    for content in (None, b"another clip"):
        if content:
            clip.write_bytes(content)
        with pytest.raises(la.LandingAnalysisError, match="is gone, or is no longer the clip"):
            la.write_report(moved, tmp_path / "report")
    assert not (tmp_path / "report").exists()
