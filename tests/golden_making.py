"""Makes `tests/recordings/` out of the scenes: a run file each and, beside it, the expected events with tolerances.

What is expected comes from the true level curve and from nothing that a detector ever put out.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from tests.bench import detection_curves as curves
from tests.bench.detection_limit import limit_s, noise_mm2
from tests.golden_scenes import SCENES, Scene
from tests.golden_troubles import EMPTY_MM, HOUR_S, START_S, Floats, Rows

FOLDER = Path(__file__).resolve().parent / "recordings"
GRID_S = 10.0
TOP_MM = 0.5  # while the surface is this near its maximum, no sensor here can say when exactly that was
SLACK_H = 0.2  # a dozen minutes of grace on either side of that
LID_OFF_S = 300.0  # the lid is off for five minutes at a feeding


def _times(scene: Scene, end_h: float) -> Floats:
    pieces = scene.every_s if isinstance(scene.every_s, tuple) else ((end_h, scene.every_s),)
    begin_h, parts = 0.0, []
    for until_h, every_s in pieces:
        parts.append(np.arange(begin_h * HOUR_S, min(until_h, end_h) * HOUR_S, every_s))
        begin_h = until_h
    return START_S + np.concatenate(parts)


def make(scene: Scene) -> tuple[Rows, dict[str, object]]:
    """The rows of a scene, and what is expected of whoever reads them."""
    rng = np.random.default_rng(list(scene.name.encode()))
    end_h = sum(c.hours for c in scene.cycles) - scene.lead_h
    hours = np.arange(-scene.lead_h, end_h, GRID_S / HOUR_S)
    celsius = np.full(hours.size, 24.0) if scene.temperature_c is None else scene.temperature_c(hours)
    begins_h = np.concatenate(([0.0], np.cumsum([c.hours for c in scene.cycles]))) - scene.lead_h
    level = np.empty(hours.size)
    for c, from_h, to_h in zip(scene.cycles, begins_h, begins_h[1:], strict=False):
        here = (hours >= from_h - 1e-9) & (hours < to_h - 1e-9)
        own = curves.own_hours(hours[here] * HOUR_S, celsius[here], 2.5)
        sunk = curves.FALLS[c.fall](rng, c.fall_h)(own - c.onset_h)
        level[here] = c.start_mm + c.rise_mm * curves.RISES[c.rise](rng, c.top_h)(own) - c.sink_mm * sunk
        if scene.bend is not None and from_h <= 0.0:
            level[here] = scene.bend(hours[here], level[here])
    time_s = _times(scene, end_h)
    feedings_s = START_S + begins_h[1:-1] * HOUR_S
    steps_s = np.diff(time_s, prepend=time_s[0])
    keep = np.exp(-steps_s / scene.wander_s)
    wander = np.empty(time_s.size)
    value = rng.normal(0.0, scene.wander_mm)
    for i, (k, shock) in enumerate(zip(keep, rng.normal(0.0, scene.wander_mm, time_s.size), strict=True)):
        value = k * value + math.sqrt(1.0 - k * k) * shock
        wander[i] = value
    index = np.clip(
        np.round((time_s - START_S) / GRID_S + scene.lead_h * HOUR_S / GRID_S).astype(int), 0, hours.size - 1
    )
    noisy = EMPTY_MM - level[index] + wander + rng.normal(0.0, scene.white_mm, time_s.size)
    rows = Rows(
        time_s,
        np.round(noisy / scene.round_mm) * scene.round_mm,
        np.round((celsius[index] + rng.normal(0.0, 0.05, time_s.size)) * 16.0) / 16.0,
        np.zeros(time_s.size, dtype=bool),
    )
    if scene.lid_mm is not None:
        for fed_s in feedings_s:
            off = (time_s >= fed_s - LID_OFF_S) & (time_s < fed_s)
            rows.distance_mm[off] = scene.lid_mm
            rows.lost |= off
    for trouble in scene.troubles:
        trouble(rng, rows)
    return rows, _expected(scene, rows, hours, level, begins_h)


def _expected(scene: Scene, rows: Rows, hours: Floats, level: Floats, begins_h: Floats) -> dict[str, object]:
    must: list[dict[str, object]] = []
    never: list[dict[str, object]] = []

    def text(at_h: float) -> str:
        return f"{datetime.fromtimestamp(round(START_S + at_h * HOUR_S), UTC):%Y-%m-%dT%H:%M:%SZ}"

    at_h = np.sort((rows.time_s[~rows.lost] - START_S) / HOUR_S)
    for number, (c, begin_h, end_h) in enumerate(zip(scene.cycles, begins_h, begins_h[1:], strict=False)):
        here = np.flatnonzero((hours >= begin_h - 1e-9) & (hours < end_h - 1e-9))
        top = here[np.argmax(level[here])]
        top_h, drop_mm = float(hours[top]), float(level[top] - level[here[-1]])
        if number:
            must.append(
                {
                    "kind": "fed",
                    "happened_at": text(begin_h),
                    "within_min": 20,
                    "decided_by": text(min(begin_h + 1.0, end_h)),
                }
            )
        if c.rise_mm < 1.0 or drop_mm < 1.0:
            never.append({"kind": "fall_began", "decided_from": text(begin_h), "decided_to": text(end_h)})
            continue
        never.append({"kind": "fall_began", "decided_from": text(begin_h), "decided_to": text(top_h)})
        after_h = at_h[(at_h > top_h) & (at_h < end_h)]
        steps_s = np.diff(after_h, prepend=after_h[0] - (after_h[1] - after_h[0])) * HOUR_S
        usual_s = float(np.median(steps_s))
        spread = np.array(
            [
                noise_mm2(scene.white_mm, scene.round_mm, scene.wander_mm, scene.wander_s, s)
                for s in np.maximum(steps_s, usual_s)
            ]
        )
        after_s = limit_s((after_h - top_h) * HOUR_S, level[top] - np.interp(after_h, hours, level), spread, usual_s)
        assert after_s is not None, f"{scene.name}: the fall of cycle {number + 1} cannot be known"
        by_h = top_h + 2.5 * after_s / HOUR_S + 0.5  # two and a half times as late as could be, and half an hour
        assert by_h < end_h, f"{scene.name}: cycle {number + 1} leaves no time to tell its fall"
        must.append(
            {
                "kind": "fall_began",
                "decided_from": text(top_h),
                "decided_by": text(by_h),
                "once_in": [text(begin_h), text(end_h)],
            }
        )
        near_h = hours[here][level[here] >= level[top] - TOP_MM]
        must.append(
            {
                "kind": "peak_reached",
                "happened_from": text(at_h[max(np.searchsorted(at_h, near_h[0], side="right") - 1, 0)] - SLACK_H),
                "happened_to": text(at_h[min(np.searchsorted(at_h, near_h[-1]), at_h.size - 1)] + SLACK_H),
                "last_in": [text(begin_h), text(end_h)],
            }
        )
    for kind, from_h, to_h in scene.extra:
        must.append({"kind": kind, "decided_from": text(from_h), "decided_by": text(to_h)})
    edges = [begins_h[0] - 1.0, *begins_h[1:-1], begins_h[-1] + 1.0]
    for from_h, to_h in pairwise(edges):
        never.append(
            {"kind": "fed", "happened_from": text(max(from_h, -1.0) + 21 / 60), "happened_to": text(to_h - 21 / 60)}
        )
    return {"must": must, "never": never}


def write(folder: Path = FOLDER) -> list[str]:
    """Makes all recordings and their expected events again; returns their names."""
    folder.mkdir(exist_ok=True)
    for scene in SCENES:
        rows, expected = make(scene)
        lines = [
            f"# shows: {scene.shows}",
            "# data: invented (tests/golden_scenes.py)",
            "# jar: golden",
            f"# empty_mm: {EMPTY_MM:g}",
            "time,distance_mm,temperature_c",
        ]
        for time_s, distance_mm, celsius in zip(rows.time_s, rows.distance_mm, rows.temperature_c, strict=True):
            distance = "" if math.isnan(distance_mm) else f"{distance_mm:g}"
            lines.append(f"{datetime.fromtimestamp(round(time_s), UTC):%Y-%m-%dT%H:%M:%SZ},{distance},{celsius:.2f}")
        (folder / f"{scene.name}.csv").write_text("\n".join(lines) + "\n")
        (folder / f"{scene.name}.json").write_text(json.dumps(expected, indent=1) + "\n")
    return [scene.name for scene in SCENES]
