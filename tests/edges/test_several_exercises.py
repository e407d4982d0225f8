"""A clip that holds several exercises in a row, on the pages: the sample run."""

import json
from collections import Counter
from dataclasses import asdict, replace
from datetime import date

import pytest
from exported import add_report
from page import read_page

from landing_analysis.exercises import taught_deg
from landing_analysis.export.bundle import visit_bundle
from landing_analysis.export.rows import PatientRows, tidy_rows
from landing_analysis.pages.history import read_history, visit_facts
from landing_analysis.pages.writing import write_progress, write_visit
from landing_analysis.patients import Patient
from landing_analysis.record.by_exercise import by_exercise, reps_by_exercise
from landing_analysis.record.database import open_record
from landing_analysis.record.patients import add_patient, find_patient
from landing_analysis.record.place import data_folder
from landing_analysis.record.reading import read_analyses
from landing_analysis.report.sheet import stand_for
from landing_analysis.tables import Limit

RUN = "run_p01_left_side"
DAY = date(2026, 6, 1)
STEPS = ("jog_in_place", "high_knees", "heel_kicks")


@pytest.fixture(scope="module")
def folder(tmp_path_factory, sample_reports):
    place = data_folder(tmp_path_factory.mktemp("run"))
    with open_record(place) as record:
        add_patient(record, Patient("P07", surgical_side="left"))
        add_report(record, "P07", DAY, sample_reports / RUN)
    return place


@pytest.fixture(scope="module")
def history(folder):
    with open_record(folder) as record:
        return read_history(record, "P07")


@pytest.fixture(scope="module")
def document(sample_reports):
    return json.loads((sample_reports / RUN / "analysis.json").read_text(encoding="utf-8"))


def test_each_exercise_of_a_clip_is_a_set_of_its_own(history):
    (whole,) = history.analyses
    assert [one.values["exercise"] for one in history.sets] == list(STEPS)
    assert [one.is_part for one in history.sets] == [False, True, True]
    numbers = [{rep["number"] for rep in one.tables["rep"]} for one in history.sets]
    assert sum(map(len, numbers)) == len(set.union(*numbers)) == len(whole.tables["rep"])
    for one, own in zip(history.sets, numbers, strict=True):
        assert {row["rep"] for row in one.tables["measure"]} <= own


@pytest.mark.parametrize("exercise", STEPS[1:])
def test_means_of_a_bout_are_those_of_the_clips_report(history, document, exercise):
    (bout,) = [one for one in document["bouts"] if one["exercise"] == exercise]
    told = {(row["name"], row["limb"]): row for row in bout["summaries"]}
    means = {(v.name, v.limb): v for v in history.visits if v.exercise == exercise}
    assert means.keys() == told.keys()
    for key, mean in means.items():
        assert mean.value == pytest.approx(told[key]["mean"])
        assert mean.sd == pytest.approx(told[key]["mean_sd"])
        assert mean.reps == told[key]["reps_used"]


def test_the_visit_and_progress_pages_show_every_exercise(folder):
    with open_record(folder) as record:
        pages = [write_visit(record, "P07", DAY), write_progress(record, "P07")[0]]
    visit, progress = (read_page(page.read_text(encoding="utf-8")) for page in pages)
    headings = [words for level, words in visit.headings if level == 2]
    assert {"Jogging in place", "High knees", "Heel kicks to the buttock"} <= set(headings)
    assert visit.text.count("which holds several exercises in a row") == 2
    assert "Thigh angle at the top" in progress.text
    assert "Heel height at the top" in progress.text


def test_limits_are_held_against_each_exercise_by_itself(history):
    (whole,) = history.analyses
    limit = asdict(Limit("long_ground_contact", "contact_time", "upper", 0.01, "s", "a choice"))
    strict = replace(whole, values={**whole.values, "limits": [limit]}, tables=whole.tables)
    sets = by_exercise(strict)
    facts = visit_facts(replace(history, sets=sets))
    assert {found.exercise for found in facts[0].findings} == set(STEPS[1:])  # judged here
    for one in sets[1:]:
        judged = {row["rep"] for row in one.tables["finding"]} - {None}
        assert judged == {row["number"] for row in one.tables["rep"] if row["used"]}


def test_bouts_that_are_not_sure_or_of_stray_reps_are_shown_nowhere_else():
    reps = (range(1, 7), range(7, 13), range(13, 19), range(19, 21))
    bouts = [
        {"exercise": "high_knees", "confidence": confidence, "reps": list(numbers)}
        for confidence, numbers in zip((0.9, 0.7, None, 0.9), reps, strict=True)
    ]
    assert reps_by_exercise(bouts, "jog_in_place") == {"high_knees": set(range(1, 7))}
    assert reps_by_exercise(bouts, "high_knees") == {}


def test_an_exercise_that_a_person_gave_is_the_only_one_of_its_clip(history):
    (whole,) = history.analyses
    given = replace(whole, values={**whole.values, "exercise_origin": "given"})
    assert by_exercise(given) == (given,)


def test_tables_and_bundle_name_each_reps_own_exercise(folder, history):
    with open_record(folder) as record:
        rows = PatientRows(find_patient(record, "P07"), (), read_analyses(record, "P07"))
    tables = tidy_rows(rows)
    counts = {one.values["exercise"]: len(one.tables["rep"]) for one in history.sets}
    assert Counter(row["exercise"] for row in tables["reps"]) == counts
    assert {row["exercise"] for row in tables["sets"]} == set(STEPS)
    assert [row["exercise"] for row in tables["analyses"]] == ["jog_in_place"]
    resources = [entry["resource"] for entry in visit_bundle(rows, DAY)["entry"]]
    assert len({resource["id"] for resource in resources}) == len(resources)
    sets = [one["code"] for one in resources if "hasMember" in one]
    assert [code["coding"][0]["code"] for code in sets] == list(STEPS)


def test_steps_are_not_held_against_the_flexion_that_landings_are_taught(sample_reports):
    pages = [
        (sample_reports / name / "report.html").read_text(encoding="utf-8")
        for name in ("p01_jumps_left_side", RUN)
    ]
    assert ["target 60" in page for page in pages] == [True, False]
    assert [taught_deg(exercise, 60.0) for exercise in ("jump", *STEPS)] == [60.0, *[None] * 3]
    assert stand_for([30.0, 40.0, 55.0], "knee_flexion_peak", 60.0) == {"typical": 1, "worst": 0}
    assert stand_for([30.0, 40.0, 55.0], "knee_flexion_peak", None) == {"typical": 1}


def test_a_bouts_limbs_are_not_compared_in_a_time_that_differs_by_less_than_a_frame(
    document, sample_reports
):
    frame_s = 1 / document["clip"]["median_fps"]
    alike = 0
    for bout in document["bouts"]:
        means = [row["mean"] for row in bout["summaries"] if row["name"] == "contact_time"]
        alike += abs(means[0] - means[1]) < frame_s
    assert 0 < alike < len(document["bouts"])
    page = read_page((sample_reports / RUN / "report.html").read_text(encoding="utf-8")).text
    assert page.count("the limbs differ by less than one frame") >= alike
