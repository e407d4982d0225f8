"""Requests in, pages out: forms read and checked, errors told in one sentence."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from landing_analysis.definitions import CAUTIONS, INTENDED_USE
from landing_analysis.errors import LandingAnalysisError
from landing_analysis.record.database import Record
from landing_analysis.record.overview import version_of_record
from landing_analysis.report.page import page_environment
from landing_analysis.window.guard import DOCUMENT_POLICY
from landing_analysis.window.state import Window

Given = Mapping[str, str]
"""What a form holds, by the names of its fields."""
Answer = Callable[[Request], Awaitable[Response]]

TOKEN, TOKEN_HEADER = "token", "x-window-token"
"""The field of a form, or the header, that only our own pages can fill."""
_FORM = "application/x-www-form-urlencoded"
_MOST_FIELDS = 400


class NotThereError(LandingAnalysisError):
    """An address names nothing that is in the record."""


class ChangedMeanwhileError(LandingAnalysisError):
    """Another window, or a command, changed what a form was filled in upon."""


def window_of(request: Request) -> Window:
    """Return what all requests share."""
    window: Window = request.app.state.window
    return window


def page(window: Window, template: str, status: int = 200, **parts: Any) -> Response:
    """Fill one of the window's templates."""
    html = page_environment().get_template(f"window/{template}")
    shared = {
        "token": window.keys.token, "by": window.by, "cautions": CAUTIONS,
        "intended_use": INTENDED_USE,
    }  # fmt: skip
    return HTMLResponse(html.render(**shared, **parts), status)


def document(html: str, policy: str) -> Response:
    """Return a page that holds its styles inside, under a policy of its own."""
    return HTMLResponse(html, headers={"Content-Security-Policy": policy})


def drawn_document(
    window: Window, record: Record, request: Request, draw: Callable[[], str]
) -> Response:
    """Return a document that takes long to draw; the same as before while the record is the same.

    Parameters
    ----------
    window, record, request : Window, Record, Request
    draw : gives its HTML
    """
    key = (request.url.path, version_of_record(record), date.today())
    html = window.documents.get(key)
    return document(html or window.documents.put(key, draw()), DOCUMENT_POLICY)


def to(place: str) -> Response:
    """Send the browser to a page, which a reload then asks for again and not the form."""
    return RedirectResponse(place, 303)


def reading(act: Callable[[Window, Request], Response]) -> Answer:
    """Return the answer to a question, errors told in one sentence."""

    async def answer(request: Request) -> Response:
        return await run_in_threadpool(_told, act, window_of(request), request)

    return answer


def writing(act: Callable[[Window, Request, Given], Response]) -> Answer:
    """Return the answer to a form of one of our own pages."""

    async def answer(request: Request) -> Response:
        window = window_of(request)
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind != _FORM:
            return _error(window, request, 415, "Forms are taken here, nothing else.")
        try:
            text = (await request.body()).decode("ascii")
            pairs = parse_qsl(
                text, keep_blank_values=True, strict_parsing=bool(text), max_num_fields=_MOST_FIELDS
            )
        except ValueError:
            return _error(window, request, 400, "That is no form.")
        given = dict(pairs)
        token = request.headers.get(TOKEN_HEADER) or given.pop(TOKEN, None)
        if not window.keys.may_write(token):
            return _error(
                window, request, 403,
                "This page is of an earlier run of the program; reload it and try again.",
            )  # fmt: skip
        return await run_in_threadpool(_told, act, window, request, given)

    return answer


def _told(act: Callable[..., Response], window: Window, request: Request, *more: Any) -> Response:
    try:
        return act(window, request, *more)
    except NotThereError as error:
        return _error(window, request, 404, str(error))
    except ChangedMeanwhileError as error:
        return _error(window, request, 409, str(error))
    except LandingAnalysisError as error:
        return _error(window, request, 422, str(error))


def _error(window: Window, request: Request, status: int, sentence: str) -> Response:
    if wants_json(request):
        return JSONResponse({"error": sentence}, status)
    return page(window, "error.html.j2", status, sentence=sentence, back=_came_from(request))


def _came_from(request: Request) -> str | None:
    """Return the page of ours that a form was sent from, None where none is told."""
    before = urlsplit(request.headers.get("referer", ""))
    is_own = before.netloc == request.headers.get("host") and before.path.startswith("/")
    return before.path if is_own and not before.path.startswith("//") else None


async def not_answered(request: Request, error: Exception) -> Response:
    """Answer what no page of ours asks."""
    status = error.status_code if isinstance(error, HTTPException) else 500
    words = "There is no such page." if status == 404 else "That is not answered here."
    return _error(window_of(request), request, status, words)


async def unforeseen(request: Request, error: Exception) -> Response:
    """Answer when something went wrong that nobody foresaw."""
    sentence = (
        f"This met an error that nobody foresaw ({type(error).__name__}); what was saved before "
        "stands. Send this sentence and what you did to the makers."
    )
    return _error(window_of(request), request, 500, sentence)


def wants_json(request: Request) -> bool:
    """Return whether a script asks, which shows the answer itself."""
    return "application/json" in request.headers.get("accept", "")


def number_in(request: Request, name: str) -> int:
    """Return a whole number of an address.

    Raises
    ------
    NotThereError
    """
    text = str(request.path_params[name])
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        raise NotThereError("There is no such page.")
    return int(text)


def optional(given: Given, name: str) -> str | None:
    """Return what a field holds, None when it is left empty or not there."""
    return given.get(name, "").strip() or None


STATIC = Path(__file__).parents[1] / "static"
