"""The pages on visits, weeks and change, asked for what a reader sees."""

from __future__ import annotations

import csv
import re
from base64 import b64decode
from copy import deepcopy
from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from page import Page, read_page
from stand_in import (
    MODEL_SHA256,
    job,
    run,
    stand_in,
    template_analysis,
    template_document,
    tiny_clip,
)

from landing_analysis.analysing import ANNOTATED
from landing_analysis.commands.main import main
from landing_analysis.definitions import CAUTIONS, INTENDED_USE
from landing_analysis.demo.clinic import add_stories, make_clinic
from landing_analysis.demo.stories import STORIES
from landing_analysis.errors import ClipError, OutputError, RecordError
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.tally import tally
from landing_analysis.folder.entries import check_clip
from landing_analysis.folder.watch import Job
from landing_analysis.pages.compare import compare_html
from landing_analysis.pages.history import read_history, read_minimal_changes, tally_of
from landing_analysis.pages.leading import leading, main_exercises
from landing_analysis.pages.stills import middle_rep, stills_of
from landing_analysis.pages.words import limb_role, short_day, since_surgery
from landing_analysis.pages.writing import write_progress, write_visit
from landing_analysis.patients import INVENTED_MODEL, Patient
from landing_analysis.record.database import open_record
from landing_analysis.record.exchange import export_record
from landing_analysis.record.patients import add_patient, edit_patient, list_patients
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.record.reading import StoredAnalysis, read_analyses
from landing_analysis.record.removal import remove_patient
from landing_analysis.record.sessions import enter_session, enter_tick
from landing_analysis.report.style import new_figure, svg_text
from landing_analysis.tables import LIMBS
from landing_analysis.trend.changes import NONE_SHOWN
from landing_analysis.video.clips import write_clip

LAST_DAY = date(2026, 5, 29)
LAST_VISIT = "visit-2026-05-29.html"
TEMPLATE = template_document()


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> DataFolder:
    """The demonstration without sample clips."""
    folder = tmp_path_factory.mktemp("demo")
    made = make_clinic(folder / "data", LAST_DAY, 1, folder / "no_clips")
    assert (made.patients, made.clips) == (6, 0)
    return data_folder(folder / "data")


@pytest.fixture(scope="module")
def pages(clinic) -> dict[Path, Page]:
    """Every page of the demonstration as a reader sees it, read once."""
    paths = sorted(clinic.pages.rglob("*.html"))
    return {path: read_page(path.read_text(encoding="utf-8")) for path in paths}


def _text(clinic: DataFolder, name: str) -> str:
    return read_page((clinic.pages / name).read_text(encoding="utf-8")).text


