"""The surface moves only as its table says, and every row of the table is a move that happens.

Readings are invented: the golden recordings, and stories with hands, silences and what people say.
"""

from __future__ import annotations

import math
from collections import Counter
from functools import cache

import pytest

from monitor.core.detect import step as core
from monitor.core.detect.surface import MOVES, Where, where
from monitor.runs import run_file
from monitor.settings import JarSettings
from monitor.sources.replay import arrivals
from monitor.values import Item, Noted, Noting, Reading, Tick
from tests import golden_making
from tests.core.stories import BEGAN_S, HOUR_S, JAR, story

RECORDINGS = ("away", "codes", "disorder", "gaps", "plain", "quick-hands", "wild-values", "every-10-min")


def seen(items: list[Item], jar: JarSettings) -> set[tuple[Where, Where]]:
    """The moves of the surface between any two items or ticks."""
    state = core.begin(jar)
    found: set[tuple[Where, Where]] = set()
    now_s = -math.inf
    for item in items:
        grid: list[Item] = []
        if now_s > -math.inf:
            first, last = math.floor(now_s / 60.0) + 1, math.floor(item.time_s / 60.0)
            grid = [Tick(time_s=60.0 * k) for k in range(first, last + 1)]
        for one in [*grid, item]:
            was = where(state.surface, state.timers.is_away)
            state, _ = core.step(state, one, jar)
            now = where(state.surface, state.timers.is_away)
            if was is not now:
                found.add((was, now))
        now_s = max(now_s, item.time_s)
    return found


@cache
def of_recording(name: str) -> frozenset[tuple[Where, Where]]:
    opened = run_file.read(golden_making.FOLDER / f"{name}.csv")
    jar = JarSettings(name=opened.jar, empty_mm=opened.empty_mm)
    return frozenset(seen([one.item for one in arrivals(opened.rows(), (), jar.name, Counter())], jar))


def noted(hours: float, what: Noting) -> Noted:
    return Noted(time_s=BEGAN_S + hours * HOUR_S, jar="rye", what=what)


def without_surface(from_h: float, to_h: float) -> list[Reading]:
    """The lid off (or no jar) between two hours of a story."""
    return [
        Reading(time_s=one.time_s, jar="rye", distance_mm=8190.0)
        if from_h <= (one.time_s - BEGAN_S) / HOUR_S < to_h
        else one
        for one in story(6.0)
    ]


STORIES: dict[str, list[Item]] = {
    "said away before any surface": [noted(-0.1, Noting.AWAY), *story(2.0)],
    "said away, and back": [*story(6.0), noted(3.0, Noting.AWAY), noted(3.5, Noting.BACK)],
    "said back, with nothing there": [*without_surface(3.0, 5.0), noted(3.01, Noting.AWAY), noted(3.02, Noting.BACK)],
    "said away and back with the lid off": [
        *without_surface(3.0, 5.0), noted(3.2, Noting.AWAY), noted(3.3, Noting.BACK),
    ],
    "gone for long": list(without_surface(3.0, 4.5)),
    "a new run": [*story(6.0), noted(3.0, Noting.NEW_RUN)],
    "a new run with the lid off": [*without_surface(3.0, 5.0), noted(3.2, Noting.NEW_RUN)],
    "a new run just as it opens": [*without_surface(3.0, 5.0), noted(3.02, Noting.NEW_RUN)],
    "a new run while it is away": [*without_surface(3.0, 5.0), noted(3.9, Noting.NEW_RUN)],
}  # fmt: skip


@cache
def of_story(name: str) -> frozenset[tuple[Where, Where]]:
    return frozenset(seen(sorted(STORIES[name], key=lambda item: item.time_s), JAR))


@pytest.mark.parametrize("name", [*RECORDINGS, *STORIES])
def test_no_move_is_made_that_the_table_does_not_list(name: str) -> None:
    found = of_recording(name) if name in RECORDINGS else of_story(name)
    assert not {(was, now) for was, now in found if now not in MOVES[was]}


def test_every_row_of_the_table_happens() -> None:
    found = frozenset[tuple[Where, Where]]().union(*map(of_recording, RECORDINGS), *map(of_story, STORIES))
    assert {(was, now) for was in MOVES for now in MOVES[was]} - found == set()
