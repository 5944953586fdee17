"""The page and its JSON API as a Starlette app: paths, parameters and statuses; the answers come from the neighbours.

Requests share nothing that changes, except what `live` keeps. Errors become one sentence of JSON: what was wrong with
the request (4xx), or that the store cannot be read now (503); never a traceback.
"""

from __future__ import annotations

import asyncio
import math
import re
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

from jinja2 import Environment, FileSystemLoader, select_autoescape
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Mount, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from monitor.core.display.local_time import local_day
from monitor.core.display.units import Display
from monitor.core.plan.feeding import AIMS
from monitor.host.time_zone import zone_name
from monitor.page import advising, baking, feeding_sheet, health, past, planning, trying
from monitor.page.files import Files
from monitor.page.guard import Guard, address_of
from monitor.page.live import MOST_PAGES, Live
from monitor.page.openapi import document
from monitor.page.readers import Readers
from monitor.page.sessions import Seal
from monitor.page.shapes import MOST_ASKED, Shapes
from monitor.page.smoothed import SmoothedCycles
from monitor.page.validation import ERRORS, body_of, numbers_of, whole
from monitor.runs import report_body
from monitor.runs.kept_bake import Asked
from monitor.runs.report_body import Refused
from monitor.settings import JarSettings, Settings
from monitor.values import Fed, Noted

HERE = Path(__file__).parent
FIRST_LOOK_S = 5.0  # so that the page can say that the store hangs
LATEST_SHAPES = 3  # rises that are drawn faintly behind the open one
FIRST_CURVES = 1  # sent with the page, on which the jar that needs attention most is open


class Stream(StreamingResponse):
    """The events of one open page; however it ends, even before its first byte, it is no longer counted."""

    def __init__(self, live: Live, last_id: str | None, headers: dict[str, str]) -> None:
        super().__init__(live.stream(last_id), media_type="text/event-stream", headers=headers)
        self._live = live

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send events until the page is closed."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._live.pages -= 1


def _in_need(jar: dict[str, Any]) -> tuple[int, float]:
    """The order of jars, the open one first, as in `inNeed` of now.js."""
    ahead = jar["forecast"] or {}
    moment = ahead.get("peak_at") or ahead.get("fall_at") or {}
    return jar["face"]["need"], moment.get("likely_s", math.inf)


