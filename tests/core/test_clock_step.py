"""When the wall clock is set, every time that a jar remembers is moved: a field that somebody adds is not forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from typing import Any

import pytest

from monitor.core.detect import clock_step, step
from monitor.core.detect.state import DetectorState
from monitor.core.signal.bins import BIN_S
from monitor.settings import JarSettings
from monitor.values import Arrival
from tests.night import EMPTY_MM, night

A_TIME_S = 1e9  # 2001: no length of time is as long, and no jar was watched before
RYE = JarSettings(name="rye", empty_mm=EMPTY_MM)
THINGS = list(night(every_s=60.0))
# which parts hold no time to be moved: bins are moved as a whole, the forecast is made anew, the rest is of this minute
LEFT_OUT = {"history", "scan", "forecast", "verdict", "jar"}


def state_at(hours: float) -> DetectorState:
    state = step.begin(RYE)
    for seq, thing in enumerate(THINGS):
        if thing.received_s - THINGS[0].received_s > hours * 3600:
            break
        state, _ = step.take(state, Arrival(seq=seq + 1, received_s=thing.received_s, item=thing.reading), RYE)
    return state


def give_times(part: Any, time_s: float) -> None:
    """Every time that is not set yet gets one, as if all that can happen had happened."""
    for field in fields(part):
        value = getattr(part, field.name)
        if field.name in LEFT_OUT:
            continue
        if is_dataclass(value):
            give_times(value, time_s)
        elif value is None and field.name.endswith("_s") and field.name != "sampling_s":
            setattr(part, field.name, time_s)


def times(part: Any, where: str = "") -> Iterator[tuple[str, float]]:
    """Every number that can only be a time, and where it stands."""
    if is_dataclass(part):
        for field in fields(part):
            if field.name not in LEFT_OUT:
                yield from times(getattr(part, field.name), f"{where}.{field.name}")
    elif isinstance(part, list | tuple):
        for number, one in enumerate(part):
            yield from times(one, f"{where}[{number}]")
    elif isinstance(part, int | float) and part > A_TIME_S:
        yield where, part


@pytest.mark.fault("T2")
@pytest.mark.parametrize("hours", [0.1, 0.25, 3.0, 7.0, 11.0])
@pytest.mark.parametrize("bins", [7, -7])
def test_every_time_is_moved(hours: float, bins: int) -> None:
    state = state_at(hours)
    give_times(state, state.now_s)
    before = dict(times(state))
    summed = {where for where in before if where.endswith("times_s")}  # of a block: as many times as it has readings
    readings = len(state.open_block.distances_mm)
    clock_step.move(state, bins * BIN_S, 0.0)
    after = dict(times(state))
    moved = {where: after.get(where, 0.0) - time_s for where, time_s in before.items()}
    for where, by_s in moved.items():
        expected = bins * BIN_S * (readings if where in summed else 1)
        assert by_s == pytest.approx(expected, abs=1.0), f"state{where} was not moved with the clock"
    assert ".now_s" in before
    if hours > 0.2:
        assert ".cycle.fed_at_s" in before