def _command(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


# --- all pages ---------------------------------------------------------------------------------


def test_there_is_a_page_for_each_visit_each_patient_and_the_week(clinic, pages):
    names = {path.relative_to(clinic.pages).as_posix() for path in pages}
    assert "week-2026-05-25.html" in names
    assert {f"{story.code}/compare.html" for story in STORIES} <= names
    visits = sum(len(story.days_before) for story in STORIES)
    own = {"compare.html", "progress.html", "for-patient.html"}
    assert {f"{story.code}/{name}" for story in STORIES for name in own} <= names
    assert len(names) == 1 + len(own) * len(STORIES) + visits


def test_every_page_needs_nothing_else_and_runs_nothing(pages):
    for path, page in pages.items():
        html = path.read_text(encoding="utf-8")
        assert not {"script", "link", "iframe", "object", "embed", "form"} & set(page.tags)
        assert not re.search(r"(https?:)?//", html)
        assert "@import" not in html
        assert "url(" not in html.replace("url(#", "")
        assert "default-src 'none'" in html
        for address in page.addresses:
            if not address.startswith(("data:image/jpeg;base64,", "#")):
                assert (path.parent / address).is_file(), address
        assert len(page.ids) == len(set(page.ids))


def test_every_page_says_that_its_data_are_invented_what_it_is_for_and_to_be_careful(pages):
    for path, page in pages.items():
        text = page.text
        assert "Invented data." in text
        if path.name == "for-patient.html":
            assert "Stop, and tell your therapist, if your knee hurts, swells" in text
            continue
        assert INTENDED_USE in text
        assert all(caution in text for caution in CAUTIONS)


def test_no_value_is_printed_that_is_not_one(pages):
    for page in pages.values():
        assert not re.search(r"\b(nan|NaN|None|inf|Undefined)\b", page.text)
        assert not re.search(r"−0(\.0+)? ", page.text)
        assert not re.search(r" -\d", page.text)


def test_every_picture_is_described(pages):
    for page in pages.values():
        for picture in page.pictures:
            assert picture.get("aria-label") or picture.get("alt") or "aria-hidden" in picture


def test_a_tick_keeps_all_its_decimals():
    figure, (axes,) = new_figure(4.0, 2.0)
    axes.plot([0, 1], [0.27, 0.38])
    axes.set_yticks([0.275, 0.375])
    assert "0.275" in svg_text(figure, "ticks", "ticks")


# --- one visit ---------------------------------------------------------------------------------


def test_front_and_side_views_of_an_exercise_are_joined(clinic):
    text = _text(clinic, f"DEMO3/{LAST_VISIT}").split("The clinician decides.", 1)[1]
    jumps = text[text.index("Two-leg jumps") : text.index("One-leg hops")]
    assert re.search(
        r"FPPA at peak flexion from the front, 16 reps [+−]?\d+\.\d ± \d+\.\d deg", jumps
    )
    seen = "from the side, 16 reps, each limb in sets of its own"
    assert re.search(rf"Peak knee flexion {seen} \d+\.\d ± \d+\.\d deg", jumps)
    assert "surgical (left) against non-surgical (right)" in jumps
    assert re.search(r"LSI \d+ ± \d+ %", jumps)


def test_what_no_clip_of_an_exercise_shows_is_not_measurable_and_why(clinic):
    text = _text(clinic, f"DEMO3/{LAST_VISIT}")
    hops = text[text.index("One-leg hops") :]
    why = "not measurable: this is a left side view; it needs a front or back view"
    assert 1 <= hops.count(why) <= 2  # limb by limb, and of the whole body
    assert "FPPA at initial contact, FPPA at peak flexion, Peak inward FPPA" in hops


def test_without_a_surgical_side_limbs_are_left_and_right(clinic):
    name = next(path.name for path in (clinic.pages / "DEMO6").glob("visit-*"))
    text = _text(clinic, f"DEMO6/{name}")
    assert "not known: limbs are called left and right" in text
    assert "left against right" in text
    assert "surgical (" not in text
    assert limb_role("right", None) == "right"


def test_weeks_are_counted_only_from_a_known_surgery():
    known = Patient("P07", surgery_date=date(2026, 3, 1))
    assert since_surgery(known, date(2026, 3, 29)) == "4 weeks since surgery"
    assert since_surgery(known, date(2026, 2, 1)) == "before surgery"
    assert since_surgery(Patient("P07"), date(2026, 3, 29)) == "date of surgery not known"


# --- one week ----------------------------------------------------------------------------------


def test_the_week_puts_those_with_a_reason_first_and_loses_nobody(clinic):
    text = _text(clinic, "week-2026-05-25.html")
    first, rest = text.split("The rest of the week")
    assert first.index("DEMO4") < first.index("DEMO5")
    assert "pain or swelling Noted on 2026-05-29: pain 1 of 10 before; effusion trace" in first
    for kind in (
        "new finding",
        "side difference grown",
        "quality too poor to read",
    ):
        assert kind in first
    assert "Both legs were seen in 41 % of the frames. (8 clips)" in first
    assert "DEMO1" in rest
    assert "DEMO6" in rest.split("Not seen this week")[1]
    assert "it diagnoses nobody and clears nobody" in text


def test_no_finding_is_one_that_everybody_has(clinic):
    with open_record(clinic) as record:
        (sets,) = record.rows("SELECT count(*) FROM analysis")[0]
        outside = record.rows(
            "SELECT name, count(DISTINCT analysis_id) FROM finding WHERE rep IS NULL "
            "AND verdict IN ('above', 'below') GROUP BY name, measure"
        )
    assert outside
    assert all(flagged < 0.25 * sets for _, flagged in outside)


def test_a_first_visit_is_listed_apart(clinic):
    page = Path(_command("week", "2026-05-20", "--data", clinic.path).output.strip())
    text = read_page(page.read_text(encoding="utf-8")).text
    page.unlink()
    first, new = text.split("Seen for the first time", 2)[1:]
    assert "DEMO6" not in first[: first.index("Also seen")]
    assert "At a first visit: DEMO6." in first
    assert "DEMO6" in new[: new.index("The rest of the week")]


def test_a_week_without_visits_says_so(clinic):
    result = _command("week", "2020-01-01", "--data", clinic.path)
    assert result.exit_code == 0
    page = Path(result.output.strip())
    assert page.name == "week-2019-12-30.html"
    text = read_page(page.read_text(encoding="utf-8")).text
    assert "Nobody else was seen this week." in text
    page.unlink()


# --- change ------------------------------------------------------------------------------------


def test_a_real_change_is_told_with_what_it_exceeds(clinic):
    text = _text(clinic, "DEMO3/compare.html")
    summary, below = text.split("Real does not mean", 1)
    assert re.search(
        r"FPPA at peak flexion, from the front since the visit before .* since the first visit "
        r"−1\d\.\d ± \d\.\d deg real",
        summary,
    )
    assert re.search(
        r"FPPA at peak flexion, from the front .*?Since the first visit surgical \(left\) ?: real "
        r"change 2026-03-06 to 2026-05-29: −1\d\.\d ± \d\.\d deg; a real change exceeds 8\.9 deg "
        r"\(the minimal detectable change\)",
        below,
    )
    assert "7.54 to 8.93 deg" in text
    assert re.search(r"SEM \d\.\d+ s, n = \d+ sets in \d+ groups", text)
    assert "only 24 % of 46 uninjured athletes" in text


def test_the_week_calls_grown_what_the_page_on_change_calls_real(clinic):
    week = _text(clinic, "week-2026-05-25.html")
    grown = re.findall(
        r"(Two-leg jumps|One-leg hops): ([^:]+?), (front|side) view: "
        r"(limb symmetry index|side difference)",
        week,
    )
    assert len(grown) >= 3
    summary = _text(clinic, "DEMO4/compare.html").split("Real does not mean", 1)[0]
    for _, label, family, _ in grown:
        row = re.search(
            f"{label}, from the {family} since the visit before (.*?) since the first visit",
            summary,
        )
        assert row
        assert row[1].endswith("real")


def test_both_limbs_and_their_difference_add_up_on_every_visit(clinic):
    for path in clinic.pages.glob("*/visit-*.html"):
        text = read_page(path.read_text(encoding="utf-8")).text.replace("−", "-")
        value = r"([-+]?\d+\.\d+) ± \S+ (?:deg|%[a-z ]*|s)"
        rows = re.findall(rf"reps[^.]*? {value} {value} (LSI )?([-+]?\d+(?:\.\d+)?) ±", text)
        assert len(rows) >= 10
        for lead, other, index, side in rows:
            if index:
                assert float(side) == pytest.approx(100 * float(lead) / float(other), abs=0.8)
            else:
                assert float(side) == pytest.approx(float(lead) - float(other), abs=0.11)


def test_a_visit_says_from_which_size_on_limbs_and_visits_are_told_apart(clinic):
    told = 0
    for path in clinic.pages.glob("*/visit-*.html"):
        text = read_page(path.read_text(encoding="utf-8")).text
        for part in text.split("What these numbers can tell")[1:]:
            row = re.search(r"FPPA at peak flexion (\S+)(?: deg)? (\S+) deg", part)
            if row:
                told += 1
                # Munro et al. 2012: 8.93 deg is the least that two visits must differ by
                assert float(row[2]) >= 8.9
                assert row[1] == "–" or row[1] in re.findall(r"± (\S+) deg", text)
    assert told >= 6


def test_visits_at_other_frame_rates_are_not_set_against_each_other(clinic):
    text = _text(clinic, "DEMO5/compare.html")
    last = text[: text.index("Since the first visit")]
    assert "Since the visit before. No measure can be compared or judged; the plots" in last
    assert f"Since the visit before. In all measures: {NONE_SHOWN}" not in text
    assert "not comparable: filmed at 60 and at 30 frames/s" in text
    assert re.search(r"limbs and their difference: cannot be compared \S+ to \S+ not comp", text)


def test_a_visit_sets_each_value_beside_that_of_the_visit_before(clinic):
    day = LAST_DAY - timedelta(days=14)
    text, before = (_text(clinic, f"DEMO4/visit-{one}.html") for one in (LAST_DAY, day))
    glance = text[text.index("At a glance") : text.index("Below a value: the visit before")]
    said = rf"(\S+) ± \S+ deg {short_day(day)}: (\S+), (a real change|no change shown)"
    found = re.findall(said, glance)
    assert {words for _, _, words in found} == {"a real change", "no change shown"}
    for now, then, words in found:
        assert f"{then} ±" in before
        moved = abs(float(now.replace("−", "-")) - float(then.replace("−", "-")))
        if "+" in now or "−" in now:  # an FPPA has a sign
            # Munro et al. 2012: 8.93 deg is the least that two visits must differ by
            assert (words == "a real change") <= (moved >= 8.9)
    first = _text(clinic, f"DEMO4/{_visits(clinic, 'DEMO4')[0]}")
    assert "Below a value: the visit before" not in first
    unlike = _text(clinic, f"DEMO5/{LAST_VISIT}")
    assert re.search(rf"deg {short_day(day)}: \S+, not comparable", unlike)


def _visits(clinic, code):
    return sorted(path.name for path in (clinic.pages / code).glob("visit-*.html"))


@pytest.mark.usefixtures("without_plots")
def test_a_change_says_up_to_which_visit_where_one_limb_was_seen_later(clinic):
    with open_record(clinic) as record:
        history, minimal = read_history(record, "DEMO3"), read_minimal_changes(record)
    later = [v for v in history.visits if (v.day, v.family) == (LAST_DAY, "side")]
    unseen = {v for v in later if v.limb == "right"}
    seen_once = replace(
        history,
        visits=tuple(v for v in history.visits if v not in unseen),
        sides=tuple(v for v in history.sides if (v.day, v.family) != (LAST_DAY, "side")),
    )
    assert unseen
    whole, less = (read_page(compare_html(one, minimal, None)).text for one in (history, seen_once))
    assert "to 15 May" not in whole
    row = less[less.index("Peak knee flexion, from the side") :]
    assert row.index("to 15 May") > row.index(" deg")  # the left limb's value is up to today


def test_the_exercise_with_most_sets_leads_a_visit(clinic):
    with open_record(clinic) as record:
        history = read_history(record, "DEMO5")
    day = LAST_DAY - timedelta(14)
    names = [exercise for exercise, _ in main_exercises(history, day)]
    # Six sets of eight jumps, two of hops, and one each of 55 and more steps (`demo.invent`).
    assert names == ["jump", "hop", "jog_in_place", "high_knees", "heel_kicks"]
    assert leading(history, day, main_exercises(history, day)).exercise == "jump"


def test_one_visit_has_nothing_to_compare_with(clinic):
    text = _text(clinic, "DEMO6/compare.html")
    assert "There is no earlier visit" in text
    assert "One visit only; nothing to compare with." in text
    assert "weeks since the first visit" in text
    assert "real change exceeds" not in text


def test_fppa_is_spelled_out_with_its_sign_where_it_first_stands(pages):
    shown = 0
    for page in pages.values():
        text = page.text
        if "FPPA" in text:
            shown += 1
            told = text.index("Frontal-plane projection angle (FPPA)")
            assert told < text.index("FPPA")
            assert "+ = knee inward" in text[told : told + 300]
    assert shown > 0.8 * len(pages)


def test_a_visit_begins_with_at_most_five_findings_and_how_good_the_clips_are(clinic):
    for path in clinic.pages.glob("*/visit-*.html"):
        html = path.read_text(encoding="utf-8")
        first = html[html.index("At a glance") : html.index("</section>")]
        lines = re.search(r'<ul class="outside">(.*?)</ul>', first, re.DOTALL)
        assert lines is None or lines[1].count("<li>") <= 5
        assert re.search(r"\d+ clips? with numbers: \d+ reps, \d+ used\. Quality: ", first)


def test_what_several_sets_of_a_visit_show_is_said_once(clinic):
    sheet = read_page(_first_sheet(clinic, f"DEMO4/{LAST_VISIT}")).text
    assert sheet.count("Knee inward in") == 1
    assert re.search(r"Set 1, jumps, from the front: Knee inward in .*? Also in set 2\.", sheet)
    assert _text(clinic, f"DEMO4/{LAST_VISIT}").count("Knee inward in") == 3  # and on both cards


def test_percentages_of_a_visit_say_of_what(clinic):
    text = _text(clinic, f"DEMO4/{LAST_VISIT}")
    assert re.search(r"Knee over toes offset \(% of [a-z -]+\)", text)
    indices = re.findall(r"LSI \d+ ± \d+ %(.{8})", text)
    assert len(indices) >= 4
    assert set(indices) == {" of left"}


def _first_sheet(clinic: DataFolder, name: str) -> str:
    html = (clinic.pages / name).read_text(encoding="utf-8")
    assert html.count('<section class="sheet') == 1
    return html[html.index('<section class="sheet') : html.index("</section>")] + "</section>"


def test_a_visits_first_sheet_shows_each_limb_typical_and_worst_and_one_plot(clinic):
    sheet = _first_sheet(clinic, f"DEMO4/{LAST_VISIT}")
    with open_record(clinic) as record:
        history = read_history(record, "DEMO4")
    rows = [
        (row["limb"], row["value"], row["rep"], one.values["set_number"])
        for one in history.analyses
        if one.date == LAST_DAY and one.values["exercise"] == "jump"
        for row in one.tables["measure"]
        if row["name"] == "fppa_peak_flexion" and row["value"] is not None
    ]
    text = read_page(sheet.replace("<br>", " ")).text.replace("\N{NO-BREAK SPACE}", " ")
    for limb, role in (("right", "surgical"), ("left", "non-surgical")):
        own = [row[1:] for row in rows if row[0] == limb]
        middle = sorted(value for value, *_ in own)
        median = (middle[(len(own) - 1) // 2] + middle[len(own) // 2]) / 2
        from_median = [abs(value - median) for value, *_ in own]
        to_zero = [-abs(value) for value, *_ in own]
        for which, away in (("typical", from_median), ("worst", to_zero)):
            nearest = (k for k in range(len(own)) if away[k] <= min(away) + 1e-9)  # two can tie
            told = [
                f"{limb}, {role} {which}: rep {rep}, set {number} FPPA at peak flexion: "
                + f"{value:+.1f} deg".replace("-", "−")
                for value, rep, number in (own[k] for k in nearest)
            ]
            assert any(words in text for words in told)
    assert "No pictures: the numbers are invented, there is no clip." in text
    assert sheet.count('<figure class="plot') == 1
    assert "FPPA at peak flexion, from the front" in text


def test_sets_of_a_visit_are_counted_out_and_never_called_within_wholesale(clinic):
    text = _text(clinic, f"DEMO4/{LAST_VISIT}")
    assert "No finding of a set" not in text
    assert "No finding of the set" not in text
    kind = "outside a limit|cannot tell|not measurable|probably outside|(?:probably )?within"
    kinds = rf"(\d+ (?:{kind})(?:, )?)+"
    together = re.search(rf"Findings of 8 sets together: {kinds}", text)
    assert together
    each = re.findall(rf"Findings of the set: ((?:{kinds})+)", text)
    assert len(each) == 8
    counted = {
        kind: [
            sum(int(n) for n in re.findall(rf"(\d+) {kind}", words))
            for words in (together[0], " ".join(words for words, _ in each))
        ]
        for kind in ("outside a limit", "probably outside", "cannot tell", "probably within",
                     "within", "not measurable")
    }  # fmt: skip
    assert all(of_visit == of_sets for of_visit, of_sets in counted.values()), counted
    assert all(counted[kind][0] > 0 for kind in ("outside a limit", "cannot tell", "within"))


def test_the_tally_of_a_stored_set_is_that_of_its_report(tmp_path):
    folder = data_folder(tmp_path / "data")
    root = tmp_path / "drop"
    tiny_clip(root / "P07" / "20260304_101112.mp4", 1)
    run(folder, job(root, stand_in(TEMPLATE, tmp_path / "log")))
    with open_record(folder) as record:
        (stored,) = read_analyses(record, "P07")
    assert tally_of(stored) == tally(template_analysis())
    assert tally_of(stored).judged


@pytest.mark.parametrize("slowed_by", [1.0, 4.0])
def test_a_still_shows_the_deepest_moment_of_its_rep_also_of_a_slowed_clip(tmp_path, slowed_by):
    with write_clip(tmp_path / ANNOTATED, 64, 64) as writer:
        for k in range(24):
            writer.write(np.full((64, 64, 3), 10 * k, np.uint8), k / 10)
    reps = tuple(
        {
            "number": number, "used": True, "landing_s": at_s, "player_s": slowed_by * at_s,
            "peak_flexion_s": at_s + 0.2 / slowed_by, "exercise": "jump", "rebound": 0,
            "view": None,
        }
        for number, at_s in ((1, 0.35 / slowed_by), (2, 0.85 / slowed_by), (3, 1.45 / slowed_by))
    )  # fmt: skip
    values = {"exercise": "jump", "view": "front"}
    stored = StoredAnalysis("P07", LAST_DAY, "", values, {"rep": reps})
    assert middle_rep(stored) == 2
    found = stills_of(stored, tmp_path, (1, 3, 4))
    greys = {
        rep: float(cv2.imdecode(np.frombuffer(b64decode(jpeg.split(",")[1]), np.uint8), 0).mean())
        for rep, jpeg in found.items()
    }
    assert greys == {1: pytest.approx(60, abs=6), 3: pytest.approx(170, abs=6)}
    assert stills_of(stored, tmp_path / "gone", (1,)) == {}


def test_a_week_begins_with_one_sheet_and_all_its_reasons_follow(clinic):
    week = "week-2026-05-25.html"
    text, sheet = _text(clinic, week), read_page(_first_sheet(clinic, week)).text
    assert sheet.index("DEMO4") < sheet.index("DEMO5")
    more = re.findall(r"(\d+) more reasons? below\.", sheet)
    assert more
    below = text[text.index("All reasons to look first") : text.index("The rest of the week")]
    assert "side difference grown" in below
    assert "Also seen" in sheet
    for story in STORIES:
        assert (story.code in sheet) == (story.code != "DEMO6")


# --- what the record says ----------------------------------------------------------------------


def test_the_record_and_its_export_mark_what_is_invented(clinic, tmp_path):
    with open_record(clinic) as record:
        assert all(patient.invented for patient in list_patients(record))
        models = record.rows("SELECT DISTINCT model_name FROM analysis")
        assert [row[0] for row in models] == [INVENTED_MODEL]
        export_record(record, tmp_path / "export")
    with (tmp_path / "export" / "tables" / "patient.csv").open(encoding="utf-8") as file:
        assert {row["invented"] for row in csv.DictReader(file)} == {"1"}
    assert "DEMO1 (invented)" in _command("patient", "list", "--data", clinic.path).output


def test_the_same_seed_invents_the_same_numbers_whoever_else_is_invented(tmp_path, clinic):
    codes = ("DEMO2", "DEMO6")
    values = []
    for name, seed in (("again", 1), ("other", 2)):
        with open_record(data_folder(tmp_path / name)) as record:
            add_stories(record, [s for s in STORIES if s.code in codes], LAST_DAY, seed)
    for folder in (clinic, data_folder(tmp_path / "again"), data_folder(tmp_path / "other")):
        with open_record(folder) as record:
            values.append(record.rows(
                "SELECT mean FROM summary JOIN analysis ON analysis_id = analysis.id "
                "JOIN clip ON clip_id = clip.id JOIN visit ON visit_id = visit.id "
                "JOIN patient ON patient_id = patient.id WHERE code IN (?, ?) ORDER BY summary.id",
                *codes,
            ))  # fmt: skip
    first, again, other = [[row[0] for row in found] for found in values]
    assert len(first) > 100
    assert first == again
    assert first != other


@pytest.mark.usefixtures("without_plots")
def test_sample_clips_are_really_analysed_and_not_set_against_invented_numbers(
    tmp_path, monkeypatch
):
    samples = tmp_path / "samples"
    tiny_clip(samples / "p01_jumps_front.mp4", 1)
    tiny_clip(samples / "p02_hops_left_side.mp4", 2)
    analyse = stand_in(TEMPLATE, tmp_path / "log")
    monkeypatch.setattr(
        "landing_analysis.demo.clinic.Job", partial(Job, analyse=analyse, check=check_clip)
    )
    with_samples = tuple(story for story in STORIES if story.sample)
    monkeypatch.setattr("landing_analysis.demo.clinic.STORIES", with_samples)
    made = make_clinic(tmp_path / "data", LAST_DAY, 1, samples)
    assert made.clips == 2
    folder = data_folder(tmp_path / "data")
    with open_record(folder) as record:
        last = [a for a in read_history(record, "DEMO1").analyses if a.date == LAST_DAY]
    assert [a.values["model_sha256"] for a in last] == [MODEL_SHA256]
    text = _text(folder, "DEMO1/compare.html")
    last = text[: text.index("Since the first visit")]
    told = re.search(r"before\. In (\d+) of (\d+) measures: no change.*The other (\d+) cann", last)
    assert told is None or int(told[1]) + int(told[3]) == int(told[2])
    assert told or "before. No measure can be compared or judged" in last
    assert "not comparable: " in text
    assert "Report of this clip" in _text(folder, f"DEMO1/{LAST_VISIT}")


def test_invented_patients_never_join_real_ones(tmp_path):
    assert _command("patient", "add", "P07", "--data", tmp_path).exit_code == 0
    result = _command("demo", tmp_path)
    assert result.exit_code == 1
    assert "holds patients already" in result.output
    with pytest.raises(RecordError):
        make_clinic(tmp_path, LAST_DAY, 1, tmp_path)


# --- clips of real folders ---------------------------------------------------------------------


@pytest.fixture
def real(tmp_path, monkeypatch, without_plots) -> DataFolder:
    """One patient with two visits, from clips whose files are badly named."""
    monkeypatch.setenv("LANDING_ANALYSIS_DATA", str(tmp_path / "data"))
    root = tmp_path / "drop"
    tiny_clip(root / "P07" / "Jane_Doe_20260304_101112.mp4", 1)
    tiny_clip(root / "P07" / "Jane_Doe_20260311_101112.mp4", 2)
    folder = data_folder()
    run(folder, job(root, stand_in(TEMPLATE, tmp_path / "log")))
    return folder


def test_pages_show_codes_and_no_file_names(real):
    assert _command("week", "2026-03-11").exit_code == 0
    pages = sorted(real.pages.rglob("*.html"))
    assert len(pages) == 5
    for path in pages:
        page = read_page(path.read_text(encoding="utf-8"))
        assert "Jane" not in page.text
        assert "P07" in page.text
        assert "Invented" not in page.text


def test_the_visit_page_links_each_clips_report(real):
    result = _command("visit", "p07", "2026-03-04")
    assert result.exit_code == 0
    path = Path(result.output.strip())
    page = read_page(path.read_text(encoding="utf-8"))
    (report,) = [a for a in page.addresses if a.endswith("report.html")]
    assert (path.parent / report.replace("%20", " ")).is_file()
    assert "no annotated clip to take a picture from" in page.text


def _hops(template: dict, *, foot_to_foot: bool, period_s: float = 0.5) -> dict:
    """Return the template as if its landings had been on one foot."""
    document = deepcopy(template)
    document["decided"].update(exercise="hop", limb=None if foot_to_foot else "left")
    document["bouts"] = [{**bout, "exercise": "hop"} for bout in document["bouts"]]
    for number, rep in enumerate(document["reps"]):
        foot = LIMBS[number % 2] if foot_to_foot else "left"
        left = LIMBS[(number + 1) % 2] if foot_to_foot else "left"
        rep.update(exercise="hop", limbs=[foot])
        rep["flight"].update(landing_s=number * period_s, take_off_limbs=[left])
    return document


@pytest.mark.usefixtures("without_plots")
def test_bounds_are_not_averaged_with_hops_nor_hops_in_other_rhythms(tmp_path):
    folder, root = data_folder(tmp_path / "data"), tmp_path / "drop"
    documents = {
        "20260304_101112": _hops(TEMPLATE, foot_to_foot=False),
        "20260304_101212": _hops(TEMPLATE, foot_to_foot=True),
        "20260304_101312": _hops(TEMPLATE, foot_to_foot=False, period_s=1.2),
    }
    for number, name in enumerate(documents):
        tiny_clip(root / "P07" / f"{name}.mp4", number)

    def analyse(path, *rest):
        return stand_in(documents[path.stem], tmp_path / "log")(path, *rest)

    run(folder, job(root, analyse))
    assert _command("week", "2026-03-04", "--data", folder.path).exit_code == 0
    hops, bounds = "One-leg hops, a landing every 0.5 s", "One-leg landings from foot to foot"
    slow = "One-leg hops, a landing every 1.2 s"
    for name in ("visit-2026-03-04.html", "compare.html"):
        page = read_page((folder.pages / "P07" / name).read_text(encoding="utf-8"))
        headings = [words for level, words in page.headings if level == 2]
        assert [words for words in headings if words.startswith("One-leg")] == [
            hops, slow, f"{bounds} (bounds, jogging in place)",
        ]  # fmt: skip
        assert page.text.count("Not averaged with ") == 3


def test_a_clip_without_numbers_is_named_by_its_reason_only(real, tmp_path):
    broken = tiny_clip(tmp_path / "drop" / "P07" / "Jane_Doe_20260312_101112.mp4", 3)
    assert broken.is_file()

    def refuse(path, *_):
        raise ClipError(f"{path.name} shows nobody; film again.")

    run(real, job(tmp_path / "drop", refuse))
    with open_record(real) as record:
        assert read_history(record, "P07").days[-1] == date(2026, 3, 12)
    _command("visit", "P07")
    _command("week", "2026-03-12")
    for name in ("P07/visit-2026-03-12.html", "week-2026-03-09.html"):
        text = _text(real, name)
        assert "A clip has no numbers: the clip shows nobody; film again." in text
        assert "Jane" not in text


def test_the_week_names_clips_that_need_attention_or_wait_and_no_file(real, tmp_path):
    drop = tmp_path / "drop"
    tiny_clip(drop / "P07" / "Jane_Doe_20260312_101112.mp4", 3)
    tiny_clip(drop / "P07" / "Jane_Doe_20260313_141516.mp4", 4)
    tiny_clip(drop / "P07" / "Jane_Doe_20260401_101112.mp4", 5)
    (drop / "P07" / "Jane_Doe_damaged.mp4").write_bytes(b"no clip at all")
    tiny_clip(drop / "Jane_Doe_of_nobody.mp4", 6)

    def refuse(path, *_):
        if "20260312" in path.name:
            raise ClipError(f"{path.name} shows nobody; film again.")
        raise OutputError("The disk is full.")

    run(real, job(drop, refuse))
    _command("week", "2026-03-12")
    text = _text(real, "week-2026-03-09.html")
    waiting = text[text.index("Clips without numbers", text.index("Look at these")) :]
    assert (
        "P07: needs attention, 12 March 2026, recorded at 10:11: the clip shows nobody" in waiting
    )
    assert "P07: waiting, 13 March 2026, recorded at 14:15: The disk is full." in waiting
    assert "1 more clip of other weeks" in waiting
    assert "1 file of the drop folder belongs to nobody yet" in waiting
    assert re.search("P07: needs attention, the file [^J]*Which files these are", waiting)
    assert "Jane" not in text
    first = text[: text.index("Clips without numbers", text.index("Look at these"))]
    assert "the clip shows nobody" in first
    assert "The disk is full." not in first


# --- a surgical side that is put right ---------------------------------------------------------


def _first_report(folder: DataFolder) -> str:
    return sorted(folder.reports.rglob("report.html"))[0].read_text(encoding="utf-8")


def _edit(side: str) -> None:
    assert _command("patient", "edit", "P07", "--surgical", side).exit_code == 0


def test_findings_follow_a_surgical_side_that_is_put_right(real, tmp_path):
    document = deepcopy(TEMPLATE)
    finding = next(f for f in document["findings"] if f["rep"] is None and f["limb"] == "right")
    finding["verdict"] = "above"
    tiny_clip(tmp_path / "drop" / "P07" / "20260401_101112.mp4", 3)
    _edit("left")
    run(real, job(tmp_path / "drop", stand_in(document, tmp_path / "log")))
    for side, words in (("left", "non-surgical (right) limb"), ("right", "surgical (right) limb")):
        _edit(side)
        assert _command("week", "2026-04-01").exit_code == 0
        for name in ("week-2026-03-30.html", "P07/visit-2026-04-01.html"):
            text = _text(real, name)
            assert f"peak flexion, {words}, the set: {finding['value']:+.1f}" in text


def test_what_was_made_before_a_change_of_the_surgical_side_says_so_when_opened(real):
    assert _command("week", "2026-03-11").exit_code == 0
    bare = _first_report(real)
    _edit("right")
    report = read_page(_first_report(real)).text
    assert report.startswith("Out of date. This report was made when the surgical side of P07 was")
    assert "was not known; now it is right." in report
    pages = sorted(real.pages.rglob("*.html"))
    assert len(pages) == 5
    for page in pages:
        text = read_page(page.read_text(encoding="utf-8")).text
        assert text.startswith("Out of date. This page was made before")
    _command("week", "2026-03-11")
    for page in pages:
        assert "This page was made before" not in page.read_text(encoding="utf-8")
    linked = _text(real, "P07/visit-2026-03-11.html")
    assert "Report of this clip (out of date: it goes by a surgical side that was not" in linked
    _edit("left")
    assert "now it is left." in _first_report(real)
    assert _first_report(real).count("Out of date.") == 1
    with open_record(real) as record:
        edit_patient(record, Patient("P07"))
    assert _first_report(real) == bare


def test_a_report_made_anew_is_up_to_date(real, tmp_path):
    _edit("right")
    run(real, job(tmp_path / "drop", stand_in(TEMPLATE, tmp_path / "log"), renew=True))
    assert "Out of date." not in _first_report(real)
    _edit("left")
    assert "was right; now it is left." in _first_report(real)


def test_a_report_that_was_under_way_during_the_change_is_marked(real, tmp_path):
    tiny_clip(tmp_path / "drop" / "P07" / "20260301_101112.mp4", 3)
    analyse = stand_in(TEMPLATE, tmp_path / "log")

    def slow(*given):
        made = analyse(*given)
        with open_record(real) as record:
            edit_patient(record, Patient("P07", surgical_side="left"))
        return made

    run(real, job(tmp_path / "drop", slow))
    assert "was not known; now it is left." in _first_report(real)


def test_a_side_is_not_changed_while_a_report_cannot_be_marked(real):
    sorted(real.reports.rglob("report.html"))[1].write_bytes(b"\xff\xfe no text")
    result = _command("patient", "edit", "P07", "--surgical", "right")
    assert result.exit_code == 1
    assert "cannot be marked as out of date" in " ".join(result.output.split())
    with open_record(real) as record:
        assert list_patients(record)[0].surgical_side is None


def test_removing_a_patient_removes_the_pages(real):
    assert _command("week", "2026-03-11").exit_code == 0
    with open_record(real) as record:
        remove_patient(record, "P07")
    assert not list(real.pages.rglob("*.html"))
    assert not (real.pages / "P07").exists()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("visit", "P99"), "There is no patient P99; known are: P07."),
        (("compare", "P99"), "There is no patient P99"),
        (("visit", "P07", "2026-03-05"), "no visit of P07 on 2026-03-05; the last are 2026-03-04"),
    ],
)
def test_what_is_not_there_is_said_in_one_sentence(real, words, sentence):
    result = _command(*words)
    assert result.exit_code == 1
    assert sentence in " ".join(result.output.split())