class Page:
    """The handlers of all paths."""

    def __init__(
        self, settings: Settings, readers: Readers, slow: Readers, live: Live, seal: Seal,
        wall: Callable[[], float], show: Display,
    ) -> None:  # fmt: skip
        self.settings = settings
        self.readers = readers
        self.slow = slow
        self.smoothed = SmoothedCycles({jar.name: jar.empty_mm for jar in settings.jars})
        self.shapes = Shapes(settings.jars)
        self.live = live
        self.seal = seal
        self.wall = wall
        self.show = show
        self.cultures = planning.Cultures()
        self.templates = Environment(
            loader=FileSystemLoader(HERE / "templates"), autoescape=select_autoescape(default=True), trim_blocks=True
        )

    # --- pages ------------------------------------------------------------

    async def index(self, request: Request) -> Response:
        """The page itself; page.js fills in everything from the API."""
        seen = request.scope["jartide"]
        text = self.templates.get_template("page.html").render(
            first=self._first(),
            token=self.seal.token(seen["session"]),
            read_only=self.settings.page.read_only,
            others=self.settings.page.others,
            locked=seen["guard"].locked,
        )
        return HTMLResponse(text)

    def _first(self) -> dict[str, Any]:
        """The data of the first view, sent with the page itself so that a phone does not have to ask for it."""
        now = self._now()
        names = [jar["jar"] for jar in sorted(now["jars"], key=_in_need)[:FIRST_CURVES]]
        return {"now": now, "curves": {name: self.live.curve(name) for name in names}}

    def _now(self) -> dict[str, Any]:
        shown = self.settings.display
        units = {"temperature": shown.temperature, "length": shown.length, "weight": shown.weight}
        return {**self.live.now(), "units": units, "time_zone": shown.time_zone or zone_name()}

    async def login(self, request: Request) -> Response:
        """The sign-in form, or the answer to it."""
        guard: Guard = request.scope["jartide"]["guard"]
        if request.method != "POST":
            return self._login_form("", 200)
        given = parse_qs((await request.body()).decode("utf-8", "replace"), max_num_fields=4).get("password", [""])[0]
        wait_s = guard.try_password(given, address_of(request.scope))
        if wait_s is None:
            answer: Response = RedirectResponse("./", 303)
            answer.headers["set-cookie"] = guard.signed_in_cookie(request.scope)
            return answer
        if wait_s > 0:
            answer = self._login_form(f"Too many tries. Try again in {math.ceil(wait_s / 60)} min.", 429)
            answer.headers["retry-after"] = str(math.ceil(wait_s))
            return answer
        return self._login_form("That is not the password.", 403)

    async def logout(self, request: Request) -> Response:
        """Forget the session."""
        answer = RedirectResponse("./login", 303)
        answer.headers["set-cookie"] = request.scope["jartide"]["guard"].no_cookie(request.scope)
        return answer

    def _login_form(self, said: str, status: int) -> Response:
        return HTMLResponse(self.templates.get_template("login.html").render(said=said), status)

    # --- looking ------------------------------------------------------------

    async def session(self, request: Request) -> Response:
        """The token that every report must carry."""
        token = self.seal.token(request.scope["jartide"]["session"])
        return JSONResponse({"token": token, "read_only": self.settings.page.read_only})

    async def now(self, request: Request) -> Response:
        """The state of every jar now."""
        return JSONResponse(self._now())

    async def curve(self, request: Request) -> Response:
        """The curve of a jar's open cycle."""
        return JSONResponse(self.live.curve(self._jar(request).name))

    async def events(self, request: Request) -> Response:
        """Server-sent events."""
        if self.live.pages >= MOST_PAGES:
            return JSONResponse({"error": "too many pages are open"}, 503, {"retry-after": "30"})
        last_id = request.headers.get("last-event-id") or request.query_params.get("after")
        headers = {"x-accel-buffering": "no"}  # a proxy in front of us must not delay events
        self.live.pages += 1  # counted here; `Stream` ends the count
        return Stream(self.live, last_id, headers)

    async def jars(self, request: Request) -> Response:
        """The names of all jars with a past."""
        return JSONResponse(await self.readers.ask(past.jars))

    async def cycles(self, request: Request) -> Response:
        """A jar's past cycles."""
        name = request.path_params["jar"]
        return JSONResponse(await self.readers.ask(past.cycles, name, self.wall(), self.show))

    async def cycle(self, request: Request) -> Response:
        """One cycle."""
        run, number = (whole(request.path_params[key], key) for key in ("run", "cycle"))
        empty_mm = {jar.name: jar.empty_mm for jar in self.settings.jars}
        return JSONResponse(await self.readers.ask(past.one_cycle, run, number, empty_mm, self.wall(), self.show))

    async def top(self, request: Request) -> Response:
        """One past cycle, smoothed."""
        run, number = (whole(request.path_params[key], key) for key in ("run", "cycle"))
        return JSONResponse(await self.slow.ask(self.smoothed.smooth, run, number))

    async def shaped(self, request: Request) -> Response:
        """The shapes of a jar's latest rises, or of the named ones."""
        name = request.path_params["jar"]
        named = request.query_params.get("of")
        (most,) = numbers_of(request, {"most": (1, MOST_ASKED)})
        if named is None:
            return JSONResponse(await self.slow.ask(self.shapes.latest, name, int(most or LATEST_SHAPES)))
        places = [one.partition(":") for one in named.split(",")[:MOST_ASKED]]
        wanted = [(whole(run, "of"), whole(cycle, "of")) for run, _, cycle in places]
        return JSONResponse(await self.slow.ask(self.shapes.of, wanted))

    async def plan(self, request: Request) -> Response:
        """The next feeding."""
        jar = self._jar(request)
        limits = {
            "target_h": planning.TARGET_H,
            "temperature_c": planning.TEMPERATURE_C,
            "keep_g": planning.KEEP_G,
            "hydration_pct": planning.HYDRATION_PCT,
            "flour_g": planning.FLOUR_G,
            "water_g": planning.FLOUR_G,
            "jar_ml": planning.JAR_ML,
            "standing_g": planning.KEEP_G,
            "ripe_g": planning.FLOUR_G,
            "least_keep_g": planning.KEEP_G,
            "most_keep_g": planning.KEEP_G,
            "water_c": planning.WATER_C,
            "at_s": (0.0, 1e11),
        }
        numbers = dict(zip(limits, numbers_of(request, limits), strict=True))
        flour, once = request.query_params.get("flour"), request.query_params.get("once_a_day") == "true"
        if flour is not None and len(flour) > report_body.MOST_FLOUR:
            raise Refused(f"flour: at most {report_body.MOST_FLOUR} characters")
        over = request.query_params.get("change_over") == "true"
        named = request.query_params.get("aim")
        if named is not None and named not in AIMS:
            raise Refused(f"aim: must be {', '.join(AIMS)}")
        asked = planning.PlanAsked(
            **numbers, flour=flour or None, once_a_day=once, change_over=over, aim=AIMS[named] if named else None
        )
        about = self.cultures, jar, self.wall(), self.show
        return JSONResponse(
            await self.readers.ask(planning.plan, *about, asked, self.settings.place, self.settings.notices)
        )

    async def assessment(self, request: Request) -> Response:
        """A baker's assessment of a jar."""
        about = self.cultures, self._jar(request), self.wall(), self.show
        return JSONResponse(await self.readers.ask(advising.assessment, *about))

    async def guide(self, request: Request) -> Response:
        """A page of the guide."""
        return JSONResponse(advising.page(request.path_params.get("topic", "")))

    async def bake(self, request: Request) -> Response:
        """The feedings on the way to a bake."""
        return JSONResponse(await self.slow.ask(baking.bake, *self._bake_about(request)))

    async def bake_kept(self, request: Request) -> Response:
        """Plan a bake and keep it in place of the last one."""
        kept = await self.slow.ask(baking.keep, *self._bake_about(request))
        self.live.wake()
        return JSONResponse(kept, 201)

    async def bake_dropped(self, request: Request) -> Response:
        """Drop the kept bake."""
        dropped = await self.readers.ask(baking.drop, self._jar(request))
        self.live.wake()
        return JSONResponse(dropped, 201)

    def _bake_about(
        self, request: Request
    ) -> tuple[planning.Cultures, JarSettings, float, Display, Asked, baking.House]:
        (standing_g,) = numbers_of(request, {"standing_g": planning.KEEP_G})
        house = baking.House(notices=self.settings.notices, places=self.settings.place, standing_g=standing_g)
        return self.cultures, self._jar(request), self.wall(), self.show, self._bake_asked(request), house

    def _bake_asked(self, request: Request) -> Asked:
        limits = {
            "at_s": (0.0, 1e11),
            "flour_g": planning.BAKE_FLOUR_G,
            "levain_pct": planning.LEVAIN_PCT,
            "temperature_c": planning.TEMPERATURE_C,
            "hydration_pct": planning.HYDRATION_PCT,
            "keep_g": planning.KEEP_G,
        }
        at_s, flour_g, levain_pct, temperature_c, hydration_pct, keep_g = numbers_of(request, limits)
        if at_s is None or flour_g is None:
            raise Refused("at_s and flour_g: say when you mix, and how much flour is in the dough")
        return Asked(
            wanted_s=at_s, flour_g=flour_g, levain_pct=levain_pct, temperature_c=temperature_c,
            hydration_pct=hydration_pct, keep_g=keep_g, fridge=request.query_params.get("fridge") == "true",
        )  # fmt: skip

    async def sheet(self, request: Request) -> Response:
        """Which jars need feeding in the next hours."""
        (hours,) = numbers_of(request, {"hours": feeding_sheet.HOURS})
        asked = hours, request.query_params.get("group")
        return JSONResponse(
            await self.slow.ask(feeding_sheet.sheet, self.settings, self.wall(), self.show, *asked)
        )  # fmt: skip

    async def handover(self, request: Request) -> Response:
        """What happened since a time."""
        (since_s,) = numbers_of(request, {"since_s": (0.0, 1e11)})
        asked = since_s, request.query_params.get("group")
        return JSONResponse(
            await self.slow.ask(feeding_sheet.happened, self.settings, self.wall(), self.show, *asked)
        )  # fmt: skip

    async def stagger(self, request: Request) -> Response:
        """A group's feedings spread over the hours."""
        (apart_min,) = numbers_of(request, {"apart_min": feeding_sheet.APART})
        named = request.query_params.get("ready_s", "")
        if not re.fullmatch(r"([0-9]{1,11}(,[0-9]{1,11})*)?", named):
            raise Refused("ready_s: must be Unix seconds separated by commas")
        ready_s = [float(one) for one in named.split(",")[: feeding_sheet.MOST_READY] if one]
        asked = request.query_params.get("group", ""), ready_s, apart_min
        return JSONResponse(
            await self.slow.ask(feeding_sheet.staggered, self.settings, self.wall(), self.show, *asked)
        )  # fmt: skip

    async def trials(self, request: Request) -> Response:
        """All trials."""
        return JSONResponse(await self.readers.ask(trying.all_trials, self.show))

    async def health(self, request: Request) -> Response:
        """How watching is going: sources, sinks, store."""
        now_s, live = self.wall(), self.live
        more = live.watching(now_s), live.unwritten()
        return JSONResponse(await self.readers.ask(health.health, now_s, self.show, *more))

    async def openapi(self, request: Request) -> Response:
        """The description of this API."""
        return JSONResponse(document())

    # --- reports ------------------------------------------------------------

    async def fed(self, request: Request) -> Response:
        """A feeding."""
        jar = self._jar(request)
        return await self._tell(report_body.fed_of(await body_of(request), jar, self.wall()))

    async def noted(self, request: Request) -> Response:
        """A note."""
        jar = self._jar(request)
        return await self._tell(report_body.noted_of(await body_of(request), jar, self.wall()))

    async def note_changed(self, request: Request) -> Response:
        """Change or remove a note."""
        jar = self._jar(request)
        changed = await self.readers.ask(report_body.note_changed, await body_of(request), jar, self.wall())
        self.live.wake()
        return JSONResponse(changed, 201)

    async def begun(self, request: Request) -> Response:
        """When a starter was begun."""
        jar, now_s = self._jar(request), self.wall()
        today = local_day(now_s, self.show.offset_s)
        return await self._tell(report_body.begun_of(await body_of(request), jar, now_s, today))

    async def snoozed(self, request: Request) -> Response:
        """Hold notices back for some hours."""
        jar = self._jar(request)
        return await self._tell(report_body.snoozed_of(await body_of(request), jar, self.wall()))

    async def taken_back(self, request: Request) -> Response:
        """Take a report back."""
        jar = self._jar(request)
        return await self._kept(report_body.take_back, jar, report_body.taken_back_of(await body_of(request)))

    async def corrected(self, request: Request) -> Response:
        """Correct a past feeding."""
        jar = self._jar(request)
        right = report_body.corrected_of(await body_of(request), jar)
        return await self._kept(report_body.correct, jar, right)

    async def not_so(self, request: Request) -> Response:
        """Deny a seen event, which never happened."""
        jar = self._jar(request)
        return await self._kept(report_body.not_so, jar, report_body.not_so_of(await body_of(request)))

    async def _kept(self, keep: Callable[..., Any], jar: JarSettings, what: object) -> Response:
        told = await self.readers.ask(keep, jar, what, self.wall())
        self.live.wake()
        return JSONResponse(told, 201)

    async def trial_begun(self, request: Request) -> Response:
        """Begin a trial: jars side by side under a name."""
        body = await body_of(request)
        return JSONResponse(await self.readers.ask(trying.begin, body, self.settings, self.wall()), 201)

    async def trial_ended(self, request: Request) -> Response:
        """End a trial: cycles fed from now on do not count."""
        return JSONResponse(await self.readers.ask(trying.end, await body_of(request), self.wall()), 201)

    async def trial_forgotten(self, request: Request) -> Response:
        """Forget a trial; its jars and cycles stay."""
        return JSONResponse(await self.readers.ask(trying.forget, await body_of(request)), 201)

    async def _tell(self, item: Fed | Noted) -> Response:
        told = await self.readers.ask(report_body.tell, item, self.wall())
        self.live.wake()
        return JSONResponse(told, 201)

    def _jar(self, request: Request) -> JarSettings:
        name = request.path_params["jar"]
        try:
            return self.settings.jar(name)
        except KeyError:
            raise Refused(f"there is no jar {name[:60]!r} in the config", 404) from None


