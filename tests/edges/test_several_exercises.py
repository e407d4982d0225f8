"""A clip that holds several exercises in a row, on the pages: the sample run."""

import json
import shutil
from collections import Counter
from dataclasses import asdict, replace
from datetime import date

import numpy as np
import pytest
from click.testing import CliRunner
from exported import add_report
from page import read_page
from stick_patient import make_analysis

from landing_analysis.commands.main import main
from landing_analysis.exercises import EXERCISES, taught_deg
from landing_analysis.export.bundle import visit_bundle
from landing_analysis.export.rows import PatientRows, tidy_rows
from landing_analysis.findings.judging import judge_measures
from landing_analysis.findings.several import by_exercise as by_exercise_of_clip
from landing_analysis.measures.summaries import with_set
from landing_analysis.pages.history import (
    left_out_landings,
    read_history,
    set_findings,
    visit_facts,
)
from landing_analysis.pages.stills import middle_rep
from landing_analysis.pages.visit import _views
from landing_analysis.pages.writing import write_progress, write_visit
from landing_analysis.patients import Patient
from landing_analysis.record.by_exercise import by_exercise, reps_by_exercise
from landing_analysis.record.database import open_record
from landing_analysis.record.patients import add_patient, find_patient
from landing_analysis.record.place import data_folder
from landing_analysis.record.reading import measure_of, read_analyses
from landing_analysis.report.figures import rep_strip_figure
from landing_analysis.report.index import index_html
from landing_analysis.report.page import _curves_of, draw_plots, report_html
from landing_analysis.report.pictures import key_pictures
from landing_analysis.report.sheet import shots_of, shown_findings, stand_for
from landing_analysis.report.verdicts import sets_of
from landing_analysis.settings import MeasureSettings
from landing_analysis.tables import Bout, Limit, Measures
from landing_analysis.window.charts import chart_text
from landing_analysis.window.clip_view import worst_rep

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
    first = {"high_knees": set(range(1, 7))}
    assert reps_by_exercise(bouts, "jog_in_place", rebounds=True) == first
    assert reps_by_exercise(bouts, "high_knees", rebounds=True) == {}


def test_an_exercise_that_rebounds_is_a_set_of_its_own_where_rebounds_are_told():
    bouts = [{"exercise": "drop_jump", "confidence": 0.9, "reps": [*range(1, 7)]}]
    assert reps_by_exercise(bouts, "jump", rebounds=True) == {"drop_jump": set(range(1, 7))}
    assert reps_by_exercise(bouts, "jump", rebounds=False) == {}


def _with_reps(one, change):
    """Return a stored analysis whose reps are changed by number."""
    reps = tuple(rep | change.get(rep["number"], {}) for rep in one.tables["rep"])
    return replace(one, tables=one.tables | {"rep": reps})


def test_rebounds_and_what_is_not_surely_of_an_exercise_count_in_none_of_its_landings(history):
    limit = Limit("long_ground_contact", "contact_time", "upper", 0.01, "s", "a choice")
    (whole,) = history.analyses
    own = by_exercise(whole)[0]
    row = next(row for row in whole.tables["measure"] if row["name"] == "contact_time")
    finding = asdict(judge_measures(Measures((measure_of(row),)), (limit,), "jog_in_place")[0])
    numbers = sorted(own.landings_that_count)
    limb = {"measure": "contact_time", "limb": None, "limit_value": limit.value}
    found = tuple(finding | limb | {"rep": rep} for rep in (*numbers, None))
    judged = replace(own, tables=own.tables | {"finding": found})
    assert left_out_landings(judged) == ""

    def counted(one):
        (told,) = set_findings(history, one)
        return told.text

    assert f"in {len(numbers)} of {len(numbers)} landings" in counted(judged)
    rebound, stray, turned = numbers[:3]
    fewer = _with_reps(judged, {
        rebound: {"rebound": 1}, stray: {"exercise": "heel_kicks"}, turned: {"view": "front"},
    })  # fmt: skip
    left = len(numbers) - 3
    assert f"in {left} of {left} landings" in counted(fewer)
    assert left_out_landings(fewer) == (
        "1 rebound, 1 seen in another view, 1 that may be heel kicks"
    )
    unknown = {number: {"rebound": None, "view": None} for number in numbers}
    assert not _with_reps(judged, unknown).tells_rebounds
    assert _with_reps(judged, unknown).landings_that_count == set(numbers)


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


# --- the clip's own report -----------------------------------------------------------------------


