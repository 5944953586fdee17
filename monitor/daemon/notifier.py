"""Puts notices that are due into the outbox, and takes out those that are no longer true: between `jars`, which knows
what is believed, and the sinks, which drain the outbox. What is due is decided in `notify.due`.

In a minute in which nothing is reported or decided, the store is not asked: the notes and notices of each jar's open
cycle are kept here until something changes them.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.core.display.units import Display
from monitor.core.notify import due, siblings
from monitor.core.notify.conditions import ONCE_A_RUN
from monitor.core.notify.summary import daily_summary
from monitor.runs import history, outbox
from monitor.runs.outbox import StoredNotice
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings, Settings
from monitor.values import DAY_S, JarState, Noted

log = logging.getLogger(__name__)

COMPARED_S = 10 * DAY_S  # of cycles are compared: the last few batches, even where jars are fed every other day


@dataclass(frozen=True, slots=True)
class _Known:
    """What the store has about one jar's open cycle."""

    cycle: tuple[int, float]  # its number, and since when
    noted: list[Noted]
    kept: list[StoredNotice]


class Notifier:
    """Keeps what is known about the outbox; the channels only mark in it what they have sent."""

    def __init__(self, settings: Settings, store: Store, display: Display) -> None:
        self._settings = settings.notices
        self._store = store
        self._display = display
        self._known: dict[str, _Known] = {}

    def forget(self, jars: Iterable[str]) -> None:
        """Ask the store again about these jars: something was reported, or their notices were changed."""
        for jar in jars:
            self._known.pop(jar, None)

    def tell(self, jar: JarSettings, state: JarState, now_s: float, listening_since_s: float) -> None:
        """Put what is due into the outbox, and take out what is no longer true. Raises StoreTrouble."""
        known = self._look(state)
        number = known.cycle[0]
        waiting = [one.notice for one in known.kept if one.state is outbox.State.PENDING]
        sent = {
            (one.notice.kind, one.notice.repeat): one.notice.due_s
            for one in known.kept
            if one.notice.cycle == number or one.notice.kind in ONCE_A_RUN
        }
        wanted = self._settings
        over = due.no_longer_true(waiting, state, wanted, jar, now_s, known.noted)
        new = due.due(state, sent, wanted, jar, now_s, known.noted, self._display, listening_since_s)
        if over or new:
            self.forget([jar.name])
            with self._store.writing():
                if over:
                    outbox.supersede(self._store, jar.name, now_s, [notice.kind for notice in over])
                outbox.put(self._store, new, now_s)

    def summarise(self, states: Sequence[JarState], now_s: float) -> None:
        """The daily summary; what the store cannot take now waits for the next minute."""
        try:
            days = {one.notice.cycle for one in outbox.of_jar(self._store, "")}
            notice = daily_summary(states, days, self._settings, now_s, self._display)
            if notice is not None:
                outbox.put(self._store, [notice], now_s)
        except StoreTrouble as error:
            if error.lasting:
                raise
            log.error("the daily summary waits for the next minute: %s", error)

    def compare(self, jars: Sequence[JarSettings], states: Sequence[JarState], now_s: float) -> None:
        """Compare one group: is a jar unlike its siblings, does a sensor differ from its neighbours? What the store
        cannot take now is put out when they are compared again."""
        try:
            names = [jar.name for jar in jars]
            told = {
                (name, one.notice.kind)
                for name in names
                for one in outbox.of_jar(self._store, name)
                if one.notice.kind in siblings.APART and one.notice.due_s > now_s - siblings.AGAIN_S
            }
            cycles = history.lately(self._store, names, now_s - COMPARED_S)
            by_name = {jar.name: jar for jar in jars}
            new = siblings.group_notices(states, cycles, by_name, told, self._settings, now_s, self._display)
            outbox.put(self._store, new, now_s)
            self.forget([notice.jar for notice in new])
        except StoreTrouble as error:
            if error.lasting:
                raise
            log.error("a group is compared later: %s", error)

    def _look(self, state: JarState) -> _Known:
        cycle = (0, 0.0) if state.cycle is None else (state.cycle.number, state.cycle.fed_at_s)
        known = self._known.get(state.jar)
        if known is None or known.cycle != cycle:
            noted = self._store.noted(state.jar, cycle[1])
            known = _Known(cycle, noted, outbox.concerning(self._store, state.jar, cycle[0]))
            self._known[state.jar] = known
        return known
