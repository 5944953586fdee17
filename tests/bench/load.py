"""A thousand jars at once: `python -m tests.bench.load [jars] [every_s] [minutes]` (1000, 10 and 10 when not given).

A publisher of its own sends one reading of each jar in turn, evenly spread, with QoS 1 to a real mosquitto; the real
`jartide watch` takes them in, with its page and its MQTT state on. Nothing may be lost or doubled. The lag of a reading
runs from its being published until a reader in another process finds it committed in the store's file; the wait of up
to 5 s for its group is part of it; all by the machine's monotonic clock. The lag of a decision runs from the reading or
the tick that it was made at until it is found there, by the wall clock. The readings are invented.
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
from collections.abc import Sequence
from pathlib import Path
from typing import TypeAlias

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.runs import daemon_status
from monitor.runs.store import Store, StoreTrouble
from tests.bench.ingest import processor_s
from tests.servers import free_port, mosquitto, wait_until

LOOK_S = 0.1  # how often the store is looked at: the lag's resolution
PATIENCE_S = 120.0  # after the last that came, once all are sent
ALL_QUEUED = ("max_queued_messages 0", "log_type error")  # as `jartide check` advises for so many jars
WARM_S = 5.0  # before the first one
START_S = 900.0  # on a busy machine, with tens of thousands of jars


def publish(port: int, jars: int, every_s: float, minutes: float, times: Path) -> None:
    """All readings at their times; `times` is given when each was handed to the broker's connection."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="boards", protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent = []
    waiting = []
    began_s = time.monotonic() + WARM_S
    for k in range(round(jars * minutes * 60 / every_s)):
        time.sleep(max(0.0, began_s + k * every_s / jars - time.monotonic()))
        jar, seq = k % jars, k // jars
        reading = {"distance_mm": distance_mm(jar, seq, every_s), "temperature_c": 24.1, "boot": "load", "seq": seq}
        sent.append(time.monotonic())
        waiting.append(client.publish(f"jartide/jar{jar}/reading", json.dumps(reading), qos=1))
        waiting = [info for info in waiting if not info.is_published()] if k % 1000 == 0 else waiting
    for info in waiting:
        info.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()
    times.write_text(json.dumps(sent))