def _in_two(analysis, limits, other="tuck_jump"):
    """Return a set whose last half is of another exercise, judged as an analysis is."""
    half = len(analysis.reps.reps) // 2
    reps = tuple(
        replace(rep, exercise="jump" if k < half else other)
        for k, rep in enumerate(analysis.reps.reps)
    )
    numbers = {
        "jump": [r.number for r in reps[:half]],
        other: [r.number for r in reps[half:]],
    }
    bouts = tuple(
        Bout(k, exercise, 0.9, tuple(own), 0.0, 1.0)
        for k, (exercise, own) in enumerate(numbers.items(), 1)
    )
    rows = tuple(
        replace(row, of_set=row.rep in numbers["jump"]) for row in analysis.measures.measures
    )
    measures = with_set(Measures(rows), MeasureSettings())
    exercises = {rep.number: rep.exercise for rep in reps}
    return replace(
        analysis,
        reps=replace(analysis.reps, reps=reps, bouts=bouts),
        measures=measures,
        limits=limits,
        findings=judge_measures(measures, limits, "jump", exercises),
    )


def _inward(exercise, deg):
    title = "knee_inward" if exercise == "jump" else "knee_outward"
    return Limit(title, "fppa_peak_flexion", "upper", deg, "deg", "a choice", exercises=(exercise,))


@pytest.fixture(scope="module")
def in_two():
    return _in_two(make_analysis(), (_inward("jump", -90.0), _inward("tuck_jump", 90.0)))


def test_each_rep_of_a_clip_is_held_against_the_limits_of_its_own_exercise(in_two):
    exercise_of = {rep.number: rep.exercise for rep in in_two.reps.reps if rep.used}
    assert set(exercise_of.values()) == {"jump", "tuck_jump"}
    judged = {found.rep: found for found in in_two.findings if found.rep is not None}
    assert judged.keys() == exercise_of.keys()
    for number, exercise in exercise_of.items():
        found = judged[number]
        assert (found.name, found.verdict, found.limit) == (
            ("knee_inward", "above", -90.0) if exercise == "jump" else
            ("knee_outward", "within", 90.0)
        )  # fmt: skip


def test_each_exercise_of_a_clip_has_means_and_findings_of_its_own_reps(in_two):
    own, other = by_exercise_of_clip(in_two)
    assert [own.decided.exercise, other.decided.exercise] == ["jump", "tuck_jump"]
    for one in (own, other):
        numbers = {rep.number for rep in one.reps.reps}
        assert {row.rep for row in one.measures.measures} <= numbers
        assert {found.rep for found in one.findings} <= {*numbers, None}
        means = [s.mean for s in one.measures.summaries if s.name == "fppa_peak_flexion"]
        values = [
            [r.value for r in one.measures.measures
             if (r.name, r.limb) == ("fppa_peak_flexion", limb) and r.value is not None]
            for limb in ("left", "right")
        ]  # fmt: skip
        assert means == pytest.approx([np.mean(found) for found in values])
    of_set = [{f.name for f in one.findings if f.rep is None} for one in (own, other)]
    assert of_set == [{"knee_inward"}, {"knee_outward"}]
    assert by_exercise_of_clip(make_analysis())[0].decided.exercise == "jump"
    assert len(by_exercise_of_clip(make_analysis())) == 1


def test_the_report_names_the_exercise_of_every_finding_where_a_clip_holds_several(in_two):
    first, rest = shown_findings(sets_of(in_two))
    assert {row.title for row in first} == {"Two-leg jumps – knee inward"}
    assert {row.title for row in rest} == {"Tuck jumps – knee outward"}
    jumps = sum(rep.used and rep.exercise == "jump" for rep in in_two.reps.reps)
    assert {row.landings for row in first} == {f"in {jumps} of {jumps} landings"}
    page = read_page(report_html(in_two, (), None)).text
    inward = f"limb: knee inward in {jumps} of {jumps} landings"
    assert f"jumps – non-surgical (left) {inward}; surgical (right) {inward}." in page
    assert "Tuck jumps – no value of any landing lies outside a limit, or probably so." in page
    assert "Findings of all 2 exercises: 2 outside a limit, 2 within" in page
    assert page.count("Each exercise is judged by its own limits.") == 1
    alone = read_page(report_html(make_analysis(), (), None)).text
    assert "Each exercise is judged" not in alone
    assert "Findings of the set:" in alone


def test_pictures_and_curves_of_a_clip_that_holds_several_say_whose_they_are(in_two):
    sets = sets_of(in_two)
    found = shots_of(sets, key_pictures(in_two))
    assert {shot.exercise for shot in found} == {"Two-leg jumps", "Tuck jumps"}
    for one in sets:
        title = EXERCISES[one.reps.reps[0].exercise].title
        numbers = {rep.number for rep in one.reps.reps}
        assert {shot.picture.rep for shot in found if shot.exercise == title} <= numbers
    (single,) = sets_of(make_analysis())
    assert {shot.exercise for shot in shots_of((single,), key_pictures(single))} == {""}
    assert [plot.heading.rpartition(", ")[2] for plot in draw_plots(in_two).curves] == [
        "jumps", "tuck jumps",
    ]  # fmt: skip
    assert draw_plots(single).curves[0].heading == "FPPA through ground contact"


