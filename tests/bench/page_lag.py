"""How far a card lags behind its own curve: `python -m tests.bench.page_lag [seconds]` (60).

The demo house plays its night at that pace; what the page is told (its event stream) is listened to. Each time a jar's
curve goes on, it is counted how long it takes, in real seconds, until the jar's card is told of readings up to there.
"""

from __future__ import annotations

import json
import re
import statistics
import subprocess
import sys
import tempfile
import time
from typing import Any

import httpx

from tests.servers import wait_until

MOST_S = 2.0  # what is promised


def lags(url: str, seconds: float) -> tuple[list[float], float]:
    """(real seconds until each card told of what its curve showed, how fast the house's clock runs)."""
    told: dict[str, float] = {}  # jar -> the reading up to which its card tells
    shown: dict[str, list[tuple[float, float]]] = {}  # what its curve shows beyond that: (since when, up to when)
    seen: list[float] = []
    ends_s = time.monotonic() + seconds
    clock: list[tuple[float, float]] = []

    def take(news: dict[str, Any]) -> None:
        now_s = time.monotonic()
        clock.append((now_s, news["now_s"]))
        for name, moved in news.get("curves", {}).items():
            if moved["columns"]["time_s"]:
                shown.setdefault(name, []).append((now_s, moved["columns"]["time_s"][-1]))
        for jar in news.get("jars", ()):
            if jar["heard"]:
                told[jar["jar"]] = jar["heard"]["at_s"]
        for name, waiting in shown.items():
            caught_up = [since_s for since_s, at_s in waiting if at_s <= told.get(name, 0.0)]
            seen.extend(now_s - since_s for since_s in caught_up)
            shown[name] = [one for one in waiting if one[0] not in caught_up]

    now = httpx.get(f"{url}api/now", timeout=30).json()
    take(now)
    with httpx.stream("GET", f"{url}api/events?after={now['place']}", timeout=60) as stream:
        for line in stream.iter_lines():
            if line.startswith("data:"):
                take(json.loads(line[5:]))
            if time.monotonic() > ends_s:
                break
    left = [time.monotonic() - since_s for waiting in shown.values() for since_s, _ in waiting]
    speed = (clock[-1][1] - clock[0][1]) / (clock[-1][0] - clock[0][0])
    return [*seen, *left], speed


def main(seconds: float) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "monitor", "demo", "--seconds", str(seconds), "--folder", folder]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as house:
            assert house.stdout is not None
            found = re.search(r"http://\S+/", house.stdout.readline())
            assert found is not None
            url = found[0]

            def knows() -> bool:
                try:
                    return len(httpx.get(f"{url}api/now", timeout=30).json()["jars"]) == 5
                except httpx.HTTPError:
                    return False

            wait_until(knows, "the page knows the jars")
            seen, speed = lags(url, seconds - 5.0)
            house.terminate()
    ordered = sorted(seen)
    print(
        f"{len(seen)} steps of curves in a house that runs {speed:.0f} times as fast: a card lags its curve by "
        f"{statistics.median(seen):.2f} s at the median, {ordered[int(0.99 * len(seen))]:.2f} s at the 99th "
        f"percentile, {ordered[-1]:.2f} s at most (promised: {MOST_S:g} s)"
    )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
