"""Our detector as the evaluation sees it: rows through the very step function, or a file through `jartide replay`."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from monitor.core.detect import step as core
from monitor.settings import JarSettings
from monitor.values import Arrival, Event, EventKind, Reading
from tests.bench.detection_score import Claims
from tests.bench.detection_set import Recording


def _given(value: float) -> float | None:
    return None if math.isnan(value) else value


def events(recording: Recording) -> list[Event]:
    """All events of `recording`, its rows taken in as replay does: the running time is the greatest time so far."""
    jar = JarSettings(name=recording.jar, empty_mm=recording.empty_mm)
    state = core.begin(jar)
    found: list[Event] = []
    running_s = -math.inf
    rows = zip(recording.time_s.tolist(), recording.distance_mm.tolist(), recording.temperature_c.tolist(), strict=True)
    for seq, (time_s, distance_mm, temperature_c) in enumerate(rows):
        running_s = max(running_s, time_s)
        reading = Reading(
            time_s=time_s, jar=recording.jar, distance_mm=_given(distance_mm), temperature_c=_given(temperature_c)
        )
        state, new = core.take(state, Arrival(seq=seq, received_s=running_s, item=reading), jar)
        found.extend(new)
    return found


def claims(said: Iterable[Event]) -> Claims:
    """What matters of events for the score."""
    falls: list[float] = []
    fed: list[tuple[float, float]] = []
    peaks: list[tuple[float, float]] = []
    for event in said:
        times = (event.happened_at_s, event.decided_at_s)
        if event.kind is EventKind.FALL_BEGAN:
            falls.append(event.decided_at_s)
        elif event.kind is EventKind.FED:
            fed.append(times)
        elif event.kind is EventKind.PEAK_REACHED:
            peaks.append(times)
    return Claims(falls, fed, peaks)


def write_csv(
    recording: Recording, path: Path, shows: str = "one recording of the evaluation set (invented data)"
) -> None:
    """The recording as a run file: whole seconds, and the numbers exactly as the step function got them."""
    lines = [
        f"# shows: {shows}",
        f"# jar: {recording.jar}",
        f"# empty_mm: {recording.empty_mm:g}",
        f"# seed: {recording.seed}",
        "time,distance_mm,temperature_c",
    ]
    rows = zip(recording.time_s.tolist(), recording.distance_mm.tolist(), recording.temperature_c.tolist(), strict=True)
    for time_s, distance_mm, temperature_c in rows:
        cells = ("" if math.isnan(v) else f"{v:.10g}" for v in (distance_mm, temperature_c))
        lines.append(f"{datetime.fromtimestamp(time_s, UTC):%Y-%m-%dT%H:%M:%SZ},{','.join(cells)}")
    path.write_text("\n".join(lines) + "\n")


def replayed(path: Path) -> list[dict[str, object]]:
    """The events that `jartide replay` prints for the run file at `path`."""
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "replay", str(path), "--format", "jsonl"],
        capture_output=True,
        text=True,
        check=True,
    )
    return [json.loads(line) for line in done.stdout.splitlines()]


def printed(said: Iterable[Event]) -> list[tuple[str, str, str]]:
    """Kind and both times as replay prints them, to compare with `replayed`."""

    def text(time_s: float) -> str:
        return f"{datetime.fromtimestamp(round(time_s), UTC):%Y-%m-%dT%H:%M:%SZ}"

    return [(str(e.kind), text(e.happened_at_s), text(e.decided_at_s)) for e in said]