def test_a_rebound_is_in_no_curve_of_the_landings():
    analysis = make_analysis()
    rows = tuple(replace(row, of_set=row.rep != 2) for row in analysis.measures.measures)
    whole, rebounding = (
        _curves_of(one)
        for one in (analysis, replace(analysis, measures=replace(analysis.measures, measures=rows)))
    )
    reps = [{curve.rep for curve in one.curves} for one in (whole, rebounding)]
    assert reps[0] - reps[1] == {2}


def test_target_and_limits_are_drawn_over_the_reps_that_are_held_against_them():
    analysis = make_analysis(view="left_side")
    limit = Limit("stiff_landing", "knee_flexion_peak", "lower", 30.0, "deg", "x",
                  exercises=("high_knees",))  # fmt: skip
    two = _in_two(analysis, (limit,), "high_knees")
    jumps, others = (
        {rep.number for rep in two.reps.reps if rep.exercise == code}
        for code in ("jump", "high_knees")
    )
    (axes,) = rep_strip_figure(two, "knee_flexion_peak").axes
    spans = {text.get_text(): text.get_position()[0] for text in axes.texts}
    assert spans["target 60"] == max(jumps) + 0.5
    assert spans["limit 30"] == max(others) + 0.5
    first, *rest = analysis.reps.reps
    rebounding = replace(analysis.reps, reps=(replace(first, rebound=True), *rest))
    alone = replace(analysis, limits=(), reps=rebounding)
    (axes,) = rep_strip_figure(alone, "knee_flexion_peak").axes
    spans = {text.get_text(): text.get_position()[0] for text in axes.texts}
    assert spans["target 60"] == axes.get_xlim()[1]
    assert spans["rebound"] == first.number


def test_the_rep_to_look_at_first_is_of_the_clips_own_exercise(in_two):
    jumps = {rep.number for rep in in_two.reps.reps if rep.exercise == "jump"}
    rows = tuple(
        replace(row, value=80.0) if row.rep not in jumps and row.value is not None else row
        for row in in_two.measures.measures
    )
    far = replace(in_two, measures=replace(in_two.measures, measures=rows))
    assert worst_rep(far) in jumps


def test_a_view_set_by_hand_that_the_pictures_contradict_is_told(history):
    (whole,) = history.analyses
    for origin, turned_deg, told in (
        ("given", -80.0, 1),
        ("given", 20.0, 0),
        ("detected", 80.0, 0),
    ):
        values = {"view": "front", "view_origin": origin, "view_yaw_deg": turned_deg}
        words = _views((replace(whole, values=whole.values | values),))
        assert len(words) == told
        assert all("set by hand to be seen from the front" in one for one in words)
        assert all("turned by 80 deg" in one for one in words)


def test_a_visit_pictures_each_exercise_by_a_rep_of_its_own(history):
    for one in history.sets:
        assert middle_rep(one) in one.landings_that_count


def test_a_visits_first_sheet_names_what_it_has_no_room_for(folder):
    with open_record(folder) as record:
        page = read_page(write_visit(record, "P07", DAY).read_text(encoding="utf-8")).text
    assert "Also filmed, but not on this sheet: heel kicks to the buttock." in page
    assert "and 1 reps" not in page
    assert "needs a value of both limbs" not in page


def test_the_chart_gives_no_value_of_the_body_beside_those_of_both_limbs(history):
    lines = [line for line in chart_text(history, DAY).splitlines() if "(left)" in line]
    assert any(line.startswith("Flight time") for line in lines)
    assert not any("whole body" in line for line in lines)


def test_the_report_of_a_clip_judges_as_the_visits_page_does(sample_reports, history, document):
    page = read_page((sample_reports / RUN / "report.html").read_text(encoding="utf-8")).text
    told = [row["text"] for one in history.sets[1:] for row in one.tables["finding"]
            if row["rep"] is None]  # fmt: skip
    assert told
    for text in told:
        assert text[1:] in page


def test_lists_name_every_exercise_of_a_clip(sample_reports, tmp_path):
    landmarks = sample_reports / RUN / "landmarks.parquet"
    done = CliRunner().invoke(main, ["analyse", str(landmarks), "--out", str(tmp_path)])
    named = "in a row jogging in place, high knees, heel kicks"
    assert named in done.output
    for name in ("one", "other"):  # a single report is not listed
        shutil.copytree(sample_reports / RUN, tmp_path / "two" / name)
    assert read_page(index_html(tmp_path / "two")).text.count(named) == 2
