"""Where the daemon's own part of a reading goes, from the bytes of a message to its row: `python -m
tests.bench.ingest_stages [readings]`.

Each stage by itself, in one thread that waits for nothing, by processor time, the best of five rounds; paho's decoding,
the wake-ups of the two threads and the disk are not in it (`ingest` measures all of it together).
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from queue import Queue

from monitor.host.clock import ClockWatch
from monitor.runs.store import Store
from monitor.settings import MqttSettings
from monitor.sinks.recorder import ROWS, Recorder
from monitor.sources.mqtt_source import BURST
from monitor.sources.mqtt_tables import Tables
from monitor.sources.wire import parse
from monitor.values import Delivery
from tests.bench.ingest import JARS, payload

ROUNDS = 5


def stages(count: int) -> dict[str, Callable[[], float]]:
    """Name -> seconds of processor time for all readings."""
    messages = [(f"jartide/{JARS[n % len(JARS)]}/reading", payload(n).encode()) for n in range(count)]
    tables = Tables([MqttSettings(host="broker")], "mqtt", jars=frozenset(JARS))

    def taken() -> list[Delivery]:
        found = [
            one for topic, body in messages for one in tables.take(topic, body, again=False, waited=False, token=1)
        ]
        return [one for one in found if isinstance(one, Delivery)]

    deliveries, watch = taken(), ClockWatch(lambda offset_s, now_s: None)

    def through_queue() -> None:
        queue: Queue[Delivery] = Queue()
        for begin in range(0, count, BURST):
            for one in deliveries[begin : begin + BURST]:
                queue.put(one, timeout=0.2)
            while not queue.empty():
                queue.get_nowait()

    def grouped(store: Store) -> None:
        recorder = Recorder(store, 0)
        for n, one in enumerate(deliveries):
            watch.look()
            recorder.take(one, 0.0)
            recorder.due(0.0)
            if n % ROWS == ROWS - 1:
                recorder.commit(0.0)

    def stored() -> float:
        with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "store.db") as store:
            store.query("PRAGMA synchronous = OFF")  # the disk is left out
            return timed(lambda: grouped(store))

    return {
        "JSON alone": lambda: timed(lambda: [json.loads(body) for _, body in messages]),
        "bytes to a message": lambda: timed(lambda: [parse(body) for _, body in messages]),
        "bytes to a delivery": lambda: timed(taken),
        "through the queue": lambda: timed(through_queue),
        f"stored in groups of {ROWS}": stored,
    }


def timed(work: Callable[[], object]) -> float:
    """Seconds of processor time."""
    began_s = time.process_time()
    work()
    return time.process_time() - began_s


def main(arguments: list[str]) -> None:
    count = int(arguments[0]) if arguments else 4000
    for name, stage in stages(count).items():
        print(f"{name:24} {1e6 * min(stage() for _ in range(ROUNDS)) / count:5.1f} us a reading", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
