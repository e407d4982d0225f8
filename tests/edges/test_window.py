"""The clinic's window: who may ask it, what it refuses, what it keeps."""

from __future__ import annotations

import csv
import json
import re
import shutil
import threading
import time
from dataclasses import replace
from datetime import date
from pathlib import Path
from urllib.parse import quote, urlencode

import pytest
from stand_in import job, run
from windowed import PATIENCE_S, Served, analyse_drawn, drawn_clip, window

from landing_analysis.definitions import DEFINITIONS
from landing_analysis.export.writing import write_bundle, write_tables
from landing_analysis.folder import queue
from landing_analysis.pages.writing import write_all_pages
from landing_analysis.record.correcting import find_clip
from landing_analysis.record.database import open_record
from landing_analysis.record.overview import RepsOutside, clip_lines
from landing_analysis.record.patients import find_patient
from landing_analysis.record.place import data_folder
from landing_analysis.record.reading import read_analyses
from landing_analysis.report.glance import telling_measures
from landing_analysis.settings import WindowSettings
from landing_analysis.window import running
from landing_analysis.window.results import result_words

DOCUMENTS = ("/visit/1/summary", "/patient/1/change", "/patient/1/progress", "/week/0/first")
PAGES = ("/", "/week", "/week/0", "/patients", "/patient/1", "/visit/1", *DOCUMENTS)


@pytest.fixture(scope="module")
def analysed(tmp_path_factory) -> Path:
    """A folder with a clip of P07 that was analysed, to be copied."""
    base = tmp_path_factory.mktemp("window")
    drawn_clip(base / "drop" / "P07" / "PXL_20260304_101112000.mp4")
    with window(base, "P07") as served:
        served.wait_for("reps: ")
    return base


@pytest.fixture
def served(analysed, tmp_path) -> Served:
    shutil.copytree(analysed, tmp_path / "own")
    with window(tmp_path / "own", "P07", watched=False) as opened:
        yield opened


@pytest.fixture(scope="module")
def looked_at(analysed, tmp_path_factory) -> Served:
    """A window that tests only read."""
    base = tmp_path_factory.mktemp("read") / "own"
    shutil.copytree(analysed, base)
    with window(base, "P07", watched=False) as opened:
        yield opened


# --- who may ask -------------------------------------------------------------------------------


def test_the_first_address_is_good_once_and_sets_a_cookie_of_this_site(looked_at):
    place = "/" + looked_at.new_address().split("/", 3)[3]
    first = looked_at.get(place, Cookie="")
    assert first.status == 303
    cookie = first.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert looked_at.keys.token not in cookie
    assert looked_at.get(place, Cookie="").status == 403


@pytest.mark.parametrize("path", [*PAGES, "/static/window.css", "/clip/aaaa", "/drop"])
def test_nothing_is_read_without_the_session(looked_at, path):
    for cookie in ("", "landing_analysis_session=guessed", "x"):
        answer = looked_at.get(path, Cookie=cookie)
        assert answer.status == 403
        assert b"P07" not in answer.body


@pytest.mark.parametrize("host", ["clinic.example", "127.0.0.1", "127.0.0.1:1", "[::1]:80"])
def test_another_host_is_refused(looked_at, host):
    assert looked_at.get("/", Host=host).status == 400


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_page_of_another_site_reads_nothing(looked_at, site):
    answer = looked_at.get("/patients", Sec_Fetch_Site=site)
    assert answer.status == 403
    assert b"P07" not in answer.body


@pytest.mark.parametrize("origin", ["", "null", "http://127.0.0.1:1", "https://clinic.example"])
def test_a_page_of_another_origin_writes_nothing(looked_at, origin):
    answer = looked_at.post("/patients/add", {"code": "P99"}, Origin=origin)
    assert answer.status == 403
    assert b"P99" not in looked_at.get("/patients").body


@pytest.mark.parametrize("token", ["", "guessed", "é"])
def test_a_form_without_the_token_of_our_pages_writes_nothing(looked_at, token):
    for path in ("/patients/add", "/clip/aaaa/set", "/visit/1/remark", "/settle/look-again"):
        answer = looked_at.post(path, {"code": "P99", "token": token}, X_Window_Token="")
        assert answer.status == 403
    assert looked_at.ask("POST", "/drop", b"x", X_File_Name="a.mp4").status == 403
    assert b"P99" not in looked_at.get("/patients").body


