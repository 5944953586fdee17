"""How quick and how heavy the page is: `python -m tests.bench.page_speed [jars ...]` (default 1 10 100).

For a house with so many jars and a year of data each (every 10 min, in the last two days every 30 s; invented): time
and bytes of the first view in a real browser (Debian's chromium, empty cache, from the click until the first curve is
drawn), and of a year's review of one jar (its cycles from the API, and the list and the charts of months in the
browser). Then what open pages cost the readings: how long a reading waits for its commit with 0 and with 50 pages open
(tests/page/test_load.py). Best of five; the growth is what counts.
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from pathlib import Path

import httpx
from playwright.sync_api import Browser

from monitor.core.detect import step
from monitor.page.server import PageServer
from monitor.runs import daemon_status, items
from monitor.runs.store import Store
from monitor.settings import PageSettings, Settings
from monitor.values import Cycle, JarState, Level, Stage, of_grams
from tests.browsing import PHONE, launched
from tests.night import EMPTY_MM, level_mm
from tests.page.test_load import PAGES, watched
from tests.page_house import settings_of
from tests.servers import free_port, listens, wait_until

YEAR_S = 365 * 86_400.0
EVERY_S = 30.0  # in the last two days; before, the store has been thinned
DENSE_S = 2 * 86_400.0
THIN_S = 600.0
CYCLE_S = 43_200.0
TIMES = 5


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
            states.append(_state(step.current(step.begin(jar), now_s), begin_s, now_s))
        daemon_status.write(store, now_s, states, [], [])


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
        feeding=of_grams((25, 100, 100)),
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


# what stands on the page is seen by the page itself: a driver's own looking takes longer than the view
WATCH = """(() => { const seen = (globalThis.seen = {}); new MutationObserver(() => {
    if (!seen.cards && document.querySelector("article .stage")) seen.cards = performance.now();
    if (!seen.curve && document.querySelector("canvas")) seen.curve = performance.now();
    if (!seen.list && document.querySelector("tbody tr")) seen.list = performance.now();
}).observe(document, { childList: true, subtree: true }); })();"""
UNTIL = "async what => { while (!globalThis.seen?.[what]) await new Promise(go => setTimeout(go, 20)); return seen; }"


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One view in an empty browser: seconds from the click until its first words and its first curve stand, bytes over
    the wire, requests, and seconds of processor time that the browser's own thread took."""

    words_s: float
    curve_s: float
    kb: float
    requests: int
    work_s: float


def view(browser: Browser, url: str, words: str) -> View:
    """Open an address on a phone."""
    context = browser.new_context(viewport=PHONE)  # type: ignore[arg-type]
    page = context.new_page()
    page.add_init_script(WATCH)
    session = context.new_cdp_session(page)
    session.send("Network.enable")
    session.send("Performance.setTimeDomain", {"timeDomain": "threadTicks"})
    session.send("Performance.enable")
    sizes: list[float] = []
    session.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    page.goto(url, wait_until="commit")
    seen = page.evaluate(UNTIL, "curve")
    metrics = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    page.wait_for_timeout(300)  # whatever still comes counts in the bytes
    context.close()
    return View(
        words_s=seen[words] / 1e3,
        curve_s=seen["curve"] / 1e3,
        kb=sum(sizes) / 1e3,
        requests=len(sizes),
        work_s=metrics["TaskDuration"],
    )


def best(views: list[View]) -> View:
    """The quickest of each."""
    return View(**{part.name: min(getattr(one, part.name) for one in views) for part in fields(View)})


def review(url: str) -> tuple[float, float, int]:
    """(seconds, kilobytes over the wire, cycles) of a year of one jar, from the API."""
    with httpx.Client(base_url=url, timeout=60) as client:
        began_s = time.perf_counter()
        with client.stream("GET", "/api/jars/jar0/cycles") as answer:
            raw = b"".join(answer.iter_raw())
        seconds = time.perf_counter() - began_s
        return seconds, len(raw) / 1e3, client.get("/api/jars/jar0/cycles").json()["count"]


def main(counts: list[int]) -> None:
    """Print the table."""
    print("                               the first view                                a year's review of one jar")
    print(
        "jars  readings  MB   ready s   cards s  curve s  work s  kB  requests      api s  kB  cycles   list s  chart s"
    )
    firsts: list[View] = []
    with launched() as browser:
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
                first = best([view(browser, url, "cards") for _ in range(TIMES)])
                past = best([view(browser, f"{url}/#/past/jar0", "list") for _ in range(TIMES)])
                api_s, api_kb, cycles = min(review(url) for _ in range(TIMES))
                server.stop()
                with Store.join(settings.store.path) as store:
                    rows = store.last_seq()
                size_mb = settings.store.path.stat().st_size / 1e6
            firsts.append(first)
            print(
                f"{count:4}  {rows:8}  {size_mb:3.0f}  {ready_s:7.2f}  {first.words_s:8.2f}  {first.curve_s:7.2f}"
                f"  {first.work_s:6.2f}  {first.kb:3.0f}  {first.requests:8}  {api_s:9.3f}  {api_kb:2.0f}  {cycles:6}"
                f"  {past.words_s:7.2f}  {past.curve_s:8.2f}",
                flush=True,
            )
    if len(firsts) > 1:
        times, more = counts[-1] / counts[0], firsts[-1].curve_s - firsts[0].curve_s
        print(
            f"{times:.0f} times the jars: {more:+.2f} s until the first curve, {firsts[-1].kb - firsts[0].kb:+.0f} kB"
        )
    for pages in (0, PAGES):
        with tempfile.TemporaryDirectory() as name:
            print(f"{pages} pages open: {json.dumps(watched(Path(name) / 'house', pages))}", flush=True)


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [1, 10, 100])
