"""What was asked for last, kept in memory."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from threading import Lock
from typing import Generic, TypeVar

_Kept = TypeVar("_Kept")


class Few(Generic[_Kept]):
    """Keeps what was asked for last, for several threads."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, _Kept] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Hashable) -> _Kept | None:
        """Return what is kept under a key."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def put(self, key: Hashable, kept: _Kept) -> _Kept:
        """Keep something, let go what was asked for longest ago, and return it."""
        with self._lock:
            self._kept[key] = kept
            self._kept.move_to_end(key)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return kept
