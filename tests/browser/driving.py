"""Debian's chromium, driven as a person would; tests skip where there is none."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path

import pytest

PATIENCE_S = 60
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars", "--autoplay-policy=no-user-gesture-required",
)  # fmt: skip


@contextmanager
def browser(*flags: str, script: bool = True) -> Iterator[object]:
    """Start a browser with an empty profile."""
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not (chromium and driver):
        pytest.skip("needs chromium and chromedriver: sh .ci/browser installs them on Debian")
    selenium = pytest.importorskip("selenium.webdriver")
    service = pytest.importorskip("selenium.webdriver.chrome.service")
    options = selenium.ChromeOptions()
    options.binary_location = chromium
    profile = tempfile.mkdtemp()
    for flag in (*_FLAGS, f"--user-data-dir={profile}", "--window-size=1280,900", *flags):
        options.add_argument(flag)
    if not script:
        options.add_experimental_option(
            "prefs", {"profile.managed_default_content_settings.javascript": 2}
        )
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    opened = selenium.Chrome(options=options, service=service.Service(driver))
    try:
        opened.set_script_timeout(PATIENCE_S)
        yield opened
    finally:
        opened.quit()
        shutil.rmtree(profile, ignore_errors=True)


def wait(opened: object, until: Callable[[object], object]) -> object:
    """Wait until something is so, and return it."""
    from selenium.common.exceptions import StaleElementReferenceException
    from selenium.webdriver.support.ui import WebDriverWait

    ignored = (StaleElementReferenceException,)
    return WebDriverWait(opened, PATIENCE_S, 0.05, ignored).until(until)


def faults(opened: object) -> list[str]:
    """Return what axe, the usual checker, finds wrong with the page for those who cannot see it."""
    pytest.importorskip("axe_core_python")
    axe = Path(str(files("axe_core_python") / "axe.min.js")).read_text(encoding="utf-8")
    opened.execute_script(axe)
    found = opened.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', "
        "'best-practice'], iframes: false}).then((r) => done(r.violations), (e) => done([{id: "
        "String(e), nodes: []}]));"
    )
    return [
        f"{one['id']}: {'; '.join(str(node['target']) for node in one['nodes'])}" for one in found
    ]
