"""The clinic's window in a real browser: drop, look, step, put right, compare, print."""

from __future__ import annotations

import base64
import http.server
import io
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import av
import numpy as np
import pytest
from windowed import Served, drawn_clip, window

from landing_analysis.analysing import ANNOTATED, LANDMARKS
from landing_analysis.record.correcting import find_clip
from landing_analysis.record.database import open_record

pytest.importorskip("selenium")
from selenium.webdriver import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from browser.driving import browser, faults, wait

PAGES = (
    "/", "/week", "/patients", "/patient/1", "/visit/1", "/visit/1/session", "/patient/1/session",
    "/patient/1/change", "/patient/1/progress", "/week/0/first", "/nothing",
)  # fmt: skip


@pytest.fixture(scope="module")
def served(tmp_path_factory) -> Served:
    """A window with two analysed clips of P07, watched."""
    base = tmp_path_factory.mktemp("browser")
    for number in (1, 2):
        drawn_clip(base / "drop" / "P07" / f"PXL_2026030{number}_101112000.mp4", number)
    with window(base, "P07") as opened:
        opened.wait_for("2026-03-01, set 1")
        opened.wait_for("2026-03-02, set 1")
        yield opened


@pytest.fixture(scope="module")
def chrome(served) -> object:
    with browser() as opened:
        opened.get(served.new_address())
        yield opened


def _go(chrome, served: Served, path: str) -> None:
    chrome.get(f"http://{served.host}{path}")


def _is_ready(chrome) -> str | None:
    return chrome.find_element(By.TAG_NAME, "body").get_attribute("data-ready")


def _open_clip(chrome, served: Served, number: int = 0) -> None:
    _go(chrome, served, sorted(served.clips())[number])
    wait(chrome, _is_ready)


def _press(chrome, *keys: str) -> None:
    ActionChains(chrome).send_keys(*keys).perform()


def _where(chrome) -> int:
    return int(chrome.find_element(By.CSS_SELECTOR, ".timeline").get_attribute("aria-valuenow"))


def _rep(chrome) -> str:
    return chrome.find_element(By.ID, "rep").text


def _by_hand(chrome) -> list[str]:
    return [line for line in _rep(chrome).splitlines() if "✎" in line]


# --- arriving ----------------------------------------------------------------------------------


def test_a_clip_put_into_the_folder_appears_with_its_result(chrome, served):
    _go(chrome, served, "/")
    drawn_clip(served.root / "P07" / "PXL_20260303_101112000.mp4", 3)
    line = "//ul[contains(@class, 'results')]/li[contains(., '2026-03-03')]"
    found = wait(chrome, lambda d: d.find_elements(By.XPATH, line))
    assert "P07" in found[0].text
    assert "reps" in found[0].text


def test_a_clip_chosen_on_the_page_arrives_too(chrome, served, tmp_path):
    clip = drawn_clip(tmp_path / "PXL_20260304_101112000.mp4", 4)
    _go(chrome, served, "/")
    chrome.find_element(By.ID, "drop-for").send_keys("P07")
    chrome.find_element(By.ID, "clip-files").send_keys(str(clip))
    line = "//ul[contains(@class, 'results')]/li[contains(., '2026-03-04')]"
    assert wait(chrome, lambda d: d.find_elements(By.XPATH, line))


def test_without_script_the_pages_still_show(served):
    with browser(script=False) as plain:
        plain.get(served.new_address())
        assert "2026-03-01" in plain.find_element(By.TAG_NAME, "main").text
        _go(plain, served, served.clips()[0])
        assert "P07" in plain.find_element(By.TAG_NAME, "main").text
        assert plain.find_elements(By.NAME, "view")


# --- looking -----------------------------------------------------------------------------------


