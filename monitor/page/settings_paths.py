"""The settings on the page: paths and statuses, and the password without which nothing is changed; the answers are
`settings_form`'s and `calibrating`'s."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from monitor.page import calibrating, settings_form
from monitor.page.guard import Guard, address_of
from monitor.page.readers import Readers
from monitor.page.settings_form import ConfigFile
from monitor.page.validation import body_of, numbers_of
from monitor.runs.report_body import LATEST_S, Refused
from monitor.settings import Settings


class SettingsPaths:
    """See the module. `file`: None where the watch was not begun from a config file."""

    def __init__(
        self, settings: Settings, readers: Readers, wall: Callable[[], float], file: ConfigFile | None
    ) -> None:
        self._settings = settings
        self._readers = readers
        self._wall = wall
        self._file = file

    def routes(self) -> Sequence[BaseRoute]:
        """For the app."""
        return [
            Route("/api/settings", self.shown),
            Route("/api/settings", self.change, methods=["POST"]),
            Route("/api/settings/addresses", self.addresses, methods=["POST"]),
            Route("/api/settings/test", self.test, methods=["POST"]),
            Route("/api/settings/fit", self.fit, methods=["POST"]),
            Route("/api/jars/{jar:path}/distances", self.distances),
        ]

    async def shown(self, request: Request) -> Response:
        """The settings, and whether they may be changed."""
        guard: Guard = request.scope["jartide"]["guard"]
        return JSONResponse(settings_form.shown(self._settings, self._file, guard.locked))

    async def change(self, request: Request) -> Response:
        """Keys of the notices or of a jar."""
        body = await self._with_password(request)
        return JSONResponse(await self._readers.ask(settings_form.change, body, self._settings, self._file), 201)

    async def addresses(self, request: Request) -> Response:
        """An address more or less."""
        body = await self._with_password(request)
        return JSONResponse(settings_form.change_addresses(body, self._settings, self._file), 201)

    async def test(self, request: Request) -> Response:
        """A test message to one address; it may take a minute."""
        body = await self._with_password(request)
        file, address = settings_form.address_to_test(body, self._settings, self._file)
        shown, why_not = await asyncio.to_thread(file.send_test, address)
        return JSONResponse({"sent": why_not is None, "shown": shown, "why_not": why_not}, 201)

    async def fit(self, request: Request) -> Response:
        """What a calibration comes to; nothing is changed."""
        return JSONResponse(calibrating.fit(await body_of(request)), 201)

    async def distances(self, request: Request) -> Response:
        """What a jar's sensor has read."""
        jar = request.path_params["jar"]
        if jar not in {one.name for one in self._settings.jars}:
            raise Refused(f"there is no jar {jar[:60]!r} in the config", 404)
        (since_s,) = numbers_of(request, {"since_s": (0.0, LATEST_S)})
        return JSONResponse(await self._readers.ask(calibrating.distances, jar, since_s or 0.0, self._wall()))

    async def _with_password(self, request: Request) -> object:
        """The body, from whoever knows the password; it is not enough to have signed in some day."""
        body = await body_of(request)
        guard: Guard = request.scope["jartide"]["guard"]
        if not guard.locked:
            raise Refused("settings need a password: set password_file in [page]", 403)
        password = body.get("password") if isinstance(body, dict) else None
        if not isinstance(password, str):
            raise Refused("password: settings need the page's password", 403)
        wait_s = guard.try_password(password, address_of(request.scope))
        if wait_s is not None:
            raise Refused(
                f"too many tries: wait {wait_s / 60:.0f} min" if wait_s > 0 else "that is not the password", 409
            )
        return body
