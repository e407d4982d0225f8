"""How a long loop tells its caller how far it is, without knowing who listens."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol


class Progress(Protocol):
    """Anything that counts finished steps, such as a bar on a screen."""

    def advance(self, n: int) -> None:
        """Count ``n`` more steps as done."""

    def close(self) -> None:
        """Stop counting; called once, also after an error."""


class _NoProgress:
    def advance(self, n: int) -> None:
        pass

    def close(self) -> None:
        pass


NO_PROGRESS: Progress = _NoProgress()
"""Listens to nothing; the default everywhere."""


StartProgress = Callable[[str, int], Progress]
"""Called with what is about to be done and in how many steps."""


def no_progress(label: str, steps: int) -> Progress:
    """Tell nobody."""
    return NO_PROGRESS