def test_a_clip_opens_at_its_worst_rep_and_steps_frame_by_frame(chrome, served):
    chrome.execute_script("sessionStorage.clear()")
    _open_clip(chrome, served)
    worst = int(chrome.find_element(By.TAG_NAME, "body").get_attribute("data-worst"))
    current = chrome.find_element(By.CSS_SELECTOR, '.reps [aria-current="true"]')
    assert current.text.split()[0] == str(worst)
    frame = _where(chrome)
    _press(chrome, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_LEFT)
    assert _where(chrome) == frame + 1
    shown = chrome.execute_async_script(
        "const done = arguments[0], video = document.querySelector('video');"
        "const tell = () => video.requestVideoFrameCallback((_, facts) => done(facts.mediaTime));"
        "tell(); video.currentTime = video.currentTime + 1e-4;"
    )
    times = served.get(f"{sorted(served.clips())[0]}/view.json").json["t_s"]
    assert min(range(len(times)), key=lambda k: abs(times[k] - shown)) == frame + 1


def test_it_remembers_where_one_was(chrome, served):
    _open_clip(chrome, served)
    _press(chrome, Keys.ARROW_RIGHT)
    frame = _where(chrome)
    chrome.refresh()
    wait(chrome, _is_ready)
    assert _where(chrome) == frame


def test_a_click_on_the_timeline_goes_there(chrome, served):
    _open_clip(chrome, served)
    line = chrome.find_element(By.CSS_SELECTOR, ".timeline")
    frames = int(line.get_attribute("aria-valuemax"))
    ActionChains(chrome).move_to_element_with_offset(line, 0, 70).click().perform()
    assert _where(chrome) == pytest.approx(frames / 2, abs=3)


def test_the_keys_lead_through_the_clips_of_the_week(chrome, served):
    _go(chrome, served, "/week/0")
    begin = wait(chrome, lambda d: d.find_elements(By.ID, "begin"))
    begin[0].click()
    first = chrome.current_url
    wait(chrome, _is_ready)
    chrome.find_element(By.ID, "main").click()
    _press(chrome, "n")
    wait(chrome, lambda d: d.current_url != first)


def test_the_keys_lead_on_from_a_clip_of_which_nothing_can_be_drawn(chrome, served):
    first = sorted(served.clips())[0]
    with open_record(served.folder) as record:
        stored = find_clip(record, first.rpartition("/")[2]).report / LANDMARKS
    aside = stored.rename(stored.with_suffix(".aside"))
    try:
        _go(chrome, served, first)
        assert not chrome.find_elements(By.CLASS_NAME, "at-clip")
        wait(chrome, lambda d: d.execute_script("return document.readyState") == "complete")
        _press(chrome, "n")
        wait(chrome, lambda d: first not in d.current_url)
    finally:
        aside.rename(stored)


def test_two_clips_stand_side_by_side_at_initial_contact(chrome, served):
    one, other = (place.rpartition("/")[2] for place in sorted(served.clips())[:2])
    _go(chrome, served, f"/beside/{one}/{other}")
    wait(chrome, _is_ready)
    lines = chrome.find_elements(By.CSS_SELECTOR, ".timeline")
    for line, clip in zip(lines, (one, other), strict=True):
        view = served.get(f"/clip/{clip}/view.json").json
        (rep,) = [rep for rep in view["reps"] if rep["number"] == view["worst_rep"]]
        at_s = view["t_s"][int(line.get_attribute("aria-valuenow"))]
        assert at_s == pytest.approx(rep["landing_s"], abs=0.02)
    assert "Contact time" in chrome.find_element(By.ID, "values-table").text
    chrome.find_element(By.CSS_SELECTOR, '.reps [data-rep="1"]').click()
    ActionChains(chrome).key_down(Keys.SHIFT).send_keys(Keys.ARROW_RIGHT).key_up(
        Keys.SHIFT
    ).perform()
    shown = chrome.find_elements(By.CSS_SELECTOR, '.reps [aria-current="true"]')
    assert shown[0].text.split()[0] == "2"


