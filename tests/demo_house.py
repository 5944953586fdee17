"""`python -m tests.demo_house` makes what the demo ships: the house's past as a store, and the messages of its night.

The scenario (`monitor/simulator/house.toml`) is played once. Its first eighteen days go through the daemon's own loop
under a clock that this moves, with feedings and notes reported as people do; the rest is kept as the bytes that the
devices send, for the demo to play.
"""

from __future__ import annotations

import gzip
import json
import shutil
import sqlite3
import sys
import tempfile
from importlib import resources
from pathlib import Path

from monitor.cli.demo import HOUSE, NIGHT, PAST, house_settings
from monitor.core.display.units import Display
from monitor.daemon.jars import Jars
from monitor.daemon.loop import Daemon
from monitor.host.clock import Clock
from monitor.review import hindsight
from monitor.runs import daemon_status, outbox
from monitor.runs.store import Store
from monitor.runs.trials import KEY as TRIAL_KEY
from monitor.simulator import scenario
from monitor.simulator.device import payload
from monitor.simulator.scenario import JarPlan
from monitor.simulator.scene import Scene
from monitor.sources.boot_clock import BootClocks
from monitor.sources.ingest import Ingest
from monitor.values import DAY_S, Fed, Noted, Noting, Tick, of_grams

PAST_S = 18 * DAY_S
TRIAL_DAYS = 12
EVERY_NOTICE = EVERY_CYCLE = 10_000  # of the past
NOTES = (  # (days and hours from the start, jar, what, text)
    (3, 13.5, "Rye", Noting.SMELL, "apples and rye bread"),
    (6, 15.0, "Wheat", Noting.FLOAT_TEST, "it floated"),
    (9, 14.2, "White", Noting.BAKED, "two tin loaves, a fine open crumb"),
    (12, 16.0, "Rye", Noting.REMARK, "new bag of flour from the mill"),
    (15, 13.7, "Wheat", Noting.BAKED, "one round loaf, well risen"),
    (17, 14.5, "Rye", Noting.SMELL, "fruity"),
)


def feedings(plan: JarPlan, starts_s: float, flour: str | None) -> list[Fed]:
    """What the baker weighed, as it would be reported: every feeding of the scenario, of the jar's own `flour` (the
    simulator knows only three kinds)."""
    out = []
    for action in plan.do:
        if action.what != "feed" or action.daily_s is None:
            continue
        for day in range(20):
            at_s = starts_s // DAY_S * DAY_S + day * DAY_S + action.daily_s
            weekday = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")[int(at_s // DAY_S + 3) % 7]
            if weekday in action.days and at_s > starts_s:
                weighed = of_grams((action.starter_g, action.flour_g, action.water_g), flour)
                out.append(Fed(time_s=at_s, jar=plan.name, feeding=weighed))
    return out


def deliver(store: Store) -> None:
    """The household has read every notice of its past, though nothing here sends them."""
    with store.writing():
        for one in outbox.latest(store, EVERY_NOTICE):
            if one.state in (outbox.State.SUPERSEDED, outbox.State.EXPIRED):
                outbox.sent(store, one.id, one.notice.due_s)


def smooth(store: Store) -> None:
    """Every finished cycle has been looked at by the smoother, as a daemon that went on would have done by now."""
    for run, number in store.unsmoothed(EVERY_CYCLE):
        hindsight.keep(store, run, number, {})


def pack(path: Path, out: Path) -> None:
    """A store as one packed file."""
    with sqlite3.connect(path) as base:
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        base.execute("PRAGMA journal_mode = DELETE")
        base.execute("VACUUM")
    base.close()
    with path.open("rb") as plain, gzip.GzipFile(out, "wb", 9, mtime=0) as packed:
        shutil.copyfileobj(plain, packed)


def main(out: Path) -> None:
    text = resources.files("monitor.simulator").joinpath(HOUSE).read_text("utf-8")
    house = scenario.read(text, HOUSE)
    scene = Scene(house, keep_chemistry=False)
    folder = Path(tempfile.mkdtemp())
    settings = house_settings(folder / "house.db", 8140)
    starts_s, now = house.starts_s, [house.starts_s]
    ends_s = starts_s + PAST_S
    store = Store.open(settings.store.path, starts_s)
    store.query("PRAGMA synchronous = OFF")
    jars = Jars(settings, store, Display())
    clock = Clock(wall=lambda: now[0], monotonic=lambda: now[0])
    daemon = Daemon(jars, store, [], clock=clock)
    daemon.resume()
    names = frozenset(jar.name for jar in house.jar)
    ingest = Ingest(
        "recorded", jars=names, jar=None, bare_lines=False, clocks=BootClocks(), wall=clock.wall,
        monotonic=clock.monotonic,
    )  # fmt: skip
    flours = {jar.name: jar.flour for jar in settings.jars}
    fed_all = [fed for plan in house.jar for fed in feedings(plan, starts_s, flours[plan.name])]
    reports: list[tuple[float, Fed | Noted]] = [(fed.time_s + 900.0, fed) for fed in fed_all]
    reports += [
        (at_s, Noted(time_s=at_s, jar=jar, what=what, text=words))
        for days, hours, jar, what, words in NOTES
        if (at_s := starts_s + days * DAY_S + (hours - 18.5) * 3600.0)
    ]
    reports = sorted((one for one in reports if one[0] < ends_s), key=lambda one: one[0])
    trial = {"since_s": ends_s - TRIAL_DAYS * DAY_S, "jars": ["Rye", "Wheat", "White"]}
    store.set_meta(f"{TRIAL_KEY}three flours", json.dumps(trial))
    while scene.now_s < PAST_S - 1:
        sent = scene.advance(scene.now_s + 6 * 3600.0)
        for one in sent:
            at_s = one.at_s
            while now[0] // 60 < at_s // 60:
                now[0] = (now[0] // 60 + 1) * 60
                while reports and reports[0][0] <= now[0]:
                    store.tell(reports.pop(0)[1], now[0])
                daemon.put(Tick(time_s=now[0]))
                daemon.turn(0.0)
            now[0] = at_s
            daemon.put(ingest.take(payload(one)))
            daemon.turn(0.0)
        print(f"\r{scene.now_s / DAY_S:.1f} days", end="", file=sys.stderr, flush=True)
    now[0] = ends_s
    daemon.flush()
    daemon_status.write(store, now[0], jars.states(now[0]), [], [])
    deliver(store)
    smooth(store)
    store.close()
    pack(settings.store.path, out / PAST)
    sent = scene.advance(house.hours * 3600.0)
    lines = [f"{one.at_s:.1f} {payload(one).decode('utf-8', 'replace').strip()}\n" for one in sent]
    for fed in fed_all:
        if ends_s <= fed.time_s < starts_s + house.hours * 3600.0 - 900.0:
            said = {
                "fed": fed.jar,
                "at": fed.time_s,
                "grams": list(fed.feeding.weights.values()),
                "flour": fed.feeding.flour,
            }
            lines.append(f"{fed.time_s + 600.0:.1f} {json.dumps(said)}\n")
    lines.sort(key=lambda line: float(line.partition(" ")[0]))
    with gzip.GzipFile(out / NIGHT, "wb", 9, mtime=0) as packed:
        packed.write("".join(lines).encode())
    shutil.rmtree(folder)
    print(f"\n{out / PAST}: {(out / PAST).stat().st_size} bytes; {out / NIGHT}: {(out / NIGHT).stat().st_size} bytes")


if __name__ == "__main__":
    main(Path(__file__).resolve().parent.parent / "monitor" / "simulator")
