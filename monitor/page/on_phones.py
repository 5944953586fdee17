"""Notices on the phone that shows the page, by Web Push (W3C Push API): phones that want them, or no longer do."""

from __future__ import annotations

import re

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from monitor.host import push_key
from monitor.page.readers import Readers
from monitor.page.validation import body_of
from monitor.runs import phones
from monitor.runs.phones import Phone
from monitor.runs.report_body import Refused
from monitor.runs.store import Store
from monitor.settings import PageSettings
from monitor.values import Json

ENDPOINT = re.compile(r"https://[A-Za-z0-9.\-\[\]:]+(/[!-~]*)?")
MOST_CHARS = 1000  # of an endpoint; those of the three makers have 150 to 500
POINT = re.compile(r"[A-Za-z0-9_-]{87}=?")  # 65 bytes in base64url
SECRET = re.compile(r"[A-Za-z0-9_-]{22}(==)?")  # 16 bytes


class OnPhones:
    """See the module."""

    def __init__(self, page: PageSettings, readers: Readers) -> None:
        self._page = page
        self._readers = readers

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route("/api/phones", self.offered),
            Route("/api/phones", self.added, methods=["POST"]),
            Route("/api/phones/left", self.left, methods=["POST"]),
        ]

    async def offered(self, request: Request) -> Response:
        """The key to subscribe with; null, and why, where phones cannot be notified."""
        why = self._why_not()
        key = await self._readers.ask(_public) if why is None else None
        return JSONResponse({"key": key, "why_not": why})

    async def added(self, request: Request) -> Response:
        """This phone wants notices."""
        if why := self._why_not():
            raise Refused(why, 409)
        await self._readers.ask(phones.add, _phone(await body_of(request)))
        return JSONResponse({"kept": True}, 201)

    async def left(self, request: Request) -> Response:
        """This phone wants no more notices."""
        body = await body_of(request)
        endpoint = body.get("endpoint") if isinstance(body, dict) and set(body) == {"endpoint"} else None
        await self._readers.ask(phones.drop, _endpoint(endpoint))
        return JSONResponse({"kept": True}, 201)

    def _why_not(self) -> str | None:
        if phones.offered(self._page):
            return None
        if self._page.read_only:
            return "this page is read only"
        if not push_key.can_sign():
            return "the extra push is not installed where Jartide runs"
        return "the page has no TLS: cert_file and key_file in [page], or a proxy and its address"


def _public(store: Store) -> str:
    return push_key.public(phones.key(store))


def _phone(body: object) -> Phone:
    """What a browser's subscription says, checked. Raises Refused."""
    if not isinstance(body, dict) or not set(body) <= {"endpoint", "keys", "expirationTime"}:
        raise Refused("send endpoint and keys, as in the browser's subscription")
    keys: Json = body.get("keys")
    if not isinstance(keys, dict):
        raise Refused("keys: p256dh and auth are required")
    point, secret = keys.get("p256dh"), keys.get("auth")
    if not isinstance(point, str) or not POINT.fullmatch(point):
        raise Refused("p256dh: must be 65 bytes in base64url")
    if not isinstance(secret, str) or not SECRET.fullmatch(secret):
        raise Refused("auth: must be 16 bytes in base64url")
    return {"endpoint": _endpoint(body.get("endpoint")), "keys": {"p256dh": point, "auth": secret}}


def _endpoint(given: object) -> str:
    if not isinstance(given, str) or len(given) > MOST_CHARS or not ENDPOINT.fullmatch(given):
        raise Refused(f"endpoint: must be an https address of at most {MOST_CHARS} characters")
    return given
