"""Lots of flour and seed on the page: which is open, what is in a jar, where a lot went, and opening one.

`jartide lot` shows the same in a terminal; `monitor.core.assess.lots` does the tracing.
"""

from __future__ import annotations

from collections.abc import Callable

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from monitor.core.assess import lots as tracing
from monitor.core.display.units import Display
from monitor.page.readers import Readers
from monitor.page.validation import body_of
from monitor.runs import lots
from monitor.runs.report_body import MOST_FLOUR, MOST_LABEL, label_of, table_of
from monitor.runs.store import Store
from monitor.settings import Settings
from monitor.values import Json

LEAST_PART = 0.001  # below a thousandth a lot is named without its part


class LotPaths:
    """GET api/lots and POST api/lots/opened. `slow` answers what reads every feeding."""

    def __init__(
        self, settings: Settings, readers: Readers, slow: Readers, wall: Callable[[], float], show: Display
    ) -> None:
        self._settings, self._readers, self._slow = settings, readers, slow
        self._wall, self._show = wall, show

    def routes(self) -> list[Route]:
        """Both."""
        return [Route("/api/lots", self.lots), Route("/api/lots/opened", self.opened, methods=["POST"])]

    async def lots(self, request: Request) -> Response:
        """The open lots; with `of`, a jar or a lot traced both ways."""
        of = request.query_params.get("of") or None
        return JSONResponse(await self._slow.ask(traced, self._settings, self._wall(), self._show, of))

    async def opened(self, request: Request) -> Response:
        """From now on a flour comes from that lot."""
        return JSONResponse(await self._readers.ask(open_lot, await body_of(request), self._wall()), 201)


def traced(store: Store, settings: Settings, now_s: float, show: Display, of: str | None) -> Json:
    """The lots that were opened and, of a name, what is in that jar and which jars that lot went into. Raises
    StoreTrouble."""
    known = [one for some in lots.opened(store).values() for one in some]
    said: dict[str, Json] = {
        "of": of,
        "opened": [
            {"flour": one.flour, "lot": one.lot, "from_s": one.from_s, "by": one.by,
             "words": show.clock(one.from_s, now_s)}
            for one in sorted(known, key=lambda one: -one.from_s)
        ],
        "jars": [jar.name for jar in settings.jars],
        "flours": [*sorted({jar.flour for jar in settings.jars if jar.flour})],
        "parts": [],
        "got": [],
    }  # fmt: skip
    if of is None:
        return said
    fed = lots.feedings(store, {jar.name: jar.flour for jar in settings.jars})
    if of in fed:
        said["parts"] = [
            {"flour": flour, "lot": lot, "part": round(part, 6), "words": _part(part)}
            for (flour, lot), part in tracing.contents(fed, of, now_s).items()
        ]
    said["got"] = [
        {"jar": one.jar, "part": round(one.part, 6), "by_way_of": one.by_way_of, "words": _got(one, show, now_s)}
        for one in tracing.got(fed, of, now_s)
    ]
    return said


def open_lot(store: Store, body: object, now_s: float) -> Json:
    """Record that a lot of a flour is open from now on. Raises Refused and StoreTrouble."""
    given = table_of(body, ("flour", "lot", "by"))
    flour, lot = label_of(given, "flour", MOST_FLOUR), label_of(given, "lot", MOST_LABEL)
    by = None if given.get("by") in (None, "") else label_of(given, "by", MOST_LABEL)
    lots.say(store, lots.Opened(flour=flour, lot=lot, from_s=now_s, by=by))
    return {"flour": flour, "lot": lot, "from_s": now_s}


def _part(part: float) -> str:
    return f"{100.0 * part:.1f} %" if part >= LEAST_PART else "traces" if part else "none"


def _got(one: tracing.Got, show: Display, now_s: float) -> str:
    """ "3 feedings, yesterday 06:00 to 18:00, by way of M-07; 12.0 % of its flour now"."""
    first, last = show.clock(one.at_s[0], now_s), show.clock(one.at_s[-1], now_s)
    when = first if len(one.at_s) == 1 else f"{len(one.at_s)} feedings, {first} to {last}"
    way = f", by way of {one.by_way_of}" if one.by_way_of else ""
    return f"{when}{way}; {_part(one.part)} of its flour now"
