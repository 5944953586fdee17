"""Plays a scenario: kitchen -> dough -> surface -> sensor -> device, stretch by stretch, in bounded memory.

    for sent in play(scenario): ...

`Scene` is the same with a hand on it: `advance` gives the messages up to a time, `do` lets the baker do something now.
The same scenario and seed give the same messages, on any machine and however the time is cut into stretches
(`integrator.py` says how far that goes).
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator

import numpy as np

from monitor.simulator.device import Sent
from monitor.simulator.jar import Jar
from monitor.simulator.kitchen import GRID_S, Kitchen
from monitor.simulator.random_numbers import Floats
from monitor.simulator.scenario import Action, Scenario
from monitor.simulator.truth import JarTruth

STRETCH_S = 6 * 3600.0


def play(scenario: Scenario, truths: dict[str, JarTruth] | None = None) -> Iterator[Sent]:
    """All messages of a scenario in order of arrival. The truth goes into `truths` (jar -> truth) if one is given."""
    scene = Scene(scenario, keep_chemistry=truths is not None)
    if truths is not None:
        truths.update(scene.truths)
    at_s = 0.0
    while at_s < scenario.hours * 3600:
        at_s = min(at_s + STRETCH_S, scenario.hours * 3600)
        yield from scene.advance(at_s)


class Scene:
    """A scenario being played; it owns the jars' state. Times here are seconds since the scenario's start."""

    def __init__(self, scenario: Scenario, keep_chemistry: bool = True) -> None:
        self.scenario = scenario
        self.now_s = 0.0
        self._kitchen = Kitchen(scenario.kitchen, scenario.starts_s, scenario.utc_offset_h, scenario.seed)
        self._room: Floats = np.empty(0)  # from the minute of now_s on
        self._jars = [Jar(plan, scenario, keep_chemistry) for plan in scenario.jar]
        self.truths = {jar.plan.name: jar.truth for jar in self._jars}

    def advance(self, to_s: float) -> list[Sent]:
        """Play on to `to_s` (rounded down to a whole minute); gives the messages that arrive before it, in order."""
        to_s = to_s // GRID_S * GRID_S
        if to_s <= self.now_s:
            return []
        count = round((to_s - self.now_s) / GRID_S) + 1
        if len(self._room) < count:  # the last point of a stretch is the first of the next: keep it
            first = round(self.now_s / GRID_S) + len(self._room)
            self._room = np.concatenate([self._room, self._kitchen.minutes(first, count - len(self._room))])
        out = [jar.advance(self.now_s, to_s, self._room) for jar in self._jars]
        self._room = self._room[count - 1 :]
        self.now_s = to_s
        return out[0] if len(out) == 1 else list(heapq.merge(*out, key=lambda sent: sent.at_s))

    def do(self, jar: str, action: Action) -> None:
        """The baker does something to a jar, now."""
        next(one for one in self._jars if one.plan.name == jar).plan_action(self.now_s, action)
