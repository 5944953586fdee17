"""The one step function. It calls the parts in order and has no arithmetic of its own. The daemon and replay drive it;
the events that it returns are all that is ever decided.

    reading     -> plausibility.judge -> block -> surface.observe -> level_shift / rise_and_fall.levels -> events
    tick        -> the block closes, bins close, timeouts.watch (silence, away, rest) -> events
    fed, noted  -> reports.fed, reports.noted -> events

Forecasts are not decisions: they are made when somebody asks (`jar_state.current`, or `expected.hourly` given to
`take`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import floor

from monitor.core.detect import cycle as cycles
from monitor.core.detect import level_shift, reports, rise_and_fall, surface, timeouts
from monitor.core.detect.jar_state import current
from monitor.core.detect.state import DetectorState, restore, snapshot
from monitor.core.detect.timeouts import TICK_S
from monitor.core.signal import block as blocks
from monitor.core.signal import noise, plausibility
from monitor.settings import JarSettings
from monitor.values import Arrival, ClockSet, Event, Fed, Item, Json, Noted, Reading, TakenBack, Tick

__all__ = ["DetectorState", "begin", "current", "restore", "snapshot", "step", "take", "tick_to"]

Also = Callable[[DetectorState, float, JarSettings], list[Event]]  # a further question about a jar, asked at each tick
BEHIND_S = 3600.0  # readings of a watched jar come more often than this


def begin(jar: JarSettings, carried: dict[str, Json] | None = None, not_so: Sequence[str] = ()) -> DetectorState:
    """A jar of which nothing is known yet, except what was learnt of its starter in another jar (a carry's `carried`)
    and which events a person says never happened (`not_so`), though the readings to come will show them."""
    return DetectorState(jar=jar, empty_mm=jar.empty_mm, carried=carried or {}, not_so=tuple(not_so))


def step(state: DetectorState, item: Item, jar: JarSettings) -> tuple[DetectorState, tuple[Event, ...]]:
    """Take in one item; returns the state to go on with (the one given is used up) and the events decided, in order.

    `decided_at_s` of the events is the greatest time taken in so far. A reading costs about 10 us; heavier work is done
    once a minute and once in 5 min.
    """
    match item:
        case Reading():
            events = _reading(state, item, jar)
        case Tick(time_s=time_s):
            events = _tick(state, time_s, jar)
        case Fed():
            state.now_s = max(state.now_s, item.time_s)
            events = reports.fed(state, item, jar)
        case Noted():
            state.now_s = max(state.now_s, item.time_s)
            events = reports.noted(state, item, jar)
        case TakenBack():  # the store no longer hands on the item that it names, so nothing is left to do
            state.now_s = max(state.now_s, item.time_s)
            events = []
        case ClockSet():
            events = reports.clock_set(state, item)
    return state, tuple(events)


def nothing(state: DetectorState, time_s: float, jar: JarSettings) -> list[Event]:
    """The default of `also`: no further question."""
    return []


def take(
    state: DetectorState, arrival: Arrival, jar: JarSettings, also: Also = nothing
) -> tuple[DetectorState, tuple[Event, ...]]:
    """Step all grid ticks up to the arrival, then its item. Before a step of the clock, ticks are in the old time.

    >>> from monitor.values import of_grams
    >>> jar = JarSettings(name="rye", empty_mm=180.0)
    >>> state, decided = begin(jar), []
    >>> items = [Fed(time_s=0.0, jar="rye", feeding=of_grams((25.0, 100.0, 100.0)))]
    >>> for minute in range(1, 121):  # the surface is 130 mm away for an hour, then comes up by 20 mm/h
    ...     distance_mm = 130.0 - max(minute - 60, 0) / 3.0
    ...     items.append(Reading(time_s=60.0 * minute, jar="rye", distance_mm=distance_mm))
    >>> for seq, item in enumerate(items):
    ...     state, events = take(state, Arrival(seq=seq, received_s=item.time_s, item=item), jar)
    ...     decided += [(event.kind.value, event.decided_at_s / 60.0) for event in events]
    >>> decided
    [('fed', 0.0), ('rise_began', 90.0)]
    >>> current(state, state.now_s).stage.value
    'rising'
    """
    item = arrival.item
    until_s = item.time_s - item.offset_s if isinstance(item, ClockSet) else arrival.received_s
    state, before = tick_to(state, until_s, jar, also)
    state.now_s = max(state.now_s, until_s)
    state, events = step(state, arrival.item, jar)
    return state, before + events if before else events


def tick_to(
    state: DetectorState, now_s: float, jar: JarSettings, also: Also = nothing
) -> tuple[DetectorState, tuple[Event, ...]]:
    """Step all points of the 60 s UTC grid after the time so far, up to and including `now_s`."""
    if now_s - state.now_s < TICK_S and floor(now_s / TICK_S) == floor(state.now_s / TICK_S):
        return state, ()
    return state, tuple(timeouts.ticks(state, now_s, lambda time_s: _tick(state, time_s, jar, also)))


def _reading(state: DetectorState, item: Reading, jar: JarSettings) -> list[Event]:
    timeouts.heard(state, item.time_s)
    known_s = state.plausibility.temperature_s
    reason, distance_mm = plausibility.judge(state.plausibility, item, jar, state.now_s)
    temperature_c = state.plausibility.temperature_c
    is_new = state.plausibility.temperature_s != known_s
    if state.cycle is not None and temperature_c is not None and is_new:
        cycles.warm(state.cycle, item.time_s, temperature_c)
    state.noise.rounds_to_mm = plausibility.rounds_to_mm(state.plausibility)
    if reason is not None and reason not in ("no target", "stuck"):
        return []
    events = timeouts.back(state)
    number = int(item.time_s // blocks.MINUTE_S)
    if state.open_block.number >= 0 and number != state.open_block.number:
        events += _close_minute(state, jar)
    if reason == "stuck":
        state.surface.gap = True
        return events
    blocks.put(state.open_block, number, item.time_s, distance_mm)
    if (state.plausibility.sampling_s or 0.0) > 2.0 * blocks.MINUTE_S:
        events += _close_minute(state, jar)  # nothing else comes in this minute
    return events


def _tick(state: DetectorState, time_s: float, jar: JarSettings, also: Also = nothing) -> list[Event]:
    if time_s <= state.now_s:
        return []
    state.now_s = time_s
    events: list[Event] = []
    if state.open_block.number >= 0 and time_s >= blocks.end_s(state.open_block):
        events = _close_minute(state, jar)
    # while readings arrive late, as after an outage, bins stay open for the levels that belong in them
    if (
        state.surface.out_since_s is None
        and state.plausibility.last_s is not None
        and time_s - state.plausibility.last_s < BEHIND_S
    ):
        events += rise_and_fall.close_bins(state, time_s, jar)
    return events + timeouts.watch(state, time_s, jar) + also(state, time_s, jar)


def _close_minute(state: DetectorState, jar: JarSettings) -> list[Event]:
    block = blocks.close(state.open_block, noise.white_sd(state.noise), state.noise.rounds_to_mm)
    noise.learn_block(state.noise, block)
    if block.distance_mm is not None:
        rise_and_fall.place(state, block.distance_mm, jar)
    level_mm = rise_and_fall.level_of(state, block.distance_mm)
    rows, shift = surface.observe(
        state.surface,
        block.time_s,
        level_mm,
        block.n,
        block.bad_n,
        state.noise,
        state.trend,
        state.plausibility.sampling_s or TICK_S,
        lambda: level_shift.plausible_levels(state),
    )
    if shift is None:
        return rise_and_fall.levels(state, rows, jar) if rows else []
    return level_shift.take_in(state, shift, rows, jar)
