"""Reads a page as a person or a screen reader would: visible text, headings, pictures, links."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

_NEVER_SHOWN = {"style", "script", "head", "title"}
_EMPTY = {"meta", "br", "image", "line", "circle", "path", "use", "rect", "img", "link"}
_BLOCKS = {"p", "div", "dt", "dd", "li", "td", "th", "h1", "h2", "h3", "summary", "caption", "br"}


@dataclass
class Page:
    """What was found on a page, in order."""

    text: str = ""
    headings: list[tuple[int, str]] = field(default_factory=list)
    pictures: list[dict[str, str | None]] = field(default_factory=list)
    tags: list[str] = field(default_factory=list)
    addresses: list[str] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)


def read_page(html: str) -> Page:
    """Parse a page; fails when tags do not close in the order in which they opened."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    reader.page.text = " ".join(reader.page.text.split())
    return reader.page


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.page = Page()
        self.open: list[str] = []

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.page.tags.append(tag)
        self.page.addresses += [v for k, v in attrs if k in ("href", "src", "action") and v]
        if found.get("id"):
            self.page.ids.append(found["id"])
        if tag == "svg" or tag == "img":
            self.page.pictures.append(found)
        if tag in ("h1", "h2", "h3", "h4"):
            self.page.headings.append((int(tag[1]), ""))
        if tag not in _EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in _EMPTY:
            self.open.pop()

    def handle_endtag(self, tag):
        if tag not in _EMPTY:
            assert self.open.pop() == tag

        self.page.text += " " if tag in _BLOCKS else ""

    def handle_data(self, data):
        if _NEVER_SHOWN & set(self.open):
            return
        self.page.text += data if data.strip() else " "
        if self.open and self.open[-1] in ("h1", "h2", "h3", "h4"):
            level, words = self.page.headings[-1]
            self.page.headings[-1] = (level, words + data)
