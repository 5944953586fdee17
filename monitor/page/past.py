"""Past cycles: a jar's cycles in a list, one cycle's curve by clock hours or equivalent hours.

Peak, rise and fall are the smoother's as soon as it has seen a finished cycle, and until then those that were decided
as it happened; each row says which (`smoothed`). The module `smoothed` has one cycle's ranges too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from monitor.core.assess import notebook, vigour
from monitor.core.detect.superseded import not_superseded, shown_at_s
from monitor.core.display.face import about_words
from monitor.core.display.units import Display
from monitor.core.forecast import growth_rate
from monitor.page.advising import advice_json, for_page
from monitor.page.curves import Curve, columns, gap_s, starting_mm, thin
from monitor.page.jar_view import happened_s, lids, note_json, scale
from monitor.runs import history, reported
from monitor.runs.report_body import Refused
from monitor.runs.store import Run, Store
from monitor.runs.stretch import readings_end_s, readings_of
from monitor.values import H_S, Cycle, Event, EventKind, Json, Noted

MOST_CYCLES = 2000  # newest first: nearly three years of two feedings a day
MARKS = {
    EventKind.PEAK_REACHED: "peak",
    EventKind.FALL_BEGAN: "fall",
    EventKind.STAYED_FLAT: "stayed flat",
    EventKind.DISTURBED: "disturbed",
}


def jars(store: Store) -> list[str]:
    """Every jar that the store has runs of, watched ones and imported ones."""
    return sorted({run.jar for run in store.runs()})


def cycles(store: Store, jar: str, now_s: float, show: Display, most: int = MOST_CYCLES) -> Json:
    """A jar's cycles, newest first, with the judgement of its starter. Raises Refused and StoreTrouble."""
    runs = _runs(store, jar)
    notes = store.noted(jar)
    listed = [(run, *one) for run in runs for one in _with_notes(run, store.smoothed_cycles(run.id), notes)]
    listed.sort(key=lambda one: -one[1].fed_at_s)
    judged = vigour.assess(history.of_starter(store, jar), notes, now_s)
    return {
        "jar": jar,
        "count": len(listed),
        "cycles": [_row(run, cycle, some, now_s, show) for run, cycle, some in listed[:most]],
        "verdict": judged.verdict,
        "because": for_page(show.worded(judged.because)),
        "advice": advice_json(judged.advice, show),
        "discarded_g": {**notebook.discarded_g(notes)},
    }


def one_cycle(
    store: Store, run_id: int, number: int, jar_empty_mm: dict[str, float | None], now_s: float, show: Display
) -> Json:
    """One cycle with its curve; `jar_empty_mm` is the config's, for runs that began without. Raises Refused."""
    run, cycle = cycle_of(store, run_id, number)
    every = _with_notes(run, store.smoothed_cycles(run.id), store.noted(run.jar))
    notes = next(some for one, some in every if one.number == number)
    until_s = readings_end_s(cycle)
    empty_mm = run.empty_mm if run.empty_mm is not None else jar_empty_mm.get(run.jar)
    curve = Curve(cycle.fed_at_s, empty_mm)
    for reading in readings_of(store, run, cycle.fed_at_s, until_s):
        curve.add(reading)
    points = curve.points()
    start_mm = starting_mm(points, cycle.fed_at_s)
    thinned = thin(points)
    clock = _clock(cycle)
    hours = [(point[0] - cycle.fed_at_s) / H_S for point in thinned]
    marks: list[Json] = [{"kind": "fed", "at_s": cycle.fed_at_s}] if cycle.fed_known else []
    decided = not_superseded(store.events(run.id, cycle.fed_at_s - 1.0))
    stand = [event for event in decided if cycle.fed_at_s - 1.0 <= event.happened_at_s <= until_s]
    marks += _turns(stand, cycle)
    return {
        **_row(run, cycle, notes, now_s, show),
        "level_known": empty_mm is not None,
        "start_mm": start_mm,
        "scale": scale(run.geometry, empty_mm, start_mm) if empty_mm is not None else None,
        "rise_began_s": happened_s(stand, EventKind.RISE_BEGAN),
        "lid_off": lids(stand, until_s),
        "gap_s": gap_s(None),
        "curve": columns(thinned),
        "clock_h": [round(h, 4) for h in hours],
        "equivalent_h": [round(clock.worth_h(max(h, 0.0)), 4) for h in hours],
        "marks": marks,
        "about_words": about_words(cycle, now_s, show),
        "may_correct": bool(marks) and not run.imported and reported.may_correct(cycle.fed_at_s, now_s),
    }


