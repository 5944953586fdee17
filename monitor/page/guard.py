"""Checks every request before the page: for which host, by whom, from where and how large it is; and tells browsers
what they may do with the answers.

Plain ASGI around the app. A request passes when its Host is one of ours (no DNS rebinding), its body is small, its
bearer has signed in where a password or a token is set, and, where it tells something, when it comes from our own page
(Sec-Fetch-Site or Origin, and the token of the session) or carries a program's token. Everything else is answered here.
"""

from __future__ import annotations

import ipaddress
import json
import socket
import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.page.sessions import LASTS_S, Seal, Session, Tries, same
from monitor.settings import PageSettings

COOKIE = "jartide"
TOKEN_HEADER = "x-jartide-token"
BODY_BYTES = 16_384  # eight times the longest note, whatever its letters
FILES = "/static/"
CALENDAR, FED = "/calendar/", "/fed/"  # their addresses are their secrets
OPEN = ("/login", FILES, CALENDAR, FED)  # what somebody may see without signing in
HEALTH = ("/healthz", "/readyz")  # for a container's supervisor, which has no token: one word, and nothing about jars
HEADERS = {
    # everything comes as files of our own: nothing inline, nothing from elsewhere, and nobody may frame it
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; manifest-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class Guard:
    """See the module. `password` signs people in, `token` is what programs send; None: not asked for."""

    def __init__(
        self, app: ASGIApp, settings: PageSettings, seal: Seal, password: str | None, token: str | None,
        wall: Callable[[], float] = time.time,
    ) -> None:  # fmt: skip
        self.app = app
        self.seal = seal
        self.locked = password is not None or token is not None
        self._password = password
        self._token = token
        self._settings = settings
        self._wall = wall
        self._tries = Tries()
        name = socket.gethostname().lower()
        self._names = {"localhost", name, f"{name}.local", *(one.lower() for one in settings.names)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        path = self._path(scope)
        program = self._program(headers, scope)
        session, signed_in, new = self._who(headers, program)
        scope["jartide"] = {"session": session, "signed_in": signed_in, "program": program, "guard": self}
        answer = self._refusal(scope, headers, path, session, signed_in, program)
        cookie = self._cookie(session, scope) if new and answer is None else None

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out[name] = value
                out["cache-control"] = "no-cache" if path.startswith(FILES) else "no-store"
                if cookie is not None and "set-cookie" not in out:
                    out.append("set-cookie", cookie)
            await send(message)

        if answer is not None:
            await _answer(dressed, *answer)
            return
        await self.app(scope, bounded(receive), dressed)

    def try_password(self, given: str, address: str) -> float | None:
        """None when the password (or the token) is right, else how many seconds to wait before the next try (0:
        none)."""
        now_s = time.monotonic()
        wait_s = self._tries.wait_s(address, now_s)
        if wait_s > 0:
            return wait_s
        if any(same(given, right) for right in (self._password, self._token) if right is not None):
            self._tries.right(address)
            return None
        self._tries.wrong(address, now_s)
        return self._tries.wait_s(address, now_s)

    def signed_in_cookie(self, scope: Scope) -> str:
        """A new session for someone who has just given the password; an earlier cookie is then worthless."""
        return self._cookie(self.seal.begin(self._wall(), signed_in=True), scope)

    def no_cookie(self, scope: Scope) -> str:
        """The cookie that makes a browser forget its session."""
        return f"{COOKIE}=; Path=/; Max-Age=0; HttpOnly; SameSite=Lax"

    def _path(self, scope: Scope) -> str:
        path: str = scope["path"]
        root: str = scope.get("root_path", "")
        path = path.removeprefix(root) if root and path.startswith(root + "/") else path
        prefix = self._settings.prefix
        return path[len(prefix) :] if prefix and path.startswith(prefix + "/") else path

    def _who(self, headers: Headers, program: bool) -> tuple[Session, bool, bool]:
        """The session, whether its bearer may see the page, and whether the session is new."""
        try:
            morsel = SimpleCookie(headers.get("cookie", "")[:4096]).get(COOKIE)
        except CookieError:
            morsel = None
        session = self.seal.read(morsel.value if morsel else None, self._wall())
        if session is not None and (session.signed_in or not self.locked):
            return session, True, False
        if program:
            return self.seal.begin(self._wall(), signed_in=False), True, False
        if session is not None:
            return session, False, False
        return self.seal.begin(self._wall(), signed_in=not self.locked), not self.locked, True

    def _program(self, headers: Headers, scope: Scope) -> bool:
        """Whether a program sent the right token; then nobody else's wrong tries lock it out. A wrong token counts as a
        wrong password."""
        kind, _, given = headers.get("authorization", "").partition(" ")
        if self._token is None or kind.lower() != "bearer":
            return False
        if same(given.strip(), self._token):
            return True
        address, now_s = address_of(scope), time.monotonic()
        if self._tries.wait_s(address, now_s) == 0:
            self._tries.wrong(address, now_s)
        return False

    def _refusal(
        self, scope: Scope, headers: Headers, path: str, session: Session, signed_in: bool, program: bool
    ) -> tuple[int, str, dict[str, str]] | None:
        """(status, sentence, headers) when the request ends here."""
        if not self._known_host(headers.getlist("host")):
            return 400, "this host name is not one of the page's; add it to names in [page]", {}
        if "\x00" in scope["path"]:
            return 404, "there is nothing here", {}
        length = headers.get("content-length", "0")
        if not length.isdecimal() or len(length) > 12 or int(length) > BODY_BYTES:
            return 413, f"at most {BODY_BYTES} bytes are accepted", {}
        if self.locked and not signed_in and not path.startswith(OPEN) and path not in HEALTH:
            if path == "/":
                return 303, "sign in first", {"location": "login"}
            return 401, "sign in first, or send Authorization: Bearer with the token", {"www-authenticate": "Bearer"}
        if scope["method"] in ("GET", "HEAD", "OPTIONS"):
            return None
        if path.startswith("/api/") and self._settings.read_only:
            return 403, "this page is read only", {}
        if program:
            return None  # another site cannot make a browser send a program's token
        if not from_here(headers, scope):
            return 403, "this came from another site", {}
        if path.startswith("/api/") and not self.seal.is_token(session, headers.get(TOKEN_HEADER)):
            return 403, f"send the token from GET api/session as {TOKEN_HEADER}, with its cookie", {}
        return None

    def _known_host(self, hosts: list[str]) -> bool:
        """Whether the Host is ours. Any address is, as another site can only make a name point here."""
        if len(hosts) != 1:
            return False
        try:
            name = urlsplit(f"//{hosts[0]}").hostname or ""
        except ValueError:
            return False
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return name.rstrip(".") in self._names
        return True

    def _cookie(self, session: Session, scope: Scope) -> str:
        secure = "; Secure" if scope.get("scheme") == "https" else ""
        value = self.seal.cookie(session)
        return f"{COOKIE}={value}; Path=/; Max-Age={int(LASTS_S)}; HttpOnly; SameSite=Lax{secure}"


def address_of(scope: Scope) -> str:
    """The address that a request comes from."""
    return str(scope["client"][0]) if scope.get("client") else "?"


def from_here(headers: Headers, scope: Scope) -> bool:
    """Whether the browser says that our own page sent this. One that does not say is older than this decade, and has to
    know the token anyway."""
    site = headers.get("sec-fetch-site")
    if site is not None and site != "same-origin":
        return False
    origin = headers.get("origin")
    if origin is None:
        return True
    try:
        return urlsplit(origin).netloc.lower() == headers.get("host", "").lower()
    except ValueError:
        return False


def bounded(receive: Receive) -> Receive:
    """The body, up to `BODY_BYTES`; a longer one without a length is cut off as if the sender had left."""
    taken = 0

    async def limited() -> Message:
        nonlocal taken
        message = await receive()
        if message["type"] == "http.request":
            taken += len(message.get("body", b""))
            if taken > BODY_BYTES:
                return {"type": "http.disconnect"}
        return message

    return limited


async def _answer(send: Send, status: int, sentence: str, headers: dict[str, str]) -> None:
    body = json.dumps({"error": sentence}).encode()
    raw = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    raw += [(name.encode(), value.encode()) for name, value in headers.items()]
    await send({"type": "http.response.start", "status": status, "headers": raw})
    await send({"type": "http.response.body", "body": body})