def test_it_is_said_what_the_first_address_is_and_how_to_stop(tmp_path, monkeypatch):
    said: list[str] = []
    monkeypatch.setattr(running.uvicorn.Server, "run", lambda *_: None)
    work = job(tmp_path, analyse_drawn)
    running.run(data_folder(tmp_path / "data"), work, said.append, browser=False)
    words, address = said
    assert "the clinic's window" in words
    assert "Ctrl-C" in words
    assert address.startswith(f"http://{running.HOST}:")


# --- what is refused ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "/static/../settings.py", "/static/..%2fsettings.py", "/static/%2e%2e/settings.py",
        "/static//etc/passwd", "/static/..\\settings.py", "/clip/..", "/%00", "/clip/%7Babc%7D",
        "//clinic.example/", "/clip/" + "a" * 70000,
    ],
)  # fmt: skip
def test_tricks_with_paths_are_refused(looked_at, path):
    answer = looked_at.get(path)
    assert answer.status in (400, 404)
    assert b"import" not in answer.body


@pytest.mark.parametrize(
    "path",
    ["/nothing", "/static/settings.py", "/static/base.html.j2", "/clip/zz", "/clip/0123456789",
     "/patient/99", "/patient/x", "/visit/99", "/week/99", "/patient/99999999999999999999"],
)  # fmt: skip
def test_what_is_not_there_is_said_to_be_so(looked_at, path):
    assert looked_at.get(path).status == 404


def test_other_methods_are_refused(looked_at):
    for method in ("PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"):
        assert looked_at.ask(method, "/patients").status == 405


def test_what_is_too_large_or_of_no_length_is_refused(looked_at):
    large = str(WindowSettings().largest_form_bytes + 1)
    assert looked_at.post("/patients/add", Content_Length=large).status == 413
    assert looked_at.post("/patients/add", Content_Length="-1").status in (400, 411)
    body = b"5\r\ncode=\r\n0\r\n\r\n"
    answer = looked_at.ask(
        "POST", "/patients/add", body, Transfer_Encoding="chunked",
        Content_Type="application/x-www-form-urlencoded",
    )  # fmt: skip
    assert answer.status == 411


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"code=P99", "application/json", 415),
        (b"code=P99", "", 415),
        (b"\xff\xfe", "application/x-www-form-urlencoded", 400),
        (b"&".join(b"a=%d" % k for k in range(500)), "application/x-www-form-urlencoded", 400),
        (b"no form", "application/x-www-form-urlencoded", 400),
    ],
)
def test_what_is_no_form_is_refused(looked_at, body, kind, status):
    answer = looked_at.ask(
        "POST", "/patients/add", body, Content_Type=kind, X_Window_Token=looked_at.keys.token
    )
    assert answer.status == status


def test_every_answer_carries_the_strict_policy(looked_at):
    for path in (*PAGES, *looked_at.clips(), "/nothing", "/static/clip.js"):
        headers = looked_at.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy or path in DOCUMENTS
        assert "script-src 'self'" in policy or path in DOCUMENTS
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert headers["cache-control"] == "no-store"


def test_pages_hold_no_script_or_style_and_load_nothing_from_elsewhere(looked_at):
    for path in (*PAGES, *looked_at.clips()):
        text = looked_at.get(path).text
        if path not in DOCUMENTS:
            assert not re.search(r"<script(?![^>]*src=)|<style|\sstyle=|\son\w+=", text), path
        assert not re.search(r'(?:src|href|action)="(?:https?:)?//', text), path


def test_no_address_names_a_patient_a_day_or_a_file(looked_at):
    for path in (*PAGES, *looked_at.clips()):
        for place in re.findall(r'(?:src|href|action)="([^"]*)"', looked_at.get(path).text):
            assert not re.search(r"P07|2026|PXL", place), place


def test_a_heading_of_others_stands_over_some_only(looked_at):
    for path, heading, other in (
        ("/week/0", "Other weeks", r"/week/\d"),
        ("/week", "Other weeks", r"/week/\d"),
        ("/visit/1", "Other visits", r"/visit/\d+"),
    ):
        _, found, below = looked_at.get(path).text.partition(heading)
        links = re.findall(rf'href="{other}"', below)
        assert bool(found) == bool(links), path
        assert f'href="{path}"' not in links, path
    assert "Other weeks" in looked_at.get("/week").text
    assert "Other weeks" not in looked_at.get("/week/0").text


