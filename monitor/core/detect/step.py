"""The one step function: joins trust, minutes, lid, levels, peak and the told things, in order, with no arithmetic of
its own. The daemon and replay drive it; what it returns as events is all that is ever decided.

    reading -> trust.sift -> minute -> lid.take -> landing.land / decide.levels -> events
    tick    -> minute closes, bins close, quiet.watch (silence, away, rest) -> events
    told    -> told.fed, told.noted -> events

Forecasts are no decisions: they are made when somebody asks (`shown.look`, or `outlook.hourly` given to `take`).
"""

from __future__ import annotations

from collections.abc import Callable
from math import floor

from monitor.core.detect import cycle as cycles
from monitor.core.detect import landing, reports, rise_and_fall, surface, timeouts
from monitor.core.detect.jar_state import look
from monitor.core.detect.state import Vigil, freeze, thaw
from monitor.core.signal import block as blocks
from monitor.core.signal import noise, plausibility
from monitor.settings import JarSettings
from monitor.values import Arrival, ClockSet, Event, Fed, Item, Json, Noted, Reading, TakenBack, Tick

__all__ = ["Vigil", "begin", "freeze", "look", "step", "take", "thaw", "tick_to"]

TICK_S = 60.0
Also = Callable[[Vigil, float, JarSettings], list[Event]]  # what more is asked of a jar at each tick
BEHIND_S = 3600.0  # longer than between two readings of a jar that is watched at all


def begin(jar: JarSettings, carried: dict[str, Json] | None = None) -> Vigil:
    """A jar of which nothing is known yet, save what was learnt of its starter in another jar (a carry's `carried`)."""
    return Vigil(jar=jar, empty_mm=jar.empty_mm, carried=carried or {})


def step(vigil: Vigil, item: Item, jar: JarSettings) -> tuple[Vigil, tuple[Event, ...]]:
    """One item; returns the vigil to go on with (the one given is used up) and the events that it decided, in order.

    `decided_at_s` of the events is the greatest time taken in so far. Cost: about 10 us a reading; what is heavier is
    done once a minute and once in 5 min.
    """
    match item:
        case Reading():
            events = _reading(vigil, item, jar)
        case Tick(time_s=time_s):
            events = _tick(vigil, time_s, jar)
        case Fed():
            vigil.now_s = max(vigil.now_s, item.time_s)
            events = reports.fed(vigil, item, jar)
        case Noted():
            vigil.now_s = max(vigil.now_s, item.time_s)
            events = reports.noted(vigil, item, jar)
        case TakenBack():  # whoever hands items on leaves out the one that it names
            vigil.now_s = max(vigil.now_s, item.time_s)
            events = []
        case ClockSet():
            events = reports.clock_set(vigil, item)
    return vigil, tuple(events)


def _nothing(vigil: Vigil, time_s: float, jar: JarSettings) -> list[Event]:
    return []


def take(vigil: Vigil, arrival: Arrival, jar: JarSettings, also: Also = _nothing) -> tuple[Vigil, tuple[Event, ...]]:
    """All grid ticks up to the arrival, then its item. Before a step of the clock it is ticked in the old time."""
    item = arrival.item
    until_s = item.time_s - item.offset_s if isinstance(item, ClockSet) else arrival.received_s
    vigil, before = tick_to(vigil, until_s, jar, also)
    vigil.now_s = max(vigil.now_s, until_s)
    vigil, events = step(vigil, arrival.item, jar)
    return vigil, before + events if before else events


def tick_to(vigil: Vigil, now_s: float, jar: JarSettings, also: Also = _nothing) -> tuple[Vigil, tuple[Event, ...]]:
    """All points of the 60 s UTC grid after the time so far, up to and with `now_s`."""
    if now_s - vigil.now_s < TICK_S and floor(now_s / TICK_S) == floor(vigil.now_s / TICK_S):
        return vigil, ()
    return vigil, tuple(timeouts.ticks(vigil, now_s, lambda time_s: _tick(vigil, time_s, jar, also)))


def _reading(v: Vigil, item: Reading, jar: JarSettings) -> list[Event]:
    timeouts.heard(v, item.time_s)
    known_s = v.sieve.temperature_s
    reason, distance_mm = plausibility.sift(v.sieve, item, jar, v.now_s)
    temperature_c = v.sieve.temperature_c
    if v.cycle is not None and temperature_c is not None and v.sieve.temperature_s != known_s:  # a new one
        cycles.warm(v.cycle, item.time_s, temperature_c)
    if reason is not None and reason not in ("no target", "stuck"):
        return []
    events = timeouts.back(v)
    number = int(item.time_s // blocks.MINUTE_S)
    if v.minute.number >= 0 and number != v.minute.number:
        events += _close_minute(v, jar)
    if reason == "stuck":
        v.lid.gap = True
        return events
    blocks.put(v.minute, number, item.time_s, distance_mm)
    if (v.sieve.sampling_s or 0.0) > 2.0 * blocks.MINUTE_S:
        events += _close_minute(v, jar)  # nothing else comes in this minute
    return events


def _tick(v: Vigil, time_s: float, jar: JarSettings, also: Also = _nothing) -> list[Event]:
    if time_s <= v.now_s:
        return []
    v.now_s = time_s
    events: list[Event] = []
    if v.minute.number >= 0 and time_s >= blocks.end_s(v.minute):
        events = _close_minute(v, jar)
    # while what arrives is still behind, as after an outage, the bins stay open for the levels of their own time
    if v.lid.out_since_s is None and v.sieve.last_s is not None and time_s - v.sieve.last_s < BEHIND_S:
        events += rise_and_fall.bins(v, time_s, jar)
    return events + timeouts.watch(v, time_s, jar) + also(v, time_s, jar)


def _close_minute(v: Vigil, jar: JarSettings) -> list[Event]:
    block = blocks.close(v.minute, noise.white_sd(v.noise))
    noise.learn_block(v.noise, block)
    if block.distance_mm is not None:
        rise_and_fall.place(v, block.distance_mm, jar)
    level_mm = rise_and_fall.level_of(v, block.distance_mm)
    rows, landed = surface.take(
        v.lid,
        block.time_s,
        level_mm,
        block.n,
        block.bad_n,
        v.noise,
        v.trend,
        v.sieve.sampling_s or TICK_S,
        lambda: landing.whereabouts(v),
    )
    if landed is None:
        return rise_and_fall.levels(v, rows, jar) if rows else []
    return landing.land(v, landed, rows, jar)
