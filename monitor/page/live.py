"""Everything that changes: the state of all jars and the curves of their open cycles, kept up to date in one place and
sent to every open page as server-sent events.

Fifty pages cost the store as much as one: each change is read once, and all share its text. A page that falls behind is
told to fetch everything again; nothing is queued for it.
"""

from __future__ import annotations

import asyncio
import json
import math
import secrets
import time
from collections import deque
from collections.abc import AsyncIterator, Callable

from monitor.core.display.units import Display
from monitor.page.curves import Curve, Point, columns, gap_s, starting_mm, thin
from monitor.page.jar_view import jar_now
from monitor.page.readers import Readers, TooBusy
from monitor.runs import daemon_status, kept_bake
from monitor.runs.daemon_status import Status
from monitor.runs.store import Store, StoreTrouble
from monitor.runs.stretch import readings_between, seq_at
from monitor.settings import JarSettings, Settings
from monitor.values import JarState, Json

MOST_PAGES = 200  # open streams; a household has five
REMEMBERED = 50  # messages that a page may have missed (a minute of a lively jar) and still catch up with
LEAST_S = 0.5  # between two looks at the store
HEARTBEAT_S = 15.0
RETRY_MS = 2000
BEFORE_S = 900.0  # shown of the time before the feeding
LONGEST_S = 72 * 3600.0


class Jar:
    """One jar's open cycle."""

    def __init__(self, settings: JarSettings) -> None:
        self.settings = settings
        self.shown: Json = None
        self.sampling_s: float | None = None
        self.fed_at_s: float | None = None
        self.curve: Curve | None = None

    def follow(self, state: JarState, now_s: float) -> bool:
        """Whether a new cycle has begun, with a new curve that is still empty."""
        self.sampling_s = state.sampling_s
        fed_at_s = state.cycle.fed_at_s if state.cycle else None
        if self.curve is not None and fed_at_s == self.fed_at_s:
            if now_s - self.curve.from_s > LONGEST_S + BEFORE_S:
                self.curve.forget_before(now_s - LONGEST_S)
            return False
        self.fed_at_s = fed_at_s
        self.curve = Curve(max((fed_at_s or now_s) - BEFORE_S, now_s - LONGEST_S), self.settings.empty_mm)
        return True


UNWRITTEN = "Nothing can be written down: {}. What the sensors say is held meanwhile, and judged when it is over."