def test_a_clip_is_sent_in_the_ranges_asked_for(looked_at):
    (clip,) = looked_at.clips()
    whole = looked_at.get(f"{clip}/video")
    part = looked_at.get(f"{clip}/video", Range="bytes=100-199")
    assert part.status == 206
    assert part.body == whole.body[100:200]
    assert part.headers["content-range"] == f"bytes 100-199/{len(whole.body)}"
    assert looked_at.get(f"{clip}/video", Range="bytes=99999999-").status == 416


# --- what is set right -------------------------------------------------------------------------


def _view(served: Served) -> tuple[str, dict]:
    (clip,) = served.clips()
    return clip, served.get(f"{clip}/view.json").json


def _contact_time(view: dict, rep: int, limb: str) -> dict:
    (found,) = [
        row for one in view["reps"] if one["number"] == rep for row in one["measures"]
        if (row["name"], row["limb"]) == ("contact_time", limb)
    ]  # fmt: skip
    return found


def _moved(view: dict, by_frames: int, what: str = "initial contact", number: int = 0) -> dict:
    contact = [one for one in view["contacts"] if one["limb"] == "left"][number]
    frame = min(range(len(view["t_s"])), key=lambda k: abs(view["t_s"][k] - contact["on_s"]))
    return {
        "what": what, "limb": "left", "player_s": str(contact["anchor_s"]),
        "new": f"{view['t_s'][frame + by_frames]:.5f}", "by": "T1", "version": view["version"],
    }  # fmt: skip


def _moved_knee(view: dict) -> dict:
    """Say that the left knee of the first rep is elsewhere at peak flexion."""
    rep = view["reps"][0]
    frame = min(range(len(view["t_s"])), key=lambda k: abs(view["t_s"][k] - rep["peak_s"]))
    knee = 2 * view["drawn"].index("knee")
    x, y = view["points"][frame][knee : knee + 2]
    return {
        "what": "landmark", "limb": "left", "part": "knee", "player_s": str(view["t_s"][frame]),
        "new": f"{x - 15:.1f} {y:.1f}",
    }  # fmt: skip


def test_a_moved_contact_changes_the_numbers_and_stays_after_restart_and_reanalysis(
    served, tmp_path
):
    clip, view = _view(served)
    before = _contact_time(view, 1, "left")
    answer = served.post(f"{clip}/contact", _moved(view, -6))
    assert answer.status == 200, answer.text
    after = _contact_time(answer.json["view"], 1, "left")
    assert float(after["value"]) == pytest.approx(float(before["value"]) + 0.1, abs=0.02)
    assert after["by_hand"]
    assert after["found"] == before["value"]
    assert any(one["label"] == "Contact time" for one in answer.json["changes"])
    with open_record(served.folder) as record:
        (stored,) = read_analyses(record, "P07")
        rows = [r for r in stored.tables["measure"] if r["by_hand"] and r["name"] == "contact_time"]
        assert [(r["rep"], r["limb"]) for r in rows] == [(1, "left")]
        assert any(r["by_hand"] for r in stored.tables["contact"])
    base = served.root.parent
    with window(base, watched=True) as again:
        again.wait_for("reps: ")
        assert _contact_time(_view(again)[1], 1, "left") == after


def test_a_page_asked_for_right_after_a_correction_shows_it(served):
    clip, view = _view(served)
    fields = urlencode(_moved(view, -6)).encode()
    answer = served.ask(
        "POST", f"{clip}/contact", fields, Content_Type="application/x-www-form-urlencoded",
        Accept="application/json", X_Window_Token=served.keys.token,
    )  # fmt: skip
    assert answer.status == 200
    assert "contacts or landmarks were set by hand" in served.get("/visit/1").text


def test_written_pages_follow_a_correction(served):
    clip, view = _view(served)
    with open_record(served.folder) as record:
        week = write_all_pages(record, date(2026, 3, 4))
    page = week.parent / "P07" / "visit-2026-03-04.html"
    assert page.read_text(encoding="utf-8").count("set by hand") == 1  # the key
    assert served.post(f"{clip}/contact", _moved(view, -6)).status == 200
    assert "Out of date" in page.read_text(encoding="utf-8")
    served.rewritten()
    after = page.read_text(encoding="utf-8")
    assert after.count("set by hand") > 1
    assert "Out of date" not in after


