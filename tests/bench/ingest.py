"""Readings a second from the broker to the committed store: `python tests/bench/ingest.py [readings] [rounds]`.

In one run, each in a process of its own and in turns: the whole daemon, the daemon with the step left out, and the
least that does the job: a bare paho subscriber that inserts into SQLite with the same durability (WAL, FULL), the same
window of unacknowledged messages, the same unique indexes and the same grouping (while more is at hand, a commit and
its acknowledgements at 50). The ratio is that of each round, of which the median counts: what slows a machine down
meanwhile slows both. The time of starts and of ticks for a first hour lies before the readings. While a process is
halted, the readings are published to a real mosquitto, which keeps them; the time runs from letting it go on until the
last row can be read in the file. So neither the publisher nor the start of a process is measured. The processor time
beside it is the process's own and says the same on a busy machine, where the clock on the wall does not.

The daemon's wall clock goes by its processor time, 100,000 times too fast, so that readings lie about ten seconds
apart, as a device sends them, and `step` has its usual work, ticks included; while it is halted that clock stands.
"""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

import paho.mqtt.client as mqtt  # noqa: E402
from paho.mqtt.enums import CallbackAPIVersion  # noqa: E402
from paho.mqtt.packettypes import PacketTypes  # noqa: E402
from paho.mqtt.properties import Properties  # noqa: E402

from monitor.sinks.recorder import ROWS  # noqa: E402
from monitor.sources.mqtt_link import WINDOW  # noqa: E402
from tests.servers import Mosquitto, mosquitto  # noqa: E402

JARS = ("rye", "wheat", "spelt", "guest")
SPEED = 100_000.0
SPARE = 2 * ROWS  # published beyond those that are timed, so that no group waits for its end
START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z


def payload(n: int) -> str:
    """One invented reading: a slow rise with a millimetre of ripple."""
    rise_mm = 60 * (n / 8000) ** 2 + (n * 7919 % 13) / 10
    reading = {"jar": JARS[n % len(JARS)], "distance_mm": round(150 - rise_mm, 1), "temperature_c": 24.1}
    return json.dumps(reading | {"boot": "7f3a", "seq": n})


# --- the processes under test --------------------------------------------------------------------------------------


def bare(port: int, file: Path) -> None:
    """The least that does the job."""
    database = sqlite3.connect(file, isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    database.execute(
        "CREATE TABLE item (seq INTEGER PRIMARY KEY, jar TEXT, received_s REAL, distance_mm REAL, temperature_c REAL,"
        " boot TEXT, device_seq INTEGER, timed INTEGER)"
    )
    database.execute("CREATE UNIQUE INDEX by_seq ON item (jar, boot, device_seq) WHERE boot IS NOT NULL")
    database.execute("CREATE UNIQUE INDEX by_time ON item (jar, received_s) WHERE timed = 1 AND boot IS NULL")
    rows: list[tuple[object, ...]] = []
    tokens: list[int] = []

    def on_message(client: mqtt.Client, userdata: object, message: mqtt.MQTTMessage) -> None:
        found = json.loads(message.payload)
        jar = message.topic.split("/")[1]
        rows.append((jar, time.time(), found["distance_mm"], found["temperature_c"], found["boot"], found["seq"]))
        tokens.append(message.mid)
        if len(tokens) >= ROWS:
            database.execute("BEGIN IMMEDIATE")
            database.executemany(
                "INSERT INTO item (jar, received_s, distance_mm, temperature_c, boot, device_seq)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                rows,
            )
            database.execute("COMMIT")
            for mid in tokens:
                client.ack(mid, 1)
            rows.clear()
            tokens.clear()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=mqtt.MQTTv5, manual_ack=True)
    client.on_message = on_message
    client.on_connect = lambda c, *_: c.subscribe("jartide/+/reading", qos=1)
    client.on_subscribe = lambda *_: print("ready", flush=True)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.ReceiveMaximum = WINDOW
    client.connect("127.0.0.1", port, properties=properties)
    client.loop_forever()


