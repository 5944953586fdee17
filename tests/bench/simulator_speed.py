"""How fast the simulator is: `python -m tests.bench.simulator_speed`. Exits 1 when the aims are missed.

Aims: a jar-day at one reading each 10 s in under 0.5 s of processor time; one jar's memory does not grow in a season.
"""

from __future__ import annotations

import sys
import time

from monitor.simulator.scenario import read
from monitor.simulator.scene import play

DAY_AIM_S = 0.5
GROWTH_AIM_MB = 2.0  # the allocator's own coming and going

TOML = """
shows = "one jar, fed every evening"
hours = {hours}
sampling_s = {sampling_s}
[[jar]]
name = "speed"
[[jar.do]]
what = "feed"
daily = "21:00"
starter_g = 20
"""


def day_s(days: int = 4) -> float:
    """Processor seconds for one jar-day at 10 s, without the making of the first starter."""
    for _ in play(read(TOML.format(hours=24, sampling_s=10))):
        pass
    scenario = read(TOML.format(hours=24 * days, sampling_s=10))
    began_s = time.process_time()
    count = sum(1 for _ in play(scenario))
    assert count == days * 8640
    return (time.process_time() - began_s) / days


def season_growth_mb(days: int = 90) -> tuple[float, float]:
    """(MB of this process after a tenth of a season, MB that came on top until its end), a reading each 5 min."""
    early = resident_mb()
    for i, _ in enumerate(play(read(TOML.format(hours=24 * days, sampling_s=300)))):
        if i == days * 288 // 10:
            early = resident_mb()
    return early, resident_mb() - early


def resident_mb() -> float:
    """MB of memory that this process holds (Linux)."""
    with open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * 4096 / 1e6


def main() -> int:
    """Print both figures."""
    seconds = day_s()
    print(f"a jar-day at one reading each 10 s: {seconds:.2f} s (aim: under {DAY_AIM_S} s)")
    early, more = season_growth_mb()
    print(f"a season of 90 days: {early:.1f} MB after 9 days, {more:+.1f} MB on top by its end (aim: {GROWTH_AIM_MB})")
    return 0 if seconds < DAY_AIM_S and more < GROWTH_AIM_MB else 1


if __name__ == "__main__":
    sys.exit(main())
