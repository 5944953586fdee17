"""When the wall clock is set, every moment that a jar remembers moves with it: none is forgotten."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from monitor.core.detect import clock_step
from monitor.core.detect import step as core
from monitor.core.detect.cycle import ClosedCycle, OpenCycle, Opening
from monitor.core.signal.block import HeldBlock, LevelBlock
from monitor.core.signal.noise import LoneReading
from monitor.settings import JarSettings

THEN_S, DAY_S = 1_772_409_600.0, 86_400.0
# lengths of time, not moments
LENGTHS = {"sampling_s", "hole_off_s", "unseen_s", "gaps_s", "times_s"}


def moments(part: Any) -> list[str]:
    """The fields of a state dataclass that hold a moment, by their name."""
    return [f.name for f in fields(part) if f.name.endswith("_s") and f.name not in LENGTHS]


def test_no_moment_is_forgotten() -> None:
    state = core.begin(JarSettings(name="rye", empty_mm=180.0))
    state.cycle, state.previous = OpenCycle(), ClosedCycle(OpenCycle(), THEN_S)
    state.surface.recent = [LevelBlock(THEN_S, 50.0, 1.0)]
    state.surface.held = [HeldBlock(THEN_S, None, 1.0)]
    state.cycle.openings = [Opening(THEN_S, 1.0)]
    state.noise.latest = [LoneReading(THEN_S, 50.0)]
    parts = [state, state.plausibility, state.surface, state.timers, state.trend, state.cycle, state.previous.cycle]
    parts += [*state.surface.recent, *state.surface.held, state.previous]
    for part in parts:
        for name in moments(part):
            setattr(part, name, (THEN_S, THEN_S) if isinstance(getattr(part, name), tuple) else THEN_S)
    clock_step.move(state, DAY_S, 0.0)
    forgotten = [
        f"{type(part).__name__}.{name}"
        for part in parts
        for name in moments(part)
        if getattr(part, name) not in (THEN_S + DAY_S, (THEN_S + DAY_S, THEN_S + DAY_S))
    ]
    assert forgotten == []
    assert state.cycle.openings == [Opening(THEN_S + DAY_S, 1.0)]
    assert state.noise.latest == [LoneReading(THEN_S + DAY_S, 50.0)]