def test_an_analysis_of_the_video_anew_keeps_what_was_set(served):
    clip, view = _view(served)
    after = served.post(f"{clip}/contact", _moved(view, -6)).json["view"]
    from stand_in import job

    todo = job(served.root, analyse_drawn, renew=True)
    assert set(run(served.folder, todo).values()) == {"done"}
    assert _contact_time(_view(served)[1], 1, "left") == _contact_time(after, 1, "left")
    with open_record(served.folder) as record:
        assert len(read_analyses(record, "P07", history=True)) == 3


def test_a_value_that_was_set_right_is_marked_wherever_it_is_shown_and_exported(served, tmp_path):
    clip, view = _view(served)
    assert served.post(f"{clip}/contact", _moved(view, -6)).status == 200
    assert served.post(f"{clip}/contact", _moved_knee(view)).status == 200
    with open_record(served.folder) as record:
        write_tables(record, tmp_path / "tables")
        write_bundle(record, "P07", tmp_path / "visit.json")
        day = read_analyses(record, "P07")[0].date
        week = write_all_pages(record, day)
    tables, mean = tmp_path / "tables", ("contact_time", "left")
    for table in ("measures", "sets", "side_comparisons"):
        found = {
            (row["measure"], row["limb"])
            for row in _rows(tables, table)
            if row["by_hand"] == "true"
        }
        assert mean in found, table
        assert ("fppa_initial_contact", "right") not in found, table
    wide = {
        (row["rep"], row["limb"]): row["measures_by_hand"] for row in _rows(tables, "reps_wide")
    }
    assert "contact_time" in wide["1", "left"]
    assert {rep for (rep, _), words in wide.items() if words} == {"1"}
    assert [row["rep"] for row in _rows(tables, "reps") if row["by_hand"] == "true"] == ["1"]
    resources = [
        entry["resource"] for entry in json.loads((tmp_path / "visit.json").read_text())["entry"]
    ]
    marked = [one for one in resources if "'set-by-hand'" in str(one.get("component"))]
    assert any(one["code"]["text"] == "Contact time" for one in marked)
    assert all("person set by hand" in str(one["note"]) for one in marked)
    assert len(marked) == sum("person set by hand" in str(one.get("note")) for one in resources)
    for name in ("visit-2026-03-04.html", "compare.html", "progress.html"):
        text = (week.parent / "P07" / name).read_text(encoding="utf-8")
        assert text.count("✎") > text.count("✎: rests on contacts"), name
        assert "✎: rests on contacts or landmarks set by hand" in text, name


def _rows(folder: Path, table: str) -> list[dict[str, str]]:
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_undo_and_redo_go_back_and_forth_and_nothing_is_deleted(served):
    clip, view = _view(served)
    before = view["contacts"]
    moved = served.post(f"{clip}/contact", _moved(view, -3)).json
    undone = served.post(f"{clip}/undo", {"version": moved["version"]}).json
    assert undone["view"]["contacts"] == before
    redone = served.post(f"{clip}/redo", {"version": undone["version"]}).json
    assert redone["view"]["contacts"] == moved["view"]["contacts"]
    assert served.post(f"{clip}/redo", {"version": redone["version"]}).status == 422
    with open_record(served.folder) as record:
        rows = record.rows("SELECT new, undoes, made_by FROM correction ORDER BY id")
    assert [row["undoes"] for row in rows] == [None, 1, 2]
    assert rows[1]["new"] is None
    assert rows[0]["made_by"] == "T1"


def test_two_windows_do_not_overwrite_each_other(served):
    clip, view = _view(served)
    assert served.post(f"{clip}/contact", _moved(view, -3)).status == 200
    late = served.post(f"{clip}/contact", _moved(view, 3))
    assert late.status == 409
    assert "changed meanwhile" in late.json["error"]
    with open_record(served.folder) as record:
        assert len(record.rows("SELECT 1 FROM correction")) == 1


