"""The paths that no person opens: metrics, whether all is well, calendars, readings that a board posts."""

from __future__ import annotations

import asyncio
import html
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from monitor.core.display.units import Display
from monitor.page import calendar_feed, metrics
from monitor.page.readers import Readers
from monitor.page.sessions import Seal, same
from monitor.runs import daemon_status, report_body
from monitor.runs.report_body import Refused
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings, Settings
from monitor.values import Json

Posted = Callable[[str, bytes], str | None]
"""Takes a jar's name and a body; returns when the reading is committed, or with the reason why it was refused. Raises
TimeoutError when it could not be committed."""
FORM = """<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{jar}</title><form method="post"><p><button>I just fed {jar}</button></form></html>"""
AT_ONCE = 16  # posts that wait for their commit; each board has one


class ForPrograms:
    """See the module. `posted` takes readings, None where none may be posted."""

    def __init__(
        self, settings: Settings, readers: Readers, seal: Seal, wall: Callable[[], float], show: Display,
        posted: Posted | None,
    ) -> None:  # fmt: skip
        self._settings = settings
        self._readers = readers
        self._seal = seal
        self._wall = wall
        self._show = show
        self._posted = posted
        self._waiting = 0
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="page-post")

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route("/metrics", self.metrics),
            Route("/healthz", self.healthz),
            Route("/readyz", self.readyz),
            Route("/calendar/{secret}", self.calendar),
            Route("/fed/{grant}", self.fed_form),
            Route("/fed/{grant}", self.fed, methods=["POST"]),
            Route("/api/calendar", self.calendars),
            Route("/api/calendar/revoked", self.revoked, methods=["POST"]),
            Route("/api/jars/{jar:path}/reading", self.reading, methods=["POST"]),
        ]

    def close(self) -> None:
        """Let go of what waits."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    async def metrics(self, request: Request) -> Response:
        """For Prometheus and its like."""
        accept = request.headers.get("accept", "")
        body, kind = await self._readers.ask(metrics.text, self._wall(), accept)
        return Response(body, headers={"content-type": kind})

    async def healthz(self, request: Request) -> Response:
        """Whether the server answers."""
        return PlainTextResponse("ok")

    async def readyz(self, request: Request) -> Response:
        """Whether the daemon watches and the store can be read; 503 and a sentence where not."""
        try:
            as_of_s = await self._readers.ask(_as_of_s)
        except StoreTrouble:
            return PlainTextResponse("the store cannot be read", 503)
        if as_of_s is None or self._wall() - as_of_s > daemon_status.STALE_S:
            return PlainTextResponse("nothing is watching", 503)
        return PlainTextResponse("ok")

    async def calendar(self, request: Request) -> Response:
        """What is expected and planned, for whoever knows the address."""
        given, names = f"calendar/{request.path_params['secret']}", [jar.name for jar in self._settings.jars]
        addresses = calendar_feed.addresses(self._seal, await self._readers.ask(calendar_feed.nonce), names)
        name = next((name for name, path in addresses.items() if same(given, path)), None)
        if name is None:
            return PlainTextResponse("there is no such calendar", 404)
        jars = [name] if name else names
        about = (jars, self._seal.address("instance")[:8], self._settings.page.address, self._show)
        body, tag = await self._readers.ask(calendar_feed.feed, *about)
        headers = {"etag": f'"{tag}"', "content-type": "text/calendar; charset=utf-8"}
        if headers["etag"] in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        return Response(body, headers=headers)

    async def calendars(self, request: Request) -> Response:
        """Where the calendars are, of each jar and of all."""
        return JSONResponse(self._said(await self._readers.ask(calendar_feed.nonce)))

    async def revoked(self, request: Request) -> Response:
        """From now on they are elsewhere."""
        return JSONResponse(self._said(await self._readers.ask(calendar_feed.revoke)), 201)

    def _said(self, nonce: str) -> dict[str, Json]:
        jars = calendar_feed.addresses(self._seal, nonce, [jar.name for jar in self._settings.jars])
        every = jars.pop("")
        return {"all": every, "jars": dict(jars), "address": self._settings.page.address}

    async def fed_form(self, request: Request) -> Response:
        """The button of a notice, where a service can only open a link: looking tells nothing, pressing does."""
        jar = self._granted(request)
        return HTMLResponse(FORM.format(jar=html.escape(jar.name)))

    async def fed(self, request: Request) -> Response:
        """The button of a notice: this jar was fed just now."""
        jar = self._granted(request)
        now_s = self._wall()
        await self._readers.ask(report_body.tell, report_body.fed_of({}, jar, now_s), now_s)
        return PlainTextResponse(f"{jar.name} was fed. You can enter the grams on the page.", 201)

    def _granted(self, request: Request) -> JarSettings:
        name = self._seal.granted(request.path_params["grant"], self._wall())
        jar = next((one for one in self._settings.jars if one.name == name), None)
        if jar is None:
            raise Refused("this button is too old, or from another house: use the page", 404)
        if self._settings.page.read_only:
            raise Refused("this page is read only", 403)
        return jar

    async def reading(self, request: Request) -> Response:
        """A reading of a board, as its JSON line; answered when it is committed."""
        if not request.scope["jartide"]["program"] or self._posted is None:
            raise Refused("to post readings, send Authorization: Bearer with the token from token_file in [page]", 401)
        jar, payload = request.path_params["jar"], await request.body()
        if self._waiting >= AT_ONCE:
            return JSONResponse({"error": "too many readings at once"}, 503, {"retry-after": "5"})
        self._waiting += 1
        try:
            loop = asyncio.get_running_loop()
            reason = await loop.run_in_executor(self._pool, self._posted, jar, payload)
        except (TimeoutError, asyncio.CancelledError):  # the second: the page is closing
            return JSONResponse({"error": "it could not be stored: send it again"}, 503, {"retry-after": "10"})
        finally:
            self._waiting -= 1
        if reason is not None:
            raise Refused(f"this is not a reading: {reason}")
        return JSONResponse({"stored": True}, 201)


def _as_of_s(store: Store) -> float | None:
    status = daemon_status.read(store)
    return None if status is None else status.as_of_s