def test_a_patient_without_clips_has_no_page(tmp_path):
    _command("patient", "add", "P07", "--data", tmp_path)
    for command in ("visit", "compare"):
        result = _command(command, "P07", "--data", tmp_path)
        assert result.exit_code == 1
        assert "There is no clip of P07" in result.output


def test_a_date_that_is_none_is_wrong_use(real):
    assert _command("visit", "P07", "4.3.2026").exit_code == 2


def test_pages_lie_where_only_their_owner_can_look(clinic):
    for folder in (clinic.pages, clinic.pages / "DEMO1"):
        assert folder.stat().st_mode & 0o077 == 0


# --- the session of a visit --------------------------------------------------------------------


def test_a_visit_with_pain_swelling_or_distress_leads_with_stop_or_modify(clinic):
    text = _text(clinic, f"DEMO4/{LAST_VISIT}")
    noted = "Noted at this visit: pain 1 of 10 before; effusion trace before; pain 4 of 10 during"
    assert text.index(noted) < text.index("At a glance")
    assert text.index(CAUTIONS[0]) < text.index(noted)
    assert "Noted at this visit" not in _text(clinic, f"DEMO1/{LAST_VISIT}")


def test_a_visit_sets_plan_and_filmed_dose_side_by_side(clinic):
    text = _text(clinic, f"DEMO4/{LAST_VISIT}")
    # 6 sets of 8 jumps and a set of 8 hops on each limb are invented at each visit.
    assert "6 × 8 reps, rest 60 s, body weight 6 sets of 8, 4 s of landings" in text
    assert "48 (left 48, right 48)" in text
    assert "64 foot contacts filmed: left 56, right 56." in text
    assert "3 × 8 reps, rest 60 s, box 20 cm not filmed" in text