def test_a_contact_can_be_deleted_and_added(served):
    clip, view = _view(served)
    first = next(one for one in view["contacts"] if one["limb"] == "left")
    asked = {"what": "contact", "limb": "left", "player_s": str(first["anchor_s"])}
    gone = served.post(f"{clip}/contact", {**asked, "new": "deleted"}).json["view"]
    assert len(gone["contacts"]) == len(view["contacts"]) - 1
    on_s = f"{first['on_s']:.5f}"
    words = f"on {on_s} off {first['off_s']:.5f}"
    back = served.post(f"{clip}/contact", {**asked, "player_s": on_s, "new": words}).json["view"]
    assert len(back["contacts"]) == len(view["contacts"])
    assert [rep["number"] for rep in back["reps"]] == [rep["number"] for rep in view["reps"]]


def test_a_landmark_that_is_moved_takes_the_angle_with_it(served):
    clip, view = _view(served)
    asked = _moved_knee(view)
    after = served.post(f"{clip}/contact", asked).json["view"]
    frame = view["t_s"].index(float(asked["player_s"]))
    knee = 2 * view["drawn"].index("knee")
    assert after["points"][frame][knee] == pytest.approx(float(asked["new"].split()[0]), abs=1)
    changed = [row for row in after["reps"][0]["measures"] if row["by_hand"]]
    assert {"fppa_peak_flexion"} <= {row["name"] for row in changed}
    # What is taken off an FPPA goes by the other limb's angle as well.
    others = [row["name"] for row in changed if row["limb"] == "right"]
    assert all(name.startswith("fppa") for name in others)


def test_curves_to_be_laid_over_another_clips_are_those_of_the_stage(served):
    clip, view = _view(served)
    told = served.get(f"{clip}/curves.json").json
    assert (told["kind"], told["label"], told["why_not"]) == ("fppa", "FPPA", None)
    left = told["limbs"]["left"]
    at_contact = told["after_s"].index(0.0)
    values = [
        row["value"] for rep in view["reps"] if rep["used"] for row in rep["measures"]
        if (row["name"], row["limb"]) == ("fppa_initial_contact", "left")
    ]  # fmt: skip
    assert left["used"] == len(values)
    mean = sum(float(value.replace("\N{MINUS SIGN}", "-")) for value in values) / len(values)
    assert left["mean"][at_contact] == pytest.approx(mean, abs=1.5)
    assert left["low"][at_contact] < left["mean"][at_contact] < left["high"][at_contact]


def test_a_rep_is_left_out_with_a_reason_only(served):
    clip, _view_before = _view(served)
    refused = served.post(f"{clip}/exclude", {"rep": "2", "out": "yes"})
    assert refused.status == 422
    out = served.post(f"{clip}/exclude", {"rep": "2", "out": "yes", "reason": "stumbled"}).json
    (rep,) = [rep for rep in out["view"]["reps"] if rep["number"] == 2]
    assert rep["excluded"]
    assert "stumbled" in rep["reason"]


def test_what_makes_no_sense_is_refused_in_one_sentence_and_nothing_is_entered(served):
    clip, view = _view(served)
    for asked in (
        {**_moved(view, 1), "limb": "middle"},
        {**_moved(view, 1), "new": "soon"},
        {**_moved(view, 1), "player_s": "now"},
        {**_moved(view, 1), "what": "elbow"},
        {**_moved(view, 1), "what": "landmark", "part": "nose", "new": "1 1"},
    ):
        answer = served.post(f"{clip}/contact", asked)
        assert answer.status == 422, asked
        assert answer.json["error"].count("\n") == 0
    for asked in ({"view": "above"}, {"person": "9"}, {"date": "2999-01-01"}, {"patient": "P98"}):
        assert served.post(f"{clip}/set", asked).status == 422, asked
    with open_record(served.folder) as record:
        assert not record.rows("SELECT 1 FROM correction")


def test_the_person_that_was_measured_stands_in_the_form_and_not_the_patients_row(served):
    assert served.post("/patients/add", {"code": "P08"}).status == 303
    (clip,) = served.clips()
    assert served.post(f"{clip}/set", {"patient": "P08"}).status == 200
    assert re.search(r'name="person"[^>]* value="1"', served.get(clip).text)


def test_left_and_right_change_places(served):
    clip, view = _view(served)
    swapped = served.post(f"{clip}/set", {"sides": "swapped"}).json["view"]
    assert swapped["swapped"]
    half = len(view["points"][0]) // 2
    assert swapped["points"][5][:half] == view["points"][5][half:]
    back = served.post(f"{clip}/set", {"sides": "as found"}).json["view"]
    assert back["points"] == view["points"]


