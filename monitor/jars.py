"""The vigils of all jars, in step with the store: what arrives is stepped, what is decided is kept, what deserves a
notice goes to the outbox (`teller`). Between the recorder, which has committed the items, and the sinks, which drain
outboxes.

No clock and no thread: the daemon says what time it is. Everything here may be done again after a restart: the store
keeps an event once for its times and a notice once for its cause, so restart is simply stepping again from a carry.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import replace

from monitor.core import culture, standing, told, vigil
from monitor.core.display import Display
from monitor.core.vigil import Vigil
from monitor.failpoint import failpoint
from monitor.runs import outbox, tellings
from monitor.runs.store import Run, Store, StoreTrouble
from monitor.settings import JarSettings, Settings
from monitor.teller import Teller
from monitor.values import Arrival, Carry, ClockSet, Cycle, Event, EventKind, Fed, JarState, Noted, Noting, TakenBack

log = logging.getLogger(__name__)

SHIFT_S = 3 * 86_400.0  # the longest repeat that a person would miss; what is older is history
CARRY_EVERY_S = 86_400.0  # bounds what a restart steps again: a day of 5 s readings is about 17,000


class Jars:
    """One vigil a configured jar. `ticked_s` is the running time up to which all of them have been stepped."""

    def __init__(self, settings: Settings, store: Store, display: Display) -> None:
        self.settings = settings
        self.store = store
        self.ticked_s = 0.0
        self._listening_since_s = 0.0
        self._teller = Teller(settings, store, display)
        self._jars: dict[str, JarSettings] = {jar.name: jar for jar in settings.jars}
        self._vigils: dict[str, Vigil] = {}
        self._carried_s: dict[str, float] = {}
        self._unkept: dict[str, list[tuple[int, Event]]] = {name: [] for name in self._jars}
        self._misjudged: set[str] = set()  # by what was taken back, until the store can be read
        self._closed: dict[str, dict[int, Cycle]] = {name: {} for name in self._jars}  # and not kept yet
        self._undone: dict[str, list[Arrival]] = {name: [] for name in self._jars}  # tellings taken back, not yet kept

    def restore(self, now_s: float) -> int:
        """Resume every jar from its last carry and what was stored since, then let the time pass that the daemon was
        away. What fell due meanwhile and is still true goes to the outbox. Returns the last seq that was stepped."""
        last_seq = self.store.last_seq()
        self.ticked_s = now_s
        self.listen_from(now_s)
        for jar in self.settings.jars:
            self.store.ensure_run(jar, now_s)
            self._carried_s[jar.name] = now_s
            decided = self._resume(jar, last_seq)
            decided += [(last_seq, event) for event in self._tick(jar, now_s)]
            self._settle(jar, decided, now_s, last_seq)
        self.store.end_other_runs(self._jars, now_s)
        return last_seq

    def listen_from(self, now_s: float) -> None:
        """The program was away until now (not running, or the machine slept): that no reading came meanwhile says
        nothing about a sensor."""
        self._listening_since_s = now_s

    def _resume(self, jar: JarSettings, last_seq: int) -> list[tuple[int, Event]]:
        """Step one jar from its last carry through all that is stored up to `last_seq`; from its run's beginning where
        there is no carry, or none that this program can read."""
        run = self.store.open_run(jar.name)
        try:
            seq, carry = self.store.restart_point(jar.name)
            self._vigils[jar.name] = _thawed(carry, jar) if carry is not None else self._begun(jar, run)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            log.error("%s: what was kept of it cannot be read (%r): all its readings are judged anew", jar.name, error)
            self._vigils[jar.name] = self._begun(jar, run)
            seq = run.first_seq - 1 if run is not None else last_seq
        self._closed[jar.name], self._undone[jar.name] = {}, []
        decided: list[tuple[int, Event]] = []
        for arrival in self.store.arrivals(jar.name, seq):
            if arrival.seq > last_seq:
                break
            decided += [(arrival.seq, event) for event in self._take(jar, arrival)]
        return decided

    def _begun(self, jar: JarSettings, run: Run | None) -> Vigil:
        learnt = None if run is None else self.store.culture_before(run)
        try:
            culture.from_json(learnt) if learnt else None
        except (KeyError, TypeError, ValueError, AttributeError):
            learnt = None
        return vigil.begin(jar, learnt)

    def _judge_anew(self, jar: JarSettings, seq: int) -> list[tuple[int, Event]]:
        """Something told was taken back: step the jar as if it had not been told. Done again with the next tick when
        the store cannot be read now."""
        before = self._vigils[jar.name], self._closed[jar.name], self._undone[jar.name]
        try:
            decided = self._resume(jar, seq)
        except StoreTrouble as error:
            self._vigils[jar.name], self._closed[jar.name], self._undone[jar.name] = before
            if error.lasting:
                raise
            log.error("%s: what was taken back still counts: %s", jar.name, error)
            self._misjudged.add(jar.name)
            return []
        self._misjudged.discard(jar.name)
        self._unkept[jar.name].clear()
        return decided

    def take(self, arrivals: Sequence[Arrival], now_s: float) -> bool:
        """Step what the recorder has committed, in its order, and keep what follows from it. Returns whether anything
        was told or decided."""
        decided: dict[str, list[tuple[int, Event]]] = {}
        spoken_of: set[str] = set()
        for arrival in arrivals:
            item = arrival.item
            if isinstance(item, ClockSet):
                self._clock_set(item)
            elif arrival.received_s < self.ticked_s:
                # it came while a tick was under way (told by another process, say): a restart must step it after the
                # tick as well
                arrival = self._restamped(arrival)
            for name in self._jars if isinstance(item, ClockSet) else (item.jar,):
                if name not in self._jars:
                    continue
                if isinstance(item, Fed | Noted | TakenBack):
                    spoken_of.add(name)
                if isinstance(item, TakenBack):
                    decided[name] = self._judge_anew(self._jars[name], arrival.seq)
                    continue
                events = self._take(self._jars[name], arrival)
                if events:
                    decided.setdefault(name, []).extend((arrival.seq, event) for event in events)
        self._teller.forget(spoken_of)
        for name in decided.keys() | spoken_of:
            self._settle(self._jars[name], decided.get(name, []), now_s, arrivals[-1].seq)
        return bool(decided or spoken_of)

    def tick(self, now_s: float, seq: int) -> None:
        """Let time pass for every jar up to `now_s`; all items up to `seq` have been stepped."""
        self.ticked_s = max(self.ticked_s, now_s)
        for jar in self.settings.jars:
            decided = self._judge_anew(jar, seq) if jar.name in self._misjudged else []
            self._settle(jar, decided + [(seq, event) for event in self._tick(jar, now_s)], now_s, seq)
        if self.settings.notices.daily_summary is not None:
            self._teller.summarise(self.states(now_s), now_s)

    def _restamped(self, arrival: Arrival) -> Arrival:
        try:
            return self.store.restamp(arrival, self.ticked_s)
        except StoreTrouble as error:
            if error.lasting:
                raise
            log.error("%d was told a minute late, a restart will judge it a minute earlier: %s", arrival.seq, error)
            return replace(arrival, received_s=self.ticked_s)

    def _clock_set(self, item: ClockSet) -> None:
        """What was put out lately keeps its distance from now, and a carry is due in the new time."""
        self.ticked_s = item.time_s
        self._listening_since_s += item.offset_s
        self._carried_s = dict.fromkeys(self._carried_s, float("-inf"))
        since_s = max(item.since_s, item.time_s - item.offset_s - SHIFT_S)
        self._teller.forget(self._jars)
        try:
            outbox.shift(self.store, item.offset_s, since_s)
        except StoreTrouble as error:
            if error.lasting:
                raise
            log.error("repeats of notices may come early or late after the clock was set: %s", error)

    def states(self, now_s: float) -> list[JarState]:
        """What is believed about every jar, in the config's order."""
        return [vigil.look(self._vigils[jar.name], now_s) for jar in self.settings.jars]

    def _take(self, jar: JarSettings, arrival: Arrival) -> tuple[Event, ...]:
        self._vigils[jar.name], events = vigil.take(self._vigils[jar.name], arrival, jar)
        if isinstance(arrival.item, TakenBack):
            self._undone[jar.name].append(arrival)
        elif isinstance(arrival.item, Noted) and arrival.item.what in (Noting.NEW_RUN, Noting.NEW_STARTER):
            self._carried_s[jar.name] = float("-inf")
        self._note_closed(jar, events)
        return events

    def _tick(self, jar: JarSettings, now_s: float) -> tuple[Event, ...]:
        self._vigils[jar.name], events = vigil.tick_to(self._vigils[jar.name], now_s, jar)
        self._note_closed(jar, events)
        return events

    def _note_closed(self, jar: JarSettings, events: Iterable[Event]) -> None:
        """A feeding closed a cycle: before it is kept, another feeding may close the next one."""
        if any(event.kind is EventKind.FED for event in events):
            state = vigil.look(self._vigils[jar.name], self.ticked_s)
            if state.previous is not None:
                self._closed[jar.name][state.previous.number] = state.previous

    def _settle(self, jar: JarSettings, decided: Iterable[tuple[int, Event]], now_s: float, seq: int) -> None:
        """Keep what was decided and tell what follows. What the store cannot take now is kept with the next tick."""
        unkept = self._unkept[jar.name]
        unkept += decided
        try:
            failpoint("stepped")
            if unkept or self._undone[jar.name] or now_s - self._carried_s[jar.name] >= CARRY_EVERY_S:
                self._keep(jar, unkept, now_s, seq)
                unkept.clear()
                self._closed[jar.name].clear()
                self._undone[jar.name].clear()
                failpoint("kept")
            state = vigil.look(self._vigils[jar.name], now_s)
            self._teller.tell(jar, state, now_s, self._listening_since_s)
        except StoreTrouble as error:
            if error.lasting:
                raise
            log.error("%s: what was decided is not stored yet: %s", jar.name, error)

    def _keep(self, jar: JarSettings, decided: Iterable[tuple[int, Event]], now_s: float, seq: int) -> None:
        """Events, the cycles that they changed and, where due, a carry: all of it or nothing."""
        with self.store.writing():
            fed = False
            for at_seq, event in decided:
                self.store.add_events(jar.name, at_seq, [event])
                fed = fed or event.kind is EventKind.FED
            state = vigil.look(self._vigils[jar.name], now_s)
            for cycle in (*self._closed[jar.name].values(), state.previous, state.cycle):
                if cycle is not None:
                    self.store.put_cycle(cycle)
            for arrival in self._undone[jar.name]:
                self._undo(jar, arrival, [event for _, event in decided], state)
            due = fed or self._undone[jar.name] or now_s - self._carried_s[jar.name] >= CARRY_EVERY_S
            if due and jar.name not in self._misjudged:  # a restart would go on from the mistake
                self.store.save_carry(jar.name, seq, now_s, vigil.freeze(self._vigils[jar.name]))
                self._carried_s[jar.name] = now_s

    def _undo(self, jar: JarSettings, arrival: Arrival, again: Sequence[Event], state: JarState) -> None:
        """Something told was taken back and the jar judged anew without it, which decided `again`: replace what had
        been decided from it, and forget the cycles that never were."""
        run, item = self.store.open_run(jar.name), arrival.item
        assert run is not None
        assert isinstance(item, TakenBack)
        telling = tellings.told_as(self.store, item.seq)
        if telling is None or not told.changes_watch(telling):
            return
        before, since = self.store.events_about(run.id, item.seq)
        stands = {standing.name(event) for event in (*standing.standing(before), *again)}
        wrong = {standing.name(event) for event in standing.standing(since)} - stands
        if wrong:
            what = telling.what.value if isinstance(telling, Noted) else "fed"
            event = Event(
                kind=EventKind.TAKEN_BACK,
                jar=jar.name,
                happened_at_s=telling.time_s,
                decided_at_s=arrival.received_s,
                evidence={"told": what},
                replaces=" ".join(sorted(wrong)),
            )
            self.store.add_events(jar.name, arrival.seq, [event])
        number = -1 if state.cycle is None else state.cycle.number
        self.store.forget_cycles(run.id, number)
        outbox.set_aside(self.store, jar.name, number, arrival.seq)
        self._teller.forget([jar.name])


def _thawed(carry: Carry, jar: JarSettings) -> Vigil:
    """The jar as it was. Raises KeyError, TypeError, ValueError or AttributeError for what another version, or a
    damaged disk, has left."""
    thawed = vigil.thaw(carry, jar)
    if thawed.carried:
        culture.from_json(thawed.carried)
    return thawed
