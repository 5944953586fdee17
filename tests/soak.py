"""Days of three simulated jars through the daemon's own loop, store and outbox, as fast as it goes.

`python -m tests.soak FOLDER DAYS` prints one JSON object: what each jar's notices were worth against the simulator's
truth, how memory and store grew, how long it took. One reading a minute; the kitchen and its jars are invented. The
simulator plays in a process of its own (`--play`), so that the memory that is measured is the daemon's alone.
"""

from __future__ import annotations

import gc
import json
import resource
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from monitor.core.notify.conditions import Kind
from monitor.runs import outbox
from monitor.settings import JarSettings, Settings
from monitor.sources.ingest import Ingest
from tests.kitchen import Kitchen

DAY_S = 86_400.0
LATE_S = 90 * 60.0  # from 5 mm below the top: nobody misses that in the kitchen, and it is still time to feed
EARLY_S = 20 * 60.0
SCENARIO = """
shows = "three jars for days: one fed soon after it falls, one fed at night, one with a rough sensor"
seed = 7
starts = 2026-03-02T18:00:00Z
hours = {hours}
sampling_s = 60

[kitchen]
room_c = 23.0

[[jar]]
name = "tended"
[[jar.do]]
what = "feed"
at = "30min"
starter_g = 20
[[jar.do]]
what = "feed"
when = "fallen"
after_h = 2.0
starter_g = 20

[[jar]]
name = "nightly"
[[jar.do]]
what = "feed"
at = "40min"
starter_g = 15
[[jar.do]]
what = "feed"
daily = "18:40"
starter_g = 15

[[jar]]
name = "rough"
[jar.sensor]
noise_mm = 2.5
dropouts = 0.1
[[jar.do]]
what = "feed"
at = "50min"
starter_g = 20
[[jar.do]]
what = "feed"
when = "fallen"
after_h = 3.0
starter_g = 20
[[jar.do]]
what = "look"
daily = "21:15"
minutes = 2
[[jar.fault]]
what = "wild"
per_day = 12
minutes = 5
share = 0.5
[[jar.fault]]
what = "gap"
per_day = 2
minutes = 20
[[jar.fault]]
what = "doubled"
per_day = 6
minutes = 30
[[jar.fault]]
what = "garbage"
per_day = 4
minutes = 5
share = 0.3
"""


class Truth(NamedTuple):
    """What judging needs of a true cycle; Unix seconds."""

    fed_at_s: float
    fall_began_at_s: float | None
    sunk_5mm_at_s: float | None


def play(days: float, truths: Path) -> None:
    """The simulator's process: a line `[arrival, payload]` for each message, then what was true, into a file."""
    from monitor.simulator.device import payload
    from monitor.simulator.scenario import read
    from monitor.simulator.scene import Scene

    scenario = read(SCENARIO.format(hours=days * 24.0))
    scene = Scene(scenario, keep_chemistry=False)
    print(json.dumps({"starts_s": scenario.starts_s, "jars": {jar.name: jar.empty_mm for jar in scenario.jar}}))
    while scene.now_s < days * DAY_S:
        for message in scene.advance(scene.now_s + 3600.0):
            print(json.dumps([message.at_s, payload(message).decode("latin-1")]))
    said = {
        jar: [(cycle.fed_at_s, cycle.fall_began_at_s, cycle.sunk_5mm_at_s) for cycle in truth.cycles]
        for jar, truth in scene.truths.items()
    }
    truths.write_text(json.dumps(said))


def memory_bytes() -> int:
    gc.collect()
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