def test_the_knee_angles_of_two_clips_lie_over_one_another(chrome, served):
    one, other = (place.rpartition("/")[2] for place in sorted(served.clips())[:2])
    _go(chrome, served, f"/beside/{one}/{other}")
    wait(chrome, _is_ready)
    plots = chrome.find_elements(By.CSS_SELECTOR, "#curves figure")
    assert [plot.text.splitlines()[0] for plot in plots] == ["left knee", "right knee"]
    assert len(plots[0].find_elements(By.TAG_NAME, "polygon")) == 2  # a band for each clip
    told = served.get(f"/clip/{one}/curves.json").json["limbs"]["left"]
    known = [deg for deg in told["mean"] if deg is not None]
    drawn = plots[0].find_element(By.TAG_NAME, "polyline").get_attribute("points").split()
    assert len(drawn) == len(known)
    heights = [float(point.split(",")[1]) for point in drawn]
    assert heights.index(min(heights)) == known.index(max(known))
    chrome.find_element(By.ID, "curve-of").send_keys("the reps")
    label = chrome.find_element(By.CSS_SELECTOR, "#curves svg").get_attribute("aria-label")
    assert "initial contact, reps" in label
    assert not chrome.find_elements(By.CSS_SELECTOR, "#curves polygon")


def _unplayable_clip(path: Path) -> Path:
    """Write a clip whose pictures this browser cannot decode, with sound, as phones do."""
    with av.open(str(path), "w", format="mp4") as container:
        pictures, sound = container.add_stream("mpeg4", 30), container.add_stream("aac", 44100)
        pictures.width = pictures.height = 64
        sound.layout = "mono"
        for k in range(10):
            frame = av.VideoFrame.from_ndarray(np.full((64, 64, 3), 20 * k, np.uint8))
            container.mux(pictures.encode(frame))
        for k in range(15):
            heard = np.zeros((1, 1024), np.float32)
            frame = av.AudioFrame.from_ndarray(heard, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = 44100, 1024 * k
            container.mux(sound.encode(frame))
        for stream in (pictures, sound):
            container.mux(stream.encode(None))
    return path


@pytest.mark.parametrize("kind", ["no video to anybody", "only its sound"])
def test_a_clip_that_the_browser_cannot_play_is_shown_as_annotated_and_it_says_so(
    chrome, served, kind
):
    place, other = sorted(served.clips())[:2]
    with open_record(served.folder) as record:
        report, of_other = (
            find_clip(record, clip.rpartition("/")[2]).report for clip in (place, other)
        )
    made = [drawn_clip(report / ANNOTATED), _unplayable_clip(of_other / ANNOTATED)]
    source = "/static/window.css" if kind.startswith("no") else f"{other}/annotated"
    _open_clip(chrome, served)
    assert not chrome.find_element(By.CSS_SELECTOR, ".picture-note").is_displayed()
    video = chrome.find_element(By.TAG_NAME, "video")
    chrome.execute_script("arguments[0].src = arguments[1]", video, source)
    note = wait(chrome, lambda d: d.find_element(By.CSS_SELECTOR, ".picture-note").text)
    assert "cannot play" in note
    assert "annotated copy" in note
    wait(chrome, lambda d: d.execute_script("return arguments[0].videoWidth > 0", video))
    assert video.get_attribute("src").endswith(f"{place}/annotated")
    for path in made:
        path.unlink()


# --- putting right -----------------------------------------------------------------------------


def test_a_nudged_contact_changes_the_number_and_can_be_undone(chrome, served):
    _open_clip(chrome, served, 1)
    chrome.find_element(By.CSS_SELECTOR, '.reps [data-rep="2"]').click()
    assert not _by_hand(chrome)
    before = _rep(chrome)
    _press(chrome, "[")
    wait(chrome, _by_hand)
    assert "Contact time" in chrome.find_element(By.ID, "changed").text
    chrome.refresh()
    wait(chrome, _is_ready)
    chrome.find_element(By.CSS_SELECTOR, '.reps [data-rep="2"]').click()
    assert any(line.startswith("Contact time") for line in _by_hand(chrome))
    _press(chrome, "u")
    wait(chrome, lambda d: _rep(d) == before)


def test_a_contact_is_dragged_with_the_mouse(chrome, served):
    _open_clip(chrome, served, 1)
    line = chrome.find_element(By.CSS_SELECTOR, ".timeline")
    chrome.execute_script("arguments[0].scrollIntoView({block: 'center'})", line)
    view = served.get(f"{sorted(served.clips())[1]}/view.json").json
    contact = [one for one in view["contacts"] if one["limb"] == "left"][1]
    box, times = line.rect, view["t_s"]
    share = (contact["on_s"] - times[0]) / (times[-1] - times[0])
    x = 4 + share * (box["width"] - 8) - box["width"] / 2
    y = 18 + 17 - box["height"] / 2  # the middle of the left foot's lane
    drag = ActionChains(chrome).move_to_element_with_offset(line, round(x), round(y))
    drag.click_and_hold().move_by_offset(-12, 0).release().perform()
    wait(chrome, lambda d: "Contact time" in d.find_element(By.ID, "changed").text)
    _press(chrome, "u")
    wait(chrome, lambda d: not d.find_element(By.ID, "redo").get_property("disabled"))


def test_a_landmark_is_moved_by_keys(chrome, served):
    _open_clip(chrome, served, 1)
    chrome.find_element(By.CSS_SELECTOR, '.reps [data-rep="1"]').click()
    _press(chrome, "m", *[Keys.ARROW_LEFT] * 12, Keys.ENTER)
    wait(chrome, lambda d: any(line.startswith("FPPA at peak") for line in _by_hand(d)))
    _press(chrome, "u")
    wait(chrome, lambda d: not _by_hand(d))


def test_a_rep_is_left_out_with_a_reason(chrome, served):
    _open_clip(chrome, served, 1)
    chrome.find_element(By.CSS_SELECTOR, '.reps [data-rep="2"]').click()
    chrome.find_element(By.ID, "why-out").send_keys("stumbled")
    chrome.find_element(By.CSS_SELECTOR, '[data-do="leave-out"]').click()
    wait(chrome, lambda d: "stumbled" in _rep(d))
    chrome.find_element(By.CSS_SELECTOR, '[data-do="take-in"]').click()
    wait(chrome, lambda d: "stumbled" not in _rep(d))


def test_a_window_that_is_behind_is_told_so_and_writes_nothing(chrome, served):
    _open_clip(chrome, served, 0)
    place = sorted(served.clips())[0]
    assert served.post(f"{place}/remark", {"text": "from the other window"}).status == 200
    _press(chrome, "]")
    said = wait(chrome, lambda d: d.find_element(By.ID, "said").text)
    assert "changed meanwhile" in said
    with open_record(served.folder) as record:
        assert not [
            row for row in record.rows("SELECT substr(sha256, 1, 12) AS id FROM correction "
                                       "JOIN clip ON clip_id = clip.id")
            if row["id"] == place.rpartition("/")[2]
        ]  # fmt: skip


# --- paper, session ----------------------------------------------------------------------------


def test_the_summary_is_one_printed_page_with_values_and_notes(chrome, served):
    pypdf = pytest.importorskip("pypdf")
    served.post("/visit/1/remark", {"text": "Sore at night"})
    _go(chrome, served, "/visit/1/summary")
    paper = chrome.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    sheets = pypdf.PdfReader(io.BytesIO(base64.b64decode(paper["data"]))).pages
    text = " ".join(" ".join(sheet.extract_text().split()) for sheet in sheets)
    for words in ("P07", "At a glance", "FPPA", "±", "Sore at night", "Cautions"):
        assert words in text
    assert "At a glance" in sheets[0].extract_text()
    assert len(sheets) <= 2


def test_the_session_form_takes_plan_and_symptoms(chrome, served):
    _go(chrome, served, "/visit/1/session")
    chrome.find_element(By.NAME, "plan").send_keys("jump 3x8 rest 60")
    pain = chrome.find_element(By.CSS_SELECTOR, "[name='during pain'][value='3']")
    chrome.execute_script("arguments[0].scrollIntoView({block: 'center'})", pain)
    pain.click()
    chrome.find_element(By.NAME, "note").send_keys("kept the knee soft")
    chrome.find_element(By.ID, "save").click()
    wait(chrome, lambda d: "Saved" in d.find_element(By.TAG_NAME, "main").text)
    assert chrome.find_element(By.NAME, "note").get_property("value") == "kept the knee soft"
    assert "jump" in chrome.find_element(By.NAME, "plan").get_property("value")


def test_forms_work_without_script(served):
    place = sorted(served.clips())[0]
    with browser(script=False) as plain:
        plain.get(served.new_address())
        _go(plain, served, place)
        plain.find_element(By.ID, "note").send_keys("by hand and eye")
        plain.find_element(By.ID, "note").submit()
        wait(plain, lambda d: "by hand and eye" in d.page_source)
        assert plain.current_url.endswith(place)


# --- for everybody -----------------------------------------------------------------------------


@contextmanager
def _screen(chrome, width: int, height: int) -> Iterator[None]:
    """Show pages as a screen of this size does; a window of the browser is never so narrow."""
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 800}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    yield
    chrome.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.mark.parametrize("width", [1280, 768, 390])
