"""What the store costs: `python tests/bench/store_speed.py [rows]`.

Adding readings in groups of 50 beside the least that keeps them as safely (executemany of the same columns into a plain
table, WAL and FULL, in turns on the same disk), reading arrivals back as at a restart, and run files. The time is the
best of three; the ratio is what counts, the rest depends on the machine.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from monitor.runs import run_file
from monitor.runs.store import Store
from monitor.values import Delivery, Reading

GROUP = 50
START_S = 1_772_409_600.0


def deliveries(count: int) -> list[Delivery]:
    """Invented readings, one every 10 s."""
    readings = [
        Reading(time_s=START_S + 10 * n, jar="rye", distance_mm=100 + n % 700 / 10, temperature_c=24.0)
        for n in range(count)
    ]
    return [Delivery(source="x", received_s=r.time_s, reading=r, boot="7f3a", seq=n) for n, r in enumerate(readings)]


def ours(path: Path, given: list[Delivery]) -> None:
    with Store.open(path) as store:
        for n in range(0, len(given), GROUP):
            store.add(given[n : n + GROUP])


def bare(path: Path, given: list[Delivery]) -> None:
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute(
        "CREATE TABLE item (seq INTEGER PRIMARY KEY, jar, received_s, time_s, distance_mm, temperature_c, boot, n)"
    )
    for n in range(0, len(given), GROUP):
        rows = [
            (
                n + k,
                d.reading.jar,
                d.received_s,
                d.reading.time_s,
                d.reading.distance_mm,
                d.reading.temperature_c,
                d.boot,
                d.seq,
            )
            for k, d in enumerate(given[n : n + GROUP])
        ]
        db.execute("BEGIN IMMEDIATE")
        db.executemany("INSERT INTO item VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)
        db.execute("COMMIT")
    db.close()


def best_us(count: int, work: Callable[[], object]) -> float:
    """Microseconds a row, best of three."""
    used: list[float] = []
    for _ in range(3):
        start_s = time.perf_counter()
        work()
        used.append(time.perf_counter() - start_s)
    return min(used) / count * 1e6


def main(count: int) -> None:
    given = deliveries(count)
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        names = iter(range(1000))
        bare_us = best_us(count, lambda: bare(place / f"{next(names)}.db", given))
        ours_us = best_us(count, lambda: ours(place / f"{next(names)}.db", given))
        print(f"add, groups of {GROUP}: {ours_us:.1f} us a row, bare {bare_us:.1f}, ratio {ours_us / bare_us:.2f}")
        path = place / "ours.db"
        ours(path, given)
        print(f"file: {path.stat().st_size / count:.0f} bytes a row")
        with Store.join(path) as store:
            print(f"arrivals: {best_us(count, lambda: sum(1 for _ in store.arrivals('rye', 0))):.1f} us a row")
            rows = list(store.rows_of(store.runs()[0]))
        file = place / "rye.csv"

        def write() -> None:
            with file.open("w") as out:
                run_file.write(out, rows, header={})

        print(f"run file written: {best_us(count, write):.1f} us a row")
        print(f"run file read: {best_us(count, lambda: run_file.read(file).readings()):.1f} us a row")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
