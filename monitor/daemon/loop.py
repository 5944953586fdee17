"""The daemon: the only place with a clock and a thread. One bounded queue, one loop.

Sources, the schedule and signals only put things into the queue. The loop hands what came to the recorder, which
commits in groups; what is committed is acknowledged and then stepped; what follows from it goes to the outboxes, which
the sinks drain in their own threads. A failing recorder stops the daemon loudly; a failing sink never delays a reading.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from math import floor, inf
from typing import Protocol

from monitor.core.detect.timeouts import TICK_S
from monitor.daemon.jars import Jars
from monitor.host.clock import Clock, ClockWatch
from monitor.host.failpoints import failpoint
from monitor.runs.store import Store
from monitor.sinks.recorder import Recorder, Unstored
from monitor.sources import Source
from monitor.values import ClockSet, Delivery, JarState, Rejected, Tick

log = logging.getLogger(__name__)

QUEUE_LENGTH = 2000  # about 2 MB of readings; when it is full a source waits, and the broker or the port holds the rest
SHOWN_SHARE = 0.05  # of the loop's time at most: to show the states of thousands of jars takes a second each time
STOP_LOOK_S = 0.2  # how soon a source that waits for room sees that the daemon is stopping
LOOK_S = 1.0  # how soon a report from another process, or a due commit, is seen to when nothing else comes


class Sink(Protocol):
    """A best-effort sink: drains an outbox of the store in its own thread."""

    def start(self) -> None: ...
    def wake(self) -> None: ...
    def stop(self) -> None: ...
    def trouble(self) -> str | None: ...


class Daemon:
    """Watches with one store until told to stop. `on_states` is given every jar's state after each tick and when
    something was decided (soon, where there are thousands); `beat` is called once in each turn of the loop,
    `on_clock_set` when the wall clock was set. `before_boot_s` is the running time at which the machine was started
    last; `held` is what the previous daemon could no longer store."""

    def __init__(
        self,
        jars: Jars,
        store: Store,
        sources: Sequence[Source],
        sinks: Sequence[Sink] = (),
        clock: Clock | None = None,
        on_states: Callable[[Sequence[JarState]], None] = lambda states: None,
        beat: Callable[[], None] = lambda: None,
        on_clock_set: Callable[[], None] = lambda: None,
        before_boot_s: float = -inf,
        held: Sequence[Unstored] = (),
    ) -> None:
        self._jars = jars
        self._store = store
        self._sources = {source.name: source for source in sources}
        self._sinks = sinks
        self._clock = clock or Clock()
        self._on_states = on_states
        self._beat = beat
        self._on_clock_set = on_clock_set
        self._before_boot_s = before_boot_s
        self._clock_watch = ClockWatch(self._clock_set, self._clock, slept=jars.listen_from)
        self._set_back = False
        self._queue: queue.Queue[Delivery | Rejected | Tick] = queue.Queue(QUEUE_LENGTH)
        self._stopping = threading.Event()
        self._recorder: Recorder | None = None
        self._held = held
        self._unshown, self._show_from_s = False, -inf

    def put(self, thing: Delivery | Rejected | Tick, *, wait_s: float = inf) -> None:
        """The sources' and the schedule's end of the queue; waits while it is full, for `wait_s` at most. Raises
        queue.Full after that, and when stopping."""
        while True:
            try:
                return self._queue.put(thing, timeout=min(wait_s, STOP_LOOK_S))
            except queue.Full:
                wait_s -= STOP_LOOK_S
                if wait_s <= 0 or self._stopping.is_set():
                    raise

    def stop(self) -> None:
        """Ask the loop to end after what it has in hand; may be called from a signal handler or any thread."""
        self._stopping.set()

    def trouble(self) -> str | None:
        """One sentence while nothing can be stored; time then stands still for the jars."""
        return self._recorder.trouble if self._recorder is not None else None

    def resume(self) -> None:
        """Continue every jar from where the store left it."""
        self._recorder = Recorder(self._store, self._jars.restore(self._clock.wall()))
        for thing in self._held:
            self._recorder.take(thing, self._clock.monotonic())

    def held(self) -> list[Unstored]:
        """What was taken in but could not be stored, for the next daemon of this process. The tokens are of no use to
        that one: a broker that still waits sends the message again, and its numbers show that it is the same."""
        waiting = self._recorder.waiting() if self._recorder is not None else []
        return [thing if isinstance(thing, ClockSet) else replace(thing, token=None) for thing in waiting]

    def flush(self) -> None:
        """Take what is in the queue now and commit it, but not what comes meanwhile, as that may never end."""
        for _ in range(self._queue.qsize()):
            self._handle(self._queue.get_nowait())
        self._commit()

    def run(self, ready: Callable[[], None] = lambda: None) -> None:
        """Resume, start sources and sinks, and loop until `stop`. Raises StoreTrouble when the store fails for good;
        everything is stopped in any case."""
        self.resume()
        for sink in self._sinks:
            sink.start()
        try:
            for source in self._sources.values():
                source.start(self.put)
            self.show()
            ready()
            while not self._stopping.is_set():
                self.turn(LOOK_S)
                self._beat()
            self.flush()  # what is committed now can still be acknowledged
            failpoint("stopping")
            self._end()
            self.flush()
            self.show()
        finally:
            self._stopping.set()
            self._end()

    def _end(self) -> None:
        """Stop the sinks first: one that speaks over a source's connection still has to say goodbye."""
        for sink in self._sinks:
            sink.stop()
        for source in self._sources.values():
            source.stop()

    def turn(self, wait_s: float) -> None:
        """One turn of the loop: take what is in the queue (wait at most `wait_s` for the first), commit what is due."""
        recorder = self._ready_recorder()
        try:
            self._handle(self._queue.get(timeout=wait_s) if wait_s else self._queue.get_nowait())
            for _ in range(QUEUE_LENGTH):  # a flood must not keep the loop from its watchdog
                self._handle(self._queue.get_nowait())
        except queue.Empty:
            self._clock_watch.look()
        if recorder.due(self._clock.monotonic()) or recorder.behind():
            self._commit()
        if self._unshown and self._clock.monotonic() >= self._show_from_s:
            self.show()

    def _handle(self, thing: Delivery | Rejected | Tick) -> None:
        # what came was stamped before this, so a step of the clock is known before anything is judged
        self._clock_watch.look()
        if isinstance(thing, Tick):
            self._tick(min(thing.time_s, self._clock.wall()))
        else:
            if self._set_back and isinstance(thing, Delivery):
                thing = _not_ahead(thing, self._clock.wall())
            recorder = self._ready_recorder()
            recorder.take(thing, self._clock.monotonic())
            if recorder.due(self._clock.monotonic()) and (recorder.full() or self._queue.empty()):
                self._commit()  # a burst is committed in larger groups

    def _tick(self, time_s: float) -> None:
        """Time passed: first commit all that came before. While the store is in trouble, time stands still for the
        jars, so that what waits is judged in its order."""
        self._commit()
        recorder = self._ready_recorder()
        if recorder.trouble is None:
            self._jars.tick(floor(time_s / TICK_S) * TICK_S, recorder.last_seq)
        self.show()
        self._wake()

    def _clock_set(self, offset_s: float, now_s: float) -> None:
        """The wall clock was set: first commit all that came before, then the step itself, in the order of arrival.
        What the machine stamped since it started is moved along. If it started with a time behind that of the jars (as
        its clock stops without power), a step forward only ends that, and nothing is moved."""
        log.warning("the clock was set by %+.0f s", offset_s)
        before_s = now_s - offset_s
        booted_s = before_s - self._clock.monotonic()
        behind = self._before_boot_s >= booted_s
        since_s = (inf if offset_s > 0 else -inf) if behind else booted_s
        self._set_back = self._set_back or offset_s < 0
        self._commit(before_s)
        step = ClockSet(time_s=now_s, offset_s=offset_s, since_s=since_s)
        self._ready_recorder().take(step, self._clock.monotonic())
        self._commit()
        self._on_clock_set()

    def show(self) -> None:
        """Show the jars' states to the sinks that want them."""
        began_s = self._clock.monotonic()
        self._on_states(self._jars.states(self._clock.wall()))
        self._unshown, now_s = False, self._clock.monotonic()
        self._show_from_s = now_s + (now_s - began_s) / SHOWN_SHARE

    def _commit(self, now_s: float | None = None) -> None:
        recorder = self._ready_recorder()
        before = recorder.trouble
        done = recorder.commit(self._clock.monotonic())
        if recorder.trouble != before:
            log.error("store: %s", recorder.trouble) if recorder.trouble else log.warning("store: writing again")
        if done.arrivals:
            failpoint("committed")
        for name, tokens in done.tokens.items():
            if name in self._sources:
                self._sources[name].acknowledge(tokens)
        if done.arrivals:
            failpoint("acknowledged")
            if self._jars.take(done.arrivals, self._clock.wall() if now_s is None else now_s):
                self._unshown = True
                if self._clock.monotonic() >= self._show_from_s:
                    self.show()
            self._wake()

    def _wake(self) -> None:
        for sink in self._sinks:
            sink.wake()

    def _ready_recorder(self) -> Recorder:
        assert self._recorder is not None, "resume() comes first"
        return self._recorder


def _not_ahead(delivery: Delivery, now_s: float) -> Delivery:
    """A delivery that was stamped just before the clock was set back, stamped anew: later ones must not look late."""
    if delivery.received_s <= now_s:
        return delivery
    reading = replace(delivery.reading, time_s=min(delivery.reading.time_s, now_s))
    return replace(delivery, received_s=now_s, reading=reading)
