"""Which address is answered by what."""

from __future__ import annotations

from importlib.resources import files

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from landing_analysis.window import patients, today
from landing_analysis.window.answers import NotThereError, reading, writing
from landing_analysis.window.guard import Guard
from landing_analysis.window.state import Window

_STYLES = ("report.css", "pages.css")
"""What the window's pages share with reports, which hold it inside."""

_ROUTES = (
    Route("/", reading(today.today)),
    Route("/drop", today.drop, methods=["POST"]),
    Route("/settle/patient", writing(today.settle_patient), methods=["POST"]),
    Route("/settle/file-date", writing(today.settle_file_date), methods=["POST"]),
    Route("/settle/look-again", writing(today.look_again), methods=["POST"]),
    Route("/patients", reading(patients.patients)),
    Route("/patients/add", writing(patients.add), methods=["POST"]),
    Route("/patient/{number}", reading(patients.patient)),
    Route("/patient/{number}/edit", writing(patients.edit), methods=["POST"]),
    Route("/patient/{number}/remove", writing(patients.remove), methods=["POST"]),
)


def application(window: Window, port: int) -> ASGIApp:
    """Return what answers the browser, behind its guard."""
    app = Starlette(routes=[*_ROUTES, Route("/static/{name}", reading(_static))])
    app.state.window = window
    return Guard(app, window.keys, port)


def _static(window: Window, request: Request) -> Response:
    """Return one of the program's own scripts and styles."""
    name = request.path_params["name"]
    package = files("landing_analysis")
    folder = package / ("templates" if name in _STYLES else "static")
    if name not in {entry.name for entry in folder.iterdir() if entry.is_file()}:
        raise NotThereError("There is no such page.")
    if name.endswith(".j2"):
        raise NotThereError("There is no such page.")
    return FileResponse(str(folder / name))