def test_every_page_fits_and_is_accessible(chrome, served, width):
    clips = sorted(served.clips())
    beside = f"/beside/{clips[0].rpartition('/')[2]}/{clips[1].rpartition('/')[2]}"
    found = []
    with _screen(chrome, width, 900):
        for path in (*PAGES, clips[0], beside):
            _go(chrome, served, path)
            if path.startswith(("/clip", "/beside")):
                wait(chrome, _is_ready)
            wide = chrome.execute_script("return document.documentElement.scrollWidth")
            if wide > width:
                found.append(f"{path} is {wide} wide")
            if width != 768:  # what it checks differs between wide and narrow only
                found += [f"{path}: {fault}" for fault in faults(chrome)]
    assert found == []


def test_a_small_laptop_shows_clip_timeline_and_what_is_put_right_at_once(chrome, served):
    with _screen(chrome, 1280, 720):
        _open_clip(chrome, served)
        for part in (".stage", ".timeline", ".reps", "#rep", "#undo", *_BUTTONS):
            box = chrome.find_element(By.CSS_SELECTOR, part).rect
            assert box["y"] >= 0, part
            least = 40 if part == "#rep" else box["height"]
            assert box["y"] + least <= 720, part


_BUTTONS = tuple(
    f'[data-do="{act}"]'
    for act in ("on-here", "off-here", "on-earlier", "off-later", "delete", "mark", "add", "place",
                "leave-out", "take-in")
)  # fmt: skip


