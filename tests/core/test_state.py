"""The detector state as JSON: what an older version wrote is read, and a restored jar decides what it would have."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest

from monitor.core.detect import step as core
from monitor.core.detect.cycle import Opening
from monitor.core.signal.curve_filter import CurveFilter, ScaleSums
from monitor.core.signal.noise import LoneReading
from monitor.runs import run_file
from monitor.settings import JarSettings
from monitor.sources.replay import arrivals
from monitor.values import Arrival, Event

HERE = Path(__file__).parent
WRITTEN_BEFORE = json.loads((HERE / "carry_of_0_1.json").read_text())  # by 0.1, before its parts were renamed


def items() -> tuple[JarSettings, list[Arrival]]:
    opened = run_file.read(HERE.parent / "recordings" / WRITTEN_BEFORE["recording"])
    jar = JarSettings(name=opened.jar, empty_mm=opened.empty_mm)
    return jar, list(arrivals(opened.rows(), (), jar.name, Counter()))


def go_on(state: core.DetectorState, jar: JarSettings, rest: list[Arrival]) -> list[Event]:
    events: list[Event] = []
    for arrival in rest:
        state, new = core.take(state, arrival, jar)
        events += new
    return events


def test_a_carry_of_the_first_version_goes_on_as_if_it_had_been_written_today() -> None:
    jar, every = items()
    first, rest = every[: WRITTEN_BEFORE["items"]], every[WRITTEN_BEFORE["items"] :]
    now = core.begin(jar)
    go_on(now, jar, first)
    then = core.restore(WRITTEN_BEFORE["carry"], jar)
    assert core.current(then, then.now_s).stage is core.current(now, now.now_s).stage
    old, new = go_on(then, jar, rest), go_on(now, jar, rest)
    assert [e.kind for e in old] == [e.kind for e in new]
    assert old


def test_what_is_no_carry_is_refused() -> None:
    jar, _ = items()
    for wrong in ({}, {"history": 3.0}, WRITTEN_BEFORE["carry"] | {"history": []}):
        with pytest.raises((KeyError, TypeError)):
            core.restore(wrong, jar)


def test_rows_that_were_lists_are_read_as_the_values_that_they_are_now() -> None:
    jar, every = items()
    state = core.begin(jar)
    go_on(state, jar, every)
    assert state.cycle is not None
    state.noise.latest, state.cycle.openings = [LoneReading(1.0, 50.0)], [Opening(2.0, 0.5)]
    state.curve_filter = CurveFilter(sums=[ScaleSums(1.0, 2.0, 3.0, 4.0, 5.0)])
    carry = json.loads(json.dumps(core.snapshot(state)))
    before = json.loads(json.dumps(carry))
    for part, name in ((before["noise"], "latest"), (before["cycle"], "openings"), (before["curve_filter"], "sums")):
        part[name] = [list(row.values()) for row in part[name]]
    assert before["curve_filter"]["sums"] == [[1.0, 2.0, 3.0, 4.0, 5.0]]
    assert core.snapshot(core.restore(before, jar)) == carry
