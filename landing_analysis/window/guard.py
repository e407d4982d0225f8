"""Who may ask the window, and what: host, origin, session, size and form of every request."""

from __future__ import annotations

import hmac
import re
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from threading import Lock

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from landing_analysis.settings import WindowSettings

COOKIE = "landing_analysis_session"
ENTRY = "/enter/"
"""The first address is this and a token."""

PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "media-src 'self'; connect-src 'self'; form-action 'self'; frame-src 'self'; "
    "frame-ancestors 'self'; base-uri 'none'"
)
DOCUMENT_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'self'; "
    "base-uri 'none'"
)
"""Of reports and summaries: documents with their styles inside and no script at all."""

_HEADERS = {
    "Content-Security-Policy": PAGE_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "SAMEORIGIN",
    "Referrer-Policy": "same-origin",  # with none, a browser hides the origin of our own forms
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}
_READING, _WRITING = ("GET", "HEAD"), ("POST",)
_PATH = re.compile(rb"(/[A-Za-z0-9_.-]*)+")
_SAME_ORIGIN = (None, "same-origin", "none")


@dataclass
class Keys:
    """The secrets of one run: entries that are good once, the session, and the token of writes."""

    session: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    _entries: set[str] = field(default_factory=set)
    _lock: Lock = field(default_factory=Lock)

    def new_entry(self) -> str:
        """Return a token that lets one browser in, once."""
        entry = secrets.token_urlsafe(32)
        with self._lock:
            self._entries.add(entry)
        return entry

    def enter(self, entry: str) -> bool:
        """Spend an entry; False for one that was never given or is spent."""
        with self._lock:
            if entry not in self._entries:
                return False
            self._entries.remove(entry)
            return True

    def may_write(self, token: str | None) -> bool:
        """Return whether a write comes from one of our own pages."""
        return token is not None and hmac.compare_digest(token.encode(), self.token.encode())


class Guard:
    """Lets through only what a page of ours asks, in the browser that was let in."""

    def __init__(self, app: ASGIApp, keys: Keys, port: int) -> None:
        self._app, self._keys, self._settings = app, keys, WindowSettings()
        self._hosts = (f"127.0.0.1:{port}", f"localhost:{port}")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        answer = self._refusal(scope) or self._entrance(scope)
        if answer is not None:
            await answer(scope, receive, send_guarded)
            return
        most_bytes = self._most_bytes(scope)
        await self._app(scope, _limited(receive, most_bytes), send_guarded)

    def _refusal(self, scope: Scope) -> Response | None:
        """Say why a request is not answered, None when it may be."""
        headers = Headers(scope=scope)
        host, method = headers.get("host", ""), scope["method"]
        if host not in self._hosts:
            return _said(400, "This window answers on 127.0.0.1 only.")
        if method not in (*_READING, *_WRITING):
            return _said(405, f"{method} is not answered here.")
        raw = scope.get("raw_path") or scope["path"].encode()
        if not _PATH.fullmatch(raw) or b".." in raw or b"//" in raw:
            return _said(400, "There is no such address.")
        if method in _WRITING:
            own = (f"http://{host}",)
            if headers.get("origin") not in own:
                return _said(403, "A page of another origin may not write here.")
            length = headers.get("content-length", "")
            if not length.isascii() or not length.isdigit():
                return _said(411, "Say how long it is.")
            if int(length) > self._most_bytes(scope):
                return _said(413, "That is too large to be taken.")
        return None

    def _entrance(self, scope: Scope) -> Response | None:
        """Let a browser in whose address holds a good token; None for one that is in."""
        path: str = scope["path"]
        if path.startswith(ENTRY):
            if scope["method"] == "GET" and self._keys.enter(path.removeprefix(ENTRY)):
                answer = RedirectResponse("/", 303)
                answer.set_cookie(
                    COOKIE, self._keys.session, httponly=True, samesite="strict", path="/"
                )
                return answer
            return _said(403, _SHUT)
        if not self._is_in(Headers(scope=scope)):
            return _said(403, _SHUT)
        if Headers(scope=scope).get("sec-fetch-site") not in _SAME_ORIGIN:
            return _said(403, "A page of another origin may not read here.")
        return None

    def _is_in(self, headers: Headers) -> bool:
        try:
            held = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            return False
        return held is not None and hmac.compare_digest(
            held.value.encode(), self._keys.session.encode()
        )

    def _most_bytes(self, scope: Scope) -> int:
        clip = scope["path"] == "/drop"
        return self._settings.largest_clip_bytes if clip else self._settings.largest_form_bytes


_SHUT = (
    "This address is used up, or not of this run of the program. Go on in the browser that was let "
    "in; to use another, stop the program and start it again with: landing-analysis open"
)


def _said(status: int, words: str) -> Response:
    return PlainTextResponse(words + "\n", status)


def _limited(receive: Receive, most_bytes: int) -> Receive:
    """Cut off a body that goes on beyond what it said or may have."""
    taken = 0

    async def limited() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > most_bytes:
            return {"type": "http.disconnect"}
        return message

    return limited
