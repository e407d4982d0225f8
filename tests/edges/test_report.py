"""The report page, asked for what a reader sees."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from page import read_page
from stick_patient import make_analysis, without_reps
from told import told

from landing_analysis.definitions import CAUTIONS, DEFINITIONS, INTENDED_USE
from landing_analysis.exercises import EXERCISES
from landing_analysis.findings.judging import judge_measures
from landing_analysis.findings.tally import tally
from landing_analysis.measures.summaries import summarise, summarise_bout
from landing_analysis.report import behind, pictures
from landing_analysis.report.documents import analysis_document, analysis_json
from landing_analysis.report.glance import MOST_ROWS, glances
from landing_analysis.report.header import header_facts
from landing_analysis.report.index import index_html
from landing_analysis.report.numbers import number, sentence
from landing_analysis.report.page import report_html
from landing_analysis.report.pictures import key_pictures
from landing_analysis.report.roles import with_roles
from landing_analysis.report.sheet import MOST_LINES, key_measure, shots, shown_findings
from landing_analysis.report.verdicts import first_line, first_lines, sets_of
from landing_analysis.settings import MeasureSettings
from landing_analysis.tables import OUTSIDE, PROBABLY_OUTSIDE, Bout, Limit, Note, Occasion

SETS = {
    "jumps from the front": {},
    "hops from the side": {"view": "right_side", "exercise": "hop"},
    "no surgical side": {"view": "left_side", "limb": "left", "surgical_side": None},
    "hops from behind": {"view": "back", "exercise": "hop", "limb": "left"},
    "oblique": {"view": "oblique", "surgical_side": "left"},
    "a single rep": {"reps": 1},
}
JUMPS = "jumps from the front"


def _html(analysis) -> str:
    return report_html(analysis, key_pictures(analysis), "annotated.mp4")


@cache
def _set(name: str):
    analysis = make_analysis(**SETS[name])
    return analysis, _html(analysis)


def _page(name: str = JUMPS):
    return read_page(_set(name)[1])


@pytest.mark.parametrize("name", SETS)
def test_no_value_is_printed_that_is_not_one(name):
    text = _page(name).text
    assert not re.search(r"\b(nan|NaN|None|inf|Undefined)\b", text)
    assert "−0.0 " not in text


@pytest.mark.parametrize("name", SETS)
def test_the_page_needs_nothing_else_and_runs_nothing(name):
    html = _set(name)[1]
    page = read_page(html)
    assert not {"script", "link", "iframe", "object", "embed", "form"} & set(page.tags)
    assert not re.search(r"(https?:)?//", html)
    assert "@import" not in html
    assert "url(" not in html.replace("url(#", "")
    for address in page.addresses:
        assert address.startswith(("data:image/jpeg", "#")) or address == "annotated.mp4"


def test_identifiers_are_unique_and_every_reference_has_its_target():
    html = _set(JUMPS)[1]
    page = read_page(html)
    assert len(set(page.ids)) == len(page.ids)
    used = set(re.findall(r"url\(#([^)]*)\)", html)) | {
        address[1:] for address in page.addresses if address.startswith("#")
    }
    assert used <= set(page.ids)


def test_what_was_decided_stands_at_the_top():
    text = _page().text
    top = text[: text.index("What stands out")]
    for words in ("Two-leg jumps, from the front, clip cccccccccccc", "Front, turned 3° ± 4°",
                  "8 counted, 7 used", "Surgical side right", "limited",
                  "Patient no code given", "Filmed day not known", "60 frames/s"):  # fmt: skip
        assert words in top


@pytest.mark.usefixtures("without_plots")
def test_what_was_overruled_is_marked_as_given():
    analysis = make_analysis()
    decided = replace(analysis.decided, exercise_origin="given", view_origin="given")
    text = read_page(_html(replace(analysis, decided=decided))).text
    assert "Two-leg jumps (given)" in text
    assert "from square-on (given)" in text


def test_intended_use_and_every_caution_are_visible():
    for html in (_set(JUMPS)[1], _html(without_reps(make_analysis()))):
        text = read_page(html).text
        for words in (INTENDED_USE, *CAUTIONS):
            assert words in text


def _with_a_strict_limit():
    """Return the set with the surgical knee surely outside its limit."""
    analysis = make_analysis()
    strict = Limit("knee_inward", "fppa_peak_flexion", "upper", 4.0, "deg", "a made-up limit")
    limits = (strict, *(x for x in analysis.limits if x.finding != "knee_inward"))
    findings = judge_measures(analysis.measures, limits, analysis.decided.exercise)
    return replace(analysis, limits=limits, findings=findings)


@pytest.mark.usefixtures("without_plots")
def test_findings_of_the_set_come_first_outside_before_undecided():
    analysis = with_roles(_with_a_strict_limit())
    text = read_page(_html(analysis)).text
    first = text[text.index("What stands out") : text.index("± is the half-width")]
    of_set = [f for f in analysis.findings if f.rep is None]
    shown = [f for f in of_set if sentence(f.text) in first]
    assert 1 < len(shown) <= 5
    outside = [f for f in of_set if f.verdict in OUTSIDE | PROBABLY_OUTSIDE]
    undecided = [f for f in of_set if f.verdict == "cannot tell" and f.name != "limb_offloading"]
    assert {f.text for f in shown} == {f.text for f in outside + undecided}
    last_outside = max(first.index(sentence(f.text)) for f in outside)
    assert last_outside < min(first.index(sentence(f.text)) for f in undecided)


@pytest.mark.usefixtures("without_plots")
def test_the_first_line_counts_the_landings_outside_a_limit():
    analysis = with_roles(_with_a_strict_limit())
    line = first_line(analysis)
    assert re.match(r"Surgical \(right\) limb: knee inward in \d+ of \d+ landings", line)
    assert line in read_page(_sheet(_html(analysis))).text


def test_more_than_five_findings_that_need_a_look_are_cut_to_five():
    analysis = _with_a_strict_limit()
    one = next(f for f in analysis.findings if f.rep is None and f.verdict == "above")
    many = tuple(replace(one, text=f"Sentence {k}.") for k in range(9))
    first, rest = shown_findings(sets_of(replace(analysis, findings=many)))
    assert [row.text for row in first] == [f"Sentence {k}." for k in range(5)]
    assert len(rest) == 4


# --- the first page ------------------------------------------------------------------------------


def _sheet(html: str) -> str:
    return html[html.index('<section class="sheet') : html.index("</section>")] + "</section>"


def _many_findings(analysis):
    """Return a set with more findings than a page has room for, some without a value."""
    strict = tuple(replace(x, value=x.value / 50, half_width=0.01) for x in analysis.limits)
    why = told("the foot points away from the camera")
    rows = tuple(
        replace(m, value=None, sd=None, parts=(), reason=why)
        if (m.name, m.limb) == ("fppa_peak_flexion", "left")
        else m
        for m in analysis.measures.measures
    )
    measures = replace(
        analysis.measures, measures=rows, summaries=summarise(rows, MeasureSettings())
    )
    findings = judge_measures(measures, strict, analysis.decided.exercise)
    return replace(analysis, limits=strict, measures=measures, findings=findings)


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("change", [None, _many_findings])
def test_the_first_page_has_five_lines_four_pictures_and_one_plot_at_most(name, change):
    analysis, html = _set(name)
    sheet = _sheet(_html(change(analysis)) if change else html)
    lines = sheet[sheet.index('<ul class="headlines"') :] if "headlines" in sheet else ""
    assert lines.split("</ul>")[0].count("<li>") <= MOST_LINES
    assert sheet.count('<figure class="key"') <= 4
    assert sheet.count('<figure class="plot') <= 1
    assert INTENDED_USE in sheet
    assert CAUTIONS[0] in sheet


@pytest.mark.parametrize("name", SETS)
def test_values_counted_above_are_found_again_line_by_line(name):
    analysis, html = _set(name)
    text = read_page(html).text
    first, rest = shown_findings(sets_of(analysis))
    values = {(row.title, row.text.split(",")[0], row.limb) for row in first}
    told = re.search(
        r"Values judged: (\d+), (?:(\d+) here and (\d+)|all here, their other limits) under "
        r"“More findings of the set” \((\d+) lines?, one for each limit of a value\)",
        text,
    )
    assert bool(told) == bool(rest)
    if not told:
        return
    judged, here, below, lines = (
        int(told[1]),
        int(told[2] or told[1]),
        int(told[3] or 0),
        int(told[4]),
    )
    counted = [
        int(n)
        for n in re.findall(
            r"(\d+) (?:outside a limit|probably outside|cannot tell|probably within|within)",
            text[text.index("Findings of the set:") : told.start()],
        )
    ]
    assert judged == sum(counted) == here + below
    assert here == len(values)
    assert lines == len(rest)
    assert f"More findings of the set {lines} line" in text


@pytest.mark.usefixtures("without_plots")
def test_what_has_no_value_is_among_the_lines_of_the_first_page():
    sheet = read_page(_sheet(_html(_many_findings(make_analysis())))).text
    assert (
        "– no value Not measurable FPPA at peak flexion, left: "
        "the foot points away from the camera." in sheet
    )
    assert "1 not measurable." in sheet


def test_each_limb_is_pictured_at_its_typical_and_its_worst_rep():
    analysis = make_analysis()
    found = {(s.limb, s.which.split(":")[0]): s for s in shots(analysis, key_pictures(analysis))}
    assert set(found) == {(k, w) for k in ("left", "right") for w in ("typical", "worst")}
    for limb in ("left", "right"):
        values = {
            m.rep: m.value
            for m in analysis.measures.measures
            if (m.name, m.limb) == ("fppa_peak_flexion", limb)
        }
        assert found[limb, "worst"].picture.rep == max(values, key=lambda rep: abs(values[rep]))
        typical = values[found[limb, "typical"].picture.rep]
        away = [abs(value - np.median(list(values.values()))) for value in values.values()]
        assert abs(typical - np.median(list(values.values()))) == min(away)


@pytest.mark.usefixtures("without_plots")
def test_a_side_view_pictures_the_near_limb_alone():
    analysis = make_analysis(view="right_side", surgical_side="right")
    assert {shot.limb for shot in shots(analysis, key_pictures(analysis))} == {"right"}
    sheet = read_page(_sheet(_html(analysis))).text
    assert "Worst: peak flexion farthest from the target of 60 deg." in sheet


def test_no_rep_is_called_the_worst_where_no_direction_is_better():
    analysis = make_analysis(view="oblique", surgical_side="left")
    assert key_measure(analysis) == "contact_time"
    found = shots(analysis, key_pictures(analysis))
    assert found
    assert {shot.which.split(":")[0] for shot in found} == {"typical"}
    for name in ("fppa_peak_inward", "knee_ankle_separation_ratio", "contact_time"):
        assert DEFINITIONS[name].better is None


def test_all_but_the_first_page_and_the_cautions_is_folded_away():
    for name in SETS:
        html = _set(name)[1]
        below = html[html.index("</section>") + len("</section>") :]
        unfolded = re.sub(r"<details.*</details>", "", below, flags=re.DOTALL)
        kept = re.findall(r"<h2>(.*?)</h2>", re.sub(r"<summary>.*?</summary>", "", below))
        assert kept == ["Cautions"]
        assert "<table" not in unfolded


def test_paper_has_the_numbers_and_not_the_settings():
    html = _set(JUMPS)[1]
    assert '<div class="not-on-paper"><dt>Settings</dt>' in html
    assert "details:not(.on-paper), .not-on-paper { display: none !important; }" in html
    assert ".sheet { break-after: page; }" in html
    printed = re.findall(r'<details class="fold on-paper">\s*<summary><h2>(.*?)</h2>', html)
    assert "Reps in numbers" in printed
    assert "Not measurable, and why" in printed
    assert "Every rep" not in printed


def test_a_set_is_never_called_within_while_something_cannot_be_told():
    analysis, html = _set("a single rep")
    text = read_page(html).text
    assert "Every finding of the set lies within" not in text
    of_set = [f for f in analysis.findings if f.rep is None]
    undecided = {(f.measure, f.limb) for f in of_set if f.verdict == "cannot tell"}
    assert undecided
    assert f"{len(undecided)} cannot tell" in text
    assert "1 rep: too few for a verdict." in text


def test_the_list_of_reports_counts_findings_out(tmp_path):
    analysis = _with_a_strict_limit()
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "report.html").write_text("")
        (tmp_path / name / "analysis.json").write_text(analysis_json(analysis_document(analysis)))
    counted = tally(analysis)
    assert counted.outside
    assert counted.cannot_tell
    words = (
        f"{counted.outside} outside a limit, {counted.probably_outside} probably, "
        f"{counted.probably_within + counted.within} within or probably so, "
        f"{counted.cannot_tell} cannot tell"
    )
    assert words in read_page(index_html(tmp_path)).text


def test_every_finding_of_every_rep_is_on_the_page():
    analysis, html = _set(JUMPS)
    text = read_page(html).text
    for finding in with_roles(analysis).findings:
        assert sentence(finding.text) in text
        assert " ".join(finding.source.split()) in text


def test_a_refused_rep_is_shown_with_its_reason():
    text = _page().text
    assert "Not used: only the left foot was seen to land in a set of two-leg jumps." in text


def test_every_value_of_the_table_is_on_the_page_with_its_interval():
    analysis, html = _set(JUMPS)
    text = read_page(html).text
    row = next(m for m in analysis.measures.measures if m.name == "contact_time")
    assert f"{row.value:.3f} ±\xa0{1.96 * row.sd:.3f}" in text.replace("± ", "±\xa0")


def test_what_could_not_be_measured_is_listed_once_with_its_reason():
    text = _page().text
    missing = text[text.index("Not measurable, and why") : text.index("Quality of this clip")]
    assert missing.lower().count("it needs a side view of this limb") == 1
    assert "Knee flexion at initial contact, Peak knee flexion" in missing
    assert "Contact time in rep 8" in missing


@pytest.mark.usefixtures("without_plots")
def test_notes_on_quality_are_shown_and_the_worst_decides():
    analysis = make_analysis()
    poor = Note("clock", "poor", (told("The clip plays eight times too slow."),))
    text = read_page(_html(replace(analysis, notes=(*analysis.notes, poor)))).text
    assert "The clip plays eight times too slow." in text
    assert "Quality ○ poor" in text


def test_a_clip_without_a_flight_says_so_plainly_and_measures_nothing():
    page = read_page(_html(without_reps(make_analysis())))
    assert "No flight was found in this clip" in page.text
    assert "there are no reps" in page.text
    assert "Reps in numbers" not in page.text
    assert "Exercise No reps" in page.text


def test_headings_go_down_one_step_at_a_time():
    levels = [level for level, _ in _page().headings]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_every_picture_is_named_or_hidden_from_screen_readers():
    for picture in _page().pictures:
        if picture.get("aria-hidden") != "true":
            assert picture.get("role") == "img"
            assert len(picture["aria-label"] or "") > 5


def test_both_key_pictures_of_each_rep_carry_the_measured_angle():
    analysis, html = _set("hops from the side")
    page = read_page(html)
    labels = [p.get("aria-label") or "" for p in page.pictures]
    for row in analysis.measures.measures:
        if row.name == "knee_flexion_peak":
            wanted = f"Rep {row.rep} at peak flexion, {row.value:.0f}° at the knee"
            assert wanted in labels


def test_without_the_clip_stick_figures_stand_in_and_the_page_says_so():
    analysis, html = _set(JUMPS)
    assert "stick figures stand in" in read_page(html).text
    jpegs = dict.fromkeys(range(1000), "data:image/jpeg;base64,AAAA")
    html = report_html(analysis, key_pictures(analysis, jpegs), None)
    assert "stick figures" not in read_page(html).text
    assert html.count("data:image/jpeg;base64,AAAA") == 16 + 4


def test_no_text_can_write_into_the_page():
    analysis = make_analysis()
    occasion = Occasion(code='<b onclick="x">P&07</b>')
    page = read_page(_html(replace(analysis, decided=replace(analysis.decided, occasion=occasion))))
    assert "b" not in page.tags
    assert '<b onclick="x">P&07<' in page.text


@pytest.mark.parametrize("name", SETS)
def test_fppa_is_spelled_out_with_its_sign_where_it_first_stands(name):
    text = _page(name).text
    if "FPPA" not in text:
        return
    first = text.index("FPPA")
    assert text[:first].endswith("Frontal-plane projection angle (")
    explained = text[first : first + 250]
    assert "+ = knee inward" in explained
    assert "− = knee outward" in explained
    labels = [p.get("aria-label") or "" for p in _page(name).pictures]
    assert any(label.startswith("Legs seen from the front") for label in labels)


def test_an_inward_knee_is_printed_with_a_plus():
    analysis, html = _set(JUMPS)
    text = read_page(html).text
    row = next(s for s in analysis.measures.summaries if s.name == "fppa_peak_flexion")
    assert row.mean > 1
    assert f"+{row.mean:.1f} ±" in text


def test_percentages_say_of_what_and_heights_are_in_centimetres():
    analysis, html = _set(JUMPS)
    text = read_page(html).text
    for words in ("Pelvis shift, % of ankle distance", "Knee over toes offset, % of leg length",
                  "Jump height, cm"):  # fmt: skip
        assert words in text
    height = next(s for s in analysis.measures.summaries if s.name == "jump_height")
    assert height.unit == "m"
    assert f"{100 * height.mean:.1f}" in text
    finding = next(f for f in analysis.findings if f.measure == "pelvis_shift")
    assert "% of ankle distance" in finding.text


def test_a_limit_on_jump_height_is_judged_in_metres_and_printed_in_centimetres():
    limit = Limit("stiff_landing", "jump_height", "lower", 0.25, "m", "a made-up limit")
    analysis = make_analysis()
    found = judge_measures(analysis.measures, (limit,), analysis.decided.exercise)
    height = next(s for s in analysis.measures.summaries if s.name == "jump_height")
    assert found[0].value == height.mean
    assert f"{100 * height.mean:.1f} ±" in found[0].text
    assert "(limit: at least 25.0 cm; " in found[0].text


def test_limbs_differ_by_more_than_colour():
    html = _set(JUMPS)[1]
    assert '.limb.left::before { content: "● "; }' in html
    assert '.limb.right::before { content: "■ "; }' in html
    for word in ("left, non-surgical", "right, surgical"):
        assert word in read_page(html).text


def test_provenance_can_be_read_back():
    text = _page().text
    for words in ("a" * 64, "c" * 64, "2031-02-03T10:11:12+00:00", '"angle_cutoff_hz": 15.0'):
        assert words in text


@pytest.mark.parametrize(
    ("value", "digits", "words"),
    [(-0.04, 1, "0.0"), (-0.06, 1, "−0.1"), (12.345, 2, "12.35"), (-3.0, 0, "−3")],
)
def test_numbers_have_a_true_minus_and_no_negative_zero(value, digits, words):
    assert number(value, digits) == words


def test_a_set_of_jumps_and_hops_says_so_and_names_each_rep():
    analysis = make_analysis()
    first, *others = analysis.reps.reps
    hop = replace(first, exercise="hop", limbs=("left",), contacts=first.contacts[:1])
    text = read_page(
        _html(replace(analysis, reps=replace(analysis.reps, reps=(hop, *others))))
    ).text
    assert "Exercise Mixed: 7 jumps, 1 hops" in text
    assert "Rep 1 hop, lands at" in text
    assert "Rep 2 jump, lands at" in text


def test_a_clip_too_slow_to_tell_a_flight_says_that_instead():
    analysis = without_reps(make_analysis())
    note = Note(
        "frame rate", "poor", (told("5 frames/s is too slow to tell a flight from a step."),)
    )
    contacts = replace(analysis.contacts, notes=(note,))
    text = read_page(_html(replace(analysis, contacts=contacts))).text
    assert "There are no reps: 5 frames/s is too slow to tell a flight from a step." in text
    assert "No flight was found" not in text


def test_a_very_long_set_has_pictures_of_some_reps_and_says_so(monkeypatch):
    monkeypatch.setattr(pictures, "_MOST_REPS", 4)
    analysis = make_analysis("front", reps=8)
    drawn = key_pictures(analysis)
    assert sorted({picture.rep for picture in drawn}) == [1, 3, 6, 8]
    page = read_page(report_html(analysis, drawn, None))
    assert "Shown are 4 of 8 reps, spread evenly over the clip; the tables have all." in page.text
    assert "Rep 6" in page.text
    assert "Rep 7" not in page.text


@pytest.mark.usefixtures("without_plots")
def test_the_first_page_gives_the_means_of_both_limbs_and_sets_them_against_each_other():
    analysis = with_roles(make_analysis(surgical_side="right"))
    (table,) = glances(analysis)
    assert table.limbs == ("right", "left")
    assert len(table.rows) <= MOST_ROWS
    fppa, contact_time = table.rows[:2]
    assert (fppa.label, contact_time.label) == ("FPPA at peak flexion, deg", "Contact time, s")
    for limb, mean in zip(table.limbs, fppa.means, strict=True):
        (summary,) = (
            s for s in analysis.measures.summaries
            if (s.name, s.limb) == ("fppa_peak_flexion", limb)
        )  # fmt: skip
        assert mean.value.replace("−", "-") == f"{summary.mean:+.1f}"
    text = read_page(_sheet(_html(analysis))).text
    assert "right against left" in text
    assert f"Contact time, s {contact_time.means[0].value} ± " in text


@pytest.mark.parametrize(("sd_s", "told"), [(0.010, "last third +0.050 ± 0.020"), (0.030, "")])
def test_a_change_through_the_set_is_told_with_its_interval_where_that_leaves_out_zero(sd_s, told):
    analysis = make_analysis()
    summaries = tuple(
        replace(one, fatigue=0.05, fatigue_sd=sd_s)
        if one.name == "contact_time"
        else replace(one, fatigue=None, fatigue_sd=None)
        for one in analysis.measures.summaries
    )
    (table,) = glances(replace(analysis, measures=replace(analysis.measures, summaries=summaries)))
    assert table.rows[1].label == "Contact time, s"
    for mean in table.rows[1].means:
        remarks = [part for part in mean.remark.split(", ") if part.startswith("last third")]
        assert remarks == ([told] if told else [])


def test_each_bout_of_a_clip_has_a_table_of_its_own_and_no_other():
    analysis = make_analysis()
    numbers = [rep.number for rep in analysis.reps.reps]
    bouts = (
        Bout(1, "jump", 1.0, tuple(numbers[:3]), 1.0, 3.0),
        Bout(2, "jump", 1.0, tuple(numbers[3:]), 4.0, 6.0),
    )
    tables = glances(replace(analysis, reps=replace(analysis.reps, bouts=bouts)))
    assert [table.title for table in tables] == [
        "1. Two-leg jumps: 3 × jump, 1.0 to 3.0 s (2.0 s)",
        f"2. Two-leg jumps: {len(numbers) - 3} × jump, {len(numbers) - 4} of them measured, "
        "4.0 to 6.0 s (2.0 s)",
    ]
    assert all(table.rows for table in tables)


def test_a_bout_counts_neither_rebounds_nor_reps_in_other_views_and_says_how_many_were_measured():
    analysis = make_analysis()
    first, second, third, *others = analysis.reps.reps
    reps = (replace(first, rebound=True), replace(second, view="oblique"), third, *others)
    bouts = (
        Bout(1, "jump", 1.0, tuple(rep.number for rep in reps[:4]), 1.0, 3.0),
        Bout(2, "hop", 1.0, tuple(rep.number for rep in reps[4:]), 4.0, 6.0),
    )
    last = replace(others[-1], used=False, reason=told("given"))
    reps = (*reps[:-1], last)
    rows = tuple(
        replace(row, of_set=row.rep in bouts[0].reps)
        for row in analysis.measures.measures if row.rep != last.number
    )  # fmt: skip
    measures = replace(analysis.measures, measures=rows)
    told_of = replace(
        analysis, reps=replace(analysis.reps, reps=reps, bouts=bouts), measures=measures
    )
    of_first = summarise_bout(bouts[0], reps, analysis.view.view, rows)
    assert {row.reps_used for row in of_first if row.name == "contact_time"} <= {1, 2}
    tables = glances(told_of)
    assert tables[1].title.startswith(
        f"2. One-leg hops: {len(bouts[1].reps)} × hop, {len(bouts[1].reps) - 1} of them measured"
    )
    assert tables[1].compares  # limb against limb, though it is not the clip's main exercise


def test_the_head_of_a_report_counts_rebounds_which_no_mean_takes_in():
    analysis = make_analysis()
    first, *others = analysis.reps.reps
    reps = replace(analysis.reps, reps=(replace(first, rebound=True), *others))
    words = dict(header_facts(replace(analysis, reps=reps)))["Reps"]
    assert words.endswith(" used, 1 of them a rebound, in no mean or count")
    assert "rebound" not in dict(header_facts(analysis))["Reps"]


def test_a_rebound_is_no_landing_in_which_a_finding_is_counted():
    analysis = make_analysis()
    limit = Limit("knee_inward", "fppa_peak_flexion", "upper", -90.0, "deg", "x")
    judged = replace(
        analysis, limits=(limit,),
        findings=judge_measures(analysis.measures, (limit,), analysis.decided.exercise),
    )  # fmt: skip
    first = next(rep.number for rep in analysis.reps.reps if rep.used)
    used = sum(rep.used for rep in analysis.reps.reps)
    rows = tuple(
        replace(row, of_set=row.rep != first) for row in analysis.measures.measures
    )  # as `measure_reps` marks a rebound
    rebounding = replace(judged, measures=replace(analysis.measures, measures=rows))
    assert f"in {used} of {used} landings" in str(first_lines(sets_of(judged)))
    assert f"in {used - 1} of {used - 1} landings" in str(first_lines(sets_of(rebounding)))


def test_a_limit_names_the_exercises_that_are_held_against_it():
    limits = (
        Limit("stiff_landing", "knee_flexion_peak", "lower", 90.0, "deg", "x", exercises=("jump",)),
        Limit(
            "knee_inward", "fppa_peak_flexion", "upper", 10.0, "deg", "x", exercises=(*EXERCISES,)
        ),
    )
    some, every = behind.limit_rows(replace(make_analysis(), limits=limits))
    assert "; of jumps" in some[1]
    assert "; of" not in every[1]