def main(folder: Path, days: float) -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.soak", "--play", str(days), str(folder / "truths")]
    player = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert player.stdout is not None
    about = json.loads(player.stdout.readline())
    starts_s = about["starts_s"]
    jars = tuple(JarSettings(name=name, empty_mm=empty_mm) for name, empty_mm in about["jars"].items())
    kitchen = Kitchen(folder / "s.db", starts_s, Settings(jars=jars))
    ingest = Ingest(
        "soak", jars=frozenset(jar.name for jar in jars), wall=lambda: kitchen.now_s, monotonic=lambda: kitchen.now_s
    )
    cpu_s = time.process_time()
    grown: list[int] = []
    sent = 0
    end_s = starts_s + days * DAY_S
    for line in player.stdout:
        at_s, text = json.loads(line)
        while at_s >= starts_s + (len(grown) + 1) * DAY_S:
            grown.append(memory_bytes())
        kitchen.to(at_s)
        kitchen.daemon.put(ingest.take(text.encode("latin-1")))
        kitchen.daemon.turn(0.0)
        sent += 1
    assert player.wait() == 0
    kitchen.to(end_s)
    kitchen.daemon.flush()
    grown.append(memory_bytes())
    truths = json.loads((folder / "truths").read_text())
    result: dict[str, Any] = {
        "days": days,
        "messages": sent,
        "stored": kitchen.store.last_seq(),
        "cpu_s": round(time.process_time() - cpu_s, 1),
        "rss_mb": [round(size / 1e6, 1) for size in grown],
        "store_mb": round((folder / "s.db").stat().st_size / 1e6, 2),
        "jars": {},
    }
    for jar in jars:
        said = [
            one.notice.due_s
            for one in outbox.of_jar(kitchen.store, jar.name)
            if one.notice.kind == Kind.FEED_NOW and one.notice.repeat == 0
        ]
        kinds = [one.notice.kind for one in outbox.of_jar(kitchen.store, jar.name)]
        cycles = [Truth(*cycle) for cycle in truths[jar.name]]
        result["jars"][jar.name] = judge(cycles, said, end_s) | {
            "kinds": {kind: kinds.count(kind) for kind in sorted(set(kinds))}
        }
    return result


def judge(cycles: Sequence[Truth], said: list[float], end_s: float) -> dict[str, Any]:
    """First "feed now" notices against what truly happened: false ones, and falls that nobody was told of, each with
    its cycle's number and when it was, in hours after that cycle's feeding."""
    ends = [cycle.fed_at_s for cycle in cycles[1:]] + [end_s]
    false: list[dict[str, Any]] = []
    missed: list[dict[str, Any]] = []
    delays = []
    for number, (cycle, next_s) in enumerate(zip(cycles, ends, strict=True), 1):
        inside = [at_s for at_s in said if cycle.fed_at_s <= at_s < next_s]
        top_s = cycle.fall_began_at_s
        good = [at_s for at_s in inside if top_s is not None and at_s >= top_s - EARLY_S]
        about = {"cycle": number, "true_fall_h": _hours(top_s, cycle), "fed_again_h": _hours(next_s, cycle)}
        false += [about | {"said_h": _hours(at_s, cycle)} for at_s in inside if at_s not in good[:1]]
        due = cycle.sunk_5mm_at_s is not None and cycle.sunk_5mm_at_s + LATE_S < next_s
        if due and not good:
            missed.append(about | {"sunk_5mm_h": _hours(cycle.sunk_5mm_at_s, cycle)})
        if good and top_s is not None:
            delays.append(round((good[0] - top_s) / 60.0))
    false += [{"cycle": 0, "said_h": _hours(at_s, cycles[0])} for at_s in said if at_s < cycles[0].fed_at_s]
    return {"cycles": len(cycles), "told": len(said), "false": false, "missed": missed, "delays_min": delays}


def _hours(time_s: float | None, cycle: Truth) -> float | None:
    return None if time_s is None else round((time_s - cycle.fed_at_s) / 3600.0, 2)


if __name__ == "__main__":
    if sys.argv[1] == "--play":
        play(float(sys.argv[2]), Path(sys.argv[3]))
    else:
        print(json.dumps(main(Path(sys.argv[1]), float(sys.argv[2]))))
