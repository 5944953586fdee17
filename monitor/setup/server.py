"""The guided set-up's little server: on this machine only, behind a code that opens it once. It ends when the config is
written."""

from __future__ import annotations

import asyncio
import secrets
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, select_autoescape
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from monitor.page import calibrating
from monitor.page.files import Files
from monitor.page.validation import ERRORS, body_of, numbers_of
from monitor.runs.report_body import LATEST_S, Refused, table_of
from monitor.settings import MqttSettings
from monitor.setup import writing
from monitor.setup.door import Door
from monitor.setup.speaking import Speaking

PAGE = Path(__file__).parent.parent / "page"
HERE = "127.0.0.1"
LAST_ANSWER_S = 0.5  # until the last page has been sent


class SetUp:
    """The answers to all paths; `written` is set once there is a config."""

    def __init__(self, config: Path, speaking: Speaking) -> None:
        self.config = config
        self.speaking = speaking
        self.written = asyncio.Event()
        self._passwords: dict[str, str] = {}
        self._templates = Environment(
            loader=FileSystemLoader(PAGE / "templates"), autoescape=select_autoescape(default=True), trim_blocks=True
        )

    def routes(self) -> list[Route]:
        """For the app."""
        return [
            Route("/", self.index),
            Route("/api/speaking", self.shown),
            Route("/api/broker", self.broker, methods=["POST"]),
            Route("/api/distances", self.distances),
            Route("/api/fit", self.fit, methods=["POST"]),
            Route("/api/check", self.check, methods=["POST"]),
            Route("/api/write", self.write, methods=["POST"]),
            Route("/static/{name}", Files("setup").answer),
        ]

    async def index(self, request: Request) -> Response:
        """The page."""
        return HTMLResponse(self._templates.get_template("setup.html").render(config=str(self.config)))

    async def shown(self, request: Request) -> Response:
        """Which sensors are sending."""
        return JSONResponse(await asyncio.to_thread(self.speaking.shown))

    async def broker(self, request: Request) -> Response:
        """Listen to a broker as well."""
        given = table_of(await body_of(request), ("host", "port", "user", "password"))
        host, port, user, password = (given.get(key) for key in ("host", "port", "user", "password"))
        if not isinstance(host, str) or not 1 <= len(host) <= 253 or not host.isprintable():
            raise Refused("host: must be a name or an address")
        if port is not None and not (isinstance(port, int) and not isinstance(port, bool) and 1 <= port <= 65535):
            raise Refused("port: must be 1 to 65535")
        if not all(one is None or (isinstance(one, str) and len(one) <= 200) for one in (user, password)):
            raise Refused("user, password: must be text")
        settings = MqttSettings(host=host, port=port, user=user or None)
        trouble = await asyncio.to_thread(self.speaking.broker, settings, password)
        if trouble is not None:
            raise Refused(trouble, 409)
        self._passwords[host] = password or ""
        return JSONResponse({"listening": True}, 201)

    async def distances(self, request: Request) -> Response:
        """The distances from the chosen sensor."""
        (since_s,) = numbers_of(request, {"since_s": (0.0, LATEST_S)})
        chosen = request.query_params.get("id", "")
        return JSONResponse({"readings": await asyncio.to_thread(self.speaking.distances, chosen, since_s or 0.0)})

    async def fit(self, request: Request) -> Response:
        """The jar that fits the known fills."""
        return JSONResponse(calibrating.fit(await body_of(request)), 201)

    async def check(self, request: Request) -> Response:
        """The config from the answers, before it is written."""
        return JSONResponse({"text": writing.made(await body_of(request), self.speaking, self._passwords).text}, 201)

    async def write(self, request: Request) -> Response:
        """Write the config, which ends the set-up."""
        writing.write(writing.made(await body_of(request), self.speaking, self._passwords), self.config)
        asyncio.get_running_loop().call_later(LAST_ANSWER_S, self.written.set)
        return JSONResponse({"written": str(self.config)}, 201)


def serve(config: Path, said: Callable[[str], object], speaking: Speaking | None = None, port: int = 0) -> bool:
    """Serve the set-up until the config is written; `said` is given the address. Whether it was written: False where it
    was ended before. Raises OSError for a port that is taken."""
    with socket.socket(proto=socket.IPPROTO_TCP) as listener:  # named, or asyncio leaves Nagle's 40 ms in each answer
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((HERE, port))
        listener.listen()  # somebody who opens the address right away waits and is not turned away
        code = secrets.token_urlsafe(16)
        said(f"http://{HERE}:{listener.getsockname()[1]}/?code={code}")
        looks = speaking or Speaking()
        looks.start()
        try:
            return asyncio.run(_serve(SetUp(config, looks), code, listener))
        finally:
            looks.stop()


async def _serve(set_up: SetUp, code: str, listener: socket.socket) -> bool:
    import uvicorn

    app: ASGIApp = Starlette(routes=set_up.routes(), exception_handlers=dict[Any, Any](ERRORS))
    config = uvicorn.Config(Door(app, code), log_config=None, access_log=False, server_header=False, lifespan="off")
    server = uvicorn.Server(config)

    async def end() -> None:
        await set_up.written.wait()
        server.should_exit = True

    ending = asyncio.create_task(end())
    await server.serve(sockets=[listener])
    ending.cancel()
    return set_up.written.is_set()