def daemon(port: int, file: Path, *, stepping: bool) -> None:
    """The whole daemon, with its real store and source; no sinks, as the bare one has none."""
    from monitor.daemon.jars import Jars
    from monitor.daemon.loop import Daemon
    from monitor.host.clock import Clock
    from monitor.host.time_zone import display
    from monitor.runs.store import Store
    from monitor.settings import JarSettings, MqttSettings, Settings
    from monitor.sources import Opening, open_sources

    clock = Clock(wall=passing())
    settings = Settings(
        jars=tuple(JarSettings(name=jar, empty_mm=180.0) for jar in JARS),
        mqtt=(MqttSettings(host="127.0.0.1", port=port, client_id="daemon"),),
    )
    store = Store.open(file, clock.wall())
    jars = Jars(settings, store, display(settings.display))
    if not stepping:
        jars.take = lambda arrivals, now_s: None  # type: ignore[method-assign]
    sources = open_sources(Opening(settings=settings, client_token="bench", wall=clock.wall))
    told = [False]

    def beat() -> None:
        if not told[0] and sources[0].health().connected:
            told[0] = True
            print("ready", flush=True)

    watching = Daemon(jars, store, sources, clock=clock, beat=beat)
    # this wall clock outruns the monotonic one, by which groups are timed: that is no step to be dealt with
    watching._clock_watch.look = lambda: None  # type: ignore[method-assign]
    watching.run()


def passing() -> Callable[[], float]:
    """The wall clock of the module's description. A thread of its own looks at it every few ms: asking for that
    time costs a tenth of what a reading does, and a daemon that lives by its machine's clock does not pay that."""
    now_s = [START_S]

    def look() -> None:
        while True:
            now_s[0] = START_S + SPEED * time.process_time()
            time.sleep(0.005)

    threading.Thread(target=look, daemon=True).start()
    return lambda: now_s[0]


PROCESSES: dict[str, Callable[[int, Path], None]] = {
    "bare": bare,
    "daemon": lambda port, file: daemon(port, file, stepping=True),
    "daemon, no step": lambda port, file: daemon(port, file, stepping=False),
}


# --- measuring -----------------------------------------------------------------------------------------------------


def publish(port: int, count: int) -> None:
    """All readings, confirmed by the broker."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(200)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent = [client.publish(f"jartide/{JARS[n % len(JARS)]}/reading", payload(n), qos=1) for n in range(count)]
    for info in sent:
        info.wait_for_publish(120)
    client.disconnect()
    client.loop_stop()


def rows_in(file: Path) -> int:
    with sqlite3.connect(f"file:{file}?mode=ro", uri=True) as database:
        return int(database.execute("SELECT coalesce(max(seq), 0) FROM item").fetchone()[0])


def processor_s(pid: int) -> float:
    """User and system time of a process (proc(5), fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measure(name: str, broker: Mosquitto, count: int) -> tuple[float, float]:
    """Readings a second of one process, by the wall's clock and by its own processor time. Raises RuntimeError when it
    does not get through."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "store.db"
        command = [sys.executable, __file__, "--process", name, str(broker.port), str(file)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE)
        try:
            assert process.stdout is not None
            if process.stdout.readline() != b"ready\n":
                raise RuntimeError(f"{name} did not start")
            os.kill(process.pid, signal.SIGSTOP)
            publish(broker.port, count + SPARE)
            began_s, before_s = time.perf_counter(), processor_s(process.pid)
            os.kill(process.pid, signal.SIGCONT)
            while rows_in(file) < count:
                if time.perf_counter() - began_s > 120 or process.poll() is not None:
                    raise RuntimeError(f"{name} stored {rows_in(file)} of {count}")
                time.sleep(0.005)
            return count / (time.perf_counter() - began_s), count / (processor_s(process.pid) - before_s)
        finally:
            process.kill()
            process.wait()


def run(count: int = 8000, rounds: int = 3) -> list[dict[str, tuple[float, float]]]:
    """Of each round: process -> readings a second by the wall's clock and by processor time."""
    found: list[dict[str, tuple[float, float]]] = []
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder), more=("max_queued_messages 0",)) as broker:
        for _ in range(rounds):
            found.append({})
            for name in PROCESSES:
                found[-1][name] = measure(name, broker, count)
                broker.stop()
                (broker.folder / "mosquitto.db").unlink(missing_ok=True)  # no session is left for the next one
                broker.start()
    return found


def main(arguments: list[str]) -> None:
    if arguments[:1] == ["--process"]:
        PROCESSES[arguments[1]](int(arguments[2]), Path(arguments[3]))
        return
    rounds = run(*(int(argument) for argument in arguments))
    for name in PROCESSES:
        wall, own = (statistics.median(one[name][kind] for one in rounds) for kind in (0, 1))
        ratios = [statistics.median(one[name][kind] / one["bare"][kind] for one in rounds) for kind in (0, 1)]
        print(
            f"{name:16s} {wall:6.0f} readings/s ({ratios[0]:4.2f} of bare), "
            f"{1e6 / own:5.0f} us of processor time a reading ({ratios[1]:4.2f})"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
