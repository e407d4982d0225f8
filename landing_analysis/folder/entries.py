"""Which files of a drop folder are left alone, and whether a clip is whole."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from landing_analysis.files import printable
from landing_analysis.tables import Clip

_UNFINISHED = (
    ".tmp", ".temp", ".part", ".partial", ".crdownload", ".download", ".filepart", ".!sync",
    ".icloud", "~",
)  # fmt: skip
_HIDDEN = (".", "~")

# Files that a cloud folder lists without having fetched them. Opening one fetches it, so only
# the file's attributes are asked: SF_DATALESS of macOS (sys/stat.h), and OFFLINE,
# RECALL_ON_OPEN and RECALL_ON_DATA_ACCESS of Windows (file attribute constants).
_MACOS_DATALESS = 0x40000000
_WINDOWS_RECALLED = 0x1000 | 0x40000 | 0x400000


def is_left_alone(name: str) -> bool:
    """Return whether a name is that of a hidden file or of one under way."""
    return name.startswith(_HIDDEN) or name.lower().endswith(_UNFINISHED)


def is_placeholder(facts: os.stat_result) -> bool:
    """Return whether a file's content is still in the cloud, told without opening it."""
    return bool(
        getattr(facts, "st_flags", 0) & _MACOS_DATALESS
        or getattr(facts, "st_file_attributes", 0) & _WINDOWS_RECALLED
    )


@dataclass(frozen=True)
class Entry:
    """One file of a drop folder, or a folder that is not looked into and why."""

    path: Path
    facts: os.stat_result
    problem: str | None = None


def entries_in(root: Path, deepest: int, left_out: tuple[Path, ...] = ()) -> Iterator[Entry]:
    """Yield the files below a drop folder that may be clips, with their facts, by name.

    Parameters
    ----------
    root : of the drop folder
    deepest : how many folders down files are looked for
    left_out : folders that hold reports or the record

    Raises
    ------
    OSError
        When ``root`` itself cannot be listed; a sub-folder that cannot comes as an entry with
        its problem, and so does one that lies too deep.

    Notes
    -----
    Only plain files are told of: links, sockets, pipes and devices are left alone, and so are
    empty files and what vanishes meanwhile.
    """
    waiting = _listed(root)
    while waiting:
        entry = waiting.pop()
        path = Path(entry.path)
        try:
            if is_left_alone(entry.name) or entry.is_symlink() or path in left_out:
                continue
            facts = path.lstat()
            if stat.S_ISREG(facts.st_mode) and facts.st_size:
                yield Entry(path, facts)
            if not stat.S_ISDIR(facts.st_mode):
                continue
        except OSError:
            continue
        if len(path.parts) - len(root.parts) > deepest:
            yield Entry(path, facts, f"this folder lies more than {deepest} folders down; move its "
                        "clips up.")  # fmt: skip
            continue
        try:
            waiting += _listed(path)
        except FileNotFoundError:
            continue
        except OSError as error:
            yield Entry(path, facts, f"this folder cannot be looked into ({error.strerror}); "
                        "change its rights or its name.")  # fmt: skip


def _listed(folder: Path) -> list[os.DirEntry[str]]:
    """Return what is in a folder, the first by name last."""
    with os.scandir(folder) as entries:
        return sorted(entries, key=lambda entry: entry.name, reverse=True)


@dataclass(frozen=True)
class Checked:
    """A whole clip's facts, and the tags of its container."""

    clip: Clip
    tags: Mapping[str, str]


CheckClip = Callable[[Path], Checked]
"""Checks a clip; raises `ClipError` when it is not whole, `InterruptedAnalysisError` when
another attempt may succeed."""


def check_clip(path: Path) -> Checked:
    """Read a clip's facts and make sure that it is whole.

    Raises
    ------
    ClipError
    """
    from landing_analysis.video.clips import read_clip, read_tags

    clip = read_clip(path)
    return Checked(replace(clip, file=printable(clip.file)), read_tags(path))
