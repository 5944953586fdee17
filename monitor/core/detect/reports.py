"""What people report: fed, put to rest, taken, stirred, a new run. What the readings show by themselves is decided in
`rise_and_fall.py` and `level_shift.py`.

A feeding reported within 3 h of a seen one adds its grams to it; otherwise it begins a cycle at its own time, and the
levels since then are judged again (`replaces` names what that makes wrong). Where two reports lie within those 3 h, the
later one counts for what it says and the earlier one for the rest. A feeding that was only seen gives way to one that
is reported for another time within the same rise. In fields and evidence, "told" means that a person said so.

A new run begins with nothing remembered of the jar, its sensor and its place. What was learnt of the starter itself
stays: it moved with its baker. Only another starter begins with nothing learnt.
"""

from __future__ import annotations

from dataclasses import fields

from monitor.core.detect import clock_step, rise_and_fall, superseded
from monitor.core.detect.cycle import OpenCycle
from monitor.core.detect.state import DetectorState, Timers
from monitor.core.detect.superseded import SAME_FEEDING_S
from monitor.settings import JarSettings
from monitor.values import UNTOLD, ClockSet, Event, EventKind, Fed, Json, Noted, Noting, flat

TICK_S = 60.0  # people give a time to the minute
# A jar follows the air around it with a time constant of about an hour (Newton: 225 g of dough in glass), so that a
# quarter of an hour in the fridge takes it from 24 to some 19 degC: its cycle then goes on as if nothing had happened.
COOLS_S = 900.0


def fed(state: DetectorState, item: Fed, jar: JarSettings) -> list[Event]:
    """A feeding is reported: its grams go to the cycle that began near that time, or it begins one."""
    cycle = state.cycle
    if item.corrects_s is not None and cycle is not None and abs(cycle.fed_at_s - item.corrects_s) <= superseded.NEAR_S:
        return _corrected(state, cycle, item, jar)
    if cycle is not None and cycle.from_start and abs(item.time_s - cycle.fed_at_s) <= SAME_FEEDING_S:
        if cycle.about_from_s is not None:  # the readings did not show exactly when: the person knows
            return _begun_at(state, cycle, item, jar)
        new, stage = not cycle.told, state.stage
        _grams(state, item)
        state.question = None
        if not new:
            return []
        seen = f"fed@{cycle.fed_at_s:.0f}"
        said = rise_and_fall.event(state, EventKind.FED, cycle.fed_at_s, _evidence(item), seen)
        state.stage = stage  # grams do not change the stage of the cycle
        return [said]
    if cycle is not None and (_same_rise(state, cycle, item.time_s) or _under_way(cycle, item.time_s)):
        return _begun_at(state, cycle, item, jar)
    if cycle is not None and item.time_s < cycle.fed_at_s and cycle.number > 0:
        return []  # about a closed cycle: the store keeps its grams
    late = None if cycle is None else " ".join(_marks_from(cycle, item.time_s)) or None
    old = state.series
    rise_and_fall.open_cycle(state, item.time_s, item.time_s, from_start=True)
    _grams(state, item)
    state.surface.offset_var_mm2 = 0.0
    out = [rise_and_fall.event(state, EventKind.FED, item.time_s, _evidence(item), late)]
    return out + rise_and_fall.again(state, old, item.time_s, jar)


def _corrected(state: DetectorState, cycle: OpenCycle, item: Fed, jar: JarSettings) -> list[Event]:
    """Replace what was known of the open cycle's feeding by what the person says now, its time too if that differs."""
    cycle.feeding = UNTOLD
    if abs(item.time_s - cycle.fed_at_s) >= TICK_S:
        return _begun_at(state, cycle, item, jar)
    stage, seen = state.stage, f"fed@{cycle.fed_at_s:.0f}"
    _grams(state, item)
    cycle.about_from_s = cycle.about_to_s = state.question = None
    said = rise_and_fall.event(state, EventKind.FED, cycle.fed_at_s, _evidence(item), seen)
    state.stage = stage
    return [said]


def _begun_at(state: DetectorState, cycle: OpenCycle, item: Fed, jar: JarSettings) -> list[Event]:
    """The open cycle began when the person says: move it there and judge its levels since then again."""
    old, seen = state.series, [f"fed@{cycle.fed_at_s:.0f}"] if cycle.from_start else []
    wrong = " ".join([*seen, *_marks_from(cycle, min(item.time_s, cycle.fed_at_s))]) or None
    rise_and_fall.replace_cycle(state, item.time_s)
    _grams(state, item)
    said = rise_and_fall.event(state, EventKind.FED, item.time_s, _evidence(item), wrong)
    return [said, *rise_and_fall.again(state, old, item.time_s, jar)]


