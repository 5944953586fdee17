"""A household for the page's tests: a store with an invented past, and the real daemon that goes on from there.

`python -m tests.page_house FOLDER` is that daemon in a process of its own: the page on the port in FOLDER/port, jars of
FOLDER/jars (a name a line), and readings at the pace of FOLDER/pace (seconds between, how many), else one a second.
"""

from __future__ import annotations

import json
import random
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path

from monitor.core.display.units import Display
from monitor.daemon.jars import Jars
from monitor.daemon.loop import Daemon
from monitor.host.clock import Clock
from monitor.runs import daemon_status
from monitor.runs.store import Store
from monitor.settings import DisplaySettings, JarSettings, NoticeSettings, PageSettings, Settings, StoreSettings
from monitor.values import Delivery, Fed, JarState, Reading, SourceHealth, Stage, Tick, of_grams
from tests.night import EMPTY_MM, level_mm

CYCLE_S = 12 * 3600.0


def settings_of(folder: Path, names: Sequence[str], page: PageSettings | None = None) -> Settings:
    """Invented jars, 180 mm deep."""
    return Settings(
        jars=tuple(JarSettings(name=name, empty_mm=EMPTY_MM, rim_mm=120.0, flour="rye") for name in names),
        store=StoreSettings(path=folder / "jartide.db"),
        notices=NoticeSettings(console=False),
        display=DisplaySettings(time_zone="Europe/Vienna"),
        page=page or PageSettings(),
    )


def nothing_known(jar: str) -> JarState:
    """What is believed of a jar before anything was heard."""
    empty = dict.fromkeys(field.name for field in fields(JarState))
    return JarState(**{**empty, "jar": jar, "now_s": 0.0, "stage": Stage.UNKNOWN})  # type: ignore[arg-type]


class Kitchen:
    """The daemon's own loop over a store, under a clock that only `go_on` moves."""

    def __init__(
        self, settings: Settings, begin_s: float, *, every_s: float = 120.0, warm_c: Mapping[str, float] | None = None
    ) -> None:
        self.settings, self.every_s, self.now_s = settings, every_s, begin_s
        self._warm_c = warm_c or {}  # where it is not as warm as elsewhere
        self.store = Store.open(settings.store.path, begin_s)
        self.store.query("PRAGMA synchronous = OFF")
        clock = Clock(wall=lambda: self.now_s, monotonic=lambda: self.now_s)
        self._jars = Jars(settings, self.store, Display())
        self._daemon = Daemon(self._jars, self.store, [], clock=clock)
        self._daemon.resume()
        self._chance = random.Random(3)
        self._seq = 0

    def go_on(self, hours: float, distance_mm: Callable[[str, float], float | None]) -> None:
        """So many hours pass; `distance_mm` is what the sensor over a jar says at a time, None when it says nothing."""
        until_s = self.now_s + hours * 3600.0
        while self.now_s < until_s - 1e-6:
            before_s, self.now_s = self.now_s, self.now_s + self.every_s
            for jar in self.settings.jars:
                distance = distance_mm(jar.name, self.now_s)
                if distance is not None:
                    self._daemon.put(self._reading(jar.name, distance))
            self._daemon.turn(0.0)
            if self.now_s // 60 != before_s // 60:
                self._daemon.put(Tick(time_s=self.now_s))
                self._daemon.turn(0.0)
        self._daemon.flush()
        daemon_status.write(self.store, self.now_s, self._jars.states(self.now_s), [], [])

    def _reading(self, jar: str, distance_mm: float) -> Delivery:
        self._seq += 1
        noisy = round(distance_mm + self._chance.gauss(0.0, 0.6), 1)
        at = Reading(time_s=self.now_s, jar=jar, distance_mm=noisy, temperature_c=self._warm_c.get(jar, 23.5))
        return Delivery(source="invented", received_s=self.now_s, reading=at, boot="b1", seq=self._seq, timed=True)


def over_a_fed_jar(time_s: float, fed_at_s: float) -> float:
    """What a sensor says over a jar fed at a time: lid off for three minutes, then an invented rise and fall."""
    since_h = (time_s - fed_at_s) / 3600.0
    if 0.0 <= since_h < 0.05:
        return 320.0
    return EMPTY_MM - max(level_mm(since_h if since_h >= 0.05 else since_h % 12.0), 30.0)


