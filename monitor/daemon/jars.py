"""The detector states of all jars, in step with the store: what arrives is stepped, what is decided is stored, and what
deserves a notice goes to the outbox (`notifier`). Between the recorder, which has committed the items, and the sinks,
which drain the outboxes.

No clock and no thread: the daemon says what time it is. Everything here may be done once more after a restart: the
store keeps an event only once for its times and a notice only once for its cause, so a restart simply steps again from
a carry.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from monitor.core.assess.siblings import LEAST_JARS
from monitor.core.detect import step
from monitor.core.detect.step import DetectorState
from monitor.core.display.units import Display
from monitor.daemon import resume
from monitor.daemon.notifier import Notifier
from monitor.host.failpoints import failpoint
from monitor.runs import outbox, reported
from monitor.runs.corrections import Correction, correct
from monitor.runs.store import Run, Store, StoreTrouble
from monitor.settings import JarSettings, Settings
from monitor.values import (
    DAY_S,
    Arrival,
    Carry,
    ClockSet,
    Cycle,
    Event,
    EventKind,
    Fed,
    JarState,
    Noted,
    Noting,
    TakenBack,
)

log = logging.getLogger(__name__)

SHIFT_S = 3 * DAY_S  # the longest interval of a repeat: older notices are history
COMPARED_EVERY_S = 3600.0
CARRY_EVERY_S = DAY_S  # bounds what a restart steps again: a day of 5 s readings is about 17,000


@dataclass(frozen=True, slots=True)
class _Decided:
    """An event, the item at which (or at a tick after which) it was decided, and the item that its run begins with."""

    seq: int
    event: Event
    run_from: int


@dataclass(slots=True)
class _Unkept:
    """What the store does not have yet of one jar. `closed` are cycles, `again` says from which item on something was
    judged again; both begin with the item that their run begins with. `undone` are the arrivals that took something
    back."""

    decided: list[_Decided] = field(default_factory=list)
    closed: list[tuple[int, Cycle]] = field(default_factory=list)
    undone: list[Arrival] = field(default_factory=list)
    again: list[tuple[int, int]] = field(default_factory=list)


class Jars:
    """The detector state of each configured jar. `ticked_s` is the running time up to which all have been stepped."""

    def __init__(self, settings: Settings, store: Store, display: Display) -> None:
        self.settings = settings
        self.store = store
        self.ticked_s = 0.0
        self._listening_since_s = 0.0
        self._notifier = Notifier(settings, store, display)
        self._jars: dict[str, JarSettings] = {jar.name: jar for jar in settings.jars}
        self._states: dict[str, DetectorState] = {}
        self._run_from: dict[str, int] = {}  # for each jar, the item with which its present run begins
        self._carried_s: dict[str, float] = {}
        named = sorted({jar.group for jar in settings.jars if jar.group is not None})
        groups = [[jar for jar in settings.jars if jar.group == name] for name in named]
        self._groups = [jars for jars in groups if len(jars) >= LEAST_JARS]
        self._compared_s = [float("-inf")] * len(self._groups)
        self._unkept: dict[str, _Unkept] = {name: _Unkept() for name in self._jars}
        self._misjudged: set[str] = (
            set()
        )  # jars to judge again after something was taken back, as soon as the store can be read

    def restore(self, now_s: float) -> int:
        """Resume every jar from its last carry and what was stored since, then let the time pass during which the
        daemon was away. What fell due meanwhile and is still true goes to the outbox. Returns the last seq that was
        stepped."""
        last_seq = self.catch_up(now_s)
        self.store.end_other_runs(self._jars, now_s)
        return last_seq

    def catch_up(self, now_s: float) -> int:
        """`restore` for these jars only; others in the store are left alone."""
        with self.store.writing():  # a first start of many jars would sync the disk for each
            for jar in self.settings.jars:
                self.store.ensure_run(jar, now_s)
        last_seq = self.store.last_seq()
        self.ticked_s = now_s
        self.listen_from(now_s)
        for jar in self.settings.jars:
            self._carried_s[jar.name] = now_s
            self._resume(jar, last_seq)
            self._tick(jar, now_s, last_seq)
            self._settle(jar, now_s, last_seq)
        return last_seq

    def listen_from(self, now_s: float) -> None:
        """The program was away until now (it was not running, or the machine slept), so that no reading came meanwhile
        says nothing about a sensor."""
        self._listening_since_s = now_s

    def _resume(self, jar: JarSettings, last_seq: int) -> None:
        """Step one jar from where watching it continues through everything stored up to `last_seq`."""
        start = resume.start(self.store, jar, last_seq)
        name, as_it_was = jar.name, jar
        self._states[name], self._run_from[name] = start.state, start.runs[0].first_seq
        self._unkept[name] = _Unkept()
        for run, first, last in resume.stretches(start, last_seq):
            self._unkept[name].again.append((run.first_seq, first))
            if run is not start.runs[0] and not resume.begun_by_item(run):
                self._tick(as_it_was, run.began_s, first - 1)  # what time alone decided before that run ended
                self._begin_run(jar, run)
            as_it_was = resume.settings_in(run, jar)
            for arrival in self.store.arrivals(name, first - 1):
                if arrival.seq > last:
                    break
                self._take(as_it_was, arrival)

    def _begin_run(self, jar: JarSettings, run: Run) -> None:
        """The config changed the jar: begin a run in which only what was learnt about its starter goes on."""
        self._note_cut(jar)
        before = self._states[jar.name]
        self._states[jar.name] = step.begin(resume.settings_in(run, jar), before.carried, before.not_so)
        self._run_from[jar.name] = run.first_seq

    def _judge_again(self, jar: JarSettings, seq: int) -> None:
        """A report was taken back: step the jar as if it had never come. Tried again with the next tick if the store
        cannot be read now."""
        name = jar.name
        before = self._states[name], self._run_from[name], self._unkept[name]
        try:
            self._resume(jar, seq)
        except StoreTrouble as error:
            self._states[name], self._run_from[name], self._unkept[name] = before
            if error.lasting:
                raise
            log.error("%s: what was taken back still counts: %s", name, error)
            self._misjudged.add(name)
            return
        self._tick(jar, self.ticked_s, seq)
        self._misjudged.discard(name)

    def take(self, arrivals: Sequence[Arrival], now_s: float) -> bool:
        """Step what the recorder has committed, in its order, and store what follows from it. Returns whether anything
        was reported or decided."""
        changed: set[str] = set()
        for arrival in arrivals:
            item = arrival.item
            if isinstance(item, ClockSet):
                self._clock_set(item)
            elif arrival.received_s < self.ticked_s:
                # it came during a tick (reported by another process, say): a restart must step it after the
                # tick as well
                arrival = self._restamped(arrival)
            for name in self._jars if isinstance(item, ClockSet) else (item.jar,):
                if name not in self._jars:
                    continue
                if isinstance(item, TakenBack):
                    self._judge_again(self._jars[name], arrival.seq)
                elif not self._take(self._jars[name], arrival) and not isinstance(item, Fed | Noted):
                    continue
                changed.add(name)
                if isinstance(item, Fed | Noted | TakenBack):
                    self._notifier.forget([name])
        for name in changed:
            self._settle(self._jars[name], now_s, arrivals[-1].seq)
        return bool(changed)

    def tick(self, now_s: float, seq: int) -> None:
        """Let time pass for every jar up to `now_s`; all items up to `seq` have been stepped."""
        self.ticked_s = max(self.ticked_s, now_s)
        for jar in self.settings.jars:
            if jar.name in self._misjudged:
                self._judge_again(jar, seq)
            self._tick(jar, now_s, seq)
            self._settle(jar, now_s, seq)
        if self.settings.notices.daily_summary is not None:
            self._notifier.summarise(self.states(now_s), now_s)
        self._compare(now_s)

    def _compare(self, now_s: float) -> None:
        """Compare each group once an hour, one group per tick: the cycles of two hundred jars take a moment to read."""
        longest = min(range(len(self._groups)), key=lambda place: self._compared_s[place], default=None)
        if longest is None or 0.0 <= now_s - self._compared_s[longest] < COMPARED_EVERY_S:
            return
        self._compared_s[longest] = now_s
        jars = self._groups[longest]
        self._notifier.compare(jars, [step.current(self._states[jar.name], now_s) for jar in jars], now_s)

    def _restamped(self, arrival: Arrival) -> Arrival:
        try:
            return self.store.restamp(arrival, self.ticked_s)
        except StoreTrouble as error:
            if error.lasting:
                raise
            log.error("%d was reported a minute late, a restart will judge it a minute earlier: %s", arrival.seq, error)
            return replace(arrival, received_s=self.ticked_s)

    def _clock_set(self, item: ClockSet) -> None:
        """Notices that were put out lately keep their distance from now, and a carry is due in the new time."""
        self.ticked_s = item.time_s
        self._listening_since_s += item.offset_s
        self._carried_s = dict.fromkeys(self._carried_s, float("-inf"))
        since_s = max(item.since_s, item.time_s - item.offset_s - SHIFT_S)
        self._notifier.forget(self._jars)
        try:
            outbox.shift(self.store, item.offset_s, since_s)
        except StoreTrouble as error:
            if error.lasting:
                raise
            log.error("repeats of notices may come early or late after the clock was set: %s", error)

    def frozen(self, name: str) -> Carry:
        """The carry of one jar, for a daemon that takes it over from here."""
        return step.snapshot(self._states[name])

    def states(self, now_s: float) -> list[JarState]:
        """What is believed about every jar, in the config's order."""
        return [step.current(self._states[jar.name], now_s) for jar in self.settings.jars]

    def _take(self, jar: JarSettings, arrival: Arrival) -> bool:
        """Step one item; returns whether it decided anything."""
        item, name = arrival.item, jar.name
        new_run = isinstance(item, Noted) and item.what in (Noting.NEW_RUN, Noting.NEW_STARTER)
        if new_run:
            self._note_cut(jar)
        self._states[name], events = step.take(self._states[name], arrival, jar)
        self._note(jar, arrival.seq, events)
        if new_run:
            self._run_from[name], self._carried_s[name] = arrival.seq, float("-inf")
        elif isinstance(item, TakenBack):
            self._unkept[name].undone.append(arrival)
        return bool(events)

    def _tick(self, jar: JarSettings, now_s: float, seq: int) -> None:
        self._states[jar.name], events = step.tick_to(self._states[jar.name], now_s, jar)
        self._note(jar, seq, events)

    def _note(self, jar: JarSettings, seq: int, events: Iterable[Event]) -> None:
        """Note what was decided, and the cycle that a feeding closed; before that is stored, another may close the next
        one."""
        unkept, run_from = self._unkept[jar.name], self._run_from[jar.name]
        unkept.decided += [_Decided(seq, event, run_from) for event in events]
        if any(event.kind is EventKind.FED for event in events):
            state = step.current(self._states[jar.name], self.ticked_s)
            if state.previous is not None:
                unkept.closed.append((run_from, state.previous))

    def _note_cut(self, jar: JarSettings) -> None:
        """A new run cuts the open cycle short."""
        cycle = step.current(self._states[jar.name], self.ticked_s).cycle
        if cycle is not None:
            self._unkept[jar.name].closed.append((self._run_from[jar.name], cycle))

    def _settle(self, jar: JarSettings, now_s: float, seq: int) -> None:
        """Store what was decided, and put out the notices that follow. What the store cannot take now is stored at the
        next tick."""
        unkept = self._unkept[jar.name]
        try:
            failpoint("stepped")
            if unkept != _Unkept() or now_s - self._carried_s[jar.name] >= CARRY_EVERY_S:
                self._keep(jar, unkept, now_s, seq)
                self._unkept[jar.name] = _Unkept()
                failpoint("kept")
            state = step.current(self._states[jar.name], now_s)
            self._notifier.tell(jar, state, now_s, self._listening_since_s)
        except StoreTrouble as error:
            if error.lasting:
                raise
            log.error("%s: what was decided is not stored yet: %s", jar.name, error)

    def _keep(self, jar: JarSettings, unkept: _Unkept, now_s: float, seq: int) -> None:
        """Store events, the cycles that they changed and, if due, a carry: all of it or nothing."""
        run_from = self._run_from[jar.name]
        with self.store.writing():
            wrong = self._to_correct(jar, unkept, now_s, seq)
            known = {run.id: self.store.cycles(run.id) for run, _ in wrong}
            for one in unkept.decided:
                self.store.add_events(jar.name, one.seq, [one.event], one.run_from)
            state = step.current(self._states[jar.name], now_s)
            now = [(run_from, cycle) for cycle in (state.previous, state.cycle) if cycle is not None]
            for began, cycle in (*unkept.closed, *now):
                self.store.put_cycle(cycle, began)
            for run, why in wrong:
                again = [one.event for one in unkept.decided if one.run_from == run.first_seq]
                cycles = [cycle.number for began, cycle in (*unkept.closed, *now) if began == run.first_seq]
                correct(self.store, run, why, again, known[run.id], max(cycles, default=-1))
                known[run.id] = self.store.cycles(run.id)
                self._notifier.forget([jar.name])
            fed = any(one.event.kind is EventKind.FED for one in unkept.decided)
            due = fed or unkept.undone or now_s - self._carried_s[jar.name] >= CARRY_EVERY_S
            # a restart would begin with the mistake, or in another run
            if due and jar.name not in self._misjudged and seq >= run_from:
                self.store.save_carry(jar.name, seq, now_s, step.snapshot(self._states[jar.name]))
                self._carried_s[jar.name] = now_s

    def _to_correct(self, jar: JarSettings, unkept: _Unkept, now_s: float, seq: int) -> list[tuple[Run, Correction]]:
        """The runs in which something was judged again, and why: what was decided before may no longer hold."""
        found: list[tuple[Run, Correction]] = []
        for arrival in unkept.undone:
            assert isinstance(arrival.item, TakenBack)
            wrong = reported.what_was_wrong(self.store, arrival.item)
            run = None if wrong is None else self.store.run_of(jar.name, wrong.from_seq)
            if wrong is None or run is None:
                continue
            why = Correction(
                from_seq=wrong.from_seq,
                mark=arrival.seq,
                evidence=wrong.evidence,
                happened_at_s=wrong.happened_at_s,
                decided_at_s=arrival.received_s,
            )
            found.append((run, why))
        for run_from, from_seq in unkept.again:  # decided as before, unless another version of the program did that
            run = self.store.run_of(jar.name, run_from)
            if run is not None:
                why = Correction(
                    from_seq=from_seq,
                    mark=seq,
                    evidence={"again": True},
                    happened_at_s=now_s,
                    decided_at_s=now_s,
                    until_s=now_s,
                )
                found.append((run, why))
        return found
