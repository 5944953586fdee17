"""What looking back on a long run takes: `python -m tests.bench.review_large [rows] [folder]`.

A run file of one invented jar, a reading every 10 s, fed each 24 h, is looked back on by `jartide review` and drawn by
`jartide picture`, each in a process of its own; printed are the processor time, the time on the wall and the most
memory that the process had (getrusage, ru_maxrss). With a folder in which another version of the program lies (a
worktree), that one is run as well, on the same file.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.night import level_mm

ROOT = Path(__file__).resolve().parent.parent.parent
EVERY_S = 10
BEGAN_S = 1_767_225_600  # 2026-01-01T00:00:00Z
CYCLE_H = 24.0


def write(path: Path, rows: int) -> None:
    """The run file."""
    chance = random.Random(1)
    with path.open("w") as out:
        out.write("# jar: rye\n# empty_mm: 180\ntime,distance_mm,temperature_c\n")
        for n in range(rows):
            at_s = BEGAN_S + n * EVERY_S
            since_h = n * EVERY_S / 3600.0 % CYCLE_H
            distance = 320.0 if since_h < 0.05 else 180.0 - max(level_mm(since_h), 30.0) + chance.gauss(0.0, 0.7)
            stamp = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(at_s))
            out.write(f"{stamp},{distance:.1f},{23.0 + (n % 5) / 10:.1f}\n")


def run(program: Path, words: list[str]) -> tuple[float, float, float]:
    """(processor s, wall s, most MB) of a command. Raises RuntimeError when it fails."""
    began_s = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor", *words],
        cwd=program, env={**os.environ, "PYTHONPATH": str(program)}, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise RuntimeError(f"{words} ended with {process.returncode}")
    return used.ru_utime + used.ru_stime, time.monotonic() - began_s, used.ru_maxrss / 1024.0


def main(arguments: list[str]) -> None:
    rows = int(arguments[0]) if arguments else 2_000_000
    programs = [ROOT, *map(Path, arguments[1:2])]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "season.csv"
        write(file, rows)
        print(f"{rows} rows, {file.stat().st_size / 1e6:.0f} MB", flush=True)
        for number, program in enumerate(programs):
            for words in (["review", str(file)], ["picture", str(file), "-o", f"{folder}/{number}.png"]):
                own_s, wall_s, most_mb = run(program, words)
                print(
                    f"{program.name:12} {words[0]:8} {own_s:6.0f} s of processor, {wall_s:6.0f} s, {most_mb:5.0f} MB",
                    flush=True,
                )


if __name__ == "__main__":
    main(sys.argv[1:])