# --- notes, patients, the drop folder ----------------------------------------------------------


def test_notes_and_ticks_are_kept_and_stand_in_chart_and_summary(served):
    (clip,) = served.clips()
    assert served.post(f"{clip}/remark", {"text": "Slow today", "by": "T1"}).status == 200
    assert served.post(f"{clip}/remark", {"text": "Stiff", "rep": "2"}).status == 200
    assert served.post("/visit/1/remark", {"text": "Sore at night"}).status == 200
    assert served.post("/visit/1/remark", {"reviewed": "yes", "by": "T1"}).status == 200
    page, paper = served.get("/visit/1").text, served.get("/visit/1/summary").text
    for words in ("Note: Sore at night", "Note: Slow today", "Note: rep 2: Stiff"):
        assert words in page
        assert words.removeprefix("Note: ") in paper
    assert "Reviewed by T1" in paper
    assert "<span>Signature</span><span>Date</span>" in paper
    assert served.post("/visit/1/remark", {"text": "again", "version": "1"}).status == 409


def test_the_chart_has_plan_and_symptoms_and_the_telling_measures_only(served):
    form = {"during pain": "4", "plan": "jump 2x8 rest 60", "by": "T1"}
    assert served.post("/visit/1/session", form).status in (200, 303)
    page = served.get("/visit/1").text
    text = re.search(r'<textarea id="chart-text"[^>]*>(.*?)</textarea>', page, re.DOTALL)[1]
    lines = text.splitlines()
    assert "Plan: Two-leg jumps, 2 × 8 reps, rest 60 s." in lines
    assert "During: pain 4 of 10." in lines
    named = [line.split(", from the ")[0] for line in lines if ", from the " in line]
    labels = [DEFINITIONS[name].label for name in telling_measures("jump")]
    assert named == [label for label in labels if label in named]
    assert "FPPA at peak flexion" in named
    assert "Peak inward FPPA" not in named


def test_a_note_goes_with_its_clip_to_another_patient(served):
    (clip,) = served.clips()
    assert served.post("/patients/add", {"code": "P08"}).status == 303
    assert served.post(f"{clip}/remark", {"text": "Slow today"}).status == 200
    assert served.post(f"{clip}/set", {"patient": "P08"}).status == 200
    assert served.post("/patient/1/remove", {"code": "P07", "keep_clips": "1"}).status == 303
    assert "Slow today" in served.get(clip).text


def test_patients_are_added_edited_and_removed_by_code(served):
    assert served.post("/patients/add", {"code": "Anna"}).status == 422
    assert served.post("/patients/add", {"code": "P7"}).status == 422  # a slip for P07
    assert served.post("/patients/add", {"code": "P08", "stature_cm": "172,5"}).status == 303
    page = served.get("/patient/2").text
    version = re.search(r'name="version" value="(\w+)"', page)[1]
    facts = {"surgical_side": "right", "surgery_date": "2026-01-05", "version": version}
    assert served.post("/patient/2/edit", facts).status == 303
    assert served.post("/patient/2/edit", facts).status == 409
    with open_record(served.folder) as record:
        assert find_patient(record, "P08").surgical_side == "right"
    assert served.post("/patient/2/remove", {"code": "P07"}).status == 422
    assert served.post("/patient/2/remove", {"code": "P08"}).status == 303
    assert served.get("/patient/2").status == 404


def test_a_session_of_a_day_without_a_clip_stands_on_the_patients_page(served):
    assert "Sessions on days without a clip" not in served.get("/patient/1").text
    form = {"seen": "0", "before pain": "2", "plan": "jump 3x8"}
    assert served.post("/patient/1/session", form).status in (200, 303)  # of today
    page = served.get("/patient/1").text
    assert "Sessions on days without a clip" in page
    assert "plan: Two-leg jumps, 3 × 8 reps; before: pain 2 of 10" in page
    assert "Removes 1 visit, 1 session, 1 clip with" in page


