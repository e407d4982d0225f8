"""How long the window lets somebody wait, by the clock, in a real browser.

    python -m tests.browser.seconds DATA

DATA is a data folder, such as one that ``landing-analysis demo`` made. Its newest week is gone
through by the key N: from the key until the clip's worst rep is on the screen. One contact of each
clip with a video is nudged and put back: from the key until the new number stands there. And the
keys and taps of a usual entry into the form of a session are counted. The nudges and what undoes
them stay in the record, as everything does: take a copy.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median

import click

sys.path.insert(0, str(Path(__file__).parents[1]))

from selenium.webdriver import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select
from stand_in import job

from browser.driving import browser, wait
from landing_analysis.findings.limits import read_limits
from landing_analysis.record.database import open_record
from landing_analysis.record.place import data_folder
from landing_analysis.stages import Options
from landing_analysis.window.guard import Keys as Secrets
from landing_analysis.window.reanalysis import Analyses
from landing_analysis.window.rewriting import Rewriting
from landing_analysis.window.running import first_address, listening, server_of
from landing_analysis.window.state import Window
from landing_analysis.window.working import Working

_SEEN = """
const body = document.body, video = document.querySelector("video");
if (!body || !body.dataset.clip || body.dataset.clip === arguments[0]) return null;
if (!document.querySelector(".at-clip")) return document.readyState === "complete" && "no clip";
if (body.dataset.ready !== "yes") return null;
return (!video || (video.readyState > 1 && !video.seeking)) && "worst rep";
"""


@click.command()
@click.argument("data", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--look", default=3.0, show_default=True, help="Seconds spent on each clip.")
def main(data: Path, look: float) -> None:
    """Print what the window takes."""
    with _served(data) as address, browser() as chrome:
        chrome.get(address)
        place = "/".join(address.split("/")[:3])
        _week(chrome, place, look)
        _session(chrome, place)


@contextmanager
def _served(data: Path) -> Iterator[str]:
    folder = data_folder(data)
    todo = job(data / "drop_folder", None, options=Options(limits=read_limits()))
    with open_record(folder), listening(0) as listener:
        keys = Secrets()
        working = Working()
        window = Window(folder, todo, keys, working, Analyses(), Rewriting(folder, working), "T1")
        server = server_of(window, listener)
        thread = threading.Thread(target=server.run, args=([listener],))
        thread.start()
        yield first_address(keys, listener)
        server.should_exit = True
        thread.join()
        window.afterwards.settle()
        window.rewriting.settle()


def _week(chrome, place: str, look_s: float) -> None:
    chrome.get(f"{place}/week")
    weeks = chrome.find_elements(By.CSS_SELECTOR, "[aria-labelledby='weeks'] a")
    chrome.get(weeks[0].get_attribute("href"))
    waits, nudges, before = {"worst rep": [], "no clip": []}, [], ""
    begun, key = time.perf_counter(), Keys.ENTER
    while True:
        at = time.perf_counter()
        ActionChains(chrome).send_keys(key).perform()
        key = "n"
        seen = wait(chrome, lambda d, was=before: d.execute_script(_SEEN, was) or _is_over(d))
        if seen == "over":
            break
        waits[seen].append(time.perf_counter() - at)
        before = chrome.find_element(By.TAG_NAME, "body").get_attribute("data-clip")
        if seen == "worst rep":
            nudges += [_until_changed(chrome, "["), _until_changed(chrome, "u")]
            time.sleep(look_s)
    for what, found in waits.items():
        _say(f"key to next, until {what} is on the screen", found)
    _say("key to the new number", nudges)
    click.echo(f"the week: {time.perf_counter() - begun:.0f} s with a nudge and an undo in each")


def _is_over(chrome) -> str | None:
    return "over" if "/week" in chrome.current_url and "/clip" not in chrome.current_url else None


def _until_changed(chrome, key: str) -> float:
    changed = (
        "return document.getElementById('changed').textContent + document.body.dataset.version"
    )
    before, at = chrome.execute_script(changed), time.perf_counter()
    ActionChains(chrome).send_keys(key).perform()
    wait(chrome, lambda d: d.execute_script(changed) != before)
    return time.perf_counter() - at


def _say(what: str, seconds: list[float]) -> None:
    if seconds:
        ms = sorted(1000 * one for one in seconds)
        click.echo(f"{what}: {len(ms)} times, median {median(ms):.0f} ms, longest {ms[-1]:.0f} ms")


def _session(chrome, place: str) -> None:
    """Enter a plan of one line, pain and effusion during, a note; count what the hand does."""
    chrome.get(f"{place}/patient/1/session")
    at, hands = time.perf_counter(), 0

    def click_on(selector: str) -> None:
        nonlocal hands
        part = chrome.find_element(By.CSS_SELECTOR, selector)
        chrome.execute_script("arguments[0].scrollIntoView({block: 'center'})", part)
        part.click()
        hands += 1

    steps: tuple[Callable[[], None], ...] = (
        lambda: click_on("[name='during pain'][value='2']"),
        lambda: click_on("[name='during effusion'][value='trace']"),
        lambda: Select(chrome.find_element(By.ID, "add-exercise")).select_by_value("jump"),
        lambda: click_on("#add-line"),
        lambda: chrome.find_element(By.ID, "note").send_keys("knee soft"),
        lambda: click_on("#save"),
    )  # fmt: skip
    for step in steps:
        step()
    wait(chrome, lambda d: "Saved" in d.find_element(By.TAG_NAME, "main").text)
    hands += 2 + len("knee soft")  # the list opened, the exercise chosen; the note typed
    click.echo(
        f"session form: {hands} taps and keys for pain, effusion, one line of the plan and a note; "
        f"{time.perf_counter() - at:.1f} s by the script, which does not think"
    )


if __name__ == "__main__":
    main()
