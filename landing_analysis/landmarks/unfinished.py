"""What was seen of a clip so far, stored while it is looked at: a stopped search goes on there.

Stored parts
------------
A hidden folder beside the clip's report, ``.<12 digits of the clip's sha256>.unfinished``, holds
``0-00000.npz``, ``0-00001.npz`` and so on (the first number counts the passes over the clip), each
with what some 20 s of work have given: ``number`` and ``t_s`` of its frames, the ``people`` seen
in each, ``values`` (people, 33, 6) of all of them and their ``windows`` (people, 4). ``made_by``
binds a part to clip, model and program. A part that is damaged or bound to something else, and
all after it, are found anew.

What watches the frames besides the pose model sees all of them again when a search goes on:
that costs the decoding, and needs nothing stored.
"""

from __future__ import annotations

import shutil
import time
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from landing_analysis import __version__
from landing_analysis.errors import ClipError, NobodyFoundError
from landing_analysis.files import new_file
from landing_analysis.tables import N_LANDMARKS, FloatArray, Seen

SUFFIX = ".unfinished"

_SCHEMA_VERSION = 5
_EVERY_S = 20.0  # of work; this much is lost at most (choice)
_VALUES, _WINDOW_VALUES = 6, 4


class Parts:
    """What was seen of one clip in one pass; made by `stored_parts`, or without a place for it.

    Attributes
    ----------
    seen : frame by frame, in the order in which they were looked at
    """

    def __init__(self, folder: Path | None = None, pass_: int = 0) -> None:
        self.seen: list[Seen] = []
        self._folder, self._pass = folder, pass_
        self._made_by = ""
        self._parts = 0

    def of_pass(self, pass_: int) -> Parts:
        """Return the place for what is seen in another pass, counted from 0."""
        return Parts(self._folder, pass_)

    def recall(self, clip_sha256: str, model_sha256: str) -> None:
        """Take over what is stored of the same clip, by the same model and program."""
        self._made_by = repr((_SCHEMA_VERSION, __version__, clip_sha256, model_sha256))
        while self._folder and self._recall_part(self._path(self._folder, self._parts)):
            self._parts += 1

    def store(self, found: Iterable[Seen]) -> None:
        """Add what is found to `seen`, and store a part of it every 20 s.

        Raises
        ------
        OutputError
            When the place cannot be written.
        """
        stored, last_s = len(self.seen), time.monotonic()
        for one in found:
            self.seen.append(one)
            if time.monotonic() - last_s >= _EVERY_S:
                self._store_part(stored, len(self.seen))
                stored, last_s = len(self.seen), time.monotonic()

    def _store_part(self, first: int, end: int) -> None:
        seen = self.seen[first:end]
        people = [one.people for one in seen]
        table: dict[str, Any] = {
            "made_by": np.array(self._made_by),
            "number": np.array([one.number for one in seen]),
            "t_s": np.array([one.t_s for one in seen]),
            "people": np.array([len(found) for found in people]),
            "values": np.concatenate([*people, np.empty((0, N_LANDMARKS, _VALUES))]),
            "windows": np.concatenate([*map(_windows, seen), np.empty((0, _WINDOW_VALUES))]),
        }
        if self._folder:
            place = self._path(self._folder, self._parts)
            with new_file(place) as temporary, temporary.open("wb") as file:
                np.savez(file, **table)
        self.seen[first:end] = _seen_in(table)  # packed: many small arrays scatter the memory
        self._parts += 1

    def _path(self, folder: Path, part: int) -> Path:
        return folder / f"{self._pass}-{part:05d}.npz"

    def _recall_part(self, path: Path) -> bool:
        """Take over one part, or nothing of it."""
        try:
            with path.open("rb") as file, np.load(file, allow_pickle=False) as stored:
                table = {name: stored[name] for name in stored.files}
            if str(table["made_by"]) != self._made_by:
                return False
            self.seen += _seen_in(table)
        except (OSError, EOFError, KeyError, ValueError, zipfile.BadZipFile):
            return False
        return True


def _windows(one: Seen) -> FloatArray:
    """Return the windows of a look, (people, 4), NaN where there are none."""
    if one.windows_px is None:
        return np.full((len(one.people), _WINDOW_VALUES), np.nan)
    return one.windows_px


def _seen_in(table: Mapping[str, Any]) -> list[Seen]:
    """Return what a stored part holds, frame by frame."""
    ends = np.cumsum(table["people"])[:-1]
    per_frame = (np.split(table[name], ends) for name in ("values", "windows"))
    return list(map(Seen, table["number"].tolist(), table["t_s"].tolist(), *per_frame))


@contextmanager
def stored_parts(path: Path) -> Iterator[Parts]:
    """Give the place for what is seen of a clip; it is gone when the clip's analysis ends.

    Parameters
    ----------
    path : of the place; the parts lie beside it, in a hidden folder of its name

    Yields
    ------
    Parts
        Still there after the analysis was stopped, by the user, by a full disk, by a wrong option
        or by anything that nobody foresaw; gone once it has given a result, or a reason for none
        that lies in the clip.
    """
    place = path.with_name(f".{path.name}{SUFFIX}")
    try:
        yield Parts(place)
    except (ClipError, NobodyFoundError):
        shutil.rmtree(place, ignore_errors=True)
        raise
    shutil.rmtree(place, ignore_errors=True)
