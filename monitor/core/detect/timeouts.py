"""What time alone decides: a silent sensor, no jar there, a jar at rest in the cold, and the lid that is off.

Called at every tick of the 60 s grid by `step.py`, so replay, restart and live agree.
"""

from __future__ import annotations

from collections.abc import Callable
from math import floor

from monitor.core.detect.level_shift import bare_mm
from monitor.core.detect.rise_and_fall import event
from monitor.core.detect.state import DetectorState
from monitor.core.detect.superseded import was_none
from monitor.core.detect.surface import AWAY_S, OFF_LEAST_S
from monitor.core.signal.plausibility import temperature_at
from monitor.settings import JarSettings
from monitor.values import RESTS_BELOW_C, Event, EventKind

TICK_S = 60.0  # the grid of ticks: nothing that time alone decides needs to be known to less than a minute
MOST_TICKS = 7 * 1440  # after a week of silence, nothing is left that ticks could decide
NO_TIME_YET_S = -1e17  # a state that has seen no item stands before this (`DetectorState.now_s`)
SILENT_LEAST_S = 900.0  # a link that fails for minutes is back by then, and no starter needs feeding within them
SILENT_SPACINGS = 6.0  # five readings may be lost in a row
REST_OVER_C = 13.0  # out of the fridge for good: a fridge whose door stands open does not warm a jar so far
REST_AFTER_S, REST_OVER_AFTER_S = 3600.0, 1800.0  # airing a kitchen is shorter; a jar warms through in an hour or two


def ticks(state: DetectorState, now_s: float, tick: Callable[[float], list[Event]]) -> list[Event]:
    """Call `tick` for every grid point after the time so far, up to `now_s`."""
    last = floor(now_s / TICK_S)
    first = last if state.now_s < NO_TIME_YET_S else floor(state.now_s / TICK_S) + 1
    out: list[Event] = []
    for k in range(max(first, last - MOST_TICKS), last + 1):
        out += tick(k * TICK_S)
    return out


def heard(state: DetectorState, time_s: float) -> None:
    """Something came from the jar's device at `time_s`: time goes on, and it is not silent."""
    if time_s > state.now_s:
        state.now_s = time_s
    state.timers.last_row_s = state.now_s


def back(state: DetectorState) -> list[Event]:
    """End a silence, as a believable reading came."""
    if state.timers.silent_since_s is None:
        return []
    since_s, state.timers.silent_since_s = state.timers.silent_since_s, None
    return [event(state, EventKind.SENSOR_BACK, state.now_s, {"silent_s": round(state.now_s - since_s)})]


def silent_after_s(sampling_s: float | None, jar: JarSettings) -> float:
    """After how many seconds without a reading a sensor counts as silent: as configured, else six times the usual time
    between readings, at least 15 min."""
    if jar.silent_after_min is not None:
        return jar.silent_after_min * 60.0
    return max(SILENT_LEAST_S, SILENT_SPACINGS * (sampling_s or 60.0))


# branches: one time-out after the other
def watch(state: DetectorState, time_s: float, jar: JarSettings) -> list[Event]:
    """Decide at a tick all that needs only time to pass: silence, the lid off, no jar there, rest."""
    w, out = state.timers, []
    if (
        w.last_row_s is not None
        and w.silent_since_s is None
        and time_s - w.last_row_s > silent_after_s(state.plausibility.sampling_s, jar)
    ):
        w.silent_since_s = w.last_row_s
        if not w.is_away:
            out.append(event(state, EventKind.SENSOR_SILENT, w.last_row_s, {"silent_s": round(time_s - w.last_row_s)}))
    lid = state.surface
    if lid.out_since_s is not None and w.silent_since_s is None:
        away_s = time_s - lid.out_since_s
        opened = lid.strange_n >= 1 and lid.odd_n >= 2 and not lid.gap and away_s >= OFF_LEAST_S
        if opened and not lid.lid_off and not was_none(state.not_so, EventKind.LID_OFF, lid.out_since_s):
            lid.lid_off = True
            out.append(event(state, EventKind.LID_OFF, lid.out_since_s, {}))
        seen = [row.level_mm for row in lid.held if row.time_s > time_s - AWAY_S]
        if (
            not w.is_away
            and away_s >= AWAY_S
            and seen
            and not any(level_mm is not None and level_mm > bare_mm(state) for level_mm in seen)
        ):
            lid.gap = True
            if not was_none(state.not_so, EventKind.JAR_AWAY, lid.out_since_s):
                w.is_away, w.away_since_s = True, lid.out_since_s
                out.append(event(state, EventKind.JAR_AWAY, lid.out_since_s, {}))
    temperature_c = temperature_at(state.plausibility, time_s)
    if temperature_c is not None:
        out += _rest(state, time_s, temperature_c)
    return out


def _rest(state: DetectorState, time_s: float, temperature_c: float) -> list[Event]:
    """A rest begins after an hour in the cold, and ends after half an hour in the warm unless a person reported it."""
    w = state.timers
    w.cold_since_s = None if temperature_c >= RESTS_BELOW_C else (time_s if w.cold_since_s is None else w.cold_since_s)
    w.warm_since_s = None if temperature_c < REST_OVER_C else (time_s if w.warm_since_s is None else w.warm_since_s)
    if (
        not w.resting
        and w.cold_since_s is not None
        and time_s - w.cold_since_s >= REST_AFTER_S
        and not was_none(state.not_so, EventKind.REST_BEGAN, w.cold_since_s)
    ):
        w.resting = True
        if state.cycle is not None:
            state.cycle.rested = True
        return [event(state, EventKind.REST_BEGAN, w.cold_since_s, {"temperature_c": round(temperature_c, 1)})]
    if (
        w.resting
        and not w.rest_reported
        and w.warm_since_s is not None
        and time_s - w.warm_since_s >= REST_OVER_AFTER_S
    ):
        if was_none(state.not_so, EventKind.REST_ENDED, w.warm_since_s):
            w.rest_reported = True
            return []
        w.resting = False
        return [event(state, EventKind.REST_ENDED, w.warm_since_s, {"temperature_c": round(temperature_c, 1)})]
    return []