def make(page: Page, password: str | None, token: str | None, more: Sequence[BaseRoute] = ()) -> ASGIApp:
    """The whole app, behind its guard; `more` are paths with handlers of their own (for programs, settings)."""
    routes: list[BaseRoute] = [
        *more,
        Route("/", page.index),
        Route("/login", page.login, methods=["GET", "POST"]),
        Route("/logout", page.logout, methods=["POST"]),
        Route("/api/session", page.session),
        Route("/api/now", page.now),
        Route("/api/events", page.events),
        Route("/api/jars", page.jars),
        Route("/api/jars/{jar:path}/curve", page.curve),
        Route("/api/jars/{jar:path}/cycles", page.cycles),
        Route("/api/jars/{jar:path}/shapes", page.shaped),
        Route("/api/guide", page.guide),
        Route("/api/guide/{topic:path}", page.guide),
        Route("/api/jars/{jar:path}/assessment", page.assessment),
        Route("/api/jars/{jar:path}/plan", page.plan),
        Route("/api/jars/{jar:path}/bake", page.bake),
        Route("/api/jars/{jar:path}/bake", page.bake_kept, methods=["POST"]),
        Route("/api/jars/{jar:path}/bake/dropped", page.bake_dropped, methods=["POST"]),
        Route("/api/jars/{jar:path}/fed", page.fed, methods=["POST"]),
        Route("/api/jars/{jar:path}/noted", page.noted, methods=["POST"]),
        Route("/api/jars/{jar:path}/note_changed", page.note_changed, methods=["POST"]),
        Route("/api/jars/{jar:path}/begun", page.begun, methods=["POST"]),
        Route("/api/jars/{jar:path}/snoozed", page.snoozed, methods=["POST"]),
        Route("/api/jars/{jar:path}/taken_back", page.taken_back, methods=["POST"]),
        Route("/api/jars/{jar:path}/corrected", page.corrected, methods=["POST"]),
        Route("/api/jars/{jar:path}/not_so", page.not_so, methods=["POST"]),
        Route("/api/runs/{run}/cycles/{cycle}", page.cycle),
        Route("/api/runs/{run}/cycles/{cycle}/top", page.top),
        Route("/api/sheet", page.sheet),
        Route("/api/handover", page.handover),
        Route("/api/stagger", page.stagger),
        Route("/api/trials", page.trials),
        Route("/api/trials/begun", page.trial_begun, methods=["POST"]),
        Route("/api/trials/ended", page.trial_ended, methods=["POST"]),
        Route("/api/trials/forgotten", page.trial_forgotten, methods=["POST"]),
        Route("/api/health", page.health),
        Route("/api/openapi.json", page.openapi),
        Route("/static/{name}", Files().answer),
    ]
    if page.settings.page.prefix:
        prefix = page.settings.page.prefix

        async def inside(request: Request) -> Response:
            return RedirectResponse(f"{prefix}/")

        routes = [Route(prefix, inside), Mount(prefix, routes=routes), *routes]

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        looking = asyncio.create_task(page.live.run())
        with suppress(TimeoutError):  # a page that is opened in the first moment must not look empty
            async with asyncio.timeout(FIRST_LOOK_S):
                await page.live.looked.wait()
        yield
        looking.cancel()
        with suppress(asyncio.CancelledError):
            await looking

    app = Starlette(
        routes=routes,
        lifespan=lifespan,
        middleware=[Middleware(GZipMiddleware, minimum_size=800, compresslevel=6)],
        exception_handlers=dict(ERRORS),
    )
    app.router.redirect_slashes = False
    return Guard(app, page.settings.page, page.seal, password, token, page.wall)