def test_the_surgical_side_is_set_from_the_page_of_a_clip(served):
    (clip,) = served.clips()
    version = re.search(r'/side".*?name="version" value="(\w+)"', served.get(clip).text)[1]
    asked = {"surgical_side": "right", "version": version, "clip": clip.rpartition("/")[2]}
    answer = served.post("/patient/1/side", asked)
    assert (answer.status, answer.headers["location"]) == (303, clip)
    with open_record(served.folder) as record:
        assert find_patient(record, "P07").surgical_side == "right"
    assert served.get(f"{clip}/view.json").json["surgical_side"] == "right"
    assert served.post("/patient/1/side", asked).status == 409


def test_a_recording_that_is_dropped_again_is_told_on_the_pages(analysed, tmp_path):
    shutil.copytree(analysed, tmp_path / "own")
    (first,) = (tmp_path / "own" / "drop" / "P07").iterdir()
    shutil.copy(first, first.with_name("PXL_20260311_101112000.mp4"))
    with window(tmp_path / "own", "P07") as opened:
        page = opened.wait_for("Dropped again")
        clip = opened.clips()[0]
        for text in (page, opened.get("/visit/1").text):
            assert "PXL_20260311_101112000.mp4" in text
            assert f"The same recording as {first.name}: counted once" in text
            assert "Its name says 2026-03-11" in text
            assert f'<a href="{clip}">the page of the clip</a>' in text


def test_a_clip_dropped_on_the_page_is_put_into_the_folder_of_its_patient(served):
    headers = {"X_Window_Token": served.keys.token, "X_Patient": "P07"}
    for _ in range(2):
        answer = served.ask("POST", "/drop", b"clip", X_File_Name=quote("a é.mp4"), **headers)
        assert answer.status == 200
    names = sorted(path.name for path in (served.root / "P07").iterdir())
    assert names == ["PXL_20260304_101112000.mp4", "a é (2).mp4", "a é.mp4"]
    for name in ("a.exe", ".a.mp4", "a.mp4.part", ""):
        assert served.ask("POST", "/drop", b"x", X_File_Name=name, **headers).status == 422
    strange = {**headers, "X_Patient": "P98"}
    assert served.ask("POST", "/drop", b"x", X_File_Name="a.mp4", **strange).status == 422
    climbing = quote("../../up.mp4", safe="")
    assert served.ask("POST", "/drop", b"x", X_File_Name=climbing, **headers).status == 200
    assert not (served.root.parent / "up.mp4").exists()


def _lose_the_file(served: Served) -> None:
    """Take the clip out of the drop folder, as the watcher would notice."""
    (path,) = (served.root / "P07").glob("*.mp4")
    path.unlink()
    with open_record(served.folder) as record, record.change() as connection:
        connection.execute("DELETE FROM dropped")  # of the folder that ours is a copy of, too


def test_the_report_of_a_clip_without_its_file_follows_a_correction(served):
    clip, view = _view(served)
    _lose_the_file(served)
    answer = served.post(f"{clip}/contact", _moved(view, -6))
    assert answer.status == 200
    served.wait_for("Initial contact of the left foot", f"{clip}/report")
    _wait_without(served, "Its file is gone")


def test_a_report_is_made_anew_by_a_button_where_the_file_is_gone(served):
    (clip,) = served.clips()
    _lose_the_file(served)
    with open_record(served.folder) as record:
        (row,) = record.rows("SELECT id FROM clip")
        queue.let_wait(record, row["id"])
    page = served.get("/").text
    assert "Its file is gone. Its earlier values stand." in page
    assert "landing-analysis clip" not in page
    assert served.post(f"{clip}/again").status == 303
    _wait_without(served, "Make its report anew")


def _wait_without(served: Served, words: str) -> None:
    until_s = time.monotonic() + PATIENCE_S
    while words in served.get("/").text:
        assert time.monotonic() < until_s
        time.sleep(0.1)


def test_a_report_that_is_changing_places_is_waited_for(served):
    clip, view = _view(served)
    with open_record(served.folder) as record:
        report = find_clip(record, clip.rpartition("/")[2]).report
        with record.change() as connection:
            connection.execute("UPDATE work SET state = 'analysing', worker = 'w'")
    aside = report.rename(report.with_name("aside"))
    back = threading.Timer(0.3, aside.rename, (report,))
    back.start()
    assert served.get(f"{clip}/view.json").json["contacts"] == view["contacts"]
    back.join()


