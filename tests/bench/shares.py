"""Daemons that share one broker: `python -m tests.bench.shares [jars] [every_s] [minutes] [daemons]` (20000, 60, 4, 4).

A publisher sends one reading of each jar in turn, evenly spread, with QoS 1 through one mosquitto whose queue limit is
lifted. Each daemon (`jartide watch` with `share = "n/4"`, no page) has a store of its own. In the middle of it the
first is killed with -9, and a fifth process takes its store and share. Then all stores are read: every reading has to
be there exactly once, at the daemon of its share. Decisions: the items of a sample of jars are stepped again alone, in
the order in which their store has them, and have to give what their daemon decided. The readings are invented.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from monitor.config.share import owner
from monitor.core.detect import step
from monitor.daemon import resume
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings
from tests.bench.ingest import processor_s
from tests.bench.load import START_S, connected, memory_mb
from tests.servers import mosquitto, wait_until

SAMPLE = 200  # jars that are judged again, of each store
PATIENCE_S = 1800.0  # on a machine that has other work, at higher priority


def config(folder: Path, store: Path, port: int, jars: int, share: str) -> None:
    folder.mkdir(exist_ok=True)
    ranges = [(first, min(first + 9_999, jars - 1)) for first in range(0, jars, 10_000)]
    tables = [f'[[jar]]\nname = "jar{{{first}..{last}}}"\nempty_mm = 180\n' for first, last in ranges]
    (folder / "jartide.toml").write_text("".join([f'share = "{share}"\n', *tables]))
    with (folder / "jartide.toml").open("a") as file:
        file.write(f'[[mqtt]]\nhost = "127.0.0.1"\nport = {port}\nstate_topic = ""\n[store]\npath = "{store}"\n')
        file.write("[notices]\nconsole = false\n[page]\non = false\n")


@contextmanager
def daemon(folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    with (folder / "log").open("w") as log:
        process = subprocess.Popen([sys.executable, "-m", "monitor", "watch"], cwd=folder, stdout=log, stderr=log)
        try:
            yield process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
                process.wait(120)


def rows(file: Path) -> list[tuple[str, int]]:
    """(jar, device's number) of all that is stored, in order of arrival."""
    with Store.join(file) as store:
        found = store.query(
            "SELECT name, device_seq FROM item JOIN jar ON jar.id = item.jar WHERE device_seq IS NOT NULL ORDER BY seq"
        )
    return [(str(name), int(number)) for name, number in found]


def count(file: Path) -> int:
    try:
        with Store.join(file) as store:
            return store.last_seq()
    except StoreTrouble:
        return 0


def stored(files: list[Path]) -> int:
    """All that is stored, a second later: to look oftener would take from what is measured."""
    time.sleep(1.0)
    return sum(map(count, files))


def judged_alike(file: Path, jars: list[str]) -> tuple[Counter[str], int]:
    """(events of these jars, judged again alone, by kind; jars of which something else was decided)."""
    other, kinds = 0, Counter[str]()
    with Store.join(file) as store:
        for name in jars:
            run = store.live_runs(name)[-1]
            jar = JarSettings(name=name, empty_mm=run.empty_mm)
            state = step.begin(resume.settings_in(run, jar), {})
            alone = []
            for arrival in store.arrivals(name, run.first_seq - 1):
                state, events = step.take(state, arrival, jar)
                alone += events
            last_s = max((one.decided_at_s for one in alone), default=0.0)
            kept = [one for one in store.events(run.id) if one.decided_at_s <= last_s]
            kinds.update(one.kind.value for one in alone)
            mine = [(one.kind, one.happened_at_s, one.decided_at_s) for one in alone]
            other += mine != [(one.kind, one.happened_at_s, one.decided_at_s) for one in kept]
    return kinds, other


def run(jars: int, every_s: float, minutes: float, daemons: int) -> dict[str, object]:
    """The figures; raises AssertionError when a reading is lost, doubled or at another's."""
    before = os.getloadavg()
    more = ("max_queued_messages 0", "max_inflight_messages 1000", "log_type error")
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name) / "broker", more=more) as broker:
        folder = Path(name)
        stores = [folder / f"{n}.db" for n in range(1, daemons + 1)]
        folders = [folder / f"daemon{n}" for n in range(1, daemons + 1)]
        for n in range(daemons):
            config(folders[n], stores[n], broker.port, jars, f"{n + 1}/{daemons}")
        stand_in = folder / "stand_in"
        config(stand_in, stores[0], broker.port, jars, f"1/{daemons}")
        total = round(jars * minutes * 60 / every_s)
        began_s = time.monotonic()
        with ExitStack() as running:
            first, *others = [running.enter_context(daemon(one)) for one in folders]
            for file in stores:
                wait_until(lambda file=file: connected(file), f"{file.name} is connected", START_S)  # type: ignore[misc]
            ready_s = time.monotonic() - began_s
            command = [sys.executable, "-m", "tests.bench.load", "--publish", str(broker.port), str(jars), str(every_s)]
            cpu_s, began_s = [processor_s(one.pid) for one in others], time.monotonic()
            publisher = subprocess.Popen([*command, str(minutes), str(folder / "times")])
            wait_until(lambda: stored(stores) > total / 3, "a third is stored", 60.0 * minutes + PATIENCE_S)
            first.kill()
            first.wait()
            stored_then = count(stores[0])
            with daemon(stand_in):
                wait_until(lambda: publisher.poll() is not None, "all is sent", 60.0 * minutes + PATIENCE_S)
                sent_s = time.monotonic() - began_s
                wait_until(lambda: stored(stores) >= total, "all is stored", PATIENCE_S)
                took_s = time.monotonic() - began_s
                shares = [processor_s(one.pid) - was for one, was in zip(others, cpu_s, strict=True)]
                memory = [round(memory_mb(one.pid)) for one in others]
        load = os.getloadavg()
        found = [rows(file) for file in stores]
        wanted = {(f"jar{k % jars}", k // jars) for k in range(total)}
        every = [one for some in found for one in some]
        owners = {f"jar{n}": owner(f"jar{n}", daemons) for n in range(jars)}
        astray = sum(owners[jar] != n for n, some in enumerate(found, 1) for jar, _ in some)
        samples = [sorted({jar for jar, _ in some})[:SAMPLE] for some in found]
        again = [judged_alike(file, sample) for file, sample in zip(stores, samples, strict=True)]
        return {
            "readings": total,
            "a_second": round(jars / every_s, 1),
            "lost": len(wanted - set(every)),
            "doubled": len(every) - len(set(every)),
            "at_another_share": astray,
            "killed_after": stored_then,
            "jars_judged_again": sum(map(len, samples)),
            "events_of_them": dict(sum((kinds for kinds, _ in again), Counter[str]())),
            "judged_otherwise": sum(other for _, other in again),
            "started_s": round(ready_s, 1),
            "sent_s": round(sent_s, 1),
            "stored_s": round(took_s, 1),
            "cpu_share": [round(one / took_s, 2) for one in shares],
            "mb": memory,
            "connections_lost": sum(
                (one / "log").read_text().count("the connection ended") for one in (*folders, stand_in)
            ),
            "store_mb": [round(file.stat().st_size / 1e6, 1) for file in stores],
            "machine_load": [round(value, 1) for value in (*before[:1], *load)],
        }


def main(arguments: list[str]) -> None:
    numbers = [float(one) for one in arguments] + [20_000.0, 60.0, 4.0, 4.0][len(arguments) :]
    print(json.dumps(run(int(numbers[0]), numbers[1], numbers[2], int(numbers[3])), indent=1))


if __name__ == "__main__":
    main(sys.argv[1:])
