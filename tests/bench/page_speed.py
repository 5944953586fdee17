"""How quick and how heavy the page is: `python tests/bench/page_speed.py [jars ...]` (default 1 10 100).

For a house with so many jars and a year of data each (every 10 min, in the last two days every 30 s; invented): time
and bytes of the first view in a real browser (Debian's chromium, empty cache, until the first curve is drawn), and of a
year's review of one jar (its list of cycles, from the API). Then what open pages cost the readings: how long a reading
waits for its commit with 0 and with 50 pages open (tests/test_page_load.py). Best of three; the growth is what counts.
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import httpx
from playwright.sync_api import Browser, sync_playwright

from monitor import status
from monitor.core import vigil
from monitor.page.server import PageServer
from monitor.runs import items
from monitor.runs.store import Store
from monitor.settings import PageSettings, Settings
from monitor.values import Cycle, JarState, Level, Stage
from tests.night import EMPTY_MM, level_mm
from tests.page_house import settings_of
from tests.servers import free_port, listens, wait_until
from tests.browsing import FLAGS
from tests.test_page_load import PAGES, watched

YEAR_S = 365 * 86_400.0
EVERY_S = 30.0  # in the last two days; before, the store has been thinned
DENSE_S = 2 * 86_400.0
THIN_S = 600.0
CYCLE_S = 43_200.0


def year(settings: Settings, now_s: float) -> None:
    """A year of every jar, straight into the store's tables."""
    begin_s = now_s - YEAR_S
    with Store.open(settings.store.path, begin_s) as store:
        store.query("PRAGMA synchronous = OFF")
        with store.writing():
            runs = [(store.ensure_run(jar, begin_s).id, store.jar_id(jar.name)) for jar in settings.jars]
        store.write_many(items.INSERT, _rows(runs, begin_s, now_s))
        states = []
        for jar in settings.jars:
            with store.writing():
                for number in range(int(YEAR_S // CYCLE_S)):
                    store.put_cycle(_cycle(jar.name, number + 1, begin_s + number * CYCLE_S, now_s))
            states.append(_state(vigil.look(vigil.begin(jar), now_s), begin_s, now_s))
        status.write(store, now_s, states, [], [])


def _rows(runs: list[tuple[int, int]], begin_s: float, now_s: float) -> Iterator[tuple[object, ...]]:
    seq, time_s = 0, begin_s
    while time_s < now_s:
        distance_mm = round(EMPTY_MM - level_mm((time_s - begin_s) % CYCLE_S / 3600.0) + 0.6 * math.sin(time_s), 1)
        for run, jar in runs:
            seq += 1
            yield seq, run, jar, time_s, time_s, 1, distance_mm, None, 23.5, None, None, "b", seq
        time_s += THIN_S if time_s < now_s - DENSE_S else EVERY_S


def _cycle(jar: str, number: int, fed_at_s: float, now_s: float) -> Cycle:
    over = fed_at_s + CYCLE_S < now_s - 60
    return Cycle(
        jar=jar,
        number=number,
        fed_at_s=fed_at_s,
        told=True,
        starter_g=25,
        flour_g=100,
        water_g=100,
        peak_at_s=fed_at_s + 3600 * (6 + 0.3 * math.sin(number)),
        peak_ratio=2.0 + 0.1 * math.sin(number / 9),
        fall_at_s=fed_at_s + 3600 * (6.5 + 0.3 * math.sin(number)),
        ended_at_s=fed_at_s + CYCLE_S if over else None,
        temperatures_c=(23.5,) * 12,
    )


def _state(state: JarState, begin_s: float, now_s: float) -> JarState:
    number = int(YEAR_S // CYCLE_S)
    cycle = replace(_cycle(state.jar, number, begin_s + (number - 1) * CYCLE_S, now_s), ended_at_s=None)
    level = Level(
        time_s=now_s, distance_mm=120.0, level_mm=60.0, sd_mm=0.5, volume_ml=None, rise_ratio=1.5, rise_ratio_sd=0.02,
        temperature_c=23.5,
    )  # fmt: skip
    return replace(
        state,
        stage=Stage.FALLING,
        cycle=cycle,
        level=level,
        slope_mm_per_h=-4.0,
        temperature_c=23.5,
        last_reading_s=now_s,
    )


def ready(port: int, jars: int) -> float:
    """When the page knows all jars."""
    wait_until(lambda: listens(port), "the page listens")
    wait_until(lambda: len(httpx.get(f"http://127.0.0.1:{port}/api/now").json()["jars"]) == jars, "it knows", 60)
    return time.perf_counter()


def first_view(browser: Browser, url: str) -> tuple[float, float, float]:
    """(seconds until the cards stand, seconds until the first curve is drawn, bytes over the wire)."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    session = context.new_cdp_session(page)
    session.send("Network.enable")
    sizes: list[float] = []
    session.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    began_s = time.perf_counter()
    page.goto(url, wait_until="commit")
    page.wait_for_selector("article .stage")
    cards_s = time.perf_counter() - began_s
    page.wait_for_selector("figure[data-points] canvas")
    curve_s = time.perf_counter() - began_s
    page.wait_for_timeout(300)  # whatever still comes counts in the bytes
    context.close()
    return cards_s, curve_s, sum(sizes)


def review(url: str) -> tuple[float, int, int]:
    """(seconds, bytes over the wire, cycles) of a year of one jar."""
    with httpx.Client(base_url=url, timeout=60) as client:
        began_s = time.perf_counter()
        with client.stream("GET", "/api/jars/jar0/cycles") as answer:
            raw = b"".join(answer.iter_raw())
        seconds = time.perf_counter() - began_s
        return seconds, len(raw), client.get("/api/jars/jar0/cycles").json()["count"]


def main(counts: list[int]) -> None:
    """Print the table."""
    print("jars  readings  store MB  ready s  first view: cards s  curve s  kB   a year's review: s  kB  cycles")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path="/usr/bin/chromium", args=list(FLAGS))
        for count in counts:
            with tempfile.TemporaryDirectory() as name:
                port = free_port()
                settings = settings_of(Path(name), [f"jar{k}" for k in range(count)], PageSettings(port=port))
                year(settings, time.time())
                server = PageServer(settings)
                began_s = time.perf_counter()
                server.start()
                url = f"http://127.0.0.1:{port}"
                ready_s = ready(port, count) - began_s
                views = [first_view(browser, url) for _ in range(3)]
                reviews = [review(url) for _ in range(3)]
                server.stop()
                with Store.join(settings.store.path) as store:
                    rows = store.last_seq()
                size_mb = settings.store.path.stat().st_size / 1e6
            cards_s, curve_s, size = (min(view[k] for view in views) for k in range(3))
            seconds, kb, cycles = min(reviews)
            print(
                f"{count:4}  {rows:8}  {size_mb:8.0f}  {ready_s:7.2f}  {cards_s:19.2f}  {curve_s:7.2f}"
                f"  {size / 1e3:3.0f}   {seconds:18.3f}  {kb / 1e3:2.0f}  {cycles:6}",
                flush=True,
            )
    for pages in (0, PAGES):
        with tempfile.TemporaryDirectory() as name:
            print(f"{pages} pages open: {json.dumps(watched(Path(name) / 'house', pages))}", flush=True)


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [1, 10, 100])