def cycle_of(store: Store, run_id: int, number: int) -> tuple[Run, Cycle]:
    """A run and a cycle of it. Raises Refused and StoreTrouble."""
    found = store.run(run_id)
    cycle = next((c for c in store.smoothed_cycles(run_id) if c.number == number), None)
    if found is None or cycle is None:
        raise Refused(f"there is no cycle {run_id}:{number}", 404)
    return found, cycle


def _runs(store: Store, jar: str) -> list[Run]:
    runs = store.runs_of(jar)
    if not runs:
        raise Refused(f"there is no jar {jar[:60]!r} in the store", 404)
    return runs


def _with_notes(run: Run, cycles: Sequence[Cycle], notes: Sequence[Noted]) -> list[tuple[Cycle, tuple[Noted, ...]]]:
    """A run's cycles, each with its notes out of all notes about the jar."""
    begins_s = [cycle.fed_at_s for cycle in cycles]
    some = notebook.during(notes, min([run.began_s, *begins_s]), run.ended_s)
    return list(zip(cycles, notebook.by_cycle(some, begins_s), strict=True)) if cycles else []


def _row(run: Run, cycle: Cycle, notes: Sequence[Noted], now_s: float, show: Display) -> dict[str, Json]:
    """One line of the list."""
    fall_h, peak_h = _hours(cycle.fall_at_s, cycle), _hours(cycle.peak_at_s, cycle)
    until_h = fall_h if fall_h is not None else peak_h
    known_c = [t for t in cycle.temperatures_c[: math.ceil(until_h) if until_h else None] if t is not None]
    return {
        "jar": run.jar,
        "run": run.id,
        "cycle": cycle.number,
        "imported": run.imported,
        "fed_at_s": cycle.fed_at_s,
        "ended_at_s": cycle.ended_at_s,
        "sure": cycle.sure,
        "smoothed": cycle.smoothed,
        "rested": cycle.rested,
        **cycle.feeding.weights,
        "flour": cycle.feeding.flour,
        "ratio": cycle.feeding.ratio,
        "rise_ratio": None if cycle.peak_ratio is None else round(cycle.peak_ratio, 3),
        "reached_ratio": None if cycle.reached_ratio is None else round(cycle.reached_ratio, 3),
        "hours_to_peak": peak_h,
        "hours_to_fall": fall_h,
        "equivalent_hours_to_peak": None if peak_h is None else round(_clock(cycle).worth_h(max(peak_h, 0.0)), 2),
        "mean_temperature_c": round(sum(known_c) / len(known_c), 2) if known_c else None,
        "notes": [note_json(note, now_s, show) for note in notes],
    }


def _clock(cycle: Cycle) -> growth_rate.Clock:
    return growth_rate.Clock(growth_rate.filled(cycle.temperatures_c), growth_rate.growth_rate())


def _hours(at_s: float | None, cycle: Cycle) -> float | None:
    return None if at_s is None else round((at_s - cycle.fed_at_s) / H_S, 2)


def _turns(stand: Sequence[Event], cycle: Cycle) -> list[Json]:
    """The events about one cycle that hold; its peak (of which the last refinement counts) and its fall have the times
    that the cycle has."""
    shown = [event for event in stand if event.kind in MARKS and event.happened_at_s >= cycle.fed_at_s]
    last = next((event for event in reversed(shown) if event.kind is EventKind.PEAK_REACHED), None)
    return [
        {"kind": MARKS[event.kind], "at_s": shown_at_s(event, cycle)}
        for event in shown
        if event.kind is not EventKind.PEAK_REACHED or event is last
    ]