def test_published_rules_are_quoted_with_their_source_and_decide_nothing(clinic):
    text = _text(clinic, f"DEMO4/{LAST_VISIT}")
    for words in (
        "J Orthop Sports Phys Ther 2009;39(12):845–849",
        "Int J Sports Phys Ther 2018;13(3):422–431",
        "stop, rest two days, go down one step during",
        "the program suggests nothing. The clinician decides.",
    ):
        assert words in text
    assert "Quoted to be read" not in _text(clinic, f"DEMO6/visit-{LAST_DAY - timedelta(9)}.html")


def test_symptoms_stand_beside_the_measures_of_this_and_earlier_visits(clinic):
    text = _text(clinic, f"DEMO4/{LAST_VISIT}")
    assert re.search(r"29 May 2026 \(this visit\) 4 of 10 1\+ 9 of 10 64 \+19\.5 ±", text)
    # 64 landings as today, and three bouts of steps of 20 s (`demo.invent`).
    assert re.search(r"15 May 2026 0 of 10 0 9 of 10 238 ", text)


def test_a_session_without_a_clip_has_a_page_of_its_own(tmp_path):
    with open_record(data_folder(tmp_path)) as record:
        add_patient(record, Patient("P07"))
        enter_session(record, "P07", LAST_DAY, {"plan": ["jump 3x20"], "note": "no phone"}, None)
        page = write_visit(record, "P07")
    text = read_page(page.read_text(encoding="utf-8")).text
    assert "3 × 20 reps not filmed" in text
    assert "no phone" in text