def _same_rise(state: DetectorState, cycle: OpenCycle, time_s: float) -> bool:
    """Whether a feeding reported for `time_s` is the one that this cycle was seen to begin with, only at another time:
    no rise lies between the two, and the cycle before had begun to fall. Then the person's time counts."""
    if cycle.told or not cycle.from_start:
        return False
    if time_s > cycle.fed_at_s:
        return cycle.rise_at_s is not None and cycle.rise_at_s >= time_s
    before = state.previous
    return before is not None and superseded.is_same_rise(before.cycle, before.cycle.from_start, cycle.fed_at_s, time_s)


def _under_way(cycle: OpenCycle, time_s: float) -> bool:
    """Whether a feeding reported for `time_s` is the one before watching began: no other was seen in between."""
    return not cycle.from_start and time_s <= cycle.fed_at_s


def _marks_from(cycle: OpenCycle, time_s: float) -> list[str]:
    """The names of the events that were decided about the cycle for `time_s` and later, as `replaces` has them."""
    marks = (
        (EventKind.RISE_BEGAN, cycle.rise_at_s),
        (EventKind.PEAK_REACHED, cycle.peak_at_s),
        (EventKind.FALL_BEGAN, cycle.fall_at_s),
    )
    return [f"{kind.value}@{at_s:.0f}" for kind, at_s in marks if at_s is not None and at_s >= time_s]


def noted(state: DetectorState, item: Noted, jar: JarSettings) -> list[Event]:
    """A note, as far as it changes what is watched for: a rest, an absence, a hand in the jar, a new run."""
    match item.what:
        case Noting.REST if not state.timers.resting:
            state.timers.resting = state.timers.rest_reported = True
            if state.cycle is not None:
                state.timers.rest_since_s = None if state.cycle.rested else item.time_s
                state.cycle.rested = True
            return [rise_and_fall.event(state, EventKind.REST_BEGAN, item.time_s, {"told": True})]
        case Noting.REST_OVER if state.timers.resting:
            state.timers.resting = state.timers.rest_reported = False
            since_s, state.timers.rest_since_s = state.timers.rest_since_s, None
            if since_s is not None and item.time_s - since_s < COOLS_S and state.cycle is not None:
                state.cycle.rested = False  # a slip, or too short for the dough to become cold
            return [rise_and_fall.event(state, EventKind.REST_ENDED, item.time_s, {"told": True})]
        case Noting.AWAY if not state.timers.is_away:
            state.timers.is_away, state.timers.away_since_s, state.surface.gap = True, item.time_s, True
            return [rise_and_fall.event(state, EventKind.JAR_AWAY, item.time_s, {"told": True})]
        case Noting.BACK if state.timers.is_away:
            state.timers.is_away, state.timers.away_since_s = False, None
            return [rise_and_fall.event(state, EventKind.JAR_BACK, item.time_s, {"told": True})]
        case Noting.STIRRED | Noting.TAKEN | Noting.BAKED:  # that explains the drop that was asked about
            state.question = None
        case Noting.NEW_RUN | Noting.NEW_STARTER:
            _start_over(state, jar, state.carried if item.what is Noting.NEW_RUN else {})
    return []


def _start_over(state: DetectorState, jar: JarSettings, carried: dict[str, Json]) -> None:
    """Forget everything but `carried`, exactly as a restart would begin the run; silence counts from now."""
    fresh = DetectorState(
        jar=jar,
        now_s=state.now_s,
        empty_mm=jar.empty_mm,
        carried=carried,
        timers=Timers(last_row_s=state.now_s),
        not_so=state.not_so,
    )
    for part in fields(DetectorState):
        setattr(state, part.name, getattr(fresh, part.name))


def clock_set(state: DetectorState, item: ClockSet) -> list[Event]:
    """The daemon's wall clock was set: move everything remembered into the new time."""
    clock_step.move(state, item.offset_s, item.since_s)
    return []


def _grams(state: DetectorState, item: Fed) -> None:
    """Take the reported grams into the open cycle, which is then certain."""
    cycle = state.cycle
    assert cycle is not None
    cycle.told = cycle.sure = True
    state.curve_filter = None  # its dilution is known now
    cycle.feeding = item.feeding.completed_by(cycle.feeding)  # a second, partial report completes the first


def _evidence(item: Fed) -> dict[str, Json]:
    return {"told": True, "sure": True, **flat(item.feeding)}
