"""Guards the guided set-up: a code in the address opens it once, for the browser that brings it; everything else is
only for that browser, at this machine's address and from the page itself."""

from __future__ import annotations

import json
import secrets
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.page.guard import FILES, HEADERS, bounded, from_here
from monitor.page.sessions import same

COOKIE = "jartide-setup"
HOSTS = ("127.0.0.1", "localhost")


class Door:
    """Plain ASGI around the app."""

    def __init__(self, app: ASGIApp, code: str) -> None:
        self._app = app
        self._code: str | None = code
        self._key = secrets.token_urlsafe(24)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out[name] = value
                out["cache-control"] = "no-store"
            await send(message)

        if urlsplit(f"//{headers.get('host', '')}").hostname not in HOSTS:
            await _answer(dressed, 400, "open this page with the address that was printed")
            return
        given = parse_qs(scope["query_string"].decode("latin-1")).get("code", [""])[0]
        if scope["path"] == "/" and self._code is not None and same(given, self._code):
            self._code = None  # it can only be used once
            cookie = f"{COOKIE}={self._key}; Path=/; HttpOnly; SameSite=Strict"
            await _answer(dressed, 303, "come in", (b"location", b"/"), (b"set-cookie", cookie.encode()))
            return
        if not scope["path"].startswith(FILES) and not same(_cookie(headers), self._key):
            await _answer(dressed, 401, "the address works only once: stop `jartide init --page` and start it again")
            return
        if scope["method"] not in ("GET", "HEAD") and not from_here(headers, scope):
            await _answer(dressed, 403, "this came from another site")
            return
        await self._app(scope, bounded(receive), dressed)


def _cookie(headers: Headers) -> str:
    try:
        morsel = SimpleCookie(headers.get("cookie", "")[:4096]).get(COOKIE)
    except CookieError:
        return ""
    return morsel.value if morsel else ""


async def _answer(send: Send, status: int, sentence: str, *more: tuple[bytes, bytes]) -> None:
    body = json.dumps({"error": sentence}).encode()
    raw = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode()), *more]
    await send({"type": "http.response.start", "status": status, "headers": raw})
    await send({"type": "http.response.body", "body": body})
