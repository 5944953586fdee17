"""A recorded run as a source: rows of a run file become arrivals, and the same step function that the daemon uses turns
them into events. Causal: a row is stepped before the next is read, except for rows with wild times, which are held
back.

The file's time stands for the time of receipt (or its `received` column where there is one), so the running time is
the greatest accepted time so far. `monitor.runs.run_file` reads the form, `monitor.cli` prints.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from monitor.core.detect import expected
from monitor.core.detect import step as core
from monitor.core.detect.verdict import FallVerdict
from monitor.core.display.refusals import Refusal
from monitor.settings import JarSettings
from monitor.values import DAY_S, Arrival, Event, Fed, Reading

WILD_S = DAY_S  # a row further ahead of the running time than this needs two more that agree
DOUBTFUL_S = 3 * 3600.0  # and one further ahead than this needs one more: it may be a gap or a wrong digit
AGREE = 3


def arrivals(
    rows: Iterable[tuple[float | None, Reading]], told: Iterable[Fed], jar: str, rejected: Counter[str]
) -> Iterator[Arrival]:
    """Rows and reported feedings in order of arrival. A row more than 24 h ahead of the running time is held until
    three in a row agree, else counted in `rejected`; one more than 3 h ahead is held until the next one confirms it."""
    seq = 0
    feedings = sorted(told, key=lambda item: item.time_s)
    running_s: float | None = None
    for received_s, reading in _guarded(rows, rejected):
        at_s = reading.time_s if received_s is None else received_s
        running_s = at_s if running_s is None else max(running_s, at_s)
        while feedings and feedings[0].time_s <= running_s:
            fed = replace(feedings.pop(0), jar=jar)
            yield Arrival(seq=seq, received_s=fed.time_s, item=fed)
            seq += 1
        yield Arrival(seq=seq, received_s=running_s, item=replace(reading, jar=jar) if reading.jar != jar else reading)
        seq += 1
    for fed in feedings:
        if running_s is not None and fed.time_s < running_s + WILD_S:
            yield Arrival(seq=seq, received_s=max(fed.time_s, running_s), item=replace(fed, jar=jar))
            seq += 1
        else:
            rejected[Refusal.TOLD_TOO_LATE] += 1


# branches: one pass over the rows; its cases share what is held back
def _guarded(
    rows: Iterable[tuple[float | None, Reading]], rejected: Counter[str]
) -> Iterator[tuple[float | None, Reading]]:
    """The rows whose times can be believed, each with the running time at which that became clear."""
    running_s: float | None = None
    held: list[tuple[float | None, Reading]] = []
    for received_s, reading in rows:
        time_s = reading.time_s
        if received_s is not None:  # the receiver's clock was recorded: nothing to guess
            yield received_s, reading
            continue
        if held and not abs(time_s - held[-1][1].time_s) <= DOUBTFUL_S:
            if running_s is None and len(held) == 1:  # a first row that the second one does not confirm
                held.append((None, reading))
                continue
            rejected[Refusal.FAR_AHEAD] += len(held)
            held = []
        if not held and running_s is not None and time_s <= running_s + DOUBTFUL_S:
            running_s = max(running_s, time_s)
            yield None, reading
            continue
        held.append((None, reading))
        needed = 2 if running_s is None or held[0][1].time_s <= running_s + WILD_S else AGREE
        agreeing = [row for row in held if abs(row[1].time_s - time_s) <= DOUBTFUL_S]
        if len(agreeing) >= needed:
            rejected[Refusal.FAR_OFF] += len(held) - len(agreeing)
            now_s = max(row[1].time_s for row in agreeing)
            running_s = now_s if running_s is None else max(running_s, now_s)
            for _, row in agreeing[:-1]:
                yield row.time_s, row
            yield None, reading
            held = []
    for _, row in held:
        if running_s is None or row.time_s <= running_s + WILD_S:
            yield None, row
        else:
            rejected[Refusal.FAR_AHEAD] += 1


def replay(
    rows: Iterable[tuple[float | None, Reading]],
    told: Iterable[Fed],
    jar: JarSettings,
    rejected: Counter[str],
    *,
    forecasts: bool = False,
    not_so: Sequence[str] = (),
) -> Iterator[Event]:
    """The events of a recorded run, in the order decided; with `forecasts`, one at the first tick of each hour from the
    feeding until the fall began. `not_so` names events that the readings will show but that never happened."""
    for said in _stepped(rows, told, jar, rejected, expected.hourly if forecasts else core.nothing, not_so):
        if isinstance(said, Event):
            yield said


def explained(
    rows: Iterable[tuple[float | None, Reading]],
    told: Iterable[Fed],
    jar: JarSettings,
    rejected: Counter[str],
    not_so: Sequence[str] = (),
) -> Iterator[Event | FallVerdict]:
    """The events, each preceded by the verdicts about the start of fall since the event before: one for each bin of 5
    min."""
    return _stepped(rows, told, jar, rejected, core.nothing, not_so)


def _stepped(
    rows: Iterable[tuple[float | None, Reading]],
    told: Iterable[Fed],
    jar: JarSettings,
    rejected: Counter[str],
    also: core.Also,
    not_so: Sequence[str],
) -> Iterator[Event | FallVerdict]:
    state = core.begin(jar, not_so=not_so)
    seen: FallVerdict | None = None
    for arrival in arrivals(rows, told, jar.name, rejected):
        state, events = core.take(state, arrival, jar, also)
        if state.verdict is not seen:
            seen = state.verdict
            if seen is not None:
                yield seen
        yield from events
