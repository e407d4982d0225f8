"""One run of the program: a socket of this machine, the server, the watcher, the browser."""

from __future__ import annotations

import socket
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import uvicorn
from filelock import FileLock, Timeout

from landing_analysis.errors import RecordError
from landing_analysis.folder.watch import Job
from landing_analysis.record.database import open_record
from landing_analysis.record.place import DataFolder, make_private_folder
from landing_analysis.window.app import application
from landing_analysis.window.guard import ENTRY, Keys
from landing_analysis.window.reanalysis import Analyses
from landing_analysis.window.rewriting import Rewriting
from landing_analysis.window.state import Window
from landing_analysis.window.working import Working, watching

HOST = "127.0.0.1"
BEFORE_ADDRESS = (
    "This address opens the clinic's window in one browser of this machine. Stop the window here "
    "with Ctrl-C; nothing is lost."
)


def run(
    folder: DataFolder,
    job: Job,
    say: Callable[[str], None],
    *,
    by: str | None = None,
    port: int = 0,
    browser: bool = True,
) -> None:
    """Serve the window until the program is told to stop.

    Parameters
    ----------
    folder : with the record
    job : what is done with the drop folder
    say : told what is opened and how to stop it, then the first address
    by : code of who works here
    port : to listen at, 0 for any that is free
    browser : whether the usual browser is opened

    Raises
    ------
    RecordError
        When the record cannot be opened, or a window of it is open already.
    """
    with _only_one(folder), open_record(folder), listening(port) as listener:
        keys, working = Keys(), Working()
        window = Window(folder, job, keys, working, Analyses(), Rewriting(folder, working), by)
        address = first_address(keys, listener)
        say(BEFORE_ADDRESS)
        say(address)
        if browser:
            webbrowser.open(address)
        with watching(folder, job, working):
            server_of(window, listener).run([listener])
            window.afterwards.settle()
        window.rewriting.close()
        job.give_up()  # what is in hand waits for the next start


def first_address(keys: Keys, listener: socket.socket) -> str:
    """Return an address that lets one browser in, once."""
    return f"http://{HOST}:{listener.getsockname()[1]}{ENTRY}{keys.new_entry()}"


def server_of(window: Window, listener: socket.socket) -> uvicorn.Server:
    """Return what answers at a socket; it logs no request."""
    app = application(window, listener.getsockname()[1])
    config = uvicorn.Config(
        app, log_level="error", access_log=False, server_header=False, date_header=False,
        timeout_graceful_shutdown=2, lifespan="off",
    )  # fmt: skip
    return uvicorn.Server(config)


@contextmanager
def listening(port: int) -> Iterator[socket.socket]:
    """Listen on this machine only."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((HOST, port))
        except OSError as error:
            raise RecordError(
                f"Port {port} cannot be listened at ({error.strerror}); leave --port away."
            ) from error
        yield listener


@contextmanager
def _only_one(folder: DataFolder) -> Iterator[None]:
    """Hold the lock of the one window of a data folder."""
    make_private_folder(folder.path)
    lock = FileLock(folder.path / "window.lock", blocking=False)
    try:
        lock.acquire()
    except Timeout as error:
        raise RecordError(
            f"A window of {folder.path} is open already; look for it in the browser, or stop that "
            "program first."
        ) from error
    try:
        yield
    finally:
        lock.release()