def test_no_page_says_anything_to_the_console(chrome, served):
    chrome.get_log("browser")
    for path in (*PAGES[:-1], sorted(served.clips())[0]):
        _go(chrome, served, path)
    assert [entry["message"] for entry in chrome.get_log("browser")] == []


# --- another origin ----------------------------------------------------------------------------

_HOSTILE = """<!doctype html><meta charset="utf-8"><title>waiting</title>
<img id="picture" src="http://HOST/clip/CLIP/video">
<iframe id="frame" src="http://HOST/patients"></iframe>
<form id="form" method="post" action="http://HOST/patients/add" target="inner">
<input name="code" value="P66"></form><iframe name="inner"></iframe>
<script>
const said = [];
const asked = [
  fetch("http://HOST/patients", {credentials: "include"}).then((a) => a.text()),
  fetch("http://HOST/patients", {credentials: "include", mode: "no-cors"}).then((a) => a.text()),
  fetch("http://HOST/patients/add", {method: "POST", credentials: "include", mode: "no-cors",
    body: new URLSearchParams({code: "P66", sure: "1"})}).then((a) => a.text()),
];
document.getElementById("form").submit();
Promise.allSettled(asked).then((all) => {
  for (const one of all) said.push(one.status === "fulfilled" ? one.value : "");
  let inside = "";
  try { inside = document.getElementById("frame").contentDocument?.body.innerText ?? ""; } catch {}
  document.body.append(said.join("|") + inside);
  document.title = "done";
});
</script>"""


@contextmanager
def _another_origin(html: str) -> Iterator[str]:
    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(html.encode())

        def log_message(self, *_):
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}/"
        server.shutdown()


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost"])
def test_a_page_of_another_origin_neither_reads_nor_writes(chrome, served, name):
    clip = served.clips()[0].rpartition("/")[2]
    host = served.host.replace("127.0.0.1", name)
    with _another_origin(_HOSTILE.replace("HOST", host).replace("CLIP", clip)) as place:
        chrome.get(place)
        wait(chrome, lambda d: d.title == "done")
        assert "P07" not in chrome.find_element(By.TAG_NAME, "body").text
    assert "P66" not in served.get("/patients").text
