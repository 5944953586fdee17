"""Judges a run that is already in the store: its rows go through the same guard and the same step function as those of
a replayed file, and what is decided is stored beside them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from monitor.core.detect import step as core
from monitor.runs import run_file
from monitor.runs.run_file import jar_of
from monitor.runs.store import Run, Store
from monitor.sources.replay import arrivals
from monitor.values import Cycle, Event, JarState

_SEEN = 1000


def judge(store: Store, run: Run, seen: Callable[[int], object] = lambda rows: None) -> None:
    """Step a finished run from its beginning and keep its events and cycles. `seen` is called each thousand rows."""
    jar = jar_of(run.jar, run.header, run.empty_mm, run.geometry)
    state = core.begin(jar, not_so=run_file.not_so_of(run.header))
    events: list[Event] = []
    cycles: dict[int, Cycle] = {}
    now_s = run.began_s
    for count, arrival in enumerate(arrivals(store.rows_of(run), store.fed_in(run), run.jar, Counter()), 1):
        state, decided = core.take(state, arrival, jar)
        now_s = arrival.received_s
        if decided:
            events += decided
            _note_cycles(core.current(state, now_s), cycles)
        if count % _SEEN == 0:
            seen(_SEEN)
    _note_cycles(core.current(state, now_s), cycles)
    store.keep_judgement(run, events, cycles.values())


def _note_cycles(state: JarState, cycles: dict[int, Cycle]) -> None:
    for cycle in (state.previous, state.cycle):
        if cycle is not None:
            cycles[cycle.number] = cycle
