"""Files: fingerprints, and writing that never leaves half a file."""

from __future__ import annotations

import glob
import hashlib
import json
import os
import re
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from landing_analysis.errors import OutputError
from landing_analysis.progress import NO_PROGRESS, Progress

MEGABYTE = 1 << 20
_LARGEST_DOCUMENT = 256 * MEGABYTE  # bytes; twenty minutes of jumps have a tenth (choice)
_UNSHOWN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")
_PART, _REPLACED = ".part", ".replaced"


def sha256_of(path: Path, progress: Progress = NO_PROGRESS) -> str:
    """Return the sha256 of a file's content in hexadecimal; ``progress`` counts its megabytes."""
    digest = hashlib.sha256()
    with Path(path).open("rb") as file:
        while block := file.read(MEGABYTE):
            digest.update(block)
            progress.advance(1)
    return digest.hexdigest()


def printable(text: str) -> str:
    """Return a file name, or a sentence with one in it, as text that any file and screen can hold.

    Bytes that are no text, and characters that would move the cursor or turn or break the line,
    are replaced.
    """
    return _UNSHOWN.sub("\ufffd", os.fsencode(text).decode("utf-8", "replace"))


def read_at_most(path: Path, most_bytes: int) -> bytes | None:
    """Return what is in a file, None when that is longer than is looked at."""
    with path.open("rb") as file:
        content = file.read(most_bytes + 1)
    return content if len(content) <= most_bytes else None


def read_document(path: Path) -> Any:
    """Read a JSON document of a report, with the keys that earlier versions named otherwise.

    Raises
    ------
    OSError
    ValueError
        When it is none, or longer or deeper than any report's.
    """
    content = read_at_most(path, _LARGEST_DOCUMENT)
    try:
        return _named_as_now(json.loads(content or b""))
    except RecursionError as error:
        raise ValueError(f"{path} is nested too deep") from error


_EARLIER_KEYS = {"task": "exercise", "task_origin": "exercise_origin", "tasks": "exercises"}


def _named_as_now(value: Any) -> Any:
    """Give keys of an earlier version their present names, wherever they stand."""
    if isinstance(value, dict):
        named = {_EARLIER_KEYS.get(key, key): _named_as_now(item) for key, item in value.items()}
        earlier = named.get("what") in tuple(_EARLIER_KEYS)  # a correction's subject
        return {**named, "what": _EARLIER_KEYS[named["what"]]} if earlier else named
    return [_named_as_now(item) for item in value] if isinstance(value, list) else value


@contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """Give a temporary name to write to; the file takes its place only when complete.

    Parameters
    ----------
    path : where the file is to be; its folder is made when missing

    Yields
    ------
    Path
        A hidden name in the same folder, which is gone after an error.

    Raises
    ------
    OutputError
        When the place cannot be written.
    """
    temporary = _temporary_beside(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        temporary.replace(path)
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


@contextmanager
def new_folder(path: Path) -> Iterator[Path]:
    """Give a temporary folder to fill; it takes its place, and the old one's, when complete.

    Parameters
    ----------
    path : where the folder is to be

    Raises
    ------
    OutputError
        When the place cannot be written; an earlier folder is then still there.
    """
    temporary, replaced = _temporary_beside(path), _temporary_beside(path, _REPLACED)
    try:
        temporary.mkdir(parents=True)
        yield temporary
        if path.exists():
            path.rename(replaced)
        temporary.rename(path)
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        if replaced.exists() and not path.exists():
            replaced.rename(path)
        shutil.rmtree(replaced, ignore_errors=True)
        shutil.rmtree(temporary, ignore_errors=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file in UTF-8, whole or not at all."""
    with new_file(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def write_bytes(path: Path, data: bytes) -> None:
    """Write a binary file, whole or not at all."""
    with new_file(path) as temporary:
        temporary.write_bytes(data)


def _temporary_beside(path: Path, suffix: str = _PART) -> Path:
    return path.with_name(f".{path.name}.{uuid.uuid4().hex}{suffix}")


@contextmanager
def sole_writer(path: Path) -> Iterator[None]:
    """Keep a clip's folders to oneself, and put right what a killed process left there.

    Parameters
    ----------
    path : of the place; its name ends the names of the folders that `new_folder` makes there

    Raises
    ------
    OutputError
        When another process has it, which goes on undisturbed, or it cannot be written.
    """
    from filelock import FileLock, Timeout

    lock = FileLock(path.with_name(f".{path.name}.lock"), blocking=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout as error:
        raise OutputError(
            f"The report of the same clip in {path.parent} is being written by another analysis; "
            "wait until that has ended, then start again."
        ) from error
    except OSError as error:
        raise _cannot_write(path, error) from error
    try:
        _clear_leftovers(path)
        yield
    finally:
        with suppress(OSError):
            Path(lock.lock_file).unlink()  # while held: who waits for it notices and makes another
        lock.release()


def _clear_leftovers(path: Path) -> None:
    """Delete temporary files of processes that were killed; a folder set aside comes back."""
    name = re.compile(rf"\.(.*{re.escape(path.name)})\.[0-9a-f]{{32}}(\.\w+)")
    for left in path.parent.iterdir():
        found = name.fullmatch(left.name)
        if found is None:
            continue
        target = left.with_name(found[1])
        if found[2] == _REPLACED and not target.exists():
            left.rename(target)
        shutil.rmtree(left, ignore_errors=True)
    for folder in path.parent.glob(f"*{glob.escape(path.name)}"):
        for left in folder.glob(f".*{_PART}") if folder.is_dir() else ():
            left.unlink(missing_ok=True)


def _cannot_write(path: Path, error: OSError) -> OutputError:
    return OutputError(
        f"{path} cannot be written ({error.strerror or error}); choose another place."
    )