def distance_mm(jar: int, seq: int, every_s: float) -> float:
    """A third of the jars rise a little, a third are fed after a minute, of a third the lid is off for two minutes:
    so that something is decided, of the last third within four minutes."""
    minute = int(seq * every_s // 60)
    if jar % 3 == 2 and minute in (1, 2):
        return 400.0
    level_mm = (105.0 if jar % 3 == 1 and minute < 1 else 45.0) + 0.05 * minute + (jar * 7919 + seq * 104729) % 11 / 10
    return round(180.0 - level_mm, 1)


def config(jars: int, port: int, page: int) -> str:
    ranges = [(first, min(first + 9_999, jars - 1)) for first in range(0, jars, 10_000)]
    tables = [f'[[jar]]\nname = "jar{{{first}..{last}}}"\nempty_mm = 180\n' for first, last in ranges]
    tables.append(f'[[mqtt]]\nhost = "127.0.0.1"\nport = {port}\n')
    tables.append(f'[store]\npath = "s.db"\n\n[notices]\nconsole = false\n\n[page]\nport = {page}\n')
    return "\n".join(tables)


def connected(file: Path) -> bool:
    try:
        with Store.join(file) as store:
            said = daemon_status.read(store)
    except StoreTrouble:
        return False
    return bool(said and said.sources and said.sources[0].connected)


def memory_mb(pid: int) -> float:
    fields = Path(f"/proc/{pid}/statm").read_text().split()
    return int(fields[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def percentile(values: Sequence[float], share: float) -> float:
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def run(jars: int, every_s: float, minutes: float) -> dict[str, object]:
    """The figures; raises AssertionError when a reading is lost or doubled."""
    before = os.getloadavg()
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name) / "broker", more=ALL_QUEUED) as broker:
        folder = Path(name)
        file, times = folder / "s.db", folder / "times"
        (folder / "jartide.toml").write_text(config(jars, broker.port, free_port()))
        log = (folder / "log").open("w")
        daemon = subprocess.Popen([sys.executable, "-m", "monitor", "watch"], cwd=folder, stdout=log, stderr=log)
        command = [sys.executable, "-m", "tests.bench.load", "--publish", str(broker.port)]
        try:
            wait_until(lambda: connected(file), "the daemon is connected", START_S)
            cpu_s, start_mb, began_s = processor_s(daemon.pid), memory_mb(daemon.pid), time.monotonic()
            publisher = subprocess.Popen([*command, str(jars), str(every_s), str(minutes), str(times)])
            count = round(jars * minutes * 60 / every_s)
            found, decided = look(file, count, publisher)
            wait_until(times.exists, "the publisher is done", PATIENCE_S)
            cpu_s, took_s = processor_s(daemon.pid) - cpu_s, time.monotonic() - began_s
            end_mb = memory_mb(daemon.pid)
        finally:
            daemon.send_signal(signal.SIGTERM)
            ended = daemon.wait(PATIENCE_S)
        sent = json.loads(times.read_text())
        often = Counter((jar, seq) for jar, seq, _ in found)
        assert ended == 0, (folder / "log").read_text()[-3000:]
        assert len(found) == len(often) == count, f"{count} sent, {len(often)} of them stored, {len(found)} rows"
        return {
            "readings": count,
            "a_second": round(jars / every_s, 1),
            "lost": count - len(often),
            "doubled": len(found) - len(often),
            "lag_s": spread([at_s - sent[seq * jars + jar] for jar, seq, at_s in found]),
            "decisions": len(decided),
            "decided_lag_s": spread(decided),
            "daemon_cpu_share": round(cpu_s / took_s, 2),
            "daemon_mb": [round(start_mb), round(end_mb)],
            "store_mb": round(file.stat().st_size / 1e6, 1),
            "machine_load": [round(value, 1) for value in (*before[:1], *os.getloadavg())],
            "log": [line for line in (folder / "log").read_text().splitlines() if " INFO " not in line][:20],
        }


def spread(lags_s: Sequence[float]) -> dict[str, float]:
    shares = {"p50": 0.5, "p99": 0.99, "max": 1.0}
    return {name: round(percentile(lags_s, share), 2) for name, share in shares.items()} if lags_s else {}


Look: TypeAlias = tuple[list[tuple[int, int, float]], list[float]]


def look(file: Path, count: int, publisher: subprocess.Popen[bytes]) -> Look:
    """(jar, device's number, when it was first found) of every row, until all are there or none comes any more; and the
    lags of what was decided."""
    found: list[tuple[int, int, float]] = []
    decided: list[float] = []
    last_seq, last_id, last_s = 0, 0, time.monotonic()
    with Store.join(file) as store:
        while len(found) < count and (publisher.poll() is None or time.monotonic() - last_s < PATIENCE_S):
            time.sleep(LOOK_S)
            rows = store.query(
                "SELECT seq, name, device_seq FROM item JOIN jar ON jar.id = item.jar WHERE seq > ? ORDER BY seq",
                (last_seq,),
            )
            now_s = time.monotonic()
            for seq, name, number in rows:
                found.append((int(name.removeprefix("jar")), number, now_s))
                last_seq, last_s = seq, now_s
            new = store.query("SELECT id, decided_s FROM event WHERE id > ? ORDER BY id", (last_id,))
            wall_s = time.time()
            for number, decided_s in new:
                decided.append(wall_s - decided_s)
                last_id = number
    return found, decided


def main(arguments: list[str]) -> None:
    if arguments[:1] == ["--publish"]:
        port, jars, every_s, minutes, times = arguments[1:]
        publish(int(port), int(jars), float(every_s), float(minutes), Path(times))
        return
    numbers = [float(argument) for argument in arguments] + [1000.0, 10.0, 10.0][len(arguments) :]
    print(json.dumps(run(int(numbers[0]), numbers[1], numbers[2]), indent=1))


if __name__ == "__main__":
    main(sys.argv[1:])