def test_what_belongs_to_nobody_is_given_to_a_patient(analysed, tmp_path):
    base = tmp_path / "own"
    drawn_clip(base / "drop" / "strange.mp4", 3)
    with window(base, "P07") as served:
        page = served.wait_for("It is of no patient yet.")
        key = re.search(r'name="key" value="(\w+)"', page)[1]
        assert served.post("/settle/patient", {"key": key, "code": "P07"}).status == 303
        served.wait_for("reps: ")
        assert (base / "drop" / "P07" / "strange.mp4").is_file()


# --- what the lists say ------------------------------------------------------------------------


def test_a_line_never_says_that_nothing_was_outside_where_nothing_was_judged(looked_at):
    with open_record(looked_at.folder) as record:
        (line,) = clip_lines(record)
    clear = replace(
        line, outside=(), judged=4, probably_outside=0, cannot_tell=0, sides_differ=False
    )
    endings = {
        "nothing outside a limit in any rep": clear,
        "no rep could be held against a limit": replace(clear, judged=0),
        "probably outside a limit in 2": replace(clear, probably_outside=2, cannot_tell=1),
        "nothing outside a limit, cannot tell in 3": replace(clear, cannot_tell=3),
        "side difference of the set": replace(clear, sides_differ=True),
        "knee inward (left) in 2; side difference of the set": replace(
            clear, outside=(RepsOutside("knee_inward", "left", 2),), sides_differ=True
        ),
    }
    for ending, one in endings.items():
        assert result_words(one).endswith(f": {ending}")


def test_a_line_names_every_exercise_of_a_clip_that_holds_several(looked_at):
    with open_record(looked_at.folder) as record:
        (line,) = clip_lines(record)
    bouts = [{"exercise": code} for code in ("jog_in_place", "high_knees", "jog_in_place")]
    values = {**line.values, "exercise": "jog_in_place", "limb": None, "bouts": json.dumps(bouts)}
    words = result_words(replace(line, values=values))
    assert words.startswith("in a row jogging in place, high knees, from the ")


def test_counts_of_a_line_are_those_of_the_findings_of_reps(looked_at):
    with open_record(looked_at.folder) as record:
        (line,) = clip_lines(record)
        found = [
            (row["rep"], row["verdict"])
            for row in record.rows("SELECT rep, verdict FROM finding WHERE rep NOT NULL")
        ]
    assert line.judged == len({rep for rep, _ in found}) > 0
    for verdicts, counted in (
        ({"probably above", "probably below"}, line.probably_outside),
        ({"cannot tell"}, line.cannot_tell),
    ):
        assert counted == len({rep for rep, verdict in found if verdict in verdicts})


def test_a_line_counts_no_finding_of_a_rebound(served):
    with open_record(served.folder) as record:
        (before,) = clip_lines(record)
        with record.change() as connection:
            connection.execute(
                "UPDATE rep SET rebound = 1 WHERE number = (SELECT min(rep) FROM finding)"
            )
        (line,) = clip_lines(record)
    assert (line.judged, line.rebounds) == (before.judged - 1, 1)
    assert f"{line.reps} reps, 1 of them a rebound: " in result_words(line)


def test_what_belongs_to_nobody_is_settled_in_the_window_without_a_command(looked_at, tmp_path):
    with window(tmp_path) as empty:
        drawn_clip(empty.root / "PXL_20260304_101112000.mp4")
        drawn_clip(empty.root / "P08" / "PXL_20260304_111112000.mp4")
        empty.wait_for("There is no patient P08 yet.")
        page = empty.get("/").text
    assert "It is of no patient yet." in page
    assert "Add a patient P08" in page
    assert '<a href="/patients">Add a patient</a> first' in page
    assert "It is theirs" not in page  # there is nobody to choose
    assert "landing-analysis patient" not in page


def test_an_error_leads_back_to_the_page_of_the_form(looked_at):
    ours, form = f"http://{looked_at.host}", {"code": "Anna"}
    told = looked_at.post("/patients/add", form, Accept="", Referer=f"{ours}/patients")
    assert told.status == 422
    assert 'href="/patients">Begin anew' in told.text
    for other in ("https://clinic.example/patients", f"{ours}//clinic.example/", ""):
        told = looked_at.post("/patients/add", form, Accept="", Referer=other)
        assert "Begin anew" not in told.text
