"""Which files of a drop folder are left alone."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

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


def files_in(root: Path, left_out: tuple[Path, ...] = ()) -> Iterator[tuple[Path, os.stat_result]]:
    """Yield the files below a drop folder that may be clips, with their facts, by name.

    Parameters
    ----------
    root : of the drop folder
    left_out : folders that hold reports or the record

    Raises
    ------
    OSError
        When ``root`` itself cannot be listed; a sub-folder that cannot is passed over.

    Notes
    -----
    Links are left alone, and so are empty files.
    """
    yield from _files_in(root, left_out, os.scandir(root))


def _files_in(
    folder: Path, left_out: tuple[Path, ...], entries: Iterator[os.DirEntry[str]]
) -> Iterator[tuple[Path, os.stat_result]]:
    for entry in sorted(entries, key=lambda entry: entry.name):
        path = folder / entry.name
        if is_left_alone(entry.name) or entry.is_symlink() or path in left_out:
            continue
        try:
            if entry.is_dir(follow_symlinks=False):
                yield from _files_in(path, left_out, os.scandir(path))
                continue
            facts = path.stat()
        except OSError:
            continue
        if entry.is_file(follow_symlinks=False) and facts.st_size:
            yield path, facts
