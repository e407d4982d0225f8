"""The bar of a long step on the terminal."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import click

from landing_analysis.progress import NO_PROGRESS, Progress

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

_LABEL = 36  # so that a line fits into 80 columns
_HEAD = 14  # of a longer label, with "123 of 500"; the rest is its end


class _Bar:
    """A bar on the terminal with steps per second and the time left."""

    def __init__(self, label: str, steps: int) -> None:
        self._started_s = time.monotonic()
        self._done = 0
        self._bar: ProgressBar[int] = click.progressbar(
            length=steps,
            label=label
            if len(label) <= _LABEL
            else f"{label[:_HEAD]}…{label[_HEAD - _LABEL + 1 :]}",
            width=0,  # of the bar: what the terminal leaves
            show_eta=True,
            show_pos=True,
            item_show_func=lambda _: self._rate(),
            file=sys.stderr,
        )
        self._bar.__enter__()

    def advance(self, n: int) -> None:
        """Count ``n`` more steps as done."""
        self._done += n
        self._bar.update(n)

    def close(self) -> None:
        """Leave the finished bar on the screen."""
        self._bar.__exit__(None, None, None)

    def _rate(self) -> str:
        passed_s = time.monotonic() - self._started_s
        return f"{self._done / passed_s:.0f}/s" if passed_s > 0 else ""


def start_bar(label: str, steps: int) -> Progress:
    """Start a bar, or nothing when nobody is looking."""
    return _Bar(label, steps) if sys.stderr.isatty() else NO_PROGRESS
