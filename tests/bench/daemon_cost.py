"""What the daemon costs: memory when idle, time to the first reading, time to resume two days.

    python -m tests.bench.daemon_cost

Each figure is beside the same of a bare Python process that does the least for the same end, in the same run.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
import tempfile
import time
import tty
from pathlib import Path

from monitor.core.display.units import Display
from monitor.daemon.jars import Jars
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings, Settings
from monitor.values import Delivery, Reading
from tests.night import EMPTY_MM, level_mm

TIMES = 5
_BARE = """
import serial, sqlite3, sys, time
port = serial.serial_for_url(sys.argv[1])
print(port.readline(), flush=True)
time.sleep(60)
"""


def resident_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS:")) / 1024


def first_reading_s(folder: Path, bare: bool) -> tuple[float, float]:
    """(seconds from the start of the process to the first reading stored (bare: printed), MB after 10 s of idling)."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    port = os.ttyname(slave)
    store = folder / "s.db"
    (folder / "jartide.toml").write_text(
        f'[[jar]]\nname = "rye"\nempty_mm = 180\n[[serial]]\nport = "{port}"\n[store]\npath = "{store}"\n'
    )
    command = [sys.executable, "-c", _BARE, port] if bare else [sys.executable, "-m", "monitor", "watch"]
    began_s = time.perf_counter()
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    seq = 0
    try:
        while True:
            said = {"jar": "rye", "distance_mm": 120, "boot": "b", "seq": seq}
            with contextlib.suppress(BlockingIOError):  # nobody reads yet
                os.write(master, b"\n" + json.dumps(said).encode() + b"\n")
            seq += 1
            if bare:
                assert process.stdout is not None
                if select.select([process.stdout], [], [], 0.02)[0]:
                    break
                continue
            with contextlib.suppress(StoreTrouble), Store.join(store) as beside:  # not made yet, or being made
                if beside.last_seq() > 0:
                    break
            time.sleep(0.02)
        took_s = time.perf_counter() - began_s
        time.sleep(2 if bare else 10)
        return took_s, resident_mb(process.pid)
    finally:
        process.kill()
        process.wait()
        os.close(master)
        os.close(slave)


def resume_s(folder: Path, hours: float = 48.0, every_s: float = 10.0) -> tuple[float, float]:
    """(seconds to resume an open cycle of `hours` with a reading each `every_s`, seconds only to read its rows)."""
    settings = Settings(jars=(JarSettings(name="rye", empty_mm=EMPTY_MM),))
    path = folder / "resume.db"
    start_s = 1_772_474_400.0
    with Store.open(path, start_s) as store:
        store.ensure_run(settings.jars[0], start_s)
        things = [
            Delivery(
                source="bench",
                received_s=start_s + k * every_s,
                reading=Reading(
                    time_s=start_s + k * every_s,
                    jar="rye",
                    distance_mm=EMPTY_MM - max(level_mm(k * every_s / 3600), 30.0),
                    temperature_c=24.0,
                ),
                boot="b",
                seq=k,
                timed=True,
            )
            for k in range(int(hours * 3600 / every_s))
        ]
        for at in range(0, len(things), 1000):
            store.add(things[at : at + 1000])
    with Store.open(path, start_s) as store:
        began_s = time.perf_counter()
        Jars(settings, store, Display()).restore(things[-1].received_s + 60)
        took_s = time.perf_counter() - began_s
        began_s = time.perf_counter()
        store.query("SELECT seq, time_s, distance_mm, temperature_c FROM item ORDER BY seq")
        return took_s, time.perf_counter() - began_s


def main() -> None:
    rows = []
    for bare in (False, True):
        tries = []
        for _ in range(TIMES):
            with tempfile.TemporaryDirectory() as folder:
                tries.append(first_reading_s(Path(folder), bare))
        rows.append((min(took for took, _ in tries), min(mb for _, mb in tries)))
    (ours_s, ours_mb), (bare_s, bare_mb) = rows
    with tempfile.TemporaryDirectory() as folder:
        resume, read = resume_s(Path(folder))
    print(f"{'':44}{'ours':>9}{'bare':>9}{'ratio':>8}")
    print(f"{'start to first reading committed, s':44}{ours_s:9.2f}{bare_s:9.2f}{ours_s / bare_s:8.1f}")
    print(f"{'resident memory, idle, MB':44}{ours_mb:9.1f}{bare_mb:9.1f}{ours_mb / bare_mb:8.1f}")
    print(f"{'resume 48 h of 10 s readings, s':44}{resume:9.2f}{read:9.3f}{resume / read:8.1f}")


if __name__ == "__main__":
    main()
