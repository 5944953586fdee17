"""The jars of other daemons at the same broker, for one list of all: `[page] others = true`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from monitor.core.display.units import STAGE_WORDS, Display, duration, times
from monitor.values import Json, Stage

LISTED = 500  # that a page can show at once
STALE_S = 900.0  # a daemon says each minute what it believes; after a quarter of an hour it is not there


class OtherJarView(Protocol):
    """A jar of another daemon, as `monitor.sinks.other_jars` keeps it."""

    @property
    def jar(self) -> str: ...
    @property
    def heard_s(self) -> float: ...
    @property
    def stage(self) -> Stage: ...
    @property
    def fed_at_s(self) -> float | None: ...
    @property
    def fall_at_s(self) -> float | None: ...
    @property
    def rise_ratio(self) -> float | None: ...
    @property
    def temperature_c(self) -> float | None: ...
    @property
    def silent(self) -> bool: ...


class OtherJarsPath:
    """GET api/others."""

    def __init__(self, known: Callable[[], Sequence[OtherJarView]], wall: Callable[[], float], show: Display) -> None:
        self._known, self._wall, self._show = known, wall, show

    def routes(self) -> list[Route]:
        """The one path."""
        return [Route("/api/others", self.others)]

    async def others(self, request: Request) -> Response:
        """All jars that other daemons speak of, who needs feeding first."""
        now_s, every = self._wall(), self._known()
        return JSONResponse({"count": len(every), "jars": [self._row(one, now_s) for one in every[:LISTED]]})

    def _row(self, one: OtherJarView, now_s: float) -> Json:
        facts = []
        if one.rise_ratio is not None:
            facts.append(times(one.rise_ratio))
        if one.temperature_c is not None:
            facts.append(self._show.temperature(one.temperature_c))
        if one.fed_at_s is not None:
            facts.append(f"fed {duration(max(now_s - one.fed_at_s, 0.0))} ago")
        if one.fall_at_s is not None:
            words = self._show.clock(one.fall_at_s, now_s)
            facts.append(f"hungry since {words}" if one.fall_at_s <= now_s else f"hungry about {words}")
        if one.silent:
            facts.append("its sensor is silent")
        stale = now_s - one.heard_s > STALE_S
        if stale:
            facts.append(f"as of {self._show.clock(one.heard_s, now_s)}: its daemon has been silent since then")
        return {
            "jar": one.jar, "stage": one.stage.value, "stage_words": STAGE_WORDS[one.stage],
            "words": ", ".join(facts), "stale": stale,
        }  # fmt: skip