# --- progress ----------------------------------------------------------------------------------


def test_the_progress_sheet_shows_the_whole_ladder_in_its_order(clinic):
    html = (clinic.pages / "DEMO4" / "progress.html").read_text(encoding="utf-8")
    rungs = re.findall(r'<th scope="row">([^<]+)</th>', html)
    assert rungs == [entry.title for entry in EXERCISES.values()]


def test_the_progress_sheet_shows_best_and_latest_readings_with_their_days(clinic):
    text = _text(clinic, "DEMO4/progress.html")
    jumps = text[text.index("Two-leg jumps 7") : text.index("Alternating leg-to-leg")]
    # DEMO4's surgical knee bends least at the last visit (`demo.stories`).
    readings = r"Peak knee flexion [56]\d\.\d ± .* deg \d+ \w+ 46\.0 ± .* deg 29 May"
    assert re.search(readings, jumps)
    assert "going on, 1 May by T1" in jumps


def test_a_tick_is_shown_until_it_is_taken_back(tmp_path):
    with open_record(data_folder(tmp_path)) as record:
        add_patient(record, Patient("P07"))
        enter_session(record, "P07", LAST_DAY, {"plan": ["jump 3x20"]}, None)
        enter_tick(record, "P07", "jump", LAST_DAY, "T1", note="three calm sets")
        sheet, _ = write_progress(record, "P07")
        before = read_page(sheet.read_text(encoding="utf-8")).text
        enter_tick(record, "P07", "jump", LAST_DAY, "T1", ticked=False)
        write_progress(record, "P07")
    after = read_page(sheet.read_text(encoding="utf-8")).text
    assert "☑ going on, 29 May by T1: three calm sets" in before
    assert "☑" not in after
    assert "☐ taken back, 29 May by T1" in after


def test_the_patients_half_page_speaks_in_the_clinicians_words_or_leaves_a_line(clinic):
    told = _text(clinic, "DEMO1/for-patient.html")
    assert "What went well You land quietly now, toes first." in told
    assert "One thing to work on Let the left knee bend" in told
    assert "FPPA" not in told
    silent = (clinic.pages / "DEMO4" / "for-patient.html").read_text(encoding="utf-8")
    assert silent.count('class="line"') == 2
