"""Where the record and its reports lie, readable by their owner only."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from landing_analysis.errors import RecordError

ENVIRONMENT = "LANDING_ANALYSIS_DATA"
"""The environment variable that names the data folder."""

_OWNER_FOLDER, _OWNER_FILE = 0o700, 0o600


@dataclass(frozen=True)
class DataFolder:
    """The places in one data folder, and the folder of the reports.

    ``reports`` is inside the data folder unless the user named another one.
    """

    path: Path
    reports: Path

    @property
    def record(self) -> Path:
        """The SQLite file."""
        return self.path / "record.sqlite3"

    @property
    def backups(self) -> Path:
        """Folder of copies of the record."""
        return self.path / "backups"

    @property
    def workers(self) -> Path:
        """Folder with a lock for each process that analyses clips."""
        return self.path / "workers"

    @property
    def pages(self) -> Path:
        """Folder of the pages on visits, weeks and change, which can be made again any time."""
        return self.path / "pages"

    @property
    def work(self) -> Path:
        """Folder in which reports are made before they take their place."""
        return self.reports / ".work"

    @property
    def where(self) -> str:
        """What a command needs to find this folder, with a space before it; often nothing."""
        return "" if data_folder().path == self.path else f" --data {shlex.quote(str(self.path))}"

    def report_at(self, stored: str) -> Path | None:
        """Return the report folder that a record names, None when it may not be one.

        Parameters
        ----------
        stored : from the data folder, or absolute

        Returns
        -------
        Path or None
            A place below the reports in the data folder or the folder of reports that the
            user named, links resolved; never one that climbs, holds one of the data
            folder's own places, or lies in one.
        """
        usual, path = self.path / "reports", self.path / stored
        real, data = _resolved(path), _resolved(self.path)
        if real is None or data is None or ".." in Path(stored).parts:
            return None
        # Not resolved: a link in the place of the usual folder leads out of the data folder.
        roots = [data / usual.name]
        if self.reports != usual:
            roots.append(_resolved(self.reports) or self.reports)
        below = any(real != root and real.is_relative_to(root) for root in roots)
        own = (self.record, self.backups, self.workers, self.pages, self.work)
        return path if below and apart_from([path], own) else None


def data_folder(given: Path | None = None, reports: Path | None = None) -> DataFolder:
    """Choose the data folder: the given one, else the environment's, else the system's usual.

    Parameters
    ----------
    given : from the command line
    reports : where reports go, None for inside the data folder
    """
    named = os.environ.get(ENVIRONMENT)
    if given is not None:
        path = given
    elif named:
        path = Path(named)
    else:
        from platformdirs import user_data_path

        path = user_data_path("landing_analysis", appauthor=False)
    path = path.expanduser().absolute()
    return DataFolder(path, reports.expanduser().absolute() if reports else path / "reports")


def is_below(path: Path, folder: Path) -> bool:
    """Return whether a path lies below a folder, links resolved."""
    real, root = _resolved(path), _resolved(folder)
    return real is not None and root is not None and real != root and real.is_relative_to(root)


def apart_from(folders: Iterable[Path], kept: Iterable[Path]) -> set[Path]:
    """Return the folders that neither hold nor lie in one that is kept, links resolved."""
    kept_real = {real for path in kept if (real := _resolved(path))}
    above = {folder for path in kept_real for folder in (path, *path.parents)}
    return {
        folder
        for folder in folders
        if (real := _resolved(folder)) and real not in above and kept_real.isdisjoint(real.parents)
    }


def _resolved(path: Path) -> Path | None:
    """Return a path without links, None when no file could ever have that name."""
    try:
        real = path.resolve()
        with suppress(FileNotFoundError, NotADirectoryError):
            real.lstat()
    except (OSError, RuntimeError, ValueError):  # too long, links in a circle, a zero byte
        return None
    return real


def make_private_folder(path: Path) -> None:
    """Make a folder that only its owner can look into.

    Raises
    ------
    RecordError
        When it cannot be made.

    Notes
    -----
    Rights of a folder that was there before are left as they are. Windows keeps
    its own rights; the usual data folder there is the user's own.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.mkdir(mode=_OWNER_FOLDER, exist_ok=True)
    except OSError as error:
        raise RecordError(
            f"The folder {path} cannot be made ({error.strerror}); choose another with --data."
        ) from error


def make_private_file(path: Path) -> None:
    """Make an empty file that only its owner can read, unless it is there.

    Raises
    ------
    RecordError

    Notes
    -----
    A file that is there is not touched: closing any handle on a file takes all of this process's
    locks from it (POSIX), also those of SQLite, and whoever opens the record next would take it
    for one that nobody has open, and delete the log that this process writes to.
    """
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, _OWNER_FILE))
    except FileExistsError:
        return
    except OSError as error:
        raise RecordError(
            f"{path} cannot be written ({error.strerror}); choose another folder with --data."
        ) from error


@contextmanager
def held(lock: Path) -> Iterator[None]:
    """Hold a lock file, which the system frees when this process ends, however it ends.

    Raises
    ------
    RecordError
        When the lock cannot be written.
    """
    from filelock import FileLock

    make_private_file(lock)
    with FileLock(lock):
        yield


def make_private(folder: Path) -> None:
    """Take the rights of all others away from a folder and everything in it."""
    for inside, _, names in os.walk(folder):
        Path(inside).chmod(_OWNER_FOLDER)
        for name in names:
            (Path(inside) / name).chmod(_OWNER_FILE)
