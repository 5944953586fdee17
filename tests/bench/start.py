"""What a start costs, in seconds and memory: `python -m tests.bench.start`, of commands and of the daemon.

Each command is run some times in a house with a jar of two days; printed are the fastest, the processor's part of it,
the memory when it is done, and which of the heavy libraries it loaded. Beside it a Python that does nothing, one that
imports click, and one that imports numpy. The daemon's figures are those when its page answers.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

from tests.bench.daemon_cost import resident_mb
from tests.cli.test_lightness import HEAVY
from tests.guide.blocks import build, config

TIMES = 5
SAID = """
import atexit, os, sys
def said():
    status = open("/proc/self/status").read()
    mb = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS:")) / 1024
    os.write(2, f"\\nENDS {mb:.1f} {','.join(sorted(HEAVY & set(sys.modules))) or '-'}\\n".encode())
atexit.register(said)
"""
OURS = "import sys; sys.argv = ['jartide', *sys.argv[1:]]; from monitor.cli import main; main()"
BARE = {"python": "pass", "python, click": "import click", "python, numpy": "import numpy"}
COMMANDS = (
    "--help", "--version", "status", "guide hooch", "fed rye", "plan --jar rye --target-hours 24 --temperature-c 21",
    "assess rye", "runs", "check --listen-s 1", "review 1",
)  # fmt: skip


def cost(code: str, words: list[str], folder: Path) -> tuple[float, float, float, str]:
    """(seconds, of which the processor's, MB, heavy libraries) of the fastest run."""
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    tries = []
    for _ in range(TIMES):
        before, began_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        command = [sys.executable, "-c", f"HEAVY = {HEAVY!r}{SAID}{code}", *words]
        done = subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True, check=False)
        took_s, after = time.perf_counter() - began_s, resource.getrusage(resource.RUSAGE_CHILDREN)
        assert done.returncode in (0, 1), done.stderr
        mb, heavy = done.stderr.rpartition("ENDS ")[2].split()
        cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        tries.append((took_s, cpu_s, float(mb), heavy))
    return min(tries)


def watch(folder: Path) -> tuple[float, float, float]:
    """(seconds until the page answers, the processor's, MB then)."""
    port = config(folder)
    began_s = time.perf_counter()
    with subprocess.Popen([sys.executable, "-m", "monitor", "watch"], cwd=folder, stdout=subprocess.DEVNULL,
                          stderr=subprocess.DEVNULL) as daemon:  # fmt: skip
        while True:
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=10).read()
                break
            except OSError:
                time.sleep(0.01)
        took_s, mb = time.perf_counter() - began_s, resident_mb(daemon.pid)
        ticks = Path(f"/proc/{daemon.pid}/stat").read_text().rpartition(")")[2].split()
        daemon.terminate()
    return took_s, (int(ticks[11]) + int(ticks[12])) / os.sysconf("SC_CLK_TCK"), mb


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        build(folder, time.time())
        config(folder)
        print(f"{'':50}{'s':>7}{'cpu s':>7}{'MB':>7}  heavy")
        for words, code in BARE.items():
            print("{:50}{:7.2f}{:7.2f}{:7.1f}  {}".format(words, *cost(code, [], folder)), flush=True)
        for words in COMMANDS:
            print(
                "{:50}{:7.2f}{:7.2f}{:7.1f}  {}".format(f"jartide {words}", *cost(OURS, words.split(), folder)),
                flush=True,
            )
        print(
            "{:50}{:7.2f}{:7.2f}{:7.1f}".format(
                "jartide watch, until its page answers", *min(watch(folder) for _ in range(TIMES))
            )
        )


if __name__ == "__main__":
    main()
