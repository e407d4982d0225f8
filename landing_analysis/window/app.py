"""Which address is answered by what."""

from __future__ import annotations

from importlib.resources import files

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from landing_analysis.window import clips, patients, putting_right, sessions, today, visits
from landing_analysis.window.answers import (
    NotThereError,
    not_answered,
    reading,
    unforeseen,
    writing,
)
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
    Route("/patient/{number}/side", writing(patients.set_side), methods=["POST"]),
    Route("/patient/{number}/change", reading(patients.change)),
    Route("/patient/{number}/progress", reading(patients.progress)),
    Route("/patient/{number}/remove", writing(patients.remove), methods=["POST"]),
    Route("/patient/{number}/session", reading(sessions.session)),
    Route("/patient/{number}/session", writing(sessions.save), methods=["POST"]),
    Route("/visit/{number}/session", reading(sessions.session)),
    Route("/visit/{number}/session", writing(sessions.save), methods=["POST"]),
    Route("/week", reading(visits.week)),
    Route("/week/{week}", reading(visits.week)),
    Route("/week/{week}/first", reading(visits.look_first)),
    Route("/visit/{number}", reading(visits.visit)),
    Route("/visit/{number}/summary", reading(visits.summary)),
    Route("/visit/{number}/remark", writing(visits.remark), methods=["POST"]),
    Route("/clip/{clip}", reading(clips.clip)),
    Route("/clip/{clip}/view.json", reading(clips.view)),
    Route("/clip/{clip}/curves.json", reading(clips.curves)),
    Route("/clip/{clip}/video", reading(clips.video)),
    Route("/clip/{clip}/annotated", reading(clips.video)),
    Route("/clip/{clip}/report", reading(clips.report)),
    Route("/clip/{clip}/set", writing(putting_right.set_clip), methods=["POST"]),
    Route("/clip/{clip}/exclude", writing(putting_right.exclude), methods=["POST"]),
    Route("/clip/{clip}/contact", writing(putting_right.contact), methods=["POST"]),
    Route("/clip/{clip}/undo", writing(putting_right.step_back), methods=["POST"]),
    Route("/clip/{clip}/redo", writing(putting_right.step_again), methods=["POST"]),
    Route("/clip/{clip}/again", writing(putting_right.again), methods=["POST"]),
    Route("/clip/{clip}/remark", writing(putting_right.remark), methods=["POST"]),
    Route("/beside", reading(clips.choose_beside)),
    Route("/beside/{clip}/{other}", reading(clips.beside)),
)


def application(window: Window, port: int) -> ASGIApp:
    """Return what answers the browser, behind its guard."""
    app = Starlette(
        routes=[*_ROUTES, Route("/static/{name}", reading(_static))],
        exception_handlers={HTTPException: not_answered, Exception: unforeseen},
    )
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
