"""Look at pages in a browser.

    python -m tests.browser PAGE.html...

Needs ``chromium`` and, for the paper, ``pdftotext`` (poppler). At 390, 768 and 1200 pixels, with
everything unfolded, no text may be cut off or lie over another; of a landing report the first
sheet of paper must hold all of its first page and nothing of the rest, and no sheet the settings.
"""

from __future__ import annotations

import html
import json
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import click

WIDTHS_PX = (390, 768, 1200)
_POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')
_COLLECT = """
<pre id="said"></pre>
<script>
const said = [];
addEventListener("message", (event) => {
  said.push(event.data);
  if (said.length === WIDTHS) document.getElementById("said").textContent = JSON.stringify(said);
});
</script>
"""


@click.command()
@click.argument(
    "pages", nargs=-1, required=True,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
)  # fmt: skip
@click.option("--browser", default="chromium", show_default=True, help="Its command.")
def main(pages: tuple[Path, ...], browser: str) -> None:
    """Look at pages at three widths and on paper; anything found ends with 1."""
    found = [
        f"{page}: {words}"
        for page in pages
        for words in (*_on_screen(page, browser), *_on_paper(page, browser))
    ]
    for line in found:
        click.echo(line)
    click.echo(f"{len(pages)} pages looked at, {len(found)} problems.")
    sys.exit(1 if found else 0)


def _run(browser: str, folder: str, *arguments: str) -> str:
    command = [
        browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
        f"--user-data-dir={folder}/user", "--virtual-time-budget=20000", *arguments,
    ]  # fmt: skip
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def _on_screen(page: Path, browser: str) -> Iterator[str]:
    probe = Path(__file__).with_name("probe.js").read_text(encoding="utf-8")
    text = _POLICY.sub("", page.read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "page.html").write_text(
            text.replace("</body>", f"<script>{probe}</script></body>"), encoding="utf-8"
        )
        frames = "".join(
            f'<iframe src="page.html" width="{width}" height="1200"></iframe>'
            for width in WIDTHS_PX
        )
        around = Path(folder) / "around.html"
        around.write_text(
            _COLLECT.replace("WIDTHS", str(len(WIDTHS_PX))) + frames, encoding="utf-8"
        )
        shown = _run(browser, folder, "--dump-dom", around.as_uri())
    said = re.search(r'<pre id="said">(.*?)</pre>', shown, re.DOTALL)
    if said is None or not said[1]:
        yield "the browser did not answer"
        return
    for answer in json.loads(html.unescape(said[1])):
        for words in answer["problems"]:
            yield f"{answer['wide']} px: {words}"


def _on_paper(page: Path, browser: str) -> Iterator[str]:
    text = page.read_text(encoding="utf-8")
    if '<section class="sheet' not in text:
        return
    with tempfile.TemporaryDirectory() as folder:
        paper = Path(folder) / "paper.pdf"
        _run(browser, folder, "--no-pdf-header-footer", f"--print-to-pdf={paper}", page.as_uri())
        sheets = _text_of(paper).split("\f")
    first = text[text.index('<section class="sheet') : text.index("</section>")]
    headings = re.findall(r"<h[23]>([^<]+)", first)
    captions = re.findall(r"<figcaption>([^<]+)", first)
    for words in (*headings, *captions[-1:]):
        if " ".join(html.unescape(words).split())[:30] not in " ".join(sheets[0].split()):
            yield f"paper: the first sheet does not hold: {words.strip()}"
    if "Cautions" in sheets[0] or "Reps in numbers" in sheets[0]:
        yield "paper: more than the first page is on the first sheet"
    if "angle_cutoff_hz" in "".join(sheets):
        yield "paper: the settings are printed"


def _text_of(paper: Path) -> str:
    command = ["pdftotext", "-layout", str(paper), "-"]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


if __name__ == "__main__":
    main()