class Live:
    """See the module. `look` runs in a reader's thread, everything else in the page's event loop."""

    def __init__(
        self,
        settings: Settings,
        readers: Readers,
        wall: Callable[[], float],
        show: Display,
        unwritten: Callable[[], str | None] = lambda: None,
    ) -> None:
        """`unwritten` says why the daemon can store nothing at present, which the store itself cannot show."""
        self._unwritten, self._said = unwritten, unwritten()
        self._settings = settings
        self._readers = readers
        self._wall = wall
        self._show = show
        self._jars = {jar.name: Jar(jar) for jar in settings.jars}
        self._seq: int | None = None  # up to where the curves have been read
        self._seen: object = None
        self._as_of_s: float | None = None
        self._wrote_s = -math.inf  # when that was last seen to move, by this machine's clock
        self._troubles: list[str] = []
        self._boot = secrets.token_hex(4)
        self._number = 0
        self._messages: deque[tuple[int, str]] = deque(maxlen=REMEMBERED)
        self._news = asyncio.Event()  # set at the next change, and then replaced by a new one
        self._due = asyncio.Event()
        self._ended = False
        self.looked = asyncio.Event()  # at the store, a first time
        self.pages = 0
        self.trouble: str | None = None

    # --- in the event loop -----------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Look at the store whenever the daemon has committed something, until cancelled."""
        while True:
            await self.refresh()
            await asyncio.sleep(LEAST_S)
            try:
                async with asyncio.timeout(HEARTBEAT_S):
                    await self._due.wait()
            except TimeoutError:
                continue
            self._due.clear()

    def wake(self) -> None:
        """There may be something new."""
        self._due.set()

    async def refresh(self) -> None:
        """Look now, and send every page what has changed."""
        try:
            changed = await self._readers.ask(self._look)
            trouble = None
        except (StoreTrouble, TooBusy) as error:
            changed, trouble = None, str(error) or "too many requests at once"
        if trouble != self.trouble:
            self.trouble = trouble
            changed = {**(changed or {}), "trouble": trouble}
        if (said := self._unwritten()) != self._said:
            self._said = said
            changed = {**(changed or {}), "troubles": self.troubles()}
        if changed:
            self._number += 1
            text = json.dumps({**self._head(), **changed}, ensure_ascii=False, separators=(",", ":"))
            self._messages.append((self._number, text))
            self._tell_pages()
        self.looked.set()

    def troubles(self) -> list[Json]:
        """The daemon's troubles in sentences: what it stored about itself, and that it cannot store."""
        return [*self._troubles, *self.unwritten()]

    def unwritten(self) -> list[str]:
        """That nothing can be stored at present, if so; the store itself cannot show that."""
        said = self._unwritten()
        return [] if said is None else [UNWRITTEN.format(said)]

    async def end(self) -> None:
        """End the streams of all pages."""
        self._ended = True
        self._tell_pages()

    def _tell_pages(self) -> None:
        told, self._news = self._news, asyncio.Event()
        told.set()

    def now(self) -> dict[str, Json]:
        """Everything in the first view, and the place from which changes continue."""
        return {
            **self._head(),
            "place": f"{self._boot}-{self._number}",
            "trouble": self.trouble,
            "jars": [jar.shown for jar in self._jars.values() if jar.shown is not None],
            "quiet_jars": [name for name, jar in self._jars.items() if jar.shown is None],
        }

    def curve(self, name: str) -> dict[str, Json]:
        """The curve of a jar's open cycle. Raises KeyError for a jar that is not watched."""
        jar = self._jars[name]
        points: list[Point] = []
        if jar.curve is not None:
            points = thin(jar.curve.points())
        return {
            "jar": name,
            "place": f"{self._boot}-{self._number}",
            "fed_at_s": jar.fed_at_s,
            "level_known": jar.settings.empty_mm is not None,
            "start_mm": None if jar.fed_at_s is None else starting_mm(points, jar.fed_at_s),
            "gap_s": gap_s(jar.sampling_s),
            "curve": columns(points),
        }

    async def stream(self, last_id: str | None) -> AsyncIterator[str]:
        """Server-sent events from the message after `last_id` on, until the page goes or `end`. Whoever answers with it
        counts it in `pages`."""
        place = self._place(last_id)
        yield f"retry: {RETRY_MS}\n\n"
        if place is None:
            place = self._number
            yield self._again(place)
        while not self._ended:
            missed = [one for one in self._messages if one[0] > place]
            if missed and missed[0][0] > place + 1:
                place = self._number
                yield self._again(place)
                continue
            for number, text in missed:
                yield f"id: {self._boot}-{number}\ndata: {text}\n\n"
                place = number
            if missed:
                continue
            try:
                async with asyncio.timeout(HEARTBEAT_S):
                    await self._news.wait()
            except TimeoutError:
                yield ": still here\n\n"

    def _again(self, place: int) -> str:
        """The message that everything has to be fetched again, as what was missed is no longer kept."""
        head = json.dumps(self._head(), ensure_ascii=False, separators=(",", ":"))
        return f"id: {self._boot}-{place}\nevent: again\ndata: {head}\n\n"

    def _place(self, last_id: str | None) -> int | None:
        """The number of the last message that a page has seen, if it can continue from there."""
        boot, _, number = (last_id or "").partition("-")
        if boot != self._boot or not number.isdecimal() or len(number) > 12 or int(number) > self._number:
            return None
        oldest = self._messages[0][0] if self._messages else self._number + 1
        return int(number) if int(number) >= oldest - 1 else None

    def _head(self) -> dict[str, Json]:
        now_s = self._wall()
        return {
            "as_of_s": self._as_of_s,
            "now_s": now_s,
            "watching": self.watching(now_s),
            "troubles": self.troubles(),
        }

    def watching(self, now_s: float) -> bool:
        """Whether the daemon has stored its state lately. In a played night three minutes pass in a moment; there it
        counts that the state changed a moment ago."""
        if self._as_of_s is None:
            return False
        return now_s - self._as_of_s <= daemon_status.STALE_S or time.monotonic() - self._wrote_s < HEARTBEAT_S

    # --- in a reader's thread, one look at a time ------------------------------------------------------------------

    def _look(self, store: Store) -> dict[str, Json]:
        """What has changed since the last look."""
        out: dict[str, Json] = {}
        told = store.told_count()
        seen = store.meta(daemon_status.KEY), told, store.meta(kept_bake.CHANGES)
        if seen != self._seen:
            status, troubles = daemon_status.read(store), self._troubles
            if changed := [] if status is None else self._look_at_jars(store, status):
                out["jars"] = changed
            if troubles != self._troubles:
                out["troubles"] = self.troubles()
            self._seen = seen
        moved = self._read_on(store)
        if moved:
            out["curves"] = {
                name: {"columns": columns(curve.points(numbers)), "fed_at_s": self._jars[name].fed_at_s}
                for name, numbers in moved.items()
                if (curve := self._jars[name].curve) is not None
            }
        return out

    def _look_at_jars(self, store: Store, status: Status) -> list[Json]:
        """Take in what the daemon stored about itself; returns the jars that look different now."""
        if self._as_of_s is not None and self._as_of_s != status.as_of_s:
            self._wrote_s = time.monotonic()
        self._troubles, self._as_of_s = list(status.troubles), status.as_of_s
        now_s = max(self._wall(), status.as_of_s)
        states = [state for state in status.jars if state.jar in self._jars]
        changed: list[Json] = []
        for state in states:
            jar = self._jars[state.jar]
            shown = jar_now(store, state, status.sources, jar.settings, self._settings, now_s, self._show)
            if shown != jar.shown:
                jar.shown = shown
                changed.append(shown)
        begun = [jar for state in states if (jar := self._jars[state.jar]).follow(state, now_s)]
        if self._seq is None:
            self._seq = store.last_seq()
        if begun:
            self._load(store, begun, self._seq)
        return changed

    def _load(self, store: Store, jars: list[Jar], until_seq: int) -> None:
        """Read the curves of cycles that have just begun, or turned out to have begun at another time, up to an
        item."""
        curves = {jar.settings.name: jar.curve for jar in jars if jar.curve is not None}
        from_seq = seq_at(store, min(curve.from_s for curve in curves.values()))
        for reading in readings_between(store, list(curves), from_seq - 1, until_seq):
            curves[reading.jar].add(reading)

    def _read_on(self, store: Store) -> dict[str, set[int]]:
        """Take in the readings since then; returns which bins of which jars have changed."""
        moved: dict[str, set[int]] = {}
        if self._seq is None:
            return moved
        names = [name for name, jar in self._jars.items() if jar.curve is not None]
        last_seq = store.last_seq()
        for reading in readings_between(store, names, self._seq, last_seq):
            curve = self._jars[reading.jar].curve
            number = None if curve is None else curve.add(reading)
            if number is not None:
                moved.setdefault(reading.jar, set()).add(number)
        self._seq = last_seq
        return moved
