"""A daemon on a real store whose clocks the test moves: what happens in a night, at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from monitor.daemon.jars import Jars
from monitor.daemon.loop import Daemon
from monitor.host.clock import Clock
from monitor.host.time_zone import display
from monitor.runs import outbox
from monitor.runs.store import Store
from monitor.settings import DisplaySettings, JarSettings, Settings
from monitor.values import Delivery, Event, EventKind, JarState, Rejected, SourceHealth, Tick
from tests.night import EMPTY_MM, START_S

SETTINGS = Settings(
    jars=(JarSettings(name="rye", empty_mm=EMPTY_MM),), display=DisplaySettings(time_zone="UTC")
)  # wherever the tests run


class Silent:
    """A source that brings nothing by itself and remembers what it was told."""

    name = "test"

    def __init__(self) -> None:
        self.acknowledged: list[object] = []

    def start(self, put: object) -> None: ...

    def stop(self) -> None: ...

    def acknowledge(self, tokens: Sequence[object]) -> None:
        self.acknowledged += tokens

    def health(self) -> SourceHealth:
        return SourceHealth(name=self.name, connected=True, trouble=None, since_s=0.0, last_message_s=None)


class Kitchen:
    """`now_s` is the true time. The machine was started at `booted_s` and its wall clock is off by `off_s`."""

    def __init__(
        self,
        path: Path,
        now_s: float = START_S,
        settings: Settings = SETTINGS,
        *,
        off_s: float = 0.0,
        booted_s: float = 0.0,
        before_boot_s: float = float("-inf"),
    ) -> None:
        self.now_s = now_s
        self.off_s = off_s
        self.store = Store.open(path, now_s + off_s)
        self.store.query("PRAGMA synchronous = OFF")  # power cuts are another test's matter, and syncing takes minutes
        self.source = Silent()
        self.jars = Jars(settings, self.store, display(settings.display))
        clock = Clock(wall=self.wall, monotonic=lambda: self.now_s - booted_s)
        self.daemon = Daemon(self.jars, self.store, [self.source], clock=clock, before_boot_s=before_boot_s)
        self.daemon.resume()

    def wall(self) -> float:
        return self.now_s + self.off_s

    def set_clock(self, offset_s: float) -> None:
        """Somebody, or network time, sets the wall clock."""
        self.off_s += offset_s
        self.daemon.turn(0.0)

    def live(self, deliveries: Iterable[Delivery | Rejected], until_s: float | None = None) -> None:
        """Let the deliveries come at their (true) times, with the grid's ticks between them."""
        for thing in deliveries:
            self.to(thing.received_s)
            self.daemon.put(self._stamped(thing))
            self.daemon.turn(0.0)
        if until_s is not None:
            self.to(until_s)

    def to(self, time_s: float) -> None:
        while (self.now_s + self.off_s) // 60 < (time_s + self.off_s) // 60:
            self.now_s = ((self.now_s + self.off_s) // 60 + 1) * 60 - self.off_s
            self.daemon.put(Tick(time_s=self.wall()))
            self.daemon.turn(0.0)
        self.now_s = time_s

    def sleep(self, seconds: float) -> None:
        """The machine is suspended: time passes, the program does not."""
        self.now_s += seconds

    def state(self, jar: str = "rye") -> JarState:
        return next(state for state in self.jars.states(self.wall()) if state.jar == jar)

    def events(self, jar: str = "rye") -> list[Event]:
        run = self.store.open_run(jar)
        return self.store.events(run.id) if run else []

    def kinds(self, jar: str = "rye") -> list[EventKind]:
        return [event.kind for event in self.events(jar)]

    def notices(self, jar: str = "rye") -> list[str]:
        return [one.notice.kind for one in outbox.of_jar(self.store, jar)]

    def trouble(self) -> str | None:
        return self.daemon.trouble()

    def _stamped(self, thing: Delivery | Rejected) -> Delivery | Rejected:
        if self.off_s == 0.0 or isinstance(thing, Rejected):
            return thing
        reading = replace(thing.reading, time_s=thing.reading.time_s + self.off_s)
        return replace(thing, received_s=thing.received_s + self.off_s, reading=reading)


def first(events: Iterable[Event], kind: EventKind, wanted: Callable[[Event], bool] = lambda event: True) -> Event:
    return next(event for event in events if event.kind is kind and wanted(event))