def grow(settings: Settings, days: float, until_s: float, *, every_s: float = 120.0, open_h: float = 7.8) -> None:
    """Let every jar live for some days, feeding told twice a day, the last one `open_h` before the end."""
    begin_s, last_fed_s = until_s - days * 86400.0, until_s - open_h * 3600.0
    kitchen = Kitchen(settings, begin_s, every_s=every_s)

    def go_on_until(end_s: float, fed_s: float) -> None:
        kitchen.go_on((end_s - kitchen.now_s) / 3600.0, lambda _, at_s: over_a_fed_jar(at_s, fed_s))

    fed_s = last_fed_s - CYCLE_S * ((last_fed_s - begin_s) // CYCLE_S)
    go_on_until(fed_s, fed_s)
    while fed_s <= last_fed_s:
        go_on_until(fed_s + 1800.0, fed_s)
        for jar in settings.jars:
            kitchen.store.tell(Fed(time_s=fed_s, jar=jar.name, feeding=of_grams((25, 100, 100))), kitchen.now_s)
        go_on_until(min(fed_s + CYCLE_S, until_s), fed_s)
        fed_s += CYCLE_S
    kitchen.store.close()


class Trickle:
    """A source: one reading of every jar each `every_s`, `most` times, with how long each waited to be committed."""

    name = "invented"

    def __init__(self, names: Sequence[str], every_s: float = 1.0, most: int = 10**9, seen: Path | None = None) -> None:
        self._names = names
        self._every_s = every_s
        self._most = most
        self._seen = seen
        self._boot = f"t{time.time_ns()}"
        self.sent = 0
        self.waits_s: list[float] = []
        self._stop = threading.Event()
        self._since_s: float | None = None

    def start(self, put: Callable[[Delivery], None]) -> None:
        threading.Thread(target=self._run, args=(put,), daemon=True).start()

    def stop(self) -> None:
        self._stop.set()

    def acknowledge(self, tokens: Sequence[object]) -> None:
        if self._seen is None:
            return
        now_s = time.monotonic()
        self.waits_s += [now_s - token for token in tokens if isinstance(token, float)]
        if len(self.waits_s) == self._most * len(self._names):
            waits = sorted(self.waits_s)
            figures = {
                "sent": self.sent,
                "acknowledged": len(waits),
                "longest_wait_s": round(waits[-1], 3),
                "middle_wait_s": round(waits[len(waits) // 2], 3),
            }
            part = self._seen.with_suffix(".part")
            part.write_text(json.dumps(figures))
            part.rename(self._seen)

    def health(self) -> SourceHealth:
        return SourceHealth(name=self.name, connected=True, trouble=None, since_s=0.0, last_message_s=self._since_s)

    def _run(self, put: Callable[[Delivery], None]) -> None:
        for _ in range(self._most):
            if self._stop.wait(self._every_s):
                return
            self._since_s = time.time()
            for name in self._names:
                self.sent += 1
                at = Reading(time_s=self._since_s, jar=name, distance_mm=EMPTY_MM - 79.0, temperature_c=23.5)
                put(
                    Delivery(
                        source=self.name,
                        received_s=self._since_s,
                        reading=at,
                        boot=self._boot,
                        seq=self.sent,
                        timed=True,
                        token=time.monotonic(),
                    )
                )


def names_in(folder: Path) -> list[str]:
    """The household's jars."""
    return (folder / "jars").read_text("utf-8").splitlines()


def main(folder: Path) -> None:
    """The daemon, until it is told to stop."""
    from monitor.daemon import assembly

    names = names_in(folder)
    page = PageSettings(port=int((folder / "port").read_text()))
    every_s, most = (folder / "pace").read_text().split() if (folder / "pace").exists() else ("1", "1000000")
    source = Trickle(names, float(every_s), int(most), folder / "seen")
    assembly.watch(settings_of(folder, names, page), own_sources=[source])


if __name__ == "__main__":
    main(Path(sys.argv[1]))
